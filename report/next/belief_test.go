package next

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

// toy is a network of three causes and one check, small enough to reckon by
// hand: priors 0.4, 0.2, 0.05, minutes to prove 60, 10, 30.
func toy() *network {
	n := &network{together: 1, sound: 0.5}
	n.causes = []cause{{name: "blocked-core", prior: 0.4, prove: 60}, {name: "pressure-cap", prior: 0.2, prove: 10}, {name: "overload", prior: 0.05, prove: 30}}
	n.checks = []check{{name: "light-test", minutes: 5, falsely: 0.1, fails: []float64{0.8, 0.5, 0}}}
	return n
}

// By hand. Odds 2/3, 1/4, 1/19. Single: those; pairs: 1/6, 2/57, 1/76; sum
// 1.18421 (= 1/(0.6*0.8*0.95) - 1, as P(none) = 0.456: an identity of
// independence, conditioned on at least one, short of all three at once).
func TestStartIsIndependenceGivenAtLeastOne(t *testing.T) {
	b := toy().start(false)
	none := 0.6 * 0.8 * 0.95
	three := 0.4 * 0.2 * 0.05
	least := 1 - none - three // at least one and not all three
	assert.InDelta(t, (0.4-three)/least, b.marginals()[0], 1e-12)
	assert.InDelta(t, (0.2-three)/least, b.marginals()[1], 1e-12)
	assert.InDelta(t, (0.05-three)/least, b.marginals()[2], 1e-12)
	assert.Zero(t, b.p[0])
	assert.InDelta(t, 0.5, toy().start(true).p[0], 1e-12)
}

// Bayes by hand: of the sets, P(fail) is 1 - 0.9 * (1-0.8 if the first is
// there) * (1-0.5 if the second is).
func TestACheckIsBayes(t *testing.T) {
	b := toy().start(false)
	fail, p := b.after(0, true)
	odds := map[string][2]float64{"1": {2. / 3, 0.82}, "2": {1. / 4, 0.55}, "3": {1. / 19, 0.1}, "12": {1. / 6, 0.91}, "13": {2. / 57, 0.82}, "23": {1. / 76, 0.55}}
	total, failed, first := 0.0, 0.0, 0.0
	for set, o := range odds {
		total += o[0]
		failed += o[0] * o[1]
		if set[0] == '1' {
			first += o[0] * o[1]
		}
	}
	assert.InDelta(t, failed/total, p, 1e-12)
	assert.InDelta(t, first/failed, fail.marginals()[0], 1e-12)
	pass, q := b.after(0, false)
	assert.InDelta(t, 1, p+q, 1e-12)
	assert.InDelta(t, b.marginals()[1], p*fail.marginals()[1]+q*pass.marginals()[1], 1e-12, "what is expected of a check is what was believed")
}

// Where one cause is there, going at causes in order of probability over
// minutes is the best of all orders: a theorem (Kalagnanam & Henrion 1990,
// from memory), tried here against every order.
func TestProvingIsTheBestOrder(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 50 {
		n := &network{together: 0}
		for _, name := range []string{"a", "b", "overload", "c", "d"} {
			n.causes = append(n.causes, cause{name: name, prior: 0.02 + 0.5*r.Float64(), prove: 1 + 100*r.Float64()})
		}
		b := n.start(false)
		m := b.marginals()
		best := math.Inf(1)
		permute(5, func(order []int) {
			cost, left := 0.0, 1.0
			for _, k := range order {
				cost += left * n.causes[k].prove
				left -= m[k]
			}
			best = math.Min(best, cost)
		})
		assert.InDelta(t, best, b.proving(), 1e-9)
	}
}

func permute(n int, visit func([]int)) {
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	var rec func(int)
	rec = func(i int) {
		if i == n {
			visit(order)
			return
		}
		for j := i; j < n; j++ {
			order[i], order[j] = order[j], order[i]
			rec(i + 1)
			order[i], order[j] = order[j], order[i]
		}
	}
	rec(0)
}

// By hand, with no pairs: chances 0.68, 0.255, 0.065 or so; a check that can't
// fail falsely and never misses the first cause saves exactly the minutes by
// which the expected proving falls.
func TestWorthIsExpectedMinutesSaved(t *testing.T) {
	n := toy()
	n.together = 0
	n.checks[0] = check{name: "light-test", minutes: 5, falsely: 1e-12, fails: []float64{1, 0, 0}}
	b := n.start(false)
	a, c, d := 2./3, 1./4, 1./19
	s := a + c + d
	a, c, d = a/s, c/s, d/s
	// Chance over minutes: cap .0255, core .0114, overload .0018: in that order.
	before := 10 + 60*(a+d) + 30*d
	after := a*60 + (1-a)*(10+30*d/(c+d))
	l := b.looks([]int{0})[0]
	assert.InDelta(t, before, b.proving(), 1e-9)
	assert.InDelta(t, before-after, l.saves, 1e-6)
	assert.InDelta(t, a, l.pFail, 1e-9)
}

// The likelihood of the overheats against its definition, cell by cell: the
// chance of one overheat in each short piece of an hour in which there was one,
// and of none in the others, all unknowns summed over.
func TestInferenceAgainstItsDefinition(t *testing.T) {
	n := theNetwork()
	l := yard(12)
	overheat(l, 5, 60, nil)
	overheat(l, 9, 10, nil)
	f := fleetOf(l)
	e := read(n, &f, l)
	base := []float64{0, 0, 1, 0, 0} // one background
	b := infer(n, e, base)
	chance := func(set []int) float64 {
		type value struct{ rate, begin, weight float64 }
		all := make([][]value, len(set))
		for i := range set {
			for o := range onsets {
				for r := range rateSteps {
					all[i] = append(all[i], value{rateSteps[r], onsets[o] * e.hours, onsetPrior[o] * rateWeight[r]})
				}
			}
		}
		total := 0.0
		var sum func(i int, chosen []value, weight float64)
		sum = func(i int, chosen []value, weight float64) {
			if i < len(set) {
				for _, v := range all[i] {
					sum(i+1, append(chosen[:i:i], v), weight*v.weight)
				}
				return
			}
			log := 0.0
			for _, c := range e.cells {
				log -= 1.2 * n.background.rate * n.pull(&n.background, c.levels) * c.hours
				for j, v := range chosen {
					k := &n.causes[set[j]]
					active := math.Max(0, c.from+c.hours-math.Max(c.from, v.begin))
					log -= v.rate * k.rate * n.pull(k, c.levels) * active
				}
			}
			for _, h := range e.heats {
				y := 1.2 * n.background.rate * n.pull(&n.background, h.levels) * n.shows(&n.background, h.levels)
				for j, v := range chosen {
					if k := &n.causes[set[j]]; h.hour >= v.begin {
						y += v.rate * k.rate * n.pull(k, h.levels) * n.shows(k, h.levels)
					}
				}
				log += math.Log(y)
			}
			total += weight * math.Exp(log)
		}
		sum(0, nil, 1)
		return total
	}
	start := n.start(true)
	heats, mean := make([]float64, len(b.sets)), 0.0
	for i, s := range b.sets {
		var set []int
		for _, k := range []int{s.a, s.b} {
			if k >= 0 {
				set = append(set, k)
			}
		}
		heats[i] = chance(set)
		mean += start.p[i] * heats[i]
	}
	total := 0.0
	want := make([]float64, len(b.sets))
	for i := range want {
		want[i] = start.p[i] * ((1-n.doubt)*heats[i] + n.doubt*mean)
		total += want[i]
	}
	require.Equal(t, unknown, e.whole[n.feature("loss")], "so that the overheats alone speak")
	for i := range want {
		assert.InDelta(t, want[i]/total, b.p[i], 1e-9, "set %v", b.sets[i])
	}
}

// The rates of the other machines move the background; a bad machine among
// them hardly does.
func TestBaselineIsRobust(t *testing.T) {
	fleet := func(heats ...int) *schema.Fleet {
		f := &schema.Fleet{}
		for i, h := range heats {
			l := yard(120) // 204 h
			l.Machine.Name = string(rune('A' + i))
			for j := range h {
				overheat(l, j, 50, nil)
			}
			f.Logs = append(f.Logs, *l)
		}
		return f
	}
	mean := func(f *schema.Fleet) float64 {
		m := 0.0
		for i, w := range theNetwork().baseline(f, "Z") {
			m += w * backgrounds[i]
		}
		return m
	}
	quiet := mean(fleet(0, 0, 1, 0, 0, 1, 0, 0))
	busy := mean(fleet(4, 5, 3, 6, 4, 5, 3, 4))
	bad := mean(fleet(0, 0, 1, 0, 0, 1, 0, 30))
	assert.Greater(t, busy, 3*quiet)
	assert.Less(t, bad, 1.5*quiet)
}
