// Package flags tells which machines, drivers and conditions stand out of a
// fleet's log, in a way that stays honest however often one looks: over a year
// of looking every day, at most 1 sound machine in 20 ever carries a machine
// flag, and at most 1 fleet in 20 a false driver flag. How often it keeps that,
// and how much it finds, is measured by package simulate and the bench in this
// package's tests.
//
// The evidence is one forward pass over the log's own events (see evidence.go);
// what it is held against is learned from the fleet as it goes (sound.go).
package flags

import (
	"iter"
	"math"
	"runtime"
	"slices"
	"sync"
	"time"

	"shedbook/report/belief"
	"shedbook/report/exposure"
	"shedbook/schema"
)

// Finder takes in a fleet machine by machine, so that no more than one log need
// be held at a time.
type Finder struct {
	asOf     time.Time
	fleet    schema.Fleet // without logs
	index    *exposure.Index
	machines []*machine
	beliefs  *belief.Fleet
	sound    *sound
	crowd    crowd
	last     int64 // unix time of the last record that bears on anything
	stood    *stood
	resumed  bool // only what came after a week is at hand of most machines
}

// New begins a Finder with what is not one machine's: words, drivers, settings
// and answers; the fleet's logs are not read. asOf zero means all that is
// recorded.
func New(fleet schema.Fleet, asOf time.Time) *Finder {
	fleet.Logs = nil
	fleet = fleet.AsOf(asOf)
	return &Finder{asOf: asOf, fleet: fleet, index: exposure.NewIndex(fleet.Words, fleet.Drivers, fleet.Settings),
		beliefs: belief.NewFleet(fleet.Settings, nil)}
}

// Find is what the logs of a fleet say.
func Find(fleet schema.Fleet, asOf time.Time) Result {
	f := New(fleet, asOf)
	f.addAll(func(yield func(*exposure.Life) bool) {
		for i := range fleet.Logs {
			log := fleet.Logs[i].AsOf(asOf)
			if !yield(f.index.Life(&log)) {
				return
			}
		}
	})
	return f.Result(func(machines ...string) iter.Seq[*schema.Log] {
		return func(yield func(*schema.Log) bool) {
			for i := range fleet.Logs {
				if slices.Contains(machines, fleet.Logs[i].Machine.Name) && !yield(&fleet.Logs[i]) {
					return
				}
			}
		}
	})
}

// addAll takes in machines, on every processor. None of the lives is kept.
func (f *Finder) addAll(lives iter.Seq[*exposure.Life]) {
	var wait sync.WaitGroup
	var mu sync.Mutex
	lanes := make(chan bool, runtime.GOMAXPROCS(0))
	for l := range lives {
		m := new(machine)
		f.machines = append(f.machines, m)
		lanes <- true
		wait.Go(func() {
			*m = *flatten(l, f.fleet.Settings)
			one := belief.NewFleet(f.fleet.Settings, nil)
			one.Add(l.Log)
			mu.Lock()
			f.beliefs.Merge(one)
			mu.Unlock()
			<-lanes
		})
	}
	wait.Wait()
}

// FindIn is Find where the lives as of then, and their index, are made already:
// of the fleet's logs nothing is read but those that logs gives again. What keep
// makes is for Resume; nil where the log is too short.
func FindIn(fleet schema.Fleet, asOf time.Time, x *exposure.Index, lives iter.Seq[*exposure.Life], logs Logs) (r Result,
	keep func() *Kept) {
	f := New(fleet, asOf)
	f.index, f.stood = x, new(stood)
	f.addAll(lives)
	return f.Result(logs), f.keep
}

// Result passes once through time, week by week, and says what was raised.
func (f *Finder) Result(logs Logs) Result {
	f.begin()
	from, to := f.span()
	f.weeks(from, to)
	f.end()
	f.believe(logs)
	return f.report()
}

func (f *Finder) begin() {
	var levels [conditions]int
	for c, e := range exposureFactor {
		levels[c] = len(f.index.Names[e])
	}
	levels[dirt], levels[air], levels[heaped] = dirtBands, airBands, heapedBands
	f.sound = newSound(levels, len(f.index.Names[exposure.Driver]), f.machines)
	for c, e := range exposureFactor {
		for l := 1; l < levels[c]; l++ {
			x := min(max(f.heat(c, f.index.Name(e, uint16(l))), 1/mostHeat), mostHeat)
			s := f.sound.offset[c] + l
			f.sound.prior[s], f.sound.ratio[s] = x, x
		}
	}
	// Beyond what each of them makes alone.
	alone := func(speed, load, ground string) float64 { return f.beliefs.Heat(speed, load, "", ground, schema.Num{}) }
	fast, mud, load := alone("fast", "", ""), alone("", "", "mud"), alone("", "heavy", "")
	for l, x := range [heapedBands]float64{2: alone("fast", "", "mud") / fast / mud,
		3: alone("fast", "heavy", "mud") / fast / mud / load} {
		if x > 0 {
			s := f.sound.offset[heaped] + l
			f.sound.prior[s] = min(max(x, 1/mostHeat), mostHeat)
			f.sound.ratio[s] = f.sound.prior[s]
		}
	}
	f.crowd.init(f)
}

// mostHeat is the highest ratio of a condition before any data.
const mostHeat = 3.0

// heat is what the heat balance makes of a condition alone.
func (f *Finder) heat(condition int, name string) float64 {
	var words [ambient]string
	air := schema.Num{}
	if condition < ambient {
		words[condition] = name
	} else {
		for b, band := range exposure.Bands {
			if band == name {
				air = schema.N(bandMiddle[b])
			}
		}
	}
	return f.beliefs.Heat(words[speed], words[load], words[gears], words[terrain], air)
}

// bandMiddle are the middles of the bands of air temperature, °C.
var bandMiddle = [...]float64{-6, 5, 15, 25, 33}

// weeks goes through them. It ends early where the sound model is to be learned
// anew from hours that are not at hand.
func (f *Finder) weeks(from, to int64) (whole bool) {
	passes := f.passes()
	for w := from; w <= to; w++ {
		if !f.resumed || w > from { // else it was done when the week was kept
			f.sound.gather()
			fit := f.sound.outgrown()
			if fit && f.resumed {
				return false
			}
			if fit {
				f.sound.fit()
			}
			if f.stood != nil && (w == to-keptWeeks || fit && w > to-keptWeeks) {
				f.stand(w)
			}
		}
		atOnce(len(passes), func(part, _ int) { passes[part].week((w + 1) * week) })
		for i := range passes {
			f.crowd.notes = append(f.crowd.notes, passes[i].notes...)
		}
		f.crowd.close(w*week, (w+1)*week)
	}
	return true
}

// atOnce does the parts of something at once.
func atOnce(parts int, do func(part, parts int)) {
	var wait sync.WaitGroup
	for part := range parts {
		wait.Go(func() { do(part, parts) })
	}
	wait.Wait()
}

// pass goes through some of the machines, each for itself, while others go
// through theirs.
type pass struct {
	machines []*machine
	view     view
	notes    []note // of the week
}

// passes share the machines out, in order.
func (f *Finder) passes() []pass {
	n := runtime.GOMAXPROCS(0)
	out := make([]pass, n)
	for i := range out {
		out[i] = pass{machines: f.machines[i*len(f.machines)/n : (i+1)*len(f.machines)/n],
			view: view{s: f.sound, ratio: make([]float64, len(f.sound.ratio)),
				others: make([]tally, len(f.sound.driver)),
				asked:  make([]int, len(f.sound.driver))}}
	}
	return out
}

// week takes the machines on to the end of a week.
func (p *pass) week(end int64) {
	p.notes = p.notes[:0]
	for _, m := range p.machines {
		p.view.of(m)
		m.advance(&p.view, end, func(e *event) { m.note(p.view.s, &p.notes, e) })
	}
}

// span is the first and last week with anything in it.
func (f *Finder) span() (from, to int64) {
	from, to = math.MaxInt64, math.MinInt64
	see := func(at int64) { from, to = min(from, at/week), max(to, at/week) }
	for _, m := range f.machines {
		if n := len(m.pieces); n > 0 {
			see(m.pieces[0].start)
			see(m.pieces[n-1].start)
			f.last = max(f.last, m.pieces[n-1].start+int64(3600*m.pieces[n-1].hours))
		}
		if n := len(m.stretches); n > 0 {
			see(m.stretches[n-1].at)
			f.last = max(f.last, m.stretches[n-1].at)
		}
	}
	return from, to
}

// advance takes the machine's evidence on to the end of a week, its runs and
// its coolant in the order of time.
func (m *machine) advance(v *view, end int64, heard func(*event)) {
	for {
		run, coolant := end, end
		if m.next.piece < len(m.pieces) {
			run = m.pieces[m.next.piece].start
		}
		if m.next.stretch < len(m.stretches) {
			coolant = m.stretches[m.next.stretch].at
		}
		if run >= end && coolant >= end {
			break
		}
		m.turn(min(run, coolant))
		if coolant <= run {
			m.lose(v, &m.stretches[m.next.stretch])
			m.next.stretch++
			continue
		}
		p := &m.pieces[m.next.piece]
		m.expected[m.next.piece] = float32(m.drive(v, p))
		for m.next.event < len(m.events) && m.events[m.next.event].piece == m.next.piece {
			if e := &m.events[m.next.event]; !p.repeat {
				heard(e)
				m.overheat(v, p, e)
				v.s.countEvent(m, e)
				m.ev.lately.n++
			}
			m.next.event++
		}
		m.ev.lately.s += v.s.count(m, p)
		m.next.piece++
	}
	m.turn(end - 1)
	m.ev.factor()
	m.ev.point(end)
	m.ev.lately.n *= fades
	m.ev.lately.s *= fades
}

// lose takes in a stretch of coolant, unless it began before the last answer.
func (m *machine) lose(v *view, s *stretch) {
	e := &m.ev
	if a := e.rest[losing]; a != nil && s.from < a.At.Unix() {
		return
	}
	e.coolant.hear(s, &v.seep, &e.loss)
	sum := 0.0
	for k := range e.coolant.loss {
		sum += e.coolant.loss[k].mix
	}
	e.total[losing] = sum / float64(len(lossRates))
	e.high[losing] = max(e.high[losing], e.total[losing])
	e.seepTrust = 1 / (1 + e.total[losing])
	if e.raised[losing] == 0 && shares[losing]*e.total[losing] >= 1/alpha {
		e.raised[losing] = s.at
	}
	e.point(s.at)
}

// excess is how a piece's hours count for each shape, in its own unit.
func (p *piece) excess(level *[conditions]uint8, amb float32, plain float64, u *[shapes]float64) {
	h := float64(p.exposed)
	mud, deep := float64(min(p.mud, 60))/30, float64(min(p.deep, 200))/100
	u[dirtLinear], u[dirtSquare], u[dirtHours] = h*mud, h*mud*mud, h*deep
	u[dirtLate] = 0
	if p.mud > 12 {
		u[dirtLate] = h
	}
	u[airFour], u[airDecay], u[airEight] = 0, 0, 0
	if p.cycles < 12 && p.first && p.cycle {
		part := 1.0
		if p.bled {
			part = 1.0 / 7
		}
		u[airDecay] = part * math.Exp(-float64(p.cycles)/3)
		if p.cycles < 8 {
			u[airEight] = part
		}
		if p.cycles < 4 {
			u[airFour] = part
		}
	}
	u[circuit] = h
	slow := 0.0
	switch level[speed] {
	case 0:
		slow = 1.0 / 3 // not recorded
	case 1:
		slow = 1
	}
	warm, ramp := 0.5, 0.5 // not recorded
	if t := float64(amb); t == t {
		warm, ramp = 0, max(0, t)/25
		if t > 14 {
			warm = 1
		}
	}
	u[fanRamp], u[fanWarm] = h*slow*ramp, h*slow*warm
	u[early] = 0
	if p.first {
		u[early] = min(1, h/0.15)
	}
	u[above] = plain
	u[aboveEven] = h
	u[again] = 0
}

// drive takes in a piece's hours, and says how many overheats a sound machine
// would have had in them.
func (m *machine) drive(v *view, p *piece) (plain float64) {
	e := &m.ev
	plain = v.mu * v.lately * v.s.conditions(&p.level, v.ratio) * v.drive(m, p.driver) * float64(p.exposed)
	e.hours += float64(p.exposed)
	if p.repeat {
		return plain
	}
	var u [shapes]float64
	p.excess(&p.level, p.ambient, plain, &u)
	if e.mends > 0 {
		u[again] = plain
	}
	share := e.mass.spend(float64(p.exposed))
	for f := range forms {
		form := &forms[f]
		s := share
		if f == again {
			s = 0
		}
		if u[f] == 0 {
			for k := 0; k < form.sizes; k++ {
				e.states[f][k].mix += s
			}
			continue
		}
		fall := math.Exp(-form.size * u[f])
		for k := 0; k < form.sizes; k++ {
			e.states[f][k].hear(s, fall, p.start)
			fall *= fall
		}
	}
	for k := range e.nature {
		e.nature[k] *= math.Exp(plain * (1 - e.own(v.shape[k])))
	}
	e.weighNature(v)
	e.sound += plain
	return plain
}

// own is what a sound machine's ratio to the fleet must be expected to be after
// what it has done, where it is a gamma's of a shape.
func (e *evidence) own(shape float64) float64 { return (shape + float64(e.count)) / (shape + e.sound) }

// weighNature says what the spreads together make of a sound machine.
func (e *evidence) weighNature(v *view) {
	sum := 0.0
	for k, x := range e.nature {
		sum += v.nature[k] * x
	}
	e.even = 1 / sum
}

// overheat takes in an overheat in a piece whose hours have been taken in.
func (m *machine) overheat(v *view, p *piece, o *event) {
	e := &m.ev
	plain := v.mu * v.lately * v.s.conditions(&o.level, v.ratio) * v.drive(m, o.driver) // an hour
	after := 0.0
	if e.count > 0 {
		after = v.marks.aftermath() * math.Exp(-(e.hours-e.last)/aftermathHours) / aftermathHours
	}
	rate := plain + after
	sound := 0.0 // as far as the spreads' weights go
	for k := range e.nature {
		x := plain * e.own(v.shape[k])
		sound += v.nature[k] * x
		e.nature[k] *= (x + after) / rate
	}
	e.weighNature(v)
	e.marks.heard++
	e.marks.again += after / (sound + after)
	e.last = e.hours
	thermo, warning, fan := o.ratios(&v.marks, float64(p.runHours))
	h := float64(p.exposed)
	var u [shapes]float64
	p.excess(&o.level, o.ambient, plain*h, &u)
	if e.mends > 0 {
		u[again] = plain * h
	}
	for f := range forms {
		if u[f] == 0 {
			continue
		}
		form := &forms[f]
		x := u[f] / h / rate
		switch form.ends {
		case thermostat:
			x *= thermo
		case warningCircuit:
			x *= warning
		case fanCircuit:
			x *= fan
		}
		size := form.size
		for k := 0; k < form.sizes; k++ {
			e.states[f][k].hear(0, 1+size*x, p.start)
			size *= 2
		}
	}
	e.count++
	e.marks.note(o, float64(p.runHours))
	e.factor()
	if e.raised[heating] == 0 && e.overheating() >= 1/alpha {
		e.raised[heating] = o.at
	}
	// A machine that carries a flag already has used up its share of the promise.
	share := shares[returning]
	if e.raised[heating] != 0 {
		share = 1
	}
	if e.raised[returning] == 0 && share*e.total[returning] >= 1/alpha {
		e.raised[returning] = o.at
	}
	e.point(o.at)
}

// note learns how overheats are written down.
func (c *markCounts) note(o *event, runHours float64) {
	if o.minutes >= 0 {
		q := earlyShares(runHours)
		for i := range c.early {
			c.earlyExpected[i] += q[i]
		}
		if k := part(o.minutes); k < 2 {
			c.early[k]++
		}
	}
	if o.wet >= 0 {
		c.wetKnown++
		c.wet += float64(o.wet)
	}
	if o.fan >= 0 {
		c.offKnown++
		c.off += float64(o.fan)
	}
}

// turn lets the evidence start over at services and answers up to now.
func (m *machine) turn(now int64) {
	for m.next.service < len(m.services) && m.services[m.next.service].at <= now {
		m.ev.mend(&m.services[m.next.service])
		m.next.service++
	}
	for m.next.answer < len(m.answers) && m.answers[m.next.answer].At.Unix() <= now {
		m.ev.answer(&m.answers[m.next.answer])
		m.next.answer++
	}
}

func (e *evidence) point(at int64) {
	q := point{at: at, hours: float32(e.hours)}
	for p, v := range e.total {
		q.log10[p] = float32(math.Log10(max(v, 1e-6)))
	}
	if n := len(e.curve); n > 0 && e.curve[n-1].at == at {
		e.curve[n-1] = q
		return
	}
	e.curve = append(e.curve, q)
}
