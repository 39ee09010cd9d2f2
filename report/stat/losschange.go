package stat

import (
	"fmt"
	"math"
	"slices"
)

// Steadiness tells whether a level falls evenly or in bursts.
type Steadiness struct {
	Steady *bool  // nil if there is too little data
	Why    string // why Steady is nil
}

// minStretches is the least number with a before and an after to compare.
const minStretches = 4

// steadyCV is the greatest unevenness within a stretch that still counts as
// steady.
const steadyCV = 0.25

// LossSteadiness compares the loss of each stretch between looks with its hours
// at the common rate, by
//
//	chi-square = sum((y - r h)^2 / (v + (r h/4)^2))
//
// with v the variance of two rounded readings. Under 4 stretches it says so.
func LossSteadiness(looks []Look) Steadiness {
	if why := checkLooks(looks, Level95); why != "" {
		return Steadiness{Why: why}
	}
	coarse := coarsest(possibleSteps(looks))
	type stretch struct{ ml, hours, v float64 }
	var all []stretch
	ml, hours := 0.0, 0.0
	for _, c := range chainsOf(looks) {
		from := c[0]
		for _, m := range c[1:] {
			if h := m.hours - from.hours; h > 0 {
				all = append(all, stretch{m.sum - from.sum, h, coarse.variance(m) + coarse.variance(from)})
				ml, hours = ml+m.sum-from.sum, hours+h
			}
			from = m
		}
	}
	switch {
	case len(all) < minStretches:
		return Steadiness{Why: fmt.Sprintf("too few stretches between level readings: %d, and it takes %d", len(all),
			minStretches)}
	case ml <= 0:
		return Steadiness{Why: "nothing was lost"}
	}
	x2 := 0.0
	for _, s := range all {
		mean := ml / hours * s.hours
		x2 += (s.ml - mean) * (s.ml - mean) / (s.v + steadyCV*steadyCV*mean*mean)
	}
	steady := upperChi2(x2, float64(len(all)-1)) > 0.01
	return Steadiness{Steady: &steady}
}

// leastMisread is the sd of a reading by eye, mL, above which a change or a
// burst must stand out, however consistent the readings are. Common practice,
// no source.
const leastMisread = 8

// coarsest returns the coarsest steps that the readings allow.
func coarsest(possible []lossSteps) lossSteps {
	out := possible[0]
	for _, s := range possible {
		out.level, out.topUp = math.Max(out.level, s.level), math.Max(out.topUp, s.topUp)
	}
	return out
}

// variance returns that of a reading: its rounding, and the eye's.
func (s lossSteps) variance(m reading) float64 {
	step := s.level
	if m.topUp {
		step = s.topUp
	}
	return step*step/12 + leastMisread*leastMisread
}

// changeBursts are the sizes of bursts, mL, under which a change is tested; the
// loss's own is close to one of them.
var changeBursts = []float64{0, 0.3, 1, 3, 8, 20, 50, 120, 300}

// Change is when a rate changed.
type Change struct {
	At     Result  // exposure from the beginning until the rate changed
	Before float64 // rate before the likeliest change
	After  float64
	P      float64 // the chance of so clear a change if there was none
	Why    string  // why nothing can be said; the rest is then empty
}

func noChange(why string) Change { return Change{P: 1, Why: why, At: Result{Why: why}} }

// LossChange finds when the loss per hour changed, in hours since the first look
// (hours set apart not counted): a line with one kink through what was lost by
// each look, its errors those of LossRate under the coarsest steps that the
// readings leave open and a misreading of 8 mL. The rates are integrated out,
// flat (Bayes form of Hinkley 1970, Biometrika 57); every hour is as likely
// beforehand. At holds the posterior median and its equal-tail interval, which
// means something only if there was a change. P tells: from the largest likelihood
// ratio over the looks, times their number (Bonferroni), under each size of
// bursts, averaged by how well it explains the readings with the kink in. An error
// judged without the kink would take a true change for bursts, as a residual's
// variance is that of the fuller model in any test of nested ones.
func LossChange(looks []Look, level float64) Change {
	if why := checkLooks(looks, level); why != "" {
		return noChange(why)
	}
	if s := LossSteadiness(looks); s.Steady == nil {
		return noChange(s.Why)
	}
	chains := chainsOf(looks)
	model := lossModel{steps: coarsest(possibleSteps(looks)), misread: leastMisread}
	out, best := lossChange(chains, model, 16, level, kink{})
	if out.Why == "" && out.P < 0.3 { // otherwise one rate fits, and there is no time of a change
		p := out.P
		out, _ = lossChange(chains, model, 61, level, best)
		out.P = p
	}
	return out
}

// lossChange tries changes at cells times, evenly spread over the hours; bursts
// come at the pace of the rates before and after the change.
func lossChange(chains [][]reading, model lossModel, cells int, level float64, guess kink) (Change, kink) {
	hours := 0.0
	for _, c := range chains {
		hours += c[len(c)-1].hours
	}
	times, logs := make([]float64, cells), make([]float64, cells)
	after := make([]func(float64, *reading) float64, cells)
	for i := range times {
		tau := hours * float64(i) / float64(cells-1)
		times[i], logs[i] = tau, math.Inf(-1)
		after[i] = func(at float64, _ *reading) float64 { return math.Max(0, at-tau) }
	}
	filter := newLossFilter(chains, after...)
	rate := math.Max(filter.ml, 0) / filter.hours
	readings := len(filter.readings)
	if guess.ok && rate > 0 {
		slow, fast := math.Max(guess.before, rate/20)/rate, math.Max(guess.after, rate/20)/rate
		at := 0.0
		for i, m := range filter.readings {
			if i > 0 && !filter.start[i] {
				at += m.hours - filter.readings[i-1].hours
			}
			pace := slow
			if at > guess.tau {
				pace = fast
			}
			filter.pace = append(filter.pace, pace)
		}
	}
	var best kink
	p, known := 0.0, math.Inf(-1)
	for _, b := range changeBursts {
		model.spread = b * rate
		filter.run(&model)
		y, h := filter.innovation, filter.explained[0]
		k := kinks{yy: dot(y, y), yh: dot(y, h), hh: dot(h, h), logDet: filter.logDet}
		straight := -(k.yy - k.yh*k.yh/k.hh + k.logDet) / 2
		if !usable(straight) {
			continue
		}
		plainest, sum := straight, math.Inf(-1)
		for i := range times {
			g := filter.explained[1+i]
			f, ok := k.at(dot(y, g), dot(h, g), dot(g, g))
			if !ok {
				continue
			}
			logs[i], sum = logSum(logs[i], f.log), logSum(sum, f.log)
			plainest = math.Max(plainest, f.top)
			if !best.ok || f.top > best.top {
				best = f
				best.tau = times[i]
			}
		}
		at := math.Min(1, float64(readings-2)*upperChi2(2*(plainest-straight), 1))
		all := logSum(known, sum)
		if usable(all) {
			p = p*math.Exp(known-all) + at*math.Exp(sum-all)
			known = all
		}
	}
	if !best.ok {
		return noChange("too few level readings before or after any change"), best
	}
	return Change{
		At:     changePosterior(times, logs, level),
		Before: math.Max(0, best.before), After: math.Max(0, best.after),
		P: math.Min(1, p),
	}, best
}

// logSum returns log(exp(a) + exp(b)).
func logSum(a, b float64) float64 {
	m := math.Max(a, b)
	if math.IsInf(m, -1) {
		return m
	}
	return m + math.Log(math.Exp(a-m)+math.Exp(b-m))
}

// kink is a fit of two rates.
type kink struct {
	top, log      float64 // log likelihood at the best rates, and with the rates integrated out
	before, after float64 // mL/h
	tau           float64 // hours before it
	ok            bool
}

// kinks holds what all fits share: sums of products of the readings and the
// hours.
type kinks struct{ yy, yh, hh, logDet float64 }

// at returns the fit of the hours and, g, the hours after a change.
func (k *kinks) at(yg, hg, gg float64) (kink, bool) {
	det := k.hh*gg - hg*hg
	if !(det > 1e-9*k.hh*gg) {
		return kink{}, false
	}
	h, g := (k.yh*gg-yg*hg)/det, (yg*k.hh-k.yh*hg)/det
	f := kink{before: h, after: h + g, ok: true}
	f.top = -(k.yy - h*k.yh - g*yg + k.logDet) / 2
	f.log = f.top - math.Log(det)/2
	return f, usable(f.log) && usable(f.after)
}

// changePosterior turns log likelihoods at times, linear between them, into a
// median and an interval.
func changePosterior(times, logs []float64, level float64) Result {
	top := slices.Max(logs)
	w := make([]float64, len(logs))
	for i, l := range logs {
		w[i] = math.Exp(l - top)
	}
	below := func(z float64) float64 {
		s := 0.0
		for i := 1; i < len(times); i++ {
			a, b := times[i-1], math.Min(z, times[i])
			if b <= a {
				break
			}
			end := w[i-1] + (w[i]-w[i-1])*(b-a)/(times[i]-a)
			s += (b - a) * (w[i-1] + end) / 2
		}
		return s
	}
	total := below(times[len(times)-1])
	at := func(q float64) float64 {
		return root(func(z float64) float64 { return below(z) - q*total }, times[0], times[len(times)-1])
	}
	return estimated(at(0.5), at((1-level)/2), at(1-(1-level)/2), level)
}
