package belief

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"time"

	"shedbook/report/exposure"
	"shedbook/report/say"
	"shedbook/schema"
	"shedbook/schema/unit"
)

// Remedy is something done about a cause, and whether it held.
type Remedy struct {
	Machine string    `json:"machine"`
	Record  int64     `json:"record"`
	At      time.Time `json:"at"`
	What    string    `json:"what"` // clean, bleed, service or answer
	Cause   string    `json:"cause"`
	Before  Before    `json:"before"`
	Since   Since     `json:"since"`
	Held    float64   `json:"held"`
	Says    string    `json:"says"` // held, not yet or came back
	// HoursToProve are still to be driven without trouble; nil, with Why, where that takes
	// more than anybody would wait for.
	HoursToProve *float64 `json:"hours_to_prove"`
	Why          *string  `json:"why"`
	// Unit is what events count in: overheats, or ml for a leak.
	Unit string `json:"unit"`
	// Followed: the same was done once more later.
	Followed bool `json:"-"`
}

// What events count in.
const (
	Overheats   = "overheats"
	Millilitres = "ml"
)

// Before a remedy: events are overheats, or, of a leak, millilitres beyond
// settling and boil-over; hours count by how much the fault would have shown.
type Before struct {
	Events    float64 `json:"events"`
	LikeHours float64 `json:"like_hours"`
}

// Since a remedy: Expected is the events had the fault stayed.
type Since struct {
	Events    float64 `json:"events"`
	LikeHours float64 `json:"like_hours"`
	Expected  float64 `json:"expected"`
}

// What a remedy is said to have done.
const (
	Held     = "held"
	NotYet   = "not yet"
	CameBack = "came back"
)

// provenAt is the chance from which a remedy is said to have held, and below
// cameBack it is said not to have.
const provenAt, cameBackAt = 0.9, 0.25

// leastLoss is what must have gone before a remedy for it to be one of a leak,
// ml.
const leastLoss = 200

// done are the remedies of a log, in time order.
func done(log *schema.Log) []Remedy {
	var out []Remedy
	add := func(record int64, at time.Time, what, cause string) {
		out = append(out, Remedy{Machine: log.Machine.Name, Record: record, At: at, What: what, Cause: cause})
	}
	for i := range log.Cleanings {
		if c := &log.Cleanings[i]; c.Thorough() {
			add(c.Number, c.At, "clean", "blocked-core")
		}
	}
	for i := range log.Bleeds {
		add(log.Bleeds[i].Number, log.Bleeds[i].At, "bleed", "trapped-air")
	}
	for i := range log.Services {
		if s := &log.Services[i]; s.Cause != "" {
			add(s.Number, s.At, "service", s.Cause)
		}
	}
	for i := range log.Answers {
		if a := &log.Answers[i]; a.Cause != "" && !a.Service.Known {
			add(a.Number, a.At, "answer", a.Cause)
		}
	}
	sort.SliceStable(out, func(a, b int) bool { return out[a].At.Before(out[b].At) })
	next := map[string]bool{}
	for i := len(out) - 1; i >= 0; i-- {
		out[i].Followed, next[out[i].Cause] = next[out[i].Cause], true
	}
	return out
}

// Remedies are those of a machine that had overheated or lost coolant before, and
// whether each held, in time order. They are judged by the machine's own log alone,
// so that whoever asks, of one machine or of the whole fleet, gets the same.
func Remedies(settings schema.Settings, life *exposure.Life) []Remedy {
	log := life.Log
	all := done(log)
	if len(all) == 0 || len(log.Overheats)+len(log.TopUps)+len(log.Levels)+len(log.Refills) == 0 {
		return nil
	}
	causes := schema.Words("cause")
	f := NewFleet(settings, make([]float64, len(causes)))
	f.fit()
	return f.judged(f.read(life, nil), all)
}

// Unproven are the remedies of a machine that are not proven yet, the last for each
// cause, of those done in the last engine hours. Where none of these can be, which
// is told by the overheats alone, the rest is not read.
func Unproven(settings schema.Settings, life *exposure.Life, hours float64) []Remedy {
	log := life.Log
	now := math.Inf(-1)
	if n := len(life.Pieces); n > 0 {
		now = life.HoursTo(life.Pieces[n-1].Start) + life.Pieces[n-1].Hours
	}
	late := func(t time.Time) bool { return now-life.HoursTo(t) <= hours }
	var from = map[string]time.Time{}
	could := false
	all := done(log)
	for i := range all {
		r := &all[i]
		if _, leak := lossMedian[r.Cause]; !r.Followed && late(r.At) {
			could = could || leak || slices.ContainsFunc(log.Overheats, func(o schema.Overheat) bool {
				return !o.At.Before(from[r.Cause]) && o.At.Before(r.At)
			})
		}
		from[r.Cause] = r.At
	}
	if !could {
		return nil
	}
	return slices.DeleteFunc(Remedies(settings, life), func(r Remedy) bool {
		return r.Followed || r.Says != NotYet || !late(r.At)
	})
}

// judged are the remedies that something had gone before, each from the remedy
// before it for the same cause to the next.
func (f *Fleet) judged(s *story, all []Remedy) []Remedy {
	p := &judge{filter: f.known(s, nil), shows: map[int]map[state]float64{}, sound: map[state]float64{}}
	var out []Remedy
	for i := range all {
		r := all[i]
		if r.At.Before(s.from) {
			continue
		}
		from, to := s.from, time.Time{}
		for j := range all {
			if o := &all[j]; o.Cause == r.Cause && o.At.Before(r.At) {
				if o.At.After(from) {
					from = o.At
				}
			} else if o.Cause == r.Cause && o.At.After(r.At) {
				to = o.At
				break
			}
		}
		if p.judge(&r, from, to) {
			out = append(out, r)
		}
	}
	return out
}

// judge judges remedies; shows is by cause and state how much it would have shown,
// sound what a sound machine would have had an hour.
type judge struct {
	*filter
	shows map[int]map[state]float64
	sound map[state]float64
}

// between are the cells that begin from a time on and before another, zero for
// the end.
func (s *story) between(from, to time.Time) []cell {
	a := sort.Search(len(s.cells), func(i int) bool { return !s.cells[i].at.Before(from) })
	b := len(s.cells)
	if !to.IsZero() {
		b = sort.Search(len(s.cells), func(i int) bool { return !s.cells[i].at.Before(to) })
	}
	return s.cells[a:max(a, b)]
}

// judge says whether a remedy held; ok is false where nothing had happened
// that it could end. What came after another remedy that stood nearer to it,
// for another cause, counts for both: the two can't be told apart.
func (p *judge) judge(r *Remedy, from, to time.Time) (ok bool) {
	cause := -1
	for c, name := range p.f.table.causes {
		if name == r.Cause {
			cause = c
		}
	}
	if cause < 0 {
		return false
	}
	within := func(t, a, b time.Time) bool { return !t.Before(a) && (b.IsZero() || t.Before(b)) }
	// How much the fault would have shown in each state, relative to the states
	// in which it overheated; the dirt as it was then, for a clean in vain.
	shows := p.shows[cause]
	if shows == nil {
		shows = map[state]float64{}
		p.shows[cause] = shows
	}
	at := func(s state) float64 {
		x, ok := shows[s]
		if !ok {
			for k, y := range (*p.f.table.at(s))[cause] {
				x += p.weights[k] * y
			}
			shows[s] = x
		}
		return x
	}
	sane := func(s state) float64 {
		x, ok := p.sound[s]
		if !ok {
			for k, y := range (*p.f.table.at(s))[len(p.f.table.causes)] {
				x += p.weights[k] * y * p.level[k]
			}
			p.sound[s] = x
		}
		return x
	}
	mean, dirt, refill := 0.0, uint8(0), uint8(0)
	for i := range p.s.heats {
		if h := &p.s.heats[i]; within(h.at, from, r.At) {
			r.Before.Events++
			mean += at(h.state)
			dirt = max(dirt, h.state.dirt)
			refill = max(refill, h.state.refill)
		}
	}
	r.Unit = Overheats
	if p.leaks(r, from, to) {
		return true
	}
	if r.Before.Events == 0 {
		return false
	}
	mean /= r.Before.Events
	sound := 0.0
	cells := p.s.between(from, to)
	for i := range cells {
		c := &cells[i]
		st, since := c.state, !c.at.Before(r.At)
		if since {
			st.dirt, st.refill = max(st.dirt, dirt), max(st.refill, refill)
		}
		like := c.hours * math.Min(1, at(st)/mean)
		if !since {
			r.Before.LikeHours += like
			continue
		}
		r.Since.LikeHours += like
		sound += sane(c.state) * c.hours
	}
	for i := range p.s.heats {
		if h := &p.s.heats[i]; within(h.at, r.At, to) {
			r.Since.Events++
		}
	}
	like := math.Max(r.Before.LikeHours, 1)
	rate := r.Before.Events / like
	r.Since.Expected = rate * r.Since.LikeHours
	chance := func(hours float64) float64 {
		// Had it stayed, the rate is a gamma's by what came before; had it held,
		// a sound machine's. The odds beforehand are even.
		stayed := gammaPoisson(r.Since.Events, (r.Before.Events+0.5)/like*hours+sound, r.Before.Events+0.5)
		gone := gammaPoisson(r.Since.Events, sound+1e-3, ownShape)
		return gone / (gone + stayed)
	}
	r.Held = chance(r.Since.LikeHours)
	p.says(r)
	if r.Says == NotYet {
		low, high := r.Since.LikeHours, r.Since.LikeHours+1
		for chance(high) < provenAt && high < 1e4 {
			high *= 1.5
		}
		for range 40 {
			if mid := (low + high) / 2; chance(mid) < provenAt {
				low = mid
			} else {
				high = mid
			}
		}
		r.toProve(high - r.Since.LikeHours)
	}
	r.round()
	return true
}

func (p *judge) says(r *Remedy) {
	r.HoursToProve = new(float64)
	switch {
	case r.Held >= provenAt:
		r.Says = Held
	case r.Held < cameBackAt && r.Since.Events > 0:
		r.Says = CameBack
	default:
		r.Says = NotYet
	}
}

// leaks judges a remedy of a leak by the coolant; ok is false where it is none,
// or none had gone.
func (p *judge) leaks(r *Remedy, from, to time.Time) (ok bool) {
	if _, is := lossMedian[r.Cause]; !is {
		return false
	}
	b, s, vs := Before{}, Since{}, 0.0
	for i := range p.s.loss {
		x := &p.s.loss[i]
		switch middle := x.From.Add(x.To.Sub(x.From) / 2); {
		case middle.Before(from) || !to.IsZero() && !middle.Before(to):
		case middle.Before(r.At):
			b.Events += x.Unexplained()
			b.LikeHours += x.Hours()
		default:
			s.Events += x.Unexplained()
			s.LikeHours += x.Hours()
			vs += lookError * lookError / 2 // ends of stretches cancel
		}
	}
	if b.Events < leastLoss || b.LikeHours <= 0 {
		return false
	}
	rate := b.Events / b.LikeHours
	s.Expected = rate * s.LikeHours
	sound := lossMedian[""]
	chance := func(hours, events float64) float64 {
		normal := func(mean float64) float64 {
			sd := math.Sqrt(2*lookError*lookError + vs + 0.09*mean*mean)
			z := (events - mean) / sd
			return 0.97*math.Exp(-z*z/2)/sd + 0.03/1000
		}
		gone, stayed := normal(sound*hours), normal(rate*hours)
		return gone / (gone + stayed)
	}
	r.Before, r.Since, r.Unit = b, s, Millilitres
	r.Held = chance(s.LikeHours, s.Events)
	p.says(r)
	if r.Says == NotYet {
		h := s.LikeHours
		for chance(h, s.Events+sound*(h-s.LikeHours)) < provenAt && h < s.LikeHours+2000 {
			h++
		}
		r.toProve(h - s.LikeHours)
	}
	r.round()
	return true
}

func (r *Remedy) round() {
	for _, x := range []*float64{&r.Before.Events, &r.Before.LikeHours, &r.Since.Events, &r.Since.LikeHours,
		&r.Since.Expected} {
		*x = math.Round(*x*10) / 10
	}
	r.Held = math.Round(r.Held*1000) / 1000
}

// Done is what was done, in words.
func (r *Remedy) Done() string {
	if r.What == "clean" {
		return "thorough clean"
	}
	return r.What
}

// Name is what was done, and about what.
func (r *Remedy) Name() string {
	if r.What == "service" || r.What == "answer" {
		return r.What + " for " + r.Cause
	}
	return r.Done()
}

// Answer is whether it held, in words.
func (r *Remedy) Answer() string {
	return map[string]string{Held: "held", NotYet: "not proven yet", CameBack: "came back"}[r.Says]
}

// Verdict is whether it held, in a line: "held, 0 overheats in 41 h driven the same way
// where 5 were expected". Volumes are told in a system of units.
func (r *Remedy) Verdict(u unit.System) string {
	verdict := r.Answer()
	if r.Unit == Millilitres {
		verdict += fmt.Sprintf(", %s lost in %s h where %s was expected",
			unit.Format(r.Since.Events, unit.Millilitres, u),
			say.Roughly(r.Since.LikeHours), unit.Format(r.Since.Expected, unit.Millilitres, u))
	} else {
		were := "were"
		if say.Roughly(r.Since.Expected) == "1" {
			were = "was"
		}
		verdict += fmt.Sprintf(", %s in %s h driven the same way where %s %s expected",
			counted(r.Since.Events, "overheat"),
			say.Roughly(r.Since.LikeHours), say.Roughly(r.Since.Expected), were)
	}
	if r.Says == NotYet {
		verdict += "; " + r.ToProve()
	}
	return verdict
}

// ToProve is what is still to be driven to prove it.
func (r *Remedy) ToProve() string {
	if r.HoursToProve == nil {
		return "driving can't prove it: " + *r.Why
	}
	quiet := "without an overheat"
	if r.Unit == Millilitres {
		quiet = "without loss"
	}
	return counted(math.Max(1, math.Ceil(*r.HoursToProve)), "more hour") + " of the same driving " + quiet +
		" will prove it"
}

// toProve sets the hours still to be driven, unless nobody would wait for so many.
func (r *Remedy) toProve(hours float64) {
	if hours > mostToProve {
		why := "there was too little trouble before"
		r.HoursToProve, r.Why = nil, &why
		return
	}
	hours = math.Round(hours*10) / 10
	r.HoursToProve = &hours
}

// mostToProve is how many hours to prove a remedy are still told.
const mostToProve = 1000

func counted(n float64, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return say.Roughly(n) + " " + one + "s"
}
