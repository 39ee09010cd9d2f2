package stat

import "math"

// RunStratum is runs under one set of conditions.
type RunStratum struct {
	Events   int
	Repeats  int     // sum of n(n-1) over runs, n being a run's events
	Exposure float64 // sum of the runs' exposures
	Squares  float64 // sum of their squares
}

// Repeated is how many times more than Poisson's counts vary because events
// come several in a run: D, the mean square of the events that come together
// over their mean (a compound Poisson count); 1 where they repeat no more than
// chance has it (p >= 0.05).
//
// Long runs meet several events by chance. Let q = Squares/Exposure^2, the
// chance that two events of a stratum fall in one run. Then E(Repeats) =
// q m^2 + (D-1) m and E(k(k-1)) = m^2 + (D-1) m, k being the stratum's events and m
// their mean, so that Repeats - q k(k-1) has the mean (D-1)(1-q) m. A stratum of
// one run tells nothing.
func Repeated(strata []RunStratum) float64 {
	var seen, chance, room float64
	for _, s := range strata {
		q := s.Squares / s.Exposure / s.Exposure
		if !(q < 0.999) {
			continue
		}
		k := float64(s.Events)
		seen += float64(s.Repeats)
		chance += q * k * (k - 1)
		room += k * (1 - q)
	}
	if seen <= chance || poissonAtLeast(seen/2, chance/2) >= 0.05 {
		return 1
	}
	return 1 + (seen-chance)/room
}

// Counting is how counts are compared: D = Repeated events count as one, with
// the same estimates (0 counts as 1), and limits are exact or mid-P.
type Counting struct {
	Repeated float64
	MidP     bool
}

// Rate is that of Rate or RateMidP.
func (c Counting) Rate(events int, exposure, level float64) Result {
	if why := checkRate(events, exposure, level); why != "" {
		return Result{Why: why}
	}
	d, limits := math.Max(1, c.Repeated), garwood
	if c.MidP {
		limits = midPLimits
	}
	low, high := limits(float64(events)/d, level)
	return estimated(float64(events)/exposure, low*d/exposure, high*d/exposure, level)
}

// Compare is a ratio of CompareRates and its two-sided p.
func (c Counting) Compare(events1 int, exposure1 float64, events0 int, exposure0, level float64) (Result, float64) {
	r := CompareRates(events1, exposure1, events0, exposure0, level)
	if c.Repeated > 1 && r.Exact.Est != nil {
		x := conditional{float64(events1) / c.Repeated, exposure1, float64(events0) / c.Repeated, exposure0}
		value, warnings := x.value()
		r.P = x.pValues(1)
		low, high := x.exactLimits((1 - level) / 2)
		r.Exact = estimated(value, low, high, level, warnings...)
		low, high = x.midPLimits((1 - level) / 2)
		r.MidP = estimated(value, low, high, level, warnings...)
	}
	if c.MidP {
		return r.MidP, r.P.MidP
	}
	return r.Exact, r.P.TwoSided
}
