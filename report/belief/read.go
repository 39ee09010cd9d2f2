package belief

import (
	"math"
	"slices"
	"sort"
	"strings"
	"time"

	"shedbook/report/cooling"
	"shedbook/report/exposure"
	"shedbook/schema"
)

// Fact is what a check or an answer says: how probable it was, were each cause
// there by itself (in the order of the vocabulary), over its probability were
// none. It speaks of the machine as it stood At that time.
type Fact struct {
	At     time.Time
	Number int64 // of the record: what was entered later at the same time comes later; 0 is the newest
	Ratio  []float64
	// Mix: it tells the mix, so that the arithmetic of refills is void.
	Mix bool
}

// story is a log in the terms of the model.
type story struct {
	life  *exposure.Life
	cells []cell
	heats []heat
	loss  []exposure.Stretch
	cuts  []cut // in time order
	hours float64
	from  time.Time // what came before is not read
	mix   float64   // vol %, by refills and top-ups; NaN where not known
	// guessed: no hours are recorded, and guessHours of the usual use stand in.
	guessed bool
}

// cell is some hours in one state.
type cell struct {
	at     time.Time
	state  state
	driver string
	hours  float64
	before float64 // hours of the story before it
}

// heat is an overheat.
type heat struct {
	at     time.Time
	hour   float64
	state  state
	driver string
	sign   int // in the vocabulary; -1 where not recorded
	fan    int // 1 running, 0 not, -1 not known
	boiled int
}

// cut is a moment at which causes may come or go.
type cut struct {
	at   time.Time
	n    int64    // number of the record; 0 of none, or of one not yet in the book
	off  []change // remedies
	on   []change // what may have been brought about
	fact *Fact
	dirt uint8 // how the core stood then
	// refill: air may be left, by how hard the system is to bleed (draw.airLeft).
	refill bool
}

// change is the chance that a cause ends or begins at a cut: where it is
// packed (see draw.packed) and where it grows.
type change struct {
	cause         int
	packed, grows float64
}

// What is read of a long log: its last hours, and its last overheats.
const (
	storyHours = 1000
	storyHeats = 200
	guessHours = 100
)

// Bounds of onset, minutes.
const fastMinutes, middleMinutes = 15, 40

// Dirt, in mud hours: what an hour counts elsewhere, what a machine never
// cleaned in its log begins with, and what a rinse leaves. The draws of how
// fast a core packs up stand for how little these are known.
const (
	dustHour, plainHour = 0.4, 0.06
	neverCleaned        = 10
	rinseLeaves         = 0.8
)

func (f *Fleet) read(life *exposure.Life, facts []Fact) *story {
	s := &story{life: life, mix: math.NaN()}
	log := life.Log
	cycles := f.settings.SettlingCycles()
	dirt := dirtClock{cleanings: log.Cleanings, hours: neverCleaned}
	past := newPast(log)
	total := 0.0
	for i := range life.Pieces {
		total += life.Pieces[i].Hours
	}
	if n := len(log.Overheats); n > storyHeats {
		s.from = log.Overheats[n-storyHeats].At
	}
	states := make([]state, len(life.Pieces))
	gone := 0.0
	for i := range life.Pieces {
		p := &life.Pieces[i]
		if p.Hours <= 0 {
			continue
		}
		r := &log.Runs[p.Run]
		st := past.state(life, p.Start, p.State, cycles)
		st.dirt = dirt.at(p.Start)
		st.conditions(r.Speed, r.Load, r.Range, r.Terrain, r.AmbientC)
		dirt.drive(st.ground, p.Hours)
		states[i] = st
		if gone += p.Hours; total-gone >= storyHours {
			s.from = p.Start.Add(time.Duration(p.Hours * float64(time.Hour)))
			continue
		}
		if p.Start.Before(s.from) {
			continue
		}
		s.spread(st, r.Driver, p.Start, p.Start.Sub(r.At).Minutes(), p.Hours)
	}
	if s.hours == 0 && len(log.Overheats) > 0 {
		s.guess()
	}
	for i := range life.Overheats {
		v := &life.Overheats[i]
		if v.At.Before(s.from) {
			continue
		}
		o := *v.Overheat
		h := heat{at: o.At, sign: slices.Index(schema.Words("sign"), o.Sign), fan: -1, boiled: -1}
		h.state = past.state(life, o.At, v.State, cycles)
		if v.Piece >= 0 {
			h.state.dirt = states[v.Piece].dirt
		} else {
			h.state.dirt = dirt.at(o.At)
		}
		minutes := o.MinutesIn
		if v.Run >= 0 {
			r := &log.Runs[v.Run]
			fill(&o, r)
			if !minutes.Known && v.How == exposure.Covered {
				minutes = schema.N(o.At.Sub(r.At).Minutes())
			}
		}
		h.driver = o.Driver
		h.state.conditions(o.Speed, o.Load, o.Range, o.Terrain, o.AmbientC)
		if minutes.Known {
			h.state.onset = 1
			if minutes.V >= fastMinutes {
				h.state.onset++
			}
			if minutes.V >= middleMinutes {
				h.state.onset++
			}
		}
		switch o.Fan {
		case "on":
			h.fan = 1
		case "off":
			h.fan = 0
		}
		if o.Lost.Known {
			h.boiled = 0
			if o.Lost.V > 0 {
				h.boiled = 1
			}
		}
		h.hour = s.hourAt(o.At)
		s.heats = append(s.heats, h)
	}
	for _, x := range life.Stretches(life.LevelPoints(), cycles) {
		if x.Counts() && !x.To.Before(s.from) && x.Hours() > 0 {
			s.loss = append(s.loss, x)
		}
	}
	if n := len(s.loss); n > 80 {
		s.loss = s.loss[n-80:]
	}
	s.readMix()
	f.remedies(s, facts)
	return s
}

// guess stands in the usual use where no run is recorded.
func (s *story) guess() {
	span := guessHours + 0.0
	if _, h0, ok := s.life.Clock.First(); ok {
		if _, h1, _ := s.life.Clock.Last(); h1-h0 > 1 {
			span = h1 - h0
		}
	}
	s.guessed = true
	s.cells = []cell{{at: s.life.Log.Overheats[0].At, state: state{dirt: 2}, hours: span}}
	s.hours = span
}

// spread cuts a piece of a run at the bounds of onset.
func (s *story) spread(st state, driver string, start time.Time, into, hours float64) {
	for l, upTo := range []float64{fastMinutes, middleMinutes, math.Inf(1)} {
		part := math.Min(hours, math.Max(0, (upTo-into)/60))
		if part <= 0 {
			continue
		}
		st.onset = uint8(l + 1)
		s.cells = append(s.cells, cell{start, st, driver, part, s.hours})
		start = start.Add(time.Duration(part * float64(time.Hour)))
		s.hours += part
		into += part * 60
		hours -= part
	}
}

// hourAt is the hours of the story before t.
func (s *story) hourAt(t time.Time) float64 {
	i := sort.Search(len(s.cells), func(i int) bool { return s.cells[i].at.After(t) })
	if i == 0 {
		return 0
	}
	c := &s.cells[i-1]
	return c.before + math.Min(c.hours, t.Sub(c.at).Hours())
}

// dirtClock counts the hours in dirt since the last thorough clean.
type dirtClock struct {
	cleanings []schema.Cleaning
	hours     float64
}

func (d *dirtClock) at(t time.Time) uint8 {
	for len(d.cleanings) > 0 && !d.cleanings[0].At.After(t) {
		if d.cleanings[0].Thorough() {
			d.hours = 0
		} else {
			d.hours *= rinseLeaves
		}
		d.cleanings = d.cleanings[1:]
	}
	for i, b := range dirtBounds {
		if d.hours < b {
			return uint8(i)
		}
	}
	return uint8(len(dirtBounds))
}

func (d *dirtClock) drive(ground uint8, hours float64) {
	switch ground {
	case 1:
		d.hours += hours
	case 2:
		d.hours += dustHour * hours
	case 0:
		d.hours += hours * (usual.ground[0] + usual.ground[1]*dustHour + usual.ground[2]*plainHour)
	default:
		d.hours += plainHour * hours
	}
}

// past walks along the bleeds, refills and services of a log.
type past struct {
	log *schema.Log
}

func newPast(log *schema.Log) *past { return &past{log} }

// Hours after work in which it may still show.
const oilHours, workHours = 20, 10

func (p *past) state(life *exposure.Life, at time.Time, s exposure.State, cycles int) state {
	var st state
	if !s.Refill.Never && s.Cycles < 3*cycles {
		switch bledSince := p.bled(at); {
		case s.Cycles < cycles && bledSince:
			st.refill = bled
		case s.Cycles < cycles:
			st.refill = unbled
		case !bledSince:
			st.refill = later
		}
	}
	n := sort.Search(len(p.log.Services), func(i int) bool { return p.log.Services[i].At.After(at) })
	if n == 0 {
		return st
	}
	now := life.HoursTo(at)
	for i := n - 1; i >= 0; i-- {
		v := &p.log.Services[i]
		since := now - life.HoursTo(v.At)
		if since > oilHours {
			break
		}
		if isOil(v.Work) {
			st.work = oilWork
			break
		}
		if since <= workHours {
			st.work = otherWork
		}
	}
	return st
}

func isOil(work string) bool { return strings.Contains(strings.ToLower(work), "oil") }

func (p *past) bled(t time.Time) bool {
	n := sort.Search(len(p.log.Refills), func(i int) bool { return p.log.Refills[i].At.After(t) })
	if n == 0 {
		return false
	}
	m := sort.Search(len(p.log.Bleeds), func(i int) bool { return p.log.Bleeds[i].At.After(t) })
	return m > 0 && !p.log.Bleeds[m-1].At.Before(p.log.Refills[n-1].At)
}

// readMix follows the glycol from the last refill of known strength through
// the top-ups.
func (s *story) readMix() {
	log := s.life.Log
	pct, at := math.NaN(), time.Time{}
	for i := range log.Refills {
		if r := &log.Refills[i]; r.Concentrate.Known {
			pct, at = r.Concentrate.V, r.At
		}
	}
	if math.IsNaN(pct) || !log.Machine.CoolantL.Known {
		return
	}
	system := log.Machine.CoolantL.V
	var fills []cooling.Fill
	for i := range log.TopUps {
		t := &log.TopUps[i]
		if in, err := cooling.FluidPct(t.Fluid); err == nil && t.At.After(at) {
			fills = append(fills, cooling.Fill{Litres: min(t.Volume.V/1000, system), VolPct: in})
		}
	}
	if pct, err := cooling.AfterTopUps(system, pct, fills...); err == nil { // else a system of no size that there is
		s.mix = pct
	}
}

// The chances with which remedies end causes, and work brings them about.
// Common practice, no source.
const (
	mends      = 0.92 // a service that names the cause
	namedMends = 0.5  // an answer that names it: found, and perhaps mended
	bleedMends = 0.75
	settles    = 0.9 // air, once the filling has settled
)

// mostRemedies of a kind count: the latest.
const mostRemedies = 10

// remedies makes the cuts: remedies, facts, and moments at which a cause may
// have come by itself, closer together towards the end.
func (f *Fleet) remedies(s *story, facts []Fact) {
	log := s.life.Log
	record := func(t time.Time, n int64) *cut {
		s.cuts = append(s.cuts, cut{at: t, n: n})
		return &s.cuts[len(s.cuts)-1]
	}
	at := func(t time.Time) *cut { return record(t, 0) }
	c := func(name string) int { return slices.Index(f.table.causes, name) }
	off := func(k *cut, name string, packed, grows float64) {
		if i := c(name); i >= 0 {
			k.off = append(k.off, change{i, packed, grows})
		}
	}
	on := func(k *cut, name string, p float64) {
		if i := c(name); i >= 0 {
			k.on = append(k.on, change{i, p, p})
		}
	}
	thorough := make([]schema.Cleaning, 0, len(log.Cleanings))
	for _, x := range log.Cleanings {
		if x.Thorough() { // a rinse reaches what lies in front, and helps for a day
			thorough = append(thorough, x)
		}
	}
	for _, x := range tail(thorough) {
		k := record(x.At, x.Number)
		done := 1.0
		if x.BlockedAfter.Known {
			done = math.Max(0.1, 1-x.BlockedAfter.V/40)
		}
		off(k, "blocked-core", 0.9*done, 0.1*done) // what packs up does so again
		off(k, "dirty-oil-cooler", 0.4*done, 0.1*done)
		off(k, "air-path", 0.2, 0.2)
	}
	for _, x := range tail(log.Bleeds) {
		off(record(x.At, x.Number), "trapped-air", bleedMends, bleedMends)
	}
	for _, x := range tail(log.Refills) {
		k := record(x.At, x.Number)
		off(k, "trapped-air", 0.5, 0.5)
		off(k, "low-coolant", 0.9, 0.9)
		off(k, "wrong-mix", 0.5, 0.5)
		k.refill = true
		if t := f.settledAt(s.life, x.At); !t.IsZero() {
			off(at(t), "trapped-air", settles, settles)
		}
	}
	for _, x := range tail(log.TopUps) {
		if c("low-coolant") >= 0 {
			off(record(x.At, x.Number), "low-coolant", 0.9, 0.9)
		}
	}
	for _, x := range tail(log.Services) {
		if x.Cause == "" && !s.lately(x.At) {
			continue
		}
		k := record(x.At, x.Number)
		if x.Cause != "" {
			off(k, x.Cause, mends, mends)
			continue
		}
		if isOil(x.Work) {
			on(k, "overfilled-oil", 0.03)
			off(k, "low-oil", 0.8, 0.8)
			continue
		}
		for _, name := range []string{"fan-circuit", "collapsed-hose", "air-path", "fan-reversed"} {
			on(k, name, 0.01)
		}
	}
	for _, x := range tail(log.Answers) {
		i := c(x.Cause)
		if i < 0 || x.Service.Known {
			continue // a service of its own, counted as such
		}
		ratio := make([]float64, len(f.table.causes))
		for j := range ratio {
			ratio[j] = 1
		}
		ratio[i] = namedRatio
		at(x.At).fact = &Fact{At: x.At, Ratio: ratio}
		off(at(x.At), x.Cause, namedMends, namedMends)
	}
	if n := len(facts); n > 2*mostRemedies {
		facts = facts[n-2*mostRemedies:]
	}
	for i := range facts {
		record(facts[i].At, facts[i].Number).fact = &facts[i]
	}
	for _, back := range []float64{8, 20, 45, 90, 170, 300, 500, 750} {
		if back >= s.hours || s.guessed {
			break
		}
		i := sort.Search(len(s.cells), func(i int) bool { return s.cells[i].before >= s.hours-back })
		if i < len(s.cells) {
			at(s.cells[i].at)
		}
	}
	for i := range s.cuts {
		k := &s.cuts[i]
		j := sort.Search(len(s.cells), func(j int) bool { return s.cells[j].at.After(k.at) })
		if k.fact != nil && j > 0 {
			k.dirt = s.cells[j-1].state.dirt
		}
	}
	s.cuts = slices.DeleteFunc(s.cuts, func(k cut) bool { return k.at.Before(s.from) })
	sort.SliceStable(s.cuts, func(a, b int) bool {
		x, y := &s.cuts[a], &s.cuts[b]
		if !x.at.Equal(y.at) {
			return x.at.Before(y.at)
		}
		return x.n != 0 && (y.n == 0 || x.n < y.n)
	})
}

// namedRatio is how strongly an answer speaks: as a check of the best kind.
const namedRatio = 0.9 / 0.02

func tail[T any](list []T) []T { return list[max(0, len(list)-mostRemedies):] }

// lately: within the hours in which work may show.
func (s *story) lately(t time.Time) bool { return s.hours-s.hourAt(t) < 150 }

// settledAt is when the filling of a refill had settled; zero where it hasn't.
func (f *Fleet) settledAt(life *exposure.Life, fill time.Time) time.Time {
	runs := life.Log.Runs
	i := sort.Search(len(runs), func(i int) bool { return !runs[i].At.Before(fill) })
	need := 3 * f.settings.SettlingCycles()
	for ; i < len(runs); i++ {
		if h, _ := runs[i].Duration(); h >= f.settings.WarmUp() {
			if need--; need <= 0 {
				return runs[i].End()
			}
		}
	}
	return time.Time{}
}
