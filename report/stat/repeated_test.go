package stat

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
)

// A compound Poisson count whose sizes are geometric, P(n) = (1-p) p^(n-1), has
// mean size 1/(1-p) and mean square (1+p)/(1-p)^2: it varies (1+p)/(1-p) times as
// much as its mean (Johnson, Kemp & Kotz 2005, Univariate Discrete Distributions,
// s. 9.7, from memory). Without repeats, long runs that meet several by chance
// must find nothing.
func TestRepeated(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 2))
	found, n, mean := 0, 300, 0.0
	for _, p := range []float64{0, 0.4} {
		mean = 0
		for range n {
			strata := make([]RunStratum, 30)
			for i := range strata {
				rate := 0.02 + 0.4*rng.Float64()
				for range 1 + rng.IntN(20) {
					h := 1 + 5*rng.Float64()
					k := 0
					for range int(distuv.Poisson{Lambda: rate * h * (1 - p), Src: rng}.Rand()) {
						k++
						for rng.Float64() < p {
							k++
						}
					}
					s := &strata[i]
					s.Events += k
					s.Repeats += k * (k - 1)
					s.Exposure += h
					s.Squares += h * h
				}
			}
			d := Repeated(strata)
			mean += d / float64(n)
			if p == 0 && d > 1 {
				found++
			}
		}
		t.Logf("p %g: %.3f", p, mean)
		require.InEpsilon(t, (1+p)/(1-p), mean, 0.03)
	}
	require.LessOrEqual(t, float64(found)/float64(n), 0.05+0.03)
	oneRun := []RunStratum{{Events: 5, Repeats: 20, Exposure: 3, Squares: 9}}
	require.Equal(t, 1.0, Repeated(oneRun), "it tells nothing")
	require.Equal(t, 1.0, Repeated(nil))
}

// Counted D to one, x events in T hours are x/D in T/D: the limits of Garwood's
// interval at D = 1 were driven on Rate.
func TestCounting(t *testing.T) {
	for _, midP := range []bool{false, true} {
		one, three := Counting{MidP: midP}, Counting{Repeated: 3, MidP: midP}
		want := one.Rate(4, 50, 0.95).Est
		got := three.Rate(12, 150, 0.95).Est
		require.InEpsilon(t, want.Low, got.Low, 1e-12)
		require.InEpsilon(t, want.High, got.High, 1e-12)
		r, p := one.Compare(4, 50, 2, 70, 0.95)
		r3, p3 := three.Compare(12, 150, 6, 210, 0.95)
		require.InEpsilon(t, r.Est.Low, r3.Est.Low, 1e-9)
		require.InEpsilon(t, r.Est.High, r3.Est.High, 1e-9)
		require.InEpsilon(t, p, p3, 1e-9)
	}
}
