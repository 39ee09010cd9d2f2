package belief

import (
	"math"
	"slices"
	"sort"
)

// The power to which the overheats' pattern is taken is a/(a+n) (a coarsened
// posterior, Miller & Dunson 2019, JASA 114): the model is wrong in ways that
// its draws do not span, so that the tenth overheat alike tells less than the
// first. The counts, which say whether there is a fault and whether a remedy
// held, are taken so far less. Choices of this model.
const (
	coarsePattern = 7.0
	coarseCount   = 15.0
)

// How causes come and go by themselves, and how many machines have one before
// the log is read: choices of this model.
const (
	comesIn = 350.0 // engine hours in which a machine gets a fault, the mean
	goesIn  = 500.0 // and in which one goes that no record tells of
	atFirst = 0.4   // chance of a fault at the log's beginning
)

// source is a cause, as far as it may explain overheats: overload by anybody,
// or by one driver alone.
type source struct {
	cause  int
	driver string // "" is anybody
}

// set is at most two sources that are there at once; -1 is none.
type set struct{ a, b int }

// filter is the forward pass over a story.
type filter struct {
	f        *Fleet
	s        *story
	sources  []source
	share    []float64 // of a cause's prior that a source has
	segments []segment
	weights  [Draws]float64
	level    [Draws]float64 // the machine's sound rate by draw
	factor   map[string]float64
	n        float64 // overheats
	lossy    int     // segments in which a loss can be told
}

// segment is what lies between two cuts.
type segment struct {
	cut    *cut
	hours  float64
	expect [][Draws]float64 // by source; last a sound machine's
	heats  []int
	rates  [][][Draws]float64 // by heat and source; last a sound machine's
	loss   []int
}

// silent: nothing was driven in it, nor seen.
func (g *segment) silent() bool {
	return g.hours == 0 && len(g.heats) == 0 && len(g.loss) == 0 && (g.cut == nil || g.cut.fact == nil)
}

// known is what the fleet tells of a story: the draws, the sound rate, the drivers.
func (f *Fleet) known(s *story, own *summary) *filter {
	p := &filter{f: f, s: s, factor: map[string]float64{}, weights: f.weights(own), n: float64(len(s.heats))}
	mean, sd := f.levelOf(own)
	for k := range p.level {
		d := &f.table.draws[k]
		p.level[k] = math.Exp(mean+sd*d.level) * d.own
	}
	rate := f.rate(own)
	for i := range s.cells {
		d := s.cells[i].driver
		if _, ok := p.factor[d]; !ok {
			p.factor[d] = f.driver(d, own, rate)
		}
	}
	for i := range s.heats {
		d := s.heats[i].driver
		if _, ok := p.factor[d]; !ok {
			p.factor[d] = f.driver(d, own, rate)
		}
	}
	return p
}

func (f *Fleet) filter(s *story, own *summary) *filter {
	p := f.known(s, own)
	for c := range f.table.causes {
		p.sources = append(p.sources, source{cause: c})
		p.share = append(p.share, 1)
	}
	if load := slices.Index(f.table.causes, "overload"); load >= 0 {
		by := map[string]int{}
		for i := range s.heats {
			if d := s.heats[i].driver; d != "" {
				by[d]++
			}
		}
		all := 0
		for range p.factor {
			all++
		}
		names := sortedKeys(by)
		sort.SliceStable(names, func(a, b int) bool { return by[names[a]] > by[names[b]] })
		names = names[:min(3, len(names))]
		if all > 1 && len(names) > 0 {
			p.share[load] = 0.5
			for _, d := range names {
				p.sources = append(p.sources, source{load, d})
				p.share = append(p.share, 0.5/float64(len(names)))
			}
		}
	}
	p.split()
	return p
}

// split makes the segments.
func (p *filter) split() {
	s, n := p.s, len(p.sources)
	p.segments = make([]segment, len(s.cuts)+1)
	for j := range p.segments {
		p.segments[j].expect = make([][Draws]float64, n+1)
		if j > 0 {
			p.segments[j].cut = &s.cuts[j-1]
		}
	}
	j := 0
	for i := range s.cells {
		c := &s.cells[i]
		for j < len(s.cuts) && !s.cuts[j].at.After(c.at) {
			j++
		}
		g := &p.segments[j]
		g.hours += c.hours
		x := *p.f.table.at(c.state)
		last := len(x) - 1
		factor := p.factor[c.driver]
		for k, y := range x[last] {
			g.expect[n][k] += c.hours * y * factor * p.level[k]
		}
		for q := range p.sources {
			if d := p.sources[q].driver; d != "" && d != c.driver {
				continue
			}
			e, y := &g.expect[q], &x[p.sources[q].cause]
			for k := range e {
				e[k] += c.hours * y[k]
			}
		}
	}
	segmentOf := func(i int) *segment {
		return &p.segments[sort.Search(len(s.cuts), func(j int) bool { return s.cuts[j].at.After(s.heats[i].at) })]
	}
	for i := range s.heats {
		g := segmentOf(i)
		g.heats = append(g.heats, i)
		g.rates = append(g.rates, p.heat(&s.heats[i]))
	}
	for i := range s.loss {
		g := &p.segments[sort.Search(len(s.cuts), func(j int) bool { return s.cuts[j].at.After(s.loss[i].To) })]
		if len(s.cuts) > 0 && g.cut != nil && s.loss[i].From.Before(g.cut.at) &&
			g.cut.at.Sub(s.loss[i].From) > s.loss[i].To.Sub(g.cut.at) {
			g = &p.segments[sort.Search(len(s.cuts), func(j int) bool { return s.cuts[j].at.After(s.loss[i].From) })]
		}
		if len(g.loss) == 0 {
			p.lossy++
		}
		g.loss = append(g.loss, i)
	}
}

// heat is an overheat's rate by source, its marks included.
func (p *filter) heat(h *heat) [][Draws]float64 {
	n := len(p.sources)
	x := *p.f.table.at(h.state)
	last := len(x) - 1
	out := make([][Draws]float64, n+1)
	for q := range n + 1 {
		c := last
		if q < n {
			c = p.sources[q].cause
			if d := p.sources[q].driver; d != "" && d != h.driver && h.driver != "" {
				continue
			}
		}
		for k := range out[q] {
			y := x[c][k] * p.f.table.draws[k].shows(c, h)
			if q == n {
				y *= p.factor[h.driver] * p.level[k]
			}
			out[q][k] = y
		}
	}
	return out
}

// shows is the chance of an overheat's marks.
func (d *draw) shows(c int, h *heat) float64 {
	y := 1.0
	if h.sign >= 0 {
		y *= d.marks[c][h.sign]
	}
	switch h.fan {
	case 1:
		y *= d.fanOn[c]
	case 0:
		y *= 1 - d.fanOn[c]
	}
	switch h.boiled {
	case 1:
		y *= d.boils[c]
	case 0:
		y *= 1 - d.boils[c]
	}
	return y
}

// ratios adds to a list, by source, how probable a fact is where it alone is there, over
// its probability where none is. A core that packs up by the hours is open while they are
// few, and a look then finds nothing.
func (f *Fact) ratios(out []float64, sources []source, d *draw, dirt uint8) []float64 {
	for q := range sources {
		c := sources[q].cause
		x := f.Ratio[c]
		if x < 1 && d.packs[c] && !d.packed[c] {
			x = 1 + (x-1)*math.Min(1, d.packedUp(c, dirt)/0.4)
		}
		out = append(out, max(1e-6, x))
	}
	return out
}

// of is how probable a fact is where the causes of a set are there, by its ratios: what
// speaks for a cause may come of either, what speaks against must be borne by both.
func (s set) of(ratios []float64) float64 {
	a, b := 1.0, 1.0
	if s.a >= 0 {
		a = ratios[s.a]
	}
	if s.b >= 0 {
		b = ratios[s.b]
	}
	if a > 1 || b > 1 {
		return max(a, b)
	}
	return a * b
}

// overheats is the log likelihood of a segment's overheats under a set and a
// draw: the overheats are a Poisson process whose rate is the sum over what is
// there (Cox & Lewis 1966), its count and its pattern each held back. expects are by
// source, last a sound machine's; hazards the same for each overheat, n of them.
func (s set) overheats(expects, hazards []float64, n int, pattern, count float64) float64 {
	expect := expects[n-1]
	if s.a >= 0 {
		expect += expects[s.a]
	}
	if s.b >= 0 {
		expect += expects[s.b]
	}
	if len(hazards) == 0 {
		return -count * expect
	}
	expect = max(expect, 1e-6)
	log, x := 0.0, 1.0
	for r := hazards; len(r) > 0; r = r[n:] {
		y := r[n-1]
		if s.a >= 0 {
			y += r[s.a]
		}
		if s.b >= 0 {
			y += r[s.b]
		}
		if x *= y / expect; x < 1e-200 {
			log += math.Log(x)
			x = 1
		}
	}
	log += math.Log(x)
	return pattern*log + count*(float64(len(hazards)/n)*math.Log(expect)-expect)
}

// lossLog gives the log likelihood of what went in a segment at a rate of loss
// beyond a sound machine's, ml an engine hour. The errors of the looks at the
// stretches' ends cancel but for the first and the last, within a segment and,
// in part, from one to the next; the greatest stretch may be a spill in part.
func (p *filter) lossLog(g *segment, k int) func(rate float64) float64 {
	sound := p.f.table.draws[k].loses[len(p.f.table.causes)]
	ml, hours, boiled, greatest := 0.0, 0.0, 0.0, 0.0
	for _, i := range g.loss {
		x := &p.s.loss[i]
		ml += x.Unexplained()
		hours += x.Hours()
		boiled += x.BoilOver
		greatest = math.Max(greatest, math.Abs(x.Unexplained()))
	}
	sure := lookError*lookError*(2/math.Min(float64(p.lossy), 4)+0.1*float64(len(g.loss))) +
		boilError*boilError*boiled*boiled + spill*spill*greatest*greatest
	return func(rate float64) float64 {
		want := (sound + rate) * hours
		sd := math.Sqrt(sure + 0.06*want*want)
		z := (ml - want) / sd
		return math.Log(0.97*math.Exp(-z*z/2)/sd*0.3989 + 0.03/2000)
	}
}

// What looks at a mark are out by, ml, and what is said to have boiled over, as
// a part of it. Common practice, no source.
// spill is the part of the greatest loss between two looks that may be one.
const lookError, boilError, spill = 50, 0.3, 0.35
