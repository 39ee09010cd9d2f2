package stat

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
)

// checkRate says what is wrong with a count and its exposure, or "".
func checkRate(events int, exposure, level float64) string {
	switch {
	case events < 0:
		return fmt.Sprintf("events %d: must be 0 or more", events)
	case !usable(exposure) || exposure < 0:
		return fmt.Sprintf("exposure %g: must be a finite number, 0 or more", exposure)
	case !validLevel(level):
		return fmt.Sprintf("level %g: must lie between 0 and 1", level)
	case exposure == 0 && events > 0:
		return fmt.Sprintf("%d events but no exposure: a rate needs hours at risk", events)
	case exposure == 0:
		return "no exposure: a rate needs hours at risk"
	}
	return ""
}

// Rate is events per unit of exposure with the exact central interval of
// Garwood (1936, Biometrika 28), which covers at least level:
//
//	low  = qgamma(a/2, x)/T      high = qgamma(1-a/2, x+1)/T
//
// No event gives a value of 0 and an upper limit; no exposure gives an absence.
func Rate(events int, exposure, level float64) Result {
	if why := checkRate(events, exposure, level); why != "" {
		return Result{Why: why}
	}
	low, high := garwood(float64(events), level)
	return estimated(float64(events)/exposure, low/exposure, high/exposure, level)
}

// garwood gives the exact limits of the expected count.
func garwood(x, level float64) (low, high float64) {
	tail := (1 - level) / 2
	if x > 0 {
		low = mathext.GammaIncRegInv(x, tail)
	}
	return low, mathext.GammaIncRegCompInv(x+1, tail)
}

// RateMidP is Rate with the mid-P interval (Lancaster 1961), whose coverage is
// near level on average instead of at least level: the limits solve
//
//	P(X > x; low) + P(X = x; low)/2 = a/2 = P(X < x; high) + P(X = x; high)/2.
func RateMidP(events int, exposure, level float64) Result {
	if why := checkRate(events, exposure, level); why != "" {
		return Result{Why: why}
	}
	low, high := midPLimits(float64(events), level)
	return estimated(float64(events)/exposure, low/exposure, high/exposure, level)
}

func midPLimits(x, level float64) (low, high float64) {
	tail := (1 - level) / 2
	low, high = garwood(x, level)
	if x > 0 {
		low = root(func(m float64) float64 {
			return (poissonAtLeast(x, m)+poissonAtLeast(x+1, m))/2 - tail
		}, low, x)
	}
	high = root(func(m float64) float64 {
		return (poissonBelow(x, m)+poissonBelow(x+1, m))/2 - tail
	}, x, high)
	return low, high
}

// PValues are the tails of one comparison. TwoSided is central, twice the
// smaller tail, and agrees with the exact interval; MidP is the same with half
// the weight on the observed count, and agrees with the mid-P interval.
type PValues struct {
	Greater  float64 // of a rate this high or higher under the null
	Less     float64 // of a rate this low or lower under the null
	TwoSided float64
	MidP     float64
}

func pValues(greater, less, midGreater, midLess float64) PValues {
	return PValues{greater, less, math.Min(1, 2*math.Min(greater, less)), math.Min(1, 2*math.Min(midGreater, midLess))}
}

// RateTest compares events in exposure with a known rate > 0 by the Poisson
// distribution. With bad input every p is 1.
func RateTest(events int, exposure, rate float64) PValues {
	m := exposure * rate
	if checkRate(events, exposure, Level95) != "" || !usable(m) || m <= 0 {
		return PValues{1, 1, 1, 1}
	}
	x := float64(events)
	ge, gt := poissonAtLeast(x, m), poissonAtLeast(x+1, m)
	le, lt := poissonBelow(x+1, m), poissonBelow(x, m)
	return pValues(ge, le, (ge+gt)/2, (le+lt)/2)
}
