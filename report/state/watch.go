package state

import (
	"fmt"
	"time"

	"shedbook/schema"
)

// watch adds what asks for a watch.
func (w *walker) watch(s *State) {
	name := w.l.Log.Machine.Name
	for _, f := range w.g.Flags {
		s.add(flagReason(name, f))
	}
	if o := w.openly; o != nil && !parkedBy(s, o.Number, o.At) {
		text := "it overheated on " + w.day(o.At)
		if w.many > 1 {
			text = fmt.Sprintf("it overheated %d times, the last on %s", w.many, w.day(o.At))
		}
		s.add(Reason{Rule: "overheat", At: o.At.In(w.zone), Record: number(o.Number), Text: text +
			", and nothing was checked or fixed since",
			LiftedBy: "do a check, or fix it: shedbook next " + schema.Quote(name)})
	}
	for _, r := range w.g.Open {
		s.add(Reason{Rule: "remedy-open", At: r.At.In(w.zone), Record: number(r.Record), Text: r.Says,
			LiftedBy: "drive as before without it coming back"})
	}
	w.settling(s)
}

// parkedBy says whether a rule that parks stands for a record.
func parkedBy(s *State, record int64, at time.Time) bool {
	for _, r := range s.Reasons {
		if stateOf(r.Rule) == Parked && (r.Record != nil && *r.Record == record || r.At.Equal(at)) {
			return true
		}
	}
	return false
}

func number(n int64) *int64 {
	if n == 0 {
		return nil
	}
	return &n
}

func flagReason(machine string, f Flag) Reason {
	text := "flag " + f.Flag
	if f.Says != "" {
		text += ": " + f.Says
	}
	return Reason{Rule: "flag", At: f.Raised, Text: text,
		LiftedBy: "look into it, then say what you found: shedbook answer " + schema.Quote(machine) + " " + f.Flag}
}

// settling: after a refill the level is looked at after each heat cycle, until it
// no longer settles.
func (w *walker) settling(s *State) {
	log := w.l.Log
	n := len(log.Refills)
	if n == 0 {
		return
	}
	refill := &log.Refills[n-1]
	base := w.l.CyclesTo(refill.At)
	cycles := func(t time.Time) int { return min(w.l.CyclesTo(t)-base, w.s.SettlingCycles()) }
	looked := 0
	see := func(at time.Time) {
		if at.After(refill.At) {
			looked = max(looked, cycles(at))
		}
	}
	for i := range log.Levels {
		if v := &log.Levels[i]; v.Engine != "hot" {
			see(v.At)
		}
	}
	for i := range log.TopUps {
		see(log.TopUps[i].At)
	}
	for i := range log.Bleeds {
		see(log.Bleeds[i].At)
	}
	for i := range log.Checks {
		if v, ok := checkSight(&log.Checks[i]); ok && !v.hot {
			see(log.Checks[i].At)
		}
	}
	now := cycles(w.end)
	if now <= looked {
		return
	}
	since := fmt.Sprintf("%d heat cycles", now)
	if now == 1 {
		since = "1 heat cycle"
	}
	s.add(Reason{Rule: "settling", At: refill.At.In(w.zone), Record: number(refill.Number),
		Text: fmt.Sprintf("%s since the refill on %s, and nobody has looked at the level after the last: it settles",
			since, w.day(refill.At)),
		LiftedBy: "look at the level, cold: shedbook level " + schema.Quote(log.Machine.Name)})
}
