package light

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// Point is a place in a photograph, in pixels from its left and upper edge.
type Point struct{ X, Y float64 }

func (p Point) minus(q Point) Point { return Point{p.X - q.X, p.Y - q.Y} }

func (p Point) distance(q Point) float64 { return math.Hypot(p.X-q.X, p.Y-q.Y) }

func cross(a, b Point) float64 { return a.X*b.Y - a.Y*b.X }

// sorted puts four corners in order: clockwise as seen, beginning with the one
// nearest to the photograph's upper left. ok is false where they do not make a
// convex quadrilateral with a corner at each.
func sorted(c [4]Point) (s [4]Point, ok bool) {
	var mid Point
	for _, p := range c {
		mid.X += p.X / 4
		mid.Y += p.Y / 4
	}
	angle := func(p Point) float64 { return math.Atan2(p.Y-mid.Y, p.X-mid.X) }
	s = c
	slices.SortFunc(s[:], func(p, q Point) int { return cmp.Compare(angle(p), angle(q)) })
	first := 0
	for i, p := range s {
		if p.X+p.Y < s[first].X+s[first].Y {
			first = i
		}
	}
	s = [4]Point{s[first], s[(first+1)%4], s[(first+2)%4], s[(first+3)%4]}
	for i := range s {
		a, b, d := s[i], s[(i+1)%4], s[(i+2)%4]
		// The sine of the turn at b: nearly nothing is no corner.
		if !(cross(b.minus(a), d.minus(b)) > 0.1*a.distance(b)*b.distance(d)) {
			return s, false
		}
	}
	return s, true
}

// homography is a plane projective map in homogeneous coordinates, row by row.
type homography [9]float64

func (h homography) at(p Point) Point {
	w := h[6]*p.X + h[7]*p.Y + h[8]
	return Point{(h[0]*p.X + h[1]*p.Y + h[2]) / w, (h[3]*p.X + h[4]*p.Y + h[5]) / w}
}

// mapping is the homography that takes each of from to the same of to, by the
// direct linear transformation (Hartley & Zisserman 2004, algorithm 4.1): the
// null vector of the 8 x 9 matrix of equation 4.3, two rows a point. The points
// are first moved and scaled as their section 4.4 asks.
func mapping(from, to [4]Point) homography {
	f, fromUnit := normalised(from)
	t, toUnit := normalised(to)
	a := mat.NewDense(8, 9, nil)
	for i := range 4 {
		x, y, u, v := f[i].X, f[i].Y, t[i].X, t[i].Y
		a.SetRow(2*i, []float64{0, 0, 0, -x, -y, -1, v * x, v * y, v})
		a.SetRow(2*i+1, []float64{x, y, 1, 0, 0, 0, -u * x, -u * y, -u})
	}
	var svd mat.SVD
	svd.Factorize(a, mat.SVDFullV)
	var v mat.Dense
	svd.VTo(&v)
	h := mat.NewDense(3, 3, mat.Col(nil, 8, &v))
	var back, out mat.Dense
	if err := back.Inverse(toUnit); err != nil {
		panic("a scaling without an inverse: " + err.Error()) // the corners were tried by sorted
	}
	out.Mul(&back, h)
	out.Mul(&out, fromUnit)
	return homography(out.RawMatrix().Data)
}

// normalised moves points to their centroid and scales them to a mean distance
// of root 2 (Hartley & Zisserman 2004, algorithm 4.2), and gives the map that does.
func normalised(p [4]Point) ([4]Point, *mat.Dense) {
	var mid Point
	for _, q := range p {
		mid.X += q.X / 4
		mid.Y += q.Y / 4
	}
	mean := 0.0
	for _, q := range p {
		mean += q.distance(mid) / 4
	}
	s := math.Sqrt2 / mean
	var out [4]Point
	for i, q := range p {
		out[i] = Point{s * (q.X - mid.X), s * (q.Y - mid.Y)}
	}
	return out, mat.NewDense(3, 3, []float64{s, 0, -s * mid.X, 0, s, -s * mid.Y, 0, 0, 1})
}

// straightened is the quadrilateral c of p as an upright rectangle of w x h
// pixels, read with bilinear interpolation at 2 x 2 places a pixel.
func straightened(p plane, c [4]Point, w, h int) plane {
	fw, fh := float64(w), float64(h)
	m := mapping([4]Point{{0, 0}, {fw, 0}, {fw, fh}, {0, fh}}, c)
	out := newPlane(w, h)
	for y := range h {
		for x := range w {
			var sum float32
			for i := range 4 {
				sum += p.between(m.at(Point{float64(x) + 0.25 + 0.5*float64(i&1), float64(y) + 0.25 + 0.5*float64(i>>1)}))
			}
			out.v[y*w+x] = sum / 4
		}
	}
	return out
}

// between reads the plane between pixel centres; beyond the edge it is as at
// the edge.
func (p plane) between(q Point) float32 {
	x := min(max(q.X-0.5, 0), float64(p.w-1))
	y := min(max(q.Y-0.5, 0), float64(p.h-1))
	x0, y0 := int(x), int(y)
	x1, y1 := min(x0+1, p.w-1), min(y0+1, p.h-1)
	fx, fy := float32(x-float64(x0)), float32(y-float64(y0))
	top := p.at(x0, y0)*(1-fx) + p.at(x1, y0)*fx
	low := p.at(x0, y1)*(1-fx) + p.at(x1, y1)*fx
	return top*(1-fy) + low*fy
}
