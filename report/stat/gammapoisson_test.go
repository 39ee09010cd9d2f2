package stat

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

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
		shape, exposure := fitGammaPoisson(data.Failures, data.Thousand_hours)
		c.same(t, shape, "alpha")
		c.same(t, exposure, "beta")
		c.same(t, shape/exposure, "prior_mean")
		units := PoolRates(data.Failures, data.Thousand_hours, 0.95)
		require.Len(t, units, len(data.Failures))
		for i, u := range units {
			c.same(t, u.Est.Value, "posterior_mean", i)
			c.same(t, u.Est.Low, "post_lo95", i)
			c.same(t, u.Est.High, "post_hi95", i)
		}
	}
	c := loadCase(t, "eb-no-overdispersion")
	units := PoolRates([]int{5, 4, 6, 5}, []float64{100, 100, 100, 100}, 0.95)
	require.Len(t, units, 4)
	for _, u := range units {
		c.same(t, u.Est.Value, "pooled_rate")
	}
}

// A driver with three runs is never the worst: one event in 6 h among drivers
// of whom one is truly bad.
func TestThreeRunsAreNeverTheWorst(t *testing.T) {
	units := PoolRates([]int{2, 3, 20, 1, 1, 2}, []float64{150, 200, 150, 120, 6, 180}, 0.95)
	require.NotEqual(t, units[0], units[1], "they differ by more than chance")
	worst := 0
	for i, u := range units {
		if u.Est.Value > units[worst].Est.Value {
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
		units, hours := PoolRates(x, h, 0.95), 0.0
		for _, e := range h {
			hours += e
		}
		if (units == nil) != (hours == 0) {
			t.Fatalf("%+v of %g h", units, hours)
		}
		for _, u := range units {
			checkSane(t, u)
			if u.Est == nil {
				t.Fatalf("%+v", u)
			}
		}
	})
}
