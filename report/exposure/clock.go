package exposure

import (
	"cmp"
	"math"
	"slices"
	"sort"
	"time"

	"shedbook/schema"
)

// Clock gives a machine's engine hours at any time, from its meter readings,
// replaced meters (hours go on counting), and the recorded runs between and
// beyond the readings. Hours on the meter beyond those of the runs are spread
// evenly over the time between the two readings; if the runs add up to more
// than the meter gained, the meter is believed and the runs shrink in
// proportion. Without any reading the hours count from 0 at the first record.
type Clock struct {
	points  []point // accepted readings, both coordinates rising
	runs    *runs
	changes []schema.MeterChange
	// Refused are the readings that contradict the others: below an earlier one,
	// or above it by more hours than have passed.
	Refused []Reading
}

// Reading is one meter reading: its time, its value, and the engine hours it
// means with earlier meters added.
type Reading struct {
	At     time.Time
	Kind   string // kind of record: machine, meter, run, topup, ...
	Number int64  // of the record
	Meter  float64
	Engine float64
}

type point struct {
	at     time.Time
	engine float64
}

// meterSlack is the tolerance of a reading, in hours: the contract's limit
// beyond which hours and meter disagree.
const meterSlack = 0.2

func newClock(log *schema.Log, r *runs) *Clock {
	c := &Clock{runs: r, changes: log.Meters}
	keep, refused := consistent(Readings(log))
	c.Refused = refused
	for _, k := range keep {
		if n := len(c.points); n > 0 {
			k.Engine = max(k.Engine, c.points[n-1].engine)
			if k.At.Equal(c.points[n-1].at) {
				c.points[n-1].engine = k.Engine
				continue
			}
		}
		c.points = append(c.points, point{k.At, k.Engine})
	}
	return c
}

// Known reports whether there is any meter reading.
func (c *Clock) Known() bool { return len(c.points) > 0 }

// First and Last return the first and last time at which engine hours are
// known: a meter reading, or a run's start or end. ok is false for an empty
// log.
func (c *Clock) First() (at time.Time, engine float64, ok bool) {
	if len(c.points) > 0 {
		at, ok = c.points[0].at, true
	}
	if len(c.runs.log) > 0 && (!ok || c.runs.log[0].At.Before(at)) {
		at, ok = c.runs.log[0].At, true
	}
	return at, c.At(at), ok
}

// Last: see First.
func (c *Clock) Last() (at time.Time, engine float64, ok bool) {
	if n := len(c.points); n > 0 {
		at, ok = c.points[n-1].at, true
	}
	if n := len(c.runs.log); n > 0 && (!ok || c.runs.latest[n-1].After(at)) {
		at, ok = c.runs.latest[n-1], true
	}
	return at, c.At(at), ok
}

// At returns the engine hours at t.
func (c *Clock) At(t time.Time) float64 {
	h, _ := c.runs.to(t)
	n := sort.Search(len(c.points), func(i int) bool { return c.points[i].at.After(t) })
	switch {
	case len(c.points) == 0:
		return h
	case n == 0:
		h0, _ := c.runs.to(c.points[0].at)
		return max(c.points[0].engine-(h0-h), 0)
	case n == len(c.points):
		h0, _ := c.runs.to(c.points[n-1].at)
		return c.points[n-1].engine + (h - h0)
	}
	a, b := c.points[n-1], c.points[n]
	ha, _ := c.runs.to(a.at)
	hb, _ := c.runs.to(b.at)
	gain, driven := b.engine-a.engine, hb-ha
	if driven > gain {
		return a.engine + (h-ha)*gain/driven
	}
	return a.engine + (h - ha) + (gain-driven)*float64(t.Sub(a.at))/float64(b.at.Sub(a.at))
}

// Of returns the engine hours of a record: from its own meter reading if that
// was accepted, otherwise at its time.
func (c *Clock) Of(h *schema.Head) float64 {
	if h.Meter.Known {
		r := Reading{At: h.At, Meter: h.Meter.V}
		fits := true
		for _, x := range c.Refused {
			fits = fits && !(x.At.Equal(r.At) && x.Meter == r.Meter)
		}
		if fits {
			return r.Meter + replaced(c.changes, &r)
		}
	}
	return c.At(h.At)
}

// When returns the first time at which the engine hours reached h; ok is false
// if they have not by the last record.
func (c *Clock) When(h float64) (time.Time, bool) {
	first, _, ok := c.First()
	last, most, _ := c.Last()
	if !ok || h > most+1e-9 {
		return time.Time{}, false
	}
	n := int64(last.Sub(first) / time.Second)
	i := sort.Search(int(n), func(i int) bool { return c.At(first.Add(time.Duration(i)*time.Second)) >= h-1e-9 })
	return first.Add(time.Duration(i) * time.Second), true
}

// Readings returns all meter readings of a log in time order, with replaced
// meters added.
func Readings(log *schema.Log) []Reading {
	rs := make([]Reading, 0, 2*len(log.Runs)+8)
	add := func(at time.Time, kind string, number int64, n schema.Num) {
		if n.Known {
			rs = append(rs, Reading{At: at, Kind: kind, Number: number, Meter: n.V})
		}
	}
	for r := range log.Records() {
		switch r := r.(type) {
		case *schema.Run:
			add(r.At, "run", r.Number, r.MeterOut)
			add(r.End(), "run", r.Number, r.MeterIn)
		case *schema.Outing:
			add(r.At, "outing", r.Number, r.MeterOut)
			add(r.Back, "outing", r.Number, r.MeterBack)
		case *schema.MeterChange:
			add(r.At, "meter", r.Number, r.Was)
		default:
			if h := schema.HeadOf(r); h != nil {
				add(h.At, schema.KindOf(r).Name, h.Number, h.Meter)
			}
		}
	}
	byTime := func() {
		order := func(a, b Reading) int {
			if c := a.At.Compare(b.At); c != 0 {
				return c
			}
			return cmp.Compare(a.Engine, b.Engine)
		}
		if !slices.IsSortedFunc(rs, order) { // nearly all are
			slices.SortStableFunc(rs, order)
		}
	}
	for i := range rs {
		rs[i].Engine = rs[i].Meter + replaced(log.Meters, &rs[i])
	}
	byTime()
	if m := &log.Machine; m.Meter.Known {
		// A machine's own reading dates from the day it was acquired, or else from
		// its entry. A book begun with a fleet's old sheets is entered after them, so
		// a reading below the first one in them is put before it.
		at := m.Acquired
		if at.IsZero() {
			at = m.Entered
			if f := log.Begin(); !f.IsZero() && (at.IsZero() || f.Before(at)) &&
				(len(rs) == 0 || m.Meter.V <= rs[0].Engine+meterSlack) {
				at = f
			}
		}
		if !at.IsZero() {
			own := Reading{At: at, Kind: "machine", Number: m.Number, Meter: m.Meter.V}
			own.Engine = own.Meter + replaced(log.Meters, &own)
			rs = append(rs, own)
			byTime()
		}
	}
	return rs
}

// replaced returns the hours to add to a reading for the earlier meters: the
// last reading of each less the first of the next. At the very moment of a
// change the reading belongs to the meter it is nearer to.
func replaced(changes []schema.MeterChange, r *Reading) float64 {
	sum := 0.0
	for i := range changes {
		m := &changes[i]
		if r.Kind == "meter" && r.Number == m.Number && r.At.Equal(m.At) && r.Meter == m.Was.V || r.At.Before(m.At) {
			break
		}
		if r.At.Equal(m.At) && math.Abs(r.Meter-m.Was.V) <= math.Abs(r.Meter-m.Now.V) {
			break
		}
		sum += m.Was.V - m.Now.V
	}
	return sum
}

// consistent returns the longest sequence of readings in which none is below an
// earlier one and none gained more hours than have passed (with a day's slack,
// since many logs have only dates). If that refuses more than a fifth of them,
// the times are wrong, and only running backwards counts.
func consistent(rs []Reading) (keep, refused []Reading) {
	backwards := func(a, b *Reading) bool { return b.Engine < a.Engine-meterSlack }
	either := func(a, b *Reading) bool {
		return backwards(a, b) || b.Engine-a.Engine > b.At.Sub(a.At).Hours()+24
	}
	keep, refused = chain(rs, either)
	if 5*len(refused) > len(rs) {
		keep, refused = chain(rs, backwards)
	}
	return keep, refused
}

// reach is how many readings back the sequence may skip: a longer run of
// contradicting readings is another meter, not a slip.
const reach = 64

func chain(rs []Reading, clash func(a, b *Reading) bool) (keep, refused []Reading) {
	clean := true
	for i := 1; i < len(rs) && clean; i++ {
		clean = !clash(&rs[i-1], &rs[i])
	}
	if clean {
		return rs, nil
	}
	length, before := make([]int, len(rs)), make([]int, len(rs))
	end := -1
	for j := range rs {
		length[j], before[j] = 1, -1
		for i := j - 1; i >= 0 && i >= j-reach; i-- {
			if length[i]+1 > length[j] && !clash(&rs[i], &rs[j]) {
				length[j], before[j] = length[i]+1, i
			}
		}
		if end < 0 || length[j] > length[end] {
			end = j
		}
	}
	in := make([]bool, len(rs))
	for i := end; i >= 0; i = before[i] {
		in[i] = true
	}
	for i := range rs {
		if in[i] {
			keep = append(keep, rs[i])
		} else {
			refused = append(refused, rs[i])
		}
	}
	return keep, refused
}
