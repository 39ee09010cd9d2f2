package main

import (
	"bytes"
	"context"
	"maps"
	"slices"
	"sync"
	"time"

	"shedbook/report"
	"shedbook/report/exposure"
	"shedbook/report/flags"
	"shedbook/report/render"
	"shedbook/schema"
	"shedbook/store"
)

// seen is what the page saw of the fleet when it last looked. A look goes on from
// there: it reads the machines that were written to since, by whomever, and no
// others.
type seen struct {
	mu       sync.Mutex
	have     bool
	state    store.State
	common   string // what is not one machine's
	asOf     time.Time
	until    time.Time // when it ends by itself: something dated later counts from then on
	overview overview
	kept     *flags.Kept
	beside   map[string]other // what of each machine counts in another's ranking
	due      report.DueReport
	clean    report.CleaningReport
	worked   time.Time // when the work of all was worked out
	busy     bool      // it is being worked out
}

func (s *seen) forget() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.have = false
}

// Of a fleet of so many machines or more, the work that is due is worked out beside
// the pages, once an hour: the cleaning intervals take every machine's log, and one
// more record hardly changes them.
const largeFleet, workEvery = 100, time.Hour

// looked is the fleet as it stands now.
type looked struct {
	*request
	overview overview
	due      report.DueReport
	beside   map[string]other
}

// look looks at the fleet.
func (s *server) look(ctx context.Context) (*looked, error) {
	b, err := s.held(ctx)
	if err != nil {
		return nil, err
	}
	a, _ := s.at(b, s.now())
	req := &request{a: a}
	m := &s.seen
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := req.read(context.WithoutCancel(ctx), b); err != nil {
		return nil, err
	}
	if err := m.look(req); err != nil {
		m.have = false
		return nil, err
	}
	if req.at.Sub(m.worked) >= workEvery && !m.busy {
		m.busy = true
		go s.work(b)
	}
	g := m.overview
	g.Flags.AsOf = req.at
	req.held = &g
	due := m.due
	due.AsOf = req.at
	return &looked{req, g, due, m.beside}, nil
}

func (m *seen) look(req *request) error {
	ok := m.have && !req.at.Before(m.asOf) && (m.until.IsZero() || req.at.Before(m.until))
	if ok && req.change == m.state.Change {
		return nil
	}
	now, err := req.book.State(req.ctx)
	if err != nil {
		return err
	}
	common := req.common()
	written, same := now.Since(m.state)
	ok = ok && m.kept != nil && same && common == m.common && 2*len(written) <= len(req.known.Machines)
	beside := map[string]other{}
	var s report.Source
	if ok {
		s = besideToo(req.sourceOf(written), beside)
		var g overview
		var now *flags.Kept
		if g, now, _, ok = req.everythingSince(s, m.overview.Rows, m.kept); ok {
			m.overview, m.kept = g, now
		}
	}
	if !ok {
		m.until, written = time.Time{}, nil
		s = besideToo(req.source(), beside)
		g, keep := req.everything(s)
		m.overview, m.kept = g, keep()
	}
	if err := req.reading.get(); err != nil {
		return err
	}
	if later := s.Later.First(); !later.IsZero() && (m.until.IsZero() || later.Before(m.until)) {
		m.until = later
	}
	if ok { // the one before may still be read
		both := maps.Clone(m.beside)
		maps.Copy(both, beside)
		beside = both
	}
	m.beside = beside
	switch {
	case len(req.known.Machines) < largeFleet:
		m.clean = report.Cleaning(req.source())
		m.due, m.worked = report.DueWork(req.source(), &m.clean), req.at
	case !ok:
		m.worked = time.Time{}
	default:
		m.workOn(req, written)
	}
	m.have, m.state, m.common, m.asOf = true, now, common, req.at
	return req.reading.get()
}

// besideToo gathers of the lives that pass what counts beside another's.
func besideToo(s report.Source, into map[string]other) report.Source {
	lives := s.Lives
	s.Lives = func(yield func(*exposure.Life) bool) {
		for l := range lives {
			into[l.Log.Machine.Name] = otherOf(s.Fleet.Settings, l)
			if !yield(l) {
				return
			}
		}
	}
	return s
}

// work works out what is due on all machines, while the pages are shown.
func (s *server) work(b *store.Book) {
	a, _ := s.at(b, s.now())
	req := &request{a: a}
	m := &s.seen
	err := req.read(context.Background(), b)
	var clean report.CleaningReport
	var due report.DueReport
	if err == nil {
		clean = report.Cleaning(req.source())
		due = report.DueWork(req.source(), &clean)
		err = req.reading.get()
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.busy = false
	if err == nil {
		m.clean, m.due, m.worked = clean, due, req.at
	}
}

// workOn works out what is due on the machines written to, by the cleaning intervals
// as they were.
func (m *seen) workOn(req *request, written []string) {
	clean := m.clean
	clean.Machines = slices.Clone(clean.Machines)
	some := report.Cleaning(req.sourceOf(written))
	for i := range clean.Machines {
		for _, is := range some.Machines {
			if c := &clean.Machines[i]; c.Machine == is.Machine {
				c.HoursSinceThorough, c.MudHoursSinceThorough, c.LastThorough = is.HoursSinceThorough,
					is.MudHoursSinceThorough, is.LastThorough
			}
		}
	}
	fresh := report.DueWork(req.sourceOf(written), &clean)
	others := slices.DeleteFunc(slices.Clone(m.due.Due),
		func(d report.Due) bool { return slices.Contains(written, d.Machine) })
	m.due.Due, m.clean = append(others, fresh.Due...), clean
}

// fleetAround is what a machine's ranking reads: its own log, and of the others what
// counts beside it.
func (l *looked) fleetAround(machine string) (f schema.Fleet, others map[string][]byte, err error) {
	f, others = l.fleet, map[string][]byte{}
	f.Logs = nil
	for _, name := range l.known.Machines {
		if name != machine {
			o := l.beside[name]
			f.Logs, others[name] = append(f.Logs, o.Log), o.Part
			continue
		}
		for log, err := range l.book.Logs(l.ctx, machine) {
			if err != nil {
				return f, nil, err
			}
			f.Logs = append(f.Logs, log)
		}
	}
	return f, others, nil
}

// within prints a report as a part of a page.
func (l *looked) within(print func(o render.Options, b *bytes.Buffer) error) (any, error) {
	o := l.options()
	o.Format, o.Within = render.HTML, true
	var b bytes.Buffer
	if err := print(o, &b); err != nil {
		return nil, err
	}
	return render.ShedReport(b.Bytes()), l.reading.get()
}
