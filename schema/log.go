package schema

import (
	"iter"
	"slices"
	"sort"
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

// AsOf is the log as far as it is dated at t or before: what could be known
// then. A zero t is the whole log. The slices are shared, not copied.
func (l Log) AsOf(t time.Time) Log {
	if t.IsZero() {
		return l
	}
	l.Meters = until(l.Meters, t, func(r *MeterChange) time.Time { return r.At })
	l.Runs = until(l.Runs, t, func(r *Run) time.Time { return r.At })
	l.TopUps = until(l.TopUps, t, func(r *TopUp) time.Time { return r.At })
	l.Refills = until(l.Refills, t, func(r *Refill) time.Time { return r.At })
	l.Bleeds = until(l.Bleeds, t, func(r *Bleed) time.Time { return r.At })
	l.Levels = until(l.Levels, t, func(r *Level) time.Time { return r.At })
	l.Cleanings = until(l.Cleanings, t, func(r *Cleaning) time.Time { return r.At })
	l.Overheats = until(l.Overheats, t, func(r *Overheat) time.Time { return r.At })
	l.Checks = until(l.Checks, t, func(r *Check) time.Time { return r.At })
	l.Services = until(l.Services, t, func(r *Service) time.Time { return r.At })
	l.Releases = until(l.Releases, t, func(r *Release) time.Time { return r.At })
	l.Outings = outingsUntil(l.Outings, t)
	l.Answers = until(l.Answers, t, func(r *Answer) time.Time { return r.At })
	return l
}

// Len is how many records the log holds, but for the machine.
func (l *Log) Len() int {
	return len(l.Meters) + len(l.Runs) + len(l.TopUps) + len(l.Refills) + len(l.Bleeds) + len(l.Levels) +
		len(l.Cleanings) + len(l.Overheats) + len(l.Checks) + len(l.Services) + len(l.Releases) + len(l.Outings) + len(l.Answers)
}

// Records are the log's records but for the machine, kind by kind, each in time
// order. What is yielded points into the log.
func (l *Log) Records() iter.Seq[Record] {
	return func(yield func(Record) bool) {
		_ = each(l.Meters, yield) && each(l.Runs, yield) && each(l.TopUps, yield) && each(l.Refills, yield) &&
			each(l.Bleeds, yield) && each(l.Levels, yield) && each(l.Cleanings, yield) && each(l.Overheats, yield) &&
			each(l.Checks, yield) && each(l.Services, yield) && each(l.Releases, yield) && each(l.Outings, yield) && each(l.Answers, yield)
	}
}

// Add puts a record in its place in the log: by time, behind those of the same
// time. A machine is the log's own. It panics on a kind that no log holds.
func (l *Log) Add(r Record) {
	switch r := r.(type) {
	case *Machine:
		l.Machine = *r
	case *MeterChange:
		l.Meters = insert(l.Meters, r)
	case *Run:
		l.Runs = insert(l.Runs, r)
	case *TopUp:
		l.TopUps = insert(l.TopUps, r)
	case *Refill:
		l.Refills = insert(l.Refills, r)
	case *Bleed:
		l.Bleeds = insert(l.Bleeds, r)
	case *Level:
		l.Levels = insert(l.Levels, r)
	case *Cleaning:
		l.Cleanings = insert(l.Cleanings, r)
	case *Overheat:
		l.Overheats = insert(l.Overheats, r)
	case *Check:
		l.Checks = insert(l.Checks, r)
	case *Service:
		l.Services = insert(l.Services, r)
	case *Release:
		l.Releases = insert(l.Releases, r)
	case *Outing:
		l.Outings = insert(l.Outings, r)
	case *Answer:
		l.Answers = append(l.Answers, *r)
		slices.SortStableFunc(l.Answers, func(a, b Answer) int { return a.At.Compare(b.At) })
	default:
		panic("schema: a kind that has no place in a log")
	}
}

// Copy is a log to which records can be added without the other seeing them.
func (l Log) Copy() *Log {
	c := l.AsOf(time.Unix(1<<40, 0)) // every slice ends at its last record
	return &c
}

// End is the time of the last record; zero in an empty log.
func (l *Log) End() time.Time {
	var end time.Time
	for r := range l.Records() {
		if b := BaseOf(r); b != nil && b.At.After(end) {
			end = b.At
		}
	}
	return end
}

func insert[T any, P interface {
	*T
	base() *Base
}](list []T, r P) []T {
	at := len(list)
	for at > 0 && P(&list[at-1]).base().At.After(r.base().At) {
		at--
	}
	return slices.Insert(list, at, *r)
}

func each[T any, P interface {
	*T
	Record
}](records []T, yield func(Record) bool) bool {
	for i := range records {
		if !yield(P(&records[i])) {
			return false
		}
	}
	return true
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
	f.Answers = until(f.Answers, t, func(r *Answer) time.Time { return r.At })
	return f
}

// until cuts a slice in time order after the last record dated at t or before.
func until[R any](records []R, t time.Time, at func(*R) time.Time) []R {
	n := sort.Search(len(records), func(i int) bool { return at(&records[i]).After(t) })
	return records[:n:n]
}

// outingsUntil are the outings that had begun at t; of those that were back later,
// only what was known as they went out.
func outingsUntil(all []Outing, t time.Time) []Outing {
	out := until(all, t, func(r *Outing) time.Time { return r.At })
	copied := false
	for i := range out {
		if out[i].Back.After(t) {
			if !copied {
				out, copied = slices.Clone(out), true
			}
			out[i] = out[i].begun()
		}
	}
	return out
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
