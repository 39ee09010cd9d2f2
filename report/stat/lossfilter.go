package stat

import "math"

// lossGrid carries the distribution of the level through a chain, under one
// nuisance. Positions are relative to the level that the rate alone would give,
// so that only unevenness moves mass, and a steady loss moves none.
type lossGrid struct {
	n      *nuisance
	delta  float64   // mL between cells
	cells  []float64 // mass by cell
	from   int       // cell number of cells[0]
	debt   float64   // variance, in cells squared, not yet spread
	cdf    []float64 // of misreading, by hundredths of its sd
	spare  []float64
	kernel []float64 // mass that a step moves by near, near+1, ... cells to one side
	near   int
}

const (
	tail = 5 // sds of misreading after which it does not happen
	// blunder is the likelihood of a reading that is a plain mistake: such a
	// reading is passed over.
	blunder = 1e-8
)

func newLossGrid(n *nuisance, l Loss) *lossGrid {
	step := math.Min(n.steps.Level, n.steps.TopUp)
	typical := math.Sqrt(n.variance(l.LostML/l.Hours) * l.Hours / float64(l.Stretches))
	g := &lossGrid{n: n, delta: math.Min(math.Max(typical/2, step/6), step/3)}
	g.delta = math.Max(math.Min(g.delta, math.Max(n.misread, step/10)), n.steps.coarse()/60)
	g.cdf = make([]float64, 2*tail*100+2)
	for i := range g.cdf {
		g.cdf[i] = upperNormal(tail - float64(i)/100)
	}
	return g
}

// below is P(misreading < x).
func (g *lossGrid) below(x float64) float64 {
	z := (x/g.n.misread + tail) * 100
	if z <= 0 {
		return 0
	}
	if z >= 2*tail*100 {
		return 1
	}
	i := int(z)
	return g.cdf[i] + (z-float64(i))*(g.cdf[i+1]-g.cdf[i])
}

// logLikelihood of a chain at a rate, the level at its beginning unknown.
func (g *lossGrid) logLikelihood(c []mark, rate float64) float64 {
	low, high := g.n.reach(c[0])
	if c[0].atMark { // nothing is known of a top-up before: overshot by half a step at most
		low = g.n.steps.coarse() / 2
	}
	from, n := g.window(c[0].sum-low, c[0].sum+high)
	g.from, g.debt = from, 0
	g.cells = append(g.cells[:0], make([]float64, n)...)
	for i := range g.cells {
		d := float64(from+i)*g.delta - c[0].sum
		g.cells[i] = g.below(high-d) - g.below(-low-d)
	}
	g.normalise()
	g.fill(c[0], rate)
	log := 0.0
	for k := 1; k < len(c); k++ {
		g.debt += (g.n.variance(rate)*(c[k].hours-c[k-1].hours) + g.n.jug*float64(c[k].topUps)) / (g.delta * g.delta)
		log += g.read(c[k], rate)
		g.fill(c[k], rate)
	}
	return log
}

// window is the cells that hold a to b mL and what misreading adds.
func (g *lossGrid) window(a, b float64) (from, n int) {
	far := (tail - 1) * g.n.misread
	from = int(math.Floor((a - far) / g.delta))
	return from, int(math.Ceil((b+far)/g.delta)) - from + 1
}

// spread makes the kernel of the variance owed for distances of near to far
// cells: a lattice step for small variances, a normal density else. Both have
// the right variance.
func (g *lossGrid) spread(near, far int) {
	v := g.debt
	g.kernel, g.near = g.kernel[:0], near
	if v <= 0.8 {
		g.near = 0
		if g.kernel = append(g.kernel, 1-v); v > 0 {
			g.kernel = append(g.kernel, v/2)
		}
		return
	}
	d := float64(near)
	p, ratio, change := math.Exp(-d*d/2/v)/math.Sqrt(2*math.Pi*v), math.Exp(-(d+0.5)/v), math.Exp(-1/v)
	for range int(math.Min(6*math.Sqrt(v), float64(far))) - near + 1 {
		g.kernel = append(g.kernel, p)
		p *= ratio
		ratio *= change
	}
}

// read spreads the distribution to the cells that m leaves possible, weighs it
// by the likelihood of m, and returns the log of that likelihood overall.
func (g *lossGrid) read(m mark, rate float64) float64 {
	low, high := g.n.reach(m)
	from, n := g.window(m.sum-low-rate*m.hours, m.sum+high-rate*m.hours)
	out := append(g.spare[:0], make([]float64, n)...)
	g.spread(max(0, from-g.from-len(g.cells)+1, g.from-from-n+1), max(g.from+len(g.cells)-from, from+n-g.from))
	sum := 0.0
	for j := range out {
		d := float64(from+j)*g.delta + rate*m.hours - m.sum
		w := g.below(high-d) - g.below(-low-d)
		if w == 0 {
			continue
		}
		at := from + j - g.from // the cell's number among g.cells
		reach := g.near + len(g.kernel) - 1
		first, last := max(0, at-reach), min(len(g.cells)-1, at+reach)
		p := 0.0
		for i := first; i <= last; i++ {
			far := at - i
			if far < 0 {
				far = -far
			}
			p += g.cells[i] * g.kernel[far-g.near]
		}
		out[j] = p * w
		sum += out[j]
	}
	if !(sum > blunder) {
		g.spare = out
		return math.Log(blunder)
	}
	g.spare, g.cells, g.from, g.debt = g.cells[:0], out, from, 0
	g.normalise()
	return math.Log(sum)
}

// fill puts the level at the mark after a top-up that ends there.
func (g *lossGrid) fill(m mark, rate float64) {
	if !m.topUp || !g.n.fills {
		return
	}
	x := (m.full - rate*m.hours) / g.delta
	g.from = int(math.Floor(x))
	x -= math.Floor(x)
	g.cells = append(g.cells[:0], 1-x, x)
	g.debt = g.n.misread * g.n.misread / (g.delta * g.delta)
}

// normalise makes the mass 1 and cuts off ends that hold next to nothing.
func (g *lossGrid) normalise() {
	sum, top := 0.0, 0.0
	for _, p := range g.cells {
		sum += p
		if p > top {
			top = p
		}
	}
	a, b := 0, len(g.cells)
	for a < b-1 && g.cells[a] < 1e-6*top {
		a++
	}
	for b > a+1 && g.cells[b-1] < 1e-6*top {
		b--
	}
	g.cells = g.cells[a:b]
	g.from += a
	for i := range g.cells {
		g.cells[i] /= sum
	}
}
