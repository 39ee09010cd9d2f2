package light

import (
	"math"
	"math/rand/v2"
	"slices"
)

// renderTexture makes the core as a flat periodic pattern, in millimetres, and
// warps it into the picture by the closed form for a square (P. Heckbert,
// Fundamentals of texture mapping and image warping, 1989, section 2.2.3):
// another road than the linear equations that Measure solves.
func renderTexture(rng *rand.Rand, mud string) scene {
	const w, h = 720, 540
	s := scene{way: "texture", mud: mud}
	wide, high := uniform(rng, 240, 420), uniform(rng, 180, 300)
	s.corners = facing(rng, w, h, wide/high)
	inverse := heckbert(s.corners)

	tube, thick := uniform(rng, 7.5, 11), uniform(rng, 1.6, 2.2)
	fin, edge := uniform(rng, 1.8, 3.2), uniform(rng, 0.15, 0.5)
	upright := rng.IntN(4) == 0 // tubes upright, fins across
	cover, pass := noiseMud(rng, mud, wide, high)

	// What the eye sees of the pattern at a place of the core, 0 to 1.
	core := func(x, y float64) float64 {
		a, b := x, y
		if upright {
			a, b = y, x
		}
		if math.Mod(b, tube) < thick {
			return 0
		}
		wave := math.Abs(math.Mod(a, fin)/fin - 0.5)
		if wave < edge/fin/2 {
			return 0.05
		}
		return 0.75 + 0.25*math.Sin(2*math.Pi*wave) // fins shade their own gap
	}

	// One hot spot, and what the wall behind throws back.
	lx, ly, spread := uniform(rng, 0.25, 0.75)*wide, uniform(rng, 0.25, 0.75)*high, uniform(rng, 0.35, 1.2)*wide
	base := uniform(rng, 0.05, 0.4)
	lamp := func(x, y float64) float64 {
		return base + (1-base)*math.Exp(-((x-lx)*(x-lx)+(y-ly)*(y-ly))/(2*spread*spread))
	}
	stray := uniform(rng, 0, 0.02) // daylight on the core's near face
	frame := uniform(rng, 12, 35)
	leak := 0.0 // lamplight beside the frame
	if rng.IntN(2) == 0 || mud == "all" {
		leak = uniform(rng, 0.3, 1)
	}
	exposure := uniform(rng, 0.5, 1.25)

	p := newPlane(w, h)
	for y := range h {
		for x := range w {
			sum := 0.0
			for i := range 4 {
				u, v := inverse(float64(x)+0.25+0.5*float64(i%2), float64(y)+0.25+0.5*float64(i/2))
				u, v = u*wide, v*high
				switch {
				case u >= 0 && u <= wide && v >= 0 && v <= high:
					t := core(u, v)
					if cover(u, v) {
						t *= pass
					}
					sum += t*lamp(u, v) + stray
				case u > -frame && u < wide+frame && v > -frame && v < high+frame:
					sum += stray / 2
				default:
					sum += stray/2 + leak*lamp(u, v)
				}
			}
			p.v[y*w+x] = float32(exposure * sum / 4)
		}
	}
	p = gauss(p, uniform(rng, 0.4, 1.3))

	tint := [3]float64{1, uniform(rng, 0.8, 1), uniform(rng, 0.5, 1)}
	noise := uniform(rng, 0.004, 0.025)
	out := canvas(w, h)
	for i, v := range p.v {
		for c := range 3 {
			out.v[i][c] = srgb(max(0, float64(v)*tint[c])) + noise*rng.NormFloat64()
		}
	}
	s.img = out.jpeg(60+rng.IntN(33), func(v float64) float64 { return v })
	s.blocked = share(cover, wide, high)
	return s
}

// facing puts a core of that proportion into the picture as a hand-held camera
// sees it: turned a little, one side nearer than the other.
func facing(rng *rand.Rand, w, h, proportion float64) [4]Point {
	half := uniform(rng, 0.33, 0.42) * w
	tall := min(half/proportion, 0.42*h)
	half = tall * proportion
	turn := uniform(rng, -0.08, 0.08)
	keyX, keyY := uniform(rng, -0.13, 0.13), uniform(rng, -0.13, 0.13)
	cx, cy := w/2+uniform(rng, -0.02, 0.02)*w, h/2+uniform(rng, -0.02, 0.02)*h
	var c [4]Point
	for i, q := range [4]Point{{-1, -1}, {1, -1}, {1, 1}, {-1, 1}} {
		near := 1 / (1 + keyX*q.X + keyY*q.Y)
		x, y := q.X*half*near*0.9, q.Y*tall*near*0.9
		c[i] = Point{cx + x*math.Cos(turn) - y*math.Sin(turn), cy + x*math.Sin(turn) + y*math.Cos(turn)}
	}
	fit := 1.0 // all of it in the picture
	for _, q := range c {
		fit = min(fit, 0.47*w/math.Abs(q.X-w/2), 0.47*h/math.Abs(q.Y-h/2))
	}
	for i, q := range c {
		c[i] = Point{w/2 + fit*(q.X-w/2), h/2 + fit*(q.Y-h/2)}
	}
	return c
}

// heckbert is the map from the picture to the unit square.
func heckbert(c [4]Point) func(x, y float64) (u, v float64) {
	x0, y0, x1, y1, x2, y2, x3, y3 := c[0].X, c[0].Y, c[1].X, c[1].Y, c[2].X, c[2].Y, c[3].X, c[3].Y
	sx, sy := x0-x1+x2-x3, y0-y1+y2-y3
	dx1, dx2, dy1, dy2 := x1-x2, x3-x2, y1-y2, y3-y2
	det := dx1*dy2 - dx2*dy1
	g, k := (sx*dy2-dx2*sy)/det, (dx1*sy-sx*dy1)/det
	a, b, cc := x1-x0+g*x1, x3-x0+k*x3, x0
	d, e, f := y1-y0+g*y1, y3-y0+k*y3, y0
	// The adjugate inverts.
	A, B, C := e-f*k, cc*k-b, b*f-cc*e
	D, E, F := f*g-d, a-cc*g, cc*d-a*f
	G, H, I := d*k-e*g, b*g-a*k, a*e-b*d
	return func(x, y float64) (float64, float64) {
		w := G*x + H*y + I
		return (A*x + B*y + C) / w, (D*x + E*y + F) / w
	}
}

// noiseMud says where dirt lies (thresholded value noise, stripes and specks)
// and how much light it still passes.
func noiseMud(rng *rand.Rand, kind string, wide, high float64) (cover func(x, y float64) bool, pass float64) {
	pass = uniform(rng, 0, 0.06)
	coarse, fine := valueNoise(rng, uniform(rng, 35, 80)), valueNoise(rng, uniform(rng, 8, 20))
	rough := func(x, y float64) float64 { return 0.75*coarse(x, y) + 0.25*fine(x, y) }
	// level is the value that so many percent of the face lie below.
	below := func(percent float64) func(x, y float64) bool {
		var all []float64
		for range 4000 {
			all = append(all, rough(rng.Float64()*wide, rng.Float64()*high))
		}
		level := quantileOf(all, percent/100)
		return func(x, y float64) bool { return rough(x, y) < level }
	}
	or := func(f, g func(x, y float64) bool) func(x, y float64) bool {
		return func(x, y float64) bool { return f(x, y) || g(x, y) }
	}
	bands := func() func(x, y float64) bool {
		n, at, width := 1+rng.IntN(3), [3]float64{}, [3]float64{}
		for i := range at {
			at[i], width[i] = rng.Float64()*high, uniform(rng, 8, 45)
		}
		return func(x, y float64) bool {
			for i := range n {
				if math.Abs(y+10*coarse(x, y)-at[i]) < width[i]/2 {
					return true
				}
			}
			return false
		}
	}
	seeds := func() func(x, y float64) bool { // rows of square specks
		type speck struct{ x, y, r float64 }
		type line struct {
			y   float64
			all []speck
		}
		var rows []line
		for range 2 + rng.IntN(8) {
			row := line{y: rng.Float64() * high}
			for x := rng.Float64() * 20; x < wide; x += uniform(rng, 5, 30) {
				row.all = append(row.all, speck{x, row.y + uniform(rng, -3, 3), uniform(rng, 1.5, 4)})
			}
			rows = append(rows, row)
		}
		return func(x, y float64) bool {
			for _, row := range rows {
				if math.Abs(y-row.y) > 7 {
					continue
				}
				for _, p := range row.all {
					if math.Abs(x-p.x) < p.r && math.Abs(y-p.y) < p.r {
						return true
					}
				}
			}
			return false
		}
	}
	never := func(x, y float64) bool { return false }
	switch kind {
	case "none":
		return never, pass
	case "blobs":
		return below(uniform(rng, 2, 60)), pass
	case "bands":
		return bands(), pass
	case "edge":
		depth := uniform(rng, 0.1, 0.6) * high
		return func(x, y float64) bool { return y > high-depth+25*(coarse(x, y)-0.5) }, pass
	case "seeds":
		return seeds(), pass
	case "film":
		return below(uniform(rng, 5, 50)), uniform(rng, 0.1, 0.3)
	case "mixed":
		return or(or(below(uniform(rng, 2, 30)), bands()), seeds()), pass
	case "most":
		return below(uniform(rng, 75, 96)), pass
	case "all":
		return func(x, y float64) bool { return true }, pass / 2
	}
	panic("no such dirt: " + kind)
}

// valueNoise is smooth noise with a random value at every size millimetres.
func valueNoise(rng *rand.Rand, size float64) func(x, y float64) float64 {
	const n = 64
	var grid [n * n]float64
	for i := range grid {
		grid[i] = rng.Float64()
	}
	ease := func(t float64) float64 { return t * t * (3 - 2*t) }
	return func(x, y float64) float64 {
		x, y = x/size+16, y/size+16
		i, j := int(x), int(y)
		fx, fy := ease(x-float64(i)), ease(y-float64(j))
		at := func(i, j int) float64 { return grid[(j&(n-1))*n+i&(n-1)] }
		return (at(i, j)*(1-fx)+at(i+1, j)*fx)*(1-fy) + (at(i, j+1)*(1-fx)+at(i+1, j+1)*fx)*fy
	}
}

// share is the percentage of the face where cover holds, counted on a grid.
func share(cover func(x, y float64) bool, wide, high float64) float64 {
	n, hit := 0, 0
	for y := 0.5; y < high; y++ {
		for x := 0.5; x < wide; x++ {
			n++
			if cover(x, y) {
				hit++
			}
		}
	}
	return 100 * float64(hit) / float64(n)
}

func quantileOf(v []float64, q float64) float64 {
	s := append([]float64(nil), v...)
	slices.Sort(s)
	return s[min(int(q*float64(len(s))), len(s)-1)]
}

// gauss blurs with a true Gaussian kernel, row by row and column by column.
func gauss(p plane, sigma float64) plane {
	n := int(math.Ceil(3 * sigma))
	k := make([]float32, 2*n+1)
	var sum float32
	for i := range k {
		k[i] = float32(math.Exp(-float64((i-n)*(i-n)) / (2 * sigma * sigma)))
		sum += k[i]
	}
	pass := func(p plane, dx, dy int) plane {
		out := newPlane(p.w, p.h)
		for y := range p.h {
			for x := range p.w {
				var v float32
				for i, kk := range k {
					v += kk * p.at(min(max(x+(i-n)*dx, 0), p.w-1), min(max(y+(i-n)*dy, 0), p.h-1))
				}
				out.v[y*p.w+x] = v / sum
			}
		}
		return out
	}
	return pass(pass(p, 1, 0), 0, 1)
}
