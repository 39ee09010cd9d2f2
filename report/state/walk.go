package state

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
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
		add(&log.Bleeds[i].Base, func() { w.bleed(log.Bleeds[i].At) })
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
	slices.SortStableFunc(events, func(a, b event) int {
		return cmp.Or(a.at.Compare(b.at),
			cmp.Compare(a.number, b.number))
	})
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
			w.raise("often", &o.Base, "%d overheats within %s, the last on %s", oftenHeats,
				unit.Format(hours, unit.Hours, w.s.Units()), w.day(o.At))
		}
	}
}

func (w *walker) clean(c *schema.Cleaning) {
	if !c.Thorough() {
		return
	}
	w.followed()
	for _, m := range w.losses() {
		m.mended, m.by, m.morning = c.At, "a thorough clean on "+w.day(c.At), time.Time{}
	}
	w.mendOften(c.At, "a thorough clean on "+w.day(c.At), "blocked-core")
}

// bleed is the mend of trapped air. It lifts no loss: coolant that went is looked for.
func (w *walker) bleed(at time.Time) {
	w.followed()
	w.mendOften(at, "a bleed on "+w.day(at), "trapped-air")
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
		if m := w.standing["gas-found"]; m != nil && (len(m.tests) == 0 || cleanGas(c) > 1 ||
			c.At.After(m.tests[len(m.tests)-1])) {
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
		if m := w.standing["milky-oil"]; m != nil && !m.oil.IsZero() &&
			w.l.Clock.Of(&c.Head)-w.l.Clock.At(m.oil) >= w.s.WarmUp() {
			w.lift(m, c.At, "the oil changed on "+w.day(m.oil)+", and clean oil after a run")
		}
	}
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
	p := w.g.Gasket(w.asOf)
	if p < GasketAt {
		return
	}
	m := &matter{rule: "gasket-likely", at: w.speaks.at, record: w.speaks.record,
		text: fmt.Sprintf("its own log, without the rest of the fleet, puts a bad head gasket at %.0f %%", 100*p)}
	if m.at.IsZero() {
		m.at = w.end
	}
	m.first = m.at
	for _, t := range w.gas {
		if t.After(w.speaks.at) {
			m.tests = append(m.tests, t)
		}
	}
	if w.gasket.After(w.speaks.at) || len(m.tests) >= cleanTests &&
		w.gone(m.tests[cleanTests-1], w.asOf) < w.boilLimit() {
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
