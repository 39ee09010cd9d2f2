package stat

import (
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// root returns x in [lo, hi] with f(x) = 0, f monotone and of opposite signs at
// the ends, by the method of Chandrupatla (1997): bisection, with inverse
// quadratic interpolation where that is safe. If the ends have the same sign it
// returns the end with the smaller |f|.
func root(f func(float64) float64, lo, hi float64) float64 {
	a, b := hi, lo
	fa, fb := f(a), f(b)
	if fa == 0 {
		return a
	}
	if fb == 0 {
		return b
	}
	if (fa > 0) == (fb > 0) {
		if math.Abs(fa) < math.Abs(fb) {
			return a
		}
		return b
	}
	c, fc := a, fa
	t := 0.5
	for range 200 {
		x := a + t*(b-a)
		fx := f(x)
		if (fx > 0) == (fa > 0) {
			c, fc = a, fa
		} else {
			c, b, fc, fb = b, a, fb, fa
		}
		a, fa = x, fx
		m, fm := a, fa
		if math.Abs(fb) < math.Abs(fa) {
			m, fm = b, fb
		}
		tol := 2e-16*math.Abs(m) + 1e-300
		tl := tol / math.Abs(b-a)
		if fm == 0 || tl >= 0.5 {
			return m
		}
		xi, phi := (a-b)/(c-b), (fa-fb)/(fc-fb)
		t = 0.5
		if phi*phi < xi && (1-phi)*(1-phi) < 1-xi {
			t = fa/(fb-fa)*fc/(fb-fc) + (c-a)/(b-a)*fa/(fc-fa)*fb/(fc-fb)
		}
		t = math.Min(1-tl, math.Max(tl, t))
	}
	return a
}

// twoSidedNormal returns P(|Z| > |z|).
func twoSidedNormal(z float64) float64 { return math.Erfc(math.Abs(z) / math.Sqrt2) }

// zFor returns the normal quantile of a central interval at level.
func zFor(level float64) float64 { return distuv.UnitNormal.Quantile(1 - (1-level)/2) }

// tFor returns Student's quantile of a central interval at level. For 1 degree
// of freedom, whose interval would be useless, it takes 2.
func tFor(level float64, df int) float64 {
	return distuv.StudentsT{Sigma: 1, Nu: math.Max(2, float64(df))}.Quantile(1 - (1-level)/2)
}

// upperChi2 returns P(X > x) for a chi-square of df degrees of freedom, df > 0.
func upperChi2(x, df float64) float64 {
	if x <= 0 {
		return 1
	}
	return mathext.GammaIncRegComp(df/2, x/2)
}

// poissonAtLeast returns P(X >= k) for a Poisson of mean m; real k > 0
// interpolates.
func poissonAtLeast(k, m float64) float64 {
	if k <= 0 {
		return 1
	}
	return mathext.GammaIncReg(k, m)
}

// poissonBelow returns P(X < k).
func poissonBelow(k, m float64) float64 {
	if k <= 0 {
		return 0
	}
	return mathext.GammaIncRegComp(k, m)
}

// betaTail returns P(B <= x) for a Beta(a, b); if a or b is 0 it is the limit,
// a point mass at 0 (a = 0) or at 1 (b = 0).
func betaTail(a, b, x float64) float64 {
	switch {
	case a <= 0:
		return 1
	case b <= 0:
		return 0
	}
	return mathext.RegIncBeta(a, b, x)
}

// validLevel reports whether level can be the coverage of an interval.
func validLevel(level float64) bool { return level > 0 && level < 1 }

// usable reports whether x is a finite number.
func usable(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
