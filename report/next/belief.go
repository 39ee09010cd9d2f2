package next

// belief is a probability over sets of at most two causes: none, each, each
// pair. Three at once are left out: by the priors fewer than 1 machine in 100.
type belief struct {
	n    *network
	sets []pair
	fail [][]float64 // by check and set: the chance that the check fails
	p    []float64   // by set, summing to 1
	load int         // the cause overload, which stands for no fault
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
func (b *belief) marginals() []float64 {
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
// there: a noisy-or (Pearl 1988, 4.3.2). strength shrinks the sensitivities.
func (n *network) failing(check int, s pair, strength float64) float64 {
	k := &n.checks[check]
	miss := 1 - k.falsely
	if s.a >= 0 {
		miss *= 1 - strength*k.fails[s.a]
	}
	if s.b >= 0 {
		miss *= 1 - strength*k.fails[s.b]
	}
	return 1 - miss
}

// after is the belief once a check failed or passed, and how probable that was.
func (b *belief) after(check int, failed bool) (*belief, float64) {
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

func (b *belief) like() *belief {
	return &belief{b.n, b.sets, b.fail, make([]float64, len(b.p)), b.load}
}

// without is the belief once a cause was gone at and was not there.
func (b *belief) without(cause int) *belief {
	out := b.like()
	total := 0.0
	for i, s := range b.sets {
		if !s.has(cause) && !(i == 0 && cause == b.n.overload()) {
			out.p[i] = b.p[i]
			total += b.p[i]
		}
	}
	if total == 0 {
		return b
	}
	for i := range out.p {
		out.p[i] /= total
	}
	return out
}

// caused is the belief once it is known that there is a lasting cause.
func (b *belief) caused() *belief {
	out := b.like()
	for i := 1; i < len(b.p); i++ {
		out.p[i] = b.p[i] / (1 - b.p[0])
	}
	return out
}

// start is the belief before any evidence but that something is wrong (sound
// false) or before the log is read at all (sound true).
func (n *network) start(sound bool) *belief {
	b := &belief{n: n, sets: pairsOf(len(n.causes)), load: n.overload()}
	b.p = make([]float64, len(b.sets))
	b.fail = make([][]float64, len(n.checks))
	for k := range b.fail {
		b.fail[k] = make([]float64, len(b.sets))
		for i, s := range b.sets {
			b.fail[k][i] = n.failing(k, s, 1)
		}
	}
	odds := make([]float64, len(n.causes))
	for k := range odds {
		odds[k] = n.causes[k].prior / (1 - n.causes[k].prior)
	}
	total := 0.0
	for i, s := range b.sets {
		switch {
		case s.a >= 0:
			b.p[i] = n.togetherness(s.a, s.b) * odds[s.a] * odds[s.b]
		case s.b >= 0:
			b.p[i] = odds[s.b]
		}
		total += b.p[i]
	}
	for i := range b.p {
		b.p[i] /= total
		if sound {
			b.p[i] *= 1 - n.sound
		}
	}
	if sound {
		b.p[0] = n.sound
	}
	return b
}
