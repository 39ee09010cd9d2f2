package sheet

import (
	"bytes"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"
	"pgregory.net/rapid"

	"shedbook/schema"
	"shedbook/schema/unit"
)

// tabOf opens the tab of a kind.
func tabOf(t require.TestingT, w *Workbook, name string) *Tab {
	for _, info := range w.Tabs() {
		if info.Name == name {
			tab, err := w.Open(info)
			require.NoError(t, err)
			return tab
		}
	}
	require.Fail(t, "no tab "+name)
	return nil
}

// Whatever a book holds of any kind, its workbook reads back as equal records.
func TestWorkbookRoundTrip(t *testing.T) {
	berlin, err := unit.ParseZone("Europe/Berlin")
	require.NoError(t, err)
	known := schema.NewKnown([]string{"R1", "=R2", "'; DROP TABLE runs;--", "-3", "#"},
		[]string{"Ines Varga", "+Tom", "''@", "A, B; \"C\""}, nil, berlin)
	tried := map[string]int{}
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.SampledFrom(schema.Kinds).Draw(t, "kind")
		var records []schema.Record
		for range rapid.IntRange(1, 5).Draw(t, "n") {
			if rec := draw(t, k, known); k.Check(rec) == nil {
				records = append(records, rec)
			}
		}
		var b bytes.Buffer
		w, err := NewWorkbookWriter(&b, []*schema.Kind{k}, known)
		require.NoError(t, err)
		for _, rec := range records {
			require.NoError(t, w.Write(rec))
		}
		require.NoError(t, w.Close())
		book, err := NewWorkbook(bytes.NewReader(b.Bytes()), int64(b.Len()), "book.xlsx")
		require.NoError(t, err)
		r, err := NewReader(tabOf(t, book, k.Sheet), "book.xlsx", k)
		require.NoError(t, err)
		for _, want := range records {
			row, err := r.Next()
			require.NoError(t, err)
			got, wrong := r.Record(row, known)
			require.Empty(t, wrong)
			if d := k.Differ(want, got); len(d) > 0 {
				t.Fatalf("%s: %#v read back as %#v", d[0].Name, d[0].Pointer(want), d[0].Pointer(got))
			}
			tried[k.Name]++
		}
		_, err = r.Next()
		require.Equal(t, io.EOF, err)
		// A reader that is not ours finds as many rows.
		f, err := excelize.OpenReader(&b)
		require.NoError(t, err)
		rows, err := f.GetRows(k.Sheet)
		require.NoError(t, err)
		require.Len(t, rows, 1+len(records))
	})
	t.Log("records by kind:", tried)
	assert.NotEmpty(t, tried)
}

// made is a workbook as another program makes it, excelize, and its one tab or the one named.
func made(t require.TestingT, make func(f *excelize.File)) *Workbook {
	f := excelize.NewFile()
	make(f)
	b, err := f.WriteToBuffer()
	require.NoError(t, err)
	w, err := NewWorkbook(bytes.NewReader(b.Bytes()), int64(b.Len()), "season.xlsx")
	require.NoError(t, err)
	return w
}

// readTab reads a tab as a sheet of the kind: its records, and what is wrong with it.
func readTab(t require.TestingT, w *Workbook, tab, kind string, known *schema.Known) (good []schema.Record,
	wrong []string) {
	src := tabOf(t, w, tab)
	defer src.Close()
	r, err := NewReader(src, "season.xlsx["+tab+"]", schema.KindNamed(kind))
	if err != nil {
		return nil, strings.Split(err.Error(), "\n")
	}
	for {
		row, err := r.Next()
		if err == io.EOF {
			return good, wrong
		} else if err != nil {
			return good, append(wrong, err.Error())
		}
		rec, problems := r.Record(row, known)
		for _, p := range problems {
			wrong = append(wrong, p.Error())
		}
		if rec != nil {
			good = append(good, rec)
		}
	}
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// put fills a tab, a row a line.
func put(t require.TestingT, f *excelize.File, tab string, rows ...[]any) {
	for i, row := range rows {
		require.NoError(t, f.SetSheetRow(tab, fmt.Sprintf("A%d", i+1), &row))
	}
}

// Dates count from 1900 or 1904: 5 July 1998 is day 35981 or 34519 (Microsoft, "Date systems in Excel"; the systems are
// 1462 days apart), 1 January 2008 day 39448 (Microsoft, "DATEVALUE function").
func TestDates(t *testing.T) {
	for _, c := range []struct {
		date04 bool
		serial float64
		code   string
		want   string // in Lisbon
	}{
		{false, 35981, "m/d/yyyy", "1998-07-05T00:00:00+01:00"},
		{true, 34519, "m/d/yyyy", "1998-07-05T00:00:00+01:00"},
		{false, 39448, "dd.mm.yyyy", "2008-01-01T00:00:00Z"},
		{false, 39448.395833333336, `[$-409]m/d/yy h:mm AM/PM;@`, "2008-01-01T09:30:00Z"}, // 9.5 of 24 hours
		{true, 37986.395833333336, `[$-409]m/d/yy h:mm AM/PM;@`, "2008-01-01T09:30:00Z"},  // 39448 - 1462
		// as a program with fewer digits has it
		{false, 39448.39583333, `d" de "mmmm" de "yyyy`, "2008-01-01T09:30:00Z"},
		{false, 39448 + 86399.0/86400, "yyyy-mm-dd hh:mm:ss", "2008-01-01T23:59:59Z"},     // a second before midnight
		{false, 39448 + 86399.99999/86400, "yyyy-mm-dd hh:mm:ss", "2008-01-02T00:00:00Z"}, // rounds to it
		{false, 46204.5, "d-mmm", "2026-07-01T12:00:00+01:00"},                            // 46204 = 39448 + 6756 days
	} {
		w := made(t, func(f *excelize.File) {
			require.NoError(t, f.SetWorkbookProps(&excelize.WorkbookPropsOptions{Date1904: &c.date04}))
			put(t, f, "Sheet1", []any{"machine", "start", "hours"}, []any{"R4", c.serial, 1})
			style, err := f.NewStyle(&excelize.Style{CustomNumFmt: &c.code})
			require.NoError(t, err)
			require.NoError(t, f.SetCellStyle("Sheet1", "B2", "B2", style))
		})
		good, wrong := readTab(t, w, "Sheet1", "runs", bookIn(t, "Europe/Lisbon"))
		require.Empty(t, wrong, c.code)
		require.Len(t, good, 1)
		at := good[0].(*schema.Run).At
		assert.Equal(t, c.want, at.In(zoneOf(t, "Europe/Lisbon")).Format(time.RFC3339), "%v as %s", c.serial, c.code)
	}
}

func zoneOf(t *testing.T, name string) *time.Location {
	z, err := unit.ParseZone(name)
	require.NoError(t, err)
	return z
}

func bookIn(t *testing.T, zone string) *schema.Known {
	return schema.NewKnown([]string{"R4", "R1", "7", "TRUE"}, []string{"Ines Varga"}, nil, zoneOf(t, zone))
}

// What a number format makes of a number: ECMA-376-1 (2016), 18.8.30 and 18.8.31, and what spreadsheet programs offer.
func TestNumberFormats(t *testing.T) {
	for code, want := range map[string]numberFormat{
		"General": plainFormat, "0": plainFormat, "0.00": plainFormat, "#,##0.00": plainFormat, "0.00E+00": plainFormat,
		"# ?/?": plainFormat, "@": plainFormat, "": plainFormat,
		`0.0" h"`: plainFormat, `0.0\h`: plainFormat, `#,##0.00 [$€-407]`: plainFormat, "[Red]0.0": plainFormat,
		`0_d`: plainFormat, `0;"days"`: plainFormat, `"unclosed`: plainFormat, "[h": plainFormat,
		"0%": percentFormat, "0.0 %": percentFormat,
		"yyyy-mm-dd": dateFormat, "m/d/yyyy h:mm": dateFormat, "DD.MM.YYYY": dateFormat, "mmm": dateFormat,
		`yyyy"年"m"月"d"日"`: dateFormat, "[$-F800]dddd, mmmm dd, yyyy": dateFormat,
		"h:mm": clockFormat, "hh:mm:ss": clockFormat, "mm:ss.0": clockFormat, "h AM/PM": clockFormat,
		"[$-F400]h:mm:ss AM/PM": clockFormat,
		"[h]:mm":                elapsedFormat, "[hh]:mm:ss": elapsedFormat, "[mm]:ss": elapsedFormat,
		"[s]": elapsedFormat, "[H]:MM": elapsedFormat,
	} {
		assert.Equal(t, want, formatOf(code), code)
	}
	// 18.8.30: 9 is 0%, 14 mm-dd-yy, 20 h:mm, 22 m/d/yy h:mm, 45 mm:ss, 46 [h]:mm:ss, 49 @.
	for id, want := range map[int]numberFormat{0: plainFormat, 2: plainFormat, 9: percentFormat, 11: plainFormat,
		14: dateFormat, 20: clockFormat, 22: dateFormat, 37: plainFormat, 45: clockFormat, 46: elapsedFormat,
		49: plainFormat} {
		assert.Equal(t, want, builtIn(id), id)
	}
}

// Cells are read as what they are.
func TestCells(t *testing.T) {
	w := made(t, func(f *excelize.File) {
		format := func(code string, cells ...string) {
			style, err := f.NewStyle(&excelize.Style{CustomNumFmt: &code})
			require.NoError(t, err)
			for _, c := range cells {
				require.NoError(t, f.SetCellStyle("Sheet1", c, c, style))
			}
		}
		put(t, f, "Sheet1", nil, nil, // the sheet begins where it begins
			[]any{" Machine", "START", "hours", "note", "driver", "terrain"},
			[]any{7, "2026-03-14 09:30", 2.5 / 24, "=1+1", "Ines Varga", "mud"},
			[]any{"R4", "2026-03-14", 26.5 / 24, "'tis", nil, " Mud "},
			[]any{}, // a blank row
			[]any{true, "2026-03-15", 0.1, 39448, "ines varga"},
			[]any{"R4", "2026-03-16", "1:30", 12.5},
			[]any{"R4", "2026-03-17", nil, true})
		format("h:mm", "C4")
		format("[h]:mm:ss", "C5")
		format("yyyy-mm-dd", "D7")
		require.NoError(t, f.SetCellRichText("Sheet1", "D5",
			[]excelize.RichTextRun{{Text: "'tis "}, {Text: "rich", Font: &excelize.Font{Bold: true}}}))
		require.NoError(t, f.SetCellFormula("Sheet1", "C9", "1/2"))
	})
	good, wrong := readTab(t, w, "Sheet1", "runs", bookIn(t, "UTC"))
	// excelize computes no formulas: C9 has no value, as in a workbook that no spreadsheet program has saved.
	assert.Equal(t, []string{"season.xlsx[Sheet1]:9: hours: has a formula without a value: open the workbook in a " +
		"spreadsheet program and save it, or write the value"}, wrong)
	var got []string
	for _, g := range good {
		r := g.(*schema.Run)
		got = append(got, fmt.Sprintf("%s %s %v %q %s %s", r.Machine, r.At.Format(time.RFC3339), r.Hours.V, r.Note,
			r.Driver, r.Terrain))
	}
	assert.Equal(t, []string{
		`7 2026-03-14T09:30:00Z 2.5 "=1+1" Ines Varga mud`,
		`R4 2026-03-14T00:00:00Z 26.5 "'tis rich"  mud`,
		`TRUE 2026-03-15T00:00:00Z 0.1 "2008-01-01" Ines Varga `,
		`R4 2026-03-16T00:00:00Z 1.5 "12.5"  `,
	}, got)

	w = made(t, func(f *excelize.File) {
		put(t, f, "Sheet1", []any{"machine", "at", "method", "radiator_out", "blocked_front_pct", "blocked_back_pct"},
			[]any{"R4", "2026-03-14", "hose", true, 0.29, 57}, []any{"R4", "2026-03-15", "hose", false, 0.07})
		style, err := f.NewStyle(&excelize.Style{NumFmt: 9}) // 0%
		require.NoError(t, err)
		require.NoError(t, f.SetCellStyle("Sheet1", "E2", "E3", style))
	})
	good, wrong = readTab(t, w, "Sheet1", "cleanings", bookIn(t, "UTC"))
	require.Empty(t, wrong)
	require.Len(t, good, 2)
	first, second := good[0].(*schema.Cleaning), good[1].(*schema.Cleaning)
	assert.Equal(t, []any{"yes", schema.N(29), schema.N(57)},
		[]any{first.RadiatorOut, first.BlockedFront, first.BlockedBack})
	assert.Equal(t, []any{"no", schema.N(7), schema.Num{}},
		[]any{second.RadiatorOut, second.BlockedFront, second.BlockedBack})

	w = made(t, func(f *excelize.File) {
		put(t, f, "Sheet1", []any{"machine", "at", "sign", "minutes_in"},
			[]any{"R4", "2026-03-14", "lamp", 20.0 / 1440})
		require.NoError(t, f.SetCellStyle("Sheet1", "D2", "D2", must(f.NewStyle(&excelize.Style{NumFmt: 45})))) // mm:ss
	})
	good, wrong = readTab(t, w, "Sheet1", "overheats", bookIn(t, "UTC"))
	require.Empty(t, wrong)
	assert.Equal(t, schema.N(20), good[0].(*schema.Overheat).MinutesIn)
}

// A row with a bad cell is told by its tab, row and column, and what would be right.
func TestBadCells(t *testing.T) {
	w := made(t, func(f *excelize.File) {
		put(t, f, "Sheet1", []any{"machine", "start", "hours", "note", "", "#"},
			[]any{"R4", 46095.4, 1},                        // a number without a date's format
			[]any{"R4", "14/03/2026", 1},                   // a text
			[]any{"R4", "2026-03-14", 26.5 / 24},           // shows 2:30
			[]any{"R4", "2026-03-14", 4.5},                 // a date where hours should be
			[]any{"R4", "2026-03-14", 1, nil, "beside"},    // in a column without a name
			[]any{"R4", "2026-03-14", 1, nil, nil, nil, 9}, // beyond the header
			[]any{"R4", 0.4, 1},                            // a time of day alone
			[]any{"R4", "2026-03-14", true},
			[]any{"R4", 46110.0625, 1}) // 2026-03-29 01:30, which the clocks in Lisbon skip
		for cell, format := range map[string]int{"C4": 20, "C5": 22, "B8": 20, "B10": 22} {
			require.NoError(t, f.SetCellStyle("Sheet1", cell, cell, must(f.NewStyle(&excelize.Style{NumFmt: format}))))
		}
	})
	_, wrong := readTab(t, w, "Sheet1", "runs", bookIn(t, "Europe/Lisbon"))
	assert.Equal(t, []string{
		`season.xlsx[Sheet1]:2: start: "46095.4" is not a time: write 2026-03-14 09:30`,
		`season.xlsx[Sheet1]:3: start: "14/03/2026" is not written year-month-day: write 2026-03-14`,
		`season.xlsx[Sheet1]:4: hours: shows 2:30 but contains 26:30: give the cell the number format [h]:mm, or write the hours as a number`,
		`season.xlsx[Sheet1]:5: hours: "1900-01-03 12:00:00" is not a length of time: write 1.5, 1.5 h, 1:30 or 90 min`,
		`season.xlsx[Sheet1]:6: column 5: "beside" is in a column without a name: name the column in the header, or delete the value`,
		`season.xlsx[Sheet1]:7: column 7: "9" is outside the columns: name its column in the header, or delete the value`,
		`season.xlsx[Sheet1]:8: start: "9:36" is not a time: write 2026-03-14 09:30`,
		`season.xlsx[Sheet1]:9: hours: "TRUE" is not a length of time: write 1.5, 1.5 h, 1:30 or 90 min`,
		`season.xlsx[Sheet1]:10: start: "2026-03-29 01:30:00" does not exist in Europe/Lisbon, because the clocks go forward then: write 2026-03-29 02:30, or add the offset`,
	}, wrong)
}

// Merged cells are refused: in the header, over it, among the rows; not beside the sheet.
func TestMerged(t *testing.T) {
	for _, c := range []struct{ from, to, want string }{
		{"A1", "B1", "season.xlsx[Sheet1]:1: the cells A1:B1 are merged"},
		{"A2", "A3", "season.xlsx[Sheet1]:2: the cells A2:A3 are merged"},
		{"F1", "G9", ""},
	} {
		w := made(t, func(f *excelize.File) {
			put(t, f, "Sheet1", []any{"machine", "start", "hours"}, []any{"R4", "2026-03-14", 1},
				[]any{"R4", "2026-03-15", 1})
			require.NoError(t, f.MergeCell("Sheet1", c.from, c.to))
		})
		_, wrong := readTab(t, w, "Sheet1", "runs", bookIn(t, "UTC"))
		if c.want == "" {
			assert.Empty(t, wrong)
		} else if assert.NotEmpty(t, wrong) {
			assert.Contains(t, wrong[len(wrong)-1], c.want)
		}
	}
	w := made(t, func(f *excelize.File) { // a title over the header
		put(t, f, "Sheet1", []any{"The season of 2026"}, []any{"machine", "start", "hours"})
		require.NoError(t, f.MergeCell("Sheet1", "A1", "C1"))
	})
	_, wrong := readTab(t, w, "Sheet1", "runs", bookIn(t, "UTC"))
	require.Len(t, wrong, 1)
	assert.Contains(t, wrong[0], "season.xlsx[Sheet1]:1: the cells A1:C1 are merged")
}

// An exported workbook can be filled in: another reader finds its names frozen, its lists, its cells by type.
func TestWorkbookToFillIn(t *testing.T) {
	known := schema.NewKnown([]string{"R4", "=R5"}, []string{"Ines Varga"},
		[]schema.Word{{Vocabulary: "terrain", Word: "ash"}}, zoneOf(t, "Europe/Lisbon"))
	var b bytes.Buffer
	w, err := NewWorkbookWriter(&b, []*schema.Kind{schema.KindNamed("machines"), schema.KindNamed("runs"),
		schema.KindNamed("bleeds")}, known)
	require.NoError(t, err)
	run := &schema.Run{Hours: schema.N(2.5), Terrain: "ash", Note: "=SUM(A1)"}
	run.Machine, run.At = "=R5", time.Date(2026, 7, 1, 8, 30, 0, 0, time.UTC) // 9:30 in Lisbon's summer
	require.NoError(t, w.Write(run))
	require.NoError(t, w.Close())
	f, err := excelize.OpenReader(&b)
	require.NoError(t, err)
	assert.Equal(t, []string{"machines", "runs", "bleeds", "lists"}, f.GetSheetList())
	visible, err := f.GetSheetVisible("lists")
	require.NoError(t, err)
	assert.False(t, visible)
	panes, err := f.GetPanes("runs")
	require.NoError(t, err)
	assert.True(t, panes.Freeze)
	assert.Equal(t, 1, panes.YSplit)
	cell := func(at string, raw bool) string {
		s, err := f.GetCellValue("runs", at, excelize.Options{RawCellValue: raw})
		require.NoError(t, err)
		return s
	}
	for i, name := range schema.KindNamed("runs").Columns() {
		assert.Equal(t, name, cell(must(excelize.CoordinatesToCellName(i+1, 1)), false))
	}
	// ref machine start driver hours ... terrain ... note: A to M.
	assert.Equal(t, "=R5", cell("B2", false))
	assert.Equal(t, "46204.395833333336", cell("C2", true)) // 46204 is 2026-07-01, 9.5 of 24 hours
	assert.Equal(t, "2026-07-01 09:30", cell("C2", false))
	assert.Equal(t, "2.5", cell("E2", true))
	assert.Equal(t, "=SUM(A1)", cell("M2", false))
	formula, err := f.GetCellFormula("runs", "M2")
	require.NoError(t, err)
	assert.Empty(t, formula)
	kind, err := f.GetCellType("runs", "E2")
	require.NoError(t, err)
	assert.Equal(t, excelize.CellTypeUnset, kind) // without a type: a number (ECMA-376-1, 18.3.1.4)

	lists := func(tab string) map[string][]string {
		found := map[string][]string{}
		all, err := f.GetDataValidations(tab)
		require.NoError(t, err)
		for _, v := range all {
			if v.Type != "list" {
				continue
			}
			var words []string
			from, to, ok := strings.Cut(strings.ReplaceAll(strings.TrimPrefix(v.Formula1, "lists!"), "$", ""), ":")
			require.True(t, ok, v.Formula1)
			column, first, err := excelize.CellNameToCoordinates(from)
			require.NoError(t, err)
			_, last, err := excelize.CellNameToCoordinates(to)
			require.NoError(t, err)
			for row := first; row <= last; row++ {
				s, err := f.GetCellValue("lists", must(excelize.CoordinatesToCellName(column, row)))
				require.NoError(t, err)
				words = append(words, s)
			}
			found[v.Sqref] = words
		}
		return found
	}
	assert.Equal(t, map[string][]string{
		"B2:B1048576": {"R4", "=R5"}, "D2:D1048576": {"Ines Varga"},
		"H2:H1048576": append(schema.Words("terrain"), "ash"),
		"I2:I1048576": schema.Words("speed"), "J2:J1048576": schema.Words("range"), "K2:K1048576": schema.Words("load"),
	}, lists("runs"))
	assert.Equal(t, schema.Words("points"), lists("bleeds")["E2:E1048576"])
}

// A time that the clocks pass twice comes back as it was: 2026-10-25 00:30 and 01:30 UTC are both 1:30 in Lisbon.
func TestTwiceTheSameHour(t *testing.T) {
	known := bookIn(t, "Europe/Lisbon")
	var b bytes.Buffer
	w, err := NewWorkbookWriter(&b, []*schema.Kind{schema.KindNamed("levels")}, known)
	require.NoError(t, err)
	var want []time.Time
	for _, hour := range []int{0, 1} {
		rec := &schema.Level{BelowMark: schema.N(0)}
		rec.Machine, rec.At = "R4", time.Date(2026, 10, 25, hour, 30, 0, 0, time.UTC)
		want = append(want, rec.At)
		require.NoError(t, w.Write(rec))
	}
	require.NoError(t, w.Close())
	book, err := NewWorkbook(bytes.NewReader(b.Bytes()), int64(b.Len()), "season.xlsx")
	require.NoError(t, err)
	good, wrong := readTab(t, book, "levels", "levels", known)
	require.Empty(t, wrong)
	require.Len(t, good, 2)
	assert.Equal(t, want, []time.Time{good[0].(*schema.Level).At, good[1].(*schema.Level).At})
}

// What XML does not take is written by its number (ECMA-376-1, 22.9.2.19), and text that looks so by its underscore's.
func TestEscapes(t *testing.T) {
	for in, want := range map[string]string{
		"a<b&c>d": "a&lt;b&amp;c&gt;d", "\x1b[31m": "_x001B_[31m", "a\r\nb": "a_x000D_\nb", "_x0041_": "_x005F_x0041_",
		"_x0041_x0042_": "_x005F_x0041_x005F_x0042_",
		"_xD800_":       "_x005F_xD800_", "_x41_": "_x41_", "__x": "__x", "\uffff": "_xFFFF_", "😀": "😀",
		`"x"`: "&quot;x&quot;",
	} {
		got := string(appendXML(nil, in))
		assert.Equal(t, want, got)
		back := strings.NewReplacer("&lt;", "<", "&gt;", ">", "&quot;", `"`, "&amp;", "&").Replace(got)
		assert.Equal(t, in, unescape(back))
	}
	// A cell holds 32,767 characters (Microsoft, "Excel specifications and limits"), in UTF-16.
	w, err := NewWorkbookWriter(io.Discard, []*schema.Kind{schema.KindNamed("drivers")}, bookIn(t, "UTC"))
	require.NoError(t, err)
	assert.NoError(t, w.Write(&schema.Driver{Name: "Ines Varga", Note: strings.Repeat("é", 32767)}))
	assert.ErrorContains(t, w.Write(&schema.Driver{Name: "Ines Varga", Note: strings.Repeat("😀", 16384)}),
		"note of record 0 is longer than 32767 characters")
}
