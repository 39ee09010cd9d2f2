package exposure

import (
	"time"

	"shedbook/schema"
)

// Placement is how an overheat was assigned to a run.
type Placement int

// The placements, in the order in which they are tried.
const (
	Unplaced  Placement = iota // in no recorded run
	Covered                    // its time is within the run's hours from its start
	ByMinutes                  // the run began as many minutes before it as the overheat says
	ByMeter                    // its meter reading is between the run's
	ByDay                      // the last run before it that day, by the same driver if recorded
	Outside                    // in a run, but before the machine was acquired or after it was retired
)

// The tolerances in assigning overheats, common practice, no source: people
// write down times to the quarter of an hour, and a run takes longer than its
// engine hours by its pauses.
const (
	minutesSlack = 15 * time.Minute // between an overheat's own minutes and a run's start
	daySlack     = 4 * time.Hour    // after a run's hours are over
)

// Event is an overheat with its place among the hours at risk.
type Event struct {
	*schema.Overheat
	How    Placement
	Run    int // index in Log.Runs; -1 if unplaced
	Piece  int // index in Life.Pieces; -1 if unplaced or outside
	Levels     // its own if recorded, otherwise the run's
	Engine float64
	// State is the machine's at the overheat, or at the nearest moment of its run.
	State
}

// Placed reports whether the overheat counts among the hours at risk.
func (e *Event) Placed() bool { return e.Piece >= 0 }

// place assigns the overheats to runs.
func (l *Life) place() {
	l.Overheats = make([]Event, len(l.Log.Overheats))
	for k := range l.Log.Overheats {
		o := &l.Log.Overheats[k]
		e := Event{Overheat: o, Run: -1, Piece: -1, Engine: l.Clock.At(o.At)}
		at := o.At
		if e.Run, e.How = l.findRun(o); e.Run >= 0 {
			r := &l.Log.Runs[e.Run]
			if at.Before(r.At) {
				at = r.At
			}
			if end := l.runs.end[e.Run]; at.After(end) {
				at = end
			}
			if e.Piece = l.pieceAt(e.Run, at); e.Piece < 0 {
				e.How = Outside
			}
		}
		e.State = l.At(at)
		l.Overheats[k] = e
	}
}

// pieceAt returns the piece of a run at t; at the end of the run its last one;
// -1 if the run is outside the machine's time in the fleet.
func (l *Life) pieceAt(run int, t time.Time) int {
	found := -1
	for p := l.first[run]; p < l.first[run+1]; p++ {
		if found < 0 || !l.Pieces[p].Start.After(t) {
			found = p
		}
	}
	return found
}

// findRun returns the run that an overheat belongs to, by the first rule that
// finds one; among several runs the same driver's comes before another's, and a
// later start before an earlier one.
func (l *Life) findRun(o *schema.Overheat) (int, Placement) {
	r := &l.runs
	last := r.begun(o.At.Add(time.Second)) - 1 // the last begun at its time or before
	best := -1
	better := func(i int) bool { return best < 0 || sameDriver(&r.log[i], o) > sameDriver(&r.log[best], o) }
	for i := last; i >= 0 && !r.latest[i].Before(o.At); i-- {
		if !r.end[i].Before(o.At) && better(i) {
			best = i
		}
	}
	if best >= 0 {
		return best, Covered
	}
	const day = 24 * time.Hour
	if o.MinutesIn.Known {
		start := o.At.Add(-time.Duration(o.MinutesIn.V * float64(time.Minute)))
		for i := r.begun(start.Add(minutesSlack+time.Second)) - 1; i >= 0 &&
			!r.log[i].At.Before(start.Add(-minutesSlack)); i-- {
			if better(i) {
				best = i
			}
		}
		if best >= 0 {
			return best, ByMinutes
		}
	}
	if o.Meter.Known {
		for i := r.begun(o.At.Add(day)) - 1; i >= 0 && !r.log[i].At.Before(o.At.Add(-day)); i-- {
			g := &r.log[i]
			if g.MeterOut.Known && g.MeterIn.Known && o.Meter.V > g.MeterOut.V+1e-9 && o.Meter.V < g.MeterIn.V+1e-9 &&
				better(i) {
				best = i
			}
		}
		if best >= 0 {
			return best, ByMeter
		}
	}
	for i := r.begun(o.At.Add(minutesSlack+time.Second)) - 1; i >= 0 && sameDay(r.log[i].At, o.At, l.index.zone); i-- {
		if sameDriver(&r.log[i], o) > 0 && !r.end[i].Add(daySlack).Before(o.At) {
			return i, ByDay
		}
	}
	return -1, Unplaced
}

// sameDriver returns 2 for the same driver, 1 if one is not recorded, 0 for
// different ones.
func sameDriver(r *schema.Run, o *schema.Overheat) int {
	switch {
	case r.Driver == "" || o.Driver == "":
		return 1
	case r.Driver == o.Driver:
		return 2
	}
	return 0
}

func sameDay(a, b time.Time, zone *time.Location) bool {
	ya, ma, da := a.In(zone).Date()
	yb, mb, db := b.In(zone).Date()
	return ya == yb && ma == mb && da == db
}
