// Package render prints results: tables for a terminal or a pipe, JSON, CSV,
// HTML with SVG plots. It computes nothing: every figure comes from the result
// it is given, and the result's warnings are printed with it.
//
// A report is a Doc: headings, sentences, tables and plots in reading order.
// Each block can print itself on a terminal, in a pipe and in HTML, so that the
// layout of a report is written once.
package render

import (
	"bytes"
	"io"
	"strings"
	"time"

	"shedbook/report/say"
	"shedbook/schema/unit"
)

// Format is an output format.
type Format int

const (
	Terminal Format = iota // aligned columns that fit the width, times as people write them
	Plain                  // for a pipe: a line for each row, times in RFC 3339, no lines drawn
	JSON
	CSV
	HTML
)

// Options control how a report is printed.
type Options struct {
	Format Format
	Width  int            // of the terminal; 80 if 0
	Color  bool           // colours besides words: only if the terminal and NO_COLOR allow it
	Zone   *time.Location // the book's zone; UTC if nil
	Units  unit.System    // the system of units shown; metric if empty
	Within bool           // in HTML the content only, for a page with a frame of its own
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

// moment returns a time for people, or in RFC 3339 for a pipe.
func (o Options) moment(t time.Time) string {
	switch {
	case t.IsZero():
		return "not recorded"
	case o.Format == Plain || o.Format == CSV:
		return t.In(o.zone()).Format(time.RFC3339)
	}
	return say.Moment(t, o.zone())
}

// day returns a date for people, or a time in RFC 3339 for a pipe.
func (o Options) day(t time.Time) string {
	switch {
	case t.IsZero():
		return "not recorded"
	case o.Format == Plain || o.Format == CSV:
		return o.moment(t)
	}
	return say.Day(t, o.zone())
}

// Doc is the layout of a report.
type Doc struct {
	Title  string
	Lead   []string  // below the title: the subject, and as of when
	Foot   []string  // at the end: how to read it, its digest
	AsOf   time.Time // the time of the report to the second, for printing it again; not shown if zero
	blocks []block
	main   *Table // the table that CSV prints
}

// block is one part of a Doc.
type block interface {
	text(b *bytes.Buffer, o Options)
	html(b *bytes.Buffer, o Options)
}

// Section begins a section.
func (d *Doc) Section(title string) { d.blocks = append(d.blocks, heading{title, 2}) }

// Sub begins a subsection.
func (d *Doc) Sub(title string) { d.blocks = append(d.blocks, heading{title, 3}) }

// Say adds a sentence or a paragraph.
func (d *Doc) Say(text string) {
	if text != "" {
		d.blocks = append(d.blocks, para{text, ""})
	}
}

// Warn adds what a reader must know besides the figures.
func (d *Doc) Warn(texts ...string) {
	for _, t := range texts {
		if t != "" {
			d.blocks = append(d.blocks, para{t, "note"})
		}
	}
}

// Caution adds a danger.
func (d *Doc) Caution(text string) {
	if text != "" {
		d.blocks = append(d.blocks, para{text, "caution"})
	}
}

// Parked adds a reason not to drive a machine: a caution in red, which only
// this and flags have.
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

// Print prints a report: the result itself as JSON, or else the document that
// layout returns.
func Print(w io.Writer, result any, o Options, layout func() *Doc) error {
	if o.Format == JSON {
		return writeJSON(w, result)
	}
	return layout().Print(w, o)
}

// Print prints the document in any format but JSON.
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

// tight reports whether block i follows without a blank line: sentences of one
// kind, and what stands below a heading.
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

// PlainWidth is where text for a pipe or a file is wrapped, in columns.
const PlainWidth = 100

// flow wraps a paragraph.
func flow(s string, o Options) string { return wrap(s, o.lines()) }

// lines returns the width of a line of text.
func (o Options) lines() int {
	if o.Format == Plain {
		return PlainWidth
	}
	return o.width()
}

// hanging is flow with a word before the first line and the others indented by
// its width.
func hanging(first, s string, o Options) string {
	n := width(first)
	return first + strings.ReplaceAll(wrap(s, o.lines()-n), "\n", "\n"+strings.Repeat(" ", n))
}

// Sentence prints one sentence instead of a report with nothing to show.
func Sentence(w io.Writer, s string, o Options) error {
	d := &Doc{}
	d.Say(s)
	return d.Print(w, o)
}
