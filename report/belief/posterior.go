// Package belief is what a machine's log makes one believe of it: which causes
// of overheating are there now, whether the driving explains what happened, and
// whether what was done about it held. `flags`, `next`, `fleet` and `history`
// read the same.
//
// Overheats of a machine come at the rate of a sound one in the state it was
// in, times the machine's own factor, times the driver's, plus what each fault
// that is there adds. What a fault adds in a state comes from a heat balance
// (balance.go) whose constants nobody has measured: they are drawn, and the
// likelihood is averaged over the draws (table.go). Causes come and go: at
// remedies, at work, and by themselves (chain.go). The fleet's other machines
// teach the sound rate, the drivers' factors and which draws fit (fleet.go).
package belief

import (
	"math"
	"slices"
	"sort"
	"time"

	"shedbook/report/exposure"
)

// Posterior is the belief about one machine.
type Posterior struct {
	// Probability that each cause is there now, in the order of its vocabulary;
	// more than one may be. NoFault is that none is, and the driving not
	// harder than recorded.
	Probability []float64
	NoFault     float64
	// Pairs are the probabilities of two causes at once, those worth telling.
	Pairs []Pair
	Split Split
	// Hours that were read, and overheats in them; Guessed: no hours are
	// recorded, and Hours of the usual use stand in.
	Hours     float64
	Overheats int
	Guessed   bool
	Unplaced  int       // overheats in no recorded run
	Last      time.Time // the last overheat; zero where there is none
	Since     float64   // engine hours since
	// Elsewhere is how often the fleet's other machines overheat an hour, over
	// how often this one does; 0 where neither is known.
	Elsewhere float64
	// Mix is the glycol by the refills and top-ups, vol %; NaN where not known.
	Mix float64

	p      *filter
	chain  *chain
	final  outcome
	states []state // those driven in, and hours and rows of each: see gather
	driven []float64
	rows   []*row
}

// Pair is two causes at once, A before B in the vocabulary.
type Pair struct {
	A, B int
	P    float64
}

// mostPaired is how many of the causes are weighed in pairs.
const mostPaired = 8

// mixRatios are how probable a mix out of bounds is with a cause, and one
// within, over that without. Common practice, no source.
var mixRatios = map[string][2]float64{"wrong-mix": {10, 0.3}, "blocked-inside": {3, 0.85}}

// Machine is the belief about a machine by its life and the facts of its
// checks, in time order. The fleet need not hold the machine; where it does,
// its own part in it is left out.
func (f *Fleet) Machine(life *exposure.Life, facts []Fact) *Posterior {
	f.fit()
	own := f.machines[life.Log.Machine.Name]
	s := f.read(life, facts)
	if !math.IsNaN(s.mix) && !slices.ContainsFunc(facts, func(x Fact) bool { return x.Mix }) {
		s.cuts = append(s.cuts, cut{at: f.endOf(s), fact: f.mixFact(s.mix)})
	}
	p := f.filter(s, own)
	singles := []set{{-1, -1}}
	for q := range p.sources {
		singles = append(singles, set{-1, q})
	}
	first := p.over(singles).run()
	order := make([]int, len(p.sources))
	for q := range order {
		order[q] = q
	}
	sort.SliceStable(order, func(a, b int) bool { return first.p[1+order[a]] > first.p[1+order[b]] })
	sets := append([]set(nil), singles...)
	for i, a := range order[:min(mostPaired, len(order))] {
		for _, b := range order[:i] {
			if p.sources[a].cause != p.sources[b].cause {
				sets = append(sets, set{min(a, b), max(a, b)})
			}
		}
	}
	out := &Posterior{Probability: make([]float64, len(f.table.causes)), Hours: s.hours, Overheats: len(s.heats),
		Guessed: s.guessed, Mix: s.mix, p: p}
	out.chain = p.over(sets)
	out.final = out.chain.run()
	pairs := map[[2]int]float64{}
	for i, t := range sets {
		x := out.final.p[i]
		switch {
		case t.b < 0:
			out.NoFault = x
		case t.a < 0:
			out.Probability[p.sources[t.b].cause] += x
		default:
			a, b := p.sources[t.a].cause, p.sources[t.b].cause
			out.Probability[a] += x
			out.Probability[b] += x
			pairs[[2]int{min(a, b), max(a, b)}] += x
		}
	}
	for i := range out.Probability {
		for j := range i {
			if x := pairs[[2]int{j, i}]; x > 0 {
				out.Pairs = append(out.Pairs, Pair{j, i, x})
			}
		}
	}
	for i := range life.Overheats {
		if v := &life.Overheats[i]; !v.Placed() && !v.At.Before(s.from) {
			out.Unplaced++
		}
	}
	if n := len(s.heats); n > 0 {
		out.Last = s.heats[n-1].at
		out.Since = math.Max(0, s.hours-s.heats[n-1].hour)
	}
	out.Split = p.splitOf(own)
	heats, hours := f.usual.heats, f.usual.hours
	if own != nil {
		heats, hours = heats-float64(own.heats), hours-own.hours
	}
	if hours > 0 && s.hours > 0 && len(s.heats) > 0 {
		out.Elsewhere = heats / hours * s.hours / float64(len(s.heats))
	}
	return out
}

// Made is how many of the overheats each cause made, in the order of their
// vocabulary, and how many a sound machine would have had: by all that is known
// now, of causes that are gone too.
func (q *Posterior) Made() (causes []float64, sound float64) {
	causes = make([]float64, len(q.Probability))
	by := q.chain.made(q.final.weights)
	for i, x := range by[:len(q.p.sources)] {
		causes[q.p.sources[i].cause] += x
	}
	return causes, by[len(q.p.sources)]
}

// HoursSince are the engine hours read since a time.
func (q *Posterior) HoursSince(t time.Time) float64 {
	return math.Max(0, q.p.s.hours-q.p.s.hourAt(t))
}

// SoundRate is how many overheats an engine hour sound machines of the fleet
// have, a machine's own part in it left out.
func (f *Fleet) SoundRate(machine string) float64 {
	f.fit()
	return f.rate(f.machines[machine])
}

func (f *Fleet) endOf(s *story) time.Time {
	end := time.Time{}
	if n := len(s.cuts); n > 0 {
		end = s.cuts[n-1].at
	}
	if n := len(s.cells); n > 0 && s.cells[n-1].at.After(end) {
		end = s.cells[n-1].at
	}
	if n := len(s.heats); n > 0 && s.heats[n-1].at.After(end) {
		end = s.heats[n-1].at
	}
	return end.Add(time.Hour)
}

func (f *Fleet) mixFact(pct float64) *Fact {
	x := &Fact{Ratio: make([]float64, len(f.table.causes))}
	for i, name := range f.table.causes {
		x.Ratio[i] = 1
		if r, ok := mixRatios[name]; ok {
			if x.Ratio[i] = r[1]; pct < 35 || pct > 60 {
				x.Ratio[i] = r[0]
			}
		}
	}
	return x
}
