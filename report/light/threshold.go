package light

import (
	"math"
	"slices"
)

// otsu returns the bin that separates a histogram best: the last bin of the
// lower class, between from and to, with the largest variance between the
// classes (Otsu 1979, equations 12 to 18); -1 if all is in one class.
func otsu(counts []int, from, to int) int {
	var total, sum float64
	for i, c := range counts {
		total += float64(c)
		sum += float64(i) * float64(c)
	}
	best, at := 0.0, -1
	var w, m float64 // of the lower class: omega and mu, times the total
	for i, c := range counts {
		w += float64(c)
		m += float64(i) * float64(c)
		if i < from || i > to || w == 0 || w == total {
			continue
		}
		d := sum*w/total - m
		if between := d * d / (w * (total - w)); between > best {
			best, at = between, i
		}
	}
	return at
}

// Limits of the threshold, relative to an open core: after flattening an open
// core passes 1; less than lowest is always blocked and more than highest
// always open. So a clean core is not divided by Otsu's rule, which always
// finds two classes (Kittler & Illingworth 1985).
const (
	lowest, highest = 0.35, 0.55
	bins            = 200
	top             = 2.0 // higher values count as this
)

// parted returns the threshold for light relative to an open core.
func parted(p plane) float64 {
	var counts [bins]int
	for _, v := range p.v {
		counts[min(max(int(v*bins/top), 0), bins-1)]++
	}
	at := otsu(counts[:], lowest*bins/top, highest*bins/top-1)
	if at < 0 {
		return (lowest + highest) / 2
	}
	return float64(at+1) * top / bins
}

// under returns the share of the plane below a level, from x0,y0 inclusive to
// x1,y1 exclusive.
func (p plane) under(level float64, x0, y0, x1, y1 int) float64 {
	hit := 0
	for y := y0; y < y1; y++ {
		for _, v := range p.row(y)[x0:x1] {
			if float64(v) < level {
				hit++
			}
		}
	}
	return float64(hit) / float64((x1-x0)*(y1-y0))
}

// quantile returns the value below which a share q of v lies; v is not changed.
func quantile(v []float32, q float64) float64 {
	s := slices.Clone(v)
	slices.Sort(s)
	return float64(s[min(int(math.Round(q*float64(len(s)-1))), len(s)-1)])
}
