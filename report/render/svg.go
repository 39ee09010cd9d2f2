package render

import (
	"fmt"
	"html"
	"shedbook/schema/unit"
	"strings"
)

// drawing builds an SVG plot with letters of one size at any width: places
// along the plot are percentages, heights are pixels. It is inlined in a page,
// whose style sheet colours its classes and sets the padding around it for the
// labels (class plot).
type drawing struct {
	b      strings.Builder
	height float64
}

// draw begins a drawing with its text for screen readers.
func draw(height float64, class, title, desc string) *drawing {
	d := &drawing{height: height}
	fmt.Fprintf(&d.b, `<svg class="%s" role="img" width="100%%" height="%s"><title>%s</title><desc>%s</desc>`+"\n",
		class, px(height), html.EscapeString(Safe(title)), html.EscapeString(Safe(desc)))
	return d
}

func (d *drawing) String() string { return d.b.String() + "</svg>\n" }

// pc is a place along the plot, px a height.
func pc(at float64) string { return unit.Short(at*100, 2) + "%" }

func px(y float64) string { return unit.Short(y, 2) }

func (d *drawing) line(class string, x1, y1, x2, y2 float64) {
	fmt.Fprintf(&d.b, `<line class="%s" x1="%s" y1="%s" x2="%s" y2="%s"/>`+"\n", class, pc(x1), px(y1), pc(x2), px(y2))
}

func (d *drawing) rect(class string, x1, y1, x2, y2 float64, tip string) {
	fmt.Fprintf(&d.b, `<rect class="%s" x="%s" y="%s" width="%s" height="%s"`, class, pc(x1), px(min(y1, y2)),
		pc(x2-x1),
		px(max(y1, y2)-min(y1, y2)))
	d.tip("rect", tip)
}

// mark puts one of the page's shapes (see shapes) at a place.
func (d *drawing) mark(shape, class string, x, y float64, tip string) {
	fmt.Fprintf(&d.b, `<use href="#m-%s" class="%s" x="%s" y="%s"`, shape, class, pc(x), px(y))
	d.tip("use", tip)
}

func (d *drawing) tip(element, tip string) {
	if tip == "" {
		d.b.WriteString("/>\n")
		return
	}
	fmt.Fprintf(&d.b, "><title>%s</title></%s>\n", html.EscapeString(Safe(tip)), element)
}

// words puts text at a place; dx shifts it by pixels, anchor is start, middle
// or end.
func (d *drawing) words(class string, x, y, dx float64, anchor, s string) {
	fmt.Fprintf(&d.b, `<text class="%s" x="%s" y="%s" text-anchor="%s"`, class, pc(x), px(y), anchor)
	if dx != 0 {
		fmt.Fprintf(&d.b, ` dx="%s"`, px(dx))
	}
	fmt.Fprintf(&d.b, ">%s</text>\n", html.EscapeString(Safe(s)))
}

// below draws the axis below the plot; grid lines reach up to top.
func (d *drawing) below(ticks []tick, label string, top float64) {
	for _, t := range ticks {
		d.line("grid", t.at, top, t.at, d.height)
		d.words("tick", t.at, d.height+16, 0, "middle", t.label)
	}
	d.line("axis", 0, d.height, 1, d.height)
	if label != "" {
		d.words("name", 1, d.height+33, 0, "end", label)
	}
}

// beside draws the axis at the left; its label stands above it.
func (d *drawing) beside(ticks []tick, label string) {
	for _, t := range ticks {
		y := d.height * (1 - t.at)
		d.line("grid", 0, y, 1, y)
		d.words("tick", 0, y+4, -6, "end", t.label)
	}
	d.words("name", 0, -10, -40, "start", label)
}

// shapes are the symbols of all plots, defined once in a page. They differ in
// form and fill, so that they can be told apart without colour.
const shapes = `<svg class="defs" width="0" height="0" aria-hidden="true" focusable="false"><defs>
<circle id="m-dot" r="4.5"/>
<circle id="m-ring" r="4.5"/>
<path id="m-cross" d="M-4.5-4.5L4.5 4.5M-4.5 4.5L4.5-4.5"/>
<path id="m-square" d="M-4.5-4.5h9v9h-9z"/>
<path id="m-down" d="M-5.5-4.5h11L0 5z"/>
<path id="m-bar" d="M0-7V7"/>
<path id="m-diamond" d="M0-6L5 0L0 6L-5 0z"/>
</defs></svg>
`

// keyed is an entry of a legend: a shape or a line, and what it means.
type keyed struct{ shape, class, glyph, words string }

func legend(keys []keyed) string {
	if len(keys) == 0 {
		return ""
	}
	var b strings.Builder
	b.WriteString(`<ul class="key">`)
	for _, k := range keys {
		b.WriteString(`<li><svg width="22" height="14" aria-hidden="true" focusable="false">`)
		switch k.shape {
		case "line":
			fmt.Fprintf(&b, `<line class="%s" x1="1" y1="7" x2="21" y2="7"/>`, k.class)
		case "band":
			fmt.Fprintf(&b, `<rect class="%s" x="1" y="2" width="20" height="10"/>`, k.class)
		default:
			fmt.Fprintf(&b, `<use href="#m-%s" class="%s" x="11" y="7"/>`, k.shape, k.class)
		}
		fmt.Fprintf(&b, `</svg>%s</li>`, html.EscapeString(Safe(k.words)))
	}
	b.WriteString("</ul>\n")
	return b.String()
}
