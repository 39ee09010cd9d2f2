package light

import (
	"math"
	"math/rand/v2"
)

// madeCore is a core as it was made, in millimetres: what two photographs of it
// have in common.
type madeCore struct {
	wide, high  float64
	tube, thick float64 // from tube to tube, and how thick one is
	fin, sheet  float64 // from fin to fin, and how thick one is
	upright     bool    // tubes upright, fins across
	from        float64 // of the first tube
}

// anyCore is a core of any kind: from a fine radiator to a coarse oil cooler
// with tubes as thick as the gaps are wide.
func anyCore(rng *rand.Rand) madeCore {
	c := madeCore{wide: uniform(rng, 200, 480), tube: uniform(rng, 6, 28), upright: rng.IntN(3) == 0}
	c.high = c.wide * uniform(rng, 0.5, 0.95)
	c.thick = c.tube * uniform(rng, 0.12, 0.45)
	c.fin = uniform(rng, 1.5, 7)
	c.sheet = min(c.fin*uniform(rng, 0.05, 0.3), 1.2)
	c.from = rng.Float64() * c.tube
	return c
}

// photographed is one photograph of a core with that dirt: lamp, its fading,
// angle, distance, blur, noise and tone are of this photograph alone.
func (c madeCore) photographed(rng *rand.Rand, mud string, cover func(x, y float64) bool, pass float64) scene {
	const w, h = 720, 540
	s := scene{way: "varied", mud: mud}
	half := uniform(rng, 0.26, 0.43) * w
	tall := min(half*c.high/c.wide, 0.42*h)
	half = tall * c.wide / c.high
	turn, keyX, keyY := uniform(rng, -0.1, 0.1), uniform(rng, -0.2, 0.2), uniform(rng, -0.2, 0.2)
	fit := 1.0
	for i, q := range [4]Point{{-1, -1}, {1, -1}, {1, 1}, {-1, 1}} {
		near := 0.9 / (1 + keyX*q.X + keyY*q.Y)
		x, y := q.X*half*near, q.Y*tall*near
		s.corners[i] = Point{x*math.Cos(turn) - y*math.Sin(turn), x*math.Sin(turn) + y*math.Cos(turn)}
		fit = min(fit, 0.46*w/math.Abs(s.corners[i].X), 0.46*h/math.Abs(s.corners[i].Y))
	}
	for i, q := range s.corners {
		s.corners[i] = Point{w/2 + fit*q.X, h/2 + fit*q.Y}
	}
	inverse := heckbert(s.corners)

	lx, ly, spread := uniform(rng, 0.2, 0.8)*c.wide, uniform(rng, 0.2, 0.8)*c.high, uniform(rng, 0.3, 1.5)*c.wide
	base := uniform(rng, 0.05, 0.5)
	stray, frame, leak := uniform(rng, 0, 0.02), uniform(rng, 10, 35), 0.0
	if rng.IntN(2) == 0 {
		leak = uniform(rng, 0.3, 1)
	}
	exposure, dim := uniform(rng, 0.5, 1.25), uniform(rng, 0, 0.4)
	p := newPlane(w, h)
	for y := range h {
		for x := range w {
			sum := 0.0
			for i := range 4 {
				u, v := inverse(float64(x)+0.25+0.5*float64(i%2), float64(y)+0.25+0.5*float64(i/2))
				u, v = u*c.wide, v*c.high
				lamp := base + (1-base)*math.Exp(-((u-lx)*(u-lx)+(v-ly)*(v-ly))/(2*spread*spread))
				switch {
				case u >= 0 && u <= c.wide && v >= 0 && v <= c.high:
					sum += c.through(u, v, dim)*passed(cover(u, v), pass)*lamp + stray
				case u > -frame && u < c.wide+frame && v > -frame && v < c.high+frame:
					sum += stray / 2
				default:
					sum += stray/2 + leak*lamp
				}
			}
			p.v[y*w+x] = float32(exposure * sum / 4)
		}
	}
	p = gauss(p, uniform(rng, 0.4, 2))
	noise := uniform(rng, 0.004, 0.025)
	out := canvas(w, h)
	for i, v := range p.v {
		for k := range 3 {
			out.v[i][k] = srgb(max(0, float64(v))) + noise*rng.NormFloat64()
		}
	}
	s.img = out.jpeg(60+rng.IntN(33), func(v float64) float64 { return v })
	s.blocked = share(cover, c.wide, c.high)
	return s
}

func passed(covered bool, pass float64) float64 {
	if covered {
		return pass
	}
	return 1
}

// through is what a clean core lets through at a place, 0 to 1; dim is how much
// the fins shade their own gap.
func (c madeCore) through(x, y, dim float64) float64 {
	a, b := x, y
	if c.upright {
		a, b = y, x
	}
	if math.Mod(b+c.from, c.tube) < c.thick {
		return 0
	}
	at := math.Mod(a, c.fin) / c.fin
	if at < c.sheet/c.fin {
		return 0.04
	}
	return 1 - dim*(1-math.Sin(math.Pi*at))
}
