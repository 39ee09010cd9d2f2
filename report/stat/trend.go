package stat

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
)

// Trend tells whether events come faster or slower as time goes on.
type Trend struct {
	Events     int
	Laplace    float64 // > 0: faster
	LaplaceP   float64 // two-sided
	MIL        float64 // chi-square of MIL-HDBK-189, 2 sum log(T/t); small: faster
	MILDF      int
	MILP       float64 // two-sided, central
	Shape      Result  // power-law shape: > 1 faster, < 1 slower
	LogScale   float64 // log of lambda, rate = lambda shape t^(shape-1)
	SELogShape float64 // of several units; 0 for one
	Says       string  // Better, Worse or CannotSay, by Laplace at 1-level
	Why        string  // why there is no trend to speak of; the rest is then 0
	Warnings   []string
}

// What Trend.Says.
const (
	Better    = "better"
	Worse     = "worse"
	CannotSay = "cannot say"
)

// minTrendEvents: under 3, Laplace's statistic is far from normal and no
// pattern of two events is remarkable.
const minTrendEvents = 3

// TrendOf tests units watched from 0 to their End, together (one unit: that
// unit's own trend). Times are truncated by the end of watching, not by an
// event.
//
//	Laplace  U = (sum t - sum n T/2) / sqrt(sum n T^2/12)   Cox & Lewis 1966 s. 3.3
//	MIL      2 sum log(T/t), chi-square with 2n             MIL-HDBK-189 1981; Crow 1974
//	Shape    maximum likelihood of lambda T^b; for one unit or units of one End
//	         n/sum log(T/t) with the exact chi-square interval (Crow 1974),
//	         else the score equation sum over units of T^b and a normal
//	         interval of its logarithm
//
// The two tests look at different departures (Laplace at the middle, MIL at the
// ends, and at power laws); where one sees a trend and the other does not, a
// warning says so.
func TrendOf(units []History, level float64) Trend {
	out := Trend{LaplaceP: 1, MILP: 1, Says: CannotSay}
	fail := func(why string) Trend {
		out.Why = why
		out.Shape = Result{Why: why}
		return out
	}
	if _, why := checkHistories(units, level); why != "" {
		return fail(why)
	}
	var sum, mean, variance, logs float64
	equal, end := true, units[0].End
	for _, u := range units {
		n := float64(len(u.Events))
		out.Events += len(u.Events)
		mean += n * u.End / 2
		variance += n * u.End * u.End / 12
		equal = equal && u.End == end
		for _, t := range u.Events {
			if t == 0 {
				return fail("an event at time 0: the power law has no place for it")
			}
			sum += t
			logs += math.Log(u.End / t)
		}
	}
	if out.Events < minTrendEvents {
		return fail(fmt.Sprintf("%d events: a trend needs %d", out.Events, minTrendEvents))
	}
	n := float64(out.Events)
	out.Laplace = (sum - mean) / math.Sqrt(variance)
	out.LaplaceP = twoSidedNormal(out.Laplace)
	out.MIL, out.MILDF = 2*logs, 2*out.Events
	greater := upperChi2(out.MIL, 2*n)
	out.MILP = math.Min(1, 2*math.Min(greater, 1-greater))
	if out.LaplaceP < 1-level {
		out.Says = Better
		if out.Laplace > 0 {
			out.Says = Worse
		}
	}
	if (out.LaplaceP < 1-level) != (out.MILP < 1-level) {
		out.Warnings = append(out.Warnings, fmt.Sprintf("the two trend tests disagree: p %.2g by Laplace, %.2g by MIL-HDBK-189", out.LaplaceP, out.MILP))
	}
	switch {
	case logs < 1e-9*n:
		out.Shape = absent("all events lie at the end of watching: the power law has no shape")
	case equal:
		shape := n / logs
		tail := (1 - level) / 2
		out.LogScale = math.Log(n/float64(len(units))) - shape*math.Log(end)
		out.Shape = estimated(shape, shape*mathext.GammaIncRegInv(n, tail)/n, shape*mathext.GammaIncRegInv(n, 1-tail)/n, level)
		out.SELogShape = 1 / math.Sqrt(n)
	default:
		out.powerLaw(units, n, level)
	}
	return out
}

// powerLaw fits units of different ends: with S0 = sum T^b, S1 = sum T^b log T,
// S2 = sum T^b log^2 T the score is n/b + sum log t - n S1/S0 = 0, and the
// profile information of log b is n (1 + b^2 (S2/S0 - (S1/S0)^2)).
func (out *Trend) powerLaw(units []History, n, level float64) {
	longest, logT := 0.0, 0.0
	for _, u := range units {
		longest = math.Max(longest, u.End)
	}
	for _, u := range units {
		for _, t := range u.Events {
			logT += math.Log(t / longest) // times in units of the longest, against overflow
		}
	}
	moments := func(b float64) (s0, s1, s2 float64) {
		for _, u := range units {
			if u.End > 0 {
				l := math.Log(u.End / longest)
				w := math.Exp(b * l)
				s0, s1, s2 = s0+w, s1+w*l, s2+w*l*l
			}
		}
		return
	}
	b := math.Exp(root(func(z float64) float64 {
		b := math.Exp(z)
		s0, s1, _ := moments(b)
		return n/b + logT - n*s1/s0
	}, -20, 20))
	s0, s1, s2 := moments(b)
	out.LogScale = math.Log(n/s0) - b*math.Log(longest)
	out.SELogShape = 1 / math.Sqrt(n*(1+b*b*(s2/s0-s1*s1/s0/s0)))
	z := zFor(level)
	out.Shape = estimated(b, b*math.Exp(-z*out.SELogShape), b*math.Exp(z*out.SELogShape), level)
}
