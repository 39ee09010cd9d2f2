package light

import (
	"math"
	"math/rand/v2"
	"slices"
)

// renderDrawing draws the core with filled polygons, as one would on paper: the
// gaps between tubes bright, folded fins as zigzag strokes across them, dirt as
// ragged outlines over all. A lens bends the lines, glare lies over the dark, a
// shake smears the whole. Lamps are points, by the inverse square.
func renderDrawing(rng *rand.Rand, mud string) scene {
	const w, h, fine = 700, 520, 2 // drawn fine times larger
	s := scene{way: "drawing", mud: mud}
	wide, high := uniform(rng, 220, 360), uniform(rng, 170, 260)
	tube, thick := uniform(rng, 8, 12), uniform(rng, 1.5, 2.5)
	fold, stroke := uniform(rng, 4.5, 7.5), uniform(rng, 0.3, 0.6)
	upright := rng.IntN(4) == 0

	// The core's plane turned about two axes before a pinhole, then a lens.
	yaw, pitch, roll := uniform(rng, -0.25, 0.25), uniform(rng, -0.25, 0.25), uniform(rng, -0.08, 0.08)
	bend := uniform(rng, -0.012, 0.012)
	away := uniform(rng, 2.2, 3.5) * wide
	scale := 0.74 * min(w/wide, h/high) * away
	place := func(x, y float64) Point {
		x, y = x-wide/2, y-high/2
		x, y = x*math.Cos(roll)-y*math.Sin(roll), x*math.Sin(roll)+y*math.Cos(roll)
		x, z := x*math.Cos(yaw), away+x*math.Sin(yaw)
		y, z = y*math.Cos(pitch), z+y*math.Sin(pitch)
		px, py := scale*x/z, scale*y/z
		r := (px*px + py*py) / (w * w / 4)
		return Point{w/2 + px*(1+bend*r), h/2 + py*(1+bend*r)}
	}
	s.corners = [4]Point{place(0, 0), place(wide, 0), place(wide, high), place(0, high)}

	sheet := newPlane(fine*w, fine*h)
	fill := func(v float32, outline ...Point) { // in mm
		p := make([]Point, len(outline))
		for i, q := range outline {
			p[i] = place(q.X, q.Y)
			p[i].X, p[i].Y = fine*p[i].X, fine*p[i].Y
		}
		fillPolygon(sheet, p, v)
	}
	along, across := wide, high
	if upright {
		along, across = high, wide
	}
	at := func(a, b float64) Point { // a along the tubes, b across them
		if upright {
			return Point{b, a}
		}
		return Point{a, b}
	}
	for b := rng.Float64() * thick; b < across; b += tube {
		lo, hi := b, min(b+tube-thick, across)
		for a := 0.0; a < along; a += 20 { // in pieces, for the lens
			fill(1, at(a, lo), at(min(a+20, along), lo), at(min(a+20, along), hi), at(a, hi))
		}
		x, top := -rng.Float64()*fold/2, true
		for ; x < along; x += fold / 2 {
			y0, y1 := lo, hi
			if !top {
				y0, y1 = hi, lo
			}
			top = !top
			l, r := max(x, 0), min(x+fold/2, along-stroke)
			if l < r {
				fill(0.03, at(l, y0), at(l+stroke, y0), at(r+stroke, y1), at(r, y1))
			}
		}
	}

	through := float32(uniform(rng, 0, 0.05))
	if mud == "film" {
		through = float32(uniform(rng, 0.1, 0.3))
	}
	outlines, holes := raggedMud(rng, mud, wide, high, at, tube, across)
	clean := plane{sheet.w, sheet.h, slices.Clone(sheet.v)}
	dirt := newPlane(sheet.w, sheet.h)
	mark := func(v float32, o []Point) {
		p := make([]Point, len(o))
		for i, q := range o {
			p[i] = place(q.X, q.Y)
			p[i].X, p[i].Y = fine*p[i].X, fine*p[i].Y
		}
		fillPolygon(dirt, p, v)
	}
	for _, o := range outlines {
		mark(1, o)
	}
	for _, o := range holes {
		mark(0, o)
	}
	for i, d := range dirt.v {
		if d > 0 {
			sheet.v[i] = clean.v[i] * through
		}
	}

	// Two or three point lamps on a stand behind.
	type bulb struct{ x, y, z, power float64 }
	var bulbs []bulb
	for range 2 + rng.IntN(2) {
		bulbs = append(bulbs, bulb{uniform(rng, 0.15, 0.85) * w, uniform(rng, 0.2, 0.8) * h, uniform(rng, 0.5, 0.9) * w,
			uniform(rng, 0.5, 1)})
	}
	lamp := func(x, y float64) float64 {
		sum := 0.0
		for _, b := range bulbs {
			sum += b.power * b.z * b.z / ((x-b.x)*(x-b.x) + (y-b.y)*(y-b.y) + b.z*b.z)
		}
		return sum / float64(len(bulbs))
	}
	frame := uniform(rng, 15, 30)
	rim := [4]Point{place(-frame, -frame), place(wide+frame, -frame), place(wide+frame, high+frame),
		place(-frame, high+frame)}
	beside := newPlane(w, h)
	if rng.IntN(2) == 0 || mud == "all" {
		for i := range beside.v {
			beside.v[i] = 0.6
		}
		fillPolygon(beside, rim[:], 0)
	}
	p := newPlane(w, h)
	for y := range h {
		for x := range w {
			sum := beside.at(x, y)
			for j := range fine {
				for i := range fine {
					sum += sheet.at(fine*x+i, fine*y+j) / (fine * fine)
				}
			}
			p.v[y*w+x] = sum * float32(lamp(float64(x), float64(y)))
		}
	}
	p = shaken(p, uniform(rng, 0, 2), uniform(rng, 0, math.Pi))
	const coarse = 10
	glare, share := newPlane(w/coarse, h/coarse), float32(uniform(rng, 0, 0.03))
	for i, v := range p.v {
		glare.v[i/w/coarse*glare.w+i%w/coarse] += v / (coarse * coarse)
	}
	glare = gauss(glare, 2.5)
	for i := range p.v {
		p.v[i] = p.v[i]*(1-share) + share*glare.between(Point{float64(i%w) / coarse, float64(i/w) / coarse})
	}

	exposure, noise := uniform(rng, 0.8, 2), uniform(rng, 0.002, 0.015)
	out := canvas(w, h)
	for i, v := range p.v {
		grey := noise * rng.NormFloat64()
		for c := range 3 { // coarser in colour than in light
			out.v[i][c] = exposure*float64(v)*(1+3*grey) + grey + 0.5*noise*rng.NormFloat64()
		}
	}
	// A film-like curve: steep at first, then rolling off to white.
	s.img = out.jpeg(55+rng.IntN(38), func(v float64) float64 { return srgb(1 - math.Exp(-1.6*max(v, 0))) })

	// Area by throwing points.
	hit := 0
	const throws = 20000
	for range throws {
		q := Point{rng.Float64() * wide, rng.Float64() * high}
		if insideAny(outlines, q) && !insideAny(holes, q) {
			hit++
		}
	}
	s.blocked = 100 * float64(hit) / throws
	return s
}

// fillPolygon fills by the even-odd rule, pixel centres, line by line.
func fillPolygon(p plane, c []Point, v float32) {
	lo, hi := c[0].Y, c[0].Y
	for _, q := range c {
		lo, hi = min(lo, q.Y), max(hi, q.Y)
	}
	var cuts []float64
	for y := max(0, int(lo)); y < min(p.h, int(hi)+2); y++ {
		cuts = cuts[:0]
		at := float64(y) + 0.5
		for i, a := range c {
			b := c[(i+1)%len(c)]
			if (a.Y <= at) != (b.Y <= at) {
				cuts = append(cuts, a.X+(at-a.Y)/(b.Y-a.Y)*(b.X-a.X))
			}
		}
		slices.Sort(cuts)
		for i := 0; i+1 < len(cuts); i += 2 {
			for x := max(0, int(math.Ceil(cuts[i]-0.5))); x < p.w && float64(x)+0.5 < cuts[i+1]; x++ {
				p.v[y*p.w+x] = v
			}
		}
	}
}

func insideAny(all [][]Point, q Point) bool {
	for _, c := range all {
		in := false
		if c[0].distance(q) > 3*max(c[0].distance(c[len(c)/2]), c[0].distance(c[len(c)/4])) {
			continue // far off
		}
		for i, a := range c {
			b := c[(i+1)%len(c)]
			if (a.Y <= q.Y) != (b.Y <= q.Y) && q.X < a.X+(q.Y-a.Y)/(b.Y-a.Y)*(b.X-a.X) {
				in = !in
			}
		}
		if in {
			return true
		}
	}
	return false
}

// shaken averages along a short way.
func shaken(p plane, length, angle float64) plane {
	const steps = 5
	out := newPlane(p.w, p.h)
	for y := range p.h {
		for x := range p.w {
			var sum float32
			for i := range steps {
				t := length * (float64(i)/(steps-1) - 0.5)
				sum += p.between(Point{float64(x) + 0.5 + t*math.Cos(angle), float64(y) + 0.5 + t*math.Sin(angle)})
			}
			out.v[y*p.w+x] = sum / steps
		}
	}
	return out
}

// raggedMud draws dirt as outlines in millimetres, and the holes in it.
func raggedMud(rng *rand.Rand, kind string, wide, high float64, at func(a, b float64) Point, tube,
	across float64) (outlines, holes [][]Point) {
	splat := func(x, y, r float64) []Point {
		var amp, phase [6]float64
		for i := range amp {
			amp[i], phase[i] = uniform(rng, 0, 0.35)/float64(i+1), uniform(rng, 0, 2*math.Pi)
		}
		var o []Point
		for k := range 60 {
			t := 2 * math.Pi * float64(k) / 60
			rr := r
			for i := range amp {
				rr += r * amp[i] * math.Sin(float64(i+2)*t+phase[i])
			}
			o = append(o, Point{x + rr*math.Cos(t), y + rr*math.Sin(t)})
		}
		return o
	}
	splats := func(n int, lo, hi float64) (all [][]Point) {
		for range n {
			all = append(all, splat(rng.Float64()*wide, rng.Float64()*high, uniform(rng, lo, hi)))
		}
		return all
	}
	band := func(x0, x1 float64) []Point { // upright, ragged on both sides
		var o []Point
		for y := -5.0; y <= high+5; y += 4 {
			o = append(o, Point{x0 + 2*rng.NormFloat64(), y})
		}
		for y := high + 5; y >= -5; y -= 4 {
			o = append(o, Point{x1 + 2*rng.NormFloat64(), y})
		}
		return o
	}
	seeds := func() (all [][]Point) { // stuck between two tubes
		for range 2 + rng.IntN(6) {
			b := (math.Floor(rng.Float64()*across/tube) + 0.4) * tube
			for a := rng.Float64() * 15; a < max(wide, high); a += uniform(rng, 5, 22) {
				l, r := uniform(rng, 1.5, 4), tube*uniform(rng, 0.25, 0.45)
				var o []Point
				for k := range 16 {
					t := 2 * math.Pi * float64(k) / 16
					o = append(o, at(a+l*math.Cos(t), b+r*math.Sin(t)))
				}
				all = append(all, o)
			}
		}
		return all
	}
	whole := [][]Point{{{-9, -9}, {wide + 9, -9}, {wide + 9, high + 9}, {-9, high + 9}}}
	switch kind {
	case "none":
	case "blobs", "film":
		outlines = splats(1+rng.IntN(8), 8, 40)
	case "bands":
		for range 1 + rng.IntN(2) {
			x := rng.Float64() * wide
			outlines = append(outlines, band(x, x+uniform(rng, 10, 60)))
		}
	case "edge":
		outlines = append(outlines, band(-20, uniform(rng, 0.05, 0.5)*wide))
	case "seeds":
		outlines = seeds()
	case "mixed":
		x := rng.Float64() * wide
		outlines = append(append(splats(1+rng.IntN(4), 6, 25), band(x, x+uniform(rng, 8, 30))), seeds()...)
	case "most":
		outlines, holes = whole, splats(1+rng.IntN(6), 10, 30)
	case "all":
		outlines = whole
	default:
		panic("no such dirt: " + kind)
	}
	return outlines, holes
}
