package belief

import (
	"fmt"
	"math"
	"shedbook/report/say"
)

// Reason is one thing in the log and how it speaks for a cause: the log of a
// likelihood ratio.
type Reason struct {
	Text string
	Log  float64
}

// aspect is a side of a state by which overheats are told apart, with the words
// for its levels.
type aspect struct {
	of      func(s state) int // from 1; 0 is not recorded
	phrases []string
}

var aspects = []aspect{
	{func(s state) int { return int(s.onset) }, []string{"within 15 min of the start", "15 to 40 min after the start",
		"more than 40 min after the start"}},
	{func(s state) int { return int(s.speed) }, []string{"at slow speed", "at medium speed", "at speed"}},
	{func(s state) int { return int(s.load) }, []string{"lightly loaded", "heavily loaded", "towing"}},
	{func(s state) int { return int(s.ground) }, []string{"in mud or water", "in dust, grass or forest",
		"on firm ground"}},
	{func(s state) int {
		if s.ambient == 0 {
			return 0
		}
		return [5]int{1, 1, 2, 3, 3}[s.ambient-1]
	}, []string{"below 10 °C", "at 10 to 20 °C", "at 20 °C or more"}},
	{func(s state) int { return 1 + min(3, int(s.dirt)) }, []string{"within 3 mud hours of a thorough clean",
		"3 to 8 mud hours after a thorough clean",
		"8 to 16 mud hours after a thorough clean", "more than 16 mud hours after a thorough clean"}},
	{func(s state) int { return []int{4, 1, 2, 3}[s.refill] },
		[]string{"in the first heat cycles after a refill without a bleed",
			"in the first heat cycles after a refill and bleed", "in the heat cycles after those, still not bled",
			"when the filling had settled"}},
	{func(s state) int { return 3 - int(s.work) }, []string{"soon after other work", "within 20 h of an oil change",
		"long after any work"}},
}

// Reasons are what the overheats say of a cause: where they fell against where
// the driving was, as the cause would have it, and their marks.
func (q *Posterior) Reasons(cause int) []Reason {
	p := q.p
	n := float64(len(p.s.heats))
	if n == 0 {
		return nil
	}
	var out []Reason
	if !q.Guessed {
		q.gather()
		brings := make([]float64, len(q.states))
		for i, x := range q.rows {
			for k, y := range (*x)[cause] {
				brings[i] += q.final.weights[k] * y
			}
		}
		for _, a := range aspects {
			count, hours, expect := make([]float64, len(a.phrases)), make([]float64, len(a.phrases)), make([]float64,
				len(a.phrases))
			heats, driven, all := 0.0, 0.0, 0.0
			for i := range p.s.heats {
				if l := a.of(p.s.heats[i].state); l > 0 {
					count[l-1]++
					heats++
				}
			}
			for i, h := range q.driven {
				if l := a.of(q.states[i]); l > 0 {
					hours[l-1] += h
					driven += h
					expect[l-1] += h * brings[i]
					all += h * brings[i]
				}
			}
			if heats == 0 || driven == 0 || all == 0 {
				continue
			}
			best, sum := 0, 0.0
			told := make([]float64, len(a.phrases))
			for l := range told {
				// Half an hour more everywhere, so that what was hardly driven says little.
				part := 0.5 / driven / float64(len(told))
				told[l] = count[l] * math.Log((expect[l]/all+part)/(hours[l]/driven+part))
				sum += told[l]
			}
			sign := 1.0
			if sum < 0 {
				sign = -1
			}
			for l := range told {
				if sign*told[l] > sign*told[best] {
					best = l
				}
			}
			out = append(out, Reason{fmt.Sprintf("%.0f of %.0f %s %s, where %.0f %% of the driving was", count[best],
				heats,
				say.Noun(heats, "overheat"),
				a.phrases[best], 100*hours[best]/driven), sum})
		}
	}
	return append(out, q.marks(cause)...)
}

// gather adds up the hours by state.
func (q *Posterior) gather() {
	if q.states != nil {
		return
	}
	index := map[state]int{}
	for i := range q.p.s.cells {
		c := &q.p.s.cells[i]
		j, ok := index[c.state]
		if !ok {
			j = len(q.states)
			index[c.state] = j
			q.states, q.driven, q.rows = append(q.states, c.state), append(q.driven, 0),
				append(q.rows, q.p.f.table.at(c.state))
		}
		q.driven[j] += c.hours
	}
}

// marks are what the overheats looked like.
func (q *Posterior) marks(cause int) []Reason {
	p := q.p
	var out []Reason
	name := p.f.table.causes[cause]
	m, ok := marksOf[name]
	if !ok {
		m = usualMarks
	}
	add := func(yes, seen float64, own, usually float64, text, not string) {
		if seen == 0 {
			return
		}
		log := yes*math.Log(own/usually) + (seen-yes)*math.Log((1-own)/(1-usually))
		says, many := text, yes
		if yes*2 < seen {
			says, many = not, seen-yes
		}
		out = append(out, Reason{fmt.Sprintf("%.0f of %.0f %s %s", many, seen, say.Noun(seen, "overheat"), says), log})
	}
	steam, signs, on, fans, boiled, losses := 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
	for i := range p.s.heats {
		h := &p.s.heats[i]
		if h.sign >= 0 {
			signs++
			if h.sign == 2 {
				steam++
			}
		}
		if h.fan >= 0 {
			fans++
			on += float64(h.fan)
		}
		if h.boiled >= 0 {
			losses++
			boiled += float64(h.boiled)
		}
	}
	add(steam, signs, m.steam, usualMarks.steam, "by steam", "without steam")
	add(on, fans, m.fan, usualMarks.fan, "with the fan running", "with the fan not running")
	add(boiled, losses, m.boil, usualMarks.boil, "with coolant boiled over", "with no coolant lost")
	return out
}

// LossReason is what the coolant says of a cause; ok is false where no stretch
// between marks tells.
func (q *Posterior) LossReason(cause int) (log, perHour, ml, hours float64, ok bool) {
	p := q.p
	for i := range p.s.loss {
		ml += p.s.loss[i].Unexplained()
		hours += p.s.loss[i].Hours()
	}
	if hours == 0 {
		return 0, 0, 0, 0, false
	}
	if _, loses := lossMedian[p.f.table.causes[cause]]; !loses {
		return 0, ml / hours, ml, hours, true
	}
	with, without := 0.0, 0.0
	for j := range p.segments {
		g := &p.segments[j]
		if len(g.loss) == 0 {
			continue
		}
		a, b := 0.0, 0.0
		for k := range p.weights {
			of := p.lossLog(g, k)
			a += q.final.weights[k] * of(p.f.table.draws[k].loses[cause])
			b += q.final.weights[k] * of(0)
		}
		with, without = with+a, without+b
	}
	return with - without, ml / hours, ml, hours, true
}

// MixReason is what the mix says of a cause; ok is false where it is not known.
func (q *Posterior) MixReason(cause int) (log float64, ok bool) {
	if math.IsNaN(q.Mix) {
		return 0, false
	}
	return math.Log(q.p.f.mixFact(q.Mix).Ratio[cause]), true
}

// Habit is the kind of driving in which most of the overheats came, where that
// was far less of the driving; empty where no kind of driving stands out.
func (q *Posterior) Habit() string {
	p := q.p
	best, most := "", 0.0
	for _, a := range aspects[1:4] {
		count, hours := make([]float64, len(a.phrases)), make([]float64, len(a.phrases))
		heats, driven := 0.0, 0.0
		for i := range p.s.heats {
			if l := a.of(p.s.heats[i].state); l > 0 {
				count[l-1]++
				heats++
			}
		}
		for i := range p.s.cells {
			if l := a.of(p.s.cells[i].state); l > 0 {
				hours[l-1] += p.s.cells[i].hours
				driven += p.s.cells[i].hours
			}
		}
		for l := range count {
			if heats == 0 || driven == 0 || count[l] < 0.6*heats {
				continue
			}
			if x := count[l] / heats / (hours[l]/driven + 0.02); x > 1.4 && x > most {
				best, most = fmt.Sprintf("%.0f of %.0f %s", count[l], heats, a.phrases[l]), x
			}
		}
	}
	return best
}
