// Package light reads the light test from a photograph: a lamp behind a
// radiator core, a camera before it, and how much of the core's face is
// blocked.
//
// Light comes through the gaps between tubes and fins. Tubes and fins
// themselves do not count as blockage, however much they take away, and neither
// does the lamp's fading towards the corners. What counts is where an open core
// would let light through, and this one does not.
//
// A photograph has limits: dirt deep inside that lets light past, or fins seen
// at an angle, mislead it as they mislead the eye. Keep daylight off the near
// face, let the lamp light the whole core, and let a little of its light show
// past the core's edge to compare with. Its accuracy on rendered photographs is
// in testdata/bench/light.txt; it has not been tried on real cores of known
// blockage.
package light

import (
	"fmt"
	"image"
	"math"
)

// Result is the blocked share of the core's face.
type Result struct {
	Blocked   float64  // percent of the face inside the corners, 0 to 100
	Low, High float64  // interval for Blocked, percent
	Level     float64  // the coverage of Low to High: 0.95
	Corners   [4]Point // as used: clockwise from the upper left
	Found     bool     // the corners were found in the photograph, not given
	Compared  bool     // measured against a photograph of the clean core
	Warnings  []string // what the user must know besides the number

	shutOff bool // no light comes through
	lines   int  // the directions, 0 to 2, in which fins or tubes were recognised by their pitch
}

// Reason is why a photograph cannot be judged.
type Reason string

// The reasons.
const (
	BadCorners  Reason = "corners"     // not convex, or outside the photograph
	NotFound    Reason = "not found"   // no corners were given, and no core was found
	TooSmall    Reason = "too small"   // the core has too few pixels
	TooDark     Reason = "too dark"    // hardly any light, inside or beside the core
	NoContrast  Reason = "no contrast" // light and dark do not differ: no lamp behind
	Overexposed Reason = "overexposed" // white all over
	Blurred     Reason = "blurred"     // neither fins nor tubes can be seen
)

// Refused is the error for a photograph that cannot be judged.
type Refused struct {
	Reason Reason
	Detail string // what was seen, and what would be right
}

func (r *Refused) Error() string {
	return fmt.Sprintf("the photograph cannot be judged (%s): %s", r.Reason, r.Detail)
}

func refused(r Reason, format string, args ...any) error {
	return &Refused{r, fmt.Sprintf(format, args...)}
}

const (
	working  = 2400 // longer side of the photograph while it is analysed
	face     = 900  // longer side of the straightened core
	smallest = 100  // pixels: shorter side of a core that can be judged
	slender  = 8    // times its shorter side: a longer one is not a core
)

// Measure returns how much of a core is blocked, from a photograph of a lamp
// shining through it. corners are the core's four corners in the photograph, in
// pixels and in any order, of the finned part alone, without tanks and frame;
// nil corners are searched for.
//
// The core is straightened by a homography (Heckbert 1989, section 2.2.3), its
// lamp flattened, fins and tubes filled by a morphological closing of their
// measured pitch, and open separated from blocked by Otsu's threshold (1979).
// The interval is how far the answer changes with the threshold, the filling,
// the lamp's shape and the corners' place, plus an allowance for what one
// photograph cannot tell: thick tubes that look like dirt, a dark side that
// guessed corners leave out. See MeasureAgainst.
//
// The error for a photograph that cannot be judged is *Refused, with its
// Reason.
func Measure(img image.Image, corners *[4]Point) (Result, error) {
	o, err := outlined(img, corners)
	if err != nil {
		return Result{}, err
	}
	res := o.result()
	if err := res.read(o.straightened(o.w, o.h), beside(o.p, o.at)); err != nil {
		return Result{}, err
	}
	res.widen()
	return res, nil
}

// outline is a photograph with the corners of the core in it.
type outline struct {
	p       plane    // the photograph, shrunk for the analysis
	corners [4]Point // in the photograph
	at      [4]Point // in p
	found   bool
	w, h    int // of the straightened core, pixels
}

func (o outline) result() Result { return Result{Level: 0.95, Corners: o.corners, Found: o.found} }

// straightened returns the core upright, w x h pixels.
func (o outline) straightened(w, h int) plane { return straightened(o.p, o.at, w, h) }

func outlined(img image.Image, corners *[4]Point) (outline, error) {
	p, k := luminance(img, working)
	o := outline{p: p, found: corners == nil}
	var err error
	if o.found {
		if o.corners, err = findCore(p); err != nil {
			return o, err
		}
		for i := range o.corners {
			o.corners[i].X, o.corners[i].Y = o.corners[i].X*k, o.corners[i].Y*k
		}
	} else if o.corners, err = judged(*corners, img.Bounds()); err != nil {
		return o, err
	}
	c := o.corners
	wide := (c[0].distance(c[1]) + c[3].distance(c[2])) / 2
	high := (c[0].distance(c[3]) + c[1].distance(c[2])) / 2
	if max(wide, high) > slender*min(wide, high) {
		return o, refused(BadCorners,
			"they are %.0f x %.0f pixels apart: no core is more than %d times as long as wide",
			wide, high, slender)
	}
	if min(wide, high)/k < smallest {
		return o, refused(TooSmall, "the core is %.0f x %.0f pixels of a photograph of %d x %d: at least %.0f on its "+
			"shorter side, go nearer", wide, high, img.Bounds().Dx(), img.Bounds().Dy(), smallest*k)
	}
	for i := range c {
		o.at[i] = Point{c[i].X / k, c[i].Y / k}
	}
	shrink := min(1/k, face/max(wide, high))
	o.w, o.h = int(math.Round(wide*shrink)), int(math.Round(high*shrink))
	return o, nil
}

// judged returns the corners in order, or why they are not usable.
func judged(c [4]Point, b image.Rectangle) ([4]Point, error) {
	w, h := float64(b.Dx()), float64(b.Dy())
	slack := 0.01 * max(w, h) // a finger's breadth past the edge is allowed
	for i, q := range c {
		if !(q.X >= -slack && q.X <= w+slack && q.Y >= -slack && q.Y <= h+slack) {
			return c,
				refused(BadCorners,
					"%g,%g lies outside the photograph of %g x %g pixels: all four corners of the core "+
						"must be in it", q.X, q.Y, w, h)
		}
		c[i] = Point{min(max(q.X, 0), w), min(max(q.Y, 0), h)}
	}
	s, ok := sorted(c)
	if !ok {
		return c, refused(BadCorners, "%g,%g %g,%g %g,%g %g,%g are not the corners of a four-sided figure that bulges "+
			"outward at each", c[0].X, c[0].Y, c[1].X, c[1].Y, c[2].X, c[2].Y, c[3].X, c[3].Y)
	}
	return s, nil
}

// within reports whether a point lies inside corners that are in order.
func within(c [4]Point, q Point) bool {
	for i, a := range c {
		if cross(c[(i+1)%4].minus(a), q.minus(a)) < 0 {
			return false
		}
	}
	return true
}

// beside returns the brightness around the core: the level that a tenth of the
// photograph outside the corners exceeds.
func beside(p plane, c [4]Point) float64 {
	var v []float32
	for y := 0; y < p.h; y += 4 {
		for x := 0; x < p.w; x += 4 {
			if !within(c, Point{float64(x), float64(y)}) {
				v = append(v, p.at(x, y))
			}
		}
	}
	if len(v) == 0 {
		return 0
	}
	return quantile(v, 0.9)
}
