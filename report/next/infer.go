package next

import "math"

// pull is by how much a state multiplies a cause's rate: the product of its
// weights, over the driving features. What is not recorded counts as usual.
func (n *network) pull(c *cause, levels []int) float64 {
	x := 1.0
	for f, w := range c.weights {
		if w == nil || n.features[f].kind != driving {
			continue
		}
		x *= n.weight(w, f, levels[f])
	}
	return x
}

func (n *network) weight(w []float64, f, l int) float64 {
	if l >= 0 {
		return w[l]
	}
	sum, shares := 0.0, 0.0
	for i, lv := range n.features[f].levels {
		sum += lv.share * w[i]
		shares += lv.share
	}
	return sum / shares
}

// shows is the chance of an overheat's marks if a cause brought it.
func (n *network) shows(c *cause, levels []int) float64 {
	x := 1.0
	for f, w := range c.weights {
		if w != nil && n.features[f].kind == mark && levels[f] >= 0 {
			x *= w[levels[f]]
		}
	}
	return x
}

// process is one source of overheats: its intensity at each of them and its
// expected number, for each of a few values of its unknowns, with their prior
// weights. Overheats are a Poisson process whose rate is the sum over the
// causes that are there (Cox & Lewis 1966).
type process struct {
	weight []float64
	at     [][]float64 // by value: intensity at each overheat, marks included
	want   []float64   // by value: expected number
}

// A cause's rate is uncertain by a factor of three either way; its onset is at
// the log's beginning or somewhere in it.
var (
	rateSteps  = []float64{1. / 3, 1, 3}
	rateWeight = []float64{0.3, 0.4, 0.3}
	onsets     = []float64{0, 0.25, 0.5, 0.75, 0.9}
	onsetPrior = []float64{0.4, 0.15, 0.15, 0.15, 0.15}
)

// process of a cause over the hours [0, until) of the log.
func (n *network) process(e *evidence, c *cause, until float64, onsets, onsetPrior []float64) *process {
	pulls := make([]float64, len(e.cells)+1) // expected number before each cell, at rate 1
	for i := range e.cells {
		pulls[i+1] = pulls[i] + e.cells[i].hours*n.pull(c, e.cells[i].levels)
	}
	upTo := func(hour float64) float64 {
		lo, hi := 0, len(e.cells)
		for lo < hi {
			if mid := (lo + hi) / 2; e.cells[mid].from+e.cells[mid].hours <= hour {
				lo = mid + 1
			} else {
				hi = mid
			}
		}
		if lo == len(e.cells) {
			return pulls[lo]
		}
		part := (hour - e.cells[lo].from) / e.cells[lo].hours
		return pulls[lo] + part*(pulls[lo+1]-pulls[lo])
	}
	here := make([]float64, len(e.heats))
	for i := range e.heats {
		here[i] = n.pull(c, e.heats[i].levels) * n.shows(c, e.heats[i].levels)
	}
	p := &process{}
	for o, share := range onsets {
		begin := share * e.hours
		want := upTo(until) - upTo(begin)
		for r, step := range rateSteps {
			rate := c.rate * step
			at := make([]float64, len(e.heats))
			for i := range e.heats {
				if h := e.heats[i].hour; h >= begin && h <= until {
					at[i] = rate * here[i]
				}
			}
			p.weight = append(p.weight, onsetPrior[o]*rateWeight[r])
			p.at = append(p.at, at)
			p.want = append(p.want, rate*want)
		}
	}
	return p
}

// always is a process that is there from the beginning.
var always, certain = []float64{0}, []float64{1}

// infer is the belief after the log: the priors times the likelihood of the
// overheats (when, in which state, with which marks), of the coolant's loss
// and mix, of the checks that count, and of what was confirmed.
func infer(n *network, e *evidence, base []float64) *belief {
	b := n.start(e.hours > 0)
	ps := make([]*process, len(n.causes))
	for k := range n.causes {
		ps[k] = n.process(e, &n.causes[k], e.hours, onsets, onsetPrior)
	}
	envs := n.environments(e, base)
	scale(ps, envs)
	heats, mean := make([]float64, len(b.sets)), 0.0
	for i, s := range b.sets {
		heats[i] = sum(envs, ps, s)
		mean += b.p[i] * heats[i]
	}
	logs := make([]float64, len(b.sets))
	for i, s := range b.sets {
		// The patterns may not be this machine's: with the chance `doubt` its
		// overheats are as probable under every set of causes.
		logs[i] = math.Log(b.p[i]) + math.Log((1-n.doubt)*heats[i]+n.doubt*mean) + n.wholeLog(e, s)
		for _, d := range e.done {
			if !d.unsure && !d.measured {
				q := n.failing(d.check, s, d.strength)
				if !d.failed {
					q = 1 - q
				}
				logs[i] += math.Log(q)
			}
		}
		for f := range e.facts {
			logs[i] += math.Log(e.facts[f].Likelihood(n.names(s)...))
		}
		for _, m := range e.lastMends() {
			if s.has(m.cause) {
				logs[i] += math.Log(n.again)
			}
		}
		for _, c := range e.named {
			// Somebody looked and said so: as a check of the best kind.
			if s.has(c.cause) {
				logs[i] += math.Log(0.9)
			} else {
				logs[i] += math.Log(0.02)
			}
		}
	}
	top := math.Inf(-1)
	for _, l := range logs {
		top = math.Max(top, l)
	}
	total := 0.0
	for i, l := range logs {
		b.p[i] = math.Exp(l - top)
		total += b.p[i]
	}
	for i := range b.p {
		b.p[i] /= total
	}
	return b
}

// names are the causes of a set.
func (n *network) names(s pair) []string {
	var out []string
	for _, k := range []int{s.a, s.b} {
		if k >= 0 {
			out = append(out, n.causes[k].name)
		}
	}
	return out
}

// sum is the likelihood of the overheats under a set of causes, over the
// unknowns of each source.
func sum(envs []environment, ps []*process, s pair) float64 {
	total := 0.0
	for _, env := range envs {
		switch {
		case s.a >= 0:
			a, c := ps[s.a], ps[s.b]
			for u, x := range a.weight {
				for v, y := range c.weight {
					total += env.weight * x * y * product(env.at, a.at[u], c.at[v])
				}
			}
		case s.b >= 0:
			c := ps[s.b]
			for v, y := range c.weight {
				total += env.weight * y * product(env.at, c.at[v], nil)
			}
		default:
			total += env.weight * product(env.at, nil, nil)
		}
	}
	return total
}

// lastMends are the last mend of each cause, the two latest of them.
func (e *evidence) lastMends() []mend {
	var out []mend
	for i := len(e.mended) - 1; i >= 0 && len(out) < 2; i-- {
		m := e.mended[i]
		seen := false
		for _, o := range out {
			seen = seen || o.cause == m.cause
		}
		if !seen {
			out = append(out, m)
		}
	}
	return out
}

// environment is what overheats the machine besides the causes asked about:
// the background at one rate, and causes mended since.
type environment struct {
	weight float64
	at     []float64 // intensity at each overheat
	want   float64
}

// backgrounds are the rates of a sound machine that are weighed, as multiples
// of the network's.
var backgrounds = []float64{0.2, 0.5, 1.2, 3, 7}

func (n *network) environments(e *evidence, base []float64) []environment {
	shape := n.process(e, &n.background, e.hours, always, certain)
	k := len(rateSteps) / 2 // the step of 1
	var envs []environment
	for i, w := range base {
		if w < 0.01 {
			continue
		}
		env := environment{weight: w, want: shape.want[k] * backgrounds[i], at: make([]float64, len(e.heats))}
		for j := range env.at {
			env.at[j] = shape.at[k][j] * backgrounds[i]
		}
		envs = append(envs, env)
	}
	for _, m := range e.lastMends() {
		past := n.process(e, &n.causes[m.cause], m.hour, always, certain)
		var out []environment
		for _, env := range envs {
			no := env
			no.weight *= 1 - n.mended
			out = append(out, no)
			for r := range past.weight {
				yes := environment{env.weight * n.mended * past.weight[r], make([]float64, len(env.at)), env.want + past.want[r]}
				for j := range yes.at {
					yes.at[j] = env.at[j] + past.at[r][j]
				}
				out = append(out, yes)
			}
		}
		envs = out
	}
	return envs
}

// scale makes the processes ready for sums of products: the chance of no more
// overheats than there were, exp(-want), goes into the weights, and each
// overheat's intensities are taken relative to the greatest any source has for
// it, so that no product overflows.
func scale(ps []*process, envs []environment) {
	if len(envs) == 0 {
		return
	}
	top := make([]float64, len(envs[0].at))
	raise := func(at []float64) {
		for i, x := range at {
			top[i] = math.Max(top[i], x)
		}
	}
	lower := func(at []float64) {
		for i := range at {
			at[i] /= top[i]
		}
	}
	for _, p := range ps {
		for u := range p.at {
			raise(p.at[u])
			p.weight[u] *= math.Exp(-p.want[u])
		}
	}
	for i := range envs {
		raise(envs[i].at)
		envs[i].weight *= math.Exp(-envs[i].want)
	}
	for _, p := range ps {
		for u := range p.at {
			lower(p.at[u])
		}
	}
	for i := range envs {
		lower(envs[i].at)
	}
}

// product is the product over the overheats of the intensities added up; a and
// b may be nil.
func product(env, a, b []float64) float64 {
	x := 1.0
	switch {
	case b != nil:
		for i, y := range env {
			x *= y + a[i] + b[i]
		}
	case a != nil:
		for i, y := range env {
			x *= y + a[i]
		}
	default:
		for _, y := range env {
			x *= y
		}
	}
	return x
}

// wholeLog is the log chance of the machine features: each a ladder of levels,
// of which the highest that any source brings is seen (noisy-max).
func (n *network) wholeLog(e *evidence, s pair) float64 {
	sum := 0.0
	for f := range n.features {
		if n.features[f].kind == whole && e.whole[f] >= 0 {
			l := e.whole[f]
			sum += math.Log(n.upTo(f, l, s) - n.upTo(f, l-1, s))
		}
	}
	return sum
}

// upTo is the chance that a machine feature stands at level l or lower.
func (n *network) upTo(f, l int, s pair) float64 {
	x := ladder(n.background.weights[f], l)
	for _, k := range []int{s.a, s.b} {
		if k >= 0 {
			if w := n.causes[k].weights[f]; w != nil {
				x *= ladder(w, l)
			}
		}
	}
	return x
}

func ladder(w []float64, l int) float64 {
	if w == nil {
		return 1
	}
	sum := 0.0
	for i := 0; i <= l; i++ {
		sum += w[i]
	}
	return sum
}
