package light

import "math"

// Fins and tubes are dark lines at an even pitch. A clean core has them too, so
// they are texture, not blockage: their pitch is measured, and dark lines
// narrower than that are filled.

// turned returns the plane with rows and columns exchanged.
func (p plane) turned() plane {
	t := newPlane(p.h, p.w)
	for y := range p.h {
		for x, v := range p.row(y) {
			t.v[x*t.w+y] = v
		}
	}
	return t
}

// averagedRows returns the mean over n pixels (odd) around each pixel, along
// rows; windows are cut at the edges.
func (p plane) averagedRows(n int) plane {
	out := newPlane(p.w, p.h)
	sums := make([]float64, p.w+1)
	for y := range p.h {
		for x, v := range p.row(y) {
			sums[x+1] = sums[x] + float64(v)
		}
		o := out.row(y)
		for x := range o {
			lo, hi := max(0, x-n/2), min(p.w, x+n/2+1)
			o[x] = float32((sums[hi] - sums[lo]) / float64(hi-lo))
		}
	}
	return out
}

// box returns the mean over a window of w x h pixels (odd) around each pixel.
func (p plane) box(w, h int) plane {
	return p.averagedRows(w).turned().averagedRows(h).turned()
}

// extremeRows returns the largest (sign 1) or least (sign -1) value over n
// pixels (odd) around each pixel, along rows: van Herk (1992), Gil & Werman
// (1993), three comparisons a pixel whatever n.
func (p plane) extremeRows(n int, sign float32) plane {
	if n <= 1 {
		return p
	}
	out := newPlane(p.w, p.h)
	half := n / 2
	m := (p.w + 2*half + n - 1) / n * n
	padded, left, right := make([]float32, m), make([]float32, m), make([]float32, m)
	for y := range p.h {
		row := p.row(y)
		for i := range padded {
			padded[i] = sign * row[min(max(i-half, 0), p.w-1)]
		}
		for i := range padded {
			if left[i] = padded[i]; i%n != 0 {
				left[i] = max(left[i-1], padded[i])
			}
			j := m - 1 - i
			if right[j] = padded[j]; j%n != n-1 {
				right[j] = max(right[j+1], padded[j])
			}
		}
		o := out.row(y)
		for x := range o {
			o[x] = sign * max(right[x], left[x+n-1])
		}
	}
	return out
}

// closed returns the greyscale closing along rows by n pixels (odd), then along
// columns by m: dark lines narrower than that take the level beside them, wider
// ones keep their outline (Serra 1982, chapter XII).
func (p plane) closed(n, m int) plane {
	p = p.extremeRows(n, 1).extremeRows(n, -1)
	return p.turned().extremeRows(m, 1).extremeRows(m, -1).turned()
}

// texture describes a row of dark lines: their distance and thickness in
// pixels; how strongly they repeat, 0 to about 2; and the skewness of the light
// across them, negative for thin dark lines on light.
type texture struct{ pitch, line, strength, skew float64 }

// least is the strength that noise and dirt alone do not reach.
const least = 0.15

// texture returns the dark lines across the rows; all 0 if nothing repeats.
//
// Rows are taken relative to their local mean and weighted by it, so that the
// lit parts count, however unevenly they are lit. The pitch is the first high
// peak of their autocorrelation; its strength is its height above the lowest
// value before, as a share of the variance. The autocorrelation of lines falls
// to its lowest within a line's thickness, so the thickness is the peak's width
// at half its height.
func (p plane) texture() texture {
	longest := max(4, min(60, p.w/12))
	mean := p.box(longest|1, 1)
	rel := newPlane(p.w, p.h)
	for i, m := range mean.v {
		if m > 0 {
			rel.v[i] = min(max(p.v[i]/m-1, -1), 1) * float32(math.Sqrt(float64(m)))
		}
	}
	var m2, m3 float64
	for _, v := range rel.v {
		m2 += float64(v) * float64(v)
		m3 += float64(v) * float64(v) * float64(v)
	}
	skew := m3 / math.Pow(m2, 1.5) * math.Sqrt(float64(len(rel.v)))
	const every = 3 // use every third row; neighbours look the same
	corr := make([]float64, 2*longest+3)
	for y := 0; y < p.h; y += every {
		r := rel.row(y)
		for d := range corr {
			var sum float32
			for x, v := range r[:p.w-d] {
				sum += v * r[x+d]
			}
			corr[d] += float64(sum) / float64(p.w-d)
		}
	}
	if corr[0] <= 0 {
		return texture{}
	}
	var peaks []texture
	best, low := 0.0, corr[0]
	for d := 1; d < longest; d++ {
		low = min(low, corr[d])
		if corr[d] <= corr[d-1] || corr[d] < corr[d+1] {
			continue
		}
		half, back := (corr[d]+low)/2, float64(d)
		for i := d - 1; i > 0; i-- {
			if corr[i] < half {
				back = float64(d-i) - (half-corr[i])/(corr[i+1]-corr[i])
				break
			}
		}
		shift := 0.5 * (corr[d-1] - corr[d+1]) / (corr[d-1] - 2*corr[d] + corr[d+1]) // parabola through three points
		again := max(corr[2*d-1], corr[2*d], corr[2*d+1])
		if again-low < 0.7*(corr[d]-low) || 2*back > 0.3*float64(d)+2.5 {
			continue // seen once it is no row; nearly as thick as the gaps it is no line, except for the blur
		}
		peaks = append(peaks, texture{float64(d) + shift, 2 * back, (corr[d] - low) / corr[0], skew})
		best = max(best, (corr[d]-low)/corr[0])
	}
	for _, t := range peaks {
		if t.strength >= max(0.6*best, least) { // the first of several like peaks, not its multiple
			return t
		}
	}
	return texture{}
}

// fillWidths returns how wide the dark lines to be filled are along rows and
// along columns, in pixels: half again their thickness, never a whole pitch.
// Fins are thinner than tubes, so what repeats less is filled no wider than
// what repeats more: a row of seeds can look like thick fins.
func fillWidths(across, along texture) (x, y float64) {
	width := func(t texture) float64 { return min(1.5*t.line+1, 0.7*t.pitch) }
	x, y = width(across), width(along)
	if across.strength > along.strength {
		return x, min(x, y)
	}
	return min(x, y), y
}
