package belief

import (
	"math"
	"sort"
	"time"
)

// Remedy is something done about a cause, and whether it held.
type Remedy struct {
	Machine      string    `json:"machine"`
	Record       int64     `json:"record"`
	At           time.Time `json:"at"`
	What         string    `json:"what"` // clean, bleed, service or answer
	Cause        string    `json:"cause"`
	Before       Before    `json:"before"`
	Since        Since     `json:"since"`
	Held         float64   `json:"held"`
	Says         string    `json:"says"` // held, not yet or came back
	HoursToProve float64   `json:"hours_to_prove"`
}

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

// held judges the remedies, each from the remedy before it for the same cause
// to the next.
func (p *filter) held(weights [Draws]float64) []Remedy {
	log := p.s.life.Log
	var out []Remedy
	add := func(record int64, at time.Time, what, cause string) {
		if !at.Before(p.s.from) {
			out = append(out, Remedy{Machine: log.Machine.Name, Record: record, At: at, What: what, Cause: cause})
		}
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
	kept := out[:0]
	for i := range out {
		r := out[i]
		from, to := p.s.from, time.Time{}
		for j := range out {
			if o := &out[j]; o.Cause == r.Cause && o.At.Before(r.At) {
				from = o.At
			} else if o.Cause == r.Cause && o.At.After(r.At) && to.IsZero() {
				to = o.At
			}
		}
		if p.judge(&r, weights, from, to) {
			kept = append(kept, r)
		}
	}
	return kept
}

// judge says whether a remedy held; ok is false where nothing had happened
// that it could end. What came after another remedy that stood nearer to it,
// for another cause, counts for both: the two can't be told apart.
func (p *filter) judge(r *Remedy, weights [Draws]float64, from, to time.Time) (ok bool) {
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
	shows := map[state]float64{}
	at := func(s state) float64 {
		if x, ok := shows[s]; ok {
			return x
		}
		x := 0.0
		for k, y := range (*p.f.table.at(s))[cause] {
			x += weights[k] * y
		}
		shows[s] = x
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
	if p.leaks(r, cause, from, to) {
		return true
	}
	if r.Before.Events == 0 {
		return false
	}
	mean /= r.Before.Events
	sound := 0.0
	for i := range p.s.cells {
		c := &p.s.cells[i]
		before, since := within(c.at, from, r.At), within(c.at, r.At, to)
		if !before && !since {
			continue
		}
		s := c.state
		if since {
			s.dirt, s.refill = max(s.dirt, dirt), max(s.refill, refill)
		}
		like := c.hours * math.Min(1, at(s)/mean)
		if before {
			r.Before.LikeHours += like
			continue
		}
		r.Since.LikeHours += like
		for k, y := range (*p.f.table.at(c.state))[len(p.f.table.causes)] {
			sound += weights[k] * y * p.level[k] * c.hours * p.factor[c.driver]
		}
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
		r.HoursToProve = high - r.Since.LikeHours
	}
	r.round()
	return true
}

func (p *filter) says(r *Remedy) {
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
func (p *filter) leaks(r *Remedy, cause int, from, to time.Time) (ok bool) {
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
	r.Before, r.Since = b, s
	r.Held = chance(s.LikeHours, s.Events)
	p.says(r)
	if r.Says == NotYet {
		h := s.LikeHours
		for chance(h, s.Events+sound*(h-s.LikeHours)) < provenAt && h < s.LikeHours+2000 {
			h++
		}
		r.HoursToProve = h - s.LikeHours
	}
	r.round()
	return true
}

func (r *Remedy) round() {
	for _, x := range []*float64{&r.Before.Events, &r.Before.LikeHours, &r.Since.Events, &r.Since.LikeHours,
		&r.Since.Expected, &r.HoursToProve} {
		*x = math.Round(*x*10) / 10
	}
	r.Held = math.Round(r.Held*1000) / 1000
}
