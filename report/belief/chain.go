package belief

import (
	"math"
	"slices"
)

// outcome is the belief at the end of the story.
type outcome struct {
	p       []float64 // by set
	weights [Draws]float64
}

// chain is the filter over some sets, of which the first is none.
type chain struct {
	*filter
	sets  []set
	steps [][]step // by source: from a set without it to that with it
	prior []float64
	start []float64
	air   int // the source of trapped air
	// Room to work in, so that none is asked for at every segment and draw.
	moving                  []move
	expects, hazards, speak []float64
}

// step is from one set to another; together is how much likelier its source comes where
// the other one is.
type step struct {
	without, with int
	together      float64
}

func (p *filter) over(sets []set) *chain {
	n := len(p.sources)
	c := &chain{filter: p, sets: sets, steps: make([][]step, n), prior: make([]float64, n),
		start: make([]float64, len(sets))}
	index := map[set]int{}
	for i, s := range sets {
		index[s] = i
	}
	for i, s := range sets {
		for q := range n {
			if t, ok := s.plus(q); ok {
				if j, ok := index[t]; ok {
					x := step{i, j, 1}
					if s.b >= 0 {
						x.together = p.f.together(p.sources[s.b].cause, p.sources[q].cause)
					}
					c.steps[q] = append(c.steps[q], x)
				}
			}
		}
	}
	c.air = slices.Index(p.f.table.causes, "trapped-air")
	for q := range c.prior {
		c.prior[q] = p.f.Priors[p.sources[q].cause] * p.share[q]
	}
	single := 0.0
	for i, s := range sets {
		switch {
		case s.b >= 0 && s.a < 0:
			c.start[i] = c.prior[s.b] / (1 - c.prior[s.b])
			single += c.start[i]
		case s.a >= 0:
			c.start[i] = p.f.together(p.sources[s.a].cause,
				p.sources[s.b].cause) * c.prior[s.a] / (1 - c.prior[s.a]) * c.prior[s.b] / (1 - c.prior[s.b])
		}
	}
	for i := range c.start {
		c.start[i] *= atFirst / single
	}
	c.start[0] = 1 - atFirst
	weigh(c.start, ones(len(c.start)))
	return c
}

// move is a chance of a source to end, or to begin.
type move struct {
	source int
	ends   bool
	chance float64
}

// moves are those at the beginning of a segment, in order, under a draw; they stand until
// others are asked for.
func (c *chain) moves(j, k int) []move {
	g := &c.segments[j]
	if j == 0 {
		return nil
	}
	out := c.moving[:0]
	if g.hours > 0 {
		stays, comes := math.Exp(-g.hours/goesIn), 1-math.Exp(-g.hours/comesIn)
		for q := range c.sources {
			out = append(out, move{q, true, 1 - stays}, move{q, false, c.prior[q] * comes})
		}
	}
	of := func(x *change, ends bool) {
		for q := range c.sources {
			if c.sources[q].cause == x.cause {
				chance := x.grows
				if c.f.table.draws[k].packed[x.cause] {
					chance = x.packed
				}
				out = append(out, move{q, ends, chance})
			}
		}
	}
	for i := range g.cut.off {
		of(&g.cut.off[i], true)
	}
	if g.cut.refill {
		out = append(out, move{c.air, false, c.f.table.draws[k].airLeft})
	}
	for i := range g.cut.on {
		of(&g.cut.on[i], false)
	}
	c.moving = out
	return out
}

// forward makes a move on probabilities of sets.
func (c *chain) forward(m move, v []float64) {
	steps := c.steps[m.source]
	for i := range steps {
		t := &steps[i]
		if m.ends {
			x := v[t.with] * m.chance
			v[t.with] -= x
			v[t.without] += x
			continue
		}
		x := v[t.without] * m.comes(t)
		v[t.without] -= x
		v[t.with] += x
	}
}

// comes is the chance with which a source comes to a set.
func (m *move) comes(t *step) float64 {
	if t.without == 0 {
		return m.chance
	}
	return min(0.9, m.chance*t.together)
}

// backward makes a move on likelihoods of what comes after.
func (c *chain) backward(m move, b []float64) {
	steps := c.steps[m.source]
	for i := range steps {
		t := &steps[i]
		chance := m.chance
		if m.ends {
			b[t.with] += chance * (b[t.without] - b[t.with])
			continue
		}
		chance = m.comes(t)
		b[t.without] += chance * (b[t.with] - b[t.without])
	}
}

// likelihood of a segment by set, up to a factor whose log it returns.
func (c *chain) likelihood(j, k int, out []float64) (log float64) {
	p, g, d := c.filter, &c.segments[j], &c.f.table.draws[k]
	pattern, count := coarsePattern/(coarsePattern+p.n), coarseCount/(coarseCount+p.n)
	var of func(float64) float64
	var lost map[float64]float64
	if len(g.loss) > 0 {
		of, lost = p.lossLog(g, k), map[float64]float64{}
	}
	n := len(p.sources) + 1
	c.expects, c.hazards, c.speak = c.expects[:0], c.hazards[:0], c.speak[:0]
	for q := range g.expect {
		c.expects = append(c.expects, g.expect[q][k])
	}
	for i := range g.rates {
		for q := range g.rates[i] {
			c.hazards = append(c.hazards, g.rates[i][q][k])
		}
	}
	fact := g.cut != nil && g.cut.fact != nil
	if fact {
		c.speak = g.cut.fact.ratios(c.speak, p.sources, d, g.cut.dirt)
	}
	top := math.Inf(-1)
	for i, s := range c.sets {
		out[i] = s.overheats(c.expects, c.hazards, n, pattern, count)
		if len(g.loss) > 0 {
			rate := 0.0
			if s.a >= 0 {
				rate += d.loses[p.sources[s.a].cause]
			}
			if s.b >= 0 {
				rate += d.loses[p.sources[s.b].cause]
			}
			l, ok := lost[rate]
			if !ok {
				l = of(rate)
				lost[rate] = l
			}
			out[i] += l
		}
		if fact {
			out[i] += math.Log(s.of(c.speak))
		}
		top = max(top, out[i])
	}
	for i := range out {
		out[i] = math.Exp(out[i] - top)
	}
	return top
}

// run is the forward pass.
func (c *chain) run() outcome {
	out := outcome{p: make([]float64, len(c.sets))}
	ends := make([][]float64, Draws)
	var scale [Draws]float64
	like := make([]float64, len(c.sets))
	for k := range ends {
		v := slices.Clone(c.start)
		scale[k] = math.Log(c.weights[k])
		for j := range c.segments {
			for _, m := range c.moves(j, k) {
				c.forward(m, v)
			}
			if c.segments[j].silent() {
				continue
			}
			scale[k] += c.likelihood(j, k, like)
			scale[k] += math.Log(weigh(v, like))
		}
		ends[k] = v
	}
	top := slices.Max(scale[:])
	total := 0.0
	for k := range ends {
		out.weights[k] = math.Exp(scale[k] - top)
		total += out.weights[k]
	}
	for k := range ends {
		out.weights[k] /= total
		for i, x := range ends[k] {
			out.p[i] += out.weights[k] * x
		}
	}
	return out
}

// weigh multiplies v by likelihoods, makes it sum to 1, and gives what it
// summed to.
func weigh(v, by []float64) float64 {
	sum := 0.0
	for i := range v {
		v[i] *= by[i]
		sum += v[i]
	}
	for i := range v {
		v[i] /= sum
	}
	return sum
}

// made shares out the overheats: how many each source made, and last a sound
// machine, as all that came before and after them has it (forward-backward:
// Rabiner 1989).
func (c *chain) made(weights [Draws]float64) []float64 {
	n := len(c.sources)
	out := make([]float64, n+1)
	before, likes := make([][]float64, len(c.segments)), make([][]float64, len(c.segments))
	for j := range c.segments {
		before[j] = make([]float64, len(c.sets))
		if !c.segments[j].silent() {
			likes[j] = make([]float64, len(c.sets))
		}
	}
	after, at, even := make([]float64, len(c.sets)), make([]float64, len(c.sets)), ones(len(c.sets))
	for k, w := range weights {
		if w < 1e-3 {
			continue
		}
		v := slices.Clone(c.start)
		for j := range c.segments {
			for _, m := range c.moves(j, k) {
				c.forward(m, v)
			}
			copy(before[j], v)
			if likes[j] != nil {
				c.likelihood(j, k, likes[j])
				weigh(v, likes[j])
			}
		}
		copy(after, even)
		for j := len(c.segments) - 1; j >= 0; j-- {
			if likes[j] != nil {
				for i := range after {
					after[i] *= likes[j][i]
				}
				weigh(after, even)
			}
			if g := &c.segments[j]; len(g.heats) > 0 {
				copy(at, before[j])
				weigh(at, after)
				for _, r := range g.rates {
					for i, s := range c.sets {
						c.share(out, w*at[i], s, r, k)
					}
				}
			}
			ms := c.moves(j, k)
			for i := len(ms) - 1; i >= 0; i-- {
				c.backward(ms[i], after)
			}
		}
	}
	return out
}

func ones(n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = 1
	}
	return x
}

// share gives a part of an overheat to the sources of a set by their rates.
func (c *chain) share(out []float64, part float64, s set, rates [][Draws]float64, k int) {
	n := len(c.sources)
	total := rates[n][k]
	for _, q := range [2]int{s.a, s.b} {
		if q >= 0 {
			total += rates[q][k]
		}
	}
	for _, q := range [2]int{s.a, s.b} {
		if q >= 0 {
			out[q] += part * rates[q][k] / total
		}
	}
	out[n] += part * rates[n][k] / total
}

// plus is a set with one source more; ok is false where that is no set.
func (s set) plus(q int) (set, bool) {
	switch {
	case s.b < 0:
		return set{-1, q}, true
	case s.a < 0 && q < s.b:
		return set{q, s.b}, true
	case s.a < 0 && q > s.b:
		return set{s.b, q}, true
	}
	return s, false
}
