package exposure

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"shedbook/schema"
)

// at is a moment of the hand-worked logs: day and hour of March 2026, UTC.
func at(day int, hour float64) time.Time {
	return time.Date(2026, 3, day, 0, 0, 0, 0, time.UTC).Add(time.Duration(hour * float64(time.Hour)))
}

func run(t time.Time, hours float64, set ...func(*schema.Run)) schema.Run {
	r := schema.Run{Base: schema.Base{Machine: "R4", At: t}, Hours: schema.N(hours)}
	for _, s := range set {
		s(&r)
	}
	return r
}

func on(terrain string) func(*schema.Run) { return func(r *schema.Run) { r.Terrain = terrain } }
func by(driver string) func(*schema.Run)  { return func(r *schema.Run) { r.Driver = driver } }
func meter(out, in float64) func(*schema.Run) {
	return func(r *schema.Run) { r.MeterOut, r.MeterIn = schema.N(out), schema.N(in) }
}

func head(t time.Time) schema.Head { return schema.Head{Base: schema.Base{Machine: "R4", At: t}} }

func life(log schema.Log) *Life {
	log.Machine.Name = "R4"
	return NewIndex(nil, nil, nil).Life(&log)
}

func thorough(t time.Time) schema.Cleaning {
	return schema.Cleaning{Head: head(t), Method: "hose", Sides: "both"}
}
func rinse(t time.Time) schema.Cleaning {
	return schema.Cleaning{Head: head(t), Method: "rinse", Sides: "front"}
}

func TestCleaningInTheMiddleOfARun(t *testing.T) {
	l := life(schema.Log{
		Runs:      []schema.Run{run(at(1, 8), 2, on("mud")), run(at(2, 8), 4, on("mud")), run(at(3, 8), 1)},
		Cleanings: []schema.Cleaning{rinse(at(1, 12)), thorough(at(2, 9))},
		Refills:   []schema.Refill{{Head: head(at(2, 11)), Volume: schema.N(4000)}},
	})
	// The second run, 8:00 to 12:00, is cut at 9:00 (clean) and 11:00 (refill):
	// 1 + 2 + 1 h.
	require.Len(t, l.Pieces, 5)
	hours := []float64{2, 1, 2, 1, 1}
	// Before the clean the hours count from the first record: 0, 2; from it: 0, 2, 3.
	deep := []Since{{0, 0, true}, {2, 2, true}, {0, 0, false}, {2, 2, false}, {3, 3, false}}
	any := []Since{{0, 0, true}, {0, 0, false}, {0, 0, false}, {2, 2, false}, {3, 3, false}}
	fill := []Since{{0, 0, true}, {2, 2, true}, {3, 3, true}, {0, 0, false}, {1, 1, false}}
	// A heat cycle counts when its run is over: run 1 before the refill, run 2
	// (whose end comes after the refill) is the first since.
	cycles := []int{0, 1, 1, 0, 1}
	for i, p := range l.Pieces {
		require.InDelta(t, hours[i], p.Hours, 1e-12)
		require.Equal(t, deep[i], p.Thorough, i)
		require.Equal(t, any[i], p.Any, i)
		require.Equal(t, fill[i], p.Refill, i)
		require.Equal(t, cycles[i], p.Cycles, i)
	}
	require.InDelta(t, 7, l.Hours, 1e-12)
	require.InDelta(t, 6, l.Mud, 1e-12)
}

func TestRunAcrossAMonth(t *testing.T) {
	// 28 February 2026 22:00 + 5 h: 2 h of February, 3 of March.
	l := life(schema.Log{Runs: []schema.Run{run(at(1, -2), 5)}})
	require.Len(t, l.Pieces, 2)
	require.Equal(t, 2026*12+1, l.Pieces[0].Month)
	require.InDelta(t, 2, l.Pieces[0].Hours, 1e-12)
	require.Equal(t, 2026*12+2, l.Pieces[1].Month)
	require.InDelta(t, 3, l.Pieces[1].Hours, 1e-12)
}

func TestShortRunsMakeNoHeatCycle(t *testing.T) {
	// Warm-up is 15 min unless set: 0.2 h = 12 min is none, 0.25 h is one.
	l := life(schema.Log{Runs: []schema.Run{run(at(1, 8), 0.2), run(at(1, 9), 0.25), run(at(1, 10), 1)}})
	require.Equal(t, 1, l.CyclesTo(at(1, 10)))
	require.Equal(t, 1, l.CyclesTo(at(1, 10.5)), "a run under way is not complete")
	require.Equal(t, 2, l.CyclesTo(at(1, 11)))
}

func TestNotInTheFleetNotAtRisk(t *testing.T) {
	log := schema.Log{
		Machine:   schema.Machine{Acquired: at(2, 9), Retired: at(4, 0)},
		Runs:      []schema.Run{run(at(1, 8), 1), run(at(2, 8), 3), run(at(4, 8), 1), run(at(5, 8), 1)},
		Overheats: []schema.Overheat{{Head: head(at(1, 8.5))}, {Head: head(at(2, 9.5))}, {Head: head(at(5, 8.5))}},
	}
	l := life(log)
	// Outside: run 1 whole, the first hour of run 2, run 4. The day of
	// retirement counts.
	require.InDelta(t, 3, l.OutsideHours, 1e-12)
	require.Len(t, l.Pieces, 2)
	require.Equal(t, []Placement{Outside, Covered, Outside},
		[]Placement{l.Overheats[0].How, l.Overheats[1].How, l.Overheats[2].How})
	s := NewStrata()
	s.AddLife(l)
	require.Equal(t, 2, s.OutsideOverheats)
	require.Equal(t, 0, s.UnplacedOverheats)
	all := s.By(Machine)
	require.Len(t, all, 1)
	require.InDelta(t, 3, all[0].Hours, 1e-12)
	require.Equal(t, 1, all[0].Overheats)
}

// A run that a clean cuts in two is one run: 3 h squared are 9, and its three
// overheats are 3 x 2 repeats; the run after it has one, which is none. What is
// kept and resumed says the same.
func TestRepeatsAreOfWholeRuns(t *testing.T) {
	log := schema.Log{
		Machine:   schema.Machine{Name: "R4"},
		Runs:      []schema.Run{run(at(1, 8), 3, on("mud")), run(at(2, 8), 2, on("mud"))},
		Cleanings: []schema.Cleaning{{Head: head(at(1, 9))}},
		Overheats: []schema.Overheat{{Head: head(at(1, 8.5))}, {Head: head(at(1, 10))}, {Head: head(at(1, 10.5))},
			{Head: head(at(2, 9))}},
	}
	x := NewIndex(nil, nil, nil)
	l := x.Life(&log)
	require.Len(t, l.Pieces, 3)
	s := NewStrata()
	s.AddLife(l)
	again, ok := x.Resume(s.Keep(), []string{"R4"}, func(func(*Life) bool) {})
	require.True(t, ok)
	for _, s := range []*Strata{s, again} {
		all := s.By(Terrain)
		require.Len(t, all, 1)
		require.Equal(t, 4, all[0].Overheats)
		require.Equal(t, 6, all[0].Repeats)
		require.InDelta(t, 9+4, all[0].Squares, 1e-12)
	}
}

func TestPlacing(t *testing.T) {
	runs := []schema.Run{
		run(at(1, 8), 2, by("Ada"), on("mud"), meter(100, 102)),
		run(at(1, 9), 2, by("Bo"), on("road"), meter(100, 102)),
		run(at(3, 8), 1, by("Ada"), on("mud"), meter(102, 103)),
	}
	for _, c := range []struct {
		why   string
		event schema.Overheat
		run   int
		how   Placement
	}{
		{"covered, the later start of two", schema.Overheat{Head: head(at(1, 9.5))}, 1, Covered},
		{"covered, the same driver of two", schema.Overheat{Head: head(at(1, 9.5)), Driver: "Ada"}, 0, Covered},
		{"covered at the very end", schema.Overheat{Head: head(at(3, 9))}, 2, Covered},
		// 3 March, 10:30 less 145 min = 8:05, 5 min from the start of run 2.
		{"its minutes lead to the start", schema.Overheat{Head: head(at(3, 10.5)), MinutesIn: schema.N(145)}, 2,
			ByMinutes},
		{"its meter reading, a day off", schema.Overheat{Head: schema.Head{Base: schema.Base{At: at(3, 23)},
			Meter: schema.N(102.5)}}, 2, ByMeter},
		{"that day, an hour after the run's hours", schema.Overheat{Head: head(at(3, 10)), Driver: "Ada"}, 2, ByDay},
		{"that day, ten minutes before the start", schema.Overheat{Head: head(at(3, 8).Add(-10 * time.Minute))}, 2,
			ByDay},
		{"somebody else that day", schema.Overheat{Head: head(at(3, 10)), Driver: "Bo"}, -1, Unplaced},
		{"five hours after", schema.Overheat{Head: head(at(3, 14.1))}, -1, Unplaced},
		{"another day", schema.Overheat{Head: head(at(2, 8))}, -1, Unplaced},
	} {
		l := life(schema.Log{Runs: runs, Overheats: []schema.Overheat{c.event}})
		require.Equal(t, c.run, l.Overheats[0].Run, c.why)
		require.Equal(t, c.how, l.Overheats[0].How, c.why)
	}
}

func TestAnOverheatsOwnWordsGoBeforeTheRuns(t *testing.T) {
	log := schema.Log{
		Machine:   schema.Machine{Name: "R4"},
		Runs:      []schema.Run{run(at(1, 8), 2, by("Ada"), on("mud"))},
		Overheats: []schema.Overheat{{Head: head(at(1, 9)), Terrain: "water", AmbientC: schema.N(-0.5)}},
	}
	x := NewIndex(nil, nil, nil)
	e := x.Life(&log).Overheats[0]
	name := func(f Factor) string { return x.Name(f, e.Levels[f]) }
	require.Equal(t, []string{"R4", "Ada", "water", "", "below 0"},
		[]string{name(Machine), name(Driver), name(Terrain), name(Speed), name(Ambient)})
}

// With more names than there are numbers, the last are not recorded, and nobody is taken for another.
func TestMoreNamesThanNumbers(t *testing.T) {
	var drivers []schema.Driver
	for i := range 65_600 {
		drivers = append(drivers, schema.Driver{Name: fmt.Sprintf("D%05d", i)})
	}
	x := NewIndex(nil, drivers, nil)
	for _, i := range []int{0, 65_534, 65_535, 65_599} {
		name := drivers[i].Name
		got := x.Life(&schema.Log{Runs: []schema.Run{run(at(1, 8), 1, by(name))}}).Pieces[0].Levels[Driver]
		if i >= 65_535 {
			name = ""
		}
		require.Equal(t, name, x.Name(Driver, got), i)
	}
}

func TestBands(t *testing.T) {
	for c, want := range map[float64]string{-0.1: "below 0", 0: "0-10", 9.99: "0-10", 10: "10-20", 29.9: "20-30",
		30: "30 and over", 60: "30 and over", -60: "below 0"} {
		require.Equal(t, want, Bands[Band(c)], c)
	}
}

func TestClockCountsThroughAReplacedMeter(t *testing.T) {
	log := schema.Log{
		Machine: schema.Machine{Acquired: at(1, 0), Meter: schema.N(800)},
		Meters:  []schema.MeterChange{{Base: schema.Base{At: at(3, 12)}, Was: schema.N(812.4), Now: schema.N(0)}},
		Runs: []schema.Run{
			run(at(2, 8), 10, meter(800, 810)),
			run(at(3, 8), 2.4, meter(810, 812.4)),
			run(at(4, 8), 5, meter(0, 5)),
		},
		Services: []schema.Service{{Head: schema.Head{Base: schema.Base{At: at(6, 8)}, Meter: schema.N(8)}}},
	}
	l := life(log)
	require.Empty(t, l.Clock.Refused)
	// 812.4 on the old meter and 5 on the new are 817.4; the service read 8: 820.4.
	require.InDelta(t, 805, l.Clock.At(at(2, 13)), 1e-9)
	require.InDelta(t, 817.4, l.Clock.At(at(4, 13)), 1e-9)
	require.InDelta(t, 820.4, l.Clock.At(at(6, 8)), 1e-9)
	// 17.4 h of runs, 20.4 on the meters: 3 h unrecorded, spread evenly over the
	// 43 h from 4 March 13:00 to 6 March 8:00.
	require.InDelta(t, 3, l.Unrecorded(), 1e-9)
	require.InDelta(t, 817.4+3*21.5/43, l.Clock.At(at(5, 10.5)), 1e-9)
	when, ok := l.Clock.When(805)
	require.True(t, ok)
	require.Equal(t, at(2, 13), when)
}

func TestClockRefusesASlipOfThePen(t *testing.T) {
	log := schema.Log{Machine: schema.Machine{Acquired: at(1, 0), Meter: schema.N(100)}}
	for d := 2; d < 12; d++ {
		log.Runs = append(log.Runs, run(at(d, 8), 1, meter(float64(98+d), float64(99+d))))
	}
	log.Levels = []schema.Level{{Head: schema.Head{Base: schema.Base{At: at(5, 20)}, Meter: schema.N(1040)}}}
	l := life(log)
	require.Len(t, l.Clock.Refused, 1)
	require.Equal(t, 1040.0, l.Clock.Refused[0].Meter)
	require.InDelta(t, 110, l.Clock.At(at(20, 0)), 1e-9)
	require.InDelta(t, 0, l.Unrecorded(), 1e-9)
}

func TestClockWithoutAMeterCountsTheRuns(t *testing.T) {
	l := life(schema.Log{Runs: []schema.Run{run(at(1, 8), 2), run(at(2, 8), 3)}})
	require.False(t, l.Clock.Known())
	require.InDelta(t, 3.5, l.Clock.At(at(2, 9.5)), 1e-12)
	require.Zero(t, l.Unrecorded())
}

func TestAnEmptyLog(t *testing.T) {
	l := life(schema.Log{})
	require.Empty(t, l.Pieces)
	require.Zero(t, l.Hours)
	_, _, ok := l.Clock.Last()
	require.False(t, ok)
	require.Equal(t, State{Since{0, 0, true}, Since{0, 0, true}, Since{0, 0, true}, 0}, l.At(at(1, 0)))
}

// randomLog is any log at all: overlaps, typing errors, marks anywhere.
func randomLog(t *rapid.T) schema.Log {
	hours := rapid.SliceOfN(rapid.Float64Range(0, 30), 0, 30).Draw(t, "hours")
	minute := rapid.IntRange(0, 60*24*90)
	var log schema.Log
	when := func(name string) time.Time { return at(-20, 0).Add(time.Duration(minute.Draw(t, name)) * time.Minute) }
	for _, h := range hours {
		r := run(when("start"), h, on(rapid.SampledFrom([]string{"", "mud", "road"}).Draw(t, "terrain")))
		if rapid.Bool().Draw(t, "metered") {
			out := rapid.Float64Range(0, 500).Draw(t, "out")
			r.MeterOut, r.MeterIn = schema.N(out), schema.N(out+h)
		}
		log.Runs = append(log.Runs, r)
	}
	for range rapid.IntRange(0, 5).Draw(t, "cleanings") {
		log.Cleanings = append(log.Cleanings, thorough(when("clean")), rinse(when("rinse")))
	}
	for range rapid.IntRange(0, 3).Draw(t, "refills") {
		log.Refills = append(log.Refills, schema.Refill{Head: head(when("refill")), Volume: schema.N(1)})
	}
	for range rapid.IntRange(0, 5).Draw(t, "overheats") {
		log.Overheats = append(log.Overheats, schema.Overheat{Head: head(when("overheat")), MinutesIn: schema.N(30)})
	}
	sortLog(&log)
	return log
}

func TestSplitsAddUpExactly(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		log := randomLog(t)
		l := life(log)
		per := make([]float64, len(log.Runs))
		for _, p := range l.Pieces {
			require.GreaterOrEqual(t, p.Hours, 0.0)
			for _, v := range []float64{p.Thorough.Hours, p.Thorough.Mud, p.Any.Hours, p.Any.Mud, p.Refill.Hours,
				p.Refill.Mud} {
				require.False(t, math.IsNaN(v) || v < -1e-9, v)
			}
			require.LessOrEqual(t, p.Any.Hours, p.Thorough.Hours+1e-9)
			require.GreaterOrEqual(t, p.Cycles, 0)
			per[p.Run] += p.Hours
		}
		for i := range log.Runs {
			require.InDelta(t, log.Runs[i].Hours.V, per[i], 1e-9)
		}
		s := NewStrata()
		s.AddLife(l)
		placed := 0
		for _, g := range s.All() {
			placed += g.Overheats
		}
		require.Equal(t, len(log.Overheats), placed+s.UnplacedOverheats+s.OutsideOverheats)
	})
}

func TestClockNeverRunsBackwards(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := life(randomLog(t))
		was := math.Inf(-1)
		for d := -25; d < 80; d++ {
			now := l.Clock.At(at(d, 0))
			require.False(t, math.IsNaN(now))
			require.GreaterOrEqual(t, now, was-1e-6)
			was = now
		}
	})
}

func TestStrataDoNotDependOnTheOrderOfMachines(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		logs := []schema.Log{randomLog(t), randomLog(t), randomLog(t)}
		group := func(order ...int) []Stratum {
			x, s := NewIndex(nil, nil, nil), NewStrata()
			for _, i := range order {
				s.AddLife(x.Life(&logs[i]))
			}
			return s.By(Terrain)
		}
		a, b := group(0, 1, 2), group(2, 0, 1)
		require.Len(t, b, len(a))
		for i := range a {
			require.Equal(t, a[i].Levels, b[i].Levels)
			require.InDelta(t, a[i].Hours, b[i].Hours, 1e-9)
			require.Equal(t, a[i].Overheats, b[i].Overheats)
		}
	})
}

func BenchmarkLives100000Runs(b *testing.B) {
	logs := bigFleet(100, 1000)
	b.ReportAllocs()
	for b.Loop() {
		x, s := NewIndex(nil, nil, nil), NewStrata()
		for i := range logs {
			s.AddLife(x.Life(&logs[i]))
		}
	}
}

func bigFleet(machines, runs int) []schema.Log {
	rng := rand.New(rand.NewPCG(1, 2))
	terrains, speeds := schema.Words("terrain"), schema.Words("speed")
	logs := make([]schema.Log, machines)
	for m := range logs {
		l := &logs[m]
		l.Machine.Name = fmt.Sprint("M", m)
		t, hours := at(1, 8), 100.0
		for i := range runs {
			h := 0.5 + 3*rng.Float64()
			l.Runs = append(l.Runs, run(t, h, on(terrains[rng.IntN(10)]), by(fmt.Sprint("D", rng.IntN(30))),
				meter(hours, hours+h),
				func(r *schema.Run) { r.Speed = speeds[rng.IntN(3)] }))
			hours += h
			if i%16 == 0 {
				l.Cleanings = append(l.Cleanings, thorough(t.Add(20*time.Minute)))
			}
			if i%100 == 0 {
				l.Overheats = append(l.Overheats, schema.Overheat{Head: head(t.Add(10 * time.Minute))})
			}
			t = t.Add(8 * time.Hour)
		}
	}
	return logs
}

func sortLog(l *schema.Log) {
	slices.SortStableFunc(l.Runs, func(a, b schema.Run) int { return a.At.Compare(b.At) })
	slices.SortStableFunc(l.Cleanings, func(a, b schema.Cleaning) int { return a.At.Compare(b.At) })
	slices.SortStableFunc(l.Refills, func(a, b schema.Refill) int { return a.At.Compare(b.At) })
	slices.SortStableFunc(l.Overheats, func(a, b schema.Overheat) int { return a.At.Compare(b.At) })
}

func BenchmarkReadings(b *testing.B) {
	log := schema.Log{}
	at := time.Date(2020, 1, 1, 8, 0, 0, 0, time.UTC)
	for i := range 100_000 {
		log.Runs = append(log.Runs, schema.Run{Base: schema.Base{At: at.Add(time.Duration(i) * time.Hour)},
			Hours:    schema.N(0.5),
			MeterOut: schema.N(float64(i) / 2)})
	}
	b.ResetTimer()
	for range b.N {
		Readings(&log)
	}
}
