// Package sheet reads and writes the sheets of the exchange contract: CSV (RFC 4180) in UTF-8, one file per kind of
// record, as package schema describes the kinds, or the tabs of a workbook (see Workbook and Tab).
//
// The reader understands a byte-order mark, CRLF, and comma, semicolon or tab as separator. Columns may stand in any
// order. Blank rows are passed over. A row may be short, since spreadsheet programs leave out blanks at its end; what
// it lacks is not recorded. It may not be long, unless by blanks.
package sheet

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"shedbook/schema"
	"shedbook/schema/unit"
)

// Two columns belong to any sheet, whatever its kind.
const (
	// ProblemColumn says what is wrong with a row set aside (see BadWriter). The
	// reader skips it, so that such a sheet can be corrected and imported again.
	ProblemColumn = "problem"
	// RemarkColumn is a column of older templates: rows with a word in it
	// described the columns, and are not read. One that was typed over is refused,
	// so that it is not lost (see comment).
	RemarkColumn = "#"
)

// Error is what is wrong at one place of a sheet, and what would be right. Its
// text is file:line: column: what; Column is "" if the whole row or file is
// meant.
type Error struct {
	File   string
	Line   int
	Column string
	Says   string // quotes the value if there is one
	Hint   string // the next step, if there is one
}

func (e *Error) Error() string {
	if e.Column == "" {
		return fmt.Sprintf("%s:%d: %s", e.File, e.Line, e.Says)
	}
	return fmt.Sprintf("%s:%d: %s: %s", e.File, e.Line, e.Column, e.Says)
}

// Reader reads one sheet. Its memory is limited, whatever the sheet (see
// MaxRow).
type Reader struct {
	name   string
	kind   *schema.Kind
	scan   *scanner
	tab    *Tab // nil for CSV; otherwise scan reads nothing
	head   int  // the line of the header
	header []string
	fields []*schema.Field // by column of the file; nil if a column is skipped
	remark int             // the RemarkColumn; -1
	seen   map[unknown]error
	commas int     // in a sheet separated by semicolons: the first line with a decimal comma
	dotted *[2]int // line and column of the first number such as 1.234, while no decimal comma was seen
	order  []int   // columns in the order of the kind's fields, so that problems come in a fixed order
}

// unknown is a word that was not known in a column. The hint takes long to
// make, since the word is compared with all known words, and a sheet may repeat
// it on every row: maxUnknown of them are cached.
type unknown struct {
	column int
	word   string
}

const maxUnknown = 10_000

// maxColumns is the widest sheet, not counting blank cells at the end of rows:
// no kind has a tenth of it.
const maxColumns = 1000

// Row is one row of the file.
type Row struct {
	Line  int      // the line it begins on
	Cells []string // at least as many as the sheet has columns; valid until the next row is read
	wrong []*Error // what is wrong with the row as a whole
}

// Errors are the problems of a header; all have to be corrected before the
// sheet can be read.
type Errors []*Error

func (e Errors) Error() string {
	lines := make([]string, len(e))
	for i := range e {
		lines[i] = e[i].Error()
	}
	return strings.Join(lines, "\n")
}

// NewReader reads the header of a sheet of the kind; name is the file's name
// for messages. If src is a *Tab its rows are read, and the first that is not
// blank is the header. The error is Errors if the header is wrong, and an
// *Error if the file is not a sheet.
func NewReader(src io.Reader, name string, kind *schema.Kind) (*Reader, error) {
	if t, ok := src.(*Tab); ok {
		return newTabReader(t, name, kind)
	}
	r := &Reader{name: name, kind: kind, scan: newScanner(src), head: 1}
	first, err := r.scan.peekLine()
	if errors.Is(err, errTooLong) {
		return nil, r.fail(1, "", "has no line break in the first %d bytes, so no header row: it is not a sheet",
			MaxRow)
	} else if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if bytes.HasPrefix(first, []byte("\xef\xbb\xbf")) {
		first = first[3:]
		r.scan.start += 3
	}
	switch {
	case bytes.HasPrefix(first, []byte("\xff\xfe")) || bytes.HasPrefix(first, []byte("\xfe\xff")):
		return nil, r.fail(1, "", "is in UTF-16: save it as CSV UTF-8")
	case bytes.HasPrefix(first, []byte("PK\x03\x04")):
		return nil, r.fail(1, "", "is a workbook or an archive, not a sheet: save it as CSV UTF-8")
	case bytes.IndexByte(first, 0) >= 0 || !utf8.Valid(first):
		return nil, r.fail(1, "", "is not text in UTF-8: save it as CSV UTF-8")
	case len(bytes.TrimSpace(first)) == 0:
		return nil, r.fail(1, "", "has no header row: the first row names the columns, such as %s",
			strings.Join(kind.Columns(), ","))
	}
	r.scan.sep = separator(first)
	_, cells, err := r.scan.next()
	if err != nil {
		return nil, r.fatal(1, err)
	}
	return r, r.readHeader(cells)
}

func newTabReader(t *Tab, name string, kind *schema.Kind) (*Reader, error) {
	t.name = name
	r := &Reader{name: name, kind: kind, scan: &scanner{sep: ',', junk: -1}, tab: t}
	for {
		line, cells, err := t.next()
		if err == io.EOF {
			return nil, r.fail(1, "", "has no header row: the first row names the columns, such as %s",
				strings.Join(kind.Columns(), ","))
		} else if err != nil {
			return nil, err
		}
		if blank(cells) && len(t.wrong) == 0 {
			continue
		}
		r.head = line
		if len(t.wrong) > 0 {
			return nil, r.fail(line, fmt.Sprintf("column %d", t.wrong[0].column+1), "%s", t.wrong[0].says)
		}
		if err := r.readHeader(cells); err != nil {
			if merged := t.rest(); merged != nil { // merged cells explain why the names are misplaced
				return nil, merged
			}
			return nil, err
		}
		t.fields = r.fields
		return r, nil
	}
}

// separator returns the one of comma, semicolon and tab that is most frequent
// in the header, outside quotes.
func separator(header []byte) byte {
	var n [256]int
	quoted := false
	for _, c := range header {
		if c == '"' {
			quoted = !quoted
		} else if !quoted {
			n[c]++
		}
	}
	best := byte(',')
	for _, c := range []byte(";\t") {
		if n[c] > n[best] {
			best = c
		}
	}
	return best
}

func (r *Reader) readHeader(cells []string) error {
	if cells = trimBlank(cells, 0); len(cells) > maxColumns {
		return r.fail(r.head, "", "has %d columns, more than the %d that can be read: this is not a sheet of %s",
			len(cells), maxColumns, r.kind.Sheet)
	}
	var wrong Errors
	strange := false
	at := map[string]int{}
	r.remark = -1
	r.header = make([]string, len(cells))
	r.fields = make([]*schema.Field, len(cells))
	for i, c := range cells {
		c = strings.ToLower(strings.TrimSpace(c))
		r.header[i] = c
		if c == "" {
			continue
		}
		if before, twice := at[c]; twice {
			wrong = append(wrong, r.fail(r.head, c, "is in the header twice, as columns %d and %d: keep one", before+1,
				i+1))
			continue
		}
		at[c] = i
		if c == RemarkColumn {
			r.remark = i
		}
		if ownColumn(c) {
			continue
		}
		if r.fields[i] = r.kind.Field(c); r.fields[i] == nil {
			strange = true
			says := "is not a column of " + r.kind.Sheet + schema.DidYouMean(c, r.kind.Columns())
			wrong = append(wrong, r.fail(r.head, short(c), "%s: rename or delete the column; the columns are %s", says,
				strings.Join(r.kind.Columns(), ", ")))
		}
	}
	for i := range r.kind.Fields {
		f := &r.kind.Fields[i]
		if at, ok := at[f.Name]; ok {
			r.order = append(r.order, at)
		} else if f.Required {
			wrong = append(wrong, r.fail(r.head, f.Name, "is missing from the header: a sheet of %s needs it (%s)",
				r.kind.Sheet, f.Help))
		}
	}
	if len(wrong) == 0 {
		return nil
	}
	const most = 20
	if n := len(wrong); n > most {
		wrong = append(wrong[:most:most], r.fail(r.head, "", "and %d more columns are wrong", n-most))
	}
	if other := r.looksLike(at); other != nil {
		if strange {
			wrong = Errors{r.fail(r.head, "", "looks like a sheet of %s, not of %s", other.Sheet, r.kind.Sheet)}
		}
		wrong[0].Hint = "if it is a sheet of " + other.Sheet + ", import it with --as " + other.Sheet
	}
	return wrong
}

// looksLike returns another kind whose sheet has all these columns and lacks
// none that it requires; if there are several, the one with the fewest columns;
// nil if there is none.
func (r *Reader) looksLike(columns map[string]int) *schema.Kind {
	var best *schema.Kind
	for _, k := range schema.Kinds {
		fits := true
		for c := range columns {
			fits = fits && (c == "" || ownColumn(c) || k.Field(c) != nil)
		}
		for i := range k.Fields {
			_, there := columns[k.Fields[i].Name]
			fits = fits && (there || !k.Fields[i].Required)
		}
		if fits && k != r.kind && (best == nil || len(k.Fields) < len(best.Fields)) {
			best = k
		}
	}
	return best
}

// ownColumn reports whether a column belongs to any sheet, whatever its kind.
func ownColumn(column string) bool { return column == ProblemColumn || column == RemarkColumn }

// Header returns the sheet's column names, in its own order.
func (r *Reader) Header() []string { return slices.Clone(r.header) }

// Next returns the next row that is not blank; io.EOF at the end of the sheet.
// After any other error the rest can't be read: the file failed, or (an *Error)
// its rows can't be told apart.
func (r *Reader) Next() (Row, error) {
	for {
		next := r.scan.next
		if r.tab != nil {
			next = r.tab.next
		}
		line, cells, err := next()
		if err == io.EOF {
			return Row{}, io.EOF
		}
		if err != nil {
			return Row{}, r.fatal(line, err)
		}
		if blank(cells) && (r.tab == nil || len(r.tab.wrong) == 0) {
			continue
		}
		skip, overwritten := r.comment(cells)
		if skip {
			continue
		}
		row := Row{Line: line}
		have := len(cells)
		if cells = trimBlank(cells, len(r.header)); len(cells) > maxColumns {
			return Row{},
				r.fail(line, "", "the row has %d cells, more than the %d that can be read: this is not a sheet of %s",
					have, maxColumns, r.kind.Sheet)
		}
		for len(cells) < len(r.header) {
			cells = append(cells, "")
		}
		r.scan.cells = cells
		row.Cells = cells
		row.wrong = r.judge(row, have)
		if overwritten != "" {
			row.wrong = append(row.wrong, r.fail(line, r.column(max(r.remark, 0)), "%s", overwritten))
		}
		if r.scan.sep == ';' {
			if err := r.judgeCommas(&row); err != nil {
				return Row{}, err
			}
		}
		return row, nil
	}
}

// commentLine matches the beginning of a template's comment, which names the
// column it describes.
var commentLine = regexp.MustCompile(`^# [a-z_]+: `)

// comment reports whether a row is a comment of a template, to be skipped.
// wrong says what is wrong if somebody typed values over it.
func (r *Reader) comment(cells []string) (skip bool, wrong string) {
	if commentLine.MatchString(strings.TrimSpace(cells[0])) {
		if blank(cells[1:]) {
			return true, ""
		}
		return false,
			"the row begins with a comment, but has values beside it: clear its first cell, or put the values " +
				"on a line of their own"
	}
	if r.remark < 0 || r.remark >= len(cells) {
		return false, ""
	}
	remark := strings.TrimSpace(cells[r.remark])
	if remark == "" {
		return false, ""
	}
	for i, c := range cells {
		if c = strings.TrimSpace(c); c == "" || i >= len(r.fields) || i == r.remark {
			continue
		}
		f := r.fields[i]
		// In older templates the first such row described each column, the others
		// held words only.
		told := f == nil || f.Type == schema.WordField || f.Type == schema.WordsField
		if strings.HasPrefix(remark, "not read: what belongs") {
			told = f == nil || !f.Required || strings.HasSuffix(c, "(required)")
		}
		if !told {
			return false,
				fmt.Sprintf("the row is marked as %s, but has values: clear this cell so that the row is read, or "+
					"take the row out", unit.Quote(remark))
		}
	}
	return true, ""
}

var (
	// decimalComma matches a number whose comma must be a decimal one.
	decimalComma = regexp.MustCompile(`^[-+−–]?(\d+,(\d{1,2}|\d{4,})|0,\d+)(\D|$)`)
	// pointOrGroups matches one whose point is either decimal or separates
	// thousands.
	pointOrGroups = regexp.MustCompile(`^[-+−–]?[1-9]\d{0,2}\.\d{3}(\D|$)`)
)

// judgeCommas refuses 1.234 in a sheet with decimal commas, as 1,234 is refused
// anywhere: who writes 1,5 means 1234 by it. If the first decimal comma comes
// after such a number, the error ends the sheet.
func (r *Reader) judgeCommas(row *Row) error {
	for _, i := range r.order {
		if r.fields[i].Type != schema.NumField {
			continue
		}
		c := strings.TrimSpace(row.Cells[i])
		switch {
		case decimalComma.MatchString(c):
			if r.commas == 0 {
				r.commas = row.Line
			}
			if r.dotted != nil {
				return r.fail(r.dotted[0], r.column(r.dotted[1]),
					"a number such as 1.234 could be 1.234 or 1234, since line %d "+
						"has a decimal comma: write one of them", row.Line)
			}
		case !pointOrGroups.MatchString(c):
		case r.commas > 0:
			whole, frac, _ := strings.Cut(c, ".")
			row.wrong = append(row.wrong, r.fail(row.Line, r.column(i),
				"%s could be %s,%s or %s%s, since line %d has a decimal comma: write one of them",
				unit.Quote(c), whole, frac, whole, frac, r.commas))
		case r.dotted == nil:
			r.dotted = &[2]int{row.Line, i}
		}
	}
	return nil
}

// judge returns what is wrong with a row as a whole; have is the number of its
// cells in the file.
func (r *Reader) judge(row Row, have int) (wrong []*Error) {
	bad := func(column, format string, args ...any) {
		wrong = append(wrong, r.fail(row.Line, column, format, args...))
	}
	columns := len(r.header)
	if i := r.scan.junk; i >= 0 {
		bad(r.column(i), "has text after its closing quote: write a quote within quotes twice")
	}
	if have < columns && r.scan.cut {
		bad("", "the file ends in the middle of this row, after %d of %d cells: "+
			"complete it, or end the row with a line break", have, columns)
	}
	if r.tab != nil {
		for _, p := range r.tab.wrong {
			bad(r.column(p.column), "%s", p.says)
		}
		for i := columns; i < len(row.Cells); i++ {
			if row.Cells[i] != "" {
				bad(r.column(i), "%s is outside the columns: name its column in the header, or delete the value",
					unit.Quote(row.Cells[i]))
				break
			}
		}
	} else if have > columns && !blank(row.Cells[columns:]) {
		bad("", "has %d cells for %d columns: put quotes around a cell that contains the separator %q",
			have, columns, string(r.scan.sep))
	}
	for i, c := range row.Cells {
		switch {
		case i < columns && r.header[i] == "" && strings.TrimSpace(c) != "":
			bad(r.column(i), "%s is in a column without a name: name the column in the header, or delete the value",
				unit.Quote(c))
		case clean(c):
		case !utf8.ValidString(c):
			bad(r.column(i), "%s is not UTF-8: save the sheet as CSV UTF-8", unit.Quote(c))
		default:
			bad(r.column(i), "%s contains a NUL byte: take it out", unit.Quote(c))
		}
	}
	return wrong
}

// clean reports whether s is UTF-8 without NUL.
func clean(s string) bool {
	for i := range len(s) {
		if c := s[i]; c == 0 || c >= utf8.RuneSelf {
			return strings.IndexByte(s, 0) < 0 && utf8.ValidString(s)
		}
	}
	return true
}

// column returns the name of a column of the file, or its number if it has no
// name.
func (r *Reader) column(i int) string {
	if i < len(r.header) && r.header[i] != "" {
		return r.header[i]
	}
	return fmt.Sprintf("column %d", i+1)
}

// Record returns the record of a row, read against what the book knows. All
// problems of the row are returned, those of cells in the order of the kind's
// fields; the record is nil if there are any.
func (r *Reader) Record(row Row, known *schema.Known) (schema.Record, []*Error) {
	if len(row.wrong) > 0 {
		return nil, row.wrong
	}
	var wrong []*Error
	rec := r.kind.New()
	for _, i := range r.order {
		raw := strings.TrimSpace(row.Cells[i])
		if raw == "" {
			continue
		}
		if err := r.set(rec, i, schema.Unguard(raw), known); err != nil {
			wrong = append(wrong, r.problem(row.Line, r.fields[i].Name, err))
		}
	}
	if wrong != nil {
		return nil, wrong
	}
	if err := r.kind.Check(rec); err != nil {
		return nil, []*Error{r.problem(row.Line, "", err)}
	}
	return rec, nil
}

// set reads a cell of column i into the record. known must not change while the
// sheet is read.
func (r *Reader) set(rec schema.Record, i int, raw string, known *schema.Known) error {
	f := r.fields[i]
	if r.seen != nil && len(raw) <= 64 {
		if err, ok := r.seen[unknown{i, raw}]; ok {
			return err
		}
	}
	err := r.kind.Set(rec, f, raw, known, time.Time{})
	if err == nil || f.Type != schema.MachineField && f.Type != schema.DriverField && f.Type != schema.WordField ||
		len(raw) > 64 {
		return err
	}
	if r.seen == nil {
		r.seen = map[unknown]error{}
	}
	if len(r.seen) < maxUnknown {
		r.seen[unknown{i, strings.Clone(raw)}] = err
	}
	return err
}

// problem turns an error of package schema into one with its place in the
// sheet.
func (r *Reader) problem(line int, column string, err error) *Error {
	p := schema.AsProblem(err)
	if p == nil {
		return r.fail(line, column, "%s", err.Error())
	}
	e := &Error{File: r.name, Line: line, Column: p.Column, Says: p.Says, Hint: p.Hint}
	if p.Value != "" {
		e.Says = unit.Quote(p.Value) + " " + p.Says
	}
	return e
}

// Wrong returns an error at a row of this sheet that the caller found, such as
// a conflict.
func (r *Reader) Wrong(row Row, column, says string) *Error {
	return r.fail(row.Line, column, "%s", says)
}

func (r *Reader) fail(line int, column, format string, args ...any) *Error {
	return &Error{File: r.name, Line: line, Column: column, Says: fmt.Sprintf(format, args...)}
}

// fatal returns why the rest of the sheet can't be read.
func (r *Reader) fatal(line int, err error) error {
	if r.tab != nil {
		return err
	}
	switch err {
	case errTooLong:
		return r.fail(line, "",
			"the row that begins here is longer than %d bytes: a quote may not be closed, or this is "+
				"not a sheet", MaxRow)
	case errUnclosed:
		return r.fail(line, "",
			"a quote that opens in this row is never closed: close it, or write a quote within quotes "+
				"twice")
	}
	return fmt.Errorf("%s:%d: %w", r.name, line, err)
}

// trimBlank returns a row of more than maxColumns cells without the blank ones
// at its end, but with at least keep.
func trimBlank(cells []string, keep int) []string {
	for len(cells) > max(keep, maxColumns) && strings.TrimSpace(cells[len(cells)-1]) == "" {
		cells = cells[:len(cells)-1]
	}
	return cells
}

func blank(cells []string) bool {
	for _, c := range cells {
		if strings.TrimSpace(c) != "" {
			return false
		}
	}
	return true
}

// short cuts a name from the file to what fits in a line.
func short(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return s
}
