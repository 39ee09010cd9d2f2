package stat

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
)

// PoolRates returns the rates of units, shrunken towards their common
// distribution by empirical Bayes: rates are gamma, events Poisson given the
// rate (Gaver & O'Muircheartaigh 1987, Technometrics 29). Shape and exposure
// maximise the marginal negative-binomial likelihood; a unit's rate is its
// posterior gamma(shape + x, exposure + T), value the mean, interval its
// quantiles. So a unit with little exposure is close to the others. For bad
// input, and for units without any exposure, it returns nil.
//
// The likelihood has a finite maximum only if counts vary more than Poisson
// ones: sum((x - e)^2 - x) > 0 (Dean 1992). Otherwise, as is usual with few
// units, all have the pooled rate.
//
// Intervals take shape and exposure as known: with fewer than about 10 units
// they are somewhat too narrow.
func PoolRates(events []int, exposure []float64, level float64) []Result {
	total, hours := 0, 0.0
	for i, x := range events {
		if (x != 0 || exposure[i] != 0) && checkRate(x, exposure[i], level) != "" {
			return nil
		}
		total, hours = total+x, hours+exposure[i]
	}
	overall := Counting{}.Rate(total, hours, level)
	if overall.Est == nil {
		return nil
	}
	if !overdispersed(events, exposure) {
		return slices.Repeat([]Result{overall}, len(events))
	}
	shape, scale := fitGammaPoisson(events, exposure)
	units, tail := make([]Result, len(events)), (1-level)/2
	for i, x := range events {
		a, b := shape+float64(x), scale+exposure[i]
		units[i] = estimated(a/b, mathext.GammaIncRegInv(a, tail)/b, mathext.GammaIncRegCompInv(a, tail)/b, level)
	}
	return units
}

// fitGammaPoisson maximises the marginal likelihood over shape, at each shape's
// best exposure.
func fitGammaPoisson(events []int, exposure []float64) (shape, hours float64) {
	score := func(a float64) float64 {
		b, s := gammaExposure(events, exposure, a), 0.0
		for i, x := range events {
			s += digammaRise(a, x) - math.Log1p(exposure[i]/b)
		}
		return s
	}
	shape = math.Exp(root(func(z float64) float64 { return score(math.Exp(z)) }, math.Log(1e-4), math.Log(1e7)))
	return shape, gammaExposure(events, exposure, shape)
}

// gammaExposure returns the likeliest exposure of a gamma of a given shape: the
// root of n a/b = sum (a+x)/(b+T).
func gammaExposure(events []int, exposure []float64, a float64) float64 {
	longest := 0.0
	for _, t := range exposure {
		longest = math.Max(longest, t)
	}
	return math.Exp(root(func(z float64) float64 {
		b, s := math.Exp(z), 0.0
		for i, x := range events { // terms a - b (a+x)/(b+T), to avoid cancellation
			s += (a*exposure[i] - float64(x)*b) / (b + exposure[i])
		}
		return s
	}, math.Log(longest)-60, math.Log(longest)+60))
}

// digammaRise is digamma(a+x) - digamma(a).
func digammaRise(a float64, x int) float64 {
	if x > 200 {
		return mathext.Digamma(a+float64(x)) - mathext.Digamma(a)
	}
	s := 0.0
	for k := range x {
		s += 1 / (a + float64(k))
	}
	return s
}

// overdispersed reports whether counts vary more than Poisson ones, and so
// whether a gamma-Poisson likelihood has a finite maximum.
func overdispersed(events []int, exposure []float64) bool {
	total, hours := 0.0, 0.0
	for i, x := range events {
		total, hours = total+float64(x), hours+exposure[i]
	}
	excess := 0.0
	for i, x := range events {
		d := float64(x) - exposure[i]*total/hours
		excess += d*d - float64(x)
	}
	return excess > 0
}
