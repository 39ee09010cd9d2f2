package state

import (
	"fmt"
	"slices"
	"time"

	"shedbook/schema"
)

// fill is coolant filled in without a run between.
type fill struct {
	at time.Time
	ml float64
}

// settles says whether the level still settles after a refill at t.
func (w *walker) settles(t time.Time) bool {
	s := w.l.At(t)
	return !s.Refill.Never && s.Cycles < w.s.SettlingCycles()
}

// stoodSince says whether no run began after a and before b; without any run on
// record it is told for a day at most.
func (w *walker) stoodSince(a, b time.Time) bool {
	runs := w.l.Log.Runs
	if len(runs) == 0 {
		return b.Sub(a) <= 24*time.Hour
	}
	i, _ := slices.BinarySearchFunc(runs, a, func(r schema.Run, t time.Time) int {
		if r.At.After(t) {
			return 1
		}
		return -1
	})
	return i == len(runs) || !runs[i].At.Before(b)
}

// missing is what a look or a fill shows to be gone. It may be what an overheat
// lost of which nobody wrote how much. A fill is explained by what stands too where
// somebody released the machine from it: that it is filled in is no new matter.
func (w *walker) missing(b *schema.Base, ml float64, where string, fill bool) (explained bool) {
	if o := w.pending; o != nil && w.stoodSince(o.At, b.At) {
		after := "after the overheat of " + w.day(o.At)
		if w.date(o.At).Equal(w.date(b.At)) {
			after = "after the overheat that day"
		}
		if o.Sign == "limp" && ml > atMark {
			w.raise("limp", b, "it went into limp mode on %s, and %s was missing after it%s", w.day(o.At), w.ml(ml),
				where).lost = true
			explained = true
		}
		if ml >= w.boilLimit() {
			w.raise("boil-over", b, "%s was missing on %s%s, %s%s", w.ml(ml), w.day(b.At), where, after,
				w.part(ml)).lost = true
			explained = true
		}
	}
	for _, m := range w.losses() {
		explained = explained || (fill || m.released == nil) && m.filled.IsZero()
	}
	return explained
}

func (w *walker) look(v sight) {
	b := &v.head.Base
	settles := w.settles(b.At)
	if v.full {
		w.full(&v)
		w.seen(&v)
		return
	}
	where := ""
	switch v.place {
	case "radiator":
		where = " in the neck"
	case "reservoir":
		where = " in the bottle"
	}
	limit := w.lowLimit()
	stood := fmt.Sprintf("the level stood %s below the mark%s on %s%s", w.ml(v.below), where, w.day(b.At),
		w.part(v.below))
	if !v.known { // "clearly below the mark" is all that was written
		v.below = limit
		stood = fmt.Sprintf("the level stood clearly below the mark%s on %s, nobody wrote how far", where, w.day(b.At))
	}
	for _, m := range w.ofLevel() {
		if !settles && !m.filled.IsZero() && !m.mended.IsZero() && v.below >= w.boilLimit() {
			m.mended = time.Time{} // it goes on losing
		}
		m.neck = m.neck || v.place == "radiator"
	}
	if !w.missing(b, v.below, where, false) && v.below >= limit {
		m := w.raise("level-low", b, "%s, and no overheat explains it", stood)
		m.lost, m.settling = true, settles
		m.neck = m.neck || v.place == "radiator"
	}
	for _, m := range w.ofLevel() {
		m.lost, m.filled, m.morning = true, time.Time{}, time.Time{}
	}
	w.pending = nil
	w.seen(&v)
	w.rose(b)
}

// seen: a look is a check, but for one on a hot engine, as whoever brings a machine
// back takes.
func (w *walker) seen(v *sight) {
	if !v.hot {
		w.followed()
	}
}

// full is a look that found the level at the mark: one of two mornings, if it was
// cold, the first thing on its day, after what was filled and mended, and in the
// place where it had stood low.
func (w *walker) full(v *sight) {
	at := v.head.At
	if v.hot || !w.stood(v) {
		return
	}
	w.pending = nil // nothing was gone
	for _, m := range w.ofLevel() {
		day, level := w.date(at), m.rule == "level-low"
		switch {
		case m.neck && v.place != "radiator": // a full bottle says nothing of the neck
			continue
		case m.lost && m.filled.IsZero(), !day.After(w.date(m.filled)): // what was filled just now is full
			continue
		case !level && (m.mended.IsZero() || !day.After(w.date(m.mended))):
			continue
		}
		hours := w.l.Clock.Of(v.head)
		switch {
		case m.morning.IsZero():
			m.morning, m.hours = day, hours
		case !day.After(m.morning):
		case level && hours-m.hours < w.s.WarmUp():
		case level:
			w.lift(m, at, "filled to the mark, and full cold on two mornings with a heat cycle between")
		default:
			w.lift(m, at, m.by+", filled to the mark, and full cold on two mornings")
		}
	}
}

// stood says whether the engine had stood since the evening before and was cold.
func (w *walker) stood(v *sight) bool {
	at := v.head.At
	from := w.date(at)
	if !v.cold {
		if t := at.Add(-coldAfter * time.Hour); t.Before(from) {
			from = t
		}
	}
	if w.l.HoursTo(at) > w.l.HoursTo(from) {
		return false
	}
	for i := range w.l.Log.Overheats {
		if o := &w.l.Log.Overheats[i]; o.At.Before(at) && o.At.After(from) {
			return false
		}
	}
	return true
}

func (w *walker) topUp(t *schema.TopUp) {
	settles := w.settles(t.At)
	day := w.filled
	if !day.at.IsZero() && w.stoodSince(day.at, t.At) { // in two goes, or standing
		day.ml += t.Volume.V
	} else {
		day.ml = t.Volume.V
	}
	day.at = t.At
	w.filled = day
	low := w.standing["level-low"]
	was := low != nil && low.filled.IsZero()
	if !settles && !w.missing(&t.Base, day.ml, "", true) && !was && day.ml >= w.lowLimit() {
		m := w.raise("level-low", &t.Base, "%s had to be filled in on %s%s, and no overheat explains it", w.ml(day.ml),
			w.day(t.At), w.part(day.ml))
		m.lost = true
	}
	w.fill(t.At, t.Into, settles)
	w.rose(&t.Base)
}

// fill brings the level to the mark, in the bottle or in the neck.
func (w *walker) fill(at time.Time, into string, settles bool) {
	for _, m := range w.ofLevel() {
		if m.neck && into == "reservoir" {
			continue
		}
		m.filled, m.morning = at, time.Time{}
		if m.rule == "level-low" {
			w.foundAndFilled(m, at)
		}
	}
	w.pending = nil
}

// foundAndFilled lifts a low level once it is filled and its leak mended, or where
// it only settled after a refill.
func (w *walker) foundAndFilled(m *matter, at time.Time) {
	switch {
	case m.filled.IsZero():
	case !m.mended.IsZero():
		w.lift(m, at, m.by+", and filled to the mark")
	case m.settling:
		w.lift(m, at, "filled to the mark: it settled after a refill")
	}
}

func (w *walker) refill(r *schema.Refill) {
	w.filled = fill{}
	w.fill(r.At, "radiator", true)
}

// rose parks where oil stands above its mark and coolant is gone.
func (w *walker) rose(b *schema.Base) {
	if w.oil == nil {
		return
	}
	from, ok := w.l.Clock.When(w.l.Clock.At(b.At) - goneHours)
	if !ok {
		from = time.Time{}
	}
	if gone := w.gone(from, b.At); gone >= w.boilLimit() {
		w.raise("milky-oil", b, "oil stood above its mark on %s, and %s of coolant is gone%s", w.day(w.oil.At),
			w.ml(gone), w.part(gone))
	}
}

// gone is the coolant in ml that went after from, up to t, and that neither
// settling nor what is written of boil-over explains.
func (w *walker) gone(from, t time.Time) float64 {
	log := w.l.Log
	in := func(at time.Time) bool { return at.After(from) && !at.After(t) }
	sum, last := 0.0, from
	for i := range log.TopUps {
		if v := &log.TopUps[i]; in(v.At) {
			last = v.At
			if !w.settles(v.At) {
				sum += v.Volume.V
			}
		}
	}
	for i := len(log.Levels) - 1; i >= 0; i-- {
		if v := &log.Levels[i]; !v.At.After(t) && v.Engine != "hot" {
			if v.At.After(last) && !w.settles(v.At) {
				sum += v.BelowMark.V
			}
			break
		}
	}
	for i := range log.Overheats {
		if v := &log.Overheats[i]; in(v.At) {
			sum -= v.Lost.V
		}
	}
	return sum
}
