package next

import (
	"math"
	"sort"
)

// proving is the expected minutes to the cause when no further check is made:
// the causes are gone at one by one in order of probability over minutes,
// which is the best order while one cause is there (Kalagnanam & Henrion 1990;
// Heckerman, Breese & Rommelse 1995, section 2), until one of them proves to
// be there. Where none is, every mend is in vain.
func (b *view) proving() float64 { return b.provingFor(b.p) }

// provingFor is proving for probabilities that sum to less than 1, in
// proportion.
func (b *view) provingFor(p []float64) float64 {
	var chance, spent [maxCauses]float64
	order := b.turns(p, &chance)
	sum := 0.0
	for _, c := range order[:len(b.n.causes)] {
		sum += b.n.causes[c].prove
		spent[c] = sum
	}
	total := 0.0
	for i := 1; i < len(p); i++ {
		s := b.sets[i]
		x := spent[s.b]
		if s.a >= 0 && spent[s.a] < x {
			x = spent[s.a]
		}
		total += p[i] * x
	}
	return total
}

// maxCauses bounds the causes, so that the innermost loop allocates nothing.
const maxCauses = 32

// turns are the causes in the order in which they are gone at.
func (b *view) turns(p []float64, chance *[maxCauses]float64) (order [maxCauses]int) {
	for i := 1; i < len(p); i++ {
		s := b.sets[i]
		chance[s.b] += p[i]
		if s.a >= 0 {
			chance[s.a] += p[i]
		}
	}
	for c := range b.n.causes {
		chance[c] /= b.n.causes[c].prove
		at := c
		for at > 0 && chance[order[at-1]] < chance[c] {
			order[at] = order[at-1]
			at--
		}
		order[at] = c
	}
	return order
}

// look is what a check is worth: the minutes it is expected to save.
type look struct {
	check   int
	minutes float64
	saves   float64 // expected minutes to the cause without it, less those after it
	pFail   float64
	pass    *view
	fail    *view
}

// gain is minutes saved over minutes spent.
func (l *look) gain() float64 { return l.saves / l.minutes }

// looks weighs each of the checks left, best first: minutes expected to be
// saved per minute spent, looking one observation ahead (the expected cost of
// repair with and without it: Heckerman, Breese & Rommelse 1995, section 4;
// Jensen et al. 2001). A check that tells nothing some of the time saves that
// much less.
func (b *view) looks(left []int) []look {
	now := b.proving()
	out := make([]look, 0, len(left))
	for _, k := range left {
		c := &b.n.checks[k]
		l := look{check: k, minutes: c.minutes}
		l.fail, l.pFail = b.after(k, true)
		l.pass, _ = b.after(k, false)
		then := l.pFail*l.fail.proving() + (1-l.pFail)*l.pass.proving()
		l.saves = math.Max(0, (1-c.blank)*(now-then))
		out = append(out, l)
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].gain() > out[j].gain() })
	return out
}

// choose is the check to do next: the one that saves most per minute spent, as
// long as it saves more than it takes; else one that pays together with one
// more after it, chosen knowing its result. nil where none pays: then it is
// shorter to go at the causes by turns.
func (b *view) choose(left []int) *look {
	ls := b.looks(left)
	if len(ls) == 0 {
		return nil
	}
	if ls[0].gain() > 1 {
		return &ls[0]
	}
	now := b.proving()
	var best *look
	least := now
	for i := range ls[:min(beam, len(ls))] {
		l := &ls[i]
		rest := without(left, l.check)
		blank := b.n.checks[l.check].blank
		total := l.minutes + (1-blank)*(l.pFail*l.fail.best(rest)+(1-l.pFail)*l.pass.best(rest)) + blank*now
		if total < least {
			best, least = l, total
		}
	}
	return best
}

// beam is how many of the best checks are looked at two observations ahead.
const beam = 6

// best is the expected minutes from a belief on, with at most one more check.
func (b *view) best(left []int) float64 {
	now := b.proving()
	least := now
	split := make([]float64, 2*len(b.p))
	fail, pass := split[:len(b.p)], split[len(b.p):]
	for _, k := range left {
		c := &b.n.checks[k]
		if c.minutes >= least {
			continue
		}
		for i, q := range b.fail[k] {
			fail[i] = b.p[i] * q
			pass[i] = b.p[i] - fail[i]
		}
		then := b.provingFor(fail) + b.provingFor(pass)
		least = math.Min(least, c.minutes+(1-c.blank)*then+c.blank*now)
	}
	return least
}

func without(list []int, x int) []int {
	out := make([]int, 0, len(list))
	for _, y := range list {
		if y != x {
			out = append(out, y)
		}
	}
	return out
}
