package state

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"shedbook/report/exposure"
	"shedbook/report/say"
	"shedbook/schema"
	"shedbook/schema/unit"
)

// walker goes through a machine's records in time order, those of one moment in
// the order in which they were entered, and keeps what stands.
type walker struct {
	l        *exposure.Life
	s        schema.Settings
	zone     *time.Location
	asOf     time.Time
	end      time.Time // of the log
	g        Given
	standing map[string]*matter
	spells   []Spell

	heats   []*schema.Overheat // since an `often` was mended
	pending *schema.Overheat   // the last overheat, as long as what it lost may still show
	filled  fill               // the last
	oil     *schema.Check      // found oil above its mark
	gas     []time.Time        // clean tests on a hot engine
	gasket  time.Time          // the last service for the head gasket
	speaks  spoken             // the last that may speak for a head gasket
	openly  *schema.Overheat   // the last overheat that nothing followed
	many    int                // such overheats
}

// fill is coolant filled in without a run between.
type fill struct {
	at time.Time
	ml float64
}

type spoken struct {
	at     time.Time
	record int64
}

// matter is a rule that stands on the machine, and how far it is lifted.
type matter struct {
	rule     string
	at       time.Time // of the last record behind it
	record   int64
	text     string
	first    time.Time
	lost     bool // some coolant is known to have gone: a fill must be on record
	neck     bool // it stood low in the neck: a full bottle says nothing
	settling bool // found while the level settled after a refill: a fill is enough
	filled   time.Time
	mended   time.Time
	by       string    // what mended it
	morning  time.Time // the first on which it was full
	hours    float64   // engine hours then
	tests    []time.Time
	oil      time.Time // the oil was changed
	failed   *schema.Check
	released *schema.Release
}

func newWalker(l *exposure.Life, s schema.Settings, asOf time.Time, g Given) *walker {
	end, _, _ := l.Clock.Last()
	if asOf.IsZero() { // the whole log
		asOf = end
	}
	return &walker{l: l, s: s, zone: s.Zone(), asOf: asOf, end: end, g: g, standing: map[string]*matter{}}
}

// event is a record on its way.
type event struct {
	at     time.Time
	number int64
	do     func()
}

func (w *walker) run() {
	log := w.l.Log
	var events []event
	add := func(b *schema.Base, do func()) { events = append(events, event{b.At, b.Number, do}) }
	for i := range log.Overheats {
		add(&log.Overheats[i].Base, func() { w.overheat(&log.Overheats[i]) })
	}
	for i := range log.Levels {
		add(&log.Levels[i].Base, func() { w.look(levelSight(&log.Levels[i])) })
	}
	for i := range log.TopUps {
		add(&log.TopUps[i].Base, func() { w.topUp(&log.TopUps[i]) })
	}
	for i := range log.Refills {
		add(&log.Refills[i].Base, func() { w.refill(&log.Refills[i]) })
	}
	for i := range log.Bleeds {
		add(&log.Bleeds[i].Base, w.followed)
	}
	for i := range log.Cleanings {
		add(&log.Cleanings[i].Base, func() { w.clean(&log.Cleanings[i]) })
	}
	for i := range log.Checks {
		add(&log.Checks[i].Base, func() { w.check(&log.Checks[i]) })
	}
	for i := range log.Services {
		add(&log.Services[i].Base, func() { w.service(&log.Services[i]) })
	}
	for i := range log.Answers {
		a := &log.Answers[i]
		events = append(events, event{a.At, a.Number, func() {
			if a.Cause != "" {
				w.followed() // it ends the watch, and lifts nothing
			}
		}})
	}
	for i := range log.Releases {
		add(&log.Releases[i].Base, func() { w.release(&log.Releases[i]) })
	}
	slices.SortStableFunc(events, func(a, b event) int { return cmp.Or(a.at.Compare(b.at), cmp.Compare(a.number, b.number)) })
	for i := range events {
		events[i].do()
	}
	w.likely()
}

// raise makes a rule stand, or stand anew: what was done before about it counts no
// more.
func (w *walker) raise(rule string, b *schema.Base, format string, args ...any) *matter {
	m := &matter{rule: rule, at: b.At, record: b.Number, first: b.At, text: fmt.Sprintf(format, args...)}
	if was := w.standing[rule]; was != nil && was.released == nil {
		m.first, m.neck = was.first, was.neck
	}
	w.standing[rule] = m
	return m
}

// lift ends a rule that stands.
func (w *walker) lift(m *matter, at time.Time, says string) {
	if m.released == nil {
		w.spells = append(w.spells, m.spell(&at, says))
	}
	delete(w.standing, m.rule)
}

func (m *matter) spell(until *time.Time, lifted string) Spell {
	s := Spell{Rule: m.rule, At: m.first, Text: m.text, Until: until, Lifted: lifted}
	if m.record != 0 {
		s.Record = &m.record
	}
	return s
}

// losses are the matters of the loss rules that stand.
func (w *walker) losses() []*matter {
	var out []*matter
	for _, r := range lossRules {
		if m := w.standing[r]; m != nil {
			out = append(out, m)
		}
	}
	return out
}

// ofLevel are all matters that the level lifts.
func (w *walker) ofLevel() []*matter {
	out := w.losses()
	if m := w.standing["level-low"]; m != nil {
		out = append(out, m)
	}
	return out
}

func (w *walker) boilLimit() float64 { return LossLimit(&w.l.Log.Machine) }

// lowLimit is how far below the mark parks, in ml.
func (w *walker) lowLimit() float64 { return share(&w.l.Log.Machine, levelShare, levelUnknown) }

// LossLimit is the coolant in ml that parks a machine when it is lost at one
// overheat.
func LossLimit(m *schema.Machine) float64 { return share(m, boilShare, boilUnknown) }

func share(m *schema.Machine, of, unknown float64) float64 {
	if m.CoolantL.Known {
		return of * 1000 * m.CoolantL.V
	}
	return unknown
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

func (w *walker) overheat(o *schema.Overheat) {
	w.openly, w.many = o, w.many+1
	w.speaks = spoken{o.At, o.Number}
	for _, m := range w.ofLevel() { // it came again: what was mended did not hold
		m.mended, m.morning = time.Time{}, time.Time{}
	}
	if m := w.standing["often"]; m != nil {
		m.failed = nil
	}
	lost := o.Lost.V
	with := ""
	if lost > 0 {
		with = " and lost " + w.ml(lost)
	}
	switch {
	case o.Sign == "steam":
		w.raise("steam", &o.Base, "it steamed on %s", w.day(o.At)).lost = lost > 0
	case o.Sign == "shutdown":
		w.raise("shutdown", &o.Base, "it shut itself down on %s%s", w.day(o.At), with).lost = lost > 0
	case o.Sign == "limp" && lost > 0:
		w.raise("limp", &o.Base, "it went into limp mode on %s%s", w.day(o.At), with).lost = true
	}
	if lost >= w.boilLimit() {
		w.raise("boil-over", &o.Base, "%s boiled over on %s%s", w.ml(lost), w.day(o.At), w.part(lost)).lost = true
	}
	w.pending = nil
	if !o.Lost.Known {
		w.pending = o
	}
	w.heats = append(w.heats, o)
	if n := len(w.heats); n >= oftenHeats {
		a := w.heats[n-oftenHeats]
		hours := w.l.Clock.Of(&o.Head) - w.l.Clock.Of(&a.Head)
		switch {
		case hours < 0.01 && o.At.Sub(a.At) <= oftenDays*24*time.Hour:
			w.raise("often", &o.Base, "%d overheats within %d days, the last on %s", oftenHeats, oftenDays, w.day(o.At))
		case hours >= 0.01 && hours <= oftenHours:
			w.raise("often", &o.Base, "%d overheats within %s, the last on %s", oftenHeats, unit.Format(hours, unit.Hours, w.s.Units()), w.day(o.At))
		}
	}
}

// missing is what a look or a fill shows to be gone. It may be what an overheat
// lost of which nobody wrote how much. A fill is explained by what stands too where
// somebody released the machine from it: that it is filled in is no new matter.
func (w *walker) missing(b *schema.Base, ml float64, where string, fill bool) (explained bool) {
	if o := w.pending; o != nil && w.stoodSince(o.At, b.At) {
		after := "after the overheat of " + w.day(o.At)
		if o.Sign == "limp" && ml > atMark {
			w.raise("limp", b, "it went into limp mode on %s, and %s was missing after it%s", w.day(o.At), w.ml(ml), where).lost = true
			explained = true
		}
		if ml >= w.boilLimit() {
			w.raise("boil-over", b, "%s was missing on %s%s, %s%s", w.ml(ml), w.day(b.At), where, after, w.part(ml)).lost = true
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
	stood := fmt.Sprintf("the level stood %s below the mark%s on %s%s", w.ml(v.below), where, w.day(b.At), w.part(v.below))
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
		m := w.raise("level-low", &t.Base, "%s had to be filled in on %s%s, and no overheat explains it", w.ml(day.ml), w.day(t.At), w.part(day.ml))
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

func (w *walker) clean(c *schema.Cleaning) {
	if !c.Thorough() {
		return
	}
	w.followed()
	for _, m := range w.losses() {
		m.mended, m.by, m.morning = c.At, "a thorough clean on "+w.day(c.At), time.Time{}
	}
	w.mendOften(c.At, "a thorough clean", "blocked-core")
}

func (w *walker) service(s *schema.Service) {
	if isOilChange(s) {
		w.oil = nil
		if m := w.standing["milky-oil"]; m != nil {
			m.oil = s.At
		}
	}
	if s.Cause == "" {
		return
	}
	w.followed()
	by := fmt.Sprintf("a service for %s on %s", s.Cause, w.day(s.At))
	if mends(s) {
		for _, m := range w.losses() {
			m.mended, m.by, m.morning = s.At, by, time.Time{}
		}
		w.mendOften(s.At, by, s.Cause)
	}
	if m := w.standing["level-low"]; m != nil && mendsLeak(s) {
		m.mended, m.by = s.At, by
		w.foundAndFilled(m, s.At)
	}
	if s.Cause == "head-gasket" {
		w.gasket = s.At
		if m := w.standing["gas-found"]; m != nil {
			w.lift(m, s.At, by)
		}
	}
}

// mendOften lifts `often` where a check had failed that points to what was mended.
func (w *walker) mendOften(at time.Time, by, cause string) {
	m := w.standing["often"]
	if m == nil || m.failed == nil || w.g.Points != nil && !w.g.Points(m.failed.Check, cause) {
		return
	}
	w.lift(m, at, fmt.Sprintf("%s failed on %s, then %s", m.failed.Check, w.day(m.failed.At), by))
	w.heats = nil
}

func (w *walker) check(c *schema.Check) {
	if s, ok := checkSight(c); ok {
		w.look(s)
	}
	if c.Result == "pass" || c.Result == "fail" {
		w.followed()
	}
	if c.Result == "fail" {
		w.speaks = spoken{c.At, c.Number}
		if m := w.standing["often"]; m != nil {
			m.failed = c
		}
	}
	if says := gasFound(c); says != "" {
		w.speaks = spoken{c.At, c.Number}
		w.raise("gas-found", &c.Base, "%s on %s", says, w.day(c.At))
	}
	for range cleanGas(c) {
		w.gas = append(w.gas, c.At)
		if m := w.standing["gas-found"]; m != nil && (len(m.tests) == 0 || cleanGas(c) > 1 || c.At.After(m.tests[len(m.tests)-1])) {
			if m.tests = append(m.tests, c.At); len(m.tests) == cleanTests {
				w.lift(m, c.At, "two clean gas tests on the hot engine")
			}
		}
	}
	switch oilFinding(c) {
	case milky:
		w.raise("milky-oil", &c.Base, "the oil was milky on %s", w.day(c.At))
	case overfull:
		w.oil = c
		w.rose(&c.Base)
	case clean:
		if m := w.standing["milky-oil"]; m != nil && !m.oil.IsZero() && w.l.Clock.Of(&c.Head)-w.l.Clock.At(m.oil) >= w.s.WarmUp() {
			w.lift(m, c.At, "the oil changed on "+w.day(m.oil)+", and clean oil after a run")
		}
	}
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
		w.raise("milky-oil", b, "oil stood above its mark on %s, and %s of coolant is gone%s", w.day(w.oil.At), w.ml(gone), w.part(gone))
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

// followed: something was done after an overheat, so that nothing is open of it.
func (w *walker) followed() { w.openly, w.many = nil, 0 }

// release lets the machine go from all that stands and was entered before it. What
// was entered later nobody could know of.
func (w *walker) release(r *schema.Release) {
	for _, rule := range slices.Sorted(maps.Keys(w.standing)) {
		m := w.standing[rule]
		if m.released != nil || r.Number != 0 && m.record > r.Number {
			continue
		}
		w.spells = append(w.spells, m.spell(&r.At, fmt.Sprintf("released by %s: %s", r.By, r.Why)))
		m.released = r
	}
}

// likely asks how likely a head gasket is, now and when the machine was released.
func (w *walker) likely() {
	if w.g.Gasket == nil {
		return
	}
	if w.g.Gasket(w.asOf) < GasketAt {
		return
	}
	m := &matter{rule: "gasket-likely", at: w.speaks.at, record: w.speaks.record, text: "its log makes a bad head gasket likely"}
	if m.at.IsZero() {
		m.at = w.end
	}
	m.first = m.at
	for _, t := range w.gas {
		if t.After(w.speaks.at) {
			m.tests = append(m.tests, t)
		}
	}
	if w.gasket.After(w.speaks.at) || len(m.tests) >= cleanTests && w.gone(m.tests[cleanTests-1], w.asOf) < w.boilLimit() {
		return
	}
	for i := range w.l.Log.Releases {
		r := &w.l.Log.Releases[i]
		if !r.At.Before(w.speaks.at) && w.speaks.record <= r.Number && w.g.Gasket(r.At) >= GasketAt {
			w.spells = append(w.spells, m.spell(&r.At, fmt.Sprintf("released by %s: %s", r.By, r.Why)))
			m.released = r
			break
		}
	}
	w.standing[m.rule] = m
}

func (w *walker) day(t time.Time) string { return say.Day(t, w.zone) }

// date is the day of a moment, at its first hour.
func (w *walker) date(t time.Time) time.Time {
	y, m, d := t.In(w.zone).Date()
	return time.Date(y, m, d, 0, 0, 0, 0, w.zone)
}

func (w *walker) ml(v float64) string { return unit.Format(v, unit.Millilitres, w.s.Units()) }

// part says how much of the system a volume is; "" where its size is unknown.
func (w *walker) part(ml float64) string {
	if c := w.l.Log.Machine.CoolantL; c.Known {
		return fmt.Sprintf(" (%.0f %% of the system)", ml/c.V/10)
	}
	return " (system size not recorded)"
}

func (m *matter) reason(w *walker) Reason {
	r := Reason{Rule: m.rule, At: m.at.In(w.zone), Text: m.text, LiftedBy: m.steps(w)}
	if m.record != 0 {
		r.Record = &m.record
	}
	if m.released != nil {
		r.Rule, r.Of = "released", m.rule
		r.Released = fmt.Sprintf("released by %s on %s: %s", m.released.By, w.day(m.released.At), strings.TrimRight(m.released.Why, "."))
		r.Text += "; " + r.Released
	}
	return r
}

// steps is what lifts a matter, each step with how far it is.
func (m *matter) steps(w *walker) string {
	done := func(what string, at time.Time) string {
		if at.IsZero() {
			return what
		}
		return what + ": done " + w.day(at)
	}
	seen := 0
	if !m.morning.IsZero() {
		seen = 1
	}
	place := ""
	if m.neck {
		place = " in the neck"
	}
	full := fmt.Sprintf("see it full%s, cold, on two mornings after that (%d of %d)", place, seen, mornings)
	switch m.rule {
	case "gas-found", "gasket-likely":
		return fmt.Sprintf("get two clean gas tests on the hot engine (%d of %d), or record a service for head-gasket", len(m.tests), cleanTests)
	case "milky-oil":
		return done("find where coolant gets in, change the oil", m.oil) + ", and find it clean after a run"
	case "level-low":
		if m.settling {
			return "fill to the mark"
		}
		return done("fill to the mark"+place, m.filled) + "; then fix the leak and record the service, or " + full + " with a heat cycle between"
	case "often":
		if m.failed != nil {
			return fmt.Sprintf("fix what failed (%s on %s) and record it: a service with its cause, or a thorough clean", m.failed.Check, w.day(m.failed.At))
		}
		return "find what fails with a check, then fix it"
	}
	fix := "find and fix the loss"
	if m.mended.IsZero() {
		fix += " (record the service with its cause, or a thorough clean)"
	}
	return done(fix, m.mended) + "; " + done("fill to the mark"+place, m.filled) + "; " + full
}
