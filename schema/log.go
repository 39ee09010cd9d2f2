package schema

import (
	"iter"
	"slices"
	"strconv"
	"time"

	"shedbook/schema/unit"
)

// Log is one machine's record: each kind in time order, ties by number. The
// store hands logs to the reports.
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
// names, and what belongs to no single machine.
type Fleet struct {
	Logs     []Log
	Drivers  []Driver
	Gone     []Driver // voided; no record names them, but texts may
	Words    []Word
	Specs    []Spec
	Plans    []Plan
	Answers  []Answer // to flags of drivers and of the fleet
	Settings Settings
}

// People returns everybody a text may name.
func (f *Fleet) People() []Driver { return slices.Concat(f.Drivers, f.Gone) }

// Settings are the book's settings by key; see SettingKeys.
type Settings map[string]string

// Get returns a setting's value, or its default.
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

// Number returns a numeric setting's value in its unit.
func (s Settings) Number(key string, u unit.Unit) float64 {
	v, err := unit.Parse(s.Get(key), u)
	if err != nil {
		return 0
	}
	return v
}

// SettlingCycles returns the number of heat cycles after a refill in which the
// level still settles.
func (s Settings) SettlingCycles() int {
	n, _ := strconv.Atoi(s.Get("settling-cycles"))
	return n
}

// WarmUp returns how long a run must be to make a heat cycle, in hours.
func (s Settings) WarmUp() float64 { return s.Number("warm-up-min", unit.Minutes) / 60 }

// Zone returns the book's time zone.
func (s Settings) Zone() *time.Location {
	loc, err := unit.ParseZone(s.Get("time-zone"))
	if err != nil {
		return time.UTC
	}
	return loc
}

// Dates returns the order of day and month in dates such as 3/4/2026.
func (s Settings) Dates() unit.Order { return unit.Order(s.Get("date-order")) }

// Units returns the system of units shown.
func (s Settings) Units() unit.System { return unit.System(s.Get("units")) }

// slots yields the places of a log, in the order of Kinds.
func (l *Log) slots() iter.Seq[Slot] {
	return func(yield func(Slot) bool) {
		for _, k := range Kinds {
			if k.in != nil && !yield(k.in(l)) {
				return
			}
		}
	}
}

// AsOf returns the part of the log dated at t or before: what could be known
// then. A zero t means all of it. The slices are shared, not copied.
func (l Log) AsOf(t time.Time) Log {
	if !t.IsZero() {
		for s := range l.slots() {
			s.until(t)
		}
		l.Outings = knownAt(l.Outings, t)
	}
	return l
}

// Without returns the log without the records that drop picks by number.
func (l Log) Without(drop func(number int64) bool) Log {
	for s := range l.slots() {
		s.without(drop)
	}
	return l
}

// Len returns how many records the log holds, not counting the machine.
func (l *Log) Len() (n int) {
	for s := range l.slots() {
		n += s.Len()
	}
	return n
}

// Records yields pointers into the log, to all its records except the machine:
// kind by kind, each in time order.
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

// Add inserts a record into the log in time order, after those of the same
// time. Adding a machine sets the log's own. It panics on a kind that logs do
// not hold.
func (l *Log) Add(r Record) {
	if m, ok := r.(*Machine); ok {
		l.Machine = *m
		return
	}
	KindOf(r).In(l).insert(r)
}

// Copy returns a log that can be added to without changing this one.
func (l Log) Copy() *Log {
	c := l.AsOf(time.Unix(1<<40, 0)) // caps every slice at its last record, so that appending copies it
	return &c
}

// Begin returns the time of the first record; zero in an empty log.
func (l *Log) Begin() (begin time.Time) {
	for s := range l.slots() {
		if s.Len() > 0 && (begin.IsZero() || s.when(0).Before(begin)) {
			begin = s.when(0)
		}
	}
	return begin
}

// End returns the time of the last record; zero in an empty log.
func (l *Log) End() (end time.Time) {
	for s := range l.slots() {
		if n := s.Len(); n > 0 && s.when(n-1).After(end) {
			end = s.when(n - 1)
		}
	}
	return end
}

// AsOf returns the fleet as it could be known at t: see Log.AsOf.
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

// knownAt returns outings as they were known at t: those that came back later
// appear as still out.
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

// DrivenIn reports whether a run began during an outing that is over.
func (l *Log) DrivenIn(o *Outing) bool {
	return slices.ContainsFunc(l.Runs, func(r Run) bool { return !r.At.Before(o.At) && !r.At.After(o.Back) })
}

// Out returns the outing that the machine is on at the end of the log (the last
// if there are several); nil if it is in the yard.
func (l *Log) Out() *Outing {
	for i := len(l.Outings) - 1; i >= 0; i-- {
		if l.Outings[i].Back.IsZero() {
			return &l.Outings[i]
		}
	}
	return nil
}
