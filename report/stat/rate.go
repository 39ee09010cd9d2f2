package stat

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
)

// checkRate returns what is wrong with a count and its exposure, or "".
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

// Counting controls how counts are compared.
type Counting struct {
	// Repeated is how many events count as one in limits and p (see Repeated);
	// estimates stay the same. 0 means 1.
	Repeated float64
	// MidP selects the mid-P interval (Lancaster 1961), whose coverage is near
	// level on average, instead of the exact one, which covers at least level.
	MidP bool
}

// counted returns events as they count.
func (c Counting) counted(events int) float64 { return float64(events) / math.Max(1, c.Repeated) }

// Rate returns events per unit of exposure with a central interval: that of
// Garwood (1936, Biometrika 28),
//
//	low  = qgamma(a/2, x)/T      high = qgamma(1-a/2, x+1)/T
//
// or its mid-P form. No event gives a value of 0 and an upper limit; no exposure
// gives an absence.
func (c Counting) Rate(events int, exposure, level float64) Result {
	if why := checkRate(events, exposure, level); why != "" {
		return Result{Why: why}
	}
	limits := garwood
	if c.MidP {
		limits = midPLimits
	}
	low, high := limits(c.counted(events), level)
	d := math.Max(1, c.Repeated)
	return estimated(float64(events)/exposure, low*d/exposure, high*d/exposure, level)
}

// garwood returns the exact limits of the expected count.
func garwood(x, level float64) (low, high float64) {
	tail := (1 - level) / 2
	if x > 0 {
		low = mathext.GammaIncRegInv(x, tail)
	}
	return low, mathext.GammaIncRegCompInv(x+1, tail)
}

// midPLimits returns the limits that solve
//
//	P(X > x; low) + P(X = x; low)/2 = a/2 = P(X < x; high) + P(X = x; high)/2.
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
