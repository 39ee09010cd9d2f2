package next

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sort"
	"strings"
)

// Proof is what the ranking is worth on simulated machines.
type Proof struct {
	World    World
	Machines int // machines with a cause to find
	Policies []PolicyMinutes
	First    float64 // share of them whose cause stood first by the log alone
	Three    float64 // among the first three
	Bins     []Bin   // probabilities by the log alone, over all causes and machines
	Checked  []Bin   // and after three checks
}

// PolicyMinutes is the mean minutes to the cause, with its standard error.
type PolicyMinutes struct {
	Name      string
	Mean, Err float64
	Median    float64
}

// Bin is a calibration bin: what was said, and how often it was so.
type Bin struct {
	Low, High  float64
	Said, True float64 // means
	Count      int
}

// Prove plays the mechanic on machines of a world until so many with a lasting
// cause have been brought in. Each has one known cause, or two, and every
// policy is told that there is one; checks miss it and cry wolf at the world's
// rates. Minutes are those of the checks done and of
// the causes gone at in vain, until a cause that is there is gone at; the
// minutes of going at that one are the same for all and left out. The same
// machines and the same luck serve every policy.
func Prove(w World, machines int, seed uint64) Proof {
	p := Proof{World: w}
	minutes := make([][]float64, len(policies))
	said, checked := newBins(), newBins()
	for i := uint64(0); p.Machines < machines; i++ {
		r := rand.New(rand.NewPCG(seed, i))
		m := w.make(r)
		s, err := known(m.fleet, simName, m.fleet.Logs[0].Runs[len(m.fleet.Logs[0].Runs)-1].End())
		if err != nil {
			panic(err) // the simulator made a bad log
		}
		if s.sound() != "" {
			continue // nobody would ask
		}
		said.count(s, s.b, m.truth)
		luck := newLuck(r, s.n)
		after := s.b
		for _, k := range r.Perm(len(s.n.checks))[:3] {
			if fail, told := luck.check(m, k); told {
				after, _ = after.after(k, fail)
			}
		}
		checked.count(s, after, m.truth)
		if m.truth.b < 0 {
			continue // no cause to find
		}
		p.Machines++
		order := s.ranked()
		for at, k := range order {
			if m.truth.has(k) {
				if at == 0 {
					p.First++
				}
				if at < 3 {
					p.Three++
				}
				break
			}
		}
		for j := range policies {
			minutes[j] = append(minutes[j], policies[j].play(s, m, luck))
		}
	}
	n := float64(p.Machines)
	p.First, p.Three = p.First/n, p.Three/n
	for j := range policies {
		p.Policies = append(p.Policies, summary(policies[j].name, minutes[j]))
	}
	p.Bins, p.Checked = said.means(), checked.means()
	return p
}

func summary(name string, xs []float64) PolicyMinutes {
	sum, square := 0.0, 0.0
	for _, x := range xs {
		sum += x
		square += x * x
	}
	n := float64(len(xs))
	mean := sum / n
	sorted := append([]float64(nil), xs...)
	sort.Float64s(sorted)
	return PolicyMinutes{name, mean, math.Sqrt((square/n - mean*mean) / n), sorted[len(sorted)/2]}
}

// ranked are the causes, most probable first.
func (s *state) ranked() []int {
	m := s.shown()
	order := make([]int, len(m))
	for k := range order {
		order[k] = k
	}
	sort.SliceStable(order, func(i, j int) bool { return m[order[i]] > m[order[j]] })
	return order
}

// luck is what each check would say on a machine, drawn once, so that every
// policy meets the same.
type luck struct{ tell, say []float64 }

func newLuck(r *rand.Rand, n *network) luck {
	var l luck
	for range n.checks {
		l.tell = append(l.tell, r.Float64())
		l.say = append(l.say, r.Float64())
	}
	return l
}

func (l luck) check(m made, k int) (failed, told bool) {
	return l.say[k] < m.n.failing(k, m.truth, 1), l.tell[k] >= m.n.checks[k].blank
}

// policy is a way of choosing. play gives the minutes to the cause.
type policy struct {
	name string
	log  bool // whether it reads the log, or goes by the priors and its checks
	// order of the checks where it is fixed beforehand, nil where each is chosen
	// as `next` chooses it.
	order func(n *network) []int
	// gamble is the probability from which the likeliest cause is gone at. Where
	// each check is chosen, that is by worth.
	gamble float64
}

var policies = []policy{
	{"next", true, nil, 0},
	{"easiest first", false, easiest, 0.5},
	{"most probable first", false, probable, 0.5},
	{"prior probability per minute", false, perMinute, 0.5},
	{"easiest first, reading the log", true, easiest, 0.5},
	{"next, not reading the log", false, nil, 0},
}

func (p *policy) play(s *state, m made, l luck) float64 {
	b, left := s.b.caused(), []int{}
	if !p.log {
		b = s.n.start(false)
	}
	for k := range s.n.checks {
		left = append(left, k)
	}
	if p.order != nil {
		left = p.order(s.n)
	}
	spent := 0.0
	for {
		k := -1
		if p.order == nil {
			if l := b.choose(left); l != nil {
				k = l.check
			}
		} else if len(left) > 0 && b.top() < p.gamble {
			k = left[0]
		}
		if k >= 0 {
			spent += s.n.checks[k].minutes
			left = without(left, k)
			if fail, told := l.check(m, k); told {
				b, _ = b.after(k, fail)
			}
			continue
		}
		c := b.next(true)
		if m.truth.has(c) {
			return spent
		}
		spent += s.n.causes[c].prove
		b = b.without(c)
	}
}

// top is the probability of the likeliest cause.
func (b *belief) top() float64 {
	most := 0.0
	for _, p := range shown(b, true) {
		most = math.Max(most, p)
	}
	return most
}

func sortedChecks(n *network, before func(a, b int) bool) []int {
	order := make([]int, len(n.checks))
	for k := range order {
		order[k] = k
	}
	sort.SliceStable(order, func(i, j int) bool { return before(order[i], order[j]) })
	return order
}

// easiest first: by minutes.
func easiest(n *network) []int {
	return sortedChecks(n, func(a, b int) bool { return n.checks[a].minutes < n.checks[b].minutes })
}

// probable first: cause by cause in order of prior, each by its surest check.
func probable(n *network) []int {
	causes := make([]int, len(n.causes))
	for k := range causes {
		causes[k] = k
	}
	sort.SliceStable(causes, func(i, j int) bool { return n.causes[causes[i]].prior > n.causes[causes[j]].prior })
	var order []int
	for _, c := range causes {
		for _, k := range sortedChecks(n, func(a, b int) bool { return n.checks[a].fails[c] > n.checks[b].fails[c] })[:1] {
			if n.checks[k].fails[c] > 0 {
				order = append(without(order, k), k)
			}
		}
	}
	for _, k := range easiest(n) { // what no cause asks for first
		if len(without(order, k)) == len(order) {
			order = append(order, k)
		}
	}
	return order
}

// perMinute: the chance that it finds something, by the priors, per minute.
func perMinute(n *network) []int {
	worth := func(k int) float64 {
		sum := 0.0
		for c, p := range n.checks[k].fails {
			sum += p * n.causes[c].prior
		}
		return sum / n.checks[k].minutes
	}
	return sortedChecks(n, func(a, b int) bool { return worth(a) > worth(b) })
}

type bins []Bin

func newBins() bins {
	edges := []float64{0, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1}
	b := make(bins, len(edges)-1)
	for i := range b {
		b[i].Low, b[i].High = edges[i], edges[i+1]
	}
	return b
}

func (b bins) count(s *state, belief *belief, truth pair) {
	overheated := len(s.e.heats) > 0
	for k, p := range shown(belief, overheated) {
		was := truth.has(k) || overheated && truth.b < 0 && s.n.causes[k].name == "overload"
		for i := range b {
			if p < b[i].High || i == len(b)-1 {
				b[i].Count++
				b[i].Said += p
				if was {
					b[i].True++
				}
				break
			}
		}
	}
}

func (b bins) means() []Bin {
	for i := range b {
		if n := float64(b[i].Count); n > 0 {
			b[i].Said /= n
			b[i].True /= n
		}
	}
	return b
}

// String is the proof as a table.
func (p Proof) String() string {
	var s strings.Builder
	fmt.Fprintf(&s, "world: %s; %d machines with a cause to find; by the log alone the cause stood first for %.0f %%, among the first three for %.0f %%\n",
		p.World.Name, p.Machines, 100*p.First, 100*p.Three)
	fmt.Fprintf(&s, "  %-32s %10s %8s %8s %16s\n", "minutes to the cause", "mean", "+-", "median", "of easiest first")
	for _, q := range p.Policies {
		fmt.Fprintf(&s, "  %-32s %10.0f %8.0f %8.0f %16.2f\n", q.Name, q.Mean, q.Err, q.Median, q.Mean/p.Policies[1].Mean)
	}
	fmt.Fprintf(&s, "  %-14s %25s %25s\n", "probability", "by the log", "after three checks")
	fmt.Fprintf(&s, "  %-14s %8s %8s %7s %9s %8s %7s\n", "", "said", "true", "cases", "said", "true", "cases")
	for i, b := range p.Bins {
		c := p.Checked[i]
		fmt.Fprintf(&s, "  %.2f to %.2f   %8.3f %8.3f %7d %9.3f %8.3f %7d\n", b.Low, b.High, b.Said, b.True, b.Count, c.Said, c.True, c.Count)
	}
	return s.String()
}
