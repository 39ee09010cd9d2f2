package stat

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

// evalue-gamma-poisson and evalue-two-rates of testdata/check.
func TestEValues(t *testing.T) {
	c := loadCase(t, "evalue-gamma-poisson")
	for i := range c.at(t, "cases").([]any) {
		f := func(k string) float64 { return c.f(t, "cases", i, k) }
		x := int(f("x"))
		c.same(t, LogERateTwoSided(x, f("T"), f("r0"), f("a"), f("b")), "cases", i, "log_e_two_sided")
		c.same(t, LogERate(x, f("T"), f("r0"), f("a"), f("b")), "cases", i, "log_e_greater")
	}
	c = loadCase(t, "evalue-two-rates")
	for i := range c.at(t, "cases").([]any) {
		f := func(k string) float64 { return c.f(t, "cases", i, k) }
		c.same(t, LogETwoRates(int(f("x1")), f("T1"), int(f("x2")), f("T2"), f("a"), f("b")), "cases", i, "log_e")
	}
}

// ever-flag-probability of testdata/check: the chance that the e-value has ever
// reached 20 by a look, computed look by look from the Poisson distribution.
func TestEverFlag(t *testing.T) {
	c := loadCase(t, "ever-flag-probability")
	var data struct{ Looks []int }
	c.data(t, &data)
	for key, log := range map[string]func(x int, looks float64) float64{
		"evalue_one_sided_20": func(x int, n float64) float64 { return LogERate(x, n, 1, 1, 1) },
		"evalue_two_sided_20": func(x int, n float64) float64 { return LogERateTwoSided(x, n, 1, 1, 1) },
	} {
		const most = 400
		step := make([]float64, most)
		for k := range step {
			step[k] = distuv.Poisson{Lambda: 1}.Prob(float64(k))
		}
		alive, flagged := make([]float64, most), 0.0
		alive[0] = 1
		at := map[int]float64{}
		for look := 1; look <= 100; look++ {
			next := make([]float64, most)
			for i, p := range alive {
				for k, q := range step[:min(60, most-i)] {
					next[i+k] += p * q
				}
			}
			for x := range next {
				if log(x, float64(look)) >= math.Log(20) {
					flagged += next[x]
					next[x] = 0
				}
			}
			alive, at[look] = next, flagged
		}
		for i, n := range data.Looks {
			c.same(t, at[n], key, i)
		}
	}
}

func TestEValueExtremes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x, y := extremeCount().Draw(t, "x"), extremeCount().Draw(t, "y")
		h, g := extremeExposure().Draw(t, "h"), extremeExposure().Draw(t, "g")
		r := rapid.SampledFrom([]float64{0, 1e-6, 0.02, 10}).Draw(t, "r")
		one, two, rates := LogERate(x, h, r, 0.5, 10), LogERateTwoSided(x, h, r, 0.5, 10), LogETwoRates(x, h, y, g, 1, 1)
		if !usable(one) || !usable(two) || !usable(rates) {
			t.Fatal(one, two, rates)
		}
	})
}

// pumps-eb, pumps-eb-rounded, eb-no-overdispersion of testdata/check (Gaver &
// O'Muircheartaigh 1987).
func TestPumps(t *testing.T) {
	for _, id := range []string{"pumps-eb", "pumps-eb-rounded"} {
		c := loadCase(t, id)
		var data struct {
			Failures       []int
			Thousand_hours []float64
		}
		c.data(t, &data)
		p := PoolRates(data.Failures, data.Thousand_hours, 0.95)
		require.Empty(t, p.Why)
		require.False(t, p.Complete)
		c.same(t, p.Shape, "alpha")
		c.same(t, p.Exposure, "beta")
		c.same(t, p.Mean, "prior_mean")
		c.same(t, p.Overall.Est.Value, "poisson_pooled_rate")
		for i, u := range p.Units {
			c.same(t, u.Est.Value, "posterior_mean", i)
			c.same(t, u.Est.Low, "post_lo95", i)
			c.same(t, u.Est.High, "post_hi95", i)
		}
	}
	c := loadCase(t, "eb-no-overdispersion")
	p := PoolRates([]int{5, 4, 6, 5}, []float64{100, 100, 100, 100}, 0.95)
	require.True(t, p.Complete)
	require.NotEmpty(t, p.Warnings)
	for _, u := range p.Units {
		c.same(t, u.Est.Value, "pooled_rate")
	}
}

// A driver with three runs is never the worst: one event in 6 h among drivers
// of whom one is truly bad.
func TestThreeRunsAreNeverTheWorst(t *testing.T) {
	p := PoolRates([]int{2, 3, 20, 1, 1, 2}, []float64{150, 200, 150, 120, 6, 180}, 0.95)
	require.False(t, p.Complete)
	worst := 0
	for i, u := range p.Units {
		if u.Est.Value > p.Units[worst].Est.Value {
			worst = i
		}
	}
	require.Equal(t, 2, worst) // crude: the one with 6 h, 0.167 against 0.133
}

func TestPoolExtremes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var x []int
		var h []float64
		for range rapid.IntRange(0, 12).Draw(t, "n") {
			e := extremeExposure().Draw(t, "h")
			k := 0
			if e > 0 {
				k = extremeCount().Draw(t, "k")
			}
			x, h = append(x, k), append(h, e)
		}
		p := PoolRates(x, h, 0.95)
		if (p.Units == nil) != (p.Why != "") {
			t.Fatalf("%+v", p)
		}
		for _, u := range p.Units {
			checkSane(t, u)
			if u.Est == nil {
				t.Fatalf("%+v", u)
			}
		}
	})
}
