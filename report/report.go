// Package report turns records into results, one file for each question. It is
// pure: no book, no clock, no printing. A result is built once and has all that
// its table, JSON, CSV and page show; the JSON keys are those of the exchange
// contract, and some more. Warnings are part of the result; what can't be
// estimated is absent, with a reason.
package report

import (
	"fmt"
	"iter"
	"runtime"
	"sync"
	"time"

	"shedbook/report/exposure"
	"shedbook/report/say"
	"shedbook/report/stat"
	"shedbook/report/state"
	"shedbook/schema"
	"shedbook/schema/unit"
)

// Source is the fleet that a report reads: what belongs to no single machine,
// and the machines' lives one after another, so that a fleet of any size can be
// read without being held in memory. A report reads the lives once.
type Source struct {
	AsOf  time.Time    // in the book's zone; records dated after it do not count
	Now   time.Time    // the present time, to find records entered by a wrong clock; zero if not needed
	Fleet schema.Fleet // without its Logs
	Index *exposure.Index
	Lives iter.Seq[*exposure.Life]
	// Given returns what a machine's state depends on besides its log; may be nil.
	Given func(*exposure.Life) state.Given
	// Later is set, once the lives are read, to the time at which a record dated
	// after AsOf first counts: until then the results stay the same.
	Later *Later
}

// Later is the earliest of some times. It is safe for several goroutines.
type Later struct {
	mu    sync.Mutex
	first time.Time
}

func (l *Later) is(at time.Time) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.first.IsZero() || at.Before(l.first) {
		l.first = at
	}
}

// First returns the earliest; zero if there is none.
func (l *Later) First() time.Time {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.first
}

// Of returns a source for a fleet that is in memory.
func Of(f schema.Fleet, asOf time.Time) Source {
	logs := f.Logs
	return Stream(f, func(yield func(func() *schema.Log) bool) {
		for i := range logs {
			if !yield(func() *schema.Log { return &logs[i] }) {
				return
			}
		}
	}, asOf)
}

// Stream returns a source that reads machines as they come, in order, some of
// them ahead of the report. Each comes as a function that makes its log, called
// in any goroutine; it returns nil if the log can't be made. Only what belongs
// to no single machine is taken from f.
func Stream(f schema.Fleet, logs iter.Seq[func() *schema.Log], asOf time.Time) Source {
	f.Logs = nil
	all := f.Answers
	f = f.AsOf(asOf)
	s := Source{AsOf: asOf.In(f.Settings.Zone()), Fleet: f, Index: exposure.NewIndex(f.Words, f.Drivers, f.Settings),
		Later: new(Later)}
	if n := len(f.Answers); n < len(all) {
		s.Later.is(all[n].At)
	}
	lives := ahead(logs, func(open func() *schema.Log) *exposure.Life {
		log := open()
		if log == nil {
			return nil
		}
		cut := log.AsOf(asOf)
		for _, at := range []time.Time{log.Machine.Acquired, log.Machine.Retired} {
			if at.After(asOf) {
				s.Later.is(at)
			}
		}
		for i := range cut.Outings {
			if o := &log.Outings[i]; o.Back.After(asOf) {
				s.Later.is(o.Back)
			}
			if o := &cut.Outings[i]; o.Back.IsZero() && !o.At.Add(longOut).Before(asOf) { // not doubted yet
				s.Later.is(o.At.Add(longOut).Add(time.Second))
			}
		}
		life := s.Index.Begin(&cut)
		if cut.Len() < log.Len() {
			life.Whole = log
			for r := range log.Records() {
				k := schema.KindOf(r)
				if at := k.When(r); at.After(asOf) {
					s.Later.is(at)
					if at := k.Meta(r).Entered; at.After(asOf) { // entered by a wrong clock
						s.Later.is(at)
					}
				}
			}
		}
		return life
	})
	s.Lives = func(yield func(*exposure.Life) bool) {
		for l := range lives {
			if l == nil {
				continue
			}
			s.Index.Finish(l)
			if !yield(l) {
				return
			}
		}
	}
	return s
}

// ahead applies do to all values, on every processor, and yields the results in
// the same order.
func ahead[A, B any](in iter.Seq[A], do func(A) B) iter.Seq[B] {
	return func(yield func(B) bool) {
		type job struct {
			of   A
			done chan B
		}
		n := runtime.GOMAXPROCS(0)
		work, order, stop := make(chan job), make(chan chan B, 2*n), make(chan struct{})
		var wait sync.WaitGroup
		wait.Go(func() {
			defer close(work)
			defer close(order)
			for a := range in {
				j := job{a, make(chan B, 1)}
				select {
				case order <- j.done:
				case <-stop:
					return
				}
				select {
				case work <- j:
				case <-stop:
					return
				}
			}
		})
		for range n {
			wait.Go(func() {
				for j := range work {
					j.done <- do(j.of)
				}
			})
		}
		defer wait.Wait()
		defer close(stop)
		for done := range order {
			if !yield(<-done) {
				return
			}
		}
	}
}

// stateOf returns a machine's state by its log, and every time it was parked.
func (s *Source) stateOf(l *exposure.Life) state.Told {
	var g state.Given
	if s.Given != nil {
		g = s.Given(l)
	}
	return state.Of(l, s.Fleet.Settings, s.AsOf, g)
}

// local returns a time in the book's zone; nil for zero.
func (s *Source) local(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = t.In(s.AsOf.Location())
	return &t
}

// take returns the estimate of a result, or the reason why it is missing, and
// adds its warnings, each once.
func take(r stat.Result, warnings *[]string) (*stat.Estimate, string) {
	for _, w := range r.Warnings {
		say.Once(warnings, "%s", w)
	}
	return r.Est, r.Why
}

// ml returns a volume for a sentence, in the book's units.
func (s *Source) ml(v float64) string {
	return unit.Format(v, unit.Millilitres, s.Fleet.Settings.Units())
}

// moment and day return a time for a sentence, to the minute or without a time
// of day.
func (s *Source) moment(t time.Time) string { return say.Moment(t, s.AsOf.Location()) }
func (s *Source) day(t time.Time) string    { return say.Day(t, s.AsOf.Location()) }

// record returns a record's name in a sentence: its kind and number.
func record(kind string, number int64) string {
	if number == 0 {
		return kind
	}
	return fmt.Sprintf("%s %d", kind, number)
}
