package schema

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

var morning = time.Date(2026, 3, 14, 9, 10, 0, 0, time.UTC)

func outing() Outing {
	return Outing{Base: Base{Meta: Meta{Number: 5}, Machine: "R4", At: morning}, Driver: "Ada Venn", MeterOut: N(97.1),
		LevelOut: N(0), EngineOut: "cold", Back: morning.Add(8 * time.Hour), MeterBack: N(99.6), LevelBack: N(100),
		Lamp: "yes", Mud: "yes"}
}

// What was not known yet does not count, and the log itself is left as it is.
func TestAnOutingAsOfATime(t *testing.T) {
	log := Log{Outings: []Outing{outing(), {Base: Base{Machine: "R4", At: morning.AddDate(0, 0, 1)},
		Driver: "Bo Larkin"}}}
	then := log.AsOf(morning.Add(time.Hour))
	require.Len(t, then.Outings, 1)
	went := Outing{Base: outing().Base, Driver: "Ada Venn", MeterOut: N(97.1), LevelOut: N(0), EngineOut: "cold"}
	require.Equal(t, went, then.Outings[0])
	require.Equal(t, &then.Outings[0], then.Out())
	require.Equal(t, outing(), log.Outings[0])
	back := log.AsOf(morning.Add(8 * time.Hour))
	require.Equal(t, outing(), back.Outings[0])
	require.Nil(t, back.Out())
	require.Equal(t, "Bo Larkin", log.Out().Driver)
}

// An outing says what it makes: nothing that nobody saw.
func TestWhatAnOutingMakes(t *testing.T) {
	o := outing()
	called := func(what string) Base {
		return Base{Ref: "out-R4-20260314T091000Z-" + what, Machine: "R4", At: morning}
	}
	require.Equal(t, []Record{&Level{Head: Head{Base: called("level-out")}, BelowMark: N(0), Engine: "cold"}},
		o.OutRecords())
	made := o.BackRecords()
	require.Len(t, made, 3)
	run := made[0].(*Run)
	require.Equal(t,
		&Run{Base: called("run"), Driver: "Ada Venn", MeterOut: N(97.1), MeterIn: N(99.6), Terrain: "mud"}, run)
	heat := made[1].(*Overheat)
	require.Equal(t, run.End(), heat.At, "in the run, so that it counts there")
	require.Equal(t, "lamp", heat.Sign)
	require.Equal(t, "Ada Venn", heat.Driver)
	level := made[2].(*Level)
	require.Equal(t, o.Back, level.At)
	require.Equal(t, "hot", level.Engine, "until somebody says that it was cold")
	for _, r := range append(made, o.OutRecords()...) {
		require.NoError(t, KindOf(r).Check(r))
		found := false
		for _, m := range o.Makes() {
			found = found || m.Kind == KindOf(r).Name && m.Ref == BaseOf(r).Ref
		}
		require.True(t, found, "%T can be found again", r)
	}

	o.EngineBack = "cold"
	require.Equal(t, "cold", o.BackRecords()[2].(*Level).Engine)
	o = outing()
	o.MeterOut, o.Mud, o.LevelBack = Num{}, "no", Num{} // no hours, no run; the clock is no meter
	made = o.BackRecords()
	require.Len(t, made, 1)
	require.Equal(t, o.Back, made[0].(*Overheat).At)
	require.Empty(t, made[0].(*Overheat).Terrain, "not in mud, and nobody says where")
	o.Hours, o.Lamp = N(1.5), "no"
	made = o.BackRecords()
	require.Len(t, made, 1)
	require.Equal(t, N(1.5), made[0].(*Run).Hours)
	// More hours than it was out: never later than it was back.
	o.Hours, o.Lamp, o.Back = N(12), "yes", morning.Add(time.Hour)
	require.Equal(t, o.Back, o.BackRecords()[1].(*Overheat).At)
}

func TestOutingsThatCantBe(t *testing.T) {
	for says, change := range map[string]func(*Outing){
		"is before it went out":               func(o *Outing) { o.Back = morning.Add(-time.Second) },
		"a meter does not run backwards":      func(o *Outing) { o.MeterBack = N(97) },
		"is more than 1000 h above the meter": func(o *Outing) { o.MeterBack = N(1098) },
		"back is missing":                     func(o *Outing) { o.Back = time.Time{} },
		"driver is missing: who takes it":     func(o *Outing) { o.Driver = "" },
	} {
		o := outing()
		require.NoError(t, KindOf(&o).Check(&o))
		change(&o)
		require.ErrorContains(t, KindOf(&o).Check(&o), says)
	}
	o := outing()
	o.Back, o.MeterBack, o.LevelBack, o.Lamp, o.Mud = time.Time{}, Num{}, Num{}, "", ""
	require.NoError(t, GoesOut.Check(&o))
	require.ErrorContains(t, ComesBack.Check(&o), "back is missing")
}

// The halves take each their own fields, by the same words.
func TestHalvesOfAnOuting(t *testing.T) {
	flags := func(k *Kind) (out []string) {
		for i := range k.Fields {
			out = append(out, k.Fields[i].Flag())
		}
		return out
	}
	require.Equal(t, []string{"machine", "out", "driver", "meter", "level", "engine", "accepted", "note"},
		flags(GoesOut))
	require.Equal(t, []string{"machine", "back", "meter", "hours", "level", "engine", "lamp", "mud", "note"},
		flags(ComesBack))
	require.Equal(t, "back", ComesBack.TimeColumn())
	require.Equal(t, "out", GoesOut.TimeColumn())
	known := NewKnown([]string{"R4"}, []string{"Ada Venn", "D3"}, nil, time.UTC)
	line := func(k *Kind, words string) string {
		given, wrong := k.Line(strings.Fields(words), known)
		if len(wrong) > 0 {
			return errors.Join(wrong...).Error()
		}
		out := ""
		for _, g := range given {
			out += g.Field.Name + "=" + g.Value + " "
		}
		return out
	}
	require.Equal(t, "driver=D3 meter_out_h=97.1 level_out_ml=0 ", line(GoesOut, "d3 97.1 ok"))
	require.Equal(t, "driver=Ada Venn level_out_ml=0 meter_out_h=97.1 accepted=yes ",
		line(GoesOut, "ada level ok meter 97.1 accept"))
	require.Equal(t, "meter_back_h=99.6 level_back_ml=300ml lamp=no mud=yes ",
		line(ComesBack, "99.6 300ml no-lamp mud"))
	require.Equal(t, "hours=1.5 level_back_ml=300 lamp=yes engine_back=cold ",
		line(ComesBack, "hours 1.5 level 300 lamp cold"))
	require.Contains(t, line(ComesBack, "level"), "does not fit a back")
	require.Contains(t, line(ComesBack, "level ada"), "does not fit a back")
}
