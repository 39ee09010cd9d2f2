package sheet

import (
	"bufio"
	"io"
	"strings"
	"time"

	"shedbook/schema"
	"shedbook/schema/unit"
)

// Writer writes a sheet of a kind, its header and a row for each record, that a
// Reader reads back as equal records. Numbers are in the columns' units, times
// in RFC 3339 with the zone's offset, rows end in CRLF (RFC 4180), and no cell
// looks like a formula to a spreadsheet program (see schema.Guard).
type Writer struct {
	out  *bufio.Writer
	kind *schema.Kind
	zone *time.Location
	buf  []byte
}

// NewWriter writes the header. Errors of writing show at Flush.
func NewWriter(w io.Writer, kind *schema.Kind, zone *time.Location) *Writer {
	s := &Writer{out: bufio.NewWriterSize(w, 64<<10), kind: kind, zone: zone}
	s.out.Write(appendRow(nil, kind.Columns(), ','))
	return s
}

// Write adds a record of the kind.
func (w *Writer) Write(r schema.Record) {
	b := w.buf[:0]
	for i := range w.kind.Fields {
		if i > 0 {
			b = append(b, ',')
		}
		switch p := w.kind.Fields[i].Pointer(r).(type) {
		case *string:
			if *p != "" {
				b = appendCell(b, schema.Guard(*p), ',')
			}
		case *schema.Num:
			if p.Known {
				b = unit.AppendExact(b, p.V)
			}
		case *time.Time:
			if !p.IsZero() {
				b = p.In(w.zone).AppendFormat(b, time.RFC3339)
			}
		case *[]string:
			if len(*p) > 0 {
				b = appendCell(b, schema.Guard(strings.Join(*p, ";")), ',')
			}
		}
	}
	w.buf = append(b, '\r', '\n')
	w.out.Write(w.buf)
}

// Flush writes out what is buffered, and returns the first error of writing.
func (w *Writer) Flush() error { return w.out.Flush() }

// BadWriter sets rows aside unchanged, each with what is wrong with it in an
// added last column (ProblemColumn). The file can be corrected and imported
// again: its separator and columns are those of the sheet read.
type BadWriter struct {
	out  *bufio.Writer
	from *Reader
	keep []int // the columns written
}

// NewBadWriter writes the header of the sheet being read, and the added column. Errors of writing show at Flush.
func NewBadWriter(w io.Writer, from *Reader) *BadWriter {
	s := &BadWriter{out: bufio.NewWriterSize(w, 16<<10), from: from}
	var names []string
	for i, h := range from.header {
		if h != ProblemColumn { // of a sheet set aside before
			s.keep = append(s.keep, i)
			names = append(names, h)
		}
	}
	s.out.Write(appendRow(nil, append(names, ProblemColumn), from.scan.sep))
	return s
}

// Write adds a row and its problems. Cells beyond the header's columns stand behind the problem.
func (w *BadWriter) Write(row Row, wrong []*Error) {
	var cells, says []string
	for _, i := range w.keep {
		c := ""
		if i < len(row.Cells) { // a rest that can't be read has no cells
			c = row.Cells[i]
		}
		cells = append(cells, guardRaw(w.from.fields[i], c))
	}
	for _, e := range wrong {
		s := e.Says
		if e.Column != "" {
			s = e.Column + ": " + s
		}
		says = append(says, s)
	}
	cells = append(cells, schema.Guard(strings.Join(says, "; ")))
	if n := len(w.from.header); len(row.Cells) > n {
		for _, c := range row.Cells[n:] {
			cells = append(cells, guardRaw(nil, c))
		}
	}
	w.out.Write(appendRow(nil, cells, w.from.scan.sep))
}

// Flush writes out what is buffered, and returns the first error of writing.
func (w *BadWriter) Flush() error { return w.out.Flush() }

// Template writes an empty sheet of the kind to fill in: the header, then a
// comment for each column with what belongs in it and the words it takes (see
// comment). The comments may stay in the sheet.
func Template(w io.Writer, kind *schema.Kind, known *schema.Known) error {
	b := appendRow(nil, kind.Columns(), ',')
	say := func(column, text string) { b = appendRow(b, []string{"# " + column + ": " + text}, ',') }
	say("note", "lines such as this one are not read. Put your rows below them")
	for i := range kind.Fields {
		f := &kind.Fields[i]
		says := f.Help
		if f.Required {
			says += " (required)"
		}
		if f.Type == schema.WordField || f.Type == schema.WordsField {
			if words := known.Words[f.Vocabulary]; len(words) > 0 {
				says += ": " + strings.Join(words, " / ")
			}
		}
		say(f.Name, says)
	}
	_, err := w.Write(b)
	return err
}

// guardRaw guards a cell as it was typed; numbers are left alone.
func guardRaw(f *schema.Field, s string) string {
	s = schema.Unguard(strings.TrimSpace(s))
	if f != nil && (f.Type == schema.NumField || f.Type == schema.TimeField) {
		if _, err := unit.Parse(s, unit.Count); err == nil {
			return s
		}
	}
	return schema.Guard(s)
}

func appendRow(b []byte, cells []string, sep byte) []byte {
	for i, c := range cells {
		if i > 0 {
			b = append(b, sep)
		}
		b = appendCell(b, c, sep)
	}
	return append(b, '\r', '\n')
}

// appendCell appends a cell, quoted if it must be or if another separator could
// be found in it.
func appendCell(b []byte, s string, sep byte) []byte {
	plain := true
	for i := range len(s) {
		switch c := s[i]; c {
		case sep, '"', '\r', '\n', ',', ';', '\t':
			plain = false
		}
	}
	if plain {
		return append(b, s...)
	}
	b = append(b, '"')
	for {
		i := strings.IndexByte(s, '"')
		if i < 0 {
			break
		}
		b = append(b, s[:i]...)
		b = append(b, '"', '"')
		s = s[i+1:]
	}
	b = append(b, s...)
	return append(b, '"')
}
