package stat

import (
	"fmt"
	"math"
	"slices"
)

// RateTable is events and exposure by row, with the level of every factor.
// Rows need not be grouped: rows of the same levels are added up before
// anything else is done, which loses nothing.
type RateTable struct {
	Events   []int
	Exposure []float64
	// Factors[f][i] is the level of row i in factor f, 0 to n-1. Factors[0] is
	// the one asked about; the others are held.
	Factors [][]int
	// Random > 0 is a factor whose levels are drawn from one distribution instead
	// of each having a rate of its own: see FitRates.
	Random int
	// Repeated is how many times more than Poisson's the counts vary because events
	// come several in a run, as Repeated tells; 0 counts as 1.
	Repeated float64
	// Cluster[i] names what rows of one origin (a machine) have in common; nil
	// if nothing. A cluster for every row gives White's (1980) errors.
	Cluster []int
}

// RateFit is a Poisson regression log E(events) = log(exposure) + a level of
// every factor, by maximum likelihood (McCullagh & Nelder 1989 ch. 6).
type RateFit struct {
	Scale    string // Poisson, QuasiPoisson or Clustered: where standard errors come from
	Phi      float64
	Warnings []string

	g         *grouped
	x         *design
	coef      []float64
	mu        []float64
	h         *arrow      // information at the fit
	nulls     [][]float64 // combinations of coefficients that the data say nothing of
	clusters  int         // that errors are clustered by
	scores    sparse      // of each cluster, where they are
	repeated  float64
	penalised float64    // log likelihood at the fit, less what random levels' distances from 0 cost
	parts     []*RateFit // one a standard deviation of the random factor; f is the likeliest
	weight    float64    // of a part
}

// The three origins of a standard error, as RateFit.Scale says them.
const (
	Poisson      = "Poisson"
	QuasiPoisson = "quasi-Poisson"
	Clustered    = "clustered"
)

// grouped is a RateTable with the rows of equal levels added up to strata.
type grouped struct {
	events   []float64
	exposure []float64
	codes    [][]int // [factor][stratum]
	levels   []int
	rows     []member // by cluster, where rows have one
	clusters int
	random   int // factor, 0 none
}

// member is a row's part of a stratum.
type member struct {
	cluster, stratum int32
	events, exposure float64
}

func group(t RateTable) (*grouped, string) {
	n := len(t.Events)
	if len(t.Exposure) != n {
		return nil, fmt.Sprintf("%d counts but %d exposures", n, len(t.Exposure))
	}
	if len(t.Factors) == 0 {
		return nil, "no factor to ask about"
	}
	for i, h := range t.Exposure {
		if why := checkRate(t.Events[i], h, Level95); why != "" && (h != 0 || t.Events[i] != 0) {
			return nil, fmt.Sprintf("row %d: %s", i, why)
		}
	}
	if t.Random < 0 || t.Random >= len(t.Factors) {
		return nil, fmt.Sprintf("random factor %d: there are %d", t.Random, len(t.Factors))
	}
	g := &grouped{levels: make([]int, len(t.Factors)), codes: make([][]int, len(t.Factors)), random: t.Random}
	stratum, bound := make([]int, n), 1
	for f, codes := range t.Factors {
		if len(codes) != n {
			return nil, fmt.Sprintf("factor %d: %d levels for %d rows", f, len(codes), n)
		}
		for i, c := range codes {
			if c < 0 {
				return nil, fmt.Sprintf("factor %d, row %d: level %d must be 0 or more", f, i, c)
			}
			g.levels[f] = max(g.levels[f], c+1)
		}
		bound = pack(stratum, bound, codes, g.levels[f])
	}
	strata := compress(stratum)
	g.events, g.exposure = make([]float64, strata), make([]float64, strata)
	for f := range g.codes {
		g.codes[f] = make([]int, strata)
	}
	for i, s := range stratum {
		g.events[s] += float64(t.Events[i])
		g.exposure[s] += t.Exposure[i]
		for f := range g.codes {
			g.codes[f][s] = t.Factors[f][i]
		}
	}
	if t.Cluster == nil {
		return g, ""
	}
	if len(t.Cluster) != n {
		return nil, fmt.Sprintf("%d clusters for %d rows", len(t.Cluster), n)
	}
	ids := append([]int(nil), t.Cluster...)
	g.clusters = compress(ids)
	next := make([]int, g.clusters+1) // where each cluster's rows go
	for _, c := range ids {
		next[c+1]++
	}
	for c := range g.clusters {
		next[c+1] += next[c]
	}
	g.rows = make([]member, n)
	for i, c := range ids {
		g.rows[next[c]] = member{int32(c), int32(stratum[i]), float64(t.Events[i]), t.Exposure[i]}
		next[c]++
	}
	return g, ""
}

// pack folds codes into ids < bound, and tells the new bound. Before they could
// overflow, ids are renumbered.
func pack(ids []int, bound int, codes []int, levels int) int {
	levels = max(levels, 1)
	if bound > 1<<62/levels {
		bound = compress(ids)
	}
	for i, c := range codes {
		ids[i] = ids[i]*levels + c
	}
	return bound * levels
}

// compress renumbers ids 0, 1, ... in order of first appearance, and counts them.
func compress(ids []int) int {
	low, high := 0, 0
	for _, id := range ids {
		low, high = min(low, id), max(high, id)
	}
	if low == 0 && high <= 2*len(ids) { // as they are where the levels are few: no map is needed
		number, count := make([]int32, high+1), int32(0)
		for i, id := range ids {
			if number[id] == 0 {
				count++
				number[id] = count
			}
			ids[i] = int(number[id]) - 1
		}
		return int(count)
	}
	seen := make(map[int]int, min(len(ids), 1<<20))
	for i, id := range ids {
		n, ok := seen[id]
		if !ok {
			n = len(seen)
			seen[id] = n
		}
		ids[i] = n
	}
	return len(seen)
}

// FitRates fits t, and returns nil and the reason where there is nothing to fit.
//
// Levels without an event are fitted exactly: their rate is 0, their rows say
// nothing of the other levels, and ratios with them have one limit. Columns
// that depend on others are found and left out; a ratio that they make
// unknowable is then absent, with the reason.
//
// Standard errors are those of Poisson counts, unless strata vary more than
// that (Pearson X^2 against its mean and variance, p < 0.05): then they grow by
// the scale of Fletcher (2012, Biometrika 99), a form of Pearson's for thin
// strata. Where clusters vary more than strata explain, and there are at least
// 5, errors are clustered (White 1980; Liang & Zeger 1986) but never smaller
// than the others. Scale says which.
//
// Where events come several in a run all errors grow by their scale.
//
// The log rates of the levels of a random factor are normal around 0 (a
// generalised linear mixed model, Breslow & Clayton 1993), so that levels lend
// each other strength, and a level of Factors[0] that shares all its exposure
// with one of them has an interval as wide as they differ. Their standard
// deviation is not estimated, since a few machines say little of it: ratios are
// averaged over spreads, weighed by their restricted likelihood (Laplace's
// approximation), each as likely beforehand. What then varies between clusters
// widens errors by one scale.
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
	// From the middle outwards, as far as a spread weighs anything: in a large
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
// levels that are averaged over.
var spreads = []float64{0.05, 0.2, 0.4, 0.6, 0.8, 1, 1.3, 1.7}

// weightless is how far below the likeliest, in log likelihood, a spread weighs
// next to nothing.
const weightless = 7

// spread is the fit at one of the spreads, from coefficients near it if not nil.
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

// restricted is the logarithm of the likelihood with all coefficients
// integrated out, by Laplace's approximation and but for a constant.
func (f *RateFit) restricted() float64 {
	l := f.penalised/f.repeated - f.h.logDet()/2
	return l + float64(f.x.mixedTo-f.x.mixedFrom)*math.Log(f.x.precision)/2
}

// findCollinear looks for dependent columns with every living row counted once.
func (f *RateFit) findCollinear() {
	ones := make([]float64, len(f.g.events))
	for i := range ones {
		ones[i] = 1
	}
	f.h = newArrow(f.x, nil)
	f.h.fill(f.g, f.x, ones)
	f.h.factorise(true)
	for r, dropped := range f.h.dropped {
		if dropped {
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
		f.Warnings = append(f.Warnings, fmt.Sprintf("%d of the factors' levels always go together with others and cannot be "+
			"told apart", len(f.nulls)))
	}
}

// start gives the absorbed factor's crude log rates.
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
// and the information. With firth, the score carries half the leverage of every
// row (Firth 1993, Biometrika 80; Heinze & Schemper 2002), which keeps every
// estimate finite.
func (f *RateFit) maximise(coef []float64, firth bool) bool {
	g, x := f.g, f.x
	f.mu = make([]float64, len(g.events))
	f.h = newArrow(x, f.h.dropped)
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
		f.h.factorise(false)
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

// goodness finds whether strata vary more than Poisson's, and how much.
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
		f.Warnings = append(f.Warnings, fmt.Sprintf("counts vary %.2g times more than by chance: intervals are widened for "+
			"it", phi))
	}
}

// rank is the number of parameters that the fit has used up; of a random factor
// as far as its levels are free.
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

const minClusters = 5 // fewer say too little of how they differ

// scale finds how much more than Poisson's counts vary.
func (f *RateFit) scale() {
	f.goodness()
	if f.repeated > 1 {
		f.Phi, f.Scale = math.Max(f.Phi, f.repeated), QuasiPoisson
	}
	f.clustered()
}

// clustered looks for events that come in clusters.
func (f *RateFit) clustered() {
	var x2, expected, spread float64
	n := 0
	v := make([]float64, f.x.n)
	f.eachCluster(func(rows []member) {
		clear(v)
		off, mean := 0.0, 0.0
		for i := range rows {
			m := f.expected(&rows[i])
			off += rows[i].events - m
			mean += m
			f.spreadOver(v, int(rows[i].stratum), m)
		}
		if mean == 0 {
			return
		}
		free := 1 - dot(v, f.h.solve(v))/mean // what the fit leaves of the cluster's variance
		if free < 1e-6 {
			return // the cluster is itself a level: its residual is 0
		}
		n++
		x2 += off * off / mean
		expected += free
		spread += 1 / mean
	})
	if n < 2 || (x2-expected)/math.Sqrt(2*expected+spread) <= zFor(0.90) {
		return
	}
	phi := x2 / expected
	if n < minClusters || f.g.random > 0 {
		f.Phi, f.Scale = math.Max(f.Phi, phi), QuasiPoisson
		f.Warnings = append(f.Warnings, fmt.Sprintf("some of %d machines have more overheats than by chance (%.2g times the "+
			"spread): intervals are widened for it", n, phi))
		return
	}
	f.Scale, f.clusters = Clustered, n
	f.eachCluster(func(rows []member) {
		clear(v)
		for i := range rows {
			if !f.x.deadRow[rows[i].stratum] {
				f.spreadOver(v, int(rows[i].stratum), rows[i].events-f.expected(&rows[i]))
			}
		}
		f.scores.add(v)
	})
	f.Warnings = append(f.Warnings, fmt.Sprintf("some of %d machines have more overheats than by chance (%.2g times the "+
		"spread): standard errors are clustered", n, phi))
}

// eachCluster goes through the rows, a cluster at a time.
func (f *RateFit) eachCluster(do func([]member)) {
	rows := f.g.rows
	for len(rows) > 0 {
		n := 1
		for n < len(rows) && rows[n].cluster == rows[0].cluster {
			n++
		}
		do(rows[:n])
		rows = rows[n:]
	}
}

// expected is what the fit expects of a row.
func (f *RateFit) expected(m *member) float64 {
	if m.exposure == 0 {
		return 0
	}
	return f.mu[m.stratum] * m.exposure / f.g.exposure[m.stratum]
}

// spreadOver adds w to the coefficients of a stratum.
func (f *RateFit) spreadOver(v []float64, stratum int, w float64) {
	v[f.g.codes[f.x.absorbed][stratum]] += w
	for _, k := range f.x.others[stratum] {
		v[k] += w
	}
}

// sparse is vectors of which only what is not 0 is kept.
type sparse struct {
	ends []int
	at   []int32
	v    []float64
}

func (s *sparse) add(v []float64) {
	for k, x := range v {
		if x != 0 {
			s.at, s.v = append(s.at, int32(k)), append(s.v, x)
		}
	}
	s.ends = append(s.ends, len(s.at))
}

// squares is the sum of the squares of the vectors' products with u.
func (s *sparse) squares(u []float64) float64 {
	total, from := 0.0, 0
	for _, to := range s.ends {
		sum := 0.0
		for i := from; i < to; i++ {
			sum += s.v[i] * u[s.at[i]]
		}
		total += sum * sum
		from = to
	}
	return total
}

// dot is floats.Dot for vectors so short that its call would cost more.
func dot(a, b []float64) float64 {
	s := 0.0
	for i, x := range a {
		s += x * b[i]
	}
	return s
}
