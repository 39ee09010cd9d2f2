package report_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/report"
	"shedbook/report/coolant"
	"shedbook/report/flags"
	"shedbook/report/next"
	"shedbook/schema"
)

// A machine that begins to leak in April and overheats now and then: whoever is
// asked tells one and the same loss.
func TestOneLossWhoeverAsks(t *testing.T) {
	day := func(d int, hour float64) schema.Head {
		return schema.Head{Base: schema.Base{Machine: "R1",
			At: time.Date(2026, 3, d, 0, 0, 0, 0, time.UTC).Add(time.Duration(hour * float64(time.Hour)))}}
	}
	l := schema.Log{Machine: schema.Machine{Name: "R1", CoolantL: schema.N(4)},
		Levels: []schema.Level{{Head: day(1, 6), Engine: "cold", BelowMark: schema.N(0)}}}
	missing := 0.0
	for d := 1; d <= 120; d++ {
		l.Runs = append(l.Runs, schema.Run{Base: day(d, 8).Base, Hours: schema.N(2), Speed: "slow"})
		if d > 40 {
			missing += 2 * 8
		}
		switch {
		case missing >= 100:
			l.TopUps = append(l.TopUps, schema.TopUp{Head: day(d, 18), Volume: schema.N(100)})
			missing -= 100
		case d%4 == 0:
			l.Levels = append(l.Levels, schema.Level{Head: day(d, 18), Engine: "cold", BelowMark: schema.N(missing)})
		}
		if d%30 == 0 {
			l.Overheats = append(l.Overheats, schema.Overheat{Head: day(d, 9), Lost: schema.N(0), Sign: "lamp"})
		}
	}
	asOf := time.Date(2026, 8, 1, 0, 0, 0, 0, time.UTC)
	f := schema.Fleet{Logs: []schema.Log{l}}
	src := func() report.Source { return report.Of(f, asOf) }

	m := report.Coolant(src()).Machines[0]
	require.NotNil(t, m.Rate)
	require.NotNil(t, m.Change)
	require.Contains(t, *m.RateSince, "since the rate changed")
	require.Less(t, m.Rate.Low, 8.0) // what goes on, not the 5.3 of the whole time
	require.Greater(t, m.Rate.High, 8.0)
	require.Greater(t, m.Rate.Low, 5.3)

	row := report.Fleet(src(), nil).Machines[0]
	require.Equal(t, m.Rate, row.CoolantRate)
	require.Equal(t, m.RateSince, row.RateSince)
	h, ok := report.History(src(), "R1", nil, false)
	require.True(t, ok)
	require.Equal(t, m.Rate, h.Coolant.Rate)

	said := fmt.Sprintf("%.1f mL lost per engine hour (95 %%: %.1f to %.1f)", m.Rate.Value, m.Rate.Low, m.Rate.High)
	require.Contains(t, coolant.LossWords(row.CoolantRate, row.RateSince, f.Settings.Units()), said)
	found := flags.Find(f, asOf)
	found.Quote(func(string) string { return coolant.LossWords(row.CoolantRate, row.RateSince, f.Settings.Units()) })
	require.Equal(t, "steady-loss", found.Flags[0].Flag)
	require.Contains(t, fmt.Sprint(found.Flags[0].Reasons), said)
	r, err := next.Rank(f, "R1", asOf)
	require.NoError(t, err)
	require.Contains(t, fmt.Sprint(r.Candidates), said)
}

// A service for the leak ends it: what goes on counts from there, as it does for
// flags and next.
func TestTheLossCountsSinceTheLeakWasMended(t *testing.T) {
	at := func(d int) schema.Head {
		return schema.Head{Base: schema.Base{Machine: "R1", At: time.Date(2026, 3, d, 18, 0, 0, 0, time.UTC)}}
	}
	l := schema.Log{Machine: schema.Machine{Name: "R1"}}
	for d := 1; d <= 100; d++ {
		l.Runs = append(l.Runs, schema.Run{Base: schema.Base{Machine: "R1", At: at(d).At.Add(-10 * time.Hour)},
			Hours: schema.N(2)})
		switch {
		case d%5 == 0 && d <= 50:
			l.TopUps = append(l.TopUps, schema.TopUp{Head: at(d), Volume: schema.N(100)}) // 10 mL/h
		case d%5 == 0:
			l.Levels = append(l.Levels, schema.Level{Head: at(d), Engine: "cold", BelowMark: schema.N(0)})
		}
	}
	l.Services = []schema.Service{{Head: at(51), Work: "hose", Cause: "external-leak"}}
	m := report.Coolant(report.Of(schema.Fleet{Logs: []schema.Log{l}}, at(200).At)).Machines[0]
	require.NotNil(t, m.Rate)
	require.Zero(t, m.Rate.Low)
	require.Less(t, m.Rate.High, 1.5)
	require.Equal(t, "since the service for external-leak on 20 Apr 2026", *m.RateSince)
	require.InDelta(t, 900, m.UnexplainedMl, 1e-9) // what went stays in the books
}
