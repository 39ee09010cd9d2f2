package next

import (
	"math"
	"sort"
)

// proving is the expected minutes to the cause when no further check is made:
// the causes are gone at one by one in order of probability over minutes,
// which is the best order while one cause is there (Kalagnanam & Henrion 1990;
// Heckerman, Breese & Rommelse 1995, section 2), until one of them proves to
// be there. A machine without a fault is settled by going at the overload.
func (b *belief) proving() float64 {
	n := b.n
	load := n.overload()
	order := b.turns()
	spent := make([]float64, len(order))
	sum := 0.0
	for _, c := range order {
		sum += n.causes[c].prove
		spent[c] = sum
	}
	total := b.p[0] * spent[load]
	for i, s := range b.sets[1:] {
		x := spent[s.b]
		if s.a >= 0 {
			x = math.Min(x, spent[s.a])
		}
		total += b.p[i+1] * x
	}
	return total
}

// turns are the causes in the order in which they are gone at.
func (b *belief) turns() []int {
	n := b.n
	m := shown(b, true)
	order := make([]int, len(m))
	for i := range order {
		order[i] = i
	}
	sort.Slice(order, func(i, j int) bool {
		a, c := order[i], order[j]
		if x, y := m[a]*n.causes[c].prove, m[c]*n.causes[a].prove; x != y {
			return x > y
		}
		return a < c
	})
	return order
}

// next is the cause to go at if no more is checked.
func (b *belief) next() int { return b.turns()[0] }

// look is what a check is worth: the minutes it is expected to save.
type look struct {
	check   int
	minutes float64
	saves   float64 // expected minutes to the cause without it, less those after it
	pFail   float64
	pass    *belief
	fail    *belief
}

// gain is minutes saved over minutes spent.
func (l *look) gain() float64 { return l.saves / l.minutes }

// looks weighs each of the checks left, best first: minutes expected to be
// saved per minute spent, looking one observation ahead (the expected cost of
// repair with and without it: Heckerman, Breese & Rommelse 1995, section 4;
// Jensen et al. 2001). A check that tells nothing some of the time saves that
// much less.
func (b *belief) looks(left []int) []look {
	now := b.proving()
	out := make([]look, 0, len(left))
	for _, k := range left {
		c := &b.n.checks[k]
		l := look{check: k, minutes: c.minutes}
		l.fail, l.pFail = b.after(k, true, 1)
		l.pass, _ = b.after(k, false, 1)
		then := l.pFail*l.fail.proving() + (1-l.pFail)*l.pass.proving()
		l.saves = math.Max(0, (1-c.blank)*(now-then))
		out = append(out, l)
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].gain() > out[j].gain() })
	return out
}

// Two checks are weighed with what may follow them, where that is affordable:
// beam is how many of the best are looked at twice.
const beam = 6

// ahead orders the best checks by what they cost together with the best thing
// to do after them, one more observation on: minutes of the check, plus the
// expected minutes after it where the next check is chosen knowing its result.
func (b *belief) ahead(left []int) []look {
	ls := b.looks(left)
	n := min(beam, len(ls))
	total := make(map[int]float64, n)
	for i := range ls[:n] {
		l := &ls[i]
		rest := without(left, l.check)
		total[l.check] = l.minutes + l.pFail*l.fail.best(rest) + (1-l.pFail)*l.pass.best(rest)
	}
	sort.SliceStable(ls[:n], func(i, j int) bool { return total[ls[i].check] < total[ls[j].check] })
	return ls
}

// best is the expected minutes from a belief on, with at most one more check.
func (b *belief) best(left []int) float64 {
	now := b.proving()
	least := now
	for _, l := range b.looks(left) {
		least = math.Min(least, l.minutes+now-l.saves)
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
