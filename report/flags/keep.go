package flags

import (
	"encoding/binary"
	"hash/fnv"
	"iter"
	"math"
	"slices"
	"time"

	"shedbook/report/exposure"
	"shedbook/schema"
)

// A pass over a large fleet takes seconds, and most of it is the same every
// time. So where it stood some weeks before its end can be kept, with what the
// logs hold after that, and the next pass goes on from there: of the machines
// written to since it wants the log, of the others nothing. It comes to the very
// numbers of a pass from the beginning, or says that it can't.

// keptWeeks is how far before the end the pass is kept: what is entered later than
// that asks for one from the beginning, and so does an end twice as far on.
const keptWeeks = 4

// Kept is where a pass stood at the beginning of a week, the sound model learned.
type Kept struct {
	week     int64
	fleet    []byte // the sound model, the drivers and the levels: codec.fleet
	machines []keptMachine
	beside   func() []byte // what Beside wrote of it, where it was read
}

// keptMachine is one machine as codecs write it.
type keptMachine struct {
	name  string
	then  []byte // how much of its log had passed at the beginning of the week, and its evidence: codec.then
	curve []byte // of its evidence, all or the last point: codec.curve
	log   []byte // what the pass needs after that: codec.log
	part  []byte // what the belief learns of it
	named []byte // what is believed of it, where it bears a flag: named.code
	story []byte // which Bytes leaves out: see Beside
}

// story is what only a flag takes, and the report of one machine: a machine's whole
// curve, and the overheats that its pieces had to be expected to bring.
type story struct {
	curve    []point
	expected []float32
}

func (s *story) code(c *codec) {
	list(c, &s.curve, (*point).code)
	list(c, &s.expected, func(v *float32, c *codec) { c.float32(v) })
}

// stood is where a pass stood before it went on.
type stood struct {
	week     int64
	fleet    []byte
	machines []stance
}

// stance is where it stood with one machine.
type stance struct {
	past  past
	then  []byte
	curve int   // how many points it had
	last  point // the last of them, which may have been drawn anew since
}

// stand notes where the pass stands.
func (f *Finder) stand(w int64) {
	f.stood = &stood{week: w, fleet: written(f.code), machines: make([]stance, len(f.machines))}
	atOnce(len(f.machines), func(i, _ int) {
		m := f.machines[i]
		m.past = m.passedBy(m.next)
		s := stance{past: m.past, then: written(m.then), curve: len(m.ev.curve)}
		if s.curve > 0 {
			s.last = m.ev.curve[s.curve-1]
		}
		f.stood.machines[i] = s
	})
}

// code codes what is not one machine's. What is read must be as much as there is.
func (f *Finder) code(c *codec) {
	s := f.sound
	s.learned.code(c)
	for _, of := range []*[]float64{&s.ratio, &s.driver} {
		fill(c, *of, func(v *float64, c *codec) { c.float(v) })
	}
	for _, of := range []*[]tally{&s.level, &s.drivers} {
		fill(c, *of, (*tally).code)
	}
	gone := len(f.fleet.Answers) - len(f.crowd.answers)
	c.int(&gone)
	for o := range f.crowd.all {
		o.tallies.code(c)
		list(c, &o.curve, (*heard).code)
		o.rest = c.answer(f.fleet.Answers, o.rest)
	}
	if c.reading && (gone < 0 || gone > len(f.crowd.answers)) {
		c.short = true
	} else if c.reading {
		f.crowd.answers = f.crowd.answers[gone:]
	}
}

// then codes how far the pass had come with a machine, and its evidence.
func (m *machine) then(c *codec) {
	m.past.code(c)
	m.ev.figures.code(c)
	m.sums.all.code(c)
	fill(c, m.sums.level, (*tally).code)
	fill(c, m.sums.driver, (*tally).code)
	for p, a := range m.ev.rest {
		m.ev.rest[p] = c.answer(m.answers, a)
	}
}

// all are the drivers and then the levels.
func (c *crowd) all(yield func(*odds) bool) {
	for d := range c.drivers {
		if !yield(&c.drivers[d]) {
			return
		}
	}
	for x := range c.levels {
		for l := range c.levels[x] {
			if !yield(&c.levels[x][l]) {
				return
			}
		}
	}
}

// keep is what is to be kept after a pass; nil where it was too short.
func (f *Finder) keep() *Kept {
	if f.stood == nil || f.stood.machines == nil {
		return nil
	}
	k := &Kept{week: f.stood.week, fleet: f.stood.fleet, machines: make([]keptMachine, len(f.machines))}
	atOnce(len(f.machines), func(i, _ int) {
		m, s := f.machines[i], &f.stood.machines[i]
		m.whole = m.shows()
		var curve []point
		if s.curve > 0 {
			curve = append(slices.Clone(m.ev.curve[:s.curve-1]), s.last)
		}
		all := story{curve, m.expected[:s.past.piece]}
		if !m.whole {
			curve = curve[max(0, s.curve-1):]
		}
		k.machines[i] = m.kept(s, curve, k.week)
		k.machines[i].part, k.machines[i].named = f.beliefs.Part(m.name), m.named.kept()
		k.machines[i].story = written(all.code)
	})
	return k
}

// kept is what is to be kept of a machine with which the pass stood so at a week.
func (m *machine) kept(s *stance, curve []point, w int64) keptMachine {
	return keptMachine{name: m.name, then: s.then, curve: writtenCurve(curve), log: m.after(s.past.passed, w)}
}

// shows says whether the report says more of the machine than where it stands.
func (m *machine) shows() bool {
	e := &m.ev
	for p := range matters {
		if e.raised[p] != 0 || e.rest[p] != nil {
			return true
		}
	}
	return false
}

func writtenCurve(curve []point) []byte {
	return written(func(c *codec) { list(c, &curve, (*point).code) })
}

// past is what the pass had taken in of a machine: how much, and its digest.
type past struct {
	passed
	sum uint64
}

// passedBy is so much of a machine's log.
func (m *machine) passedBy(n passed) past {
	log := machine{pieces: m.pieces[:n.piece], events: m.events[:n.event], stretches: m.stretches[:n.stretch],
		services: m.services[:n.service], answers: m.answers[:n.answer]}
	h := fnv.New64a()
	writing(log.code, func(b []byte) { h.Write(b) })
	return past{n, h.Sum64()}
}

// same reports whether a machine's log up to a week is what the pass had taken in
// of it by then.
func (m *machine) same(was past, w int64) bool {
	n := was.passed
	return len(m.pieces) >= n.piece && len(m.events) >= n.event && len(m.stretches) >= n.stretch &&
		len(m.services) >= n.service && len(m.answers) >= n.answer &&
		(len(m.pieces) == n.piece || m.pieces[n.piece].start >= w*week) &&
		(len(m.events) == n.event || m.events[n.event].piece >= n.piece) &&
		(len(m.stretches) == n.stretch || m.stretches[n.stretch].at >= w*week) &&
		(len(m.services) == n.service || m.services[n.service].at >= w*week) &&
		(len(m.answers) == n.answer || m.answers[n.answer].At.Unix() >= w*week) &&
		m.passedBy(n) == was
}

// after is a machine's log as the pass needs it from a week on: of the pieces
// before it those that a later overheat is held against (see note), or all
// where its flags are to be told.
func (m *machine) after(n passed, w int64) []byte {
	from := min(n.piece, len(m.pieces)-1)
	for from > 0 && !m.pieces[from].first {
		from--
	}
	since := w * week
	// one in a run of weeks, as a wrong meter makes, may have waited for the run's end
	for i := range m.events[n.event:] {
		since = min(since, m.events[n.event+i].at)
	}
	for to := from; from > 0 && (to-from < windowRuns || m.pieces[from-1].start > since-window); {
		from--
	}
	from = max(from, 0)
	if m.whole {
		from = 0
	}
	rest := machine{log: m.log, whole: m.whole, before: from, pieces: m.pieces[from:],
		expected: m.expected[from:n.piece],
		events:   m.events, stretches: m.stretches, services: m.services, answers: m.answers}
	return written(rest.code)
}

// code codes a machine's log; its events' pieces are counted from the log's first.
func (m *machine) code(c *codec) {
	m.log.code(c)
	c.bool(&m.whole)
	c.int(&m.before)
	list(c, &m.pieces, (*piece).code)
	list(c, &m.expected, func(v *float32, c *codec) { c.float32(v) })
	list(c, &m.events, (*event).code)
	list(c, &m.stretches, (*stretch).code)
	list(c, &m.services, (*mend).code)
	c.json(&m.answers)
}

// Resume goes on from where a pass stood. fleet, index and asOf are as for
// FindIn; machines are the fleet's, in order, and lives those of the machines
// written to since. Not ok is what can't be told from what was kept: what was
// taken in before has changed, or what is to be told now asks for more. Else the
// result is that of FindIn, but that machines that bear no flag have no curve; now
// is what to keep where what was kept is worn, and worn says that it is: there is more
// to tell of a machine than it has.
func Resume(fleet schema.Fleet, asOf time.Time, x *exposure.Index, k *Kept, machines []string,
	lives iter.Seq[*exposure.Life], logs Logs) (r Result, now *Kept, worn, ok bool) {
	f, now, ok := resume(fleet, asOf, x, k, machines, lives)
	if !ok {
		return r, nil, false, false
	}
	f.end()
	worn, ok = f.tellMore(k, now, logs)
	if !ok {
		return r, nil, false, false
	}
	f.believe(logs)
	r = f.report()
	for i, m := range f.machines {
		if !m.whole {
			r.Standing[i].Curve = nil
		}
		now.machines[i].named = m.named.kept()
	}
	return r, now, worn, true
}

// tellMore gets of the machines that now show a flag all that is told of one: their
// pieces from their logs, read again where they are not at hand, and the rest from
// what was kept beside.
func (f *Finder) tellMore(k, now *Kept, logs Logs) (some, ok bool) {
	at := map[string]int{}
	var unread []string
	for i, m := range f.machines {
		if m.whole || !m.shows() {
			continue
		}
		at[m.name] = i
		if m.before > 0 {
			unread = append(unread, m.name)
		}
	}
	if len(at) == 0 {
		return false, true
	}
	if len(unread) > 0 {
		for log := range logs(unread...) {
			till := log.AsOf(f.asOf)
			m := f.machines[at[log.Machine.Name]]
			if !m.fill(flatten(f.index.Life(&till), f.fleet.Settings)) || !m.same(m.past, now.week) {
				return false, false
			}
		}
	}
	stories := k.stories(at)
	for name, i := range at {
		m, s := f.machines[i], stories[name]
		n := m.past.piece
		if m.before > 0 || len(s.expected) != n {
			return false, false
		}
		copy(m.expected, s.expected)
		if len(s.curve) > 0 {
			m.ev.curve = append(s.curve[:len(s.curve)-1:len(s.curve)-1], m.ev.curve...)
		}
		m.whole = true
		now.machines[i].curve, now.machines[i].log = writtenCurve(s.curve), m.after(m.past.passed, now.week)
	}
	return true, true
}

// fill gives a machine of which the last weeks are at hand the pieces before them.
func (m *machine) fill(all *machine) bool {
	if len(all.pieces) != m.before+len(m.pieces) || len(all.events) != len(m.events) {
		return false
	}
	copy(all.expected[m.before:], m.expected)
	m.next.piece += m.before
	m.pieces, m.events, m.expected, m.before = all.pieces, all.events, all.expected, 0
	return true
}

// stories are those of some machines; of one that came since there is nothing to tell.
func (k *Kept) stories(of map[string]int) map[string]story {
	out := map[string]story{}
	see := func(name string, b []byte) {
		var s story
		if _, is := of[name]; is && read(b, s.code) {
			out[name] = s
		}
	}
	if k.beside == nil {
		for i := range k.machines {
			see(k.machines[i].name, k.machines[i].story)
		}
		return out
	}
	c := codec{b: k.beside(), reading: true}
	for len(c.b) > 0 {
		var name string
		var b []byte
		c.text(&name)
		c.bytes(&b)
		see(name, b)
	}
	return out
}

// Curve is the curve that FindIn has in a machine's Standing, from where a pass stood
// and what was kept beside it; otherwise as Resume.
func Curve(fleet schema.Fleet, asOf time.Time, x *exposure.Index, k *Kept, machines []string,
	lives iter.Seq[*exposure.Life], machine string) (curve []Point, ok bool) {
	s, told := k.stories(map[string]int{machine: 0})[machine]
	f, _, ok := resume(fleet, asOf, x, k, machines, lives)
	if !ok || !told {
		return nil, false
	}
	m := f.machines[slices.Index(machines, machine)]
	m.turn(math.MaxInt64)
	m.ev.factor()
	if n := len(s.curve); n > 0 && !m.whole {
		m.ev.curve = append(s.curve[:n-1:n-1], m.ev.curve...)
	}
	return f.curve(m.ev.curve, m.ev.nearest()), true
}

func resume(fleet schema.Fleet, asOf time.Time, x *exposure.Index, k *Kept, machines []string,
	lives iter.Seq[*exposure.Life]) (f *Finder, now *Kept, ok bool) {
	f = New(fleet, asOf)
	f.index, f.resumed = x, true
	fresh := map[string]*machine{}
	f.addAll(lives)
	for _, m := range f.machines {
		fresh[m.name] = m
	}
	were := make(map[string]*keptMachine, len(k.machines))
	for i := range k.machines {
		were[k.machines[i].name] = &k.machines[i]
	}
	now = &Kept{week: k.week, fleet: k.fleet, machines: make([]keptMachine, len(machines)), beside: k.beside}
	f.machines = make([]*machine, len(machines))
	for i, name := range machines {
		was := were[name]
		if f.machines[i] = fresh[name]; f.machines[i] == nil {
			if was == nil {
				return nil, nil, false
			}
			f.machines[i] = &machine{name: name, ev: newEvidence()}
		}
		if was != nil {
			now.machines[i] = *was
		}
		now.machines[i].name = name
		if fresh[name] != nil {
			now.machines[i].part = f.beliefs.Part(name)
		} else if !f.beliefs.AddPart(name, was.part) {
			return nil, nil, false
		}
	}
	f.begin()
	if !read(k.fleet, f.code) {
		return nil, nil, false
	}
	bad := make([]bool, len(machines))
	atOnce(len(machines), func(i, _ int) {
		m, was := f.machines[i], &now.machines[i]
		bad[i] = !m.goOn(was, fresh[m.name] != nil, k.week)
		if m.written, m.named = fresh[m.name] != nil, nil; was.named != nil {
			m.named = new(named)
			bad[i] = bad[i] || !read(was.named, m.named.code)
		}
	})
	_, to := f.span()
	if slices.Contains(bad, true) || to < k.week || to > k.week+2*keptWeeks || !f.weeks(k.week, to) {
		return nil, nil, false
	}
	return f, now, true
}

// goOn puts a machine where it stood: one whose log is at hand, if the log is
// still what it was till then, or one of which only what was kept is.
func (m *machine) goOn(was *keptMachine, atHand bool, w int64) bool {
	if was.then == nil { // it came since
		part := was.part
		m.past = m.passedBy(passed{})
		*was = m.kept(&stance{past: m.past, then: written(m.then)}, nil, w)
		was.part = part
		return m.same(m.past, w)
	}
	var kept machine
	if !read(was.log, kept.code) {
		return false
	}
	if !atHand {
		name, ev, sums := m.name, m.ev, m.sums
		*m = kept
		m.name, m.ev, m.sums = name, ev, sums
		for i := range m.events {
			m.events[i].piece -= m.before
		}
	}
	m.whole = kept.whole
	if !read(was.then, m.then) || !read(was.curve, func(c *codec) { list(c, &m.ev.curve, (*point).code) }) {
		return false
	}
	m.next = m.past.passed
	if atHand {
		if !m.same(m.past, w) || len(kept.expected) > m.next.piece {
			return false
		}
		copy(m.expected[m.next.piece-len(kept.expected):], kept.expected)
		was.log = m.after(m.next, w)
		return true
	}
	m.next.piece = len(m.expected)
	if len(m.expected) > len(m.pieces) {
		return false
	}
	m.expected = append(m.expected, make([]float32, len(m.pieces)-len(m.expected))...)
	return true
}

// Bytes write it down, after what is there already.
func (k *Kept) Bytes(after []byte) []byte {
	size := len(after) + len(k.fleet) + 64
	for i := range k.machines {
		m := &k.machines[i]
		size += len(m.name) + len(m.then) + len(m.curve) + len(m.log) + len(m.part) + len(m.named)
		size += 6 * binary.MaxVarintLen32
	}
	c := codec{b: append(make([]byte, 0, size), after...)}
	k.code(&c)
	return c.b
}

// ReadKept reads what Bytes wrote; it is not copied. beside reads what Beside did, once
// that is asked for.
func ReadKept(b []byte, beside func() []byte) (*Kept, bool) {
	k := &Kept{beside: beside}
	return k, read(b, k.code)
}

// Beside writes down what a flag raised later takes, and a question about one
// machine; nil after a pass that went on from one kept, beside which it still is.
func (k *Kept) Beside() []byte {
	if len(k.machines) == 0 || k.machines[0].story == nil {
		return nil
	}
	c := codec{}
	for i := range k.machines {
		c.text(&k.machines[i].name)
		c.bytes(&k.machines[i].story)
	}
	return c.b
}

func (k *Kept) code(c *codec) {
	version := keptVersion
	c.int(&version)
	if version != keptVersion {
		c.short = true
		return
	}
	c.int64(&k.week)
	c.bytes(&k.fleet)
	list(c, &k.machines, func(m *keptMachine, c *codec) {
		c.text(&m.name)
		for _, b := range []*[]byte{&m.then, &m.curve, &m.log, &m.part, &m.named} {
			c.bytes(b)
		}
	})
}
