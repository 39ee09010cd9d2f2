// Package report turns records into results, one file a question. It is pure:
// no book, no clock, no printing. A result is built once and has all that its
// table, its JSON, its CSV and its page show; the JSON keys are those of the
// exchange contract, with more where more is worth saying. Warnings go with
// the result; what can't be estimated is absent, with a why.
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

// Source is the fleet a report reads: what is not one machine's, and the
// machines' lives one after another, so that a fleet of any size passes
// through without being held. A report reads the lives once.
type Source struct {
	AsOf  time.Time    // in the book's zone; what is dated after it does not count
	Now   time.Time    // the clock, to tell what was entered by a wrong one; zero if nobody asks
	Fleet schema.Fleet // without its Logs
	Index *exposure.Index
	Lives iter.Seq[*exposure.Life]
	// Given is what a machine's state takes of others than its log; nil for none.
	Given func(*exposure.Life) state.Given
	// Later is told, once the lives are read, when what is dated after AsOf begins:
	// until then all of it reads the same.
	Later *Later
}

// Later is the earliest of some dates. Several goroutines may tell it of theirs.
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

// First is the earliest; zero where there is none.
func (l *Later) First() time.Time {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.first
}

// Of reads a fleet that is at hand.
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

// Stream reads machines as they come, in the order in which they come, some
// ahead of the report that reads their lives. Each comes as what makes its log,
// which is called in any goroutine; nil where it can't be made. Only what is
// not one machine's is taken of f.
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
					if at := k.Meta(r).Entered; at.After(asOf) { // by a clock that was wrong
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

// ahead does something to all that comes, on every processor, and yields what
// came of it in the same order.
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

// told is a machine's state by its log, and every time it was parked.
func (s *Source) told(l *exposure.Life) state.Told {
	var g state.Given
	if s.Given != nil {
		g = s.Given(l)
	}
	return state.Of(l, s.Fleet.Settings, s.AsOf, g)
}

// local is a time in the book's zone; nil for none.
func (s *Source) local(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = t.In(s.AsOf.Location())
	return &t
}

// take splits an estimate's result for a report: the estimate, or the reason
// it is missing; its warnings are added, each once.
func take(r stat.Result, warnings *[]string) (*stat.Estimate, string) {
	for _, w := range r.Warnings {
		say.Once(warnings, "%s", w)
	}
	return r.Est, r.Why
}

// ml is a volume for a sentence, in the book's units.
func (s *Source) ml(v float64) string {
	return unit.Format(v, unit.Millilitres, s.Fleet.Settings.Units())
}

// moment and day are a time for a sentence, to the minute or not.
func (s *Source) moment(t time.Time) string { return say.Moment(t, s.AsOf.Location()) }
func (s *Source) day(t time.Time) string    { return say.Day(t, s.AsOf.Location()) }

// record names a record in a sentence: its kind and number.
func record(kind string, number int64) string {
	if number == 0 {
		return kind
	}
	return fmt.Sprintf("%s %d", kind, number)
}
