package light

import (
	"image"
	"image/color"
	"image/draw"
	"math"
	"sort"
)

// plane is a picture with one number for each pixel: light, 0 to 1, row by row.
type plane struct {
	w, h int
	v    []float32
}

func newPlane(w, h int) plane { return plane{w, h, make([]float32, w*h)} }

func (p plane) at(x, y int) float32 { return p.v[y*p.w+x] }

func (p plane) row(y int) []float32 { return p.v[y*p.w : (y+1)*p.w] }

// linear converts an sRGB byte to light, IEC 61966-2-1 (1999).
var linear = func() (t [256]float32) {
	for i := range t {
		c := float64(i) / 255
		if c <= 0.04045 {
			t[i] = float32(c / 12.92)
		} else {
			t[i] = float32(math.Pow((c+0.055)/1.055, 2.4))
		}
	}
	return t
}()

// encoded returns the nearest sRGB byte for light, 0 to 1.
func encoded(v float32) uint8 {
	return uint8(sort.Search(255, func(i int) bool { return v <= (linear[i]+linear[i+1])/2 }))
}

// averaged calls each with the mean light (red, green, blue) of the source
// pixels under each pixel of a w x h picture, not larger than the source;
// pixels cut by an edge count in part. Rows are converted a few at a time, so
// that a large photograph needs no second copy. Transparent places are white.
func averaged(img image.Image, w, h int, each func(x, y int, rgb [3]float32)) {
	b := img.Bounds()
	band := image.NewRGBA(image.Rect(0, 0, b.Dx(), 1))
	sum := make([][3]float32, w)
	sx, sy := float64(b.Dx())/float64(w), float64(b.Dy())/float64(h)
	cols := spans(b.Dx(), w)
	y, left := 0, sy // the row being summed, and how many source rows it still takes
	for row := range b.Dy() {
		draw.Draw(band, band.Rect, image.NewUniform(color.White), image.Point{}, draw.Src)
		draw.Draw(band, band.Rect, img, image.Pt(b.Min.X, b.Min.Y+row), draw.Over)
		for part := 1.0; part > 1e-9 && y < h; {
			take := min(part, left)
			addRow(sum, band.Pix, cols, float32(take))
			part -= take
			left -= take
			if left > 1e-9 {
				continue
			}
			for x := range sum {
				for c := range 3 {
					sum[x][c] /= float32(sx * sy)
				}
				each(x, y, sum[x])
				sum[x] = [3]float32{}
			}
			y, left = y+1, sy
		}
	}
}

// span gives the source columns whose mean a column is: from and to inclusive,
// the first and the last in part.
type span struct {
	from, to    int // inclusive
	first, last float32
}

func spans(n, w int) []span {
	s := make([]span, w)
	for i := range s {
		a, b := float64(i)*float64(n)/float64(w), float64(i+1)*float64(n)/float64(w)
		from, to := int(a+1e-9), min(int(math.Ceil(b-1e-9)), n)-1
		s[i] = span{from, to, float32(1 - (a - float64(from))), float32(b - float64(to))}
		if from == to {
			s[i].first = float32(b - a)
		}
	}
	return s
}

func addRow(sum [][3]float32, pix []uint8, cols []span, weight float32) {
	for x, s := range cols {
		for i := s.from; i <= s.to; i++ {
			k := weight
			switch i {
			case s.from:
				k *= s.first
			case s.to:
				k *= s.last
			}
			p := pix[4*i : 4*i+3]
			sum[x][0] += k * linear[p[0]]
			sum[x][1] += k * linear[p[1]]
			sum[x][2] += k * linear[p[2]]
		}
	}
}

// luminance returns the picture's light (Rec. ITU-R BT.709, 3.2), averaged down
// to at most side pixels on its longer side, and how many source pixels, along
// a side, went into one.
func luminance(img image.Image, side int) (plane, float64) {
	b := img.Bounds()
	k := max(1, float64(max(b.Dx(), b.Dy()))/float64(side))
	p := newPlane(max(1, int(math.Round(float64(b.Dx())/k))), max(1, int(math.Round(float64(b.Dy())/k))))
	averaged(img, p.w, p.h, func(x, y int, rgb [3]float32) {
		p.v[y*p.w+x] = 0.2126*rgb[0] + 0.7152*rgb[1] + 0.0722*rgb[2]
	})
	return p, k
}

// Shrink returns the picture at most maxWidth pixels wide in the same
// proportions, each pixel the mean light of those it covers; a picture that is
// no wider is returned as it is. It is for showing; Measure shrinks by itself.
func Shrink(img image.Image, maxWidth int) image.Image {
	b := img.Bounds()
	if b.Dx() <= maxWidth || maxWidth < 1 {
		return img
	}
	h := max(1, int(math.Round(float64(b.Dy())*float64(maxWidth)/float64(b.Dx()))))
	out := image.NewRGBA(image.Rect(0, 0, maxWidth, h))
	averaged(img, maxWidth, h, func(x, y int, rgb [3]float32) {
		out.SetRGBA(x, y, color.RGBA{encoded(rgb[0]), encoded(rgb[1]), encoded(rgb[2]), 255})
	})
	return out
}
