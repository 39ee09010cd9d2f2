package flags

import (
	"math"
	"runtime"
	"sort"
	"strings"

	"shedbook/report/exposure"
	"shedbook/schema"
)

// Drivers, and the fleet's conditions: of each overheat, on which machine it
// fell is taken as given, and the question is who drove, and where, beside who
// drove that machine and where in the weeks before (a partial likelihood, Cox
// 1975, stratified by machine). So a bad machine cannot blame its driver, and a
// driver who always drives the same machine proves nothing.

// ratios averaged over, each as likely: common practice, no source.
var (
	driverRatios    = [4]float64{2, 3, 5, 8}
	conditionRatios = [4]float64{1.6, 2.5, 4, 6}
)

// spreads are coefficients of variation that drivers who are all sound may
// have among themselves; how likely each is, is learned from the others. A
// driver is hard only beyond that. That drivers do differ is taken for likelier
// than that they do not: common practice, no source.
var (
	spreads     = [3]float64{0, 0.3, 0.55}
	spreadPrior = [3]float64{0.25, 0.45, 0.3}
)

// crowdAlpha is alpha with a margin, since who was to be expected at the wheel is
// itself an estimate; the bench tells how much of the promise is used.
const crowdAlpha = alpha / 3

// window is how far back a machine's runs tell who drives it and where, in
// seconds; at least windowRuns runs.
const window, windowRuns = 13 * week, 12

// share is the part of a machine's expected overheats that fell to a driver or
// a level.
type share struct {
	id   int
	part float64
	// steep is the part where the conditions tell twice as much as the sound model has
	// it, on a logarithmic scale: see tallies.steep.
	steep float64
}

type note struct {
	at     int64
	trust  float64
	driver int
	who    []share
	level  [ambient + 1]int
	where  [ambient + 1][]share
}

// odds is the running evidence on one driver or one level.
type odds struct {
	tallies
	rest  *schema.Answer
	curve []heard
}

// tallies are the odds but for what points elsewhere, or grows.
type tallies struct {
	ratio  [4]float64
	spread [len(spreads)]float64 // likelihood ratios of a sound driver under each spread to none
	weight [len(spreads)]float64 // how likely each spread is, the driver left out
	// steep is the likelihood ratio of a sound driver in a fleet whose conditions tell more
	// than the sound model has learned yet, to one as it has it: who only drives fast and
	// in mud has most of the first overheats, and is not hard for it.
	steep            float64
	best             float64 // for since: of the second ratio
	since            int64
	raised           int64
	count            float64 // overheats, each by the trust in its machine, and those expected among them
	expected         float64
	overheats, heard int     // the same uncounted by trust: its own, and all at which it might have been
	due              float64 // and what would be expected among those
	high             float64
}

func newOdds(left float64) odds {
	o := odds{tallies: tallies{spread: [3]float64{1, 1, 1}, weight: [3]float64{1, 0, 0}, steep: 1}}
	for k := range o.ratio {
		o.ratio[k] = left
	}
	return o
}

func (o *odds) factor() float64 {
	sound := 0.0
	for c, w := range o.weight {
		sound += w * o.spread[c]
	}
	sound *= 1 - steepPrior + steepPrior*o.steep
	return (o.ratio[0] + o.ratio[1] + o.ratio[2] + o.ratio[3]) / 4 / sound
}

// steepPrior is how likely it is that the conditions tell twice as much: common practice,
// no source.
const steepPrior = 0.25

// weigh learns how the drivers spread, for each with him left out: gamma-Poisson
// marginals of what each had against what was expected of him.
func (c *crowd) weigh() {
	var all [len(spreads)]float64
	each := make([][len(spreads)]float64, len(c.drivers))
	for d := range c.drivers {
		o := &c.drivers[d]
		if o.expected <= 0 {
			continue
		}
		for k, cv := range spreads {
			each[d][k] = gammaPoisson(o.count, o.expected, cv)
			all[k] += each[d][k]
		}
	}
	for d := range c.drivers {
		top, sum := math.Inf(-1), 0.0
		o := &c.drivers[d]
		for k := range spreads {
			top = max(top, all[k]-each[d][k])
		}
		for k := range spreads {
			o.weight[k] = spreadPrior[k] * math.Exp(all[k]-each[d][k]-top)
			sum += o.weight[k]
		}
		for k := range spreads {
			o.weight[k] /= sum
		}
	}
}

// gammaPoisson is the log likelihood of a count whose rate varies with a
// coefficient of variation around the expected one, to that of one that does
// not vary.
func gammaPoisson(n, expected, cv float64) float64 {
	if cv == 0 {
		return 0
	}
	k := 1 / (cv * cv)
	a, _ := math.Lgamma(n + k)
	b, _ := math.Lgamma(k)
	return a - b + k*math.Log(k) - (n+k)*math.Log(expected+k) + expected
}

// pow is math.Pow for x above 0, at a third of its time.
func pow(x, y float64) float64 { return math.Exp(y * math.Log(x)) }

// fewer is (1+x)^-y for y from -1 to 1. Most drivers hardly ever drive most machines: for
// a small x a few terms of the two series do, as exactly and in a fifth of the time.
func fewer(x, y float64) float64 {
	if math.Abs(x) > 0.02 {
		return math.Exp(-y * math.Log1p(x))
	}
	z := -y * x * (1 - x*(1./2-x*(1./3-x*(1./4-x*(1./5-x*(1./6-x*(1./7-x/8)))))))
	return 1 + z*(1+z*(1./2+z*(1./6+z*(1./24+z*(1./120+z/720)))))
}

func (o *odds) hear(ratios *[4]float64, is bool, s share, trust float64, at int64) {
	part := s.part
	for k, r := range ratios {
		lr := fewer((r-1)*part, trust)
		if is {
			lr *= pow(r, trust)
		}
		o.ratio[k] *= lr
		if k == 1 {
			if o.best <= 1 {
				o.best, o.since = 1, at
			}
			o.best *= lr
		}
	}
	for k, cv := range spreads {
		if cv > 0 {
			shape := 1 / (cv * cv)
			r := (shape + o.count) / (shape + o.expected)
			lr := fewer((r-1)*part, trust)
			if is {
				lr *= pow(r, trust)
			}
			o.spread[k] *= lr
		}
	}
	switch {
	case is:
		o.steep *= pow(s.steep/part, trust)
	case part < 1:
		o.steep *= fewer((part-s.steep)/(1-part), -trust)
	}
	o.expected += trust * part
	o.heard++
	o.due += part
	if is {
		o.count += trust
		o.overheats++
	}
}

// heard is a point of a curve: the odds after so many overheats.
type heard struct {
	at   int64
	n    int
	odds float64
}

type crowd struct {
	f       *Finder
	notes   []note
	drivers []odds
	levels  [ambient + 1][]odds
	answers []schema.Answer
}

func (c *crowd) init(f *Finder) {
	c.f = f
	c.answers = f.fleet.Answers
	c.drivers = make([]odds, len(f.index.Names[exposure.Driver]))
	for d := range c.drivers {
		c.drivers[d] = newOdds(1)
	}
	for x := range c.levels {
		c.levels[x] = make([]odds, len(f.index.Names[exposureFactor[x]]))
		for l := range c.levels[x] {
			c.levels[x][l] = newOdds(1)
		}
	}
}

// note takes down an overheat before its machine's evidence hears of it: who was
// to be expected at the wheel of that run, and where, as the machine's runs
// before it tell. The run itself does not count, else whoever had the overheat
// would always have been expected.
func (m *machine) note(s *sound, notes *[]note, e *event) {
	if e.unplaced {
		return
	}
	n := note{at: e.at, trust: m.ev.trust(), driver: int(e.driver)}
	to := e.piece
	for to > 0 && !m.pieces[to].first {
		to--
	}
	from := to
	for from > 0 && (to-from < windowRuns || m.pieces[from-1].start > e.at-window) {
		from--
	}
	before := m.pieces[from:to]
	n.who = s.shares(before, s.drivers, func(p *piece) (int, float64) {
		return int(p.driver), s.conditions(&p.level, s.ratio)
	})
	for x := range n.level {
		n.level[x] = int(e.level[x])
		if x == ambient {
			continue // see weather
		}
		fleet := make([]tally, s.offset[x+1]-s.offset[x])
		for l := range fleet {
			fleet[l].s = s.level[s.offset[x]+l].s / s.ratio[s.offset[x]+l]
		}
		n.where[x] = s.shares(before, fleet, func(p *piece) (int, float64) {
			l := int(p.level[x])
			// the latter is of several conditions
			h := s.ratio[s.offset[x]+l] * s.ratio[s.offset[heaped]+int(p.level[heaped])]
			return l, s.conditions(&p.level, s.ratio) / h * s.driver[p.driver]
		})
	}
	*notes = append(*notes, n)
}

// fleetRuns is how many runs' worth the fleet's shares count for beside those
// of the machine.
const fleetRuns = 8

// shares are, for every id from 1 on, its part of what the runs had to be
// expected to bring, smoothed by its part in the whole fleet. hazard is a run's
// id and the rate at which it would bring overheats.
func (s *sound) shares(runs []piece, fleet []tally, hazard func(*piece) (int, float64)) []share {
	weight, steep := make([]float64, len(fleet)), make([]float64, len(fleet))
	total, steeply, squares, everywhere := 0.0, 0.0, 0.0, 0.0
	for k := range runs {
		if id, h := hazard(&runs[k]); id != 0 {
			x := h * float64(runs[k].hours)
			weight[id] += x
			total += x
			steep[id] += h * x
			steeply += h * x
			squares += x * x
		}
	}
	for id := 1; id < len(fleet); id++ {
		everywhere += fleet[id].s
	}
	if everywhere == 0 || total == 0 {
		return nil
	}
	// few runs tell where most of what is expected came of few (Kish 1965)
	smooth := fleetRuns * squares / (total * total)
	var out []share
	for id := 1; id < len(fleet); id++ {
		usual := smooth * fleet[id].s / everywhere
		if part := (weight[id]/total + usual) / (1 + smooth); part > 0 {
			out = append(out, share{id, part, (steep[id]/steeply + usual) / (1 + smooth)})
		}
	}
	return out
}

// close takes in a week's notes in the order of their times.
func (c *crowd) close(from, to int64) {
	sort.SliceStable(c.notes, func(a, b int) bool { return c.notes[a].at < c.notes[b].at })
	known := 0
	for d := 1; d < len(c.drivers); d++ {
		if c.f.sound.drivers[d].s > 0 {
			known++
		}
	}
	levels := 0
	for x := range c.levels {
		for l := 1; l < len(c.levels[x]); l++ {
			if c.f.sound.level[c.f.sound.offset[x]+l].s > 0 {
				levels++
			}
		}
	}
	if len(c.notes) == 0 {
		return
	}
	c.weigh()
	weather := c.weather(from, to)
	atOnce(runtime.GOMAXPROCS(0), func(part, parts int) {
		answers := c.answers
		for i := range c.notes {
			n := &c.notes[i]
			answers = c.answered(answers, n.at, part, parts)
			c.hear(c.drivers, n.who, n.driver, &driverRatios, float64(max(known, 1)), n, part, parts)
			for x := range n.level {
				where := n.where[x]
				if x == ambient {
					where = weather
				}
				c.hear(c.levels[x], where, n.level[x], &conditionRatios, float64(max(levels, 1)), n, part, parts)
			}
		}
	})
	last := c.notes[len(c.notes)-1].at
	for len(c.answers) > 0 && c.answers[0].At.Unix() <= last {
		c.answers = c.answers[1:]
	}
	c.notes = c.notes[:0]
}

// hear lets those of a part of the drivers or levels hear of an overheat.
func (c *crowd) hear(all []odds, shares []share, id int, ratios *[4]float64, among float64, n *note, part, parts int) {
	if id == 0 {
		return // who or where is not recorded
	}
	for _, s := range shares {
		if s.id%parts != part {
			continue
		}
		o := &all[s.id]
		o.hear(ratios, s.id == id, s, n.trust, n.at)
		v := o.factor()
		o.high = max(o.high, v)
		if k := len(o.curve); k > 0 && o.curve[k-1].at/week == n.at/week && o.curve[k-1].at != o.raised {
			o.curve = o.curve[:k-1] // one a week, and the one that raised it
		}
		o.curve = append(o.curve, heard{n.at, o.heard, v})
		if o.raised == 0 && v >= among/crowdAlpha {
			o.raised = n.at
		}
	}
}

// weather is the whole fleet's share of each band of air temperature from one
// moment to another: the season goes one way, so that the weeks before an
// overheat were not as warm or cold as its own.
func (c *crowd) weather(from, to int64) []share {
	s := c.f.sound
	where := make([]float64, s.offset[ambient+1]-s.offset[ambient])
	total := 0.0
	for _, m := range c.f.machines {
		w := m.ev.trust()
		for k := m.next.piece - 1; k >= 0 && m.pieces[k].start >= from; k-- {
			p := &m.pieces[k]
			if l := int(p.level[ambient]); l != 0 && p.start < to {
				h := w * s.conditions(&p.level,
					s.ratio) / s.ratio[s.offset[ambient]+l] * s.driver[p.driver] * float64(p.exposed)
				where[l] += h
				total += h
			}
		}
	}
	var out []share
	for l, h := range where {
		if h > 0 {
			out = append(out, share{l, h / total, h / total})
		}
	}
	return out
}

// answered lets evidence of a part of the drivers and levels start over where
// somebody looked into it up to now, and returns the answers after that.
func (c *crowd) answered(answers []schema.Answer, now int64, part, parts int) []schema.Answer {
	for len(answers) > 0 && answers[0].At.Unix() <= now {
		if o, id := c.find(&answers[0]); o != nil && id%parts == part {
			*o = newOdds(0.5)
			o.rest = &answers[0]
		}
		answers = answers[1:]
	}
	return answers
}

// find is what an answer is to, and its number; nil where the fleet has no such
// driver or level.
func (c *crowd) find(a *schema.Answer) (*odds, int) {
	if a.Driver != "" {
		if id, ok := c.f.index.ID(exposure.Driver, a.Driver); ok && id != 0 {
			return &c.drivers[id], int(id)
		}
		return nil, 0
	}
	factor, level, _ := strings.Cut(a.Factor, "=")
	for x, e := range exposureFactor {
		if e.String() == factor {
			if id, ok := c.f.index.ID(e, level); ok && id != 0 {
				return &c.levels[x][id], int(id)
			}
		}
	}
	return nil, 0
}
