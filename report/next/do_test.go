package next

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	stand "shedbook/report/state"
	"shedbook/schema"
)

// A parked machine is never to be driven to prove a remedy or to wait for the lamp:
// it steamed, was cleaned, and was quiet for long, but nobody looked at the level.
func TestNothingParkedIsToBeDriven(t *testing.T) {
	start := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	log := schema.Log{Machine: schema.Machine{Name: "R4", CoolantL: schema.N(4.2)}}
	for day := range 60 {
		log.Add(&schema.Run{Base: schema.Base{Meta: schema.Meta{Number: int64(day + 1)}, Machine: "R4",
			At: start.AddDate(0, 0, day)},
			Hours: schema.N(4), Speed: "fast", Terrain: "mud", Driver: "Ada"})
	}
	hot := start.AddDate(0, 0, 2).Add(time.Hour)
	log.Add(&schema.Overheat{Head: schema.Head{Base: schema.Base{Meta: schema.Meta{Number: 100}, Machine: "R4",
		At: hot}}, Sign: "steam",
		Speed: "fast", Terrain: "mud", Lost: schema.N(500)})
	log.Add(&schema.Cleaning{Head: schema.Head{Base: schema.Base{Meta: schema.Meta{Number: 101}, Machine: "R4",
		At: hot.Add(8 * time.Hour)}},
		Method: "hose", Sides: "both", RadiatorOut: "yes"})
	r, err := Rank(schema.Fleet{Logs: []schema.Log{log}}, "R4", start.AddDate(0, 0, 61))
	require.NoError(t, err)
	require.Equal(t, stand.Parked, r.State.State)
	require.Equal(t, DoCheck, r.Do.Act)
	require.NotEqual(t, "fan-at-lamp", *r.Do.Check)
	require.NotContains(t, r.Do.Why, "drive it")
	require.True(t, strings.Contains(r.Do.Why, "it is parked") || r.Do.Minutes != nil)
}

// Nothing is taken off whose own check could have been made for less, nor after its own
// check passed while another's was never made. (Common practice, no source.)
func TestItsOwnCheckBeforeAMend(t *testing.T) {
	l := troubled()
	for range 40 {
		r := rank(t, fleetOf(l))
		if r.Do.Act == DoMend {
			s, err := known(fleetOf(l), nil, "R4", day(61))
			require.NoError(t, err)
			k := s.n.cause(*r.Do.Cause)
			own := false
			for i := range s.n.checks {
				own = own || s.n.checks[i].shows(k)
			}
			require.True(t, !own || s.shown(k) != 0, "%s is gone at before its own check was made", *r.Do.Cause)
			return
		}
		require.Equal(t, DoCheck, r.Do.Act)
		require.False(t, slices.ContainsFunc(l.Checks, func(c schema.Check) bool { return c.Check == *r.Do.Check }),
			"%s is asked for again before all else was looked at", *r.Do.Check)
		checked(l, *r.Do.Check, "pass", "", day(61))
	}
	t.Fatal("no end of checks")
}

// A check that failed and was mended since asks for no second mend.
func TestMendedSinceIsNotShown(t *testing.T) {
	l := troubled()
	checked(l, "probe", "fail", "", day(61))
	s, err := known(fleetOf(l), nil, "R4", day(62))
	require.NoError(t, err)
	require.Equal(t, 1, s.shown(s.n.cause("warning-circuit")))
	v := schema.Service{Work: "sensor", Cause: "warning-circuit"}
	v.Machine, v.At = "R4", day(61).Add(time.Hour)
	l.Services = append(l.Services, v)
	s, err = known(fleetOf(l), nil, "R4", day(62))
	require.NoError(t, err)
	require.NotEqual(t, 1, s.shown(s.n.cause("warning-circuit")))
	require.Equal(t, -1, s.found())
}

// What was done held, by the program's own words, and it overheated no more: nothing is
// to do, though sound machines hardly overheat at all and the quiet is short beside what
// came before.
func TestWhatHeldAsksForNothing(t *testing.T) {
	start := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	log := schema.Log{Machine: schema.Machine{Name: "R4", CoolantL: schema.N(4.2)}}
	number := int64(0)
	head := func(at time.Time) schema.Head {
		number++
		return schema.Head{Base: schema.Base{Meta: schema.Meta{Number: number}, Machine: "R4", At: at}}
	}
	for day := range 82 {
		at := start.AddDate(0, 0, day)
		log.Add(&schema.Run{Base: head(at).Base, Hours: schema.N(3), Speed: "fast", Terrain: "mud"})
		if day < 60 && day%15 == 10 {
			log.Add(&schema.Overheat{Head: head(at.Add(time.Hour)), Sign: "lamp", Speed: "fast", Terrain: "mud",
				Lost: schema.N(0)})
		}
		if day%6 == 5 && day < 60 { // 30 mL an hour leaks out
			log.Add(&schema.TopUp{Head: head(at.Add(10 * time.Hour)), Volume: schema.N(500), Fluid: "premix"})
		}
		if day == 60 {
			log.Add(&schema.Service{Head: head(at.Add(9 * time.Hour)), Work: "hose", Cause: "external-leak"})
		}
		if day > 60 && day%6 == 5 {
			log.Add(&schema.Level{Head: head(at.Add(-time.Hour)), BelowMark: schema.N(0), Engine: "cold"})
		}
	}
	at := start.AddDate(0, 0, 83)
	s, err := known(schema.Fleet{Logs: []schema.Log{log}}, nil, "R4", at)
	require.NoError(t, err)
	require.NotNil(t, s.provenSince())
	_, most := s.top()
	require.Greater(t, s.b.p[0], most)
	require.Less(t, float64(s.q.Overheats)*s.q.Since, shown*(s.q.Hours-s.q.Since))
	do, _ := s.do(nil)
	require.Equal(t, DoNothing, do.Act, do.Why)
	require.Contains(t, do.Why, "the service for external-leak on 30 Apr 2026 held")
}

// While milky oil says that a head gasket may be gone, nothing smaller is gone at:
// setting the oil to its mark would hide it.
func TestMilkyOilIsNoMatterOfTheMark(t *testing.T) {
	at := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	log := schema.Log{Machine: schema.Machine{Name: "R4", CoolantL: schema.N(4.2)}}
	log.Add(&schema.Run{Base: schema.Base{Meta: schema.Meta{Number: 1}, Machine: "R4", At: at}, Hours: schema.N(4)})
	log.Add(&schema.Overheat{Head: schema.Head{Base: schema.Base{Meta: schema.Meta{Number: 2}, Machine: "R4",
		At: at.Add(time.Hour)}}, Sign: "lamp"})
	log.Add(&schema.Check{Head: schema.Head{Base: schema.Base{Meta: schema.Meta{Number: 3}, Machine: "R4",
		At: at.AddDate(0, 0, 1)}},
		Check: "oil-level", Result: "fail", Figures: "finding=milky"})
	r, err := Rank(schema.Fleet{Logs: []schema.Log{log}}, "R4", at.AddDate(0, 0, 2))
	require.NoError(t, err)
	require.Equal(t, stand.Parked, r.State.State)
	if r.Do.Act == DoMend {
		require.Equal(t, "head-gasket", *r.Do.Cause)
	} else {
		require.Equal(t, DoCheck, r.Do.Act)
	}
}
