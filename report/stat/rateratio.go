package stat

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

const (
	noEventsOther = "the others had no overheat: the ratio has a lower limit only, and its value is rough"
	noEventsHere  = "no overheat here: the ratio has an upper limit only"
)

// Compare returns the ratio of the rate events1/exposure1 to events0/exposure0,
// and its central two-sided p, which agrees with the interval. It is
// conditional on the total number of events (Przyborowski & Wilenski 1940;
// Breslow & Day 1987 vol. 2 s. 3.4): events1 is then binomial with p = r T1/(r
// T1 + T0), and limits of p are limits of the ratio r.
//
// Without events in the denominator there is a lower limit only; the value is
// then the median-unbiased one of Hirji, Tsiatis & Mehta (1989), the ratio at
// which the observation has probability 1/2. Without any event the ratio is
// absent.
func (c Counting) Compare(events1 int, exposure1 float64, events0 int, exposure0, level float64) (Result, float64) {
	for _, why := range []string{checkRate(events0, exposure0, level), checkRate(events1, exposure1, level)} {
		if why != "" {
			return Result{Why: why}, 1
		}
	}
	if events1+events0 == 0 {
		return absent("no overheat on either side, so nothing to compare"), 1
	}
	x := conditional{c.counted(events1), exposure1, c.counted(events0), exposure0}
	value, warnings := x.value()
	limits := x.exactLimits
	if c.MidP {
		limits = x.midPLimits
	}
	low, high := limits((1 - level) / 2)
	return estimated(value, low, high, level, warnings...), x.p(c.MidP)
}

// conditional is the binomial comparison of two counts given their sum. Counts
// need not be whole: contrasts of a regression use effective counts.
type conditional struct{ x1, t1, x0, t0 float64 }

// tails returns those of x1 at ratio r: P(X >= x1), P(X > x1), P(X <= x1), P(X
// < x1).
func (c conditional) tails(r float64) (ge, gt, le, lt float64) {
	a, b := r*c.t1, c.t0
	p, q := a/(a+b), b/(a+b)
	ge = betaTail(c.x1, c.x0+1, p)
	gt = betaTail(c.x1+1, c.x0, p)
	le = betaTail(c.x0, c.x1+1, q)
	lt = betaTail(c.x0+1, c.x1, q)
	return
}

// p returns that of a ratio of 1: twice the smaller tail, with mid-P the
// observation at half weight.
func (c conditional) p(midP bool) float64 {
	ge, gt, le, lt := c.tails(1)
	if midP {
		ge, le = (ge+gt)/2, (le+lt)/2
	}
	return math.Min(1, 2*math.Min(ge, le))
}

func (c conditional) value() (float64, []string) {
	switch {
	case c.x0 == 0:
		return c.odds(c.x1, 1, 0.5), []string{noEventsOther}
	case c.x1 == 0:
		return 0, []string{noEventsHere}
	}
	return c.x1 / c.t1 / (c.x0 / c.t0), nil
}

// odds returns the ratio at which a Beta(a, b) has its lower quantile tail.
func (c conditional) odds(a, b, tail float64) float64 {
	p := mathext.InvRegIncBeta(a, b, tail)
	q := 1 - p
	if p > 0.5 {
		q = mathext.InvRegIncBeta(b, a, 1-tail) // 1 - p would lose digits
		p = 1 - q
	}
	return p / q * (c.t0 / c.t1)
}

// exactLimits returns the limits of Clopper & Pearson (1934), as ratios.
func (c conditional) exactLimits(tail float64) (lo, hi float64) {
	hi = math.Inf(1)
	if c.x1 > 0 {
		lo = c.odds(c.x1, c.x0+1, tail)
	}
	if c.x0 > 0 {
		hi = 1 / conditional{c.x0, c.t0, c.x1, c.t1}.odds(c.x0, c.x1+1, tail)
	}
	return lo, hi
}

// midPLimits returns the mid-P limits, which lie within the exact ones.
func (c conditional) midPLimits(tail float64) (lo, hi float64) {
	lo, hi = c.exactLimits(tail)
	mid := (c.x1 + 0.5) / c.t1 / ((c.x0 + 0.5) / c.t0)
	if c.x1 > 0 {
		lo = math.Exp(root(func(z float64) float64 {
			ge, gt, _, _ := c.tails(math.Exp(z))
			return (ge+gt)/2 - tail
		}, math.Log(lo)-1e-9, math.Log(math.Max(mid, lo))+40))
	}
	if c.x0 > 0 {
		hi = math.Exp(root(func(z float64) float64 {
			_, _, le, lt := c.tails(math.Exp(z))
			return (le+lt)/2 - tail
		}, math.Log(math.Min(mid, hi))-40, math.Log(hi)+1e-9))
	}
	return lo, hi
}

// comparison is a conditional comparison averaged over what is unknown; its
// weights sum to 1.
type comparison []weighed

type weighed struct {
	conditional
	weight float64
}

// value returns the geometric mean of the ratios.
func (c comparison) value() (float64, []string) {
	if len(c) == 1 {
		return c[0].value()
	}
	sum := 0.0
	var warnings []string
	for _, w := range c {
		v, more := w.value()
		sum, warnings = sum+w.weight*math.Log(v), more
	}
	return math.Exp(sum), warnings
}

// tails returns the mid-P tails at ratio r.
func (c comparison) tails(r float64) (above, below float64) {
	for _, w := range c {
		ge, gt, le, lt := w.conditional.tails(r)
		above, below = above+w.weight*(ge+gt)/2, below+w.weight*(le+lt)/2
	}
	return above, below
}

// midPLimits returns the ratios at which the averaged tails are tail; they lie
// between the limits of the comparisons averaged.
func (c comparison) midPLimits(tail float64) (lo, hi float64) {
	lo, hi = c[0].midPLimits(tail)
	if len(c) == 1 {
		return lo, hi
	}
	loMost, hiLeast := lo, hi
	for _, w := range c[1:] {
		l, h := w.midPLimits(tail)
		lo, loMost, hi, hiLeast = math.Min(lo, l), math.Max(loMost, l), math.Max(hi, h), math.Min(hiLeast, h)
	}
	if lo > 0 {
		above := func(z float64) float64 { above, _ := c.tails(math.Exp(z)); return above - tail }
		lo = math.Exp(root(above, math.Log(lo), math.Log(loMost)))
	}
	if !math.IsInf(hi, 1) {
		below := func(z float64) float64 { _, below := c.tails(math.Exp(z)); return below - tail }
		hi = math.Exp(root(below, math.Log(hiLeast), math.Log(hi)))
	}
	return lo, hi
}

// p returns the two-sided p of a ratio of 1: by mid-P, which agrees with the
// limits. Averaged comparisons give the observation full weight: among several
// levels their far tails, which are only roughly normal, would otherwise find
// one in 8 % of fleets without any (testdata/bench/coverage-fleet.txt).
func (c comparison) p() float64 {
	if len(c) == 1 {
		return c[0].p(true)
	}
	above, below := 0.0, 0.0
	for _, w := range c {
		ge, _, le, _ := w.conditional.tails(1)
		above, below = above+w.weight*ge, below+w.weight*le
	}
	return math.Min(1, 2*math.Min(above, below))
}
