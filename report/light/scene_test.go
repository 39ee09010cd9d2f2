package light

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"math/rand/v2"
)

// scene is a rendered photograph of a lamp behind a core, and what is true of it.
type scene struct {
	way     string // which renderer made it
	mud     string // what kind of dirt was laid on
	img     image.Image
	corners [4]Point // of the core, exact
	blocked float64  // percent of the core's face that is covered
}

// The three renderers share nothing but this file: what a photograph is, and
// the JPEG at the end. Each has its own geometry, fins, dirt, lamp, lens, noise
// and tone curve, so that a measure that suits one by accident fails another:
//
//	texture  a periodic pattern warped by Heckbert's closed form; dirt from value noise
//	rays     light followed from the eye through cells with depth and shiny walls; dirt on both faces
//	drawing  fins, tubes and dirt as polygons, filled; a lens that bends lines, glare, shake
var renderers = []struct {
	name   string
	render func(rng *rand.Rand, mud string) scene
}{
	{"texture", renderTexture},
	{"rays", renderRays},
	{"drawing", renderDrawing},
}

var muds = []string{"none", "blobs", "bands", "edge", "seeds", "film", "mixed", "most", "all"}

func uniform(rng *rand.Rand, lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }

// clicked are the corners as a hand on a screen gives them: in any order, off by
// a few thousandths of the core's width.
func (s scene) clicked(rng *rand.Rand) *[4]Point {
	c := s.corners
	off := 0.004 * c[0].distance(c[1])
	for i := range c {
		c[i].X += off * rng.NormFloat64()
		c[i].Y += off * rng.NormFloat64()
	}
	rng.Shuffle(4, func(i, j int) { c[i], c[j] = c[j], c[i] })
	return &c
}

// photograph is a canvas of light, red green blue by the pixel.
type photograph struct {
	w, h int
	v    [][3]float64
}

func canvas(w, h int) photograph { return photograph{w, h, make([][3]float64, w*h)} }

// jpeg encodes the photograph with a tone curve (light to 0..1), and reads it back.
func (p photograph) jpeg(quality int, tone func(float64) float64) image.Image {
	m := image.NewRGBA(image.Rect(0, 0, p.w, p.h))
	for i, rgb := range p.v {
		var c [3]uint8
		for k, v := range rgb {
			c[k] = uint8(math.Round(255 * min(max(tone(v), 0), 1)))
		}
		m.SetRGBA(i%p.w, i/p.w, color.RGBA{c[0], c[1], c[2], 255})
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: quality}); err != nil {
		panic(err)
	}
	out, err := jpeg.Decode(&b)
	if err != nil {
		panic(err)
	}
	return out
}

func srgb(v float64) float64 {
	if v <= 0.0031308 {
		return 12.92 * v
	}
	return 1.055*math.Pow(v, 1/2.4) - 0.055
}

func seeded(n int) *rand.Rand { return rand.New(rand.NewPCG(uint64(n), 20261125)) }
