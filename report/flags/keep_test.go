package flags

import (
	"encoding/json"
	"fmt"
	"iter"
	"math/rand/v2"
	"os"
	"reflect"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/report/exposure"
	"shedbook/report/flags/simulate"
	"shedbook/report/next"
	"shedbook/schema"
)

// Whatever is written after a pass was kept, in time or late, amended or taken
// out, going on from there comes to what a pass from the beginning comes to; and
// it does go on where only the last weeks were written to.
func TestResumedPassEqualsAWholeOne(t *testing.T) {
	w := simulate.Busy()
	w.Days, w.Fault, w.Faulty, w.Services, w.DriverSpread, w.Clusters, w.MissRun, w.MissMeter, w.MeterError,
		w.Looks = 400, "blocked-core", 3, 0.2, 0.4, 0.2, 0.1, 0.3, 0.01, 0.05
	w.Machines = 16
	steps := 45
	if os.Getenv("SHEDBOOK_FAULTS") != "" {
		steps = 90
	}
	for i, fault := range []string{"blocked-core", "steady-loss", "hard-driving"} {
		w.Fault = fault
		gap, never := 80, i == 1 // the second is looked at less often, and nothing in it is very late
		if never {
			gap, w.Days = 300, 900
		}
		fleet, _ := w.Fleet(71)
		rng := rand.New(rand.NewPCG(7, 31))
		at := simulate.Start.AddDate(0, 0, 200)
		var names []string
		for i := range fleet.Logs {
			names = append(names, fleet.Logs[i].Machine.Name)
		}
		fleet.Answers = append(fleet.Answers, schema.Answer{Meta: schema.Meta{Number: 9001}, At: at.AddDate(0, 0, -40),
			Driver: fleet.Drivers[0].Name, Flag: hardDriving, NoneSeen: "yes"})
		fleet.Logs[2].Answers = append(fleet.Logs[2].Answers,
			schema.Answer{Meta: schema.Meta{Number: 9002}, At: at.AddDate(0, 0, -50), Machine: names[2],
				Flag: "blocked-core", NoneSeen: "yes"})
		whole := func() (Result, *Kept) {
			x := exposure.NewIndex(fleet.Words, fleet.Drivers, fleet.Settings)
			r, keep := FindIn(fleet, at, x, func(yield func(*exposure.Life) bool) {
				for i := range fleet.Logs {
					log := fleet.Logs[i].AsOf(at)
					if !yield(x.Life(&log)) {
						return
					}
				}
			}, rereads(fleet.Logs))
			return r, keep()
		}
		_, kept := whole()
		beside := kept.Beside()
		besides := func() []byte { return beside }
		resumed, began, raised, borne, asked := 0, 0, 0, 0, 0
		flagged := map[string]bool{}
		for step := range steps {
			was := make([]schema.Log, len(fleet.Logs))
			for i := range fleet.Logs {
				was[i] = fleet.Logs[i].AsOf(at)
			}
			before := at
			at = at.Add(time.Duration(rng.IntN(gap)) * time.Hour)
			changed := map[int]bool{}
			late := step%20 == 19 && !never
			if step%3 == 2 { // something about what was before
				i := rng.IntN(len(fleet.Logs))
				l := &fleet.Logs[i]
				from, _ := slices.BinarySearchFunc(l.Runs, before.AddDate(0, 0, -20),
					func(r schema.Run, t time.Time) int { return r.At.Compare(t) })
				if late {
					from = 0
				}
				to, _ := slices.BinarySearchFunc(l.Runs, at,
					func(r schema.Run, t time.Time) int { return r.At.Compare(t) })
				if from < to {
					k := from + rng.IntN(to-from)
					changed[i] = true
					switch rng.IntN(3) {
					case 0:
						l.Runs = slices.Clone(l.Runs)
						l.Runs[k].Hours.V += 0.3
					case 1:
						l.Runs = slices.Delete(slices.Clone(l.Runs), k, k+1)
					default:
						o := schema.Overheat{Head: schema.Head{Base: l.Runs[k].Base}, Sign: "lamp"}
						o.At = o.At.Add(10 * time.Minute)
						n, _ := slices.BinarySearchFunc(l.Overheats, o.At,
							func(r schema.Overheat, t time.Time) int { return r.At.Compare(t) })
						l.Overheats = slices.Insert(slices.Clone(l.Overheats), n, o)
					}
				}
			}
			for i := range fleet.Logs {
				if now := fleet.Logs[i].AsOf(at); now.Len() != was[i].Len() {
					changed[i] = true
				}
			}
			x := exposure.NewIndex(fleet.Words, fleet.Drivers, fleet.Settings)
			old := kept // by turns as the page has it and as it was written down
			if step%2 == 0 {
				var read bool
				old, read = ReadKept(kept.Bytes(nil), besides)
				require.True(t, read)
			}
			written := func(yield func(*exposure.Life) bool) {
				for i := range changed {
					log := fleet.Logs[i].AsOf(at)
					if !yield(x.Life(&log)) {
						return
					}
				}
			}
			beliefs := 0
			got, now, _, ok := Resume(fleet, at, x, old, names, written, func(machines ...string) iter.Seq[*schema.Log] {
				beliefs += len(machines)
				return rereads(fleet.Logs)(machines...)
			})
			want, fresh := whole()
			bears := map[string]bool{}
			for _, g := range want.Flags {
				bears[g.Machine] = true
				if ok && g.Scope == "machine" && !flagged[g.Machine] {
					raised++
				}
				if ok && len(g.Causes) > 0 {
					borne++
				}
			}
			flagged = bears
			if ok {
				resumed++
				asked += beliefs
				require.Equal(t, printed(t, want), printed(t, got), "%s, step %d", fault, step)
				one := step % len(names)
				curve, ok := Curve(fleet, at, x, old, names, written, names[one])
				require.True(t, ok)
				require.Equal(t, want.Standing[one].Curve, curve, "the curve of %s, step %d", names[one], step)
				kept = now
			} else {
				began++
				kept, beside = fresh, fresh.Beside()
			}
		}
		t.Logf("%s: went on %d times, began anew %d times, %d flags newly raised, %d logs read again for %d beliefs", fault,
			resumed, began, raised, asked, borne)
		require.Greater(t, resumed, steps/3, fault)
		require.Positive(t, began)
		if fault != "hard-driving" {
			require.Positive(t, raised, fault)
		}
	}
}

// What is believed of a flagged machine is worked out again where its own log has changed,
// and only there. And a flag may be raised on a machine that nobody wrote to, by what
// was entered on others: then its log is read again.
func TestKeptBeliefsServeAgain(t *testing.T) {
	w := simulate.Busy()
	w.Days, w.Fault, w.Faulty, w.Machines = 400, "blocked-core", 3, 16
	fleet, _ := w.Fleet(71)
	at := simulate.Start.AddDate(0, 0, 300)
	var names, flagged []string
	for i := range fleet.Logs {
		names = append(names, fleet.Logs[i].Machine.Name)
	}
	index := func() *exposure.Index { return exposure.NewIndex(fleet.Words, fleet.Drivers, fleet.Settings) }
	lives := func(x *exposure.Index, machines []string) iter.Seq[*exposure.Life] {
		return func(yield func(*exposure.Life) bool) {
			for log := range rereads(fleet.Logs)(machines...) {
				if l := log.AsOf(at); !yield(x.Life(&l)) {
					return
				}
			}
		}
	}
	x := index()
	want, keep := FindIn(fleet, at, x, lives(x, names), rereads(fleet.Logs))
	kept := keep()
	for _, g := range want.Flags {
		if len(g.Causes) > 0 {
			flagged = append(flagged, g.Machine)
		}
	}
	require.NotEmpty(t, flagged)
	sound := slices.DeleteFunc(slices.Clone(names), func(m string) bool { return slices.Contains(flagged, m) })
	var asked []string
	goOn := func(written ...string) {
		x, asked = index(), nil
		got, _, worn, ok := Resume(fleet, at, x, kept, names, lives(x, written),
			func(machines ...string) iter.Seq[*schema.Log] {
				asked = append(asked, machines...)
				return rereads(fleet.Logs)(machines...)
			})
		require.True(t, ok)
		require.Equal(t, len(asked) > 1, worn)
		for i := range got.Standing {
			if got.Standing[i].Curve == nil {
				got.Standing[i].Curve = want.Standing[i].Curve
			}
		}
		require.Equal(t, printed(t, want), printed(t, got))
	}
	goOn()
	require.Empty(t, asked)
	goOn(sound[0])
	require.Empty(t, asked)
	goOn(flagged[0])
	require.Equal(t, flagged[:1], asked)
	// nor what was believed when it was raised, unless the log was another then
	was := &kept.machines[slices.Index(names, flagged[0])]
	of := func(r Result) *Flag {
		return &r.Flags[slices.IndexFunc(r.Flags, func(g Flag) bool { return g.Machine == flagged[0] })]
	}
	is := of(want).RaisedAs
	var n named
	require.True(t, read(was.named, n.code))
	n.then.Made = []next.Chance{{Cause: "head-gasket", Probability: 1}}
	was.named = written(n.code)
	of(want).RaisedAs = name(&n.then)
	require.NotEqual(t, is, name(&n.then))
	goOn(flagged[0])
	log := &fleet.Logs[slices.Index(names, flagged[0])]
	log.Runs[0].Note = "which counts for nothing"
	of(want).RaisedAs = is
	goOn(flagged[0])
	// as if it had been sound when it was kept
	var m machine
	require.True(t, read(was.log, m.code))
	m.past.code(&codec{b: was.then, reading: true})
	m.whole = false
	was.log, was.named = m.after(m.past.passed, kept.week), nil
	var curve []point
	require.True(t, read(was.curve, func(c *codec) { list(c, &curve, (*point).code) }))
	was.curve = writtenCurve(curve[len(curve)-1:])
	goOn()
	require.Equal(t, []string{flagged[0], flagged[0]}, asked, "once for its pieces, once for the belief")
}

func printed(t *testing.T, r Result) string {
	b, err := json.MarshalIndent(r, "", " ")
	require.NoError(t, err)
	return string(b)
}

// Whatever stands in what is kept comes back as it was, each field of it: one that
// a codec forgets would come back as nothing.
func TestEveryFieldIsCoded(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 9))
	var fill func(reflect.Value)
	fill = func(v reflect.Value) {
		v = reflect.NewAt(v.Type(), v.Addr().UnsafePointer()).Elem()
		switch v.Kind() {
		case reflect.Struct:
			for i := range v.NumField() {
				fill(v.Field(i))
			}
		case reflect.Array:
			for i := range v.Len() {
				fill(v.Index(i))
			}
		case reflect.String:
			v.SetString(fmt.Sprint("s", rng.Int()))
		case reflect.Bool:
			v.SetBool(true)
		case reflect.Float32, reflect.Float64:
			v.SetFloat(float64(float32(rng.NormFloat64())))
		case reflect.Uint8, reflect.Uint16, reflect.Uint64:
			v.SetUint(1 + rng.Uint64N(254))
		default:
			v.SetInt(-1 - rng.Int64N(120))
		}
	}
	for _, one := range []interface{ code(*codec) }{&passed{}, &past{}, &tally{}, &point{}, &heard{}, &piece{},
		&event{}, &stretch{}, &mend{}, &logFacts{}, &markCounts{}, &learned{}, &tallies{}, &onset{}, &spending{},
		&figures{}} {
		fill(reflect.ValueOf(one).Elem())
		back := reflect.New(reflect.TypeOf(one).Elem()).Interface().(interface{ code(*codec) })
		b := written(one.code)
		require.True(t, read(b, back.code), "%T", one)
		require.Equal(t, one, back)
		require.False(t, read(append(b, 0), back.code), "%T", one)
		require.False(t, read(b[:len(b)-1], back.code), "%T", one)
	}
}

// What another version kept is not read.
func TestAnotherVersionIsNotRead(t *testing.T) {
	b := (&Kept{week: 7}).Bytes(nil)
	_, ok := ReadKept(b, nil)
	require.True(t, ok)
	b[0] += 2
	_, ok = ReadKept(b, nil)
	require.False(t, ok)
}

// Bytes that end too early are refused wherever they end.
func TestTornKeepingIsRefused(t *testing.T) {
	fleet, _ := simulate.Medium().Fleet(3)
	x := exposure.NewIndex(fleet.Words, fleet.Drivers, fleet.Settings)
	_, keep := FindIn(fleet, simulate.Medium().AsOf(), x, func(yield func(*exposure.Life) bool) {
		for i := range fleet.Logs {
			if !yield(x.Life(&fleet.Logs[i])) {
				return
			}
		}
	}, rereads(fleet.Logs))
	b := keep().Bytes(nil)
	for n := 0; n < len(b); n += 1 + n/3 {
		k, ok := ReadKept(b[:n], nil)
		require.False(t, ok, "%d bytes of %d: %v", n, len(b), k != nil)
	}
}

// A machine that came since counts for nothing in the weeks before it came, were
// it among machines most of which lose coolant.
func TestResumedPassWithNewMachinesAmongLeakers(t *testing.T) {
	start := time.Date(2026, 1, 5, 8, 0, 0, 0, time.UTC)
	var fleet schema.Fleet
	var names []string
	for i := range 6 {
		name := fmt.Sprintf("M%d", i)
		l := schema.Log{Machine: schema.Machine{Name: name}}
		for d := range 150 {
			at := start.AddDate(0, 0, d)
			l.Runs = append(l.Runs, schema.Run{Base: schema.Base{Machine: name, At: at}, Hours: schema.N(4)})
			if d%7 == 6 {
				ml := 30.0
				if i < 5 {
					ml = 300 + 10*float64(i)
				}
				l.TopUps = append(l.TopUps, schema.TopUp{Head: schema.Head{Base: schema.Base{Machine: name,
					At: at.Add(6 * time.Hour)}}, Volume: schema.N(ml)})
			}
		}
		fleet.Logs, names = append(fleet.Logs, l), append(names, name)
	}
	at := start.AddDate(0, 0, 149).Add(10 * time.Hour)
	lives := func(x *exposure.Index, logs []schema.Log) func(func(*exposure.Life) bool) {
		return func(yield func(*exposure.Life) bool) {
			for i := range logs {
				log := logs[i].AsOf(at)
				if !yield(x.Life(&log)) {
					return
				}
			}
		}
	}
	x := exposure.NewIndex(nil, nil, nil)
	_, keep := FindIn(fleet, at, x, lives(x, fleet.Logs), rereads(fleet.Logs))
	kept := keep()
	for k := range 3 {
		names = append(names, fmt.Sprintf("N%d", k))
		fleet.Logs = append(fleet.Logs, schema.Log{Machine: schema.Machine{Name: names[len(names)-1]}})
	}
	x = exposure.NewIndex(nil, nil, nil)
	want, _ := FindIn(fleet, at, x, lives(x, fleet.Logs), rereads(fleet.Logs))
	require.NotEmpty(t, want.Standing)
	x = exposure.NewIndex(nil, nil, nil)
	got, _, _, ok := Resume(fleet, at, x, kept, names, lives(x, fleet.Logs[6:]), rereads(fleet.Logs))
	require.True(t, ok)
	require.Equal(t, printed(t, want), printed(t, got))
}
