package stat

import (
	"fmt"
	"math"
	"slices"
)

// Change is when a rate changed.
type Change struct {
	At     Result  // exposure since the beginning, as the rate changed
	Before float64 // rate before, at the likeliest change
	After  float64
	P      float64 // of a change this plain if there was none
	Why    string  // why nothing can be said; the rest is then empty
}

// minChangeRows: fewer stretches have no before and after to compare.
const minChangeRows = 4

// ChangePoint finds when a Poisson rate changed, from events in successive
// stretches of exposure (Hinkley 1970, Biometrika 57; Bayes form of Raftery &
// Akman 1986, Biometrika 73). Given a change at tau, each side's rate is
// integrated over a gamma(1/2) prior (Jeffreys); tau is as likely at any
// exposure beforehand. At holds the posterior median and its equal-tail interval,
// which means something only if there was a change: P tells, from the largest
// likelihood ratio over the ends of stretches, times their number (Bonferroni).
func ChangePoint(events []int, exposure []float64, level float64) Change {
	if len(events) != len(exposure) {
		return noChange("%d counts but %d exposures", len(events), len(exposure))
	}
	if !validLevel(level) {
		return noChange("level %g: must lie between 0 and 1", level)
	}
	x, t := []float64{0}, []float64{0} // sums
	for i, n := range events {
		if n == 0 && exposure[i] == 0 {
			continue
		}
		if why := checkRate(n, exposure[i], level); why != "" {
			return noChange("row %d: %s", i+1, why)
		}
		x, t = append(x, x[len(x)-1]+float64(n)), append(t, t[len(t)-1]+exposure[i])
	}
	n := len(t) - 1
	if n < minChangeRows {
		return noChange("%d stretches: a change needs %d", n, minChangeRows)
	}
	if x[n] < 3 {
		return noChange("%g events: a change needs 3", x[n])
	}
	side := func(x, t float64) float64 { // log of the integral of rate^x exp(-rate t) over Jeffreys' prior
		lg, _ := math.Lgamma(x + 0.5)
		return lg - (x+0.5)*math.Log(t)
	}
	best, statistic := 0, 0.0
	logs := make([]float64, n+1)
	for k := 1; k < n; k++ {
		logs[k] = side(x[k], t[k]) + side(x[n]-x[k], t[n]-t[k])
		g := 2 * (poissonTop(x[k], t[k]) + poissonTop(x[n]-x[k], t[n]-t[k]) - poissonTop(x[n], t[n]))
		if g > statistic {
			best, statistic = k, g
		}
	}
	logs[0], logs[n] = logs[1], logs[n-1]
	out := Change{P: math.Min(1, float64(n-1)*upperChi2(statistic, 1)), At: changePosterior(t, logs, level)}
	if best == 0 {
		best = n / 2
	}
	out.Before, out.After = x[best]/t[best], (x[n]-x[best])/(t[n]-t[best])
	return out
}

func noChange(format string, args ...any) Change {
	why := fmt.Sprintf(format, args...)
	return Change{P: 1, Why: why, At: Result{Why: why}}
}

// poissonTop is the log likelihood at the best rate, but for constants.
func poissonTop(x, t float64) float64 {
	if x == 0 {
		return 0
	}
	return x*math.Log(x/t) - x
}

// changePosterior turns log likelihoods at times, straight between them, into a
// median and an interval.
func changePosterior(times, logs []float64, level float64) Result {
	top := slices.Max(logs)
	w := make([]float64, len(logs))
	for i, l := range logs {
		w[i] = math.Exp(l - top)
	}
	below := func(z float64) float64 {
		s := 0.0
		for i := 1; i < len(times); i++ {
			a, b := times[i-1], math.Min(z, times[i])
			if b <= a {
				break
			}
			end := w[i-1] + (w[i]-w[i-1])*(b-a)/(times[i]-a)
			s += (b - a) * (w[i-1] + end) / 2
		}
		return s
	}
	total := below(times[len(times)-1])
	at := func(q float64) float64 {
		return root(func(z float64) float64 { return below(z) - q*total }, times[0], times[len(times)-1])
	}
	return estimated(at(0.5), at((1-level)/2), at(1-(1-level)/2), level)
}
