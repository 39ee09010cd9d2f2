package render

import (
	"bytes"
	"html"
	"math"
	"strings"
	"time"
)

// plot is a picture with a text alternative.
type plot interface {
	name() string                    // its title
	words(o Options) string          // its text alternative
	svg(o Options) string            // with its legend
	draw(b *bytes.Buffer, o Options) // for a terminal
}

// figure is a plot as a block of a Doc. In a pipe its words replace it.
type figure struct{ plot }

func (f figure) text(b *bytes.Buffer, o Options) {
	if o.Format == Plain {
		b.WriteString(Safe(f.name()) + ": " + Safe(f.words(o)) + "\n")
		return
	}
	b.WriteString(paint(flow(Safe(f.name()), o), Bold, o) + "\n")
	f.draw(b, o)
}

func (f figure) html(b *bytes.Buffer, o Options) {
	b.WriteString("<figure>\n<div class=\"title\">" + html.EscapeString(Safe(f.name())) + "</div>\n")
	b.WriteString(f.svg(o))
	if _, tabled := f.plot.(*dots); !tabled { // the table beside the dots has their words
		b.WriteString("<figcaption>" + html.EscapeString(Safe(f.words(o))) + "</figcaption>\n")
	}
	b.WriteString("</figure>\n")
}

// canvas is a grid of characters.
type canvas [][]rune

func newCanvas(w, h int) canvas {
	c := make(canvas, h)
	for i := range c {
		c[i] = []rune(strings.Repeat(" ", w))
	}
	return c
}

func (c canvas) put(x, y int, r rune) {
	if y >= 0 && y < len(c) && x >= 0 && x < len(c[y]) {
		c[y][x] = r
	}
}

// column returns the column of a fraction of w columns.
func column(at float64, w int) int { return int(math.Round(at * float64(w-1))) }

// tickLine returns an axis of w columns with its ticks, and the labels below it
// where they do not overlap.
func tickLine(ticks []tick, w int) (line, labels string) {
	marks := []rune(strings.Repeat("─", w))
	under := []rune(strings.Repeat(" ", w))
	free := 0
	for _, t := range ticks {
		x := column(t.at, w)
		marks[x] = '┴'
		l := []rune(t.label)
		start := max(0, min(x-len(l)/2, w-len(l)))
		if start < free || start+len(l) > w {
			continue
		}
		copy(under[start:], l)
		free = start + len(l) + 1
	}
	return string(marks), strings.TrimRight(string(under), " ")
}

// dots is a dot-and-interval plot: for each level the crude ratio beside the
// adjusted one, on a logarithmic axis.
type dots struct {
	title string
	axis  string // its meaning: "times the rate of the rest (log scale)"
	rows  []dotRow
	one   bool // draws a line at 1, where there is no difference
	crude string
	adj   string // empty: each row has one estimate only
}

type dotRow struct {
	label      string
	crude, adj *Interval
}

func (p *dots) name() string { return p.title }

func (p *dots) scale(n int) (scale, []tick) {
	low, high := math.Inf(1), math.Inf(-1)
	for _, r := range p.rows {
		for _, e := range []*Interval{r.crude, r.adj} {
			if e == nil {
				continue
			}
			for _, v := range []float64{e.Value, e.Low, e.High} {
				if v > 0 && !math.IsInf(v, 0) {
					low, high = min(low, v), max(high, v)
				}
			}
		}
	}
	if low > high {
		low, high = 0.5, 2
	}
	// The axis ends at a hundredth or a hundred times the middle; an interval
	// beyond it is drawn to the edge with an arrow.
	return ratios(max(low, 0.02), min(high, 50), n)
}

func (p *dots) words(o Options) string {
	col := &Column{}
	var parts []string
	for _, r := range p.rows {
		s := r.label + ": "
		if r.crude != nil {
			s += intervalText(*r.crude, col, o.system())
			if p.adj != "" {
				s = r.label + ": " + p.crude + " " + intervalText(*r.crude, col, o.system())
			}
		} else {
			s += "no estimate"
		}
		if p.adj != "" && r.adj != nil {
			s += ", " + p.adj + " " + intervalText(*r.adj, col, o.system())
		}
		parts = append(parts, s)
	}
	return strings.Join(parts, "; ") + "."
}

func (p *dots) svg(o Options) string {
	const lane, head = 20.0, 20.0
	each := head + lane
	if p.adj != "" {
		each += lane
	}
	s, ticks := p.scale(9)
	d := draw(each*float64(len(p.rows))+8, "plot wide", p.title, p.words(o))
	d.below(ticks, "", 0)
	if p.one {
		d.line("one", s.place(1), 0, s.place(1), d.height)
	}
	whisker := func(e *Interval, y float64, shape, class string) {
		if e == nil {
			return
		}
		tip := intervalText(*e, &Column{}, o.system())
		low, high := s.place(e.Low), s.place(e.High)
		if e.Low <= 0 {
			low = 0
		}
		d.line("whisker "+class, low, y, high, y)
		if e.Low >= s.low {
			d.line("whisker "+class, low, y-4, low, y+4)
		}
		if e.High <= s.high {
			d.line("whisker "+class, high, y-4, high, y+4)
		}
		if e.Value > 0 {
			d.mark(shape, class, s.place(e.Value), y, tip)
		}
	}
	for i, r := range p.rows {
		y := each * float64(i)
		d.words("label", 0, y+15, 0, "start", r.label)
		if p.adj == "" {
			whisker(r.crude, y+head+8, "dot", "c1")
			continue
		}
		whisker(r.crude, y+head+6, "ring", "c2")
		whisker(r.adj, y+head+6+lane, "dot", "c1")
	}
	if p.adj == "" {
		return d.String() + axisName(p.axis)
	}
	return d.String() + axisName(p.axis) + legend([]keyed{{"ring", "c2", "", p.crude}, {"dot", "c1", "", p.adj}})
}

// axisName returns the meaning of an axis, below the plot, where it may wrap on
// a phone.
func axisName(s string) string {
	return `<div class="axisname">` + html.EscapeString(Safe(s)) + "</div>\n"
}

func (p *dots) draw(b *bytes.Buffer, o Options) {
	label, figures := 0, 0
	for _, r := range p.rows {
		label = max(label, width(Safe(r.label)))
		for _, e := range []*Interval{r.crude, r.adj} {
			if e != nil {
				figures = max(figures, width(intervalText(*e, &Column{}, o.system())))
			}
		}
	}
	label = min(label, o.width()/3)
	w := o.width() - label - figures - 3
	if w < 16 { // there is no room for the figures, which are in the table
		figures, w = 0, o.width()-label-1
	}
	s, ticks := p.scale(max(3, w/7))
	row := func(name string, e *Interval, mark rune) {
		c := newCanvas(w, 1)
		if p.one {
			c.put(column(s.place(1), w), 0, '┊')
		}
		tell := ""
		if e != nil {
			tell = intervalText(*e, &Column{}, o.system())
			low := 0
			if e.Low > 0 {
				low = column(s.place(e.Low), w)
			}
			high := column(s.place(e.High), w)
			for x := low; x <= high; x++ {
				c.put(x, 0, '─')
			}
			if e.Low >= s.low {
				c.put(low, 0, '├')
			} else {
				c.put(low, 0, '◂')
			}
			if e.High <= s.high {
				c.put(high, 0, '┤')
			} else {
				c.put(high, 0, '▸')
			}
			if e.Value > 0 {
				c.put(column(s.place(e.Value), w), 0, mark)
			}
		}
		line := pad(name, label) + " " + string(c[0])
		if figures > 0 {
			line += "  " + tell
		}
		b.WriteString(strings.TrimRight(line, " ") + "\n")
	}
	for _, r := range p.rows {
		names := strings.Split(wrap(Safe(r.label), label), "\n")
		if p.adj == "" {
			row(names[0], r.crude, '●')
		} else {
			row(names[0], r.crude, '○')
			second := ""
			if len(names) > 1 {
				second, names = names[1], names[1:]
			}
			row(second, r.adj, '●')
		}
		for _, more := range names[1:] {
			b.WriteString(more + "\n")
		}
	}
	line, labels := tickLine(ticks, w)
	indent := strings.Repeat(" ", label+1)
	b.WriteString(indent + line + "\n" + indent + labels + "\n")
	key := p.axis
	if p.adj != "" {
		key += "; ○ " + p.crude + ", ● " + p.adj
	}
	b.WriteString(paint(flow(Safe(key), o), Dim, o) + "\n")
}

// pad fills s with spaces to w columns.
func pad(s string, w int) string { return s + strings.Repeat(" ", max(0, w-width(s))) }

// lane is one row of symbols on a time line.
type lane struct {
	label        string
	shape, class string
	glyph        rune
	at           []time.Time
	tips         []string // one for each of at
}

// timeline shows kinds of events below each other along one line of dates.
type timeline struct {
	title       string
	first, last time.Time
	lanes       []lane
	gaps        [][2]time.Time // stretches without records
	alt         string
}

func (p *timeline) name() string { return p.title }

func (p *timeline) words(Options) string { return p.alt }

func (p *timeline) svg(o Options) string {
	const each = 38.0
	s, ticks := calendar(p.first, p.last, o.zone(), 6)
	place := func(t time.Time) float64 { return s.place(float64(t.Unix())) }
	d := draw(each*float64(len(p.lanes))+4, "plot wide", p.title, p.alt)
	for _, g := range p.gaps {
		d.rect("gap", place(g[0]), 0, place(g[1]), d.height, "no records "+o.day(g[0])+" to "+o.day(g[1]))
	}
	d.below(ticks, "date", 0)
	for i, l := range p.lanes {
		y := each*float64(i) + 27
		d.words("label", 0, y-13, 0, "start", l.label)
		d.line("lane", 0, y, 1, y)
		for k, at := range l.at {
			tip := ""
			if k < len(l.tips) {
				tip = l.tips[k]
			}
			d.mark(l.shape, l.class, place(at), y, tip)
		}
	}
	if len(p.gaps) == 0 {
		return d.String()
	}
	return d.String() + legend([]keyed{{"band", "gap", "", "no records"}})
}

func (p *timeline) draw(b *bytes.Buffer, o Options) {
	label := 0
	for _, l := range p.lanes {
		label = max(label, width(Safe(l.label)))
	}
	w := max(4, o.width()-label-1)
	s, ticks := calendar(p.first, p.last, o.zone(), max(2, w/10))
	for _, l := range p.lanes {
		c := newCanvas(w, 1)
		for x := range w {
			c.put(x, 0, '·')
		}
		for _, g := range p.gaps {
			for x := column(s.place(float64(g[0].Unix())), w); x <= column(s.place(float64(g[1].Unix())), w); x++ {
				c.put(x, 0, ' ')
			}
		}
		for _, at := range l.at {
			c.put(column(s.place(float64(at.Unix())), w), 0, l.glyph)
		}
		b.WriteString(strings.TrimRight(pad(Safe(l.label), label)+" "+string(c[0]), " ") + "\n")
	}
	line, labels := tickLine(ticks, w)
	indent := strings.Repeat(" ", label+1)
	b.WriteString(indent + line + "\n" + indent + labels + "\n")
}

// bars is a small bar plot, such as the hours of each week: no axis, its words
// give its range.
type bars struct {
	title  string
	class  string
	values []float64
	top    float64 // the value at full height; the highest of values if 0
	total  string  // printed below it
	alt    string
}

// spark returns bars in one line of a terminal, at most w wide: the last w
// values.
func spark(values []float64, w int) string {
	if len(values) > w {
		values = values[len(values)-w:]
	}
	top := 0.0
	for _, v := range values {
		top = max(top, v)
	}
	var b strings.Builder
	for _, v := range values {
		switch {
		case !(v > 0):
			b.WriteRune('·')
		default:
			b.WriteRune([]rune("▁▂▃▄▅▆▇█")[min(7, int(math.Ceil(v/top*8))-1)])
		}
	}
	return b.String()
}

// svg returns the bars on a base line, the highest at full height.
func (p bars) svg() string {
	const height = 28.0
	d := draw(height, "spark", p.title, p.alt)
	top := p.top
	for _, v := range p.values {
		top = max(top, v)
	}
	n := float64(len(p.values))
	for i, v := range p.values {
		if v > 0 {
			h := max(1.5, (height-2)*v/top)
			d.rect(p.class, (float64(i)+0.12)/n, height-1-h, (float64(i)+0.88)/n, height-1, "")
		}
	}
	d.line("axis", 0, height-0.5, 1, height-0.5)
	return d.String()
}
