package stat

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/lapack/lapack64"
	"gonum.org/v1/gonum/mat"
)

// Steadiness tells whether a level falls evenly or in bursts.
type Steadiness struct {
	Steady  *bool   // nil where there is too little to say
	P       float64 // of a loss this uneven if it were steady
	IndexML float64 // variance over mean of the loss, mL: bursts of about this size; 0 if none shows
	Why     string  // why Steady is nil
}

// steadyCV is the unevenness over a stretch that still counts as steady.
const steadyCV = 0.25

// LossSteadiness compares the loss of each stretch between looks with its hours
// at the common rate: the index of dispersion (Cox & Lewis 1966 s. 6.3) for
// amounts, less what the errors of reading at both ends explain,
//
//	index = sum((y - r h)^2 - v) / sum(r h),    chi-square = sum((y - r h)^2 / (v + (r h/4)^2))
//
// with v the variance of two rounded readings. Under 4 stretches it says so.
func LossSteadiness(looks []Look, steps LossSteps) Steadiness {
	if why := checkLooks(looks, steps, Level95); why != "" {
		return Steadiness{P: 1, Why: why}
	}
	n := &nuisance{steps: possibleSteps(looks, steps)[0]}
	type stretch struct{ ml, hours, v float64 }
	var all []stretch
	ml, hours := 0.0, 0.0
	for _, c := range chainsOf(looks) {
		from := c[0]
		for _, m := range c[1:] {
			if h := m.hours - from.hours; h > 0 {
				all = append(all, stretch{m.sum - from.sum, h, n.error(m) + n.error(from)})
				ml, hours = ml+m.sum-from.sum, hours+h
			}
			from = m
		}
	}
	out := Steadiness{P: 1}
	switch {
	case len(all) < minChangeRows:
		out.Why = absent("too few: %d stretches between looks, %d are needed", len(all), minChangeRows).Why
		return out
	case ml <= 0:
		out.Why = "nothing was lost: no loss to be steady"
		return out
	}
	rate := ml / hours
	x2, excess := 0.0, 0.0
	for _, s := range all {
		mean := rate * s.hours
		d := s.ml - mean
		x2 += d * d / (s.v + steadyCV*steadyCV*mean*mean)
		excess += d*d - s.v
	}
	out.P = upperChi2(x2, float64(len(all)-1))
	out.IndexML = math.Max(0, excess/ml)
	steady := out.P > 0.01
	out.Steady = &steady
	return out
}

// error is the variance of a reading: its rounding, and a fifth of a step for
// misreading.
func (n *nuisance) error(m mark) float64 {
	_, half := n.reach(m)
	return half*half/3 + n.steps.Level*n.steps.Level/25
}

// LossChange finds when the loss per hour changed, in hours since the first look
// (hours set apart not counted): a line with one kink through what was lost by
// each look, by generalised least squares. Errors are those of reading, of
// which rounding repeats itself while less than a step is lost, and an
// unevenness averaged over as in LossRate. The rates are integrated out, flat
// (Bayes form of Hinkley 1970, Biometrika 57); every hour is as likely
// beforehand. P is that of ChangePoint under each unevenness, averaged.
func LossChange(looks []Look, steps LossSteps, level float64) Change {
	if why := checkLooks(looks, steps, level); why != "" {
		return noChange("%s", why)
	}
	if s := LossSteadiness(looks, steps); s.Steady == nil {
		return noChange("%s", s.Why)
	}
	n := &nuisance{steps: possibleSteps(looks, steps)[0]}
	chains := chainsOf(looks)
	ml, hours := 0.0, 0.0
	for _, c := range chains {
		ml, hours = ml+c[len(c)-1].sum-c[0].sum, hours+c[len(c)-1].hours
	}
	even := kinkFit{before: ml / hours, after: ml / hours}
	best, p, times, logs := scanKinks(chains, n, even)
	if best.n == 0 {
		return noChange("too few looks on both sides of any change")
	}
	if p < 0.2 { // once more with the errors that go with the rates found; else one rate fits, and the errors were its own
		_, _, times, logs = scanKinks(chains, n, best)
	}
	return Change{
		At:     changePosterior(times, logs, level),
		Before: math.Max(0, best.before), After: math.Max(0, best.after),
		P: math.Min(1, p),
	}
}

// scanKinks fits a kink at evenly spaced times under every unevenness, errors
// being those of the rates of guess. It gives the best fit, the p-value of there
// being a kink, and the times with their log likelihoods.
func scanKinks(chains [][]mark, n *nuisance, guess kinkFit) (best kinkFit, p float64, times, logs []float64) {
	const cells = 81
	times, logs = make([]float64, cells), make([]float64, cells)
	for i := range logs {
		logs[i] = math.Inf(-1)
	}
	known := math.Inf(-1)
	for _, u := range unevens {
		n.uneven = u.cv
		k := newKink(chains, n, guess)
		if k == nil {
			continue
		}
		straight, ok := k.least(k.time)
		if !ok {
			continue
		}
		plainest := straight.top
		for i := range times {
			times[i] = k.hours * float64(i) / (cells - 1)
			f, ok := k.fit(times[i])
			if !ok {
				continue
			}
			logs[i] = logSum(logs[i], f.log+math.Log(u.weight))
			plainest = math.Max(plainest, f.top)
			if best.n == 0 || f.top > best.top {
				best = f
			}
		}
		// p under every unevenness, weighed by how well it explains a loss without change
		weight := straight.log + math.Log(u.weight)
		at := math.Min(1, float64(len(k.y)-2)*upperChi2(2*(plainest-straight.top), 1))
		sum := logSum(known, weight)
		p = p*math.Exp(known-sum) + at*math.Exp(weight-sum)
		known = sum
	}
	return best, p, times, logs
}

// logSum is log(exp(a) + exp(b)).
func logSum(a, b float64) float64 {
	m := math.Max(a, b)
	if math.IsInf(m, -1) {
		return m
	}
	return m + math.Log(math.Exp(a-m)+math.Exp(b-m))
}

// kink is a regression whose observations are already divided by the root of
// their covariance.
type kink struct {
	y      []float64
	at     []float64    // hours of each mark since the first look
	time   []float64    // the same, whitened
	starts [][]float64  // a column for each chain, whitened
	root   mat.TriDense // of the covariance, lower
	logDet float64      // of the covariance
	hours  float64
}

type kinkFit struct {
	n             int
	tau           float64
	top, log      float64 // log likelihood at the best rates, and with rates integrated out
	before, after float64
}

// newKink is nil where the errors can't be told apart.
func newKink(chains [][]mark, n *nuisance, guess kinkFit) *kink {
	k := &kink{}
	var chain []int
	var all []mark
	for i, c := range chains {
		for _, m := range c {
			k.at = append(k.at, k.hours+m.hours)
			chain = append(chain, i)
			all = append(all, m)
		}
		k.hours += c[len(c)-1].hours
	}
	size := len(all)
	between := func(before, after float64, from, to float64) float64 { // integral of a rate that changes
		return before*(math.Min(to, guess.tau)-math.Min(from, guess.tau)) + after*(math.Max(to, guess.tau)-math.Max(from, guess.tau))
	}
	slow, fast := math.Max(0, guess.before), math.Max(0, guess.after)
	sums := make([]float64, size)
	cov := mat.NewSymDense(size, nil)
	for i, m := range all {
		sums[i] = m.sum
		for j := range i + 1 {
			v := 0.0
			if chain[i] == chain[j] {
				// a Wiener process from the chain's start
				v = between(n.variance(slow), n.variance(fast), k.at[j]-all[j].hours, k.at[j])
			}
			if i == j {
				v += n.error(m)
			} else if chain[i] == chain[j] {
				v += n.repeated(all[j], m, between(slow, fast, k.at[j], k.at[i]))
			}
			cov.SetSym(i, j, v)
		}
	}
	var chol mat.Cholesky
	// Misreading on its diagonal makes it positive definite, unless what was lost
	// is so much that the misreading vanishes beside it.
	if !chol.Factorize(cov) {
		return nil
	}
	chol.LTo(&k.root)
	k.logDet = chol.LogDet()
	k.y, k.time = k.whiten(sums), k.whiten(k.at)
	for c := range chains {
		column := make([]float64, size)
		for i := range column {
			if chain[i] == c {
				column[i] = 1
			}
		}
		k.starts = append(k.starts, k.whiten(column))
	}
	return k
}

// repeated is the covariance of the rounding errors of two readings between
// which a share u of a step is lost: 1 - 6u(1-u) of their variance, the
// autocovariance of a sawtooth, up to where it is 0.
func (n *nuisance) repeated(a, b mark, lost float64) float64 {
	_, ha := n.reach(a)
	_, hb := n.reach(b)
	u := lost / (2 * math.Min(ha, hb))
	if u > 0.2113 {
		return 0
	}
	return (1 - 6*u*(1-u)) * math.Min(ha, hb) * math.Min(ha, hb) / 3
}

// whiten solves L w = x for the root L of the covariance.
func (k *kink) whiten(x []float64) []float64 {
	w := slices.Clone(x)
	root := k.root.RawTriangular()
	from := 0 // w is 0 before it
	for i := range w {
		row := root.Data[i*root.Stride : i*root.Stride+i+1]
		w[i] = (w[i] - floats.Dot(row[from:i], w[from:i])) / row[i]
		if w[i] == 0 && from == i {
			from++
		}
	}
	return w
}

// fit is the regression with a kink at tau.
func (k *kink) fit(tau float64) (kinkFit, bool) {
	after := make([]float64, len(k.at))
	for i, t := range k.at {
		after[i] = math.Max(0, t-tau)
	}
	after = k.whiten(after)
	before := slices.Clone(k.time) // hours before are all hours less those after
	floats.Sub(before, after)
	f, ok := k.least(before, after)
	f.tau = tau
	return f, ok
}

// least fits the starts of the chains and more columns by least squares.
func (k *kink) least(more ...[]float64) (kinkFit, bool) {
	columns := slices.Concat(k.starts, more)
	p := len(columns)
	a, beta := mat.NewSymDense(p, nil), make([]float64, p)
	for i, x := range columns {
		for j := range i + 1 {
			a.SetSym(i, j, floats.Dot(x, columns[j]))
		}
		beta[i] = floats.Dot(x, k.y)
	}
	// mat.Cholesky would estimate the condition each time, at the cost of the rest
	root, ok := lapack64.Potrf(a.RawSymmetric())
	logDet, least, most := 0.0, math.Inf(1), 0.0
	for i := range p {
		d := root.Data[i*root.Stride+i]
		logDet += 2 * math.Log(d)
		least, most = math.Min(least, d), math.Max(most, d)
	}
	if !ok || !(least > 3e-7*most) {
		return kinkFit{}, false
	}
	lapack64.Potrs(root, blas64.General{Rows: p, Cols: 1, Data: beta, Stride: 1})
	out := kinkFit{n: len(k.y), before: beta[p-len(more)], after: beta[p-1]}
	rest := slices.Clone(k.y)
	for j, x := range columns {
		floats.AddScaled(rest, -beta[j], x)
	}
	out.top = -floats.Dot(rest, rest)/2 - k.logDet/2
	out.log = out.top - logDet/2
	return out, usable(out.log)
}
