package stat

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

func livesOf(t testing.TB, c *outside) []Lifetime {
	var data struct {
		Failures []float64
		Censored []struct {
			Time float64
			N    int
		}
	}
	c.data(t, &data)
	var out []Lifetime
	for _, f := range data.Failures {
		out = append(out, Lifetime{f, true})
	}
	for _, k := range data.Censored {
		for range k.N {
			out = append(out, Lifetime{k.Time, false})
		}
	}
	return out
}

// km-nist (NIST e-Handbook 8.2.2.1) and km-genfan (Nelson 1982) of testdata/check.
func TestKaplanMeier(t *testing.T) {
	for id, data := range map[string]string{"km-nist": "weibull-nist", "km-genfan": "weibull-genfan"} {
		c := loadCase(t, id)
		steps, why := KaplanMeier(livesOf(t, loadCase(t, data)), 0.95)
		require.Empty(t, why)
		k := 0
		for i := range c.at(t, "steps").([]any) {
			if c.f(t, "steps", i, "events") == 0 {
				continue
			}
			s := steps[k]
			k++
			for key, got := range map[string]float64{
				"time": s.Time, "at_risk": float64(s.AtRisk), "km": s.Survival, "km_lo_loglog": s.Low,
				"km_hi_loglog": s.High,
			} {
				c.same(t, got, "steps", i, key)
			}
		}
		require.Len(t, steps, k)
	}
}

// weibull-nist, weibull-genfan and aircondit of testdata/check (Meeker & Escobar
// 1998; Proschan 1963).
func TestWeibull(t *testing.T) {
	for _, id := range []string{"weibull-nist", "weibull-genfan"} {
		c := loadCase(t, id)
		w := fitWeibull(livesOf(t, c), 0.95)
		scale := w.at(1, zFor(0.95)*zFor(0.95)/2, 0.95) // when the cumulative hazard is 1
		c.same(t, w.Shape.Est.Value, "shape")
		c.same(t, scale.Est.Value, "scale")
		c.same(t, w.logLik, "loglik")
		c.same(t, w.Shape.Est.Low, "shape_profile_lo")
		c.same(t, w.Shape.Est.High, "shape_profile_hi")
		c.same(t, scale.Est.Low, "scale_profile_lo")
		c.same(t, scale.Est.High, "scale_profile_hi")
		for _, q := range []string{"B1", "B10", "B50"} {
			c.same(t, w.Quantile(c.f(t, q, "p"), 0.95).Est.Value, q, "t")
		}
	}
	c := loadCase(t, "aircondit")
	var data map[string][]float64
	c.data(t, &data)
	for name, times := range data {
		var lives []Lifetime
		for _, x := range times {
			lives = append(lives, Lifetime{x, true})
		}
		w := fitWeibull(lives, 0.95)
		c.same(t, w.Shape.Est.Value, name, "weibull_shape_mle")
		c.same(t, w.at(1, 1, 0.95).Est.Value, name, "weibull_scale_mle")
		c.same(t, w.logLik, name, "weibull_loglik")
	}
}

func TestTooFewForAWeibull(t *testing.T) {
	for _, lives := range [][]Lifetime{
		nil, {{5, true}, {7, true}, {9, false}}, {{5, true}, {5, true}, {5, true}}, {{0, true}}, {{math.NaN(), true}},
	} {
		w := fitWeibull(lives, 0.95)
		require.Nil(t, w.Shape.Est)
		require.NotEmpty(t, w.Shape.Why)
		require.Nil(t, w.Quantile(0.1, 0.95).Est)
	}
}

// cleans simulates times from clean to overheat, censored by the next clean.
func cleans(rng *rand.Rand, shape, scale float64, events int, early float64) []Lifetime {
	var out []Lifetime
	for n := 0; n < events; {
		life := scale * math.Pow(rng.ExpFloat64(), 1/shape)
		clean := scale * early * (0.3 + 1.4*rng.Float64())
		l := Lifetime{math.Min(life, clean), life <= clean}
		if l.Event {
			n++
		}
		out = append(out, l)
	}
	return out
}

// The promise: the interval of a quantile covers it in 93 to 97 % at 10 events
// or more.
func TestWeibullQuantileCoverage(t *testing.T) {
	n := 300
	for i, c := range []struct {
		shape  float64
		events int
		early  float64
	}{{1.5, 10, 1}, {1.5, 10, 0.4}, {0.8, 10, 1}, {3, 12, 0.6}, {2, 30, 0.5}} {
		rng := rand.New(rand.NewPCG(7, uint64(i)))
		hit := map[float64]int{}
		for range n {
			w := fitWeibull(cleans(rng, c.shape, 50, c.events, c.early), 0.95)
			for _, p := range []float64{0.1, 0.5} {
				truth := 50 * math.Pow(-math.Log1p(-p), 1/c.shape)
				if e := w.Quantile(p, 0.95).Est; e.Low <= truth && truth <= e.High {
					hit[p]++
				}
			}
		}
		t.Logf("shape %g, %d events, cleaned at about %g of the scale: 10 %% quantile %.3f, median %.3f", c.shape,
			c.events, c.early, float64(hit[0.1])/float64(n), float64(hit[0.5])/float64(n))
		for _, h := range hit {
			require.InDelta(t, 0.95, float64(h)/float64(n), 0.02+0.025) // two simulation errors beyond the promise
		}
	}
}

// Machines that share a shape and differ in scale: each machine's interval
// covers its own quantile about as often as it says, and is narrower than alone.
func TestPoolWeibullCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	hit, all := 0, 0
	for range 60 {
		var units [][]Lifetime
		var truth []float64
		for range 15 {
			frailty := distuv.Gamma{Alpha: 2, Beta: 2, Src: rng}.Rand()
			scale := 50 * math.Pow(frailty, -1/1.6)
			units = append(units, nil)
			for range 2 + rng.IntN(5) {
				life, clean := scale*math.Pow(rng.ExpFloat64(), 1/1.6), 50*(0.2+rng.Float64())
				k := len(units) - 1
				units[k] = append(units[k], Lifetime{math.Min(life, clean), life <= clean})
			}
			truth = append(truth, scale*math.Pow(-math.Log1p(-0.1), 1/1.6))
		}
		p := PoolWeibull(units, 0.1, 0.95)
		for i, u := range p.Units {
			all++
			if u.Est.Low <= truth[i] && truth[i] <= u.Est.High {
				hit++
			}
		}
	}
	t.Logf("%.3f of %d machines", float64(hit)/float64(all), all)
	require.InDelta(t, 0.95, float64(hit)/float64(all), 0.03)
}

func TestPoolWeibullFallsBack(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	same := make([][]Lifetime, 5)
	for i := range same {
		same[i] = []Lifetime{{40 + float64(i), true}, {60 - float64(i), true}, {30, false}}
	}
	p := PoolWeibull(same, 0.1, 0.95)
	require.NotEmpty(t, p.Warnings)
	require.InEpsilon(t, p.All.Quantile(0.1, 0.95).Est.Value, p.Units[3].Est.Value, 0.15)
	few := PoolWeibull([][]Lifetime{{{5, true}}, nil}, 0.1, 0.95)
	require.Nil(t, few.Units[1].Est)
	require.NotEmpty(t, few.Units[1].Why)
	// a machine without any record lies with the others
	bad := [][]Lifetime{cleans(rng, 1.5, 10, 12, 2), cleans(rng, 1.5, 80, 12, 2), cleans(rng, 1.5, 60, 12, 2), nil}
	p = PoolWeibull(bad, 0.1, 0.95)
	require.Empty(t, p.Warnings)
	require.Less(t, p.Units[0].Est.Value, p.Units[3].Est.Value)
	require.Less(t, p.Units[3].Est.Value, p.Units[1].Est.Value)
}

func TestSurvivalExtremes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		units := make([][]Lifetime, rapid.IntRange(1, 4).Draw(t, "units"))
		var all []Lifetime
		for i := range units {
			for range rapid.IntRange(0, 8).Draw(t, "n") {
				l := Lifetime{Exit: extremeExposure().Draw(t, "exit"), Event: rapid.Bool().Draw(t, "event")}
				units[i] = append(units[i], l)
			}
			all = append(all, units[i]...)
		}
		w := fitWeibull(all, 0.95)
		checkSane(t, w.Shape)
		checkSane(t, w.Quantile(0.1, 0.95))
		for _, u := range PoolWeibull(units, 0.1, 0.95).Units {
			checkSane(t, u)
		}
		steps, why := KaplanMeier(all, 0.95)
		if (steps == nil) != (why != "") {
			t.Fatal("steps and reason, or neither")
		}
		for _, s := range steps {
			if !usable(s.Survival+s.Low+s.High) || s.Low > s.Survival || s.High < s.Survival {
				t.Fatal(fmt.Sprintf("%+v", s))
			}
		}
	})
}

func BenchmarkPoolWeibull(b *testing.B) {
	rng := rand.New(rand.NewPCG(3, 3))
	units := make([][]Lifetime, 1000)
	for i := range units {
		units[i] = cleans(rng, 1.5, 40+40*rng.Float64(), 2, 0.5)
	}
	for b.Loop() {
		PoolWeibull(units, 0.1, 0.95)
	}
}
