package flags

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"iter"
	"math"
	"slices"
	"time"
	"unsafe"

	"shedbook/report/exposure"
	"shedbook/schema"
)

// A pass over a large fleet takes seconds, and most of it is the same every
// time. So where it stood some weeks before its end can be kept, with what the
// logs hold after that, and the next pass goes on from there: of the machines
// written to since it wants the log, of the others nothing. It comes to the very
// numbers of a pass from the beginning, or says that it can't.

// keptWeeks is how far before the end the pass is kept: what is entered later than
// that asks for one from the beginning. Once it is twice as far it is kept anew.
const keptWeeks = 4

// Kept is where a pass stood at the beginning of a week, the sound model learned.
// It is read by the very program that wrote it, and by no other.
type Kept struct {
	week     int64
	fleet    []byte // the sound model, the drivers and the levels
	machines []keptMachine
}

type keptMachine struct {
	name string
	then []byte // the evidence at the beginning of the week
	log  []byte // what the pass needs after that
	part []byte // what the belief learns of it
}

// stood is where a pass stood before it went on.
type stood struct {
	week     int64
	fleet    []byte
	machines []stance
}

// stance is where it stood with one machine.
type stance struct {
	passed
	figures []byte
	points  int
	last    point
}

// stand notes where the pass stands.
func (f *Finder) stand(w int64) {
	s := &stood{week: w}
	var answers []int
	b := putAll(putAll(put(nil, &f.sound.learned), f.sound.ratio), f.sound.driver)
	b = putAll(putAll(b, f.sound.level), f.sound.drivers)
	gone := len(f.fleet.Answers) - len(f.crowd.answers)
	b = put(b, &gone)
	for o := range f.crowd.all {
		b = putAll(put(b, &o.ledger), o.curve)
		answers = append(answers, place(f.fleet.Answers, o.rest))
	}
	s.fleet = putAll(b, answers)
	s.machines = make([]stance, len(f.machines))
	atOnce(len(f.machines), func(i, _ int) {
		m := f.machines[i]
		st := &s.machines[i]
		st.passed, st.points = m.next, len(m.ev.curve)
		st.piece += m.before
		if st.points > 0 {
			st.last = m.ev.curve[st.points-1]
		}
		st.figures = m.stands()
	})
	f.stood = s
}

// stands is how a machine's evidence stands.
func (m *machine) stands() []byte {
	b := put(put(nil, &m.ev.figures), &m.sums.all)
	b = putAll(putAll(b, m.sums.level), m.sums.driver)
	var rest [matters]int
	for p, a := range m.ev.rest {
		rest[p] = place(m.answers, a)
	}
	return put(b, &rest)
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

// place is where an answer is among others; -1 for none.
func place(answers []schema.Answer, a *schema.Answer) int {
	for i := range answers {
		if &answers[i] == a {
			return i
		}
	}
	return -1
}

// answerAt is the answer at a place.
func answerAt(answers []schema.Answer, place int) *schema.Answer {
	if place < 0 || place >= len(answers) {
		return nil
	}
	return &answers[place]
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
		curve := []point{s.last}[:min(s.points, 1)]
		if m.whole && s.points > 0 {
			curve = append(slices.Clone(m.ev.curve[:s.points-1]), s.last)
		}
		k.machines[i] = m.kept(s.passed, curve, s.figures, k.week)
		k.machines[i].part = f.beliefs.Part(m.name)
	})
	return k
}

// kept is what is to be kept of a machine of which so much had passed by a week.
func (m *machine) kept(n passed, curve []point, figures []byte, w int64) keptMachine {
	c := m.link(m.past, n)
	then := put(putAll(nil, c.links), &c.sum)
	return keptMachine{name: m.name, then: append(putAll(put(then, &m.whole), curve), figures...), log: m.after(n, w)}
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

// chain tells what the pass had taken in of a machine from anything else: how much
// it was each time that it was kept, and a digest of it, made of the one before
// and of what came in between.
type chain struct {
	links []passed
	sum   [sha256.Size]byte
}

func (c *chain) end() passed {
	if len(c.links) == 0 {
		return passed{}
	}
	return c.links[len(c.links)-1]
}

// link makes a chain longer, up to what had passed of a machine.
func (m *machine) link(c chain, to passed) chain {
	from := c.end()
	pieces := m.pieces[from.piece-m.before : to.piece-m.before]
	b := append(make([]byte, 0, 48*len(pieces)+1024), c.sum[:]...)
	for i := range pieces {
		p := &pieces[i]
		b = binary.LittleEndian.AppendUint64(b, uint64(p.start))
		for _, v := range [...]float32{p.hours, p.exposed, p.runHours, p.mud, p.deep, p.ambient} {
			b = binary.LittleEndian.AppendUint32(b, math.Float32bits(v))
		}
		b = append(binary.LittleEndian.AppendUint16(b, p.driver), p.level[:]...)
		b = append(b, p.cycles, truth(p.bled)|truth(p.first)<<1|truth(p.cycle)<<2|truth(p.repeat)<<3)
	}
	for _, e := range m.events[from.event:to.event] {
		e.piece += m.before
		b = fmt.Append(b, e)
	}
	b = fmt.Append(b, m.stretches[from.stretch:to.stretch], m.services[from.service:to.service])
	answers, _ := json.Marshal(m.answers[from.answer:to.answer])
	return chain{append(slices.Clip(c.links), to), sha256.Sum256(append(b, answers...))}
}

func truth(is bool) uint8 {
	if is {
		return 1
	}
	return 0
}

// had says whether a machine's log up to a week is what had passed by then.
func (m *machine) had(c *chain, w int64) bool {
	n := c.end()
	whole := len(m.pieces) >= n.piece && len(m.events) >= n.event && len(m.stretches) >= n.stretch && len(m.services) >= n.service && len(m.answers) >= n.answer &&
		(len(m.pieces) == n.piece || m.pieces[n.piece].start >= w*week) &&
		(len(m.events) == n.event || m.events[n.event].piece >= n.piece) &&
		(len(m.stretches) == n.stretch || m.stretches[n.stretch].at >= w*week) &&
		(len(m.services) == n.service || m.services[n.service].at >= w*week) &&
		(len(m.answers) == n.answer || m.answers[n.answer].At.Unix() >= w*week)
	var now chain
	for i := 0; whole && i < len(c.links); i++ {
		now = m.link(now, c.links[i])
	}
	return whole && now.sum == c.sum
}

// after is a machine's log as the pass needs it from a week on: of the pieces
// before it those that a later overheat is held against (see note), or all
// where its flags are to be told.
func (m *machine) after(n passed, w int64) []byte {
	next := n.piece - m.before
	from := min(next, len(m.pieces)-1)
	for from > 0 && !m.pieces[from].first {
		from--
	}
	since := w * week
	for i := range m.events[n.event:] { // one in a run of weeks, as a wrong meter makes, may have waited for the run's end
		since = min(since, m.events[n.event+i].at)
	}
	for to := from; from > 0 && (to-from < windowRuns || m.pieces[from-1].start > since-window); {
		from--
	}
	from = max(from, 0)
	if m.whole {
		from = 0
	}
	before := m.before + from
	b := put(put(nil, &m.log), &before)
	b = putAll(b, m.pieces[from:])
	b = putAll(b, m.expected[from:next])
	events := slices.Clone(m.events)
	for i := range events {
		events[i].piece += m.before
	}
	b = putAll(putAll(b, events), m.stretches)
	services := len(m.services)
	b = put(b, &services)
	for _, s := range m.services {
		b = putAll(putAll(put(b, &s.at), []byte(s.cause)), []byte(s.work))
	}
	answers, _ := json.Marshal(m.answers)
	return putAll(b, answers)
}

// Resume goes on from where a pass stood. fleet, index and asOf are as for
// FindIn; machines are the fleet's, in order, and lives those of the machines
// written to since. Not ok is what can't be told from what was kept: what was
// taken in before has changed, or what is to be told now asks for more. Else the
// result is that of FindIn, but for the curves of the machines that bear no flag;
// now is what to keep, anew if it stands at a later week.
func Resume(fleet schema.Fleet, asOf time.Time, x *exposure.Index, k *Kept, machines []string, lives iter.Seq[*exposure.Life], logs Logs) (r Result, now *Kept, anew, ok bool) {
	f := New(fleet, asOf)
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
	now = &Kept{week: k.week, fleet: k.fleet, machines: make([]keptMachine, len(machines))}
	f.machines = make([]*machine, len(machines))
	for i, name := range machines {
		was := were[name]
		if f.machines[i] = fresh[name]; f.machines[i] == nil {
			if was == nil {
				return r, nil, false, false
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
			return r, nil, false, false
		}
	}
	f.begin()
	if !f.goOn(k.fleet) {
		return r, nil, false, false
	}
	bad := make([]bool, len(machines))
	atOnce(len(machines), func(i, _ int) {
		m, was := f.machines[i], &now.machines[i]
		bad[i] = !m.goOn(was, fresh[m.name] != nil, k.week)
	})
	_, to := f.span()
	if anew = to > k.week+2*keptWeeks; anew {
		f.stood = new(stood)
	}
	if slices.Contains(bad, true) || to < k.week || !f.weeks(k.week, to) {
		return r, nil, false, false
	}
	r = f.report(logs)
	for _, m := range f.machines {
		if m.shows() && !m.whole {
			return r, nil, false, false
		}
	}
	if anew {
		now = f.keep()
	}
	return r, now, anew, true
}

// goOn puts what is not one machine's where it stood.
func (f *Finder) goOn(then []byte) bool {
	in := reader{b: then}
	s := *f.sound
	take(&in, &s.learned)
	s.ratio, s.driver, s.level, s.drivers = takeAll[float64](&in), takeAll[float64](&in), takeAll[tally](&in), takeAll[tally](&in)
	var gone int
	take(&in, &gone)
	if len(s.ratio) != len(f.sound.ratio) || len(s.driver) != len(f.sound.driver) || gone > len(f.crowd.answers) {
		return false
	}
	*f.sound = s
	var all []*odds
	for o := range f.crowd.all {
		take(&in, &o.ledger)
		o.curve = takeAll[heard](&in)
		all = append(all, o)
	}
	rest := takeAll[int](&in)
	if in.short || len(rest) != len(all) {
		return false
	}
	for i, o := range all {
		o.rest = answerAt(f.fleet.Answers, rest[i])
	}
	f.crowd.answers = f.crowd.answers[gone:]
	return true
}

// goOn puts a machine where it stood: one whose log is at hand, if the log is
// still what it was till then, or one of which only what was kept is.
func (m *machine) goOn(was *keptMachine, atHand bool, w int64) bool {
	if was.then == nil { // it came since
		part := was.part
		*was = m.kept(passed{}, nil, m.stands(), w)
		was.part = part
		return m.had(&chain{}, w)
	}
	in := reader{b: was.then}
	m.past.links = takeAll[passed](&in)
	take(&in, &m.past.sum)
	take(&in, &m.whole)
	m.ev.curve = takeAll[point](&in)
	take(&in, &m.ev.figures)
	take(&in, &m.sums.all)
	level, driver := takeAll[tally](&in), takeAll[tally](&in)
	var rest [matters]int
	take(&in, &rest)
	if in.short || len(level) != len(m.sums.level) || len(driver) != len(m.sums.driver) {
		return false
	}
	m.sums.level, m.sums.driver = level, driver
	n := m.past.end()
	m.next = n
	if atHand {
		if !m.had(&m.past, w) {
			return false
		}
		kept := machine{}
		if !kept.open(was.log) {
			return false
		}
		copy(m.expected[n.piece-len(kept.expected):], kept.expected)
		was.log = m.after(n, w)
	} else {
		if !m.open(was.log) {
			return false
		}
		m.next.piece = len(m.expected)
		m.expected = append(m.expected, make([]float32, len(m.pieces)-len(m.expected))...)
	}
	for p, place := range rest {
		m.ev.rest[p] = answerAt(m.answers, place)
	}
	return true
}

// open reads what after wrote; the events' pieces are then among those kept.
func (m *machine) open(log []byte) bool {
	in := reader{b: log}
	var services int
	take(&in, &m.log)
	take(&in, &m.before)
	m.pieces, m.expected = takeAll[piece](&in), takeAll[float32](&in)
	m.events, m.stretches = takeAll[event](&in), takeAll[stretch](&in)
	take(&in, &services)
	for range services {
		var s mend
		take(&in, &s.at)
		s.cause, s.work = string(takeAll[byte](&in)), string(takeAll[byte](&in))
		if in.short {
			return false
		}
		m.services = append(m.services, s)
	}
	answers := takeAll[byte](&in)
	for i := range m.events {
		m.events[i].piece -= m.before
	}
	return !in.short && len(m.expected) <= len(m.pieces) && json.Unmarshal(answers, &m.answers) == nil
}

// Bytes write it down.
func (k *Kept) Bytes() []byte {
	size := 0
	for i := range k.machines {
		size += len(k.machines[i].then) + len(k.machines[i].log) + len(k.machines[i].part) + 64
	}
	b := put(make([]byte, 0, size+len(k.fleet)+64), &k.week)
	b = putAll(b, k.fleet)
	n := len(k.machines)
	b = put(b, &n)
	for i := range k.machines {
		m := &k.machines[i]
		b = putAll(putAll(putAll(putAll(b, []byte(m.name)), m.then), m.log), m.part)
	}
	return b
}

// ReadKept reads what Bytes wrote; it is not copied.
func ReadKept(b []byte) (*Kept, bool) {
	k, in, n := &Kept{}, reader{b: b}, 0
	take(&in, &k.week)
	k.fleet = in.bytes()
	take(&in, &n)
	for range n {
		m := keptMachine{name: string(in.bytes()), then: in.bytes(), log: in.bytes(), part: in.bytes()}
		if in.short {
			return nil, false
		}
		k.machines = append(k.machines, m)
	}
	return k, !in.short
}

// The program's own memory, as it is: nothing here holds a pointer (a test sees
// to it), and only the same program reads it again.

func put[T any](b []byte, v *T) []byte { return append(b, memory(v, 1)...) }

func putAll[T any](b []byte, s []T) []byte {
	n := len(s)
	return append(put(b, &n), memory(unsafe.SliceData(s), n)...)
}

func memory[T any](v *T, n int) []byte {
	return unsafe.Slice((*byte)(unsafe.Pointer(v)), n*int(unsafe.Sizeof(*v)))
}

type reader struct {
	b     []byte
	short bool
}

func (r *reader) next(n int) []byte {
	if n < 0 || n > len(r.b) {
		r.short = true
		return nil
	}
	b := r.b[:n]
	r.b = r.b[n:]
	return b
}

func (r *reader) bytes() []byte {
	var n int
	take(r, &n)
	return r.next(n)
}

func take[T any](r *reader, v *T) { copy(memory(v, 1), r.next(int(unsafe.Sizeof(*v)))) }

func takeAll[T any](r *reader) []T {
	var n int
	take(r, &n)
	size := int(unsafe.Sizeof(*new(T)))
	if n < 0 || n > len(r.b)/size {
		r.short = true
		return nil
	}
	s := make([]T, n)
	copy(memory(unsafe.SliceData(s), n), r.next(n*size))
	return s
}
