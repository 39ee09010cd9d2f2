package stat

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// An e-value is evidence against a null hypothesis that may be looked at as
// often as one likes: under the null its mean is at most 1 at every look, so it
// ever reaches 1/alpha with probability at most alpha (Ville 1939; Howard,
// Ramdas et al. 2021, Ann. Statist. 49). Functions here return its natural
// logarithm; bad input gives 0, no evidence.

// LogERate is the log e-value of events in exposure against a rate of r0 or
// less: the gamma(a, b) mixture of Poisson likelihoods over rates above r0,
//
//	m(x, T; rate > r0) / Poisson(x; r0 T),
//
// a > 0 the mixture's shape and b > 0 its exposure (prior mean rate a/b). It
// grows only when the rate is high.
func LogERate(events int, exposure, r0, a, b float64) float64 {
	two := LogERateTwoSided(events, exposure, r0, a, b)
	x := float64(events)
	if two == 0 && !validERate(events, exposure, r0, a, b) {
		return 0
	}
	return two + logUpperGamma(a+x, r0*(b+exposure)) - logUpperGamma(a, r0*b)
}

// LogERateTwoSided is the same against a rate of exactly r0, over all rates. It
// grows too when the rate is low.
func LogERateTwoSided(events int, exposure, r0, a, b float64) float64 {
	if !validERate(events, exposure, r0, a, b) {
		return 0
	}
	x := float64(events)
	l1, _ := math.Lgamma(a + x)
	l0, _ := math.Lgamma(a)
	return l1 - l0 + a*math.Log(b) - (a+x)*math.Log(b+exposure) - x*math.Log(r0) + r0*exposure
}

func validERate(events int, exposure, r0, a, b float64) bool {
	return events >= 0 && usable(exposure) && exposure >= 0 && usable(r0) && r0 > 0 && usable(a) && a > 0 && usable(b) && b > 0
}

// logUpperGamma is log Q(a, x), the upper regularised gamma. Where Q underflows
// it is the leading term of its asymptotic series (Abramowitz & Stegun 6.5.32).
func logUpperGamma(a, x float64) float64 {
	if q := mathext.GammaIncRegComp(a, x); q > 1e-290 {
		return math.Log(q)
	}
	lg, _ := math.Lgamma(a)
	term, sum := 1.0, 1.0
	for k := 1; k < 60; k++ {
		next := term * (a - float64(k)) / x
		if math.Abs(next) >= math.Abs(term) || math.Abs(next) < 1e-17*sum {
			break
		}
		term = next
		sum += term
	}
	return (a-1)*math.Log(x) - x - lg + math.Log(sum)
}

// LogETwoRates is the log e-value of x1 events in exposure1 against x0 in
// exposure0, null: one rate. Given the total, x1 is binomial with p =
// T1/(T1+T0); the alternative mixes p over a beta(a, b) (Turner & Grunwald 2023).
// As a running process it keeps its promise only if p is the same for every
// event.
func LogETwoRates(x1 int, exposure1 float64, x0 int, exposure0 float64, a, b float64) float64 {
	if x1 < 0 || x0 < 0 || !usable(exposure1) || !usable(exposure0) || exposure1 <= 0 || exposure0 <= 0 || !(a > 0) || !(b > 0) || !usable(a+b) {
		return 0
	}
	n1, n0, t := float64(x1), float64(x0), exposure1+exposure0
	return mathext.Lbeta(a+n1, b+n0) - mathext.Lbeta(a, b) - n1*math.Log(exposure1/t) - n0*math.Log(exposure0/t)
}
