package report

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"shedbook/report/coolant"
	"shedbook/schema"
)

func topup(day int, hour, ml float64) schema.TopUp {
	return schema.TopUp{Head: head(at(day, hour)), Volume: schema.N(ml)}
}
func look(day int, hour, below float64) schema.Level {
	return schema.Level{Head: head(at(day, hour)), BelowMark: schema.N(below), Engine: "cold"}
}
func refill(day int, hour, ml float64) schema.Refill {
	return schema.Refill{Head: head(at(day, hour)), Volume: schema.N(ml)}
}

// daily are runs of two hours, one a day from the first of March.
func daily(days int) (runs []schema.Run) {
	for d := 1; d <= days; d++ {
		runs = append(runs, run(at(d, 8), 2))
	}
	return runs
}

func TestCoolantIsSettlingBoilOverOrUnexplained(t *testing.T) {
	l := schema.Log{
		Machine: schema.Machine{CoolantL: schema.N(4)},
		Runs:    daily(12),
		Refills: []schema.Refill{refill(1, 6, 4000)},
		TopUps:  []schema.TopUp{topup(2, 18, 300), topup(4, 18, 150), topup(8, 18, 400), topup(12, 18, 150)},
		Levels:  []schema.Level{look(6, 18, 50)},
		Overheats: []schema.Overheat{
			{Head: head(at(7, 9)), Lost: schema.N(250)},
			{Head: head(at(12, 9)), Lost: schema.N(500)},
		},
	}
	// Marks, with heat cycles (runs) since the refill: refill 1 Mar 6:00 (0),
	// top-up 2 Mar (2), top-up 4 Mar (4), look 6 Mar (6), top-up 8 Mar (8),
	// top-up 12 Mar (12).
	//   refill-2 Mar:  300, begins at cycle 0:  settling     (4 h)
	//   2-4 Mar:       150, begins at cycle 2:  settling, though it ends at 4 (4 h)
	//   4-6 Mar:        50 found missing, begins at cycle 4, so not settling: unexplained (4 h)
	//   6-8 Mar:       400 put in, of which 50 were missing already: 350, 250 of them boiled over (4 h)
	//   8-12 Mar:      150, and the overheat says 500: all boiled over (8 h)
	m := Coolant(Of(fleet(l), at(30, 0))).Machines[0]
	require.InDelta(t, 1000, m.ToppedUpMl, 1e-9)
	require.InDelta(t, 450, m.SettlingMl, 1e-9)
	require.InDelta(t, 400, m.BoilOverMl, 1e-9)
	require.InDelta(t, 150, m.UnexplainedMl, 1e-9) // 50 + 100
	require.InDelta(t, m.ToppedUpMl, m.SettlingMl+m.BoilOverMl+m.UnexplainedMl, 1e-9)
	require.Equal(t, 5, m.Intervals)
	require.InDelta(t, 24, m.Hours, 1e-9)
	require.InDelta(t, 8, m.SettlingHours, 1e-9)
	require.Equal(t, at(1, 6), *m.From)
	require.Equal(t, at(12, 18), *m.To)
	// 150 ml in 16 h away from the refill: 9.4 ml/h lies in the interval.
	require.NotNil(t, m.Rate)
	require.Less(t, m.Rate.Low, 150.0/16)
	require.Greater(t, m.Rate.High, 150.0/16)
	// 4 l: a millilitre an hour is 100 ml in 100 h, 2.5 % of the system.
	require.InDelta(t, m.Rate.Value*2.5, m.RatePct.Value, 1e-9)
}

func TestSettlingCyclesAreASetting(t *testing.T) {
	l := schema.Log{Runs: daily(6), Refills: []schema.Refill{refill(1, 6, 4000)},
		TopUps: []schema.TopUp{topup(2, 18, 100), topup(5, 18, 100)}}
	f := fleet(l)
	require.InDelta(t, 200, Coolant(Of(f, at(30, 0))).Machines[0].SettlingMl, 1e-9)
	f.Settings = schema.Settings{"settling-cycles": "2"} // the second begins when two are over
	require.InDelta(t, 100, Coolant(Of(f, at(30, 0))).Machines[0].SettlingMl, 1e-9)
	f.Settings = schema.Settings{"warm-up-min": "150"} // runs of two hours make no heat cycle now
	f.Logs[0].TopUps = append(f.Logs[0].TopUps, topup(6, 18, 100))
	require.InDelta(t, 300, Coolant(Of(f, at(30, 0))).Machines[0].SettlingMl, 1e-9)
}

func TestAHotLookIsNoMark(t *testing.T) {
	l := schema.Log{Runs: daily(9), TopUps: []schema.TopUp{topup(1, 18, 100), topup(9, 18, 100)},
		Levels: []schema.Level{look(3, 18, -80), look(5, 18, 20)}}
	l.Levels[0].Engine = "hot"
	m := Coolant(Of(fleet(l), at(30, 0))).Machines[0]
	require.Equal(t, 2, m.Intervals) // 1-5 and 5-9 March
	require.InDelta(t, 100, m.UnexplainedMl, 1e-9)
	require.InDelta(t, 100, m.UnattributedMl, 1e-9, "the first top-up closes no stretch")
	d := Doubts(Of(fleet(l), at(30, 0)))
	require.Len(t, d.Doubts, 1)
	require.Equal(t, HotLook, d.Doubts[0].Doubt)
	require.Contains(t, d.Doubts[0].Says, "80 mL")
}

func TestCoolantOfLittle(t *testing.T) {
	for name, l := range map[string]schema.Log{
		"nothing":   {},
		"runs only": {Runs: daily(3)},
		"one mark":  {Runs: daily(3), TopUps: []schema.TopUp{topup(2, 18, 100)}},
		"no hours":  {TopUps: []schema.TopUp{topup(1, 18, 100), topup(2, 18, 100)}},
		"settling only": {Runs: daily(3), Refills: []schema.Refill{refill(1, 6, 4000)},
			TopUps: []schema.TopUp{topup(2, 18, 100)}},
		"refill at a mark": {Runs: daily(3), Refills: []schema.Refill{refill(2, 18, 4000)},
			TopUps: []schema.TopUp{topup(2, 18, 100)}},
	} {
		r := Coolant(Of(fleet(l), at(30, 0)))
		require.Nil(t, r.Machines[0].Rate, name)
		require.NotNil(t, r.Machines[0].Why, name)
		_, err := json.Marshal(r)
		require.NoError(t, err, name)
	}
	require.Empty(t, Coolant(Of(fleet(), at(1, 0))).Machines)
}

func TestCoolantAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := schema.Log{Runs: daily(20)}
		day := rapid.IntRange(1, 20)
		for range rapid.IntRange(0, 8).Draw(t, "topups") {
			l.TopUps = append(l.TopUps, topup(day.Draw(t, "day"), rapid.Float64Range(0, 23).Draw(t, "hour"),
				rapid.Float64Range(1, 900).Draw(t, "ml")))
		}
		for range rapid.IntRange(0, 8).Draw(t, "levels") {
			l.Levels = append(l.Levels, look(day.Draw(t, "day"), rapid.Float64Range(0, 23).Draw(t, "hour"),
				rapid.Float64Range(-50, 500).Draw(t, "ml")))
		}
		for range rapid.IntRange(0, 3).Draw(t, "refills") {
			l.Refills = append(l.Refills, refill(day.Draw(t, "day"), rapid.Float64Range(0, 23).Draw(t, "hour"), 4000))
		}
		for range rapid.IntRange(0, 4).Draw(t, "overheats") {
			l.Overheats = append(l.Overheats, schema.Overheat{Head: head(at(day.Draw(t, "day"), 9)),
				Lost: schema.N(rapid.Float64Range(0, 500).Draw(t, "lost"))})
		}
		inOrder(&l)
		src := Of(fleet(l), at(30, 0))
		var m coolant.Machine
		for life := range src.Lives {
			m = coolant.Account(life, src.Fleet.Settings)
		}
		// Every top-up is in one of the parts, but for what a look had found missing
		// before it (counted when it was seen) and what a refill poured away.
		sum := 0.0
		for _, s := range m.Stretches {
			require.GreaterOrEqual(t, s.Hours(), -1e-9)
			sum += s.Lost
		}
		require.InDelta(t, sum, m.SettlingMl+m.BoilOverMl+m.UnexplainedMl, 1e-6)
		require.LessOrEqual(t, m.SettlingHours, m.Hours+1e-9)
		_, err := json.Marshal(m)
		require.NoError(t, err)
	})
}

// A hose that begins to weep on 41 March (80 h in) at 12 ml/h, the level looked
// at cold every fourth day, filled up when 100 ml or more are missing.
func TestCoolantTellsWhenItBegan(t *testing.T) {
	l := schema.Log{Runs: daily(80), Levels: []schema.Level{look(1, 6, 0)}}
	missing := 0.0
	for d := 1; d <= 80; d++ {
		if d > 40 {
			missing += 12 * 2
		}
		if d%4 != 0 {
			continue
		}
		if seen := 25 * math.Round(missing/25); seen >= 100 {
			l.TopUps = append(l.TopUps, topup(d, 18, seen))
			missing -= seen
		} else {
			l.Levels = append(l.Levels, look(d, 18, seen))
		}
	}
	m := Coolant(Of(fleet(l), at(90, 0))).Machines[0]
	require.NotNil(t, m.Change)
	require.Less(t, m.Change.P, 0.001)
	require.False(t, m.Change.Low.After(at(41, 0)), m.Change.Low)
	require.False(t, m.Change.High.Before(at(40, 18)), m.Change.High)
	require.Less(t, m.Change.High.Sub(*m.Change.Low).Hours(), 24*20.0)
	require.InDelta(t, 0, m.Change.Before, 1)
	require.InDelta(t, 12, m.Change.After, 2)
	require.InDelta(t, 80, m.Change.Hours.Value, 20) // engine hours
	// One rate over all of it would be 6 ml/h; the same log without the onset has
	// no change and is steady.
	even := schema.Log{Runs: daily(80), Levels: []schema.Level{look(1, 6, 0)}}
	for d := 8; d <= 80; d += 8 {
		even.TopUps = append(even.TopUps, topup(d, 18, 100)) // 16 h: 6.25 ml/h
	}
	m = Coolant(Of(fleet(even), at(90, 0))).Machines[0]
	require.Nil(t, m.Change)
	require.NotNil(t, m.ChangeWhy)
	require.True(t, *m.Steady)
	// The same in bursts: every fifth time 500 ml, else nothing.
	burst := schema.Log{Runs: daily(80), Levels: []schema.Level{look(1, 6, 0)}}
	for d := 8; d <= 80; d += 8 {
		if d%40 == 0 {
			burst.TopUps = append(burst.TopUps, topup(d, 18, 500))
		} else {
			burst.Levels = append(burst.Levels, look(d, 18, 0))
		}
	}
	require.False(t, *Coolant(Of(fleet(burst), at(90, 0))).Machines[0].Steady)
	// Two stretches are too few to say.
	few := Coolant(Of(fleet(schema.Log{Runs: daily(9), TopUps: []schema.TopUp{topup(1, 18, 50), topup(5, 18, 100),
		topup(9, 18, 100)}}), at(90, 0))).Machines[0]
	require.Nil(t, few.Steady)
	require.Contains(t, *few.SteadyWhy, "too few")
}

// Two top-ups a few minutes apart while the engine ran are no loss of litres an
// hour, neither in the coolant report nor in the fleet's.
func TestMinutesSayNothingOfAnHour(t *testing.T) {
	l := schema.Log{
		Machine: schema.Machine{CoolantL: schema.N(4)},
		Runs:    []schema.Run{run(at(1, 8), 2)},
		TopUps:  []schema.TopUp{topup(1, 8.5, 300), topup(1, 8.6, 300), topup(1, 8.7, 500)},
	}
	s := Of(fleet(l), at(30, 0))
	m := Coolant(s).Machines[0]
	require.Nil(t, m.Rate)
	require.Nil(t, m.RatePct)
	require.Equal(t, "only 0.2 engine hours between level readings: a loss per hour needs 1", *m.Why)
	require.InDelta(t, 800, m.UnexplainedMl, 1e-9)
	row := Fleet(s, nil).Machines[0]
	require.Nil(t, row.CoolantRate)
	require.Equal(t, *m.Why, *row.CoolantWhy)

	// Over hours it is.
	l.Runs, l.TopUps = daily(12), []schema.TopUp{topup(2, 18, 300), topup(6, 18, 300), topup(10, 18, 500)}
	require.NotNil(t, Coolant(Of(fleet(l), at(30, 0))).Machines[0].Rate)
}

// An overheat without a figure makes its stretch say nothing of a loss an hour:
// a leak of 10 ml/h, and 300 ml boiled over on day 25 that nobody wrote down.
func TestABoilOverOfUnknownAmountIsNoLeak(t *testing.T) {
	l := schema.Log{Runs: daily(50), Overheats: []schema.Overheat{{Head: head(at(23, 9))}}}
	for d := 1; d <= 50; d += 5 {
		ml := 100.0
		if d == 26 {
			ml = 400
		}
		l.TopUps = append(l.TopUps, topup(d, 18, ml))
	}
	m := Coolant(Of(fleet(l), at(90, 0))).Machines[0]
	require.Less(t, m.Rate.High, 13.0) // with the 300 ml in 100 h, 13 ml/h
	require.Greater(t, m.Rate.High, 10.0)
	require.Less(t, m.Rate.Low, 10.0)
	require.InDelta(t, 800, m.UnexplainedMl, 1e-9)
	require.InDelta(t, 100+400, m.UnattributedMl, 1e-9)
	require.Contains(t, m.Warnings,
		"stretches with an overheat that has no figure for coolant lost do not count for the loss per hour")
}

// The change of TestCoolantTellsWhenItBegan, but the machine stands still for
// 300 days in the middle of the stretch in which it comes: no run, no change.
func TestAChangeFallsInRuns(t *testing.T) {
	l := schema.Log{Levels: []schema.Level{look(1, 6, 0)}}
	missing, day := 0.0, func(d int) int {
		if d > 38 {
			return d + 300
		}
		return d
	}
	for d := 1; d <= 80; d++ {
		l.Runs = append(l.Runs, run(at(day(d), 8), 2))
		if d > 40 {
			missing += 12 * 2
		}
		if d%4 != 0 {
			continue
		}
		if seen := 25 * math.Round(missing/25); seen >= 100 {
			l.TopUps = append(l.TopUps, topup(day(d), 18, seen))
			missing -= seen
		} else {
			l.Levels = append(l.Levels, look(day(d), 18, seen))
		}
	}
	m := Coolant(Of(fleet(l), at(400, 0))).Machines[0]
	require.NotNil(t, m.Change)
	for _, when := range []*time.Time{m.Change.Low, m.Change.At, m.Change.High} {
		standing := when.After(at(38, 12)) && when.Before(at(339, 0))
		require.False(t, standing, "%s: it stood still", when)
	}
}
