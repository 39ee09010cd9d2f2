package sheet

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"shedbook/schema"
	"shedbook/schema/unit"
)

// SheetColumn is the first column of a file with rows of several kinds: the
// sheet that each row belongs to. Rows set aside from a whole directory go into
// one such file.
const SheetColumn = "sheet"

// MixedWriter sets rows of several sheets aside in one file: the sheet's name,
// then every column of those sheets, then what is wrong (ProblemColumn). The
// file can be corrected and imported again (see Split).
type MixedWriter struct {
	out     *bufio.Writer
	columns []string
}

// NewMixedWriter writes the header. Errors of writing show at Flush.
func NewMixedWriter(w io.Writer, kinds []*schema.Kind) *MixedWriter {
	m := &MixedWriter{out: bufio.NewWriter(w)}
	for _, k := range kinds {
		for _, c := range k.Columns() {
			if !slices.Contains(m.columns, c) {
				m.columns = append(m.columns, c)
			}
		}
	}
	m.out.Write(appendRow(nil, append(append([]string{SheetColumn}, m.columns...), ProblemColumn), ','))
	return m
}

// Write adds a row of the sheet that from reads, and its problems. Cells
// beyond the sheet's columns stand behind the problem.
func (m *MixedWriter) Write(from *Reader, row Row, wrong []*Error) {
	cells := make([]string, 2+len(m.columns))
	cells[0] = from.kind.Sheet
	for i, c := range row.Cells {
		if i >= len(from.header) {
			if c != "" {
				cells = append(cells, schema.Guard(c))
			}
		} else if at := slices.Index(m.columns, from.header[i]); at >= 0 {
			cells[1+at] = guardRaw(from.fields[i], c)
		}
	}
	var says []string
	for _, e := range wrong {
		says = append(says, strings.TrimPrefix(e.Error(), fmt.Sprintf("%s:%d: ", e.File, e.Line)))
	}
	cells[1+len(m.columns)] = schema.Guard(strings.Join(says, "; "))
	m.out.Write(appendRow(nil, cells, ','))
}

// Flush writes out what is buffered, and returns the first error of writing.
func (m *MixedWriter) Flush() error { return m.out.Flush() }

// maxMixed limits the memory of Split: rows set aside are few.
const maxMixed = 64 << 20

// part is the sheet of one kind in such a file.
type part struct {
	text    []byte
	lines   int   // line breaks in text so far
	columns []int // their places in the file
}

func (p *part) add(cells []string) {
	from := len(p.text)
	p.text = appendRow(p.text, cells, ',')
	p.lines += bytes.Count(p.text[from:], []byte("\n"))
}

// Split separates a file of several kinds: it returns the text of each kind's
// own sheet, with its rows on their original lines. Nil if the file's first
// column is not SheetColumn.
func Split(src io.Reader, name string) (map[*schema.Kind][]byte, error) {
	in := bufio.NewReader(io.LimitReader(src, maxMixed))
	head, _ := in.Peek(len("\xef\xbb\xbf" + SheetColumn + "x"))
	head = bytes.TrimPrefix(head, []byte("\xef\xbb\xbf"))
	if len(head) <= len(SheetColumn) || !strings.EqualFold(string(head[:len(SheetColumn)]), SheetColumn) ||
		!strings.ContainsRune(",;\t", rune(head[len(SheetColumn)])) {
		return nil, nil
	}
	r := csv.NewReader(in)
	r.Comma, r.FieldsPerRecord = rune(head[len(SheetColumn)]), -1
	header, err := r.Read()
	if err != nil {
		return nil, err
	}
	parts := map[*schema.Kind]*part{}
	for {
		row, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		line, _ := r.FieldPos(0)
		if r.InputOffset() >= maxMixed {
			return nil, &Error{File: name, Line: line, Says: fmt.Sprintf("is larger than %d MiB: split it by kind",
				maxMixed>>20)}
		}
		if strings.Join(row, "") == "" {
			continue
		}
		k := schema.KindNamed(strings.ToLower(strings.TrimSpace(row[0])))
		if k == nil {
			return nil, &Error{File: name, Line: line, Column: SheetColumn,
				Says: unit.Quote(row[0]) + " is not a kind of sheet: write runs, topups, ..."}
		}
		p := parts[k]
		if p == nil {
			p = &part{}
			var names []string
			for i, h := range header {
				if h = strings.ToLower(strings.TrimSpace(h)); k.Field(h) != nil {
					p.columns = append(p.columns, i)
					names = append(names, h)
				}
			}
			p.add(names)
			parts[k] = p
		}
		for ; p.lines < line-1; p.lines++ {
			p.text = append(p.text, '\n')
		}
		cells := make([]string, len(p.columns))
		for i, c := range p.columns {
			if c < len(row) {
				cells[i] = row[c]
			}
		}
		p.add(cells)
	}
	out := map[*schema.Kind][]byte{}
	for k, p := range parts {
		out[k] = p.text
	}
	return out, nil
}
