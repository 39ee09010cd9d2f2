package stat

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

func mhStrata(t testing.TB, c *outside) []RateStratum {
	var data struct{ Rows [][]any }
	c.data(t, &data)
	var out []RateStratum
	for _, r := range data.Rows {
		out = append(out, RateStratum{int(r[1].(float64)), r[2].(float64), int(r[3].(float64)), r[4].(float64)})
	}
	return out
}

// The mh-* cases of testdata/check, among them the British doctors' coronary
// deaths (Breslow & Day 1987 vol. 2; Greenland & Robins 1985).
func TestMantelHaenszel(t *testing.T) {
	for _, id := range []string{"mh-british-doctors", "mh-clozapine", "mh-confounded-driver-speed",
		"mh-reversal-driver-speed", "mh-sparse"} {
		c := loadCase(t, id)
		m := MantelHaenszel(mhStrata(t, c), 0.95)
		require.NotNil(t, m.Ratio.Est, id)
		c.same(t, m.Ratio.Est.Value, "mh_irr")
		c.same(t, m.Ratio.Est.Low, "mh_lo")
		c.same(t, m.Ratio.Est.High, "mh_hi")
		c.same(t, m.P, "p_chi2_mh")
		if want := c.f(t, "p_homogeneity_wald"); math.IsNaN(want) {
			require.Nil(t, m.Differ)
		} else {
			c.close(t, *m.Differ, want, "p_homogeneity_wald")
		}
	}
}

// Strata that share out their hours alike are one: 0/120 against 3/60 and back
// (poisson-two-rates of testdata/check).
func TestMantelHaenszelWithoutEventsOnOneSide(t *testing.T) {
	c := loadCase(t, "poisson-two-rates")
	for _, strata := range [][]RateStratum{{{0, 120, 3, 60}}, {{0, 40, 1, 20}, {0, 80, 2, 40}}} {
		m := MantelHaenszel(strata, 0.95)
		c.same(t, m.Ratio.Est.High, "cases", 1, "exact_hi")
		c.same(t, m.P, "cases", 1, "p_central")
		require.Zero(t, m.Ratio.Est.Value)
		require.NotEmpty(t, m.Ratio.Warnings)
		for i, s := range strata {
			strata[i] = RateStratum{s.Events0, s.Exposure0, s.Events1, s.Exposure1}
		}
		m = MantelHaenszel(strata, 0.95)
		c.same(t, m.Ratio.Est.Low, "cases", 2, "exact_lo")
		c.same(t, m.P, "cases", 2, "p_central")
		require.True(t, math.IsInf(m.Ratio.Est.High, 1))
		plain, _ := exact.Compare(3, 60, 0, 120, 0.95)
		require.InDelta(t, plain.Est.Value, m.Ratio.Est.Value, 1e-9)
	}
}

func TestMantelHaenszelExtremes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 5).Draw(t, "n")
		var strata []RateStratum
		for range n {
			s := RateStratum{Exposure1: extremeExposure().Draw(t, "t1"), Exposure0: extremeExposure().Draw(t, "t0")}
			small := rapid.OneOf(rapid.Just(0), rapid.IntRange(0, 6), rapid.Just(300))
			if s.Exposure1 > 0 {
				s.Events1 = small.Draw(t, "x1")
			}
			if s.Exposure0 > 0 {
				s.Events0 = small.Draw(t, "x0")
			}
			strata = append(strata, s)
		}
		m := MantelHaenszel(strata, 0.95)
		checkSane(t, m.Ratio)
		if math.IsNaN(m.P) || m.Differ != nil && math.IsNaN(*m.Differ) {
			t.Fatalf("%+v", m)
		}
	})
	many := MantelHaenszel([]RateStratum{{10000, 1, 20000, 1e6}}, 0.95)
	require.NotNil(t, many.Ratio.Est)
}

// Confounders planted: group 1 works mostly in the bad stratum.
func TestMantelHaenszelCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	base := []float64{0.01, 0.05, 0.2}
	hours1, hours0 := []float64{20, 60, 120}, []float64{300, 100, 40}
	for _, ratio := range []float64{1, 2.5} {
		covered, n := 0, 2000
		for range n {
			var strata []RateStratum
			for i := range base {
				strata = append(strata, RateStratum{
					int(distuv.Poisson{Lambda: ratio * base[i] * hours1[i], Src: rng}.Rand()), hours1[i],
					int(distuv.Poisson{Lambda: base[i] * hours0[i], Src: rng}.Rand()), hours0[i]})
			}
			m := MantelHaenszel(strata, 0.95)
			if m.Ratio.Est.Low <= ratio && ratio <= m.Ratio.Est.High {
				covered++
			}
		}
		got := float64(covered) / float64(n)
		t.Logf("ratio %g: %.4f", ratio, got)
		require.InDelta(t, 0.95, got, 0.02)
	}
}
