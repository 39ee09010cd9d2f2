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
	conditionShape         = 4.0  // a condition's ratio: coefficient of variation 0.5
	driverShape            = 2.5  // a driver's: 0.63, so that a hard one is nothing unheard of
	machineShape           = 10.0 // a sound machine's own: 0.32
	fitShape               = 2.0  // a machine's own while fitting the others: flatter, so that it takes its own excess
)

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
	ratio    []float64           // per level; 1 for not recorded
	driver   []float64           // per driver
	level    []tally             // over the fleet, by trust
	drivers  []tally
	machines []*machine
	learned
}

// learned is the model but for what there is one of a level or a driver.
type learned struct {
	mu      float64 // overheats an hour at ratio 1
	all     tally   // over the fleet, by trust
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
	s.ratio, s.level = make([]float64, n), make([]tally, n)
	s.driver, s.drivers = make([]float64, drivers), make([]tally, drivers)
	for i := range s.ratio {
		s.ratio[i] = 1
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
		// A count far above what the fleet expects is taken at what it would
		// hardly exceed.
		expected := s.mu * m.sums.all.s
		s.all.add(tally{min(m.sums.all.n, expected+2.5*math.Sqrt(expected)+1.5), m.sums.all.s}, w)
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
	for d, t := range s.drivers {
		s.driver[d] = (driverShape + t.n) / (driverShape + s.mu*t.s)
	}
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
				now := (conditionShape + t.n) / (conditionShape + s.mu*t.s/was)
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
					s.countEvent(m, &m.events[e])
				}
			}
		}
	})
}

func (s *sound) count(m *machine, p *piece) {
	h := s.conditions(&p.level, s.ratio) * float64(p.exposed)
	m.sums.driver[p.driver].s += h
	h *= s.driver[p.driver]
	m.sums.all.s += h
	for c, l := range p.level {
		m.sums.level[s.offset[c]+int(l)].s += h
	}
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
	shape  float64 // of the gamma over the machine's own ratio, the level's uncertainty included
	ratio  []float64
	others []tally // per driver: overheats and expected ones on other machines
	marks  markCounts
	seep   [len(soundRates)]float64
}

func (v *view) of(m *machine) {
	s := v.s
	w, own := m.ev.trust(), s.own(m)
	expected := s.mu * m.sums.all.s
	n := s.all.n - w*min(m.sums.all.n, expected+2.5*math.Sqrt(expected)+1.5)
	h := s.all.s - w*m.sums.all.s
	n = max(n, levelShape)
	v.mu = n / max(h, levelHours)
	v.shape = 1 / (1/machineShape + 1/n)
	for l := range v.ratio {
		v.ratio[l] = s.ratio[l]
		if t := m.sums.level[l]; t.n > 0 || t.s > 0 {
			all, k := s.level[l], s.mu/s.ratio[l]
			left := (conditionShape + max(all.n-w*t.n, 0)) / (conditionShape + k*max(all.s-w*own*t.s, 0))
			v.ratio[l] *= left * (conditionShape + k*all.s) / (conditionShape + all.n)
		}
	}
	for c := range conditions {
		v.ratio[s.offset[c]] = 1
	}
	for d := range v.others {
		t := m.sums.driver[d]
		v.others[d] = tally{max(s.drivers[d].n-w*t.n, 0), s.mu * max(s.drivers[d].s-w*own*t.s, 0)}
	}
	v.marks = s.marks
	v.marks.add(&m.ev.marks, -w)
	sum := s.seepSum
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
	o, t := v.others[d], m.sums.driver[d]
	return (driverShape + o.n + t.n) / (driverShape + o.s + v.mu*t.s)
}
