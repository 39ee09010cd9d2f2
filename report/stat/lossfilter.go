package stat

import (
	"math"
	"slices"
	"sync"
)

// lossGrid carries the distribution of the level through a chain, under one
// nuisance. Positions are relative to the level that the rate alone would give,
// so that only unevenness moves mass, and a steady loss moves none.
type lossGrid struct {
	n      *nuisance
	delta  float64   // mL between cells
	cells  []float64 // mass by cell
	from   int       // cell number of cells[0]
	debt   float64   // variance, in cells squared, not yet spread
	cdf    []float64 // see misreading
	per    float64   // hundredths of the misreading's sd in a mL
	spare  []float64
	kernel []float64 // mass that a step moves: to a cell from the one begin cells behind it, begin+1, ...
	begin  int
	half   []float64 // one side of the kernel, the nearest first
}

const (
	tail = 5 // sds of misreading after which it does not happen
	// blunder is the likelihood of a reading that is a plain mistake: such a
	// reading is passed over.
	blunder = 1e-8
)

// take readies the grid for another nuisance.
func (g *lossGrid) take(n *nuisance, l Loss) {
	step := math.Min(n.steps.Level, n.steps.TopUp)
	typical := math.Sqrt(n.variance(l.LostML/l.Hours) * l.Hours / float64(l.Stretches))
	g.n, g.delta = n, math.Min(math.Max(typical/2, step/6), step/3)
	g.delta = math.Max(math.Min(g.delta, math.Max(n.misread, step/10)), n.steps.coarse()/60)
	g.cdf, g.per = misreading(), 100/n.misread
}

// misreading is the distribution function of a standard normal from -tail to
// tail, by hundredths.
var misreading = sync.OnceValue(func() []float64 {
	cdf := make([]float64, 2*tail*100+2)
	for i := range cdf {
		cdf[i] = upperNormal(tail - float64(i)/100)
	}
	return cdf
})

// z is a misreading in hundredths of its sd above -tail.
func (g *lossGrid) z(x float64) float64 { return x*g.per + tail*100 }

// below is P(misreading < z).
func (g *lossGrid) below(z float64) float64 {
	switch {
	case z <= 0:
		return 0
	case z >= 2*tail*100:
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
	g.cells = slices.Grow(g.cells[:0], n)[:n]
	sum, top := 0.0, 0.0
	for i := range g.cells {
		d := float64(from+i)*g.delta - c[0].sum
		g.cells[i] = g.below(g.z(high-d)) - g.below(g.z(-low-d))
		sum += g.cells[i]
		top = max(top, g.cells[i])
	}
	g.normalise(sum, top)
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

// spread makes the kernel of the variance owed, for distances of near to far
// cells: to both sides if near is 0, else to the right or to the left of the
// mass. It is a lattice step for small variances, a normal density else. Both
// have the right variance.
func (g *lossGrid) spread(near, far int, right bool) {
	v, half := g.debt, g.half[:0]
	switch {
	case v <= 0.8:
		if half = append(half, 1-v); v > 0 {
			half = append(half, v/2)
		}
		half = half[min(near, len(half)):]
	default:
		d := float64(near)
		p, ratio := 1/math.Sqrt(2*math.Pi*v), math.Exp(-0.5/v)
		change := ratio * ratio
		if near > 0 {
			p, ratio = p*math.Exp(-d*d/2/v), math.Exp(-(d+0.5)/v)
		}
		for range int(math.Min(6*math.Sqrt(v), float64(far))) - near + 1 {
			half = append(half, p)
			p *= ratio
			ratio *= change
		}
	}
	g.half, g.kernel, g.begin = half, g.kernel[:0], near
	if near == 0 || right {
		for i := len(half) - 1; i > 0 || i == 0 && near > 0; i-- {
			g.kernel = append(g.kernel, half[i])
		}
		g.begin = -(near + len(half) - 1)
	}
	if near == 0 || !right {
		g.kernel = append(g.kernel, half...)
	}
}

// read spreads the distribution to the cells that m leaves possible, weighs it
// by the likelihood of m, and returns the log of that likelihood overall.
func (g *lossGrid) read(m mark, rate float64) float64 {
	low, high := g.n.reach(m)
	at, n := g.window(m.sum-low-rate*m.hours, m.sum+high-rate*m.hours)
	shift := at - g.from // from the first of the cells to the first of the new ones
	g.spread(max(0, shift-len(g.cells)+1, -shift-n+1), max(len(g.cells)-shift, shift+n), shift > 0)
	out := slices.Grow(g.spare[:0], n)[:n]
	clear(out)
	sum, top := 0.0, 0.0
	cells, kernel := g.cells, g.kernel
	// Cells out of reach of all mass stay empty.
	from, to := max(0, 1-g.begin-len(g.kernel)-shift), min(n, len(g.cells)-g.begin-shift)
	d := float64(at+from)*g.delta + rate*m.hours - m.sum
	over, under, step := g.z(high-d), g.z(-low-d), g.delta*g.per
	for j := from; j < to; j++ {
		w := g.below(over) - g.below(under)
		over, under = over-step, under-step
		if w == 0 {
			continue
		}
		first := shift + j + g.begin // the cell's number from which the kernel reaches here
		a, b := max(0, first), min(len(cells), first+len(kernel))
		p := w * dot(cells[a:b], kernel[a-first:b-first])
		out[j] = p
		sum += p
		if p > top {
			top = p
		}
	}
	if !(sum > blunder) {
		g.spare = out
		return math.Log(blunder)
	}
	g.spare, g.cells, g.from, g.debt = g.cells[:0], out, at, 0
	if !m.topUp || !g.n.fills { // else it is filled to the mark next, wherever it stood
		g.normalise(sum, top)
	}
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

// normalise makes the mass 1, which is sum, and cuts off ends that hold next to
// nothing beside the top.
func (g *lossGrid) normalise(sum, top float64) {
	a, b := 0, len(g.cells)
	for a < b-1 && g.cells[a] < 1e-6*top {
		a++
	}
	for b > a+1 && g.cells[b-1] < 1e-6*top {
		b--
	}
	g.cells = g.cells[a:b]
	g.from += a
	for i, scale := 0, 1/sum; i < len(g.cells); i++ {
		g.cells[i] *= scale
	}
}
