package stat

import (
	"fmt"
	"math"
)

// RateStratum is one stratum of a two-group comparison: events and exposure of
// the group asked about (1) and of the one it is compared with (0).
type RateStratum struct {
	Events1   int
	Exposure1 float64
	Events0   int
	Exposure0 float64
}

// Stratified is a rate ratio held common over strata.
type Stratified struct {
	Ratio         Result  // Mantel-Haenszel; exact where one side has no event
	SELog         float64 // standard error of log(Ratio); 0 where exact
	ChiSquare     float64 // of the hypothesis ratio = 1, 1 degree of freedom
	P             float64 // two-sided: of ChiSquare; central exact where Ratio is exact
	Exact         Result  // conditional exact interval; absent where too large to compute
	MidP          Result
	ExactP        PValues
	Heterogeneity Heterogeneity
}

// Heterogeneity tests whether strata differ more than chance in their ratios.
type Heterogeneity struct {
	ChiSquare float64
	DF        int
	P         *float64 // nil where fewer than two strata have events on both sides
}

// MantelHaenszel is the rate ratio common to the strata,
//
//	sum(a T0/T) / sum(b T1/T),
//	var(log) = sum(m T1 T0/T^2) / (sum(a T0/T) sum(b T1/T))
//
// (Greenland & Robins 1985, Biometrics 41, eq. 8; Breslow & Day 1987 vol. 2 s.
// 3.6). A stratum with exposure on one side only says nothing of the ratio and
// weighs nothing. Heterogeneity is the Wald chi-square of the stratum ratios
// about the common one, over strata with events on both sides. Exact and MidP
// condition on the total of every stratum (convolution of binomials); they
// serve as Ratio where one side has no event, since the variance is undefined
// there.
func MantelHaenszel(strata []RateStratum, level float64) Stratified {
	out := Stratified{P: 1, ExactP: PValues{1, 1, 1, 1}}
	fail := func(why string) Stratified {
		out.Ratio = Result{Why: why}
		out.Exact, out.MidP = out.Ratio, out.Ratio
		return out
	}
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
		return fail("no stratum has events and exposure on both sides: nothing to compare")
	}
	var warnings []string
	if lost > 0 {
		warnings = append(warnings, fmt.Sprintf("%d events lie in strata with exposure on one side only and say nothing of the ratio", lost))
	}
	out.ChiSquare = (observed - expected) * (observed - expected) / v
	out.P = upperChi2(out.ChiSquare, 1)
	out.exact(used, observed, r, s, level)
	if r == 0 || s == 0 {
		out.Ratio, out.P = out.Exact, out.ExactP.TwoSided
		out.Ratio.Warnings = append(warnings, out.Ratio.Warnings...)
		return out
	}
	ratio := r / s
	out.SELog = math.Sqrt(v / (r * s))
	z := zFor(level)
	out.Ratio = estimated(ratio, ratio*math.Exp(-z*out.SELog), ratio*math.Exp(z*out.SELog), level, warnings...)
	out.Heterogeneity = heterogeneity(used, math.Log(ratio))
	return out
}

func heterogeneity(strata []RateStratum, logRatio float64) Heterogeneity {
	h := Heterogeneity{DF: -1}
	for _, st := range strata {
		if st.Events1 == 0 || st.Events0 == 0 {
			continue
		}
		a, b := float64(st.Events1), float64(st.Events0)
		d := math.Log(a/st.Exposure1/(b/st.Exposure0)) - logRatio
		h.ChiSquare += d * d / (1/a + 1/b)
		h.DF++
	}
	if h.DF < 1 {
		h.DF = max(h.DF, 0)
		return h
	}
	p := upperChi2(h.ChiSquare, float64(h.DF))
	h.P = &p
	return h
}

// maxExactEvents bounds the convolution, whose cost grows with the square.
const maxExactEvents = 5000

// exact fills Exact, MidP and ExactP. The probabilities of the sum of events1
// are convolved once, at a ratio near the estimate so that nothing underflows
// where it matters, and tilted to any other ratio r by (r/r0)^a.
func (out *Stratified) exact(strata []RateStratum, observed, r, s, level float64) {
	total := 0
	for _, st := range strata {
		total += st.Events1 + st.Events0
	}
	if total > maxExactEvents {
		out.Exact = absent("%d events: the exact interval is computed up to %d, where it differs from the other one", total, maxExactEvents)
		out.MidP = out.Exact
		return
	}
	score := func(logR float64) float64 { // expected minus observed at a ratio
		e := -observed
		for _, st := range strata {
			e += float64(st.Events1+st.Events0) * share(logR, st)
		}
		return e
	}
	target := root(func(z float64) float64 {
		return score(z) + math.Max(0, 0.5-float64(total)+observed) - math.Max(0, 0.5-observed)
	}, -60, 60)
	dist := []float64{1}
	for _, st := range strata {
		m := st.Events1 + st.Events0
		binom := binomial(m, share(target, st))
		next := make([]float64, len(dist)+m)
		for i, p := range dist {
			for j, q := range binom {
				next[i+j] += p * q
			}
		}
		dist = next
	}
	a := int(observed)
	tails := func(logR float64) (ge, gt, le, lt float64) {
		tilt, sum := logR-target, 0.0
		var below, at, above float64
		top := math.Inf(-1)
		for k, p := range dist {
			if p > 0 {
				top = math.Max(top, math.Log(p)+float64(k)*tilt)
			}
		}
		for k, p := range dist {
			if p == 0 {
				continue
			}
			w := math.Exp(math.Log(p) + float64(k)*tilt - top)
			sum += w
			switch {
			case k < a:
				below += w
			case k == a:
				at = w
			default:
				above += w
			}
		}
		return (at + above) / sum, above / sum, (at + below) / sum, below / sum
	}
	ge, gt, le, lt := tails(0)
	out.ExactP = pValues(ge, le, (ge+gt)/2, (le+lt)/2)
	tail := (1 - level) / 2
	solve := func(mid float64, upper bool) float64 {
		return math.Exp(root(func(z float64) float64 {
			ge, gt, le, lt := tails(z)
			if upper {
				return (1-mid)*le + mid*lt - tail
			}
			return (1-mid)*ge + mid*gt - tail
		}, target-60, target+60))
	}
	value, exactLo, midLo, exactHi, midHi := math.Exp(target), 0.0, 0.0, math.Inf(1), math.Inf(1)
	var warnings []string
	switch {
	case observed == 0:
		value, warnings = 0, []string{noEventsHere}
	case a == total:
		value = math.Exp(root(func(z float64) float64 { ge, _, _, _ := tails(z); return ge - 0.5 }, target-60, target+60))
		warnings = []string{noEventsOther}
	}
	if observed > 0 {
		exactLo, midLo = solve(0, false), solve(0.5, false)
	}
	if a < total {
		exactHi, midHi = solve(0, true), solve(0.5, true)
	}
	out.Exact = estimated(value, exactLo, exactHi, level, warnings...)
	out.MidP = estimated(value, midLo, midHi, level, warnings...)
}

// share is the chance that an event of the stratum is of group 1.
func share(logRatio float64, st RateStratum) float64 {
	return 1 / (1 + math.Exp(-logRatio)*st.Exposure0/st.Exposure1)
}

// binomial gives the probabilities of 0 to n.
func binomial(n int, p float64) []float64 {
	out := make([]float64, n+1)
	lp, lq := math.Log(p), math.Log1p(-p)
	whole, _ := math.Lgamma(float64(n + 1))
	for k := range out {
		a, _ := math.Lgamma(float64(k + 1))
		b, _ := math.Lgamma(float64(n - k + 1))
		out[k] = math.Exp(whole - a - b + float64(k)*lp + float64(n-k)*lq)
	}
	if p <= 0 || p >= 1 {
		clear(out)
		out[int(math.Round(p))*n] = 1
	}
	return out
}
