package stat

import (
	"fmt"
	"math"
	"slices"
)

// RateFit is a Poisson regression log E(events) = log(exposure) + a level of
// every factor, by maximum likelihood (McCullagh & Nelder 1989 ch. 6).
type RateFit struct {
	Scale    string // Poisson, QuasiPoisson or Clustered: the origin of the standard errors
	Phi      float64
	Warnings []string

	g         *grouped
	x         *design
	coef      []float64
	mu        []float64
	h         *arrow      // information at the fit
	nulls     [][]float64 // combinations of coefficients that the data do not determine
	clusters  int         // by which errors are clustered
	scores    sparse      // of each cluster, if there are any
	repeated  float64
	penalised float64    // log likelihood at the fit, less the penalty of random levels
	parts     []*RateFit // for each standard deviation of the random factor; f is the likeliest
	weight    float64    // of a part
}

// The origins of a standard error, as in RateFit.Scale.
const (
	Poisson      = "Poisson"
	QuasiPoisson = "quasi-Poisson"
	Clustered    = "clustered"
)

// FitRates fits t, and returns nil and the reason if there is nothing to fit.
//
// Levels without an event are fitted exactly: their rate is 0, their rows tell
// nothing of the other levels, and ratios with them have one limit. Dependent
// columns are found and left out; a ratio that they leave undetermined is
// absent, with the reason.
//
// Standard errors are those of Poisson counts, unless strata vary more than
// that (Pearson X^2 against its mean and variance, p < 0.05): then they are
// scaled after Fletcher (2012, Biometrika 99), a form of Pearson's scale for
// thin strata. If clusters vary more than strata explain, and there are at
// least 5, errors are clustered (White 1980; Liang & Zeger 1986) but never
// smaller than the others. Scale tells which. If events come several in a run
// all errors are scaled for that.
//
// The log rates of the levels of a random factor are normal around 0 (a
// generalised linear mixed model, Breslow & Clayton 1993), so that levels lend
// each other strength, and a level of Factors[0] that shares all its exposure
// with one of them has an interval as wide as they differ. Their standard
// deviation is not estimated, since a few machines tell little of it: ratios
// are averaged over several, weighted by their restricted likelihood (Laplace's
// approximation), with equal priors. What then varies between clusters widens
// errors by one scale.
func FitRates(t RateTable) (*RateFit, string) {
	g, why := group(t)
	if why != "" {
		return nil, why
	}
	total := 0.0
	for _, y := range g.events {
		total += y
	}
	if total == 0 {
		return nil, "no overheat in these hours, so no ratio"
	}
	f := &RateFit{g: g, x: newDesign(g), Phi: 1, Scale: Poisson, repeated: math.Max(1, t.Repeated)}
	f.findCollinear()
	if g.random == 0 {
		f.fit(0)
		f.scale()
		return f, ""
	}
	// From the middle outwards, as long as a spread has any weight: in a large
	// fleet that is one or two.
	parts := []*RateFit{f.spread(len(spreads)/2, nil)}
	top := parts[0].weight
	for _, step := range []int{-1, 1} {
		last := parts[0]
		for k := len(spreads)/2 + step; k >= 0 && k < len(spreads) && last.weight > top-weightless; k += step {
			last = f.spread(k, last.coef)
			parts, top = append(parts, last), math.Max(top, last.weight)
		}
	}
	for _, part := range parts {
		if part.weight == top {
			f = part
		}
		part.weight = math.Exp(part.weight - top)
	}
	parts = slices.DeleteFunc(parts, func(p *RateFit) bool { return !(p.weight > math.Exp(-weightless)) })
	total = 0
	for _, part := range parts {
		total += part.weight
	}
	for _, part := range parts {
		part.weight /= total
		part.scale()
	}
	likeliest := *f
	likeliest.parts = parts
	return &likeliest, ""
}

// spreads are the standard deviations of the log rates of a random factor's
// levels over which ratios are averaged.
var spreads = []float64{0.05, 0.2, 0.4, 0.6, 0.8, 1, 1.3, 1.7}

// weightless is how far, in log likelihood below the likeliest, a spread has
// next to no weight.
const weightless = 7

// spread returns the fit at one of the spreads, starting from coefficients near
// it if not nil.
func (f *RateFit) spread(k int, near []float64) *RateFit {
	part, x := *f, *f.x
	part.x, part.coef, part.Warnings = &x, near, slices.Clip(f.Warnings)
	part.fit(1 / spreads[k] / spreads[k])
	if part.weight = part.restricted(); !usable(part.weight) {
		part.weight = -math.MaxFloat64
	}
	return &part
}

// fit finds the coefficients; precision is that of random levels.
func (f *RateFit) fit(precision float64) {
	f.x.precision = precision * f.repeated
	coef := slices.Clone(f.coef)
	if coef == nil {
		coef = f.start()
	}
	if !f.maximise(coef, false) {
		f.Warnings = append(f.Warnings, "the fit did not settle: some ratios may be without limit")
	}
	f.coef = coef
}

// restricted returns the logarithm of the likelihood with all coefficients
// integrated out, by Laplace's approximation and up to a constant.
func (f *RateFit) restricted() float64 {
	l := f.penalised/f.repeated - f.h.logDet()/2
	return l + float64(f.x.mixedTo-f.x.mixedFrom)*math.Log(f.x.precision)/2
}

// findCollinear finds dependent columns, with every row that is not dead
// counted once.
func (f *RateFit) findCollinear() {
	ones := make([]float64, len(f.g.events))
	for i := range ones {
		ones[i] = 1
	}
	f.h = newArrow(f.x, nil)
	f.h.fill(f.g, f.x, ones)
	f.h.independent()
	f.h.factorise()
	for r := range f.h.p {
		if !slices.Contains(f.h.kept, r) {
			k := f.x.na + r
			null := f.h.solve(f.h.column(k))
			for i := range null {
				null[i] = -null[i]
			}
			null[k]++
			f.nulls = append(f.nulls, null)
		}
	}
	if len(f.nulls) > 0 {
		f.Warnings = append(f.Warnings,
			fmt.Sprintf("%d of the factors' levels always go together with others and cannot be "+
				"told apart", len(f.nulls)))
	}
}

// start returns the absorbed factor's crude log rates.
func (f *RateFit) start() []float64 {
	coef := make([]float64, f.x.n)
	if f.g.random > 0 { // the absorbed factor may be the random one: its levels begin at 0
		events, hours := 0.0, 0.0
		for i, y := range f.g.events {
			events, hours = events+y, hours+f.g.exposure[i]
		}
		from := 0
		if f.x.absorbed != f.g.random {
			from = f.x.absorbed
		}
		for _, k := range f.x.col[from] {
			if k >= 0 {
				coef[k] = math.Log(events / hours)
			}
		}
		return coef
	}
	hours := make([]float64, f.x.na)
	for i, l := range f.g.codes[f.x.absorbed] {
		if !f.x.deadRow[i] {
			coef[l] += f.g.events[i]
			hours[l] += f.g.exposure[i]
		}
	}
	for l, h := range hours {
		if h > 0 {
			coef[l] = math.Log(coef[l] / h)
		}
	}
	return coef
}

// maximise runs Newton's method (for this link the same as iteratively
// reweighted least squares), halving steps that lose likelihood, and leaves mu
// and the information. If firth is set the score includes half the leverage of
// every row (Firth 1993, Biometrika 80; Heinze & Schemper 2002), which keeps
// every estimate finite.
func (f *RateFit) maximise(coef []float64, firth bool) bool {
	g, x := f.g, f.x
	f.mu = make([]float64, len(g.events))
	f.h = newArrow(x, f.h.kept)
	offset := make([]float64, len(g.exposure))
	for i, h := range g.exposure {
		offset[i] = math.Log(h)
	}
	loglik := func(c []float64) float64 {
		sum := 0.0
		for i, y := range g.events {
			if x.deadRow[i] {
				f.mu[i] = 0
				continue
			}
			eta := x.eta(g, i, c) + offset[i]
			f.mu[i] = math.Exp(eta)
			sum += y*eta - f.mu[i]
		}
		for _, u := range c[x.mixedFrom:x.mixedTo] {
			sum -= x.precision * u * u / 2
		}
		return sum
	}
	at := loglik(coef)
	next := make([]float64, len(coef))
	for range 100 {
		f.h.fill(g, x, f.mu)
		f.h.factorise()
		score := make([]float64, x.n)
		var leverage func(int) float64
		if firth {
			leverage = f.h.leverage(g, x)
		}
		for i, y := range g.events {
			if x.deadRow[i] {
				continue
			}
			r := y - f.mu[i]
			if firth {
				r += f.mu[i] * leverage(i) / 2
			}
			score[g.codes[x.absorbed][i]] += r
			for _, c := range x.others[i] {
				score[c] += r
			}
		}
		for k := x.mixedFrom; k < x.mixedTo; k++ {
			score[k] -= x.precision * coef[k]
		}
		step := f.h.solve(score)
		decrement, longest := 0.0, 0.0
		for k, s := range step {
			decrement += s * score[k]
			longest = math.Max(longest, math.Abs(s))
		}
		if !usable(decrement) {
			return false
		}
		if decrement < 1e-16 {
			f.penalised = at
			return true
		}
		shrink := math.Min(1, 8/longest)
		for range 40 {
			for k := range next {
				next[k] = coef[k] + shrink*step[k]
			}
			if l := loglik(next); l >= at-1e-12*math.Abs(at) || firth && usable(l) {
				at = l
				break
			}
			shrink /= 2
		}
		copy(coef, next)
	}
	f.penalised = at
	return false
}

// goodness finds whether, and how much, strata vary more than Poisson counts.
func (f *RateFit) goodness() {
	rank := f.rank()
	df, pearson, spread, excess := float64(-rank), 0.0, 0.0, 0.0
	for c, y := range f.g.events {
		if f.x.deadRow[c] {
			continue
		}
		df++
		d := y - f.mu[c]
		pearson += d * d / f.mu[c]
		spread += 1 / f.mu[c]
		excess += d / f.mu[c]
	}
	if df < 1 || (pearson-df)/math.Sqrt(2*df+spread) <= zFor(0.90) {
		return
	}
	if phi := pearson / df / (1 + excess/(df+float64(rank))); phi > 1 {
		f.Phi, f.Scale = phi, QuasiPoisson
		f.Warnings = append(f.Warnings,
			fmt.Sprintf("overheats vary %.2g times more than by chance: intervals are wider for it",
				phi))
	}
}

// rank returns the number of parameters of the fit; levels of a random factor
// count as far as they are free.
func (f *RateFit) rank() int {
	if f.g.random > 0 {
		used, leverage := 0.0, f.h.leverage(f.g, f.x)
		for i, mu := range f.mu {
			if !f.x.deadRow[i] {
				used += mu * leverage(i)
			}
		}
		return int(math.Round(used))
	}
	n := f.x.n - len(f.nulls)
	for _, dead := range f.x.dead[f.x.absorbed] {
		if dead {
			n--
		}
	}
	return n
}

// scale finds how much more than Poisson counts the data vary.
func (f *RateFit) scale() {
	f.goodness()
	if f.repeated > 1 {
		f.Phi, f.Scale = math.Max(f.Phi, f.repeated), QuasiPoisson
	}
	f.clustered()
}

// dot is floats.Dot for short vectors, for which a call would cost more.
func dot(a, b []float64) float64 {
	s := 0.0
	for i, x := range a {
		s += x * b[i]
	}
	return s
}
