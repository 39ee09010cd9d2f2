package stat

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

var exact, midP = Counting{}, Counting{MidP: true}

// poisson-one-rate of testdata/check: Garwood (1936) and mid-P.
func TestRateAgainstGarwood(t *testing.T) {
	c := loadCase(t, "poisson-one-rate")
	var data struct{ Rows [][]any }
	c.data(t, &data)
	for i, row := range data.Rows {
		x, hours := int(row[1].(float64)), row[2].(float64)
		r, mid := exact.Rate(x, hours, 0.95), midP.Rate(x, hours, 0.95)
		require.NotNil(t, r.Est)
		require.NotNil(t, mid.Est)
		c.same(t, r.Est.Value, "cases", i, "rate")
		c.same(t, r.Est.Low, "cases", i, "exact_lo")
		c.same(t, r.Est.High, "cases", i, "exact_hi")
		c.same(t, mid.Est.Low, "cases", i, "midp_lo")
		c.same(t, mid.Est.High, "cases", i, "midp_hi")
		oneSided := exact.Rate(x, hours, 0.90)
		c.same(t, oneSided.Est.High, "cases", i, "one_sided_upper_exact")
		c.same(t, oneSided.Est.Low, "cases", i, "one_sided_lower_exact")
	}
}

// ships-crude-vs-adjusted of testdata/check: crude rates by one factor.
func TestRateOfShips(t *testing.T) {
	c := loadCase(t, "ships-crude-vs-adjusted")
	for _, by := range []string{"by_type", "by_year", "by_period"} {
		for i := range c.at(t, by).([]any) {
			r := exact.Rate(int(c.f(t, by, i, "events")), c.f(t, by, i, "exposure"), 0.95)
			require.NotNil(t, r.Est)
			c.same(t, r.Est.Value, by, i, "rate")
			c.same(t, r.Est.Low, by, i, "exact_lo")
			c.same(t, r.Est.High, by, i, "exact_hi")
		}
	}
}

// mtbf-hpp-nist: NIST e-Handbook 8.4.5.1, hours between events = 1/rate.
func TestRateIsReciprocalOfTimeBetween(t *testing.T) {
	c := loadCase(t, "mtbf-hpp-nist")
	for i := range c.at(t, "cases").([]any) {
		r := exact.Rate(int(c.f(t, "cases", i, "failures")), c.f(t, "cases", i, "T"), c.f(t, "cases", i, "level"))
		require.NotNil(t, r.Est)
		c.same(t, 1/r.Est.Value, "cases", i, "mtbf")
		c.same(t, 1/r.Est.High, "cases", i, "lo")
		c.same(t, 1/r.Est.Low, "cases", i, "hi")
		one := exact.Rate(int(c.f(t, "cases", i, "failures")), c.f(t, "cases", i, "T"), 2*c.f(t, "cases", i, "level")-1)
		c.same(t, 1/one.Est.High, "cases", i, "one_sided_lower")
	}
}

func TestNoExposureNoRate(t *testing.T) {
	for _, r := range []Result{
		exact.Rate(0, 0, 0.95), exact.Rate(3, 0, 0.95), exact.Rate(-1, 5, 0.95), exact.Rate(1, math.NaN(), 0.95),
		exact.Rate(1, math.Inf(1), 0.95), exact.Rate(1, 5, 1), midP.Rate(2, 0, 0.95),
	} {
		require.Nil(t, r.Est)
		require.NotEmpty(t, r.Why)
	}
}

// special-functions: what gonum gives where this package leans on it.
func TestDistributionFunctions(t *testing.T) {
	c := loadCase(t, "special-functions")
	c.same(t, 2*mathext.GammaIncRegInv(1, 0.025), "qchisq(0.025,2)")
	c.same(t, 2*mathext.GammaIncRegInv(1, 0.975), "qchisq(0.975,2)")
	c.same(t, 2*mathext.GammaIncRegInv(2001, 0.975), "qchisq(0.975,4002)")
	c.same(t, 2*mathext.GammaIncRegInv(2000, 0.025), "qchisq(0.025,4000)")
	c.same(t, upperChi2(42.2752531195298, 25), "upper_pchisq(42.27525312,25)")
	c.same(t, upperChi2(200, 4), "upper_pchisq(200,4)")
	c.same(t, mathext.InvRegIncBeta(6, 2, 0.025), "qbeta(0.025,6,2)")
	c.same(t, mathext.InvRegIncBeta(1801, 2000, 0.975), "qbeta(0.975,1801,2000)")
	c.same(t, betaTail(6, 2, 41.0/271), "P(Binom(7,41/271)>=6)")
	c.same(t, betaTail(2000, 1801, 0.5), "P(Binom(3800,0.5)>=2000)")
	c.same(t, poissonAtLeast(3, 0.05), "P(Pois(0.05)>=3)")
	c.same(t, poissonBelow(901, 1000), "P(Pois(1000)<=900)")
	c.same(t, twoSidedNormal(8)/2, "upper_normal(8)")
	c.same(t, zFor(0.95), "qnorm(0.975)")
	c.same(t, mathext.Digamma(0.8), "digamma(0.8)")
	c.same(t, mathext.Zeta(2, 0.8), "trigamma(0.8)")
}

// A 95 % exact interval covers at least 95 % (Garwood 1936), mid-P about that:
// computed from the Poisson distribution itself, no simulation.
func TestRateCoverage(t *testing.T) {
	lowest, midLowest, midSum, n := 1.0, 1.0, 0.0, 0
	for mean := 0.5; mean < 40; mean *= 1.13 {
		covers, mid := 0.0, 0.0
		for x := 0; x < 150; x++ {
			p := distuv.Poisson{Lambda: mean}.Prob(float64(x))
			if e := exact.Rate(x, 1, 0.95).Est; e.Low <= mean && mean <= e.High {
				covers += p
			}
			if e := midP.Rate(x, 1, 0.95).Est; e.Low <= mean && mean <= e.High {
				mid += p
			}
		}
		lowest, midLowest, midSum, n = math.Min(lowest, covers), math.Min(midLowest, mid), midSum+mid, n+1
	}
	t.Logf("exact covers at least %.4f; mid-P %.4f at worst, %.4f on average", lowest, midLowest, midSum/float64(n))
	require.GreaterOrEqual(t, lowest, 0.95)
	require.InDelta(t, 0.955, midSum/float64(n), 0.015)
}

func checkSane(t *rapid.T, r Result) {
	if r.Est == nil {
		if r.Why == "" {
			t.Fatal("neither estimate nor reason")
		}
		return
	}
	e := r.Est
	if !usable(e.Value) || math.IsNaN(e.Low) || math.IsNaN(e.High) || e.Low > e.Value*(1+1e-9)+1e-300 ||
		e.High < e.Value*(1-1e-9) {
		t.Fatalf("%+v", *e)
	}
}

func extremeExposure() *rapid.Generator[float64] {
	return rapid.OneOf(rapid.Just(0.0), rapid.Just(1e-3), rapid.Just(1e6), rapid.Float64Range(1e-3, 1e6))
}

func extremeCount() *rapid.Generator[int] {
	return rapid.OneOf(rapid.Just(0), rapid.Just(10000), rapid.IntRange(0, 5), rapid.IntRange(0, 20000))
}

func TestRateExtremes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x, y := extremeCount().Draw(t, "x"), extremeCount().Draw(t, "y")
		a, b := extremeExposure().Draw(t, "a"), extremeExposure().Draw(t, "b")
		checkSane(t, exact.Rate(x, a, 0.95))
		checkSane(t, midP.Rate(x, a, 0.95))
		r, p := exact.Compare(x, a, y, b, 0.95)
		mid, pMid := midP.Compare(x, a, y, b, 0.95)
		checkSane(t, r)
		checkSane(t, mid)
		if e := r.Est; e != nil {
			if (e.Low > 1 || e.High < 1) != (p < 0.05) && math.Abs(p-0.05) > 1e-6 {
				t.Fatalf("interval %v contradicts p %v", *e, p)
			}
			m := mid.Est
			if (m.Low > 1 || m.High < 1) != (pMid < 0.05) && math.Abs(pMid-0.05) > 1e-6 {
				t.Fatalf("mid-P interval %v contradicts p %v", *m, pMid)
			}
			if e.Low > m.Low*(1+1e-6) || e.High < m.High*(1-1e-6) {
				t.Fatalf("exact %v inside mid-P %v", *e, *m)
			}
			if e.Low > 0 {
				ge, _, _, _ := conditional{float64(x), a, float64(y), b}.tails(e.Low)
				if math.Abs(ge-0.025) > 1e-6 {
					t.Fatalf("tail at the lower limit is %g", ge)
				}
			}
		}
	})
}

// poisson-two-rates of testdata/check.
func TestCompareRates(t *testing.T) {
	c := loadCase(t, "poisson-two-rates")
	var data struct{ Rows [][]any }
	c.data(t, &data)
	for i, row := range data.Rows {
		x1, t1, x0, t0 := row[1].(float64), row[2].(float64), row[3].(float64), row[4].(float64)
		ge, _, le, _ := conditional{x1, t1, x0, t0}.tails(1)
		c.same(t, ge, "cases", i, "p_greater")
		c.same(t, le, "cases", i, "p_less")
		r, p := exact.Compare(int(x1), t1, int(x0), t0, 0.95)
		mid, pMid := midP.Compare(int(x1), t1, int(x0), t0, 0.95)
		c.same(t, p, "cases", i, "p_central")
		c.same(t, pMid, "cases", i, "p_midp_central")
		ratio := c.f(t, "cases", i, "ratio")
		if math.IsNaN(ratio) {
			require.Nil(t, r.Est)
			require.NotEmpty(t, r.Why)
			continue
		}
		if !math.IsInf(ratio, 1) {
			c.same(t, r.Est.Value, "cases", i, "ratio")
		} else {
			require.True(t, usable(r.Est.Value), "no infinite estimate")
			require.NotEmpty(t, r.Warnings)
		}
		c.same(t, r.Est.Low, "cases", i, "exact_lo")
		c.same(t, r.Est.High, "cases", i, "exact_hi")
		c.same(t, mid.Est.Low, "cases", i, "midp_lo")
		c.same(t, mid.Est.High, "cases", i, "midp_hi")
	}
}

// Exact intervals of a ratio cover at least 95 %, given that there is an event
// (simulated, seeded).
func TestCompareRatesCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, ratio := range []float64{1, 3, 10} {
		covers, mid, n := 0, 0, 0
		for range 4000 {
			x := int(distuv.Poisson{Lambda: 4 * ratio, Src: rng}.Rand())
			y := int(distuv.Poisson{Lambda: 10, Src: rng}.Rand())
			r, _ := exact.Compare(x, 40, y, 100, 0.95)
			m, _ := midP.Compare(x, 40, y, 100, 0.95)
			if r.Est == nil {
				continue
			}
			n++
			if r.Est.Low <= ratio && ratio <= r.Est.High {
				covers++
			}
			if m.Est.Low <= ratio && ratio <= m.Est.High {
				mid++
			}
		}
		e, m := float64(covers)/float64(n), float64(mid)/float64(n)
		t.Logf("ratio %g: exact %.4f, mid-P %.4f", ratio, e, m)
		require.Greater(t, e, 0.95-0.007) // two simulation errors
		require.InDelta(t, 0.955, m, 0.02)
	}
}

// p-adjust of testdata/check: Holm (1979).
func TestAdjustedP(t *testing.T) {
	c := loadCase(t, "p-adjust")
	var data map[string]any
	c.data(t, &data)
	for name, v := range data {
		var ps []float64
		switch v := v.(type) {
		case []any:
			for _, p := range v {
				ps = append(ps, p.(float64))
			}
		case float64:
			ps = []float64{v}
		}
		was := append([]float64(nil), ps...)
		got := Holm(ps)
		want, ok := c.at(t, name, "holm").([]any)
		if !ok {
			want = []any{c.at(t, name, "holm")}
		}
		require.Len(t, got, len(want))
		for i := range want {
			c.close(t, got[i], asFloat(t, want[i]), name)
		}
		require.Equal(t, was, ps, "the caller's slice stays as it was")
	}
	require.Empty(t, Holm(nil))
}

func TestEstimateJSON(t *testing.T) {
	b, err := Estimate{Value: 1.5, Low: 0.25, High: math.Inf(1), Level: 0.95}.MarshalJSON()
	require.NoError(t, err)
	require.Equal(t, `{"value":1.5,"low":0.25,"high":null,"level":0.95}`, string(b))
}
