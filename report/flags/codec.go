package flags

import (
	"encoding/binary"
	"encoding/json"
	"math"
	"slices"
	"sync"

	"shedbook/schema"
)

// keptVersion is the version of what is kept: a higher number with each change of
// what a codec writes, or of what the figures in it mean.
const keptVersion = 4

// codec writes what is kept of a pass, or reads it: each code method goes through
// its fields in one order for both.
type codec struct {
	b       []byte // what was written, or is left to be read
	reading bool
	short   bool // what was to be read is not all there, or not as it should be
}

// written is what a method codes.
func written(code func(*codec)) (b []byte) {
	writing(code, func(all []byte) { b = slices.Clone(all) })
	return b
}

// writing hands on what a method codes, which does not stand after that.
func writing(code func(*codec), do func([]byte)) {
	c := rooms.Get().(*codec)
	*c = codec{b: c.b[:0]}
	code(c)
	do(c.b)
	rooms.Put(c)
}

// rooms are codecs with room from what they wrote before.
var rooms = sync.Pool{New: func() any { return new(codec) }}

// read lets a method read what it wrote; it reports whether it was all of it.
func read(b []byte, code func(*codec)) bool {
	c := codec{b: b, reading: true}
	code(&c)
	return !c.short && len(c.b) == 0
}

func (c *codec) uint(v *uint64) {
	if !c.reading {
		c.b = binary.AppendUvarint(c.b, *v)
		return
	}
	is, n := binary.Uvarint(c.b)
	if n <= 0 {
		c.short, c.b = true, nil
		return
	}
	*v, c.b = is, c.b[n:]
}

func integer[T ~int | ~int64 | ~int8 | ~uint8 | ~uint16](c *codec, v *T) {
	u := uint64(*v)<<1 ^ uint64(int64(*v)>>63)
	c.uint(&u)
	*v = T(int64(u>>1) ^ -int64(u&1))
}

func (c *codec) int(v *int)     { integer(c, v) }
func (c *codec) int64(v *int64) { integer(c, v) }

// fixed is room for n bytes to be written, or n bytes that were read.
func (c *codec) fixed(n int) []byte {
	if !c.reading {
		c.b = append(c.b, make([]byte, n)...)
		return c.b[len(c.b)-n:]
	}
	if n > len(c.b) {
		c.short, c.b = true, nil
		return make([]byte, n)
	}
	b := c.b[:n]
	c.b = c.b[n:]
	return b
}

func (c *codec) float(v *float64) {
	if b := c.fixed(8); c.reading {
		*v = math.Float64frombits(binary.LittleEndian.Uint64(b))
	} else {
		binary.LittleEndian.PutUint64(b, math.Float64bits(*v))
	}
}

func (c *codec) float32(v *float32) {
	if b := c.fixed(4); c.reading {
		*v = math.Float32frombits(binary.LittleEndian.Uint32(b))
	} else {
		binary.LittleEndian.PutUint32(b, math.Float32bits(*v))
	}
}

func (c *codec) floats(vs ...*float64) {
	for _, v := range vs {
		c.float(v)
	}
}

func (c *codec) floats32(vs ...*float32) {
	for _, v := range vs {
		c.float32(v)
	}
}

func (c *codec) bools(vs ...*bool) {
	u := uint64(0)
	for i, v := range vs {
		if *v {
			u |= 1 << i
		}
	}
	c.uint(&u)
	for i, v := range vs {
		*v = u>>i&1 == 1
	}
}

func (c *codec) bool(v *bool) { c.bools(v) }

// bytes codes bytes; those read are not copied, and nil where there are none.
func (c *codec) bytes(v *[]byte) {
	n := uint64(len(*v))
	c.uint(&n)
	if !c.reading {
		c.b = append(c.b, *v...)
		return
	}
	if n > uint64(len(c.b)) {
		c.short, c.b, n = true, nil, 0
	}
	*v = nil
	if n > 0 {
		*v, c.b = c.b[:n:n], c.b[n:]
	}
}

func (c *codec) text(v *string) {
	b := []byte(*v)
	c.bytes(&b)
	*v = string(b)
}

// json codes what has a form of its own already.
func (c *codec) json(v any) {
	var b []byte
	if !c.reading {
		b, _ = json.Marshal(v)
	}
	if c.bytes(&b); c.reading && json.Unmarshal(b, v) != nil {
		c.short = true
	}
}

// list codes a list of any length.
func list[T any](c *codec, of *[]T, code func(*T, *codec)) {
	n := uint64(len(*of))
	c.uint(&n)
	if c.reading {
		if n > uint64(len(c.b)) { // each takes a byte at least
			c.short, c.b, n = true, nil, 0
		}
		*of = make([]T, n)
	}
	for i := range *of {
		code(&(*of)[i], c)
	}
}

// fill codes a list whose length both sides know.
func fill[T any](c *codec, of []T, code func(*T, *codec)) {
	n := len(of)
	if c.int(&n); n != len(of) {
		c.short, c.b = true, nil
		return
	}
	for i := range of {
		code(&of[i], c)
	}
}

// answer codes which of some answers it is, if any.
func (c *codec) answer(all []schema.Answer, a *schema.Answer) *schema.Answer {
	place := -1
	for i := range all {
		if &all[i] == a {
			place = i
		}
	}
	if c.int(&place); place < 0 || place >= len(all) {
		return nil
	}
	return &all[place]
}

func (p *passed) code(c *codec) {
	for _, n := range []*int{&p.piece, &p.event, &p.stretch, &p.service, &p.answer} {
		c.int(n)
	}
}

func (p *past) code(c *codec) {
	p.passed.code(c)
	c.uint(&p.sum)
}

func (t *tally) code(c *codec) { c.floats(&t.n, &t.s) }

func (p *point) code(c *codec) {
	c.int64(&p.at)
	c.float32(&p.hours)
	for i := range p.log10 {
		c.float32(&p.log10[i])
	}
}

func (h *heard) code(c *codec) {
	c.int64(&h.at)
	c.int(&h.n)
	c.float(&h.odds)
}

func (p *piece) code(c *codec) {
	c.int64(&p.start)
	c.floats32(&p.hours, &p.exposed, &p.runHours, &p.mud, &p.deep, &p.ambient)
	integer(c, &p.driver)
	for i := range p.level {
		integer(c, &p.level[i])
	}
	integer(c, &p.cycles)
	c.bools(&p.bled, &p.first, &p.cycle, &p.repeat)
}

func (e *event) code(c *codec) {
	c.int64(&e.at)
	c.int(&e.piece)
	for i := range e.level {
		integer(c, &e.level[i])
	}
	integer(c, &e.driver)
	c.floats32(&e.ambient, &e.minutes)
	integer(c, &e.wet)
	integer(c, &e.fan)
	c.bool(&e.unplaced)
}

func (s *stretch) code(c *codec) {
	c.int64(&s.from)
	c.int64(&s.at)
	c.floats32(&s.hours, &s.loss, &s.boiled, &s.sd)
}

func (m *mend) code(c *codec) {
	c.int64(&m.at)
	c.text(&m.cause)
	c.text(&m.work)
}

func (l *logFacts) code(c *codec) {
	c.float(&l.settling)
	c.int(&l.unplaced)
	c.bool(&l.noMeter)
	c.int64(&l.firstAt)
	c.int(&l.overheats)
}

func (m *markCounts) code(c *codec) {
	for i := range m.early {
		c.floats(&m.early[i], &m.earlyExpected[i])
	}
	c.floats(&m.wet, &m.wetKnown, &m.off, &m.offKnown, &m.again, &m.heard)
}

func (l *learned) code(c *codec) {
	c.float(&l.mu)
	l.all.code(c)
	l.lately.code(c)
	for i := range l.nature {
		c.float(&l.nature[i])
	}
	l.marks.code(c)
	for i := range l.seep {
		c.float(&l.seep[i])
	}
	c.float(&l.seepSum)
	c.bool(&l.seepAll)
	c.int(&l.seen)
}

func (t *tallies) code(c *codec) {
	for i := range t.ratio {
		c.float(&t.ratio[i])
	}
	for i := range t.spread {
		c.floats(&t.spread[i], &t.weight[i])
	}
	c.float(&t.best)
	c.int64(&t.since)
	c.int64(&t.raised)
	c.floats(&t.count, &t.expected)
	c.int(&t.overheats)
	c.int(&t.heard)
	c.floats(&t.due, &t.high, &t.steep)
}

func (o *onset) code(c *codec) {
	c.floats(&o.mix, &o.best)
	c.int64(&o.at)
}

func (s *spending) code(c *codec) {
	c.floats(&s.left, &s.hours)
	c.bool(&s.started)
}

func (f *figures) code(c *codec) {
	for i := range f.states {
		for k := range f.states[i] {
			f.states[i][k].code(c)
		}
	}
	f.mass.code(c)
	for i := range f.coolant.sound {
		c.float(&f.coolant.sound[i])
	}
	for i := range f.coolant.loss {
		f.coolant.loss[i].code(c)
	}
	f.loss.code(c)
	c.float(&f.hours)
	c.int(&f.count)
	c.floats(&f.sound, &f.even)
	for i := range f.nature {
		c.float(&f.nature[i])
	}
	f.lately.code(c)
	c.float(&f.last)
	c.int(&f.mends)
	f.marks.code(c)
	for i := range f.total {
		c.floats(&f.total[i], &f.high[i])
		c.int64(&f.raised[i])
	}
	c.int(&f.answers)
	c.float(&f.seepTrust)
}
