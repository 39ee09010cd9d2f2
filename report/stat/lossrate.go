package stat

import (
	"fmt"
	"math"
	"slices"
)

// Look is one look at a level that is brought back to its mark now and then,
// in order of time.
type Look struct {
	Hours   float64 // exposure since the look before; of the first look ignored
	BelowML float64 // read below the mark, before anything was added; of a top-up without a reading, what went in
	AddedML float64 // what went in; 0 for a look only
	ApartML float64 // lost since the look before and explained by something else
	Apart   bool    // the whole stretch since the look before is something else (settling, emptied): a new chain begins
}

// LossSteps are the resolutions at which levels are read and volumes poured, in
// mL. 0 is unknown: the step is then what fits the readings, and 25 or 50 mL
// where they leave that open.
type LossSteps struct{ Level, TopUp float64 }

func (s LossSteps) coarse() float64 { return math.Max(s.Level, s.TopUp) }

// Loss is how fast a level falls.
type Loss struct {
	Rate      Result  // mL per hour
	LostML    float64 // between the first and the last mark of every chain
	Hours     float64 // that LostML took
	Stretches int     // between looks, with hours
}

// LossRate estimates the loss per hour from looks at rounded times and volumes.
//
// The level below the mark falls by rate x hours, the whole unevenly where the
// loss is uneven (a Wiener process). A reading is the level, misread by a normal
// error, rounded to its step; a volume poured in is taken off the level, and a
// top-up is itself a reading, since it aims at the mark. Errors of readings
// between the ends of a chain therefore cancel: what went in is known, and only
// where it began and ended is not. Rounding is no noise of its own either:
// while less than a step is lost, readings repeat the same rounding error.
//
// So the likelihood of a rate is computed, not approximated: the distribution of
// the level is carried from look to look on a grid (a hidden Markov filter,
// Baum & Petrie 1966; for rounded data Heitjan & Rubin 1991, Ann. Statist. 19)
// and narrowed by every reading. It is averaged over what the readings leave
// open of the misreading, the unevenness, the steps, and whether a top-up pours
// whole steps and ends near the mark or ends at the mark and is rounded in the
// record. Value is the posterior median, the limits the equal-tail quantiles with
// a flat prior over rates above 0; the lower limit is 0 where readings could be
// those of no loss. What the interval covers is for TestLossRateCoverage to show.
func LossRate(looks []Look, steps LossSteps, level float64) Loss {
	var out Loss
	if why := checkLooks(looks, steps, level); why != "" {
		out.Rate = Result{Why: why}
		return out
	}
	chains := chainsOf(looks)
	for _, c := range chains {
		last := c[len(c)-1]
		out.Hours += last.hours
		out.LostML += last.sum - c[0].sum
		for i := 1; i < len(c); i++ {
			if c[i].hours > c[i-1].hours {
				out.Stretches++
			}
		}
	}
	if out.Stretches == 0 {
		out.Rate = absent("no two looks with hours between them: a rate needs two marks")
		return out
	}
	out.Rate = lossPosterior(chains, out, possibleSteps(looks, steps), level)
	return out
}

func checkLooks(looks []Look, steps LossSteps, level float64) string {
	if !validLevel(level) {
		return fmt.Sprintf("level %g: must lie between 0 and 1", level)
	}
	if !usable(steps.Level) || !usable(steps.TopUp) || steps.Level < 0 || steps.TopUp < 0 {
		return fmt.Sprintf("steps %g and %g mL: must be 0 or more", steps.Level, steps.TopUp)
	}
	for i, l := range looks {
		for _, x := range []float64{l.Hours, l.BelowML, l.AddedML, l.ApartML} {
			if !usable(x) {
				return fmt.Sprintf("look %d: %g is no finite number", i+1, x)
			}
		}
		if i > 0 && l.Hours < 0 {
			return fmt.Sprintf("look %d: %g hours: must be 0 or more", i+1, l.Hours)
		}
		if l.AddedML < 0 {
			return fmt.Sprintf("look %d: %g mL added: must be 0 or more", i+1, l.AddedML)
		}
	}
	return ""
}

// possibleSteps lists the steps that the readings leave open, the likelier
// first. Of n readings all at multiples of 50 an equal share would not be, if
// the step were 25: after four that is settled.
func possibleSteps(looks []Look, given LossSteps) []LossSteps {
	fit := func(topUp bool, given float64) []float64 {
		if given > 0 {
			return []float64{given}
		}
		n, multiples := 0, map[float64]int{}
		for _, l := range looks {
			x := l.BelowML
			if topUp {
				x = l.AddedML
			}
			if (l.AddedML > 0) != topUp || x == 0 {
				continue
			}
			n++
			for _, s := range []float64{5, 10, 25, 50} {
				if math.Abs(x-s*math.Round(x/s)) < 0.01*s {
					multiples[s]++
				}
			}
		}
		switch {
		case multiples[50] == n && (n >= 4 || topUp): // a jug is rarely finer, and then little is lost
			return []float64{50}
		case multiples[50] == n:
			return []float64{25, 50}
		case multiples[25] == n:
			return []float64{25}
		case multiples[10] == n:
			return []float64{10}
		case multiples[5] == n:
			return []float64{5}
		}
		return []float64{1}
	}
	var out []LossSteps
	for _, l := range fit(false, given.Level) {
		for _, t := range fit(true, given.TopUp) {
			out = append(out, LossSteps{l, t})
		}
	}
	return out
}

// mark is a look in a chain: hours and loss since the chain began.
type mark struct {
	hours  float64
	sum    float64 // read below the mark, and all that went in before, less what is explained
	full   float64 // of a top-up: what sum would be had it ended exactly at the mark
	topUp  bool
	atMark bool // read 0
	topUps int  // that were thinned out since the mark before
}

// maxMarks bounds the work; marks of a chain beyond it are thinned evenly over
// time, which loses a little of their information and nothing of the sums.
const maxMarks = 60

func chainsOf(looks []Look) [][]mark {
	var chains [][]mark
	var chain []mark
	hours, added := 0.0, 0.0
	finish := func() {
		if len(chain) > 1 && chain[len(chain)-1].hours > 0 {
			chains = append(chains, chain)
		}
		chain, hours, added = nil, 0, 0
	}
	for i, l := range looks {
		if l.Apart || i == 0 {
			finish()
		} else {
			hours += l.Hours
			added -= l.ApartML
		}
		m := mark{hours: hours, sum: l.BelowML + added, full: l.AddedML + added, topUp: l.AddedML > 0, atMark: l.BelowML == 0}
		chain = append(chain, m)
		added += l.AddedML
	}
	finish()
	total := 0
	for _, c := range chains {
		total += len(c)
	}
	for i, c := range chains {
		chains[i] = thin(c, max(4, maxMarks*len(c)/total))
	}
	return chains
}

// thin keeps n marks of c, the first and the last among them.
func thin(c []mark, n int) []mark {
	if len(c) <= n {
		return c
	}
	out := c[:0:0]
	topUps := 0
	end := c[len(c)-1].hours
	for i, m := range c {
		if i == 0 || i == len(c)-1 || m.hours >= end*float64(len(out))/float64(n-1) && len(out) < n-1 {
			m.topUps = topUps
			out = append(out, m)
			topUps = 0
		} else if m.topUp {
			topUps++
		}
	}
	return out
}

// nuisance is one possibility of what the readings leave open.
type nuisance struct {
	steps   LossSteps
	misread float64 // sd, mL
	uneven  float64 // coefficient of variation of the loss over unevenHours
	fills   bool    // a top-up ends at the mark and its volume is rounded; else it is whole steps, and ends near the mark
	jug     float64 // variance of a thinned top-up where fills, mL^2
	log     float64 // prior
	rates   []float64
	logs    []float64 // log likelihood at rates
	mass    float64   // log of prior times integral
}

// What is thought of the nuisances before any reading: misreading in steps,
// unevenness as the coefficient of variation of the loss over stretches of
// typical length, and which of volume and mark a top-up hits exactly. The
// weights are the author's, tried against simulated logs.
var (
	misreads = []struct{ steps, weight float64 }{{0.06, 0.35}, {0.17, 0.28}, {0.4, 0.25}, {0.9, 0.12}}
	unevens  = []struct{ cv, weight float64 }{{0, 0.52}, {0.2, 0.2}, {0.45, 0.15}, {0.8, 0.09}, {1.5, 0.04}}
	fills    = []struct {
		fills  bool
		weight float64
	}{{false, 0.5}, {true, 0.5}}
)

// unevenHours is the length of a typical run, over which the loss is thought to
// keep its pace.
const unevenHours = 2

func lossPosterior(chains [][]mark, l Loss, steps []LossSteps, level float64) Result {
	crude := l.LostML / l.Hours
	hasTopUps := false
	for _, c := range chains {
		for _, m := range c {
			hasTopUps = hasTopUps || m.topUp
		}
	}
	// Two unevennesses show which misreading, step and habit can be dropped
	// before the others are tried.
	var all []*nuisance
	best := math.Inf(-1)
	grid := &lossGrid{}
	scan := func(n nuisance, cv, weight float64) {
		n.uneven, n.log = cv, n.log+math.Log(weight)
		k := 7
		if n.fills { // its rate may lie far from the crude one
			k = 11
		}
		n.scan(grid, chains, l, crude, n.width(chains, l), k)
		best = math.Max(best, n.mass)
		all = append(all, &n)
	}
	habits := possibleHabits(steps, hasTopUps)
	for _, h := range habits {
		scan(h, unevens[0].cv, unevens[0].weight)
		scan(h, unevens[2].cv, unevens[2].weight)
	}
	const unlikely = 5 // log of what is too unlikely to matter, beside the likeliest
	for i, h := range habits {
		if math.Max(all[2*i].mass, all[2*i+1].mass) > best-unlikely {
			for _, k := range []int{1, 3, 4} {
				scan(h, unevens[k].cv, unevens[k].weight)
			}
		}
	}
	all = slices.DeleteFunc(all, func(n *nuisance) bool { return !(n.mass > best-unlikely) })
	if len(all) == 0 {
		return absent("the readings contradict each other")
	}
	for _, n := range all {
		n.refine(grid, chains, l)
	}
	below := mixture(all)
	lo, hi := math.Inf(1), 0.0
	for _, n := range all {
		lo, hi = math.Min(lo, n.rates[0]), math.Max(hi, n.rates[len(n.rates)-1])
	}
	negative := below(0)
	if negative > 0.999 {
		high := steps[0].coarse() / l.Hours
		return estimated(0, 0, high, level, "the level rose: more was poured in than was missing, or a reading is wrong")
	}
	quantile := func(q float64) float64 { // of the rates above 0
		q = negative + q*(1-negative)
		return root(func(x float64) float64 { return below(x) - q }, math.Min(lo, 0), hi)
	}
	tail := (1 - level) / 2
	value, low, high := quantile(0.5), 0.0, quantile(1-tail)
	if negative < tail { // else readings could be those of no loss at all
		low = quantile(tail)
	}
	return estimated(math.Max(0, value), math.Max(0, low), high, level)
}

// possibleHabits is every nuisance but for the unevenness.
func possibleHabits(steps []LossSteps, hasTopUps bool) []nuisance {
	var out []nuisance
	for _, st := range steps {
		for _, m := range misreads {
			for _, f := range fills {
				if f.fills && !hasTopUps {
					continue
				}
				n := nuisance{steps: st, misread: math.Max(m.steps*st.Level, st.coarse()/60), fills: f.fills, log: math.Log(m.weight * f.weight)}
				if f.fills {
					n.jug = st.TopUp * st.TopUp / 12
				}
				out = append(out, n)
			}
		}
	}
	return out
}

// width is a generous standard error of the rate under n: that of the ends.
func (n *nuisance) width(chains [][]mark, l Loss) float64 {
	crude := math.Max(math.Abs(l.LostML), n.steps.Level/4) / l.Hours
	v, topUps := n.variance(crude)*l.Hours, 0
	for _, c := range chains {
		_, high := n.reach(c[len(c)-1])
		v += (n.steps.coarse()*n.steps.coarse()/4+high*high)/2 + 2*n.misread*n.misread
		for _, m := range c {
			topUps += m.topUps
			if m.topUp {
				topUps++
			}
		}
	}
	if n.fills { // topping up as soon as half a step is missing reads too much every time
		bias := float64(topUps) * n.steps.TopUp / 8
		v += bias * bias
	}
	return math.Sqrt(v) / l.Hours
}

// variance of the loss per hour, mL^2, at a rate.
func (n *nuisance) variance(rate float64) float64 {
	return n.uneven * n.uneven * rate * rate * unevenHours
}

// reach tells that a reading stands for sum-low to sum+high, but for misreading.
func (n *nuisance) reach(m mark) (low, high float64) {
	half := n.steps.Level / 2
	if m.topUp {
		half = n.steps.TopUp / 2
	}
	if m.atMark { // or above it, by what the last top-up overshot: no limit in practice
		return 2 * n.steps.coarse(), half
	}
	return half, half
}

// scan evaluates the likelihood at k rates around centre and integrates it.
func (n *nuisance) scan(grid *lossGrid, chains [][]mark, l Loss, centre, sd float64, k int) {
	n.rates, n.logs = make([]float64, k), make([]float64, k)
	grid.take(n, l)
	for i := range k {
		n.rates[i] = centre + sd*4*(2*float64(i)/float64(k-1)-1)
		for _, c := range chains {
			n.logs[i] += grid.logLikelihood(c, n.rates[i])
		}
	}
	n.integrate()
}

func (n *nuisance) integrate() {
	top := slices.Max(n.logs)
	sum := 0.0
	for i := 1; i < len(n.rates); i++ {
		sum += (n.rates[i] - n.rates[i-1]) / 2 * (math.Exp(n.logs[i]-top) + math.Exp(n.logs[i-1]-top))
	}
	n.mass = n.log + top + math.Log(sum)
}

// refine scans again where the likelihood is.
func (n *nuisance) refine(grid *lossGrid, chains [][]mark, l Loss) {
	for range 4 {
		mean, sd := n.moments()
		span := n.rates[len(n.rates)-1] - n.rates[0]
		h := n.rates[1] - n.rates[0]
		sd = math.Max(sd, 0.3*h)
		resolved := len(n.rates) > 10 && sd > 0.9*h && 8*sd > 0.3*span
		if resolved {
			return
		}
		n.scan(grid, chains, l, mean, sd*1.2, 17)
	}
}

func (n *nuisance) moments() (mean, sd float64) {
	top := slices.Max(n.logs)
	var s0, s1, s2 float64
	for i, r := range n.rates {
		w := math.Exp(n.logs[i] - top)
		s0, s1, s2 = s0+w, s1+w*r, s2+w*r*r
	}
	mean = s1 / s0
	return mean, math.Sqrt(math.Max(0, s2/s0-mean*mean))
}

// mixture gives the distribution function of the rate: piecewise linear
// densities of all nuisances weighted by their mass.
func mixture(all []*nuisance) func(float64) float64 {
	best := math.Inf(-1)
	for _, n := range all {
		best = math.Max(best, n.mass)
	}
	type piece struct{ a, b, fa, fb float64 } // density fa to fb over a to b
	var pieces []piece
	total := 0.0
	for _, n := range all {
		scale := math.Exp(n.mass - best)
		top := slices.Max(n.logs)
		sum := 0.0
		from := len(pieces)
		for i := 1; i < len(n.rates); i++ {
			p := piece{n.rates[i-1], n.rates[i], math.Exp(n.logs[i-1] - top), math.Exp(n.logs[i] - top)}
			sum += (p.b - p.a) * (p.fa + p.fb) / 2
			pieces = append(pieces, p)
		}
		for i := from; i < len(pieces); i++ {
			pieces[i].fa *= scale / sum
			pieces[i].fb *= scale / sum
		}
		total += scale
	}
	return func(x float64) float64 {
		s := 0.0
		for _, p := range pieces {
			switch {
			case x >= p.b:
				s += (p.b - p.a) * (p.fa + p.fb) / 2
			case x > p.a:
				t := (x - p.a) / (p.b - p.a)
				s += (x - p.a) * (p.fa + (p.fa + t*(p.fb-p.fa))) / 2
			}
		}
		return s / total
	}
}
