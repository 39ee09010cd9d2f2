package light

import (
	"cmp"
	"math"
	"slices"
)

// Point is a place in a photograph, in pixels from its left and upper edge.
type Point struct{ X, Y float64 }

func (p Point) minus(q Point) Point { return Point{p.X - q.X, p.Y - q.Y} }

func (p Point) distance(q Point) float64 { return math.Hypot(p.X-q.X, p.Y-q.Y) }

func cross(a, b Point) float64 { return a.X*b.Y - a.Y*b.X }

// sorted returns four corners in order: clockwise as seen, beginning with the
// one nearest to the photograph's upper left. ok is false if they do not make a
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
		// The sine of the turn at b: if it is near 0 there is no corner.
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

// onto returns the homography that maps a rectangle of w x h, its upper left at
// 0,0, to the corners c (Heckbert 1989, Fundamentals of Texture Mapping and
// Image Warping, s. 2.2.3).
func onto(c [4]Point, w, h float64) homography {
	over := Point{c[0].X - c[1].X + c[2].X - c[3].X, c[0].Y - c[1].Y + c[2].Y - c[3].Y}
	right, low := c[1].minus(c[2]), c[3].minus(c[2])
	g, k := cross(over, low)/cross(right, low), cross(right, over)/cross(right, low)
	return homography{
		(c[1].X - c[0].X + g*c[1].X) / w, (c[3].X - c[0].X + k*c[3].X) / h, c[0].X,
		(c[1].Y - c[0].Y + g*c[1].Y) / w, (c[3].Y - c[0].Y + k*c[3].Y) / h, c[0].Y,
		g / w, k / h, 1,
	}
}

// straightened returns the quadrilateral c of p as an upright rectangle of w x
// h pixels, by bilinear interpolation at 2 x 2 places in each pixel.
func straightened(p plane, c [4]Point, w, h int) plane {
	m := onto(c, float64(w), float64(h))
	out := newPlane(w, h)
	for y := range h {
		for x := range w {
			var sum float32
			for i := range 4 {
				sum += p.between(m.at(Point{float64(x) + 0.25 + 0.5*float64(i&1),
					float64(y) + 0.25 + 0.5*float64(i>>1)}))
			}
			out.v[y*w+x] = sum / 4
		}
	}
	return out
}

// between returns the plane interpolated between pixel centres; beyond the edge
// it is as at the edge.
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
