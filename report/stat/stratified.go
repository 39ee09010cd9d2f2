package stat

import (
	"fmt"
	"math"
)

// RateStratum is one stratum of a two-group comparison: events and exposure of
// the group of interest (1) and of the one it is compared with (0).
type RateStratum struct {
	Events1   int
	Exposure1 float64
	Events0   int
	Exposure0 float64
}

// Stratified is a rate ratio common to all strata.
type Stratified struct {
	Ratio Result  // Mantel-Haenszel; exact if one side has no event
	P     float64 // two-sided, of a ratio of 1
	// Differ is the p of the hypothesis that strata have one ratio; nil if fewer
	// than two have events on both sides.
	Differ *float64
}

// MantelHaenszel returns the rate ratio common to the strata,
//
//	sum(a T0/T) / sum(b T1/T),
//	var(log) = sum(m T1 T0/T^2) / (sum(a T0/T) sum(b T1/T))
//
// (Greenland & Robins 1985, Biometrics 41, eq. 8; Breslow & Day 1987 vol. 2 s.
// 3.6). A stratum with exposure on one side only says nothing of the ratio and
// weighs nothing. Where one side has no event the variance is undefined, and
// interval and p are exact, conditional on the total of every stratum.
func MantelHaenszel(strata []RateStratum, level float64) Stratified {
	fail := func(why string) Stratified { return Stratified{Ratio: Result{Why: why}, P: 1} }
	var r, s, v, observed, expected float64
	var used []RateStratum
	lost := 0
	for i, st := range strata {
		for _, side := range []struct {
			x int
			t float64
		}{{st.Events1, st.Exposure1}, {st.Events0, st.Exposure0}} {
			if why := checkRate(side.x, side.t, level); why != "" && (side.x != 0 || side.t != 0) {
				return fail(fmt.Sprintf("stratum %d: %s", i+1, why))
			}
		}
		if st.Exposure1 == 0 || st.Exposure0 == 0 {
			lost += st.Events1 + st.Events0
			continue
		}
		t := st.Exposure1 + st.Exposure0
		f1, f0 := st.Exposure1/t, st.Exposure0/t
		m := float64(st.Events1 + st.Events0)
		r += float64(st.Events1) * f0
		s += float64(st.Events0) * f1
		v += m * f1 * f0
		observed += float64(st.Events1)
		expected += m * f1
		if m > 0 {
			used = append(used, st)
		}
	}
	if !validLevel(level) {
		return fail(fmt.Sprintf("level %g: must lie between 0 and 1", level))
	}
	if v == 0 {
		return fail("both sides never met the same conditions with an overheat, so nothing to compare")
	}
	var warnings []string
	if lost > 0 {
		warnings = append(warnings,
			fmt.Sprintf("%d overheats were under conditions that only one side met: they say nothing here",
				lost))
	}
	if r == 0 || s == 0 {
		return oneSided(used, s == 0, level, warnings)
	}
	ratio, spread := r/s, math.Exp(zFor(level)*math.Sqrt(v/(r*s)))
	return Stratified{
		Ratio:  estimated(ratio, ratio/spread, ratio*spread, level, warnings...),
		P:      upperChi2((observed-expected)*(observed-expected)/v, 1),
		Differ: differ(used, math.Log(ratio)),
	}
}

// differ returns the p of the Wald chi-square of the strata's ratios about the
// common one, over strata with events on both sides.
func differ(strata []RateStratum, logRatio float64) *float64 {
	chi2, df := 0.0, -1.0
	for _, st := range strata {
		if st.Events1 == 0 || st.Events0 == 0 {
			continue
		}
		a, b := float64(st.Events1), float64(st.Events0)
		d := math.Log(a/st.Exposure1/(b/st.Exposure0)) - logRatio
		chi2 += d * d / (1/a + 1/b)
		df++
	}
	if df < 1 {
		return nil
	}
	p := upperChi2(chi2, df)
	return &p
}

// oneSided returns the exact comparison when all events are of group 1 (here),
// or none is. Given a stratum's total each event is of group 1 with the chance
// r T1/(r T1 + T0), so the observation has the product of these chances.
func oneSided(strata []RateStratum, here bool, level float64, warnings []string) Stratified {
	seen := func(logRatio float64) float64 { // log of the chance of the observation
		sum := 0.0
		for _, st := range strata {
			odds := math.Exp(logRatio) * st.Exposure1 / st.Exposure0
			if here {
				odds = 1 / odds
			}
			sum -= float64(st.Events1+st.Events0) * math.Log1p(odds)
		}
		return sum
	}
	at := func(chance float64) float64 { // the ratio at which the observation has that chance
		return math.Exp(root(func(z float64) float64 { return seen(z) - math.Log(chance) }, -60, 60))
	}
	out := Stratified{P: math.Min(1, 2*math.Exp(seen(0)))}
	tail := (1 - level) / 2
	if here {
		out.Ratio = estimated(at(0.5), at(tail), math.Inf(1), level, append(warnings, noEventsOther)...)
	} else {
		out.Ratio = estimated(0, 0, at(tail), level, append(warnings, noEventsHere)...)
	}
	return out
}
