package sheet

import (
	"archive/zip"
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf16"
	"unicode/utf8"

	"github.com/xuri/excelize/v2"

	"shedbook/schema"
	"shedbook/schema/unit"
)

// WorkbookWriter writes a workbook to be looked at, filled in and imported again: a tab a kind, its names in a row that
// stays in sight, what belongs in a column told at its name, the words that it takes as a list to pick from. Numbers are
// in the columns' units, times are dates in the book's zone; text is text, also where it looks like a formula. A Reader
// reads equal records back.
//
// excelize makes the workbook, all but its rows; they go straight into the archive, so that memory does not grow with
// them, and characters that XML does not take are kept.
type WorkbookWriter struct {
	zip   *zip.Writer
	zone  *time.Location
	kinds []*schema.Kind
	tabs  map[*schema.Kind]*frame
	now   *frame // being written
	kind  *schema.Kind
	out   *bufio.Writer
	row   int
	buf   []byte
	style struct{ text, moment, second int } // second shows seconds too
}

// frame is a tab's part but for its rows.
type frame struct {
	part       string
	head, tail []byte
}

// listTab is the hidden tab that the lists to pick from stand on.
const listTab = "lists"

// maxCellText is the longest text of a cell, in UTF-16 units, in every spreadsheet program.
const maxCellText = 32767

// NewWorkbookWriter begins a workbook with a tab for each of the kinds. Close ends it.
func NewWorkbookWriter(w io.Writer, kinds []*schema.Kind, known *schema.Known) (*WorkbookWriter, error) {
	s := &WorkbookWriter{zip: zip.NewWriter(w), zone: known.Zone, kinds: kinds, tabs: map[*schema.Kind]*frame{}}
	if s.zone == nil {
		s.zone = time.UTC
	}
	f := excelize.NewFile()
	defer f.Close()
	if err := s.frames(f, known); err != nil {
		return nil, err
	}
	b, err := f.WriteToBuffer()
	if err != nil {
		return nil, err
	}
	src := bytes.NewReader(b.Bytes())
	made, err := NewWorkbook(src, src.Size(), "workbook")
	if err != nil {
		return nil, err
	}
	z, err := zip.NewReader(src, src.Size())
	if err != nil {
		return nil, err
	}
	parts := map[string]*frame{}
	for _, t := range made.Tabs() {
		if k := schema.KindNamed(t.Name); k != nil {
			s.tabs[k] = &frame{}
			parts[t.part] = s.tabs[k]
		}
	}
	for _, p := range z.File {
		frame := parts[partName(p.Name)]
		if frame == nil {
			if err := s.zip.Copy(p); err != nil {
				return nil, err
			}
			continue
		}
		r, err := p.Open()
		if err != nil {
			return nil, err
		}
		whole, err := io.ReadAll(r)
		if err = errors.Join(err, r.Close()); err != nil {
			return nil, err
		}
		at := bytes.Index(whole, []byte("</sheetData>"))
		if at < 0 {
			return nil, fmt.Errorf("%s has no rows", p.Name)
		}
		frame.part, frame.head, frame.tail = p.Name, whole[:at], whole[at:]
	}
	return s, nil
}

// frames makes the tabs, with their headers, and the lists.
func (s *WorkbookWriter) frames(f *excelize.File, known *schema.Known) error {
	style := func(x excelize.Style) (id int) { return must(f.NewStyle(&x)) }
	moment, second := "yyyy-mm-dd hh:mm", "yyyy-mm-dd hh:mm:ss"
	header := style(excelize.Style{Font: &excelize.Font{Bold: true}, NumFmt: 49})
	s.style.text = style(excelize.Style{NumFmt: 49}) // @: what is typed stays text (ECMA-376-1, 18.8.30)
	s.style.moment = style(excelize.Style{CustomNumFmt: &moment})
	s.style.second = style(excelize.Style{CustomNumFmt: &second})

	lists := map[string]string{} // where each stands
	var err error
	keep := func(e error) { err = errors.Join(err, e) }
	list := func(name string, words []string) string {
		if at, ok := lists[name]; ok || len(words) == 0 {
			return at
		}
		column := must(excelize.ColumnNumberToName(len(lists) + 1))
		words = words[:min(len(words), maxRows-1)]
		keep(f.SetSheetCol(listTab, column+"1", &[]string{name}))
		keep(f.SetSheetCol(listTab, column+"2", &words))
		lists[name] = fmt.Sprintf("%s!$%s$2:$%s$%d", listTab, column, column, len(words)+1)
		return lists[name]
	}
	for i, k := range s.kinds {
		if i == 0 {
			keep(f.SetSheetName(f.GetSheetName(0), k.Sheet))
			continue
		}
		_, e := f.NewSheet(k.Sheet)
		keep(e)
	}
	_, e := f.NewSheet(listTab)
	keep(e)
	keep(f.SetSheetVisible(listTab, false))
	for _, k := range s.kinds {
		tab := k.Sheet
		keep(f.SetPanes(tab, &excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}))
		for i := range k.Fields {
			field := &k.Fields[i]
			column := must(excelize.ColumnNumberToName(i + 1))
			keep(f.SetCellStr(tab, column+"1", field.Name))
			keep(f.SetColWidth(tab, column, column, float64(max(10, len(field.Name)+2))))
			switch field.Type {
			case schema.TimeField:
				keep(f.SetColStyle(tab, column, s.style.moment))
				keep(f.SetColWidth(tab, column, column, 20))
			case schema.NumField:
			default:
				keep(f.SetColStyle(tab, column, s.style.text))
			}
			keep(f.SetCellStyle(tab, column+"1", column+"1", header))
			keep(f.AddDataValidation(tab, help(field, column)))
			if pick := pickList(field, column, list, known); pick != nil {
				keep(f.AddDataValidation(tab, pick))
			}
		}
	}
	return err
}

// help tells at a column's name what belongs in it.
func help(field *schema.Field, column string) *excelize.DataValidation {
	v := excelize.NewDataValidation(true)
	v.Sqref = column + "1"
	says := field.Help
	if field.Unit != unit.Count {
		says += ", in " + string(field.Unit)
	}
	if field.Required {
		says += " (required)"
	}
	v.SetInput(field.Name, says)
	return v
}

// pickList is the list that a column's cells are picked from; nil where they are free. A machine, a driver or a kind of
// ground may be new, with a row of its own on its tab; several words joined by ; may stand where several are allowed.
func pickList(field *schema.Field, column string, list func(string, []string) string, known *schema.Known) *excelize.DataValidation {
	at := ""
	v := excelize.NewDataValidation(true)
	switch field.Type {
	case schema.MachineField:
		at = list("machine", known.Machines)
		v.SetError(excelize.DataValidationErrorStyleWarning, field.Name, "The book has no such machine. A new one needs a row on the tab machines.")
	case schema.DriverField:
		at = list("driver", known.Drivers)
		v.SetError(excelize.DataValidationErrorStyleWarning, field.Name, "The book has no such driver. A new one needs a row on the tab drivers.")
	case schema.WordField:
		at = list(field.Vocabulary, known.Words[field.Vocabulary])
		if slices.Contains(schema.Words("vocabulary"), field.Vocabulary) {
			v.SetError(excelize.DataValidationErrorStyleWarning, field.Name, "The book has no such word. A new one needs a row on the tab words.")
		} else {
			v.SetError(excelize.DataValidationErrorStyleStop, field.Name, "Pick one of the list.")
		}
	case schema.WordsField:
		at = list(field.Vocabulary, known.Words[field.Vocabulary])
	}
	if at == "" {
		return nil
	}
	v.Sqref = fmt.Sprintf("%s2:%s%d", column, column, maxRows)
	v.SetSqrefDropList(at)
	return v
}

// must is for what can't fail: a style or a column of ours.
func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// Write adds a record. Those of a kind come one after another.
func (s *WorkbookWriter) Write(r schema.Record) error {
	if k := schema.KindOf(r); k != s.kind {
		if err := s.begin(k); err != nil {
			return err
		}
	}
	if s.row++; s.row > maxRows {
		return fmt.Errorf("there are more than %d %s, the most that a tab of a workbook holds: export sheets", maxRows-1, s.kind.Sheet)
	}
	b := append(s.buf[:0], `<row r="`...)
	b = strconv.AppendInt(b, int64(s.row), 10)
	b = append(b, `">`...)
	for i := range s.kind.Fields {
		f := &s.kind.Fields[i]
		text, style := "", s.style.text
		switch p := f.Pointer(r).(type) {
		case *string:
			text = *p
		case *[]string:
			text = strings.Join(*p, ";")
		case *schema.Num:
			if p.Known {
				b = s.start(b, i, 0, `"><v>`)
				b = append(b, number(p.V)...)
				b = append(b, "</v></c>"...)
			}
			continue
		case *time.Time:
			if p.IsZero() {
				continue
			}
			local := p.In(s.zone)
			// A time that the clocks pass twice is told by its offset, as text.
			if back, _, err := unit.ParseSheetTime(local.Format(time.DateTime), s.zone); err != nil || !back.Equal(*p) {
				text = local.Format(time.RFC3339)
				break
			}
			if style = s.style.moment; local.Second() != 0 {
				style = s.style.second
			}
			b = s.start(b, i, style, `"><v>`)
			_, offset := local.Zone()
			b = strconv.AppendFloat(b, float64(local.Unix()+int64(offset)-epoch.Unix())/daySeconds, 'f', -1, 64)
			b = append(b, "</v></c>"...)
			continue
		}
		if text == "" {
			continue
		}
		if len(text) > maxCellText && len(utf16.Encode([]rune(text))) > maxCellText {
			return fmt.Errorf("%s of record %d is longer than %d characters, the most that a cell of a workbook holds: export sheets", f.Name, s.kind.Meta(r).Number, maxCellText)
		}
		b = s.start(b, i, style, `" t="inlineStr"><is><t xml:space="preserve">`)
		b = appendXML(b, text)
		b = append(b, "</t></is></c>"...)
	}
	s.buf = append(b, "</row>"...)
	_, err := s.out.Write(s.buf)
	return err
}

// start begins the cell of a column.
func (s *WorkbookWriter) start(b []byte, column, style int, rest string) []byte {
	b = append(b, `<c r="`...)
	if column >= 26 {
		b = append(b, byte('A'+column/26-1))
	}
	b = append(b, byte('A'+column%26))
	b = strconv.AppendInt(b, int64(s.row), 10)
	b = append(b, `" s="`...)
	b = strconv.AppendInt(b, int64(style), 10)
	return append(b, rest...)
}

// appendXML appends text as XML holds it; what XML does not take as _xHHHH_ (see unescape).
func appendXML(b []byte, s string) []byte {
	for i, c := range s {
		switch {
		case c == '&':
			b = append(b, "&amp;"...)
		case c == '<':
			b = append(b, "&lt;"...)
		case c == '>':
			b = append(b, "&gt;"...)
		case c < ' ' && c != '\t' && c != '\n', c == 0xFFFE, c == 0xFFFF, c == '_' && escaped(s[i:]):
			b = fmt.Appendf(b, "_x%04X_", c)
		default:
			b = utf8.AppendRune(b, c)
		}
	}
	return b
}

// escaped says whether s begins as an escaped character does.
func escaped(s string) bool {
	if len(s) < 7 || s[1] != 'x' || s[6] != '_' {
		return false
	}
	_, err := strconv.ParseUint(s[2:6], 16, 16)
	return err == nil
}

// begin ends the tab being written, and begins that of a kind.
func (s *WorkbookWriter) begin(k *schema.Kind) error {
	if err := s.end(); err != nil {
		return err
	}
	s.now = s.tabs[k]
	delete(s.tabs, k)
	if s.now == nil {
		return fmt.Errorf("the records of %s do not come one after another", k.Sheet)
	}
	part, err := s.zip.Create(s.now.part)
	if err != nil {
		return err
	}
	s.kind, s.row, s.out = k, 1, bufio.NewWriterSize(part, 64<<10)
	_, err = s.out.Write(s.now.head)
	return err
}

func (s *WorkbookWriter) end() error {
	if s.now == nil {
		return nil
	}
	s.out.Write(s.now.tail)
	s.now = nil
	return s.out.Flush()
}

// Close ends the workbook; it leaves what it writes to open.
func (s *WorkbookWriter) Close() error {
	for _, k := range s.kinds {
		if s.tabs[k] != nil {
			if err := s.begin(k); err != nil {
				return err
			}
		}
	}
	if err := s.end(); err != nil {
		return err
	}
	return s.zip.Close()
}
