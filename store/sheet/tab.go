package sheet

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"shedbook/schema"
	"shedbook/schema/unit"
)

// Tab is an open tab of a workbook, read row by row. NewReader takes it as the
// source of a sheet.
//
// A cell is read as what it is. A date fits a column of times, and a duration
// ([h]:mm) one of hours, minutes or days; a percentage is of a hundred; true
// and false are yes and no. Text is text, whatever it looks like. A formula
// counts by its last value; one that failed (#N/A), or has no value, makes a
// bad row. Merged cells are refused: only the first of them holds what all of
// them show.
type Tab struct {
	name   string // the workbook's and the tab's, for messages
	book   *Workbook
	in     *pull
	fields []*schema.Field // by column, once the header was read
	line   int             // of the last row read
	cells  []cell
	texts  []string
	wrong  []cellProblem // problems of the last row read
	runs   runs
	value  []byte // of the cell being read
	done   bool
	merged []area

	hidden, firstHidden int // hidden rows that are not blank: how many, and the first
}

// cell is what a cell holds.
type cell struct {
	kind   byte // one of the below
	format numberFormat
	text   string // the text of the file, or of the shared string
	num    float64
}

const (
	noCell     = iota
	textCell   // a text, or a formula's
	numberCell // num
	boolCell   // num is 1 or 0
	wrongCell  // text says what is wrong
	isoCell    // an ISO 8601 date
)

type cellProblem struct {
	column int
	says   string
}

// area is a range of cells, and its first column and row, from 1.
type area struct {
	ref       string
	left, top int
}

const maxMerged = 1000 // of the ranges remembered

// Open opens a tab as the source of a sheet. The workbook must stay open
// meanwhile.
func (w *Workbook) Open(tab TabInfo) (*Tab, error) {
	in, err := w.pull(tab.part)
	if err != nil {
		return nil, w.fail("is damaged (%s): save it again as .xlsx", err)
	}
	return &Tab{name: w.Named(tab), book: w, in: in}, nil
}

// Named returns the name of a tab in messages: season.xlsx[runs].
func (w *Workbook) Named(tab TabInfo) string { return w.name + "[" + tab.Name + "]" }

// Close closes the tab, and tells the workbook's Note if hidden rows were read.
func (t *Tab) Close() error {
	if t.hidden > 0 && t.book.Note != nil && !t.book.noted[t.name] {
		if t.book.noted == nil {
			t.book.noted = map[string]bool{}
		}
		t.book.noted[t.name] = true // a tab may be read twice
		rows := "1 row is hidden, row"
		if t.hidden > 1 {
			rows = fmt.Sprintf("%d rows are hidden, the first is row", t.hidden)
		}
		t.book.Note(fmt.Sprintf("%s: %s %d: hidden rows are read like the others", t.name, rows, t.firstHidden))
	}
	return t.in.Close()
}

// Read makes a Tab an io.Reader; a tab has no text to read.
func (t *Tab) Read([]byte) (int, error) {
	return 0, errors.New("a tab is read by rows")
}

// damaged returns the error after which nothing more can be read.
func (t *Tab) damaged(err error) error {
	e := &Error{File: t.name, Line: max(t.line, 1)}
	switch {
	case errors.Is(err, errTooLong):
		e.Says = fmt.Sprintf("the row is larger than %d MiB: this is not a sheet", maxRowXML>>20)
	case errors.Is(err, errBomb):
		e.Says = "the tab is far too large when unpacked: save it as CSV UTF-8"
	default:
		e.Says = fmt.Sprintf("the tab is damaged after this row (%s): save the workbook again as .xlsx",
			explainXML("it", err))
	}
	return e
}

// next returns the number of the next row that has cells, and its cells as text
// for their columns. The slice is valid until the next call. The error is
// io.EOF at the end of a complete tab, otherwise an *Error, after which nothing
// follows.
func (t *Tab) next() (line int, texts []string, err error) {
	if t.done {
		return t.line, nil, io.EOF
	}
	for {
		t.in.left = maxRowXML
		token, err := t.in.RawToken()
		if err == io.EOF && t.in.closed {
			t.done = true
			if e := t.mergeProblem(); e != nil {
				return e.Line, nil, e
			}
			return t.line, nil, io.EOF
		}
		if err != nil {
			return t.line, nil, t.damaged(err)
		}
		switch e := token.(type) {
		case xml.EndElement:
			t.in.closed = t.in.closed || e.Name.Local == "worksheet"
		case xml.StartElement:
			switch e.Name.Local {
			case "mergeCell":
				if a, ok := areaOf(attr(e, "ref")); ok && len(t.merged) < maxMerged {
					t.merged = append(t.merged, a)
				}
			case "row":
				if err := t.readRow(e); err != nil {
					var known *Error
					if errors.As(err, &known) {
						return t.line, nil, err
					}
					return t.line, nil, t.damaged(err)
				}
				if len(t.cells) == 0 {
					continue
				}
				if isTrue(attr(e, "hidden")) {
					if t.hidden++; t.hidden == 1 {
						t.firstHidden = t.line
					}
				}
				t.texts, t.wrong = t.texts[:0], t.wrong[:0]
				for i := range t.cells {
					var f *schema.Field
					if i < len(t.fields) {
						f = t.fields[i]
					}
					s, wrong := t.cells[i].asText(f, t.book.date04)
					if wrong != "" {
						t.wrong = append(t.wrong, cellProblem{i, wrong})
					}
					t.texts = append(t.texts, s)
				}
				return t.line, t.texts, nil
			}
		}
	}
}

// readRow reads the cells of a row.
func (t *Tab) readRow(e xml.StartElement) error {
	line := t.line + 1
	if line > maxRows {
		return fmt.Errorf("there are more than %d rows", maxRows)
	}
	if r := attr(e, "r"); r != "" {
		n, err := strconv.Atoi(r)
		if err != nil || n < line || n > maxRows {
			return fmt.Errorf("row %q comes after row %d", printable(r), t.line)
		}
		line = n
	}
	t.line = line
	t.cells = t.cells[:0]
	column := 0
	for {
		token, err := t.in.RawToken()
		if err != nil {
			return err
		}
		switch e := token.(type) {
		case xml.EndElement:
			if e.Name.Local == "row" {
				return nil
			}
		case xml.StartElement:
			if e.Name.Local != "c" {
				continue
			}
			column++
			if r := attr(e, "r"); r != "" {
				c, _, ok := cellPlace(r)
				if !ok {
					return fmt.Errorf("there is no cell %q", printable(r))
				}
				column = c
			}
			c, err := t.readCell(e)
			if err != nil {
				return err
			}
			if c.kind == noCell || c.kind == textCell && strings.TrimSpace(c.text) == "" {
				continue
			}
			if column > maxColumns {
				return fmt.Errorf("there are more than %d columns", maxColumns)
			}
			for len(t.cells) < column {
				t.cells = append(t.cells, cell{})
			}
			t.cells[column-1] = c
		}
	}
}

// readCell reads one cell, to the end of its element.
func (t *Tab) readCell(e xml.StartElement) (cell, error) {
	kind, style := "n", 0
	for i := range e.Attr {
		switch a := &e.Attr[i]; a.Name.Local {
		case "t":
			kind = a.Value
		case "s":
			style, _ = strconv.Atoi(a.Value)
		}
	}
	t.value = t.value[:0]
	var inValue, formula, inline bool // formula: one without a value so far
	for {
		token, err := t.in.RawToken()
		if err != nil {
			return cell{}, err
		}
		switch e := token.(type) {
		case xml.StartElement:
			switch e.Name.Local {
			case "v":
				inValue, formula = true, false
			case "f":
				formula = true
			case "is":
				inline = true
			default:
				if inline {
					t.runs.start(e.Name.Local)
				}
			}
		case xml.CharData:
			if inValue {
				t.value = append(t.value, e...)
			}
			t.runs.text(e)
		case xml.EndElement:
			switch e.Name.Local {
			case "v":
				inValue = false
			case "is":
				inline = false
			case "c":
				return t.makeCell(kind, style, string(t.value), t.runs.take(), formula), nil
			default:
				t.runs.end(e.Name.Local)
			}
		}
	}
}

// makeCell returns the cell for the content of its element.
func (t *Tab) makeCell(kind string, style int, value, inline string, formula bool) cell {
	if kind == "inlineStr" {
		if inline == "" {
			return cell{}
		}
		return cell{kind: textCell, text: inline}
	}
	if kind != "str" {
		value = strings.TrimSpace(value)
	}
	if value == "" {
		if formula {
			return cell{kind: wrongCell,
				text: "has a formula without a value: open the workbook in a spreadsheet program " +
					"and save it, or write the value"}
		}
		return cell{}
	}
	switch kind {
	case "str":
		return cell{kind: textCell, text: unescape(value)}
	case "s":
		i, err := strconv.Atoi(value)
		if err != nil {
			i = -1
		}
		s, err := t.book.sharedString(i)
		if err != nil {
			return cell{kind: wrongCell, text: "can't be read (" + err.Error() + "): save the workbook again as .xlsx"}
		}
		if s == "" {
			return cell{}
		}
		return cell{kind: textCell, text: s}
	case "b":
		c := cell{kind: boolCell}
		if isTrue(value) {
			c.num = 1
		}
		return c
	case "e":
		return cell{kind: wrongCell,
			text: fmt.Sprintf("has the error %s instead of a value: fix the formula, or write "+
				"the value", printable(value))}
	case "d":
		return cell{kind: isoCell, text: value}
	}
	v, err := strconv.ParseFloat(value, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return cell{kind: wrongCell, text: fmt.Sprintf("has %s in place of a number: save the workbook again as .xlsx",
			unit.Quote(value))}
	}
	c := cell{kind: numberCell, num: v, text: value}
	if style >= 0 && style < len(t.book.formats) {
		c.format = t.book.formats[style]
	}
	return c
}

// asText returns the cell as the text that a sheet would hold in the field's
// column, and what is wrong with it.
func (c *cell) asText(f *schema.Field, date04 bool) (text, wrong string) {
	switch c.kind {
	case textCell:
		return schema.Guard(strings.TrimSpace(c.text)), ""
	case wrongCell:
		return "", c.text
	case isoCell:
		return c.text, ""
	case boolCell:
		words := [2]string{"FALSE", "TRUE"}
		if f != nil && f.Vocabulary == "yesno" {
			words = [2]string{"no", "yes"}
		}
		return words[int(c.num)], ""
	case numberCell:
		switch c.format {
		case dateFormat:
			return c.date(date04), ""
		case clockFormat, elapsedFormat:
			return c.duration(f)
		case percentFormat:
			s := strconv.FormatFloat(c.num*100, 'g', 15, 64)
			if v, err := strconv.ParseFloat(s, 64); err == nil {
				s = unit.Exact(v)
			}
			if f == nil || f.Unit != unit.Percent {
				s += "%"
			}
			return s, ""
		}
		return unit.Exact(c.num), ""
	}
	return "", ""
}

// daySeconds is the length of a day in a spreadsheet.
const daySeconds = 86400

// epoch is day 0 of the 1900 system, counted from 1900-03-01 on (ECMA-376-1,
// 18.17.4.1; day 60, before that, is a 29 February that did not exist). Day 0
// of the 1904 system is its day 1462.
var epoch = time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC)

const days1904 = 1462

// maxSerial is the last date of a spreadsheet, 9999-12-31.
const maxSerial = 2958466

// date returns a serial date as a local date, with its time of day if it has
// one.
func (c *cell) date(date04 bool) string {
	days := c.num
	if days < 0 || days >= maxSerial {
		return unit.Exact(days)
	}
	if date04 {
		days += days1904
	}
	seconds := int64(math.Round(days * daySeconds))
	at := time.Unix(epoch.Unix()+seconds, 0).UTC()
	if seconds%daySeconds == 0 {
		return at.Format(time.DateOnly)
	}
	return at.Format(time.DateTime)
}

// duration returns a fraction of a day in minutes for a column of minutes,
// otherwise as hours and minutes.
func (c *cell) duration(f *schema.Field) (text, wrong string) {
	if c.num < 0 || c.num >= maxSerial {
		return unit.Exact(c.num), ""
	}
	seconds := int64(math.Round(c.num * daySeconds))
	clock := func(s int64) string {
		if s%60 != 0 {
			return fmt.Sprintf("%d:%02d:%02d", s/3600, s/60%60, s%60)
		}
		return fmt.Sprintf("%d:%02d", s/3600, s/60%60)
	}
	if c.format == clockFormat && seconds >= daySeconds {
		return "", fmt.Sprintf("shows %s but contains %s: give the cell the number format [h]:mm, or write the hours "+
			"as a "+
			"number", clock(seconds%daySeconds), clock(seconds))
	}
	if f != nil && f.Unit == unit.Minutes {
		return unit.Exact(math.Round(float64(seconds)/60*1e4) / 1e4), ""
	}
	return clock(seconds), ""
}

// mergeProblem returns what is wrong with a sheet that has merged cells; nil if
// it has none.
func (t *Tab) mergeProblem() *Error {
	for _, a := range t.merged {
		if t.fields != nil && a.left > len(t.fields) {
			continue // outside the sheet's columns
		}
		return &Error{File: t.name, Line: a.top, Says: fmt.Sprintf("the cells %s are merged, so only the first has a "+
			"value: unmerge them (one row of names, then one row per record)", a.ref)}
	}
	return nil
}

// rest reads to the end of the tab, and returns mergeProblem.
func (t *Tab) rest() *Error {
	for {
		if _, _, err := t.next(); err != nil {
			var e *Error
			if errors.As(err, &e) && t.done {
				return e
			}
			return nil
		}
	}
}

func areaOf(ref string) (area, bool) {
	from, to, ok := strings.Cut(strings.ReplaceAll(ref, "$", ""), ":")
	if !ok {
		return area{}, false
	}
	a := area{ref: printable(ref)}
	a.left, a.top, ok = cellPlace(from)
	return a, ok && from != to
}

// cellPlace returns the column and row, from 1, of a reference such as AB12.
func cellPlace(ref string) (column, row int, ok bool) {
	i := 0
	for i < len(ref) && i < 4 && ref[i]|0x20 >= 'a' && ref[i]|0x20 <= 'z' {
		column = column*26 + int(ref[i]|0x20-'a') + 1
		i++
	}
	row, err := strconv.Atoi(ref[i:])
	return column, row, err == nil && i > 0 && row > 0 && row <= maxRows && column <= lastColumn
}
