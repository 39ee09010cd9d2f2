package render

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"

	"shedbook/schema"
)

// writeCSV writes every column of a table: figures in canonical units with all
// their decimals, times in RFC 3339, blank if unknown.
func writeCSV(w io.Writer, t *Table, o Options) error {
	out := csv.NewWriter(w)
	var head []string
	for _, c := range t.Columns {
		head = append(head, c.Key)
		if c.Span {
			head = append(head, c.Key+"_low", c.Key+"_high")
		}
	}
	if err := out.Write(head); err != nil {
		return err
	}
	for i := range t.Rows {
		var row []string
		for j := range t.Columns {
			c := t.cell(i, j)
			row = append(row, c.csv(o))
			if t.Columns[j].Span {
				low, high := "", ""
				if c.kind == intervalCell {
					low, high = plainNumber(c.e.Low), plainNumber(c.e.High)
				}
				row = append(row, low, high)
			}
		}
		if err := out.Write(row); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

func (c Cell) csv(o Options) string {
	switch c.kind {
	case textCell:
		return schema.Guard(legible(c.s))
	case countCell, numberCell, chanceCell, shareCell:
		return plainNumber(c.v)
	case intervalCell:
		return plainNumber(c.e.Value)
	case momentCell, dayCell:
		return c.t.In(o.zone()).Format(time.RFC3339)
	}
	return ""
}

func plainNumber(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return ""
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// legible is Safe for CSV, where a cell may have line breaks and tabs.
func legible(s string) string {
	if harmless(s) {
		return s
	}
	s = strings.ReplaceAll(strings.ToValidUTF8(s, "�"), "\r\n", "\n")
	var b strings.Builder
	for _, r := range s {
		if r == '\n' || r == '\t' {
			b.WriteRune(r)
		} else {
			b.WriteString(shownRune(r))
		}
	}
	return b.String()
}

// writeJSON writes v indented, with < and & as they are, and with those control
// characters escaped too that encoding/json leaves alone, so that none reaches
// a terminal.
func writeJSON(w io.Writer, v any) error {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	if err := enc.Encode(v); err != nil {
		return err
	}
	_, err := io.WriteString(w, escapeControls(b.String()))
	return err
}

func escapeControls(s string) string {
	bad := func(r rune) bool { return r >= 0x7f && unicode.IsControl(r) || turns(r) }
	if strings.IndexFunc(s, bad) < 0 {
		return s
	}
	var b strings.Builder
	for _, r := range s {
		if bad(r) {
			b.WriteString(`\u` + hex(r))
		} else {
			b.WriteRune(r)
		}
	}
	return b.String()
}
