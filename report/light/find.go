package light

import (
	"cmp"
	"math"
	"slices"
)

const (
	findGrid  = 320  // longer side of the photograph during the search
	leastCore = 0.02 // least share of the photograph that a core takes
	leastLit  = 0.5  // least share of a core that must be lit to be found by its light
	leastFit  = 0.93 // least share of the light's outline that four corners must include
)

// findCore returns the corners of the one lit quadrilateral that stands free in
// the photograph: what is brighter than Otsu's threshold and does not reach the
// edge, its convex hull, and the largest quadrilateral in that.
func findCore(p plane) ([4]Point, error) {
	k := max(1, (max(p.w, p.h)+findGrid-1)/findGrid)
	g := p.reduced(k).closed(5, 5) // so that tubes do not divide the core
	var counts [256]int
	for _, v := range g.v {
		counts[min(int(255*math.Sqrt(float64(v))), 255)]++ // the root spreads the dark levels: dim corners count too
	}
	at := otsu(counts[:], 0, 255)
	lit := make([]bool, len(g.v))
	for i, v := range g.v {
		lit[i] = at >= 0 && int(255*math.Sqrt(float64(v))) > at
	}
	outline, area := freeLight(g.w, g.h, lit)
	if float64(area) < leastCore*float64(len(lit)) {
		return [4]Point{},
			refused(NotFound, "no lit core stands free in the photograph (light that reaches its edge does "+
				"not count): give the core's four corners")
	}
	around := hull(outline)
	best, size := largestFour(around)
	whole := polygonArea(around)
	c, ok := sorted(best)
	switch {
	case !ok || size < leastFit*whole:
		return c, refused(NotFound,
			"the light's outline is no four-sided figure (%.0f %% of it within four corners, at "+
				"least %.0f %%): give the core's four corners", 100*size/whole, 100*leastFit)
	case float64(area) < leastLit*size:
		return c, refused(NotFound, "only %.0f %% of what is outlined is lit, at least %.0f %%: give the core's four "+
			"corners", 100*float64(area)/size, 100*leastLit)
	}
	for i := range c {
		c[i].X, c[i].Y = c[i].X*float64(k), c[i].Y*float64(k)
	}
	return c, nil
}

// freeLight returns the corners of all lit pixels in patches that do not touch
// the edge and are larger than specks, and the number of these pixels.
func freeLight(w, h int, lit []bool) (outline []Point, area int) {
	seen := make([]bool, len(lit))
	for start := range lit {
		if !lit[start] || seen[start] {
			continue
		}
		patch, free := []int{start}, true
		seen[start] = true
		for n := 0; n < len(patch); n++ {
			x, y := patch[n]%w, patch[n]/w
			free = free && x > 0 && y > 0 && x < w-1 && y < h-1
			for _, d := range [4][2]int{{1, 0}, {-1, 0}, {0, 1}, {0, -1}} {
				if i, j := x+d[0], y+d[1]; i >= 0 && j >= 0 && i < w && j < h && lit[j*w+i] && !seen[j*w+i] {
					seen[j*w+i] = true
					patch = append(patch, j*w+i)
				}
			}
		}
		if !free || len(patch) < len(lit)/1000 {
			continue
		}
		area += len(patch)
		for _, i := range patch {
			x, y := float64(i%w), float64(i/w)
			outline = append(outline, Point{x, y}, Point{x + 1, y}, Point{x, y + 1}, Point{x + 1, y + 1})
		}
	}
	return outline, area
}

// hull returns the convex hull (Andrew 1979, the monotone chain).
func hull(p []Point) []Point {
	p = slices.Clone(p)
	slices.SortFunc(p, func(a, b Point) int { return cmp.Or(cmp.Compare(a.X, b.X), cmp.Compare(a.Y, b.Y)) })
	half := func(p []Point) []Point {
		var h []Point
		for _, q := range p {
			for len(h) > 1 && cross(h[len(h)-1].minus(h[len(h)-2]), q.minus(h[len(h)-1])) <= 0 {
				h = h[:len(h)-1]
			}
			h = append(h, q)
		}
		return h[:len(h)-1]
	}
	low := half(p)
	slices.Reverse(p)
	return append(low, half(p)...)
}

func polygonArea(c []Point) float64 {
	sum := 0.0
	for i, a := range c {
		sum += cross(a, c[(i+1)%len(c)])
	}
	return math.Abs(sum) / 2
}

// largestFour returns the largest quadrilateral among the corners of a convex
// polygon: for each diagonal the farthest corner on either side.
func largestFour(c []Point) (best [4]Point, area float64) {
	for i, a := range c {
		for j := i + 2; j < len(c); j++ {
			b := c[j]
			far := func(from, to int) (Point, float64) {
				var q Point
				most := 0.0
				for k := from; k < to; k++ {
					if d := math.Abs(cross(b.minus(a), c[k%len(c)].minus(a))) / 2; d > most {
						q, most = c[k%len(c)], d
					}
				}
				return q, most
			}
			q, s := far(i+1, j)
			r, t := far(j+1, i+len(c))
			if s > 0 && t > 0 && s+t > area {
				best, area = [4]Point{a, q, b, r}, s+t
			}
		}
	}
	return best, area
}

// ragged reports whether the dark along the upper or the lower side reaches in
// by unequal small steps: more than a twenty-fifth of the side by 0.8 to 5 % of
// the height. What reaches in deeper is dirt across the side.
func (p plane) ragged(level float64) bool {
	steps := [2]int{}
	for x := range p.w {
		for i := range steps {
			deep := 0
			for ; deep < p.h/10; deep++ {
				y := deep
				if i == 1 {
					y = p.h - 1 - deep
				}
				if float64(p.at(x, y)) >= level {
					break
				}
			}
			if d := float64(deep) / float64(p.h); d > 0.008 && d < 0.05 {
				steps[i]++
			}
		}
	}
	return 25*max(steps[0], steps[1]) > p.w
}
