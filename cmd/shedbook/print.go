package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"shedbook/report/render"
	"shedbook/schema"
	"shedbook/schema/unit"
	"shedbook/store"
)

// options say how to print: a table on a terminal, plain text in a pipe, or
// what was asked for.
func (a *app) options(s schema.Settings, asJSON, asCSV bool) render.Options {
	o := render.Options{Format: render.Plain, Width: a.width, Zone: s.Zone(), Units: s.Units()}
	switch {
	case asJSON:
		o.Format = render.JSON
	case asCSV:
		o.Format = render.CSV
	case a.outTerminal:
		o.Format = render.Terminal
		o.Color = a.getenv("NO_COLOR") == "" && a.getenv("TERM") != "dumb"
	}
	return o
}

// say prints a line, folded, after a label of so many columns.
func (a *app) say(label int, format string, args ...any) {
	fmt.Fprintln(a.out, render.Fold(fmt.Sprintf(format, args...), a.lineWidth(), label))
}

// lineWidth is how wide a line may be: the terminal's width, or that of a pipe.
func (a *app) lineWidth() int {
	if a.outTerminal {
		return a.width
	}
	return render.PlainWidth
}

// sayTo prints an error: folded on a terminal, and else one line, as a program
// reads it.
func sayTo(w io.Writer, terminal bool, width int, s string) {
	if terminal {
		s = render.Fold(s, width, 0)
	}
	fmt.Fprintln(w, s)
}

// wrote says that a file was written; beside a report, which stays clean.
func (a *app) wrote(path string) { fmt.Fprintf(a.errOut, "%s written\n", render.Safe(path)) }

// printRecords prints records of one kind as a table, JSON or CSV; with who, which
// phone entered each too.
func (a *app) printRecords(ctx context.Context, b *store.Book, k *schema.Kind, records []schema.Record,
	who map[int64]string, asJSON, asCSV bool) error {
	s, err := b.Settings(ctx)
	if err != nil {
		return err
	}
	numbers := make([]int64, len(records))
	for i, r := range records {
		numbers[i] = k.Meta(r).Number
	}
	names, err := b.Called(ctx, numbers...)
	if err != nil {
		return err
	}
	objects := make([]json.RawMessage, len(records))
	if asJSON {
		for i, r := range records {
			objects[i] = withName(k.JSON(r, s.Zone()), k.Meta(r), names)
			if name := who[k.Meta(r).Number]; name != "" {
				text, _ := json.Marshal(name)
				objects[i] = fmt.Appendf(bytes.TrimSuffix(bytes.TrimSpace(objects[i]), []byte{'}'}),
					`,"entered_by":%s}`, text)
			}
		}
	}
	o := a.options(s, asJSON, asCSV)
	if len(records) == 0 && !asJSON && !asCSV {
		return render.Sentence(a.out, "No "+k.Sheet+" found.", o)
	}
	return render.Print(a.out, objects, o, func() *render.Doc {
		doc := &render.Doc{}
		t := recordTable(k, records, s)
		for i, n := range numbers {
			t.Rows[i][0] = t.Rows[i][0].Said(names[n])
		}
		if who != nil {
			t.Columns = append(t.Columns, render.Column{Key: "entered_by", Head: "entered by"})
			for i, r := range records {
				t.Rows[i] = append(t.Rows[i], render.Text(who[k.Meta(r).Number]))
			}
		}
		doc.Table(t)
		return doc
	})
}

// recordTable lays records out, a row each; columns that nobody filled in are
// left out on paper.
func recordTable(k *schema.Kind, records []schema.Record, s schema.Settings) *render.Table {
	t := &render.Table{Columns: []render.Column{{Key: "number", Head: "no."}}}
	for i := range k.Fields {
		f := &k.Fields[i]
		head := ""
		for _, r := range records {
			if f.Known(r) && f.Name != "ref" && !besideValue(k, f) {
				head = strings.ReplaceAll(f.Flag(), "-", " ")
				break
			}
		}
		c := render.Column{Key: f.Name, Head: head, Unit: f.Unit, Wrap: f.Type == schema.TextField}
		if !f.Required {
			c.Drop = i
		}
		t.Columns = append(t.Columns, c)
	}
	for _, r := range records {
		m := k.Meta(r)
		row := []render.Cell{render.Text(strconv.FormatInt(m.Number, 10))}
		for i := range k.Fields {
			cell := fieldCell(&k.Fields[i], r)
			if said := measuredText(&k.Fields[i], r, s); said != "" {
				cell = cell.Said(said)
			}
			row = append(row, cell)
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

func fieldCell(f *schema.Field, r schema.Record) render.Cell {
	switch p := f.Pointer(r).(type) {
	case *schema.Num:
		return render.Recorded(*p)
	case *time.Time:
		if p.IsZero() {
			return render.Cell{}
		}
		return render.Moment(*p)
	case *[]string:
		return render.Text(strings.Join(*p, ";"))
	case *string:
		return render.Text(*p)
	}
	return render.Cell{}
}

// printJSON prints what was read as JSON.
func (a *app) printJSON(v any) error {
	return render.Print(a.out, v, render.Options{Format: render.JSON}, nil)
}

// showRecord prints one record with its earlier versions.
func (a *app) showRecord(ctx context.Context, b *store.Book, number int64, asJSON bool) error {
	found, err := b.Show(ctx, number)
	if err != nil {
		return err
	}
	s, err := b.Settings(ctx)
	if err != nil {
		return err
	}
	attached, err := b.Attachments(ctx, number)
	if err != nil {
		return err
	}
	by, err := b.EnteredBy(ctx, number)
	if err != nil {
		return err
	}
	k, zone := found.Kind, s.Zone()
	names, err := b.Called(ctx, number, found.Same)
	if err != nil {
		return err
	}
	if asJSON {
		type version struct {
			What     string          `json:"what"`
			Replaced string          `json:"replaced"`
			Why      *string         `json:"why"`
			By       string          `json:"replaced_by,omitempty"`
			Record   json.RawMessage `json:"record"`
		}
		out := struct {
			Record   json.RawMessage  `json:"record"`
			Past     []version        `json:"earlier"`
			Attached []attachmentJSON `json:"attachments"`
			By       string           `json:"entered_by,omitempty"`
			Same     int64            `json:"counted_as,omitempty"`
		}{By: by[0], Same: found.Same, Record: json.RawMessage("null"), Past: []version{},
			Attached: attachmentsJSON(attached, zone)}
		if found.Current != nil {
			out.Record = withName(k.JSON(found.Current, zone), k.Meta(found.Current), names)
		}
		for i, v := range found.Past {
			var why *string
			if v.Why != "" {
				why = &v.Why
			}
			out.Past = append(out.Past, version{v.What, v.Replaced.In(zone).Format(time.RFC3339), why, by[i+1],
				k.JSON(v.Record, zone)})
		}
		return a.printJSON(out)
	}
	var text bytes.Buffer
	byWhom := func(version int) string {
		if by[version] == "" {
			return ""
		}
		return " by " + render.Safe(by[version])
	}
	write := func(r schema.Record) {
		for i := range k.Fields {
			f := &k.Fields[i]
			if !f.Known(r) || besideValue(k, f) {
				continue
			}
			value := f.Cell(r, zone)
			if p, ok := f.Pointer(r).(*schema.Num); ok {
				value = unit.Format(p.V, f.Unit, s.Units())
			}
			value = cmp.Or(measuredText(f, r, s), value)
			if t, ok := f.Pointer(r).(*time.Time); ok && a.outTerminal {
				value = unit.FormatTime(*t, zone)
			}
			if typed, ok := k.Meta(r).Typed[f.Name]; ok {
				value += "  (typed: " + typed + ")"
			}
			fmt.Fprintf(&text, "  %-14s %s\n", strings.ReplaceAll(f.Flag(), "-", " "), render.Safe(value))
		}
	}
	if found.Current != nil {
		m := k.Meta(found.Current)
		fmt.Fprintf(&text, "%s %s, entered %s%s\n", k.Name, cmp.Or(names[number], strconv.FormatInt(number, 10)),
			unit.FormatTime(m.Entered, zone), byWhom(0))
		write(found.Current)
	} else {
		fmt.Fprintf(&text, "%s %s, voided%s\n", k.Name, cmp.Or(names[number], strconv.FormatInt(number, 10)),
			byWhom(len(found.Past)))
	}
	if found.Same != 0 {
		fmt.Fprintf(&text, "  says what %s says, which counts in its place\n",
			cmp.Or(names[found.Same], strconv.FormatInt(found.Same, 10)))
	}
	for _, line := range attachmentLines(attached, zone) {
		fmt.Fprintf(&text, "  %s\n", line)
	}
	for i := len(found.Past) - 1; i >= 0; i-- {
		v := found.Past[i]
		why := ""
		if v.Why != "" {
			why = ": " + render.Safe(v.Why)
		}
		fmt.Fprintf(&text, "until it was %s on %s%s%s\n", strings.Replace(v.What, "amended", "corrected", 1),
			unit.FormatTime(v.Replaced, zone), byWhom(i+1), why)
		write(v.Record)
	}
	_, err = a.out.Write(text.Bytes())
	return err
}
