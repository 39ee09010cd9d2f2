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
func (b *view) proving() float64 {
	var chance, spent [maxCauses]float64
	order := b.turns(&chance)
	sum := 0.0
	for _, c := range order[:len(b.n.causes)] {
		sum += b.n.causes[c].prove
		spent[c] = sum
	}
	total := 0.0
	for i := 1; i < len(b.p); i++ {
		s := b.sets[i]
		x := spent[s.b]
		if s.a >= 0 && spent[s.a] < x {
			x = spent[s.a]
		}
		total += b.p[i] * x
	}
	return total
}

// maxCauses bounds the causes, so that the innermost loop allocates nothing.
const maxCauses = 32

// turns are the causes in the order in which they are gone at.
func (b *view) turns(chance *[maxCauses]float64) (order [maxCauses]int) {
	for i := 1; i < len(b.p); i++ {
		s := b.sets[i]
		chance[s.b] += b.p[i]
		if s.a >= 0 {
			chance[s.a] += b.p[i]
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

// look is what a check is worth.
type look struct {
	check   int
	minutes float64
	saves   float64 // expected minutes to the cause without it, less those after it
	finds   float64 // see finding
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
	m := b.marginals()
	for _, k := range left {
		c := &b.n.checks[k]
		l := look{check: k, minutes: c.minutes, finds: b.finding(k, c.minutes, m)}
		l.fail, l.pFail = b.after(k, true)
		l.pass, _ = b.after(k, false)
		then := l.pFail*l.fail.proving() + (1-l.pFail)*l.pass.proving()
		l.saves = math.Max(0, (1-c.blank)*(now-then))
		out = append(out, l)
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].gain() > out[j].gain() })
	return out
}

// finding is the chance that a check finds the cause, for each minute spent in vain: the
// check's own, and those of a mend after a false alarm. Always to do what finds most for
// its minutes is the shortest search for one thing in several places, where a look may
// miss it and places may be searched again (Chew 1967; Kadane 1971).
func (b *view) finding(check int, minutes float64, m []float64) float64 {
	c := &b.n.checks[check]
	none, found, there, vain := b.fail[check][0], 0.0, 0.0, 0.0
	for k, p := range m {
		if c.shows(k) {
			found += p * (b.fail[check][1+k] - none) / (1 - none)
			there += p
			vain = math.Max(vain, b.n.causes[k].inVain())
		}
	}
	return (1 - c.blank) * found / (minutes + reach + math.Max(0, 1-there)*none*vain)
}

// inVain is what a mend in vain costs, in minutes: its own, and vainMore, as it takes
// parts and one overheat more to show that it was in vain.
func (c *cause) inVain() float64 { return c.prove + vainMore }

// reach is what a check takes besides its own minutes: to get at it, and to write it
// down. Choices of this program.
const vainMore, reach = 60, 5

// turn is the cause whose turn it is to be gone at without a check, and the chance that
// it is there for each minute that may be spent in vain.
func (b *view) turn() (cause int, finds float64) {
	for k, p := range b.marginals() {
		if x := p / ((1 - p) * b.n.causes[k].inVain()); x > finds {
			cause, finds = k, x
		}
	}
	return cause, finds
}

// lookedFor is the likeliest of the causes that a check shows.
func (b *view) lookedFor(check int) (cause int, p float64) {
	for k, x := range b.marginals() {
		if b.n.checks[check].shows(k) && x >= p {
			cause, p = k, x
		}
	}
	return cause, p
}
