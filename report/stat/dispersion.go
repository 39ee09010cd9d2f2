package stat

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Dispersion tells whether counts are as even against their exposure as a
// common Poisson rate would make them.
type Dispersion struct {
	Rate     float64 // pooled
	Index    float64 // X^2/df: about 1 if even, more in bursts
	Pearson  float64 // X^2 = sum (x - e)^2/e
	Deviance float64 // 2 sum x log(x/e)
	DF       int
	PUpper   float64 // of counts this uneven
	PLower   float64 // of counts this even
	PDev     float64 // upper tail of Deviance
	Dean     float64 // score statistic against gamma-Poisson (Dean 1992 eq. 2.5)
	Why      string  // why there is none
}

// DispersionOf compares counts with their expectations at one rate (index of
// dispersion, Fisher 1925; Cox & Lewis 1966 s. 6.3). Rows without exposure and
// without events say nothing and are left out.
func DispersionOf(events []int, exposure []float64) Dispersion {
	if len(events) != len(exposure) {
		return Dispersion{Why: fmt.Sprintf("%d counts but %d exposures", len(events), len(exposure))}
	}
	out := Dispersion{PUpper: 1, PLower: 1, PDev: 1, DF: -1}
	total, hours := 0.0, 0.0
	for i, x := range events {
		if x == 0 && exposure[i] == 0 {
			continue
		}
		if why := checkRate(x, exposure[i], Level95); why != "" {
			out.Why = fmt.Sprintf("row %d: %s", i+1, why)
			return out
		}
		total, hours = total+float64(x), hours+exposure[i]
		out.DF++
	}
	switch {
	case out.DF < 1:
		out.DF = max(out.DF, 0)
		out.Why = "fewer than 2 rows with exposure: nothing to be uneven"
		return out
	case total == 0:
		out.Why = "no event: nothing to be uneven"
		return out
	}
	out.Rate = total / hours
	score, weight := 0.0, 0.0
	for i, n := range events {
		if exposure[i] == 0 {
			continue
		}
		x, e := float64(n), exposure[i]*out.Rate
		out.Pearson += (x - e) * (x - e) / e
		if x > 0 {
			out.Deviance += 2 * x * math.Log(x/e)
		}
		score += (x-e)*(x-e) - x
		weight += e * e
	}
	df := float64(out.DF)
	out.Index = out.Pearson / df
	out.PUpper = upperChi2(out.Pearson, df)
	out.PLower = distuv.ChiSquared{K: df}.CDF(out.Pearson)
	out.PDev = upperChi2(out.Deviance, df)
	out.Dean = score / math.Sqrt(2*weight)
	return out
}

// RatioOfSums is sum(y)/sum(x), the rate of an amount (mL) against exposure
// (h) over n >= 2 independent rows, with the linearised variance
//
//	se^2 = n/(n-1) sum (y - r x)^2 / (sum x)^2
//
// and Student's t with n-1 degrees of freedom (Cochran 1977 s. 6.4).
func RatioOfSums(y, x []float64, level float64) Result {
	n := len(y)
	if n != len(x) {
		return absent("%d amounts but %d exposures", n, len(x))
	}
	if n < 2 {
		return absent("%d rows: an interval needs 2", n)
	}
	if !validLevel(level) {
		return absent("level %g: must lie between 0 and 1", level)
	}
	var sy, sx, ss float64
	for i := range y {
		if !usable(y[i]) || !usable(x[i]) || x[i] < 0 {
			return absent("row %d: amount %g and exposure %g must be finite, exposure 0 or more", i+1, y[i], x[i])
		}
		sy, sx = sy+y[i], sx+x[i]
	}
	if sx == 0 {
		return absent("no exposure: a rate needs hours")
	}
	r := sy / sx
	for i := range y {
		ss += (y[i] - r*x[i]) * (y[i] - r*x[i])
	}
	se := math.Sqrt(float64(n)/float64(n-1)*ss) / sx
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(n - 1)}.Quantile(1 - (1-level)/2)
	return estimated(r, r-t*se, r+t*se, level)
}
