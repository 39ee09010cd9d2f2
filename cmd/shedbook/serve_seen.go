package main

import (
	"bytes"
	"context"
	"maps"
	"slices"
	"sync"
	"time"

	"shedbook/report"
	"shedbook/report/next"
	"shedbook/report/render"
	"shedbook/schema"
	"shedbook/store"
)

// seen is what the page saw of the fleet when it last looked. A look goes on from
// there: it reads the machines that were written to since, by whomever, and no
// others.
type seen struct {
	mu     sync.Mutex
	have   bool
	mark   store.Mark
	common string // what is not one machine's
	asOf   time.Time
	until  time.Time // when it ends by itself: something dated later counts from then on
	glance glance
	ground []byte
	beside map[string]schema.Log // what of each machine counts in another's ranking
	due    report.DueReport
	clean  report.CleaningReport
	whole  time.Time // when the due work of all was worked out
	took   time.Duration
}

func (s *seen) forget() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.have = false
}

// dueHour is how long the fleet's cleaning intervals, which one more record hardly
// changes, are good for where they take long to work out.
const dueHour, quickly = time.Hour, 300 * time.Millisecond

// looked is the fleet as it stands now.
type looked struct {
	*look
	glance glance
	due    report.DueReport
	beside map[string]schema.Log
}

// look looks at the fleet.
func (s *server) look(ctx context.Context) (*looked, error) {
	b, err := s.held(ctx)
	if err != nil {
		return nil, err
	}
	a, _ := s.at(b, s.now())
	l := &look{a: a}
	m := &s.seen
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := l.read(context.WithoutCancel(ctx), b); err != nil {
		return nil, err
	}
	mark, err := b.Mark(ctx, a.now)
	if err != nil {
		return nil, err
	}
	if err := m.look(l, b, mark); err != nil {
		m.have = false
		return nil, err
	}
	g := m.glance
	g.Flags.AsOf = l.at
	l.held = &g
	due := m.due
	due.AsOf = l.at
	return &looked{l, g, due, m.beside}, nil
}

func (m *seen) look(l *look, b *store.Book, mark store.Mark) error {
	common := l.common()
	var written []string
	ok := m.have && common == m.common && !l.at.Before(m.asOf) && (m.until.IsZero() || l.at.Before(m.until))
	if ok {
		var err error
		if written, ok, err = b.Since(l.ctx, m.mark); err != nil {
			return err
		}
	}
	if ok && len(written) == 0 && l.at.Sub(m.whole) < dueHour {
		m.mark = mark
		return nil
	}
	ok = ok && 2*len(written) <= len(l.known.Machines)
	var keep func() []byte
	var s report.Source
	if ok && len(written) > 0 {
		var g glance
		s = l.sourceOf(written)
		if g, keep, ok = l.everythingSince(s, m.ground, true); ok {
			m.glance = g
		}
	} else if ok {
		s = l.sourceOf(nil)
	}
	if !ok {
		m.until = time.Time{}
		written = nil
		s = l.source()
		m.glance, keep, _ = l.everything(s)
	}
	if err := l.reading.get(); err != nil {
		return err
	}
	if keep != nil {
		m.ground = keep()
	}
	if later := s.Later.First(); !later.IsZero() && (m.until.IsZero() || later.Before(m.until)) {
		m.until = later
	}
	if !ok {
		m.beside = map[string]schema.Log{}
	} else if len(written) > 0 {
		m.beside = maps.Clone(m.beside) // the one before may still be read
	}
	if !ok || len(written) > 0 {
		for log, err := range b.Logs(l.ctx, written...) {
			if err != nil {
				return err
			}
			m.beside[log.Machine.Name] = next.Beside(log, l.at)
		}
	}
	m.work(l, ok, written)
	m.have, m.mark, m.common, m.asOf = true, mark, common, l.at
	return l.reading.get()
}

// work works out what is due: on all machines, or, where that takes long, on those
// written to, by the cleaning intervals as they were within the hour.
func (m *seen) work(l *look, ok bool, written []string) {
	if !ok || m.took < quickly || l.at.Sub(m.whole) >= dueHour {
		began := time.Now()
		m.clean = report.Cleaning(l.source())
		m.due = report.DueWork(l.source(), &m.clean)
		m.took, m.whole = time.Since(began), l.at
		return
	}
	some := report.Cleaning(l.sourceOf(written))
	clean := m.clean
	clean.Machines = slices.Clone(clean.Machines)
	for i := range clean.Machines {
		for _, is := range some.Machines {
			if c := &clean.Machines[i]; c.Machine == is.Machine {
				c.HoursSinceThorough, c.MudHoursSinceThorough, c.LastThorough = is.HoursSinceThorough, is.MudHoursSinceThorough, is.LastThorough
			}
		}
	}
	fresh := report.DueWork(l.sourceOf(written), &clean)
	all := slices.DeleteFunc(slices.Clone(m.due.Due), func(d report.Due) bool { return slices.Contains(written, d.Machine) })
	m.due.Due = append(all, fresh.Due...)
	m.clean = clean
}

// fleetAround is what a machine's ranking reads: its own log, and of the others what
// counts beside it.
func (l *looked) fleetAround(machine string) (schema.Fleet, error) {
	f := l.fleet
	f.Logs = nil
	for _, name := range l.known.Machines {
		if name != machine {
			f.Logs = append(f.Logs, l.beside[name])
			continue
		}
		for log, err := range l.book.Logs(l.ctx, machine) {
			if err != nil {
				return f, err
			}
			f.Logs = append(f.Logs, log)
		}
	}
	return f, nil
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
