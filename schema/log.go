package schema

import (
	"iter"
	"slices"
	"strconv"
	"time"

	"shedbook/schema/unit"
)

// Log is one machine's life as recorded: each kind in time order, ties in the
// order of their numbers. It is what the store hands to the reports.
type Log struct {
	Machine   Machine
	Meters    []MeterChange
	Runs      []Run
	TopUps    []TopUp
	Refills   []Refill
	Bleeds    []Bleed
	Levels    []Level
	Cleanings []Cleaning
	Overheats []Overheat
	Checks    []Check
	Services  []Service
	Releases  []Release
	Outings   []Outing
	Answers   []Answer // to this machine's flags
}

// Fleet is a whole book: every machine's log in the order of the machines'
// names, and what is not one machine's.
type Fleet struct {
	Logs     []Log
	Drivers  []Driver
	Gone     []Driver // voided: nobody's records, but texts may name them
	Words    []Word
	Specs    []Spec
	Plans    []Plan
	Answers  []Answer // to drivers' and the fleet's flags
	Settings Settings
}

// People are all whom a text may name.
func (f *Fleet) People() []Driver { return slices.Concat(f.Drivers, f.Gone) }

// Settings are the book's settings by key; see SettingKeys.
type Settings map[string]string

// Get is a setting's value, or its default.
func (s Settings) Get(key string) string {
	if v, ok := s[key]; ok {
		return v
	}
	for _, k := range SettingKeys {
		if k.Key == key {
			return k.Default
		}
	}
	return ""
}

// Number is a numeric setting's value in its unit.
func (s Settings) Number(key string, u unit.Unit) float64 {
	v, err := unit.Parse(s.Get(key), u)
	if err != nil {
		return 0
	}
	return v
}

// SettlingCycles is the number of heat cycles after a refill in which the
// level still settles.
func (s Settings) SettlingCycles() int {
	n, _ := strconv.Atoi(s.Get("settling-cycles"))
	return n
}

// WarmUp is how long a run must be to make a heat cycle, in hours.
func (s Settings) WarmUp() float64 { return s.Number("warm-up-min", unit.Minutes) / 60 }

// Zone is the book's time zone.
func (s Settings) Zone() *time.Location {
	loc, err := unit.ParseZone(s.Get("time-zone"))
	if err != nil {
		return time.UTC
	}
	return loc
}

// Dates is the order in which the book reads a date such as 3/4/2026.
func (s Settings) Dates() unit.Order { return unit.Order(s.Get("date-order")) }

// Units is the system of units shown.
func (s Settings) Units() unit.System { return unit.System(s.Get("units")) }

// slots are the places of a log, in the order of the kinds.
func (l *Log) slots() iter.Seq[Slot] {
	return func(yield func(Slot) bool) {
		for _, k := range Kinds {
			if k.in != nil && !yield(k.in(l)) {
				return
			}
		}
	}
}

// AsOf is the log as far as it is dated at t or before: what could be known
// then. A zero t is the whole log. The slices are shared, not copied.
func (l Log) AsOf(t time.Time) Log {
	if !t.IsZero() {
		for s := range l.slots() {
			s.until(t)
		}
		l.Outings = knownAt(l.Outings, t)
	}
	return l
}

// Without is the log without the records whose numbers drop picks.
func (l Log) Without(drop func(number int64) bool) Log {
	for s := range l.slots() {
		s.without(drop)
	}
	return l
}

// Len is how many records the log holds, but for the machine.
func (l *Log) Len() (n int) {
	for s := range l.slots() {
		n += s.Len()
	}
	return n
}

// Records are the log's records but for the machine, kind by kind, each in time
// order. What is yielded points into the log.
func (l *Log) Records() iter.Seq[Record] {
	return func(yield func(Record) bool) {
		for s := range l.slots() {
			for i := range s.Len() {
				if !yield(s.At(i)) {
					return
				}
			}
		}
	}
}

// Add puts a record in its place in the log: by time, behind those of the same
// time. A machine is the log's own. It panics on a kind that no log holds.
func (l *Log) Add(r Record) {
	if m, ok := r.(*Machine); ok {
		l.Machine = *m
		return
	}
	KindOf(r).In(l).insert(r)
}

// Copy is a log to which records can be added without the other seeing them.
func (l Log) Copy() *Log {
	c := l.AsOf(time.Unix(1<<40, 0)) // every slice ends at its last record
	return &c
}

// Begin is the time of the first record; zero in an empty log.
func (l *Log) Begin() (begin time.Time) {
	for s := range l.slots() {
		if s.Len() > 0 && (begin.IsZero() || s.when(0).Before(begin)) {
			begin = s.when(0)
		}
	}
	return begin
}

// End is the time of the last record; zero in an empty log.
func (l *Log) End() (end time.Time) {
	for s := range l.slots() {
		if n := s.Len(); n > 0 && s.when(n-1).After(end) {
			end = s.when(n - 1)
		}
	}
	return end
}

// AsOf is the fleet as it could be known at t: see Log.AsOf.
func (f Fleet) AsOf(t time.Time) Fleet {
	if t.IsZero() {
		return f
	}
	logs := make([]Log, len(f.Logs))
	for i, l := range f.Logs {
		logs[i] = l.AsOf(t)
	}
	f.Logs = logs
	slot[Answer, *Answer]{&f.Answers}.until(t)
	return f
}

// knownAt are outings as they were known at t: those that were back later, as they
// went out.
func knownAt(outings []Outing, t time.Time) []Outing {
	copied := false
	for i := range outings {
		if outings[i].Back.After(t) {
			if !copied {
				outings, copied = slices.Clone(outings), true
			}
			outings[i] = outings[i].begun()
		}
	}
	return outings
}

// Out is the outing that the machine is on at the end of the log, the last where
// there are several; nil where it is in the yard.
func (l *Log) Out() *Outing {
	for i := len(l.Outings) - 1; i >= 0; i-- {
		if l.Outings[i].Back.IsZero() {
			return &l.Outings[i]
		}
	}
	return nil
}
