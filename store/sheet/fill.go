package sheet

import (
	"archive/zip"
	"bufio"
	_ "embed" // stylesPart
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf16"
	"unicode/utf8"

	"shedbook/schema"
	"shedbook/schema/unit"
)

// WorkbookWriter writes a workbook (.xlsx, ECMA-376 part 1) to read, fill in
// and import again. Each kind has a tab; its column names stay in view, each
// with a note of what belongs there, and words are chosen from lists. Numbers
// are in the columns' units, times are dates in the book's zone; text stays
// text even if it looks like a formula. A Reader reads equal records back.
//
// Rows are written straight into the archive, so that memory does not grow with
// them.
type WorkbookWriter struct {
	zip   *zip.Writer
	zone  *time.Location
	kinds []*schema.Kind
	lists []wordList
	done  map[*schema.Kind]bool
	kind  *schema.Kind // the tab being written
	out   *bufio.Writer
	row   int
	buf   []byte
}

// wordList is a list to choose from: a column of the hidden tab.
type wordList struct {
	name  string
	words []string
}

// listTab is the hidden tab with the lists.
const listTab = "lists"

// maxCellText is the longest text of a cell, in UTF-16 units, in all
// spreadsheet programs.
const maxCellText = 32767

// The styles of cells, by their place in cellXfs.
const (
	plainStyle = iota
	headStyle
	textStyle // @: text typed into the column stays text
	momentStyle
	secondStyle // a time with seconds
)

const (
	xmlHead  = `<?xml version="1.0" encoding="UTF-8" standalone="yes"?>` + "\n"
	mainNS   = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
	relateNS = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
	packNS   = "http://schemas.openxmlformats.org/package/2006/"
	typeOf   = "application/vnd.openxmlformats-officedocument.spreadsheetml."
)

// stylesPart has the styles of cells, by their place in cellXfs, and their number formats.
//
//go:embed styles.xml
var stylesPart string

// NewWorkbookWriter begins a workbook with a tab for each kind. Close completes
// it.
func NewWorkbookWriter(w io.Writer, kinds []*schema.Kind, known *schema.Known) (*WorkbookWriter, error) {
	s := &WorkbookWriter{zip: zip.NewWriter(w), zone: known.Zone, kinds: kinds, done: map[*schema.Kind]bool{}}
	if s.zone == nil {
		s.zone = time.UTC
	}
	for _, k := range kinds {
		for i := range k.Fields {
			s.addList(&k.Fields[i], known)
		}
	}
	override := func(part, kind string) string {
		return `<Override PartName="/xl/` + part + `" ContentType="` + typeOf + kind + `+xml"/>`
	}
	relation := func(id int, kind, target string) string {
		return fmt.Sprintf(`<Relationship Id="rId%d" Type="%s/%s" Target="%s"/>`, id, relateNS, kind, target)
	}
	relations := func(all string) string {
		return xmlHead + `<Relationships xmlns="` + packNS + `relationships">` + all + `</Relationships>`
	}
	types := override("workbook.xml", "sheet.main") + override("styles.xml", "styles")
	tabs, related := "", relation(len(kinds)+2, "styles", "styles.xml")
	for i, name := range append(s.tabNames(), listTab) {
		state, part := "", fmt.Sprintf("worksheets/sheet%d.xml", i+1)
		if name == listTab {
			state = ` state="hidden"`
		}
		types += override(part, "worksheet")
		tabs += fmt.Sprintf(`<sheet name="%s" sheetId="%d"%s r:id="rId%d"/>`, name, i+1, state, i+1)
		related += relation(i+1, "worksheet", part)
	}
	for _, part := range [][2]string{
		{"[Content_Types].xml", xmlHead + `<Types xmlns="` + packNS + `content-types">` +
			`<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>` +
			`<Default Extension="xml" ContentType="application/xml"/>` + types + `</Types>`},
		{"_rels/.rels", relations(relation(1, "officeDocument", "xl/workbook.xml"))},
		{"xl/workbook.xml", xmlHead + `<workbook xmlns="` + mainNS + `" xmlns:r="` + relateNS + `">` +
			`<bookViews><workbookView/></bookViews><sheets>` + tabs + `</sheets></workbook>`},
		{"xl/_rels/workbook.xml.rels", relations(related)},
		{"xl/styles.xml", stylesPart},
	} {
		p, err := s.zip.Create(part[0])
		if err == nil {
			_, err = io.WriteString(p, part[1])
		}
		if err != nil {
			return nil, err
		}
	}
	return s, s.writeLists()
}

func (s *WorkbookWriter) tabNames() []string {
	var names []string
	for _, k := range s.kinds {
		names = append(names, k.Sheet)
	}
	return names
}

// addList adds the words that a field takes to the lists, once for each
// vocabulary.
func (s *WorkbookWriter) addList(f *schema.Field, known *schema.Known) {
	l := wordList{name: listName(f)}
	switch f.Type {
	case schema.MachineField:
		l.words = known.Machines
	case schema.DriverField:
		l.words = known.Drivers
	case schema.WordField, schema.WordsField:
		l.words = known.Words[f.Vocabulary]
	}
	if len(l.words) > 0 && !slices.ContainsFunc(s.lists, func(x wordList) bool { return x.name == l.name }) {
		l.words = l.words[:min(len(l.words), maxRows-1)]
		s.lists = append(s.lists, l)
	}
}

// listName returns a list's name: machine, driver, or the vocabulary's.
func listName(f *schema.Field) string {
	switch f.Type {
	case schema.MachineField:
		return "machine"
	case schema.DriverField:
		return "driver"
	}
	return f.Vocabulary
}

// writeLists writes the hidden tab.
func (s *WorkbookWriter) writeLists() error {
	part, err := s.zip.Create(fmt.Sprintf("xl/worksheets/sheet%d.xml", len(s.kinds)+1))
	if err != nil {
		return err
	}
	s.out = bufio.NewWriterSize(part, 64<<10)
	s.out.WriteString(xmlHead + `<worksheet xmlns="` + mainNS + `"><sheetData>`)
	rows := 1
	for s.row = 1; s.row <= rows; s.row++ {
		b := s.startRow()
		for i, l := range s.lists {
			if rows = max(rows, 1+len(l.words)); s.row == 1 {
				b = s.text(b, i, headStyle, l.name)
			} else if s.row-2 < len(l.words) {
				b = s.text(b, i, textStyle, cellText(l.words[s.row-2]))
			}
		}
		s.buf = append(b, "</row>"...)
		s.out.Write(s.buf)
	}
	s.out.WriteString("</sheetData></worksheet>")
	return s.out.Flush()
}

// cellText cuts a name to the longest text of a cell.
func cellText(s string) string {
	if len(s) > maxCellText/2 {
		return strings.ToValidUTF8(s[:maxCellText/2], "")
	}
	return s
}

// columnName returns the letters of a column, from 0.
func columnName(column int) string {
	if column < 26 {
		return string(rune('A' + column))
	}
	return columnName(column/26-1) + string(rune('A'+column%26))
}

// beginTab ends the current tab, and begins that of a kind, with its header.
func (s *WorkbookWriter) beginTab(k *schema.Kind) error {
	if err := s.endTab(); err != nil {
		return err
	}
	at := slices.Index(s.kinds, k)
	if at < 0 || s.done[k] {
		return fmt.Errorf("the records of %s do not come one after another", k.Sheet)
	}
	part, err := s.zip.Create(fmt.Sprintf("xl/worksheets/sheet%d.xml", at+1))
	if err != nil {
		return err
	}
	s.kind, s.done[k], s.row, s.out = k, true, 1, bufio.NewWriterSize(part, 64<<10)
	s.out.WriteString(xmlHead + `<worksheet xmlns="` + mainNS + `"><sheetViews><sheetView workbookViewId="0">` +
		`<pane ySplit="1" topLeftCell="A2" activePane="bottomLeft" state="frozen"/>` +
		`<selection pane="bottomLeft" activeCell="A2" sqref="A2"/></sheetView></sheetViews>` +
		`<sheetFormatPr defaultRowHeight="15"/><cols>`)
	for i := range k.Fields {
		f := &k.Fields[i]
		style, width := textStyle, max(10, len(f.Name)+2)
		switch f.Type {
		case schema.NumField:
			style = plainStyle
		case schema.TimeField:
			style, width = momentStyle, 18
		}
		fmt.Fprintf(s.out, `<col min="%d" max="%d" width="%d" style="%d" customWidth="1"/>`, i+1, i+1, width, style)
	}
	s.out.WriteString("</cols><sheetData>")
	b := s.startRow()
	for i := range k.Fields {
		b = s.text(b, i, headStyle, k.Fields[i].Name)
	}
	s.buf = append(b, "</row>"...)
	_, err = s.out.Write(s.buf)
	return err
}

// endTab ends the current tab, with the notes of its columns and their lists.
func (s *WorkbookWriter) endTab() error {
	if s.kind == nil {
		return nil
	}
	rules, n := []byte(nil), 0
	for i := range s.kind.Fields {
		f := &s.kind.Fields[i]
		says := f.Help
		if f.Unit != unit.Count {
			says += ", in " + string(f.Unit)
		}
		if f.Required {
			says += " (required)"
		}
		rules = append(rules, `<dataValidation allowBlank="1" showInputMessage="1" promptTitle="`...)
		rules = append(appendXML(rules, f.Name), `" prompt="`...)
		rules = fmt.Appendf(appendXML(rules, says), `" sqref="%s1"/>`, columnName(i))
		n++
		if rule := s.choice(f, i); rule != "" {
			rules = append(rules, rule...)
			n++
		}
	}
	fmt.Fprintf(s.out, `</sheetData><dataValidations count="%d">%s</dataValidations></worksheet>`, n, rules)
	s.kind = nil
	return s.out.Flush()
}

// choice returns the rule by which a column's cells are chosen from a list; ""
// if they are free. Cells may also hold a machine, a driver or a word that gets
// a row on its own tab, and several words joined by ; if several are allowed.
func (s *WorkbookWriter) choice(f *schema.Field, column int) string {
	at := slices.IndexFunc(s.lists, func(l wordList) bool { return l.name == listName(f) && l.name != "" })
	if at < 0 {
		return ""
	}
	alert := func(style, says string) string {
		return fmt.Sprintf(` errorStyle="%s" showErrorMessage="1" errorTitle="%s" error="%s"`, style, f.Name, says)
	}
	stray := alert("stop", "Choose from the list.")
	switch {
	case f.Type == schema.MachineField:
		stray = alert("warning", "The book has no such machine. Add a new one on the tab machines.")
	case f.Type == schema.DriverField:
		stray = alert("warning", "The book has no such driver. Add a new one on the tab drivers.")
	case f.Type == schema.WordsField:
		stray = ""
	case slices.Contains(schema.Words("vocabulary"), f.Vocabulary):
		stray = alert("warning", "The book has no such word. Add a new one on the tab words.")
	}
	from := columnName(at)
	return fmt.Sprintf(`<dataValidation type="list" allowBlank="1"%s sqref="%s2:%s%d">`+
		`<formula1>%s!$%s$2:$%s$%d</formula1></dataValidation>`,
		stray, columnName(column), columnName(column), maxRows, listTab, from, from, 1+len(s.lists[at].words))
}

// Write adds a record. The records of a kind come one after another.
func (s *WorkbookWriter) Write(r schema.Record) error {
	if k := schema.KindOf(r); k != s.kind {
		if err := s.beginTab(k); err != nil {
			return err
		}
	}
	if s.row++; s.row > maxRows {
		return fmt.Errorf("there are more than %d %s, the most that fit on a tab: export sheets instead",
			maxRows-1, s.kind.Sheet)
	}
	b := s.startRow()
	for i := range s.kind.Fields {
		f := &s.kind.Fields[i]
		text, style := "", textStyle
		switch p := f.Pointer(r).(type) {
		case *string:
			text = *p
		case *[]string:
			text = strings.Join(*p, ";")
		case *schema.Num:
			if p.Known {
				b = s.start(b, i, plainStyle, `"><v>`)
				b = append(b, unit.Exact(p.V)...)
				b = append(b, "</v></c>"...)
			}
			continue
		case *time.Time:
			if p.IsZero() {
				continue
			}
			local := p.In(s.zone)
			// An hour that happens twice is written with its offset, as text.
			back, _, err := unit.ParseSheetTime(local.Format(time.DateTime), s.zone, "")
			if err != nil || !back.Equal(*p) {
				text = local.Format(time.RFC3339)
				break
			}
			if style = momentStyle; local.Second() != 0 {
				style = secondStyle
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
			return fmt.Errorf("%s of record %d is longer than %d characters, the most that fit in a cell: "+
				"export sheets instead", f.Name, s.kind.Meta(r).Number, maxCellText)
		}
		b = s.text(b, i, style, text)
	}
	s.buf = append(b, "</row>"...)
	_, err := s.out.Write(s.buf)
	return err
}

func (s *WorkbookWriter) startRow() []byte {
	b := append(s.buf[:0], `<row r="`...)
	b = strconv.AppendInt(b, int64(s.row), 10)
	return append(b, `">`...)
}

// text appends a text cell.
func (s *WorkbookWriter) text(b []byte, column, style int, text string) []byte {
	b = s.start(b, column, style, `" t="inlineStr"><is><t xml:space="preserve">`)
	b = appendXML(b, text)
	return append(b, "</t></is></c>"...)
}

// start appends the beginning of a column's cell.
func (s *WorkbookWriter) start(b []byte, column, style int, rest string) []byte {
	b = append(b, `<c r="`...)
	b = append(b, columnName(column)...)
	b = strconv.AppendInt(b, int64(s.row), 10)
	b = append(b, `" s="`...)
	b = strconv.AppendInt(b, int64(style), 10)
	return append(b, rest...)
}

// appendXML appends text escaped for XML; characters that XML does not allow
// become _xHHHH_ (see unescape).
func appendXML(b []byte, s string) []byte {
	for i, c := range s {
		switch {
		case c == '&':
			b = append(b, "&amp;"...)
		case c == '<':
			b = append(b, "&lt;"...)
		case c == '>':
			b = append(b, "&gt;"...)
		case c == '"':
			b = append(b, "&quot;"...)
		case c < ' ' && c != '\t' && c != '\n', c == 0xFFFE, c == 0xFFFF, c == '_' && escaped(s[i:]):
			b = fmt.Appendf(b, "_x%04X_", c)
		default:
			b = utf8.AppendRune(b, c)
		}
	}
	return b
}

// escaped reports whether s begins like an escaped character.
func escaped(s string) bool {
	if len(s) < 7 || s[1] != 'x' || s[6] != '_' {
		return false
	}
	_, err := strconv.ParseUint(s[2:6], 16, 16)
	return err == nil
}

// Close completes the workbook; the underlying writer stays open.
func (s *WorkbookWriter) Close() error {
	for _, k := range s.kinds {
		if !s.done[k] {
			if err := s.beginTab(k); err != nil {
				return err
			}
		}
	}
	if err := s.endTab(); err != nil {
		return err
	}
	return s.zip.Close()
}
