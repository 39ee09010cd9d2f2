package stat

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestTooFewForAChange(t *testing.T) {
	for _, c := range []Change{
		LossChange(nil, 0.95),
		LossChange([]Look{{}, {Hours: 5, BelowML: 50, AddedML: 50}, {Hours: 5, BelowML: 50, AddedML: 50}}, 0.95),
	} {
		require.Nil(t, c.At.Est)
		require.NotEmpty(t, c.Why)
		require.Equal(t, 1.0, c.P)
	}
	require.Contains(t, LossSteadiness([]Look{{}, {Hours: 5, BelowML: 50, AddedML: 50}}).Why, "too few")
}

// The promise: the interval of the moment covers it in about 95 %. And a change
// is seen in at most 5 % of logs without one.
func TestLossChangeCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 5))
	for _, p := range []leakPlan{
		{levelStep: 25, topUpStep: 50, misread: 8, changeTimes: 4},
		{levelStep: 25, topUpStep: 50, misread: 8, cv: 0.5, changeTimes: 4},
		{levelStep: 50, topUpStep: 50, misread: 8, cv: 0.3, changeTimes: 8},
	} {
		hit, alarm, seen, n := 0, 0, 0, 80
		for range n {
			q := p
			q.hours, q.lookChance = 200, 0.2+0.3*rng.Float64()
			q.changeAt = 40 + 120*rng.Float64()
			c := LossChange(q.looks(rng, 1.5), 0.95)
			if e := c.At.Est; e.Low <= q.changeAt && q.changeAt <= e.High {
				hit++
			}
			if c.P < 0.05 {
				seen++
			}
			q.changeAt = 0
			if LossChange(q.looks(rng, 3), 0.95).P < 0.05 {
				alarm++
			}
		}
		f := func(k int) float64 { return float64(k) / float64(n) }
		t.Logf("%+v: covered %.3f, seen %.3f, alarms without a change %.3f", p, f(hit), f(seen), f(alarm))
		require.InDelta(t, 0.95, f(hit), 0.02+0.05)
		require.Less(t, f(alarm), 0.06)
	}
}

func TestSteadyOrInBursts(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 6))
	for _, c := range []struct {
		name   string
		plan   leakPlan
		rate   float64
		steady bool
	}{
		{"steady", leakPlan{levelStep: 25, topUpStep: 50, misread: 8}, 3, true},
		{"steady, filled", leakPlan{levelStep: 50, topUpStep: 50, misread: 8, resets: true}, 3, true},
		{"a little uneven", leakPlan{levelStep: 25, topUpStep: 50, misread: 8, cv: 0.25}, 10, true},
		{"steady and slow", leakPlan{levelStep: 25, topUpStep: 50}, 0.3, true},
		{"bursts of 150 mL", leakPlan{levelStep: 25, topUpStep: 50, misread: 8, lump: 150}, 3, false},
		{"bursts of 300 mL", leakPlan{levelStep: 50, topUpStep: 50, misread: 8, lump: 300}, 5, false},
	} {
		right, said := 0, 0
		for range 200 {
			c.plan.hours, c.plan.lookChance = 200, 0.4
			s := LossSteadiness(c.plan.looks(rng, c.rate))
			if s.Steady == nil {
				continue
			}
			said++
			if *s.Steady == c.steady {
				right++
			}
		}
		t.Logf("%-20s right %.3f of %d", c.name, float64(right)/float64(said), said)
		require.Greater(t, float64(right)/float64(said), 0.9)
	}
}

func TestChangeExtremes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var looks []Look
		for range rapid.IntRange(0, 9).Draw(t, "n") {
			e := extremeExposure().Draw(t, "h")
			ml := rapid.SampledFrom([]float64{0, 0, 25, 50, 300, 1e5})
			looks = append(looks, Look{Hours: e, BelowML: ml.Draw(t, "below"), AddedML: ml.Draw(t, "added"),
				Apart: rapid.IntRange(0, 5).Draw(t, "apart") == 0})
		}
		c := LossChange(looks, 0.95)
		checkSane(t, c.At)
		if !usable(c.Before+c.After+c.P) || c.Before < 0 || c.After < 0 {
			t.Fatalf("%+v", c)
		}
		if s := LossSteadiness(looks); (s.Steady == nil) != (s.Why != "") {
			t.Fatalf("%+v", s)
		}
	})
}
