package schema

import (
	"cmp"
	"slices"
	"sort"
	"time"
)

// Slot is the list of a log that holds the records of one kind, in time order,
// ties by Meta.Order or, where there is none, number.
type Slot interface {
	Len() int
	// At returns a pointer to the record at i.
	At(i int) Record
	// Grow makes room for n more records.
	Grow(n int)
	// New appends an empty record, and returns a pointer to it.
	New() Record
	// Append appends a copy of a record.
	Append(r Record)
	// Sort restores the order after records were appended.
	Sort()

	insert(r Record)
	until(t time.Time)
	without(drop func(number int64) bool)
	when(i int) time.Time
}

// In returns the log's list for records of the kind; nil if logs hold none.
func (k *Kind) In(l *Log) Slot {
	if k.in == nil {
		return nil
	}
	return k.in(l)
}

// logged describes a kind whose records are in logs.
func logged[T any, P entry[T]](name, sheet, help string, in func(*Log) *[]T) *Kind {
	k := describe[T](name, sheet, help)
	k.in = func(l *Log) Slot { return slot[T, P]{in(l)} }
	return k
}

// entry is a pointer to a record of a log.
type entry[T any] interface {
	*T
	Record
	stands() (at time.Time, number int64)
	order() int64 // among those of one time
}

func (b *Base) stands() (time.Time, int64)   { return b.At, b.Number }
func (a *Answer) stands() (time.Time, int64) { return a.At, a.Number }
func (m *Meta) order() int64                 { return cmp.Or(m.Order, m.Number) }

type slot[T any, P entry[T]] struct{ list *[]T }

func (s slot[T, P]) Len() int        { return len(*s.list) }
func (s slot[T, P]) At(i int) Record { return P(&(*s.list)[i]) }
func (s slot[T, P]) Grow(n int)      { *s.list = slices.Grow(*s.list, n) }
func (s slot[T, P]) Append(r Record) { *s.list = append(*s.list, *r.(P)) }

func (s slot[T, P]) New() Record {
	*s.list = append(*s.list, *new(T))
	return s.At(len(*s.list) - 1)
}

func (s slot[T, P]) Sort() {
	all := *s.list
	order := func(a, b P) int {
		at, _ := a.stands()
		at2, _ := b.stands()
		return cmp.Or(at.Compare(at2), cmp.Compare(a.order(), b.order()))
	}
	for i := 1; i < len(all); i++ {
		if order(&all[i-1], &all[i]) > 0 {
			slices.SortStableFunc(all, func(a, b T) int { return order(&a, &b) })
			return
		}
	}
}

func (s slot[T, P]) insert(r Record) {
	at, _ := r.(P).stands()
	*s.list = slices.Insert(*s.list, s.after(at), *r.(P))
}

// after returns how many records are dated at t or before.
func (s slot[T, P]) after(t time.Time) int {
	return sort.Search(len(*s.list), func(i int) bool { return s.when(i).After(t) })
}

func (s slot[T, P]) until(t time.Time) {
	n := s.after(t)
	*s.list = (*s.list)[:n:n]
}

func (s slot[T, P]) without(drop func(number int64) bool) {
	gone := func(r T) bool {
		_, number := P(&r).stands()
		return drop(number)
	}
	if slices.ContainsFunc(*s.list, gone) {
		*s.list = slices.DeleteFunc(slices.Clone(*s.list), gone)
	}
}

func (s slot[T, P]) when(i int) time.Time {
	at, _ := P(&(*s.list)[i]).stands()
	return at
}
