package stat

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
)

// Trend tells whether events come faster or slower over time.
type Trend struct {
	Laplace  float64 // > 0: faster
	LaplaceP float64 // two-sided
	Shape    Result  // power-law shape: > 1 faster, < 1 slower
	Says     string  // Better, Worse or CannotSay, by Laplace at 1-level
	Why      string  // why there is no trend; the rest is then 0
	Warnings []string
}

// The values of Trend.Says.
const (
	Better    = "better"
	Worse     = "worse"
	CannotSay = "cannot say"
)

// minTrendEvents is the least number of events: under 3, Laplace's statistic is
// far from normal and no pattern of two events is remarkable.
const minTrendEvents = 3

// TrendOf tests a unit watched from 0 to its End; time is truncated by the end of
// watching, not by an event.
//
//	Laplace  U = (sum t - n T/2) / sqrt(n T^2/12)   Cox & Lewis 1966 s. 3.3
//	MIL      2 sum log(T/t), chi-square with 2n     MIL-HDBK-189 1981; Crow 1974
//	Shape    n/sum log(T/t), the maximum likelihood of lambda T^b, with the exact
//	         chi-square interval (Crow 1974)
//
// The two tests look at different departures (Laplace at the middle, MIL at the
// ends, and at power laws); where one sees a trend and the other does not, a
// warning says so.
func TrendOf(u History, level float64) Trend {
	out := Trend{LaplaceP: 1, Says: CannotSay}
	fail := func(why string) Trend {
		out.Why = why
		out.Shape = Result{Why: why}
		return out
	}
	if _, why := checkHistories([]History{u}, level); why != "" {
		return fail(why)
	}
	n, sum, logs := float64(len(u.Events)), 0.0, 0.0
	for _, t := range u.Events {
		if t == 0 {
			return fail("one happened at the very first reading, so no trend can be fitted")
		}
		sum += t
		logs += math.Log(u.End / t)
	}
	if n < minTrendEvents {
		return fail(fmt.Sprintf("too few: %g, and a trend needs %d", n, minTrendEvents))
	}
	out.Laplace = (sum - n*u.End/2) / math.Sqrt(n*u.End*u.End/12)
	out.LaplaceP = twoSidedNormal(out.Laplace)
	if out.LaplaceP < 1-level {
		out.Says = Better
		if out.Laplace > 0 {
			out.Says = Worse
		}
	}
	if p := milP(logs, n); (out.LaplaceP < 1-level) != (p < 1-level) {
		out.Warnings = append(out.Warnings,
			fmt.Sprintf("two tests of the trend disagree (p %.2g and %.2g): do not rely on it",
				out.LaplaceP, p))
	}
	if logs < 1e-9*n {
		out.Shape = absent("all happened at the last reading, so no trend can be fitted")
		return out
	}
	shape, tail := n/logs, (1-level)/2
	out.Shape = estimated(shape, shape*mathext.GammaIncRegInv(n, tail)/n, shape*mathext.GammaIncRegInv(n, 1-tail)/n,
		level)
	return out
}

// milP returns the two-sided p of n events whose log(T/t) sum to logs, by
// MIL-HDBK-189.
func milP(logs, n float64) float64 {
	greater := upperChi2(2*logs, 2*n)
	return math.Min(1, 2*math.Min(greater, 1-greater))
}
