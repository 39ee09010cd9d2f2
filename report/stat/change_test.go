package stat

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

// Coal-mining disasters by year, 1851-1962 (Jarrett 1979, Biometrika 66, from
// the counts as printed by Carlin, Gelfand & Smith 1992; from memory). The
// change is put at about 1890, 40 years in (Raftery & Akman 1986: posterior
// median 1890, 95 % interval 1887 to 1895; from memory).
var coal = []int{
	4, 5, 4, 1, 0, 4, 3, 4, 0, 6, 3, 3, 4, 0, 2, 6, 3, 3, 5, 4, 5, 3, 1, 4, 4, 1, 5, 5, 3, 4, 2, 5, 2, 2, 3, 4, 2, 1, 3, 2,
	2, 1, 1, 1, 1, 3, 0, 0, 1, 0, 1, 1, 0, 0, 3, 1, 0, 3, 2, 2, 0, 1, 1, 1, 0, 1, 0, 1, 0, 0, 0, 2, 1, 0, 0, 0, 1, 1, 0, 2,
	3, 3, 1, 1, 2, 1, 1, 1, 1, 2, 4, 2, 0, 0, 1, 4, 0, 0, 0, 1, 0, 0, 0, 0, 0, 1, 0, 0, 1, 0, 1, 0,
}

func TestCoalMiningChange(t *testing.T) {
	years := make([]float64, len(coal))
	for i := range years {
		years[i] = 1
	}
	c := ChangePoint(coal, years, 0.95)
	require.InDelta(t, 1890-1851, c.At.Est.Value, 1.5)
	require.InDelta(t, 1887-1851, c.At.Est.Low, 1.5)
	require.InDelta(t, 1895-1851, c.At.Est.High, 2)
	require.Less(t, c.P, 1e-6)
	require.InDelta(t, 3.1, c.Before, 0.15)
	require.InDelta(t, 0.9, c.After, 0.1)
}

func TestTooFewForAChange(t *testing.T) {
	for _, c := range []Change{
		ChangePoint(nil, nil, 0.95), ChangePoint([]int{1, 2, 3}, []float64{1, 1, 1}, 0.95), ChangePoint([]int{0, 0, 0, 1}, []float64{1, 1, 1, 1}, 0.95),
		ChangePoint([]int{1, 1, 1, 1}, []float64{1, 1, 1, 0}, 0.95), LossChange(nil, LossSteps{}, 0.95),
		LossChange([]Look{{}, {Hours: 5, BelowML: 50, AddedML: 50}, {Hours: 5, BelowML: 50, AddedML: 50}}, LossSteps{}, 0.95),
	} {
		require.Nil(t, c.At.Est)
		require.NotEmpty(t, c.Why)
		require.Equal(t, 1.0, c.P)
	}
	require.Contains(t, LossSteadiness([]Look{{}, {Hours: 5, BelowML: 50, AddedML: 50}}, LossSteps{}).Why, "too few")
}

// The promise: the interval of the moment covers it in about 95 %. And a change
// is seen in at most 5 % of logs without one.
func TestChangePointCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	hit, alarm, n := 0, 0, 800
	for range n {
		var x, y []int
		var h []float64
		at, now := 20+160*rng.Float64(), 0.0
		for range 80 {
			d := 0.5 + 4*rng.Float64()
			before := math.Max(0, math.Min(d, at-now))
			now += d
			x = append(x, int(distuv.Poisson{Lambda: 0.1*before + 0.6*(d-before), Src: rng}.Rand()))
			y = append(y, int(distuv.Poisson{Lambda: 0.2 * d, Src: rng}.Rand()))
			h = append(h, d)
		}
		if e := ChangePoint(x, h, 0.95).At.Est; e.Low <= at && at <= e.High {
			hit++
		}
		if ChangePoint(y, h, 0.95).P < 0.05 {
			alarm++
		}
	}
	t.Logf("covered %.3f; alarms without a change %.3f", float64(hit)/float64(n), float64(alarm)/float64(n))
	require.InDelta(t, 0.95, float64(hit)/float64(n), 0.02+0.016)
	require.Less(t, float64(alarm)/float64(n), 0.05)
}

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
			c := LossChange(q.looks(rng, 1.5), LossSteps{}, 0.95)
			if e := c.At.Est; e.Low <= q.changeAt && q.changeAt <= e.High {
				hit++
			}
			if c.P < 0.05 {
				seen++
			}
			q.changeAt = 0
			if LossChange(q.looks(rng, 3), LossSteps{}, 0.95).P < 0.05 {
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
		right, said, index := 0, 0, 0.0
		for range 200 {
			c.plan.hours, c.plan.lookChance = 200, 0.4
			s := LossSteadiness(c.plan.looks(rng, c.rate), LossSteps{})
			if s.Steady == nil {
				continue
			}
			said++
			index += s.IndexML
			if *s.Steady == c.steady {
				right++
			}
		}
		t.Logf("%-20s right %.3f of %d, index %.0f mL", c.name, float64(right)/float64(said), said, index/float64(said))
		require.Greater(t, float64(right)/float64(said), 0.9)
	}
}

func TestChangeExtremes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var x []int
		var h []float64
		var looks []Look
		for range rapid.IntRange(0, 9).Draw(t, "n") {
			e := extremeExposure().Draw(t, "h")
			x, h = append(x, extremeCount().Draw(t, "x")), append(h, e)
			ml := rapid.SampledFrom([]float64{0, 0, 25, 50, 300, 1e5})
			looks = append(looks, Look{Hours: e, BelowML: ml.Draw(t, "below"), AddedML: ml.Draw(t, "added"), Apart: rapid.IntRange(0, 5).Draw(t, "apart") == 0})
		}
		for _, c := range []Change{ChangePoint(x, h, 0.95), LossChange(looks, LossSteps{}, 0.95)} {
			checkSane(t, c.At)
			if !usable(c.Before+c.After+c.P) || c.Before < 0 || c.After < 0 {
				t.Fatalf("%+v", c)
			}
		}
		if s := LossSteadiness(looks, LossSteps{}); !usable(s.IndexML+s.P) || (s.Steady == nil) != (s.Why != "") {
			t.Fatalf("%+v", s)
		}
	})
}
