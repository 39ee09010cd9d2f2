package next

import (
	"math"

	"shedbook/report/belief"
)

// view is a probability over sets of at most two causes: none, each, each
// pair. Three at once are left out: by the priors fewer than 1 machine in 100.
type view struct {
	n    *network
	sets []pair
	fail [][]float64 // by check and set: the chance that the check fails
	p    []float64   // by set, summing to 1
}

type pair struct{ a, b int } // a < b; -1 where there is none

func pairsOf(causes int) []pair {
	sets := []pair{{-1, -1}}
	for a := range causes {
		sets = append(sets, pair{-1, a})
	}
	for a := range causes {
		for b := a + 1; b < causes; b++ {
			sets = append(sets, pair{a, b})
		}
	}
	return sets
}

func (s pair) has(c int) bool { return s.a == c || s.b == c }

// marginals are the probabilities that each cause is there.
func (b *view) marginals() []float64 {
	m := make([]float64, len(b.n.causes))
	for i, s := range b.sets {
		if s.a >= 0 {
			m[s.a] += b.p[i]
		}
		if s.b >= 0 {
			m[s.b] += b.p[i]
		}
	}
	return m
}

// failing is the chance that a check fails where the causes of a set are
// there: a noisy-or (Pearl 1988, 4.3.2).
func (n *network) failing(check int, s pair) float64 {
	k := &n.checks[check]
	miss := 1 - k.falsely
	if s.a >= 0 {
		miss *= 1 - k.fails[s.a]
	}
	if s.b >= 0 {
		miss *= 1 - k.fails[s.b]
	}
	return 1 - miss
}

// after is the view once a check failed or passed, and how probable that was.
func (b *view) after(check int, failed bool) (*view, float64) {
	out := b.like()
	total := 0.0
	for i, q := range b.fail[check] {
		if !failed {
			q = 1 - q
		}
		out.p[i] = b.p[i] * q
		total += out.p[i]
	}
	for i := range out.p {
		out.p[i] /= total
	}
	return out, total
}

func (b *view) like() *view { return &view{b.n, b.sets, b.fail, make([]float64, len(b.p))} }

// start is the view of a machine of which nothing is recorded but that
// something is wrong.
func (n *network) start() *view {
	b := &view{n: n, sets: pairsOf(len(n.causes))}
	b.p = make([]float64, len(b.sets))
	b.fail = make([][]float64, len(n.checks))
	for k := range b.fail {
		b.fail[k] = make([]float64, len(b.sets))
		for i, s := range b.sets {
			b.fail[k][i] = n.failing(k, s)
		}
	}
	for i, s := range b.sets {
		switch {
		case s.a >= 0:
			b.p[i] = n.togetherness(s.a, s.b) * n.odds(s.a) * n.odds(s.b)
		case s.b >= 0:
			b.p[i] = n.odds(s.b)
		}
	}
	b.normalise()
	return b
}

func (n *network) odds(cause int) float64 { return n.causes[cause].prior / (1 - n.causes[cause].prior) }

func (b *view) normalise() {
	total := 0.0
	for _, p := range b.p {
		total += p
	}
	for i := range b.p {
		b.p[i] /= total
	}
}

// of is the view by a posterior. A pair that the log says nothing of is one of
// its causes and another that has not shown.
func (n *network) of(q *belief.Posterior) *view {
	b := n.start()
	clear(b.p)
	told := map[pair]float64{}
	alone := append([]float64(nil), q.Probability...)
	for _, x := range q.Pairs {
		told[pair{x.A, x.B}] = x.P
		alone[x.A] -= x.P
		alone[x.B] -= x.P
	}
	for i, s := range b.sets {
		switch {
		case s.b < 0:
			b.p[i] = q.NoFault
		case s.a < 0:
			b.p[i] = math.Max(alone[s.b], 1e-9)
		default:
			p, ok := told[s]
			if !ok {
				p = unseen * n.togetherness(s.a, s.b) / n.together * (math.Max(alone[s.a],
					0)*n.odds(s.b) + math.Max(alone[s.b],
					0)*n.odds(s.a))
			}
			b.p[i] = p
		}
	}
	b.normalise()
	return b
}

// unseen is how probable it is, over what independence would have it, that a
// second cause is there and has not shown.
const unseen = 0.1
