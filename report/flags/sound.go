package flags

import (
	"math"
	"runtime"
)

// The sound model: how often a sound machine overheats under given conditions,
// learned from the fleet as it stood at the beginning of each week, so that no
// look ahead enters the evidence. Rate = level of the fleet x one ratio per
// condition x driver's ratio x machine's own; every ratio is a gamma posterior
// mean shrunk to 1 (Gaver & O'Muircheartaigh 1987), the machine in question is
// left out, and a machine with evidence against it counts by its trust.

const (
	// levelShape and levelHours: before any data a fleet overheats once in 200
	// hours, give or take a factor of several. Common practice, no source.
	levelShape, levelHours = 0.5, 100.0
	conditionShape         = 4.0 // a condition's ratio: coefficient of variation 0.5
	driverShape            = 2.5 // a driver's: 0.63, so that a hard one is nothing unheard of
	fitShape               = 2.0 // a machine's own while fitting the others: flatter, so that it takes its own excess
)

// natures are the coefficients of variation that sound machines of one fleet may
// have among themselves; how likely each is, is learned from the others. Common
// practice, no source.
var (
	natures     = [2]float64{0.3, 0.65}
	naturePrior = [2]float64{0.8, 0.2}
)

// fades is what a week's overheats count for a week later in how the fleet fares
// lately: summer comes over all machines, and not all that makes it is written
// down. latelyShape is how many overheats say beforehand that it fares as ever.
const fades, latelyShape = 0.85, 5.0

// faultShare is how probable a fault is beforehand where the spread of the sound
// machines is learned. Common practice, no source.
const faultShare = 0.2

// tally is a number of overheats and the exposure to them.
type tally struct{ n, s float64 }

func (t *tally) add(u tally, k float64) { t.n += k * u.n; t.s += k * u.s }

// sums are one machine's tallies. The exposure is in hours times the ratios of
// the conditions and the driver; in driver the driver's ratio is left out.
type sums struct {
	all    tally
	level  []tally
	driver []tally
}

func (s *sums) clear() {
	s.all = tally{}
	clear(s.level)
	clear(s.driver)
}

// sound is the model.
type sound struct {
	offset   [conditions + 1]int // where each condition's levels begin
	prior    []float64           // per level: what its ratio is taken for before any data
	ratio    []float64           // per level; 1 for not recorded
	driver   []float64           // per driver
	level    []tally             // over the fleet, by trust
	drivers  []tally
	machines []*machine
	learned
}

// learned is the model but for what there is one of a level or a driver.
type learned struct {
	mu      float64               // overheats an hour at ratio 1
	all     tally                 // over the fleet, by trust
	lately  tally                 // the same, those of weeks ago fading
	nature  [len(natures)]float64 // log likelihoods of the spreads
	marks   markCounts
	seep    [len(soundRates)]float64
	seepSum float64
	seepAll bool
	seen    int // overheats when last fitted
}

func newSound(levels [conditions]int, drivers int, machines []*machine) *sound {
	s := &sound{machines: machines}
	n := 0
	for c, k := range levels {
		s.offset[c] = n
		n += k
	}
	s.offset[conditions] = n
	s.prior, s.ratio, s.level = make([]float64, n), make([]float64, n), make([]tally, n)
	s.driver, s.drivers = make([]float64, drivers), make([]tally, drivers)
	for i := range s.ratio {
		s.prior[i], s.ratio[i] = 1, 1
	}
	for i := range s.driver {
		s.driver[i] = 1
	}
	s.mu = levelShape / levelHours
	for _, m := range machines {
		m.sums = sums{level: make([]tally, n), driver: make([]tally, drivers)}
	}
	return s
}

// own is a machine's own ratio while the others are fitted.
func (s *sound) own(m *machine) float64 {
	return (fitShape + m.sums.all.n) / (fitShape + s.mu*m.sums.all.s)
}

// gather adds up the machines, each by its trust.
func (s *sound) gather() {
	s.all = tally{levelShape, levelHours}
	clear(s.level)
	clear(s.drivers)
	s.lately, s.nature = tally{}, [len(natures)]float64{}
	s.marks = markCounts{}
	s.seep, s.seepSum = soundPrior, 0
	for _, v := range soundPrior {
		s.seepSum += v
	}
	s.seepAll = s.mostLeak()
	trust, own := make([]float64, len(s.machines)), make([]float64, len(s.machines))
	for i, m := range s.machines {
		w := m.ev.trust()
		trust[i], own[i] = w, w*s.own(m)
		s.all.add(m.usual(m.sums.all, s.mu), w)
		s.lately.add(m.usual(m.ev.lately, s.mu), w)
		for k, l := range m.tellsNature() {
			s.nature[k] += l
		}
		s.marks.add(&m.ev.marks, w)
		s.addSeep(&s.seep, &s.seepSum, m, 1)
	}
	// Each part some of the levels and drivers, of all machines: sums come out the
	// same on any number of processors.
	atOnce(runtime.GOMAXPROCS(0), func(part, parts int) {
		some := func(t []tally) []tally { return t[part*len(t)/parts : (part+1)*len(t)/parts] }
		levels, drivers := some(s.level), some(s.drivers)
		for i, m := range s.machines {
			for l, t := range some(m.sums.level) {
				if t.s > 0 {
					levels[l].n += trust[i] * t.n
					levels[l].s += own[i] * t.s
				}
			}
			for d, t := range some(m.sums.driver) {
				if t.s > 0 {
					drivers[d].n += trust[i] * t.n
					drivers[d].s += own[i] * t.s
				}
			}
		}
	})
	s.mu = s.all.n / s.all.s
	// The drivers' mean over the hours is 1, so that one not recorded is the mean:
	// else the level and they would drift apart, the one up and the others down.
	hours, mean := 0.0, 0.0
	for d, t := range s.drivers {
		s.driver[d] = (driverShape + t.n) / (driverShape + s.mu*t.s)
		if d > 0 {
			hours += t.s
			mean += t.s * s.driver[d]
		}
	}
	if hours > 0 {
		for d := range s.driver {
			s.driver[d] *= hours / mean
		}
	}
	s.driver[0] = 1
}

// usual takes a count far above what the fleet expects at what it would hardly
// exceed.
func (m *machine) usual(t tally, mu float64) tally {
	expected := mu * t.s
	return tally{min(t.n, expected+2.5*math.Sqrt(expected)+1.5), t.s}
}

// tellsNature is the log likelihood of what a machine did under each spread of
// the sound ones, which a machine with a fault says nothing of.
func (m *machine) tellsNature() (log [len(natures)]float64) {
	e := &m.ev
	fault := faultShare * e.total[heating] / e.even
	for k, x := range e.nature {
		log[k] = math.Log((1-faultShare)*x + fault + 1e-300)
	}
	return log
}

// mostLeak says whether more than a third of the machines look like leaking:
// then it is how this fleet uses coolant, or tops it up, and no fault.
func (s *sound) mostLeak() bool {
	sum, n := 0.0, 0.0
	for _, m := range s.machines {
		if m.next.stretch > 0 {
			sum, n = sum+m.ev.seepTrust, n+1
		}
	}
	return n > 2 && sum < n*2/3
}

// addSeep counts a machine's posterior over the sound rates, as far as it is
// sound and has anything to say.
func (s *sound) addSeep(seep *[len(soundRates)]float64, sum *float64, m *machine, k float64) {
	if m.next.stretch == 0 {
		return
	}
	c := &m.ev.coolant
	if !s.seepAll {
		k *= m.ev.seepTrust
	}
	total := 0.0
	for g := range c.sound {
		total += soundPrior[g] * c.sound[g]
	}
	if total == 0 || k == 0 {
		return
	}
	for g := range c.sound {
		seep[g] += k * soundPrior[g] * c.sound[g] / total
	}
	*sum += k
}

func (s *sound) overheats() int {
	n := 0
	for _, m := range s.machines {
		n += m.next.event
	}
	return n
}

// outgrown says whether so many overheats have come since the last fit that
// another is due.
func (s *sound) outgrown() bool { return float64(s.overheats()) >= 1.3*float64(s.seen)+2 }

// fit learns the conditions' ratios anew from all that has passed.
func (s *sound) fit() {
	s.seen = s.overheats()
	for range 5 {
		s.retally()
		s.gather()
		for c := range conditions {
			hours, sum := 0.0, 0.0
			for l := s.offset[c] + 1; l < s.offset[c+1]; l++ {
				t := s.level[l]
				was := s.ratio[l]
				now := (conditionShape*s.prior[l] + t.n) / (conditionShape + s.mu*t.s/was)
				s.ratio[l] = was * math.Pow(now/was, 0.7) // damped: the conditions move together
				hours += t.s / was
				sum += t.s / was * s.ratio[l]
			}
			if hours > 0 { // the ratios' mean over the hours is 1, so that not recorded is the mean
				for l := s.offset[c] + 1; l < s.offset[c+1]; l++ {
					s.ratio[l] *= hours / sum
				}
			}
		}
	}
	s.retally()
	s.gather()
}

// retally counts every machine's tallies anew.
func (s *sound) retally() {
	atOnce(runtime.GOMAXPROCS(0), func(part, parts int) {
		for k := part; k < len(s.machines); k += parts {
			m := s.machines[k]
			m.sums.clear()
			e := 0
			for i := range m.next.piece {
				s.count(m, &m.pieces[i])
				for ; e < m.next.event && m.events[e].piece == i; e++ {
					if !m.pieces[i].repeat {
						s.countEvent(m, &m.events[e])
					}
				}
			}
		}
	})
}

// count takes in a piece's hours, and says what exposure they make.
func (s *sound) count(m *machine, p *piece) (exposure float64) {
	if p.repeat {
		return 0
	}
	h := s.conditions(&p.level, s.ratio) * float64(p.exposed)
	m.sums.driver[p.driver].s += h
	h *= s.driver[p.driver]
	m.sums.all.s += h
	for c, l := range p.level {
		m.sums.level[s.offset[c]+int(l)].s += h
	}
	return h
}

func (s *sound) countEvent(m *machine, e *event) {
	m.sums.all.n++
	if e.unplaced {
		return
	}
	p := &m.pieces[e.piece]
	m.sums.driver[p.driver].n++
	for c, l := range p.level {
		m.sums.level[s.offset[c]+int(l)].n++
	}
}

func (s *sound) conditions(level *[conditions]uint8, ratio []float64) float64 {
	h := 1.0
	for c, l := range level {
		h *= ratio[s.offset[c]+int(l)]
	}
	return h
}

// view is the sound model as one machine's judge sees it: with that machine
// left out.
type view struct {
	s      *sound
	mu     float64
	lately float64               // how the fleet fares lately, over how it always did
	shape  [len(natures)]float64 // of the gammas over the machine's own ratio, the level's uncertainty included
	nature [len(natures)]float64 // how likely each is
	ratio  []float64
	others []tally // per driver asked for: overheats and expected ones on other machines, till now
	asked  []int   // per driver: the turn in which it was last asked for
	turn   int     // one for each machine and week
	w, own float64 // the machine's trust and own ratio
	marks  markCounts
	seep   [len(soundRates)]float64
}

func (v *view) of(m *machine) {
	s := v.s
	w, own := m.ev.trust(), s.own(m)
	n := s.all.n - w*m.usual(m.sums.all, s.mu).n
	h := s.all.s - w*m.sums.all.s
	n = max(n, levelShape)
	v.mu = n / max(h, levelHours)
	t := m.usual(m.ev.lately, s.mu)
	v.lately = max(1, (latelyShape+max(0, s.lately.n-w*t.n))/(latelyShape+v.mu*max(0, s.lately.s-w*t.s)))
	mine, sum, top := m.tellsNature(), 0.0, math.Inf(-1)
	for k, cv := range natures {
		v.shape[k] = 1 / (cv*cv + 1/n)
		top = max(top, s.nature[k]-mine[k])
	}
	for k := range natures {
		v.nature[k] = naturePrior[k] * math.Exp(s.nature[k]-mine[k]-top)
		sum += v.nature[k]
	}
	for k := range natures {
		v.nature[k] /= sum
	}
	for l := range v.ratio {
		v.ratio[l] = s.ratio[l]
		if t := m.sums.level[l]; t.n > 0 || t.s > 0 {
			all, k := s.level[l], s.mu/s.ratio[l]
			shape := conditionShape * s.prior[l]
			left := (shape + max(all.n-w*t.n, 0)) / (conditionShape + k*max(all.s-w*own*t.s, 0))
			v.ratio[l] *= left * (conditionShape + k*all.s) / (shape + all.n)
		}
	}
	for c := range conditions {
		v.ratio[s.offset[c]] = 1
	}
	v.turn++ // the drivers' parts are made as they are asked for: most never drive most machines
	v.w, v.own = w, own
	v.marks = s.marks
	v.marks.add(&m.ev.marks, -w)
	sum = s.seepSum
	v.seep = s.seep
	s.addSeep(&v.seep, &sum, m, -1)
	for g := range v.seep {
		v.seep[g] /= sum
	}
}

// drive is the driver's ratio as far as it can be told apart from the
// machine's, were the machine sound. A driver not recorded is the mean one.
func (v *view) drive(m *machine, d uint16) float64 {
	if d == 0 {
		return 1
	}
	t := m.sums.driver[d]
	if v.asked[d] != v.turn { // nothing of the week is in the machine's part yet: it is counted after it was asked
		all := v.s.drivers[d]
		v.asked[d] = v.turn
		v.others[d] = tally{max(all.n-v.w*t.n, 0), v.s.mu * max(all.s-v.w*v.own*t.s, 0)}
	}
	o := v.others[d]
	return (driverShape + o.n + t.n) / (driverShape + o.s + v.mu*t.s)
}
