// Package render puts results on paper: tables for a terminal or a pipe, JSON,
// CSV, HTML with SVG plots. It computes nothing: every figure comes from the
// result it is given, and the result's warnings go with it.
//
// A report is a Doc: headings, sentences, tables and plots in reading order.
// Each block knows how to show itself on a terminal, in a pipe and in HTML, so
// that a report is laid out once.
package render

import (
	"bytes"
	"io"
	"strings"
	"time"

	"shedbook/report/say"
	"shedbook/schema/unit"
)

// Format is what a report is printed as.
type Format int

const (
	Terminal Format = iota // aligned columns that fit the width, friendly times
	Plain                  // for a pipe: a line a row, times in RFC 3339, no lines drawn
	JSON
	CSV
	HTML
)

// Options say how a report is printed.
type Options struct {
	Format Format
	Width  int            // columns of the terminal; 80 if 0
	Color  bool           // colour as a hint beside a word: only where a terminal and NO_COLOR allow it
	Zone   *time.Location // the book's zone; UTC if nil
	Units  unit.System    // the units people are shown; metric if empty
	Within bool           // of HTML the content alone, for a page that has a frame of its own
}

func (o Options) width() int {
	if o.Width <= 0 {
		return 80
	}
	return max(o.Width, 20)
}

func (o Options) zone() *time.Location {
	if o.Zone == nil {
		return time.UTC
	}
	return o.Zone
}

func (o Options) system() unit.System {
	if o.Units == "" {
		return unit.Metric
	}
	return o.Units
}

// moment prints a time for people, or RFC 3339 in a pipe.
func (o Options) moment(t time.Time) string {
	switch {
	case t.IsZero():
		return "not recorded"
	case o.Format == Plain || o.Format == CSV:
		return t.In(o.zone()).Format(time.RFC3339)
	}
	return say.Moment(t, o.zone())
}

// day prints a time's date for people, or RFC 3339 in a pipe.
func (o Options) day(t time.Time) string {
	switch {
	case t.IsZero():
		return "not recorded"
	case o.Format == Plain || o.Format == CSV:
		return o.moment(t)
	}
	return say.Day(t, o.zone())
}

// Doc is a report laid out.
type Doc struct {
	Title  string
	Lead   []string  // under the title: what it is about, and as of when
	Foot   []string  // at the end: how to read it, its digest
	AsOf   time.Time // of what time it is, to the second, for whoever prints it again; none if zero
	blocks []block
	main   *Table // what CSV prints
}

// block is one part of a Doc.
type block interface {
	text(b *bytes.Buffer, o Options)
	html(b *bytes.Buffer, o Options)
}

// Section begins a part of the report.
func (d *Doc) Section(title string) { d.blocks = append(d.blocks, heading{title, 2}) }

// Sub begins a part of a section.
func (d *Doc) Sub(title string) { d.blocks = append(d.blocks, heading{title, 3}) }

// Say adds a sentence or a paragraph.
func (d *Doc) Say(text string) {
	if text != "" {
		d.blocks = append(d.blocks, para{text, ""})
	}
}

// Warn adds what a reader must know beside the figures.
func (d *Doc) Warn(texts ...string) {
	for _, t := range texts {
		if t != "" {
			d.blocks = append(d.blocks, para{t, "note"})
		}
	}
}

// Caution adds what can hurt.
func (d *Doc) Caution(text string) {
	if text != "" {
		d.blocks = append(d.blocks, para{text, "caution"})
	}
}

// Parked adds what a machine must not be driven for: a caution in red, which is
// kept for this and for flags.
func (d *Doc) Parked(text string) {
	if text != "" {
		d.blocks = append(d.blocks, para{text, "parked"})
	}
}

// List adds sentences as a list.
func (d *Doc) List(items []string) {
	if len(items) > 0 {
		d.blocks = append(d.blocks, list(items))
	}
}

// Table adds a table; the first one is what CSV prints.
func (d *Doc) Table(t *Table) {
	if d.main == nil {
		d.main = t
	}
	d.blocks = append(d.blocks, t)
}

// Plot adds a plot.
func (d *Doc) Plot(p plot) { d.blocks = append(d.blocks, figure{p}) }

// Print writes a report: the result itself as JSON, or the document laid out
// from it, which is made only when it is wanted.
func Print(w io.Writer, result any, o Options, layout func() *Doc) error {
	if o.Format == JSON {
		return writeJSON(w, result)
	}
	return layout().Print(w, o)
}

// Print writes the document in any format but JSON.
func (d *Doc) Print(w io.Writer, o Options) error {
	var b bytes.Buffer
	switch o.Format {
	case CSV:
		if d.main == nil {
			return nil
		}
		return writeCSV(w, d.main, o)
	case HTML:
		if err := writePage(&b, d, o); err != nil {
			return err
		}
	default:
		d.text(&b, o)
	}
	_, err := w.Write(b.Bytes())
	return err
}

func (d *Doc) text(b *bytes.Buffer, o Options) {
	if d.Title != "" {
		b.WriteString(paint(wrap(Safe(d.Title), o.width()), Bold, o) + "\n")
	}
	for _, l := range d.Lead {
		b.WriteString(paint(flow(Safe(l), o), Dim, o) + "\n")
	}
	for i, block := range d.blocks {
		if i > 0 || d.Title != "" {
			if !tight(d.blocks, i) {
				b.WriteByte('\n')
			}
		}
		block.text(b, o)
	}
	if len(d.Foot) > 0 {
		b.WriteByte('\n')
	}
	for _, l := range d.Foot {
		b.WriteString(paint(flow(Safe(l), o), Dim, o) + "\n")
	}
}

// tight says that no blank line goes before block i: sentences of one kind
// follow each other, and what stands under a heading stands close to it.
func tight(blocks []block, i int) bool {
	if i == 0 {
		return false
	}
	if _, ok := blocks[i-1].(heading); ok {
		return true
	}
	b, ok := blocks[i].(para)
	if _, table := blocks[i-1].(*Table); table {
		return ok && b.class == "note"
	}
	a, ok2 := blocks[i-1].(para)
	return ok && ok2 && a.class == b.class
}

type heading struct {
	title string
	level int
}

func (h heading) text(b *bytes.Buffer, o Options) {
	b.WriteString(paint(wrap(Safe(h.title), o.width()), Bold, o) + "\n")
}

type para struct{ body, class string }

func (p para) text(b *bytes.Buffer, o Options) {
	body := Safe(p.body)
	switch p.class {
	case "note":
		b.WriteString(hanging("Note: ", body, o) + "\n")
	case "caution":
		b.WriteString(paint(hanging("Caution: ", body, o), Doubtful, o) + "\n")
	case "parked":
		b.WriteString(paint(hanging("Caution: ", body, o), Bad, o) + "\n")
	default:
		b.WriteString(flow(body, o) + "\n")
	}
}

type list []string

func (l list) text(b *bytes.Buffer, o Options) {
	for _, item := range l {
		b.WriteString(hanging("- ", Safe(item), o) + "\n")
	}
}

// PlainWidth is where text is folded that goes into a pipe or a file, in columns.
const PlainWidth = 100

// flow wraps a paragraph.
func flow(s string, o Options) string { return wrap(s, o.lines()) }

// lines is how wide a line of text may be.
func (o Options) lines() int {
	if o.Format == Plain {
		return PlainWidth
	}
	return o.width()
}

// hanging is flow with a word before the first line and as much room before
// the others.
func hanging(first, s string, o Options) string {
	n := width(first)
	return first + strings.ReplaceAll(wrap(s, o.lines()-n), "\n", "\n"+strings.Repeat(" ", n))
}

// Sentence prints one sentence where a report has nothing to show.
func Sentence(w io.Writer, s string, o Options) error {
	d := &Doc{}
	d.Say(s)
	return d.Print(w, o)
}
