package light

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

const (
	lampGrid = 96  // longer side of the grid on which the lamp is estimated: its light changes slowly
	joins    = 0.6 // a place with more than this share of the predicted light is lit
)

// flattened divides the light by what an open core would let through at each
// place, so that open is about 1 everywhere.
//
// The lamp is a quadratic of position in the logarithm (exactly so for a
// Gaussian spot), corrected by the mean of lit places nearby (normalised
// convolution: Knutsson & Westin 1993, zeroth order). Lit places are found by
// growth: from the brightest ones, any place with more than a share of the
// light that its neighbourhood predicts joins, until none does. A lamp fades
// softly and dirt ends sharply: that is how the two are distinguished. reach is
// how far a place influences its neighbours, as a share of the longer side.
func flattened(p plane, reach float64) plane {
	k := max(1, (max(p.w, p.h)+lampGrid-1)/lampGrid)
	g := p.reduced(k)
	logs := newPlane(g.w, g.h)
	peak := float32(0)
	for _, v := range g.v {
		peak = max(peak, v)
	}
	for i, v := range g.v {
		logs.v[i] = float32(math.Log(float64(max(v, peak*1e-4))))
	}
	bright := float32(quantile(g.v, 0.997))
	lit := make([]bool, len(g.v))
	for i, v := range g.v {
		lit[i] = v > 0.5*bright
	}
	join := float32(math.Log(joins))
	var lamp plane
	for range 40 {
		lamp = lampFrom(logs, lit, reach*float64(max(g.w, g.h)))
		changed := 0
		for i, v := range logs.v {
			if now := v > lamp.v[i]+join; now != lit[i] {
				lit[i] = now
				changed++
			}
		}
		if changed == 0 {
			break
		}
	}
	out := newPlane(p.w, p.h)
	for y := range p.h {
		for x := range p.w {
			l := lamp.between(Point{(float64(x) + 0.5) / float64(k), (float64(y) + 0.5) / float64(k)})
			out.v[y*p.w+x] = p.at(x, y) / float32(math.Exp(float64(l)))
		}
	}
	return out
}

// lampFrom returns the logarithm of the lamp's light over the grid, estimated
// from its lit places.
func lampFrom(logs plane, lit []bool, sigma float64) plane {
	// Ridge regression: slope and curvature are weakly drawn to 0, so that they
	// follow many lit places and not a few.
	const terms = 6
	var a [terms * terms]float64
	var b [terms]float64
	n, lo, hi := 0.0, math.Inf(1), math.Inf(-1)
	row := func(i int) [terms]float64 {
		x := 2*(float64(i%logs.w)+0.5)/float64(logs.w) - 1
		y := 2*(float64(i/logs.w)+0.5)/float64(logs.h) - 1
		return [terms]float64{1, x, y, x * x, x * y, y * y}
	}
	for i, on := range lit {
		if !on {
			continue
		}
		r := row(i)
		v := float64(logs.v[i])
		lo, hi, n = min(lo, v), max(hi, v), n+1
		for j := range terms {
			b[j] += r[j] * v
			for k := range terms {
				a[j*terms+k] += r[j] * r[k]
			}
		}
	}
	for j := 1; j < terms; j++ {
		a[j*terms+j] += 0.005 * float64(len(lit))
	}
	a[0] += 1e-9
	var c mat.VecDense
	if err := c.SolveVec(mat.NewDense(terms, terms, a[:]), mat.NewVecDense(terms, b[:])); err != nil {
		c = *mat.NewVecDense(terms, []float64{(lo + hi) / 2, 0, 0, 0, 0, 0})
	}
	fit, left, weight := newPlane(logs.w, logs.h), newPlane(logs.w, logs.h), newPlane(logs.w, logs.h)
	for i, on := range lit {
		r := row(i)
		v := 0.0
		for j := range terms {
			v += c.AtVec(j) * r[j]
		}
		fit.v[i] = float32(min(max(v, lo-0.7), hi+0.2)) // no further than lit places justify
		if on {
			left.v[i], weight.v[i] = logs.v[i]-fit.v[i], 1
		}
	}
	size := 2*int(sigma)/2 + 1
	for range 3 { // three boxes are nearly a Gaussian
		left, weight = left.box(size, size), weight.box(size, size)
	}
	for i := range fit.v {
		fit.v[i] += left.v[i] / (weight.v[i] + 0.02) // far from anything lit only the quadratic counts
	}
	return fit
}

// reduced returns the plane of the means of k x k pixels; a remainder at the
// right and the lower edge is left out.
func (p plane) reduced(k int) plane {
	out := newPlane(p.w/k, p.h/k)
	for y := range out.h * k {
		for x, v := range p.row(y)[:out.w*k] {
			out.v[y/k*out.w+x/k] += v / float32(k*k)
		}
	}
	return out
}
