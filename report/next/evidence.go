package next

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"sort"
	"strings"
	"sync"
	"time"

	"shedbook/report"
	"shedbook/report/cooling"
	"shedbook/report/exposure"
	"shedbook/report/facts"
	"shedbook/schema"
)

// evidence is what a log says, in the terms of the network.
type evidence struct {
	life   *exposure.Life
	hours  float64 // at risk
	cells  []cell  // the hours at risk, in order
	heats  []heat
	whole  []int // level of each machine feature; unknown for the others
	loss   loss
	lossOn func() string // the coolant report's words for the loss that goes on
	mixPct float64
	done   []done
	facts  []facts.Fact // what was measured and still stands, the last of each state
	mended []mend
	named  []named // causes somebody confirmed that nobody mended yet
	blank  bool    // nothing recorded that bears on it
	// guessed: no hours are recorded, and 100 h of the usual use stand in.
	guessed bool
}

// cell is some hours driven in one state.
type cell struct {
	from, hours float64   // engine hours at risk before it, and of it
	at          time.Time // when it began
	levels      []int     // by feature
}

// heat is one overheat.
type heat struct {
	at     time.Time
	hour   float64 // engine hours at risk before it
	levels []int   // by feature, driving and marks
	steam  bool
	base   *schema.Base
}

// loss is the coolant that neither settling nor boil-over explains.
type loss struct {
	ml, hours float64
	topups    int
	from      time.Time // of the stretch it was measured over
}

// done is a check that still counts: whether it failed, and how much of its
// sensitivity a pass keeps.
type done struct {
	check    int
	failed   bool
	strength float64
	at       time.Time
	unsure   bool
	measured bool   // its figures count, see facts, and not the result
	stale    string // why a result counts in part
}

// mend is a service that named a cause.
type mend struct {
	cause  int
	at     time.Time
	number int64
	hour   float64
}

type named struct {
	cause int
	at    time.Time
}

// Bounds of levels, as the phrases in causes.txt have them.
const (
	fastMinutes, mediumMinutes = 15, 40
	coldC, hotC                = 10, 24
	someMud, dirtyMud, cakeMud = 5, 15, 35
	mudPerOther                = 1.0 / 8
	neverCleaned               = 5 // mud hours before the log of a machine never cleaned in it
	oilHours, workHours        = 20, 10
	guessHours                 = 100
	manyHeats                  = 200
	lookError                  = 80  // ml: two looks at a mark, and the jug's steps
	boilError                  = 0.3 // of what is said to have boiled over
	usedAnyway                 = 0.4 // ml an engine hour that sound machines use
	leastHours                 = 25  // between marks, to tell a loss
)

func read(n *network, fleet *schema.Fleet, log *schema.Log) *evidence {
	if h := len(log.Overheats); h > manyHeats {
		// Far more than any ranking needs, and than a product of chances bears.
		late := *log
		late.Overheats = log.Overheats[h-manyHeats:]
		from := late.Overheats[0].At.Add(-24 * time.Hour)
		late.Runs = log.Runs[sort.Search(len(log.Runs), func(i int) bool { return log.Runs[i].At.After(from) }):]
		log = &late
	}
	x := exposure.NewIndex(fleet.Words, fleet.Drivers, fleet.Settings)
	e := &evidence{life: x.Life(log), whole: make([]int, len(n.features))}
	for f := range e.whole {
		e.whole[f] = unknown
	}
	cycles := fleet.Settings.SettlingCycles()
	for i := range e.life.Pieces {
		p := &e.life.Pieces[i]
		if p.Hours <= 0 {
			continue
		}
		r := &log.Runs[p.Run]
		levels := n.state(e.life, p.Start, p.State, cycles)
		n.conditions(levels, r.Speed, r.Load, r.Range, r.Terrain, r.AmbientC)
		into := p.Start.Sub(r.At).Hours() * 60
		e.spread(n, levels, p.Start, into, p.Hours)
	}
	if e.hours == 0 && len(log.Overheats) > 0 {
		e.guessed = true
		span := guessHours + 0.0
		if _, h0, ok := e.life.Clock.First(); ok {
			if _, h1, _ := e.life.Clock.Last(); h1-h0 > 1 {
				span = h1 - h0
			}
		}
		levels := make([]int, len(n.features))
		for f := range levels {
			levels[f] = unknown
		}
		e.cells = []cell{{hours: span, levels: levels}}
		e.hours = span
	}
	for i := range e.life.Overheats {
		e.heats = append(e.heats, e.heat(n, &e.life.Overheats[i], cycles))
	}
	e.readServices(n, log)
	e.readLoss(n, fleet.Settings)
	e.readMix(n, log)
	e.readChecks(n, fleet, log)
	e.readFacts(n, log, SpecOf(fleet, log))
	e.blank = e.hours == 0 && len(e.heats) == 0 && e.loss.topups == 0 && len(e.done) == 0
	return e
}

// spread cuts a piece of a run at the bounds of onset.
func (e *evidence) spread(n *network, levels []int, start time.Time, into, hours float64) {
	onset := n.feature("onset")
	for l, upTo := range []float64{fastMinutes, mediumMinutes, math.Inf(1)} {
		part := math.Min(hours, math.Max(0, (upTo-into)/60))
		if part <= 0 {
			continue
		}
		at := append([]int(nil), levels...)
		at[onset] = l
		e.cells = append(e.cells, cell{e.hours, part, start, at})
		start = start.Add(time.Duration(part * float64(time.Hour)))
		e.hours += part
		into += part * 60
		hours -= part
	}
}

// state is the levels that come from the machine's past.
func (n *network) state(l *exposure.Life, at time.Time, s exposure.State, cycles int) []int {
	levels := make([]int, len(n.features))
	for f := range levels {
		levels[f] = unknown
	}
	mud := s.Thorough.Mud + (s.Thorough.Hours-s.Thorough.Mud)*mudPerOther
	if s.Thorough.Never {
		mud += neverCleaned
	}
	levels[n.feature("dirt")] = band(mud, someMud, dirtyMud, cakeMud)
	refill := "settled"
	if !s.Refill.Never && s.Cycles < 3*cycles {
		switch bled := bledSince(l.Log, at); {
		case s.Cycles < cycles && bled:
			refill = "bled"
		case s.Cycles < cycles:
			refill = "unbled"
		case !bled:
			refill = "later"
		}
	}
	f := n.feature("refill")
	levels[f] = n.features[f].level(refill)
	f = n.feature("service")
	levels[f] = n.features[f].level(sinceWork(l, at))
	return levels
}

// bledSince says whether a bleed stands between the last refill and t.
func bledSince(log *schema.Log, t time.Time) bool {
	var fill time.Time
	for i := range log.Refills {
		if !log.Refills[i].At.After(t) {
			fill = log.Refills[i].At
		}
	}
	for i := range log.Bleeds {
		if b := &log.Bleeds[i]; !b.At.Before(fill) && !b.At.After(t) {
			return true
		}
	}
	return false
}

func sinceWork(l *exposure.Life, t time.Time) string {
	found := "none"
	now := l.HoursTo(t)
	for i := len(l.Log.Services) - 1; i >= 0; i-- {
		s := &l.Log.Services[i]
		if s.At.After(t) {
			continue
		}
		since := now - l.HoursTo(s.At)
		if since > oilHours {
			break
		}
		if strings.Contains(strings.ToLower(s.Work), "oil") {
			return "oil"
		}
		if since <= workHours {
			found = "other"
		}
	}
	return found
}

func band(x float64, bounds ...float64) int {
	for i, b := range bounds {
		if x < b {
			return i
		}
	}
	return len(bounds)
}

func (n *network) conditions(levels []int, speed, load, gears, terrain string, ambient schema.Num) {
	put := func(name, word string) {
		f := n.feature(name)
		if l := n.features[f].level(word); l >= 0 {
			levels[f] = l
		}
	}
	put("speed", speed)
	put("load", load)
	put("range", gears)
	switch terrain {
	case "":
	case "mud", "water":
		put("ground", "mud")
	case "dust", "grass", "forest":
		put("ground", "chaff")
	default:
		put("ground", "firm")
	}
	if ambient.Known {
		levels[n.feature("ambient")] = band(ambient.V, coldC, hotC)
	}
}

func (e *evidence) heat(n *network, v *exposure.Event, cycles int) heat {
	o := v.Overheat
	h := heat{at: o.At, steam: o.Sign == "steam", base: &o.Base}
	h.levels = n.state(e.life, o.At, v.State, cycles)
	minutes := o.MinutesIn
	if v.Run >= 0 {
		r := &e.life.Log.Runs[v.Run]
		n.conditions(h.levels, r.Speed, r.Load, r.Range, r.Terrain, r.AmbientC)
		if !minutes.Known && v.How == exposure.Covered {
			minutes = schema.N(o.At.Sub(r.At).Minutes())
		}
	}
	n.conditions(h.levels, o.Speed, o.Load, o.Range, o.Terrain, o.AmbientC)
	if minutes.Known {
		h.levels[n.feature("onset")] = band(minutes.V, fastMinutes, mediumMinutes)
	}
	put := func(name, word string) {
		f := n.feature(name)
		h.levels[f] = n.features[f].level(word)
	}
	put("sign", o.Sign)
	put("fan", o.Fan)
	if o.Lost.Known {
		if o.Lost.V > 0 {
			put("boil", "lost")
		} else {
			put("boil", "none")
		}
	}
	h.hour = e.atRisk(o.At)
	return h
}

// atRisk is the engine hours at risk before t, of those that the cells hold.
func (e *evidence) atRisk(t time.Time) float64 {
	if e.guessed {
		return e.hours // no telling: at the end
	}
	if e.hours == 0 {
		return 0
	}
	return math.Min(e.hours, e.life.HoursTo(t))
}

// readLoss adds up what was gone between marks that neither settling after a
// refill nor boil-over explains: over the whole log, or over its end from a
// mark on where that shows more, as a leak begins at some time. What was lost
// before a service for a leak is past.
func (e *evidence) readLoss(n *network, settings schema.Settings) {
	var parts []exposure.Stretch
	for _, s := range e.life.Stretches(e.life.Marks(), settings.SettlingCycles()) {
		if !s.Counts() || e.leakMendedAfter(n, s.From) {
			continue
		}
		parts = append(parts, s)
	}
	e.lossOn = sync.OnceValue(func() string { return report.CoolantLoss(e.life, settings) })
	var l loss
	over := math.Inf(-1) // ml beyond what is used anyway
	guessed := 0.0       // ml by which the boil-overs may be out
	greatest := 0.0      // of one stretch: a spill is no leak, so the greatest counts half
	for i := len(parts) - 1; i >= 0; i-- {
		s := &parts[i]
		greatest = math.Max(greatest, s.Unexplained()-usedAnyway*s.Hours())
		l.ml += s.Unexplained()
		l.hours += s.Hours()
		l.from = s.From
		guessed += boilError * s.BoilOver
		if s.Closed == "topup" && s.Unexplained() > 0 {
			l.topups++
		}
		beyond := l.ml - usedAnyway*l.hours - greatest/2 - guessed
		if i > 0 {
			beyond -= lookError // what picking the mark to begin at may gain
		}
		if l.hours >= leastHours && beyond > over {
			over, e.loss = beyond, l
		}
	}
	if e.loss.hours == 0 {
		return
	}
	level := "none"
	switch {
	case over >= 600:
		level = "plain"
	case over >= 200:
		level = "steady"
	case over >= lookError:
		level = "slight"
	}
	f := n.feature("loss")
	e.whole[f] = n.features[f].level(level)
}

func (e *evidence) leakMendedAfter(n *network, t time.Time) bool {
	f := n.feature("loss")
	for _, m := range e.mended {
		if m.at.After(t) && n.causes[m.cause].weights[f] != nil {
			return true
		}
	}
	return false
}

// readMix follows the glycol from the last refill of known strength through
// the top-ups.
func (e *evidence) readMix(n *network, log *schema.Log) {
	pct, at, number := math.NaN(), time.Time{}, int64(0)
	for i := range log.Refills {
		if r := &log.Refills[i]; r.Concentrate.Known {
			pct, at, number = r.Concentrate.V, r.At, r.Number
		}
	}
	if math.IsNaN(pct) || !log.Machine.CoolantL.Known {
		return
	}
	system := log.Machine.CoolantL.V
	var fills []cooling.Fill
	for i := range log.TopUps {
		t := &log.TopUps[i]
		if in, err := cooling.FluidPct(t.Fluid); err == nil && later(&t.Base, at, number) {
			fills = append(fills, cooling.Fill{Litres: min(t.Volume.V/1000, system), VolPct: in})
		}
	}
	pct, err := cooling.AfterTopUps(system, pct, fills...)
	if err != nil {
		return // a system of no size that there is
	}
	e.mixPct = pct
	level := "right"
	if pct < 35 || pct > 60 {
		level = "off"
	}
	f := n.feature("mix")
	e.whole[f] = n.features[f].level(level)
}

func (e *evidence) readServices(n *network, log *schema.Log) {
	for i := range log.Services {
		if k := n.cause(log.Services[i].Cause); k >= 0 {
			at := log.Services[i].At
			e.mended = append(e.mended, mend{k, at, log.Services[i].Number, e.atRisk(at)})
		}
	}
	for i := range log.Answers {
		a := &log.Answers[i]
		k := n.cause(a.Cause)
		if k < 0 || a.Service.Known {
			continue // a service of its own, counted as such
		}
		if !e.mendedAfter(k, a.At.AddDate(0, 0, -7)) {
			e.named = append(e.named, named{k, a.At})
		}
	}
}

func (e *evidence) mendedAfter(cause int, t time.Time) bool {
	for _, m := range e.mended {
		if m.cause == cause && !m.at.Before(t) {
			return true
		}
	}
	return false
}

// readChecks keeps the last result of each check that nothing has made out of
// date since. A pass loses weight with the hours driven since, and with the
// share of the overheats that came after it: what began after a look cannot
// have been seen.
func (e *evidence) readChecks(n *network, fleet *schema.Fleet, log *schema.Log) {
	last := make([]*schema.Check, len(n.checks))
	spec := SpecOf(fleet, log)
	for i := range log.Checks {
		c := &log.Checks[i]
		k := n.check(c.Check)
		if k < 0 {
			continue
		}
		if c.Result == "" {
			judged := *c
			if judged.Result = judge(c, spec); judged.Result == "" {
				continue
			}
			c = &judged
		}
		if c.Result == "unsure" && last[k] != nil {
			continue // it takes nothing back
		}
		last[k] = c
	}
	for k, c := range last {
		if c == nil || e.voided(n, log, &n.checks[k], c) {
			continue
		}
		d := done{check: k, failed: c.Result == "fail", unsure: c.Result == "unsure", strength: 1, at: c.At,
			measured: len(facts.OfCheck(c, spec)) > 0}
		before, after := 0, 0
		for i := range e.heats {
			if later(e.heats[i].base, c.At, c.Number) {
				after++
			} else {
				before++
			}
		}
		since := math.Max(0, e.hours-e.atRisk(c.At))
		if !d.failed && !d.unsure {
			d.strength = math.Pow(0.5, since/n.fades)
			if after > 0 {
				d.strength *= float64(before) / float64(before+after)
				d.stale = fmt.Sprintf("%d of %d overheats came after it", after, before+after)
			} else if d.strength < 0.8 {
				d.stale = fmt.Sprintf("%.0f h ago", since)
			}
		}
		e.done = append(e.done, d)
	}
}

// readFacts keeps the last figure of each state that nothing has made out of date
// since: not a thorough clean for a core, not what was filled in for a level, not
// a service for one of its causes. A figure that speaks against a state loses
// weight as a passed check does.
func (e *evidence) readFacts(n *network, log *schema.Log, spec cooling.Spec) {
	last := map[string]facts.Fact{}
	for _, f := range facts.Of(log, spec) {
		last[f.State] = f
	}
	for _, name := range slices.Sorted(maps.Keys(last)) {
		f := last[name]
		if f.Kind == "refill" || e.outOfDate(log, &f) {
			continue // what was filled counts with the top-ups after it, see readMix
		}
		if f.State == "glycol-off" {
			e.whole[n.feature("mix")] = unknown // measured, so the arithmetic is void
		}
		if f.Factor < 1 {
			since := math.Max(0, e.hours-e.atRisk(f.At))
			f.Factor = math.Pow(f.Factor, math.Pow(0.5, since/n.fades)*e.shareBefore(f.At, f.Record))
		}
		e.facts = append(e.facts, f)
	}
}

// shareBefore is the share of the overheats that came before a look: what began
// after it cannot have been seen.
func (e *evidence) shareBefore(t time.Time, number int64) float64 {
	before := 0
	for i := range e.heats {
		if !later(e.heats[i].base, t, number) {
			before++
		}
	}
	if len(e.heats) == 0 {
		return 1
	}
	return float64(before) / float64(len(e.heats))
}

func (e *evidence) outOfDate(log *schema.Log, f *facts.Fact) bool {
	after := func(b *schema.Base) bool { return later(b, f.At, f.Record) }
	for i := range log.Refills {
		if after(&log.Refills[i].Base) && f.VoidBy("refill") {
			return true
		}
	}
	for i := range log.TopUps {
		if after(&log.TopUps[i].Base) && f.VoidBy("topup") {
			return true
		}
	}
	for i := range log.Cleanings {
		if after(&log.Cleanings[i].Base) && f.VoidBy("cleaning") && log.Cleanings[i].Thorough() {
			return true
		}
	}
	for i := range log.Services {
		if s := &log.Services[i]; after(&s.Base) && f.Causes()[s.Cause] >= 0.3 {
			return true
		}
	}
	return false
}

// later says whether a record counts after another one: dated after it, or at the
// same time and entered later. One not yet in the book, number 0, is the newest.
func later(b *schema.Base, at time.Time, number int64) bool {
	if !b.At.Equal(at) {
		return b.At.After(at)
	}
	return number != 0 && (b.Number == 0 || b.Number > number)
}

// voided says whether something recorded after a check makes it out of date.
func (e *evidence) voided(n *network, log *schema.Log, k *check, c *schema.Check) bool {
	after := func(b *schema.Base) bool { return later(b, c.At, c.Number) }
	for _, kind := range k.void {
		switch kind {
		case "refill":
			if slices.ContainsFunc(log.Refills, func(r schema.Refill) bool { return after(&r.Base) }) {
				return true
			}
		case "topup":
			if slices.ContainsFunc(log.TopUps, func(r schema.TopUp) bool { return after(&r.Base) }) {
				return true
			}
		case "clean":
			if slices.ContainsFunc(log.Cleanings, func(r schema.Cleaning) bool { return after(&r.Base) && r.Thorough() }) {
				return true
			}
		}
	}
	for i := range log.Services {
		if s := &log.Services[i]; after(&s.Base) && n.cause(s.Cause) >= 0 && k.fails[n.cause(s.Cause)] >= 0.3 {
			return true
		}
	}
	return false
}
