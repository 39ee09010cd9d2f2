package render

import (
	"bytes"
	"html"
	"slices"
	"strings"
	"unicode"

	"github.com/jedib0t/go-pretty/v6/table"
	prettytext "github.com/jedib0t/go-pretty/v6/text"

	"shedbook/schema/unit"
)

// Column describes one column of a Table.
type Column struct {
	Key  string    // its name in CSV, with the canonical unit: "unexplained_ml"
	Head string    // its name for people, without the unit; empty = in CSV only
	Unit unit.Unit // of its figures; people are shown their own system
	Per  string    // added to the unit: "/h"
	Span bool      // its cells are estimates: CSV has the value, _low and _high
	Drop int       // if the width is too small the highest goes first; 0, and the first column, always stay
	With string    // the key of a column that this one needs and is dropped with
	Wrap bool      // words that may wrap
}

// label returns the unit's name for people: "mL/h".
func (c *Column) label(sys unit.System) string {
	_, l := shown(0, c.Unit, sys)
	return l + c.Per
}

// Table is rows of typed cells under described columns.
type Table struct {
	Title   string // a page has it as a caption, a terminal as a line above
	Columns []Column
	Rows    [][]Cell
	Notes   []string // what must be known besides the figures
	Empty   string   // the sentence instead of a table without rows
}

// Add adds a row; missing cells are blank.
func (t *Table) Add(cells ...Cell) { t.Rows = append(t.Rows, cells) }

func (t *Table) cell(row, col int) Cell {
	if r := t.Rows[row]; col < len(r) {
		return r[col]
	}
	return Cell{}
}

// forPeople returns the columns that people see: those with a head and
// something in them.
func (t *Table) forPeople() []int {
	var out []int
	for j := range t.Columns {
		if t.Columns[j].Head == "" {
			continue
		}
		filled := j == 0
		for i := 0; i < len(t.Rows) && !filled; i++ {
			c := t.cell(i, j)
			filled = c.kind != blankCell || c.said != ""
		}
		if filled {
			out = append(out, j)
		}
	}
	return out
}

// right reports whether a column's cells are figures, aligned at the right.
func (t *Table) right(col int) bool {
	some := false
	for i := range t.Rows {
		c := t.cell(i, col)
		if c.kind == blankCell {
			continue
		}
		if !c.numeric() {
			return false
		}
		some = true
	}
	return some
}

const gap = 2 // spaces between columns

func (t *Table) text(b *bytes.Buffer, o Options) {
	if t.Title != "" {
		b.WriteString(paint(flow(Safe(t.Title), o), Bold, o) + "\n")
	}
	if len(t.Rows) == 0 {
		empty := t.Empty
		if empty == "" {
			empty = "Nothing is recorded yet."
		}
		b.WriteString(flow(Safe(empty), o) + "\n")
	} else if o.Format == Plain {
		t.plain(b, o)
	} else {
		t.fitted(b, o)
	}
	for _, n := range t.Notes {
		b.WriteString(hanging("Note: ", Safe(n), o) + "\n")
	}
}

// sheet holds a table's texts during layout.
type sheet struct {
	cols  []int
	head  []string   // a head and its unit on two lines
	cells [][]string // by row and column
}

func (t *Table) sheet(cols []int, o Options) sheet {
	s := sheet{cols: cols}
	sep := "\n"
	if o.Format == Plain {
		sep = " "
	}
	for _, j := range cols {
		h := Safe(t.Columns[j].Head)
		if l := t.Columns[j].label(o.system()); l != "" {
			h += sep + l
		}
		s.head = append(s.head, h)
	}
	for i := range t.Rows {
		row := make([]string, len(cols))
		for k, j := range cols {
			row[k] = t.cell(i, j).people(&t.Columns[j], o)
		}
		s.cells = append(s.cells, row)
	}
	return s
}

// plain prints a line for each row with all columns, for grep and awk; a blank
// is "-".
func (t *Table) plain(b *bytes.Buffer, o Options) {
	s := t.sheet(t.forPeople(), o)
	for _, row := range s.cells {
		for k := range row {
			if row[k] == "" {
				row[k] = "-"
			}
		}
	}
	w := house(false)
	w.AppendHeader(anyRow(s.head))
	for _, row := range s.cells {
		w.AppendRow(anyRow(row))
	}
	w.SetColumnConfigs(t.alignment(s.cols))
	writeTrimmed(b, w.Render())
}

// fitted prints the table within the terminal's width.
func (t *Table) fitted(b *bytes.Buffer, o Options) {
	cols := t.forPeople()
	var dropped []string
	for {
		s := t.sheet(cols, o)
		widths, ok := t.fit(s, o.width())
		worst := -1
		for k, j := range cols {
			if d := t.Columns[j].Drop; k > 0 && d > 0 && (worst < 0 || d >= t.Columns[cols[worst]].Drop) {
				worst = k
			}
		}
		if ok || worst < 0 {
			t.draw(b, s, widths, o)
			break
		}
		dropped = append(dropped, Safe(t.Columns[cols[worst]].Head))
		key := t.Columns[cols[worst]].Key
		cols = append(append([]int(nil), cols[:worst]...), cols[worst+1:]...)
		cols = slices.DeleteFunc(cols, func(j int) bool {
			if t.Columns[j].With == key {
				dropped = append(dropped, Safe(t.Columns[j].Head))
				return true
			}
			return false
		})
	}
	if len(dropped) > 0 {
		b.WriteString(paint(flow("Hidden, the window is too narrow: "+strings.TrimSuffix(strings.Join(dropped, ", "),
			".")+". Use a wider window or --csv.", o), Dim, o) + "\n")
	}
}

// fit returns each column's width so that the whole fits into w. Heads are
// wrapped first, then estimates and words, in the widest column first; ok is
// false if words would have to be broken.
func (t *Table) fit(s sheet, w int) (widths []int, ok bool) {
	n := len(s.cols)
	widths = make([]int, n)
	floors := [3][]int{make([]int, n), make([]int, n), make([]int, n)} // heads wrapped; cells too; words too
	total := gap * (n - 1)
	for k, j := range s.cols {
		cellWidth, word := 0, longest(s.head[k], true)
		atoms := word
		for i := range s.cells {
			c := s.cells[i][k]
			cellWidth = max(cellWidth, width(c))
			switch kind := t.cell(i, j).kind; {
			case kind == intervalCell:
				atoms = max(atoms, longest(strings.Replace(c, " (", "\n(", 1), false))
			case kind == textCell && t.Columns[j].Wrap:
				atoms = max(atoms, min(width(c), max(longest(c, true), 16)))
			default:
				atoms = max(atoms, width(c))
			}
		}
		widths[k] = max(longest(s.head[k], false), cellWidth)
		floors[0][k], floors[1][k], floors[2][k] = max(word, cellWidth), atoms, min(2, widths[k])
		total += widths[k]
	}
	for level, floor := range floors {
		for total > w {
			widest := -1
			for k := range widths {
				if widths[k] > floor[k] && (widest < 0 || widths[k] > widths[widest]) {
					widest = k
				}
			}
			if widest < 0 {
				break
			}
			widths[widest]--
			total--
		}
		if total <= w {
			return widths, level < 2
		}
	}
	return widths, false
}

func (t *Table) draw(b *bytes.Buffer, s sheet, widths []int, o Options) {
	w := house(true)
	head := make([]string, len(s.head))
	for k := range head {
		head[k] = paint(wrap(s.head[k], widths[k]), Bold, o)
	}
	w.AppendHeader(anyRow(head))
	for i, row := range s.cells {
		out := make([]string, len(row))
		for k, j := range s.cols {
			c := t.cell(i, j)
			if c.kind == intervalCell && width(row[k]) > widths[k] {
				row[k] = strings.Replace(row[k], " (", "\n(", 1)
			}
			out[k] = paint(wrap(row[k], widths[k]), c.hint, o)
		}
		w.AppendRow(anyRow(out))
	}
	w.SetColumnConfigs(t.alignment(s.cols))
	writeTrimmed(b, w.Render())
}

func (t *Table) alignment(cols []int) []table.ColumnConfig {
	out := make([]table.ColumnConfig, len(cols))
	for k, j := range cols {
		align := prettytext.AlignLeft
		if t.right(j) {
			align = prettytext.AlignRight
		}
		out[k] = table.ColumnConfig{Number: k + 1, Align: align, AlignHeader: align,
			VAlignHeader: prettytext.VAlignBottom}
	}
	return out
}

// house is the style of every table: no frame, one thin line below the head.
func house(line bool) table.Writer {
	w := table.NewWriter()
	box := table.StyleBoxLight
	box.PaddingLeft, box.PaddingRight = "", strings.Repeat(" ", gap)
	style := table.Style{Name: "house", Box: box}
	style.Options.SeparateHeader = line
	w.SetStyle(style)
	w.SuppressTrailingSpaces()
	return w
}

func anyRow(cells []string) table.Row {
	r := make(table.Row, len(cells))
	for i, c := range cells {
		r[i] = c
	}
	return r
}

// writeTrimmed writes lines without trailing spaces; the line below the head
// ends with the last column.
func writeTrimmed(b *bytes.Buffer, s string) {
	for _, l := range strings.Split(s, "\n") {
		l = strings.TrimRight(l, " ")
		if rule := strings.TrimRight(l, "─"); rule == "" && l != "" {
			l = strings.TrimSuffix(l, strings.Repeat("─", gap))
		}
		b.WriteString(l + "\n")
	}
}

func (t *Table) html(b *bytes.Buffer, o Options) {
	if len(t.Rows) == 0 {
		para{t.emptySentence(), ""}.html(b, o)
	} else {
		t.grid(b, o)
	}
	for _, n := range t.Notes {
		para{n, "note"}.html(b, o)
	}
}

func (t *Table) emptySentence() string {
	if t.Empty == "" {
		return "Nothing is recorded yet."
	}
	return t.Empty
}

// grid writes the table with heads that a screen reader connects to their
// cells. If a window is too narrow the table scrolls in its own box, not the
// page; on a phone the style sheet makes each row a card, for which each cell
// has its head, and the roles are given since the layout is no longer a
// table's.
func (t *Table) grid(b *bytes.Buffer, o Options) {
	label := html.EscapeString(Safe(t.Title))
	b.WriteString(`<div class="scroll" role="region" tabindex="0"`)
	if label != "" {
		b.WriteString(` aria-label="` + label + `"`)
	} else {
		b.WriteString(` aria-label="Table"`)
	}
	cols := t.forPeople()
	if len(cols) > 2 {
		b.WriteString(`><table role="table" class="cards">` + "\n")
	} else {
		b.WriteString("><table role=\"table\">\n")
	}
	if label != "" {
		b.WriteString("<caption>" + label + "</caption>\n")
	}
	right := make([]bool, len(cols))
	for k, j := range cols {
		right[k] = t.right(j)
	}
	b.WriteString(`<thead role="rowgroup"><tr role="row">`)
	for k, j := range cols {
		c := &t.Columns[j]
		b.WriteString(`<th scope="col" role="columnheader"` + class(right[k], false) + ">" +
			html.EscapeString(Safe(c.Head)))
		if l := c.label(o.system()); l != "" {
			b.WriteString(` <span class="unit">` + html.EscapeString(l) + "</span>")
		}
		b.WriteString("</th>")
	}
	b.WriteString("</tr></thead>\n<tbody role=\"rowgroup\">\n")
	for i := range t.Rows {
		b.WriteString(`<tr role="row">`)
		for k, j := range cols {
			c := t.cell(i, j)
			body := c.markup(&t.Columns[j], o)
			if h := hintClass(c.hint); h != "" && body != "" {
				body = `<span class="` + h + `">` + body + "</span>"
			}
			if k == 0 {
				b.WriteString(`<th scope="row" role="rowheader"` + class(right[k], false) + ">" + body + "</th>")
			} else {
				head := Safe(t.Columns[j].Head)
				// on a card it stands alone
				if len(head) > 1 && unicode.IsLower(rune(head[0])) && unicode.IsLower(rune(head[1])) {
					head = strings.ToUpper(head[:1]) + head[1:]
				}
				if l := t.Columns[j].label(o.system()); l != "" {
					head += ", " + l
				}
				b.WriteString(`<td role="cell" data-head="` + html.EscapeString(head) + `"` +
					class(right[k], t.Columns[j].Wrap) +
					">" + body + "</td>")
			}
		}
		b.WriteString("</tr>\n")
	}
	b.WriteString("</tbody></table></div>\n")
}

func class(right, wrap bool) string {
	switch {
	case right:
		return ` class="n"`
	case wrap:
		return ` class="w"`
	}
	return ""
}

func hintClass(h Hint) string {
	return [...]string{NoHint: "", Bad: "bad", Doubtful: "doubt", Good: "good", Dim: "dim", Bold: "strong"}[h]
}
