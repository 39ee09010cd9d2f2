package render

import (
	"bytes"
	"fmt"
	"math"
	"shedbook/schema/unit"
	"strings"
	"time"
)

// point is a point of a curve; low and high are the limits of its band, NaN if
// there is none.
type point struct{ x, y, low, high float64 }

// curve is one line of a chart.
type curve struct {
	words  string // for the legend
	class  string
	step   bool // holds its value until the next point
	dotted bool // a dot at each point
	pts    []point
}

// event is a symbol at the top of a chart.
type event struct {
	x            float64
	shape, class string
	glyph        rune
	tip          string
}

// chart shows curves over an axis of engine hours.
type chart struct {
	title   string
	xName   string
	yName   string
	xs      [2]float64 // from and to; both 0 = as far as the curves go
	zero    bool       // y begins at 0
	dates   bool       // x is seconds since 1970, with a calendar as its axis
	filled  bool       // bands are the area under a curve, not an interval
	curves  []curve
	events  []event
	legends []keyed // for the events
	line    *level
	alt     string
}

// level is a line across a chart, such as the evidence that a flag needs.
type level struct {
	y     float64
	words string
}

func (p *chart) name() string         { return p.title }
func (p *chart) words(Options) string { return p.alt }

func (p *chart) bounds() (x0, x1, y0, y1 float64) {
	x0, y0 = math.Inf(1), math.Inf(1)
	x1, y1 = math.Inf(-1), math.Inf(-1)
	for _, c := range p.curves {
		for _, q := range c.pts {
			x0, x1 = min(x0, q.x), max(x1, q.x)
			for _, y := range []float64{q.y, q.low, q.high} {
				if !math.IsNaN(y) && !math.IsInf(y, 0) {
					y0, y1 = min(y0, y), max(y1, y)
				}
			}
		}
	}
	if p.line != nil {
		y0, y1 = min(y0, p.line.y), max(y1, p.line.y)
	}
	if p.zero {
		y0, y1 = min(y0, 0), max(y1, 0)
	}
	if p.xs != [2]float64{} {
		x0, x1 = p.xs[0], p.xs[1]
	}
	if x0 > x1 {
		x0, x1 = 0, 1
	}
	if y0 > y1 {
		y0, y1 = 0, 1
	}
	return x0, x1, y0, y1
}

// along returns the axis of hours, or of dates.
func (p *chart) along(x0, x1 float64, n int, o Options) (scale, []tick) {
	if p.dates {
		return calendar(time.Unix(int64(x0), 0), time.Unix(int64(x1), 0), o.zone(), n)
	}
	return within(x0, x1, n)
}

func (p *chart) svg(o Options) string {
	const height = 200.0
	x0, x1, y0, y1 := p.bounds()
	xs, xTicks := p.along(x0, x1, 5, o)
	ys, yTicks := linear(y0, y1, 4)
	d := draw(height, "plot", p.title, p.alt)
	d.beside(yTicks, p.yName)
	d.below(xTicks, p.xName, height-4)
	y := func(v float64) float64 { return height * (1 - ys.place(v)) }
	keys := append([]keyed(nil), p.legends...)
	for _, c := range p.curves { // bands first, below all lines
		band := false
		for i, q := range c.pts {
			if math.IsNaN(q.low) || math.IsNaN(q.high) || i+1 == len(c.pts) {
				continue
			}
			band = true
			d.rect("band", xs.place(q.x), y(q.low), xs.place(c.pts[i+1].x), y(q.high), "")
		}
		if band && !p.filled {
			keys = append(keys, keyed{"band", "band", "", "95 % band"})
		}
	}
	if p.line != nil {
		d.line("needed", 0, y(p.line.y), 1, y(p.line.y))
		keys = append(keys, keyed{"line", "needed", "", p.line.words})
	}
	for _, c := range p.curves {
		for i, q := range c.pts {
			if i > 0 {
				prev := c.pts[i-1]
				from := prev.y
				if c.step {
					d.line("curve "+c.class, xs.place(prev.x), y(prev.y), xs.place(q.x), y(prev.y))
					d.line("curve "+c.class, xs.place(q.x), y(prev.y), xs.place(q.x), y(q.y))
				} else {
					d.line("curve "+c.class, xs.place(prev.x), y(from), xs.place(q.x), y(q.y))
				}
			}
			if c.dotted {
				d.mark("dot", c.class, xs.place(q.x), y(q.y), fmt.Sprintf("%s h: %s", unit.Fixed(q.x, 1),
					unit.Fixed(q.y, places(q.y))))
			}
		}
		if c.words != "" {
			keys = append(keys, keyed{"line", "curve " + c.class, "", c.words})
		}
	}
	for _, e := range p.events {
		d.line("event "+e.class, xs.place(e.x), 8, xs.place(e.x), height)
		d.mark(e.shape, e.class, xs.place(e.x), 3, e.tip)
	}
	return d.String() + legend(keys)
}

func (p *chart) draw(b *bytes.Buffer, o Options) {
	const height = 9
	x0, x1, y0, y1 := p.bounds()
	ys, yTicks := linear(y0, y1, 3)
	left := 0
	for _, t := range yTicks {
		left = max(left, width(t.label))
	}
	w := max(4, o.width()-left-2)
	xs, xTicks := p.along(x0, x1, max(2, w/12), o)
	c := newCanvas(w, height)
	row := func(v float64) int { return height - 1 - int(math.Round(ys.place(v)*(height-1))) }
	glyphs := []rune("•∘+x")
	for _, cv := range p.curves {
		for i := 0; i+1 < len(cv.pts); i++ {
			q := cv.pts[i]
			if math.IsNaN(q.low) || math.IsNaN(q.high) {
				continue
			}
			for x := column(xs.place(q.x), w); x <= column(xs.place(cv.pts[i+1].x), w); x++ {
				for y := row(q.high); y <= row(q.low); y++ {
					c.put(x, y, '░')
				}
			}
		}
	}
	if p.line != nil {
		for x := range w {
			c.put(x, row(p.line.y), '┄')
		}
	}
	for k, cv := range p.curves {
		for x := range w {
			at := xs.low + (xs.high-xs.low)*float64(x)/float64(w-1)
			if v, ok := cv.value(at); ok {
				c.put(x, row(v), glyphs[k%len(glyphs)])
			}
		}
	}
	for _, e := range p.events {
		c.put(column(xs.place(e.x), w), 0, e.glyph)
	}
	b.WriteString(paint(Safe(p.yName), Dim, o) + "\n")
	names := map[int]string{}
	for _, t := range yTicks {
		names[height-1-int(math.Round(t.at*(height-1)))] = t.label
	}
	for i, line := range c {
		mark := "│"
		if names[i] != "" {
			mark = "┤"
		}
		b.WriteString(strings.TrimRight(strings.Repeat(" ", left-width(names[i]))+names[i]+mark+string(line), " ") +
			"\n")
	}
	line, labels := tickLine(xTicks, w)
	b.WriteString(strings.Repeat(" ", left) + "└" + line + "\n" + strings.Repeat(" ", left+1) + labels + "\n")
	keys := []string{p.xName}
	for k, cv := range p.curves {
		if cv.words != "" {
			keys = append(keys, string(glyphs[k%len(glyphs)])+" "+cv.words)
		}
	}
	if p.line != nil {
		keys = append(keys, "┄ "+p.line.words)
	}
	for _, l := range p.legends {
		keys = append(keys, l.glyph+" "+l.words)
	}
	b.WriteString(paint(flow(Safe(strings.Join(keys, "; ")), o), Dim, o) + "\n")
}

// value returns the curve at x; ok is false outside it.
func (c curve) value(x float64) (v float64, ok bool) {
	for i, q := range c.pts {
		if q.x > x {
			if i == 0 {
				return 0, false
			}
			prev := c.pts[i-1]
			if c.step || q.x == prev.x {
				return prev.y, true
			}
			return prev.y + (q.y-prev.y)*(x-prev.x)/(q.x-prev.x), true
		}
	}
	if n := len(c.pts); n > 0 && x <= c.pts[n-1].x {
		return c.pts[n-1].y, true
	}
	return 0, false
}
