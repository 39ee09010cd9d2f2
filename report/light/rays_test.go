package light

import (
	"math"
	"math/rand/v2"
)

// renderRays follows light backwards from the eye: through the lens, into one
// cell between two tubes and two fins, off its walls as often as the cell's
// depth asks, out at the far face, and on to the lamp. Dirt lies on the near
// face and on the far face; what counts is the face covered by either.
func renderRays(rng *rand.Rand, mud string) scene {
	const w, h = 660, 500
	s := scene{way: "rays", mud: mud}
	wide, high := uniform(rng, 220, 380), uniform(rng, 170, 280)
	deep := uniform(rng, 12, 26)
	tube, thick := uniform(rng, 7, 10), uniform(rng, 1.5, 2.2)
	fin, sheet := uniform(rng, 2.2, 3.6), uniform(rng, 0.1, 0.25)
	shine := uniform(rng, 0.65, 0.9)
	near, far := discMud(rng, mud, wide, high)
	through := 0.0
	if mud == "film" {
		through = uniform(rng, 0.08, 0.3)
	}

	// A camera some way off, not quite square to the core; units mm, the core's
	// near face at z = 0, the lamp at z > 0.
	away := uniform(rng, 2.6, 4) * wide
	eye := [3]float64{wide/2 + uniform(rng, -0.1, 0.1)*away, high/2 + uniform(rng, -0.1, 0.1)*away, -away}
	look := unit([3]float64{wide/2 - eye[0], high/2 - eye[1], -eye[2]})
	roll := uniform(rng, -0.06, 0.06)
	right := unit([3]float64{math.Cos(roll), math.Sin(roll),
		-(look[0]*math.Cos(roll) + look[1]*math.Sin(roll)) / look[2]})
	down := [3]float64{look[1]*right[2] - look[2]*right[1], look[2]*right[0] - look[0]*right[2],
		look[0]*right[1] - look[1]*right[0]}
	focal := 0.8 * min(w/wide, h/high) * away
	for i, q := range [4]Point{{0, 0}, {wide, 0}, {wide, high}, {0, high}} {
		d := [3]float64{q.X - eye[0], q.Y - eye[1], -eye[2]}
		z := dot(d, look)
		s.corners[i] = Point{w/2 + focal*dot(d, right)/z, h/2 + focal*dot(d, down)/z}
	}

	// A lamp with a cover that spreads its light, before a dim wall.
	gap := uniform(rng, 150, 500)
	lamp := [2]float64{uniform(rng, 0.3, 0.7) * wide, uniform(rng, 0.3, 0.7) * high}
	size := uniform(rng, 0.35, 0.8) * wide
	wall := uniform(rng, 0.1, 0.35)
	glow := func(x, y float64) float64 {
		r := math.Hypot(x-lamp[0], y-lamp[1]) / size
		return wall + (1-wall)/(1+math.Pow(r, 4))
	}
	stray := uniform(rng, 0.002, 0.012)
	frame := uniform(rng, 15, 30)
	open := rng.IntN(2) == 0 || mud == "all" // light comes past the frame
	lens := uniform(rng, 0.3, 1.2)           // radius of the blur disc in pixels

	trace := func(px, py float64) float64 {
		var d [3]float64
		for i := range d {
			d[i] = look[i]*focal + right[i]*(px-w/2) + down[i]*(py-h/2)
		}
		k := -eye[2] / d[2]
		x, y := eye[0]+k*d[0], eye[1]+k*d[1]
		dx, dy := d[0]/d[2], d[1]/d[2]
		if x < 0 || x > wide || y < 0 || y > high {
			if x > -frame && x < wide+frame && y > -frame && y < high+frame || !open {
				return stray
			}
			return stray + glow(x+dx*gap, y+dy*gap)
		}
		if math.Mod(y, tube) < thick || math.Mod(x, fin) < sheet {
			return 1.5 * stray // the metal's own edge
		}
		loss := 1.0
		if near(x, y) {
			loss *= through
		}
		ex, nx := folded(x, dx*deep, fin, sheet)
		ey, ny := folded(y, dy*deep, tube, thick)
		if far(ex, ey) {
			loss *= through
		}
		// Walls are not mirrors: every meeting scatters the way on a little.
		ox := dx*sign(nx) + 0.1*float64(nx)*rng.NormFloat64()
		oy := dy*sign(ny) + 0.1*float64(ny)*rng.NormFloat64()
		return stray + loss*math.Pow(shine, float64(nx+ny))*glow(ex+ox*gap, ey+oy*gap)
	}

	exposure := uniform(rng, 0.6, 1.3)
	electrons := uniform(rng, 300, 3000) // a full pixel's
	out := canvas(w, h)
	const samples = 6
	for y := range h {
		for x := range w {
			sum := 0.0
			for range samples {
				r, a := lens*math.Sqrt(rng.Float64()), 2*math.Pi*rng.Float64()
				sum += trace(float64(x)+rng.Float64()+r*math.Cos(a), float64(y)+rng.Float64()+r*math.Sin(a))
			}
			v := exposure * sum / samples
			for c, tint := range [3]float64{0.95, 1, 0.8} {
				n := v * tint * electrons
				out.v[y*w+x][c] = (n + math.Sqrt(n+4)*rng.NormFloat64()) / electrons
			}
		}
	}
	// A plain power, as older cameras have it, with a toe.
	s.img = out.jpeg(65+rng.IntN(30), func(v float64) float64 { return math.Pow(max(v, 0), 1/2.2) })
	s.blocked = share(func(x, y float64) bool { return near(x, y) || far(x, y) }, wide, high)
	return s
}

// folded follows one coordinate through a cell: where it comes out, and how
// often it met a wall. Unfolding the mirrors makes the way straight.
func folded(at, run, pitch, wall float64) (out float64, met int) {
	cell := math.Floor(at / pitch)
	lo, room := cell*pitch+wall, pitch-wall
	u := (at - lo + run) / room
	n := math.Floor(u)
	f := u - n
	if int(n)%2 != 0 {
		f = 1 - f
	}
	return lo + f*room, int(math.Abs(n))
}

func sign(n int) float64 { return 1 - 2*float64(n%2) }

func dot(a, b [3]float64) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

func unit(a [3]float64) [3]float64 {
	n := math.Sqrt(dot(a, a))
	return [3]float64{a[0] / n, a[1] / n, a[2] / n}
}

// discMud lays overlapping discs, strips and seeds on two faces.
func discMud(rng *rand.Rand, kind string, wide, high float64) (near, far func(x, y float64) bool) {
	type disc struct{ x, y, rx, ry float64 }
	var front, back []disc
	on := func(d *[]disc, x, y, rx, ry float64) { *d = append(*d, disc{x, y, rx, ry}) }
	side := func() *[]disc {
		if rng.IntN(3) == 0 {
			return &back
		}
		return &front
	}
	blobs := func(n int, lo, hi float64) {
		for range n {
			x, y, r := rng.Float64()*wide, rng.Float64()*high, uniform(rng, lo, hi)
			d := side()
			for range 5 { // one splash
				on(d, x+r*uniform(rng, -1, 1), y+r*uniform(rng, -1, 1), r*uniform(rng, 0.4, 1), r*uniform(rng, 0.4, 1))
			}
		}
	}
	strip := func(y, width float64) {
		d := side()
		for x := -10.0; x < wide+10; x += 5 {
			on(d, x, y+2*rng.NormFloat64(), 10, width/2)
		}
	}
	seeds := func() {
		for range 2 + rng.IntN(6) {
			y := rng.Float64() * high
			for x := rng.Float64() * 15; x < wide; x += uniform(rng, 4, 25) {
				on(&front, x, y+uniform(rng, -4, 4), uniform(rng, 1.2, 3.5), uniform(rng, 2, 4.5))
			}
		}
	}
	switch kind {
	case "none":
	case "blobs", "film":
		blobs(1+rng.IntN(12), 6, 26)
	case "bands":
		for range 1 + rng.IntN(3) {
			strip(rng.Float64()*high, uniform(rng, 8, 45))
		}
	case "edge":
		strip(high, uniform(rng, 0.2, 1)*high)
		strip(0, uniform(rng, 0, 0.3)*high)
	case "seeds":
		seeds()
	case "mixed":
		blobs(1+rng.IntN(8), 5, 20)
		strip(rng.Float64()*high, uniform(rng, 6, 30))
		seeds()
	case "most":
		on(&front, wide/2, high/2, wide, high) // all but the openings below
	case "all":
		on(&front, wide/2, high/2, wide, high)
	default:
		panic("no such dirt: " + kind)
	}
	const fine = 4 // painted once, to a quarter of a millimetre
	in := func(all []disc) func(x, y float64) bool {
		w, h := int(wide*fine)+1, int(high*fine)+1
		grid := make([]bool, w*h)
		for _, d := range all {
			for j := max(0, int((d.y-d.ry)*fine)); j < min(h, int((d.y+d.ry)*fine)+2); j++ {
				for i := max(0, int((d.x-d.rx)*fine)); i < min(w, int((d.x+d.rx)*fine)+2); i++ {
					a, b := ((float64(i)+0.5)/fine-d.x)/d.rx, ((float64(j)+0.5)/fine-d.y)/d.ry
					grid[j*w+i] = grid[j*w+i] || a*a+b*b < 1
				}
			}
		}
		return func(x, y float64) bool {
			return grid[min(max(int(y*fine), 0), h-1)*w+min(max(int(x*fine), 0), w-1)]
		}
	}
	near, far = in(front), in(back)
	if kind == "most" {
		var holes []disc
		for range 2 + rng.IntN(8) {
			r := uniform(rng, 8, 25)
			on(&holes, rng.Float64()*wide, rng.Float64()*high, r, r*uniform(rng, 0.6, 1.4))
		}
		hole := in(holes)
		near = func(x, y float64) bool { return !hole(x, y) }
	}
	return near, far
}
