// Package exposure turns a machine's log into hours at risk: when the engine
// ran, under which conditions, how long after a cleaning or a refill, and which
// overheats fell into which of those hours.
//
// Hours are decimal engine hours, temperatures degrees Celsius. A run is taken
// as driven without a pause from its start, so that it can be split exactly
// where a cleaning, a refill or the end of a month falls into it. Nothing is
// dropped silently: overheats outside any recorded run, hours with an
// unrecorded level, hours that only the meter shows and hours outside the
// machine's time in the fleet are all counted.
package exposure

import (
	"math"
	"sort"
	"time"

	"shedbook/schema"
)

// Factor is a condition by which hours and overheats are grouped: machine,
// driver, terrain and so on. The values of a factor are its levels.
type Factor int

// The factors, in the order of Levels.
const (
	Machine Factor = iota
	Model
	Driver
	Terrain
	Speed
	Range
	Load
	Ambient
	Factors // the number of factors
)

var factorNames = [Factors]string{"machine", "model", "driver", "terrain", "speed", "range", "load", "ambient"}

func (f Factor) String() string { return factorNames[f] }

// FactorNames returns the factors' names, in order.
func FactorNames() []string { return append([]string(nil), factorNames[:]...) }

// ParseFactor returns a factor by its name.
func ParseFactor(name string) (Factor, bool) {
	for i, n := range factorNames {
		if n == name {
			return Factor(i), true
		}
	}
	return 0, false
}

// Levels are the numbers of the levels of a piece of a run, one for each
// factor, as in Index.Names; 0 is not recorded. It is the key of a stratum.
type Levels [Factors]uint16

// Bands are the bands of air temperature in °C.
var Bands = []string{"below 0", "0-10", "10-20", "20-30", "30 and over"}

// Band returns the index in Bands of a temperature in °C.
func Band(c float64) int {
	switch {
	case c < 0:
		return 0
	case c >= 30:
		return 4
	}
	return 1 + int(c/10)
}

// Index numbers the levels of the factors, so that a million runs can be
// grouped by small numbers. It grows as lives are made, and is not safe for use
// by two goroutines, but see Begin.
type Index struct {
	// Names are the levels by factor and number; the first, "", means not
	// recorded. Words are in the order of their vocabulary, bands rise, drivers
	// are in order of name, machines and models in order of appearance.
	Names  [Factors][]string
	ids    [Factors]map[string]uint16
	zone   *time.Location
	warmUp float64
}

// NewIndex returns an index with the book's words, drivers and settings.
func NewIndex(words []schema.Word, drivers []schema.Driver, settings schema.Settings) *Index {
	x := &Index{zone: settings.Zone(), warmUp: settings.WarmUp()}
	for f := range x.ids {
		x.ids[f] = map[string]uint16{}
		x.id(Factor(f), "")
	}
	for f := Terrain; f <= Load; f++ {
		for _, w := range schema.Words(f.String()) {
			x.id(f, w)
		}
	}
	for _, w := range words {
		if w.Vocabulary == "terrain" {
			x.id(Terrain, w.Word)
		}
	}
	for _, b := range Bands {
		x.id(Ambient, b)
	}
	names := make([]string, len(drivers))
	for i, d := range drivers {
		names[i] = d.Name
	}
	sort.Strings(names)
	for _, n := range names {
		x.id(Driver, n)
	}
	return x
}

// ID returns the number of a level; false if it is not known.
func (x *Index) ID(f Factor, level string) (uint16, bool) {
	id, ok := x.ids[f][level]
	return id, ok
}

// Name returns the name of a level; "" if not recorded.
func (x *Index) Name(f Factor, id uint16) string { return x.Names[f][id] }

func (x *Index) id(f Factor, level string) uint16 {
	if id, ok := x.ids[f][level]; ok {
		return id
	}
	if len(x.Names[f]) > math.MaxUint16 {
		return 0 // no number is left: not recorded is better than a wrong level
	}
	id := uint16(len(x.Names[f]))
	x.Names[f] = append(x.Names[f], level)
	x.ids[f][level] = id
	return id
}

func (x *Index) ambient(c schema.Num) uint16 {
	if !c.Known {
		return 0
	}
	return x.ids[Ambient][Bands[Band(c.V)]]
}

// Since is what was driven since something was done: recorded hours, and those
// of them in mud. Never means that the log does not have it done, and the hours
// count from its first record.
type Since struct {
	Hours, Mud float64
	Never      bool
}

// State is what was driven since the last cleanings and the last refill of a
// machine, at one moment.
type State struct {
	Thorough, Any, Refill Since
	Cycles                int // heat cycles completed since the last refill, or since the first record
}

// Piece is a run, or the part of it between two boundaries: cleanings, refills
// and the ends of months. Its conditions hold throughout; State is that at its
// start.
type Piece struct {
	Run    int // index in Log.Runs
	Start  time.Time
	Hours  float64
	Levels Levels
	Month  int // year*12 + month-1, in the book's zone
	State
}

// Life is one machine's log with its hours at risk.
type Life struct {
	Log   *schema.Log
	Whole *schema.Log // with the records dated after the end of Log; nil if there are none
	Clock *Clock
	// Pieces are the recorded hours at risk, by run and, within a run, by time.
	Pieces []Piece
	// Overheats are those of the log, in the same order.
	Overheats []Event
	// Hours and Mud are all recorded hours, and those of them in mud.
	Hours, Mud float64
	// OutsideHours are recorded hours from before the machine was acquired or
	// after it was retired: not at risk, and in no piece.
	OutsideHours float64

	first  []int // for each run its first piece; one more at the end
	runs   runs
	cleans []milestone // of any kind
	deep   []milestone // the thorough ones
	fills  []milestone
	index  *Index
}

// Life returns the life of one machine. Its log must be in time order and is
// kept, not copied.
func (x *Index) Life(log *schema.Log) *Life {
	l := x.Begin(log)
	x.Finish(l)
	return l
}

// Begin makes a life without its levels, which is most of the work; goroutines
// may do so at the same time. Finish does the rest, one life after another.
func (x *Index) Begin(log *schema.Log) *Life {
	l := &Life{Log: log, index: x, runs: newRuns(log.Runs, x.warmUp)}
	l.Clock = newClock(log, &l.runs)
	for i := range log.Cleanings {
		c := &log.Cleanings[i]
		m := l.runs.milestone(c.At)
		l.cleans = append(l.cleans, m)
		if c.Thorough() {
			l.deep = append(l.deep, m)
		}
	}
	for i := range log.Refills {
		l.fills = append(l.fills, l.runs.milestone(log.Refills[i].At))
	}
	l.split()
	l.place()
	return l
}

// Finish adds the levels to a life that was begun.
func (x *Index) Finish(l *Life) {
	machine, model := x.id(Machine, l.Log.Machine.Name), x.id(Model, l.Log.Machine.Model)
	of := make([]Levels, len(l.Log.Runs))
	for i := range l.Log.Runs {
		r := &l.Log.Runs[i]
		of[i] = Levels{machine, model, x.id(Driver, r.Driver), x.id(Terrain, r.Terrain), x.id(Speed, r.Speed),
			x.id(Range, r.Range), x.id(Load, r.Load), x.ambient(r.AmbientC)}
	}
	for i := range l.Pieces {
		l.Pieces[i].Levels = of[l.Pieces[i].Run]
	}
	for i := range l.Overheats {
		e := &l.Overheats[i]
		if e.Run >= 0 {
			e.Levels = of[e.Run]
		}
		o := e.Overheat
		for f, id := range (Levels{machine, model, x.id(Driver, o.Driver), x.id(Terrain, o.Terrain),
			x.id(Speed, o.Speed),
			x.id(Range, o.Range), x.id(Load, o.Load), x.ambient(o.AmbientC)}) {
			if id != 0 {
				e.Levels[f] = id
			}
		}
	}
}

// HoursTo returns the recorded hours up to t; a run in progress counts in part.
func (l *Life) HoursTo(t time.Time) float64 { h, _ := l.runs.to(t); return h }

// MudTo returns the recorded hours in mud up to t.
func (l *Life) MudTo(t time.Time) float64 { _, m := l.runs.to(t); return m }

// CyclesTo returns the number of heat cycles completed by t: finished runs that
// were at least as long as the book's warm-up.
func (l *Life) CyclesTo(t time.Time) int { return l.runs.cycles(t) }

// Unrecorded returns the hours on the meter beyond those of the recorded runs,
// between its first and its last reading; 0 if there are not two readings.
func (l *Life) Unrecorded() float64 {
	c := l.Clock
	if len(c.points) < 2 {
		return 0
	}
	a, b := c.points[0], c.points[len(c.points)-1]
	over := b.engine - a.engine - (l.HoursTo(b.at) - l.HoursTo(a.at))
	if over < 1e-6 {
		return 0
	}
	return over
}

// At returns the state of the machine at t; what was done at t counts as done.
func (l *Life) At(t time.Time) State {
	w := l.walk(t)
	return w.at(t)
}

// walk returns states at times close to each other, such as those of
// consecutive runs, without a search for each.
type walk struct {
	l                    *Life
	begun, started       int // runs begun before the last time, and at it or before
	clean, deep, refills int // milestones at it or before
}

func (l *Life) walk(t time.Time) *walk {
	return &walk{l, l.runs.begun(t), l.runs.begun(t.Add(1)), past(l.cleans, t), past(l.deep, t), past(l.fills, t)}
}

func (w *walk) at(t time.Time) State {
	l, r := w.l, &w.l.runs
	for w.begun > 0 && !r.log[w.begun-1].At.Before(t) {
		w.begun--
	}
	for w.begun < len(r.log) && r.log[w.begun].At.Before(t) {
		w.begun++
	}
	for w.started = max(w.started, w.begun); w.started > w.begun && r.log[w.started-1].At.After(t); {
		w.started--
	}
	for w.started < len(r.log) && !r.log[w.started].At.After(t) {
		w.started++
	}
	h, m := r.driven(w.begun, t)
	s := State{Cycles: r.cyclesOf(w.started, t)}
	s.Any = since(l.cleans, step(l.cleans, &w.clean, t), h, m)
	s.Thorough = since(l.deep, step(l.deep, &w.deep, t), h, m)
	s.Refill = since(l.fills, step(l.fills, &w.refills, t), h, m)
	if w.refills > 0 {
		s.Cycles -= l.fills[w.refills-1].cycles
	}
	return s
}

// milestone is a moment at which something was done, and what had been driven
// until then.
type milestone struct {
	at         time.Time
	hours, mud float64
	cycles     int
}

func (r *runs) milestone(t time.Time) milestone {
	h, m := r.to(t)
	return milestone{t, h, m, r.cycles(t)}
}

// past returns the number of milestones at t or before.
func past(done []milestone, t time.Time) int {
	return sort.Search(len(done), func(i int) bool { return done[i].at.After(t) })
}

// step moves a number of milestones to that at t or before.
func step(done []milestone, n *int, t time.Time) int {
	for *n > 0 && done[*n-1].at.After(t) {
		*n--
	}
	for *n < len(done) && !done[*n].at.After(t) {
		*n++
	}
	return *n
}

// since counts from the nth milestone, when h hours and m mud hours had been
// driven.
func since(done []milestone, n int, h, m float64) Since {
	if n == 0 {
		return Since{h, m, true}
	}
	return Since{max(h-done[n-1].hours, 0), max(m-done[n-1].mud, 0), false}
}

// split divides the runs into pieces.
func (l *Life) split() {
	log, x := l.Log, l.index
	from, to := l.inFleet()
	walk := &walk{l: l}
	l.Pieces = make([]Piece, 0, len(log.Runs)+len(log.Runs)/8)
	l.first = make([]int, len(log.Runs)+1)
	var cuts []time.Time
	var month span
	for i := range log.Runs {
		r := &log.Runs[i]
		l.first[i] = len(l.Pieces)
		h := l.runs.hours[i]
		l.Hours += h
		if r.Terrain == "mud" {
			l.Mud += h
		}
		start, end := r.At, l.runs.end[i]
		cuts = between(cuts[:0], l.cleans, start, end)
		cuts = between(cuts, l.fills, start, end)
		for month.holds(start, x.zone); month.end.Before(end); month.holds(month.end, x.zone) {
			cuts = append(cuts, month.end)
		}
		month.holds(start, x.zone)
		for _, t := range []time.Time{from, to} {
			if !t.IsZero() && t.After(start) && t.Before(end) {
				cuts = append(cuts, t)
			}
		}
		if len(cuts) > 1 {
			sort.Slice(cuts, func(a, b int) bool { return cuts[a].Before(cuts[b]) })
		}
		left := h
		for c := 0; c <= len(cuts); c++ {
			part := left // the last piece takes the remainder, so that the pieces add up
			if c < len(cuts) {
				part = cuts[c].Sub(start).Hours()
			}
			if c < len(cuts) && part == 0 {
				continue // two things were done at the same time
			}
			left -= part
			if !from.IsZero() && start.Before(from) || !to.IsZero() && !start.Before(to) {
				l.OutsideHours += part
			} else {
				month.holds(start, x.zone)
				l.Pieces = append(l.Pieces, Piece{Run: i, Start: start, Hours: part, Month: month.month,
					State: walk.at(start)})
			}
			if c < len(cuts) {
				start = cuts[c]
			}
		}
	}
	l.first[len(log.Runs)] = len(l.Pieces)
}

// inFleet returns the machine's time in the fleet; zero at an open end. A
// retirement without a time of day includes that day.
func (l *Life) inFleet() (from, to time.Time) {
	from, to = l.Log.Machine.Acquired, l.Log.Machine.Retired
	if !to.IsZero() {
		if t := to.In(l.index.zone); t.Hour() == 0 && t.Minute() == 0 && t.Second() == 0 {
			to = t.AddDate(0, 0, 1)
		}
	}
	return from, to
}

// between adds the milestones strictly between start and end.
func between(cuts []time.Time, done []milestone, start, end time.Time) []time.Time {
	for i := past(done, start); i < len(done) && done[i].at.Before(end); i++ {
		cuts = append(cuts, done[i].at)
	}
	return cuts
}

// span is a calendar month.
type span struct {
	start, end time.Time
	month      int
}

// holds sets s to the month of t.
func (s *span) holds(t time.Time, zone *time.Location) {
	if !t.Before(s.start) && t.Before(s.end) {
		return
	}
	y, m, _ := t.In(zone).Date()
	s.start = time.Date(y, m, 1, 0, 0, 0, 0, zone)
	s.end = time.Date(y, m+1, 1, 0, 0, 0, 0, zone)
	s.month = y*12 + int(m) - 1
}

// Tidy rounds a sum of hours to a millionth, to remove errors of decimal
// fractions.
func Tidy(v float64) float64 { return math.Round(v*1e6) / 1e6 }
