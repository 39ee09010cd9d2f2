package sheet

import (
	"archive/zip"
	"bytes"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"shedbook/schema"
)

const (
	relsXML  = `<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="rId1" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/officeDocument" Target="xl/workbook.xml"/></Relationships>`
	bookXML  = `<workbook xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main" xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships"><sheets><sheet name="runs" sheetId="1" r:id="rId1"/></sheets></workbook>`
	partsXML = `<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="rId1" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/worksheet" Target="worksheets/sheet1.xml"/><Relationship Id="rId2" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/styles" Target="styles.xml"/><Relationship Id="rId3" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/sharedStrings" Target="/xl/sharedStrings.xml"/></Relationships>`
	styleXML = `<styleSheet><numFmts count="1"><numFmt numFmtId="164" formatCode="yyyy\-mm\-dd"/></numFmts><cellXfs count="2"><xf numFmtId="0"/><xf numFmtId="164"/></cellXfs></styleSheet>`
	textXML  = `<sst><si><t>machine</t></si><si><t>start</t></si><si><t>hours</t></si><si><r><t>R</t></r><r><rPr/><t>4</t></r><rPh sb="0" eb="1"><t>aar</t></rPh></si></sst>`
	headXML  = `<worksheet><sheetData><row r="1"><c r="A1" t="s"><v>0</v></c><c r="B1" t="s"><v>1</v></c><c r="C1" t="s"><v>2</v></c></row>`
	rowXML   = `<row r="2"><c r="A2" t="s"><v>3</v></c><c r="B2" s="1"><v>46095</v></c><c r="C2"><v>2.5</v></c></row>`
	tailXML  = `</sheetData></worksheet>`
)

// bare is a workbook of as few parts as there can be.
func bare(t require.TestingT, rows, styles, texts, workbook string) []byte {
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for _, p := range [][2]string{{"_rels/.rels", relsXML}, {"xl/workbook.xml", workbook},
		{"xl/_rels/workbook.xml.rels", partsXML}, {"xl/styles.xml", styles}, {"xl/sharedStrings.xml", texts},
		{"xl/worksheets/sheet1.xml", rows}} {
		how := zip.Store
		if len(p[1]) > 1<<20 {
			how = zip.Deflate
		}
		w, err := z.CreateHeader(&zip.FileHeader{Name: p[0], Method: how})
		require.NoError(t, err)
		_, err = io.WriteString(w, p[1])
		require.NoError(t, err)
	}
	require.NoError(t, z.Close())
	return b.Bytes()
}

// wrongWith opens a workbook and reads its tab runs, and returns what is wrong.
func wrongWith(t require.TestingT, b []byte) (good int, wrong []string) {
	w, err := NewWorkbook(bytes.NewReader(b), int64(len(b)), "season.xlsx")
	if err != nil {
		var e *Error
		require.ErrorAs(t, err, &e)
		return 0, []string{err.Error()}
	}
	records, wrong := readTab(t, w, "runs", "runs", schema.NewKnown([]string{"R4"}, nil, nil, time.UTC))
	return len(records), wrong
}

func TestBareWorkbook(t *testing.T) {
	good, wrong := wrongWith(t, bare(t, headXML+rowXML+tailXML, styleXML, textXML, bookXML))
	assert.Empty(t, wrong)
	assert.Equal(t, 1, good)
	// Cells and rows need no references (ECMA-376-1, 18.3.1.4 and 18.3.1.73: r is optional), names may have a prefix.
	plain := strings.NewReplacer(`<row r="2">`, `<row>`, ` r="A2"`, "", ` r="B2"`, "", ` r="C2"`,
		"").Replace(headXML + rowXML + tailXML)
	for _, rows := range []string{plain, strings.NewReplacer("</", "</x:", "<", "<x:", "<x:/x:",
		"</x:").Replace(plain)} {
		good, wrong = wrongWith(t, bare(t, rows, styleXML, textXML, bookXML))
		assert.Empty(t, wrong)
		assert.Equal(t, 1, good)
	}
}

// What is no workbook, or a broken one, is refused with a sentence; nothing of it counts as the end of the sheet.
func TestRefused(t *testing.T) {
	whole := bare(t, headXML+rowXML+tailXML, styleXML, textXML, bookXML)
	archive := func(name string) []byte {
		var b bytes.Buffer
		z := zip.NewWriter(&b)
		_, err := z.Create(name)
		require.NoError(t, err)
		require.NoError(t, z.Close())
		return b.Bytes()
	}
	rows := func(s string) []byte { return bare(t, s, styleXML, textXML, bookXML) }
	many := func(s string, n int) string { return strings.Repeat(s, n) }
	for _, c := range []struct {
		name  string
		bytes []byte
		want  string
	}{
		{"nothing", nil, "season.xlsx:1: is not a workbook (.xlsx): save it as one, or as CSV UTF-8"},
		{"CSV", []byte("machine,start\nR4,2026-03-14\n"), "season.xlsx:1: is not a workbook (.xlsx)"},
		{"old or encrypted", []byte("\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + many("x", 600)),
			"season.xlsx:1: is an old workbook (.xls), or one with a password"},
		{"an archive", archive("readme.txt"),
			"season.xlsx:1: is not a workbook, or is damaged (_rels/.rels is missing)"},
		{"OpenDocument", archive("content.xml"), "season.xlsx:1: is an OpenDocument file: save it as .xlsx"},
		{"cut off", whole[:len(whole)/2], "season.xlsx:1: is not a workbook, or is damaged"},
		{"no tabs' part", bare(t, "", styleXML, textXML, `<workbook><sheets>`),
			"is damaged (xl/workbook.xml ends too early)"},
		{"a tab cut off between rows", rows(headXML + rowXML),
			"season.xlsx[runs]:2: the tab is damaged after this row (it ends too early)"},
		{"a tab cut off within a row", rows(headXML + rowXML[:60]),
			"season.xlsx[runs]:2: the tab is damaged after this row (it ends too early)"},
		{"no XML", rows(headXML + "<row 1>"), "season.xlsx[runs]:1: the tab is damaged after this row (it, line 1"},
		{"rows out of order", rows(headXML + rowXML + `<row r="2"></row>` + tailXML),
			`season.xlsx[runs]:2: the tab is damaged after this row (it: row "2" comes after row 2)`},
		{"no such cell", rows(headXML + `<row r="2"><c r="ZZZZ1"/></row>` + tailXML), `there is no cell "ZZZZ1"`},
		{"an entity", rows(`<!DOCTYPE x [<!ENTITY a "aaaa">]>` + headXML + `<row><c t="str"><v>&a;</v></c></row>` +
			tailXML), "invalid character entity"},
		{"no such text", rows(strings.Replace(headXML+rowXML+tailXML, "<v>3</v>", "<v>9</v>", 1)),
			"season.xlsx[runs]:2: machine: can't be read (points at text 10 of 4)"},
		{"a formula's error", rows(strings.Replace(headXML+rowXML+tailXML, `t="s"><v>3</v>`,
			`t="e"><f>NA()</f><v>#N/A</v>`, 1)), "season.xlsx[runs]:2: machine: has the error #N/A instead of a value"},
		{"no number", rows(strings.Replace(headXML+rowXML+tailXML, "2.5", "NaN", 1)),
			`season.xlsx[runs]:2: hours: has "NaN" in place of a number`},
		{"an endless row", rows(headXML + `<row r="2"><c t="str"><v>` + many("x", maxRowXML) + `</v></c></row>` +
			tailXML), "season.xlsx[runs]:2: the row is larger than 4 MiB"},
		{"an endless name", rows(headXML + "<" + many("x", maxRowXML+1)),
			"season.xlsx[runs]:1: the row is larger than 4 MiB"},
		{"a bomb", rows(headXML + many(many(" ", 1<<20)+"<x/>", freeUnpack>>20) + tailXML),
			"season.xlsx[runs]:1: the tab is far too large when unpacked"},
		{"a bomb of styles", bare(t, headXML+tailXML, many(many(" ", 1<<20)+"<x/>", maxSmall>>20)+styleXML, textXML,
			bookXML), "is far too large when unpacked"},
		{"an empty tab", rows(`<worksheet><sheetData/></worksheet>`), "season.xlsx[runs]:1: has no header row"},
	} {
		good, wrong := wrongWith(t, c.bytes)
		if assert.NotEmpty(t, wrong, c.name) {
			assert.Contains(t, wrong[len(wrong)-1], c.want, c.name)
			assert.Less(t, len(wrong[0]), 500)
		}
		assert.LessOrEqual(t, good, 1, c.name)
	}
	// Shared text that is damaged makes every row that points at it bad.
	_, wrong := wrongWith(t, bare(t, headXML+rowXML+tailXML, styleXML, textXML[:40], bookXML))
	assert.Equal(t, []string{"season.xlsx[runs]:1: column 1: can't be read (xl/sharedstrings.xml ends too early): " +
		"save the workbook again as .xlsx"}, wrong)
}

// A byte that is not as it was is never read as a whole and sound sheet of other values: the archive's checksums tell.
func TestDamagedBytes(t *testing.T) {
	whole := bare(t, headXML+rowXML+tailXML, styleXML, textXML, bookXML)
	read := func(t require.TestingT, b []byte) (values []string, wrong []string) {
		w, err := NewWorkbook(bytes.NewReader(b), int64(len(b)), "season.xlsx")
		if err != nil {
			return nil, []string{err.Error()}
		}
		if len(w.Tabs()) != 1 || w.Tabs()[0].Name != "runs" {
			return nil, []string{"no tab"}
		}
		// A part that can't even be opened is refused too: the byte that was hit may name how it is packed.
		tab, err := w.Open(w.Tabs()[0])
		if err != nil {
			return nil, []string{err.Error()}
		}
		tab.Close()
		good, wrong := readTab(t, w, "runs", "runs", schema.NewKnown([]string{"R4"}, nil, nil, time.UTC))
		for _, g := range good {
			r := g.(*schema.Run)
			values = append(values, fmt.Sprint(r.Machine, r.At, r.Hours))
		}
		return values, wrong
	}
	sound, wrong := read(t, whole)
	require.Empty(t, wrong)
	rapid.Check(t, func(t *rapid.T) {
		b := bytes.Clone(whole)
		b[rapid.IntRange(0, len(b)-1).Draw(t, "at")] ^= byte(1 << rapid.IntRange(0, 7).Draw(t, "bit"))
		values, wrong := read(t, b)
		if len(wrong) == 0 && !assert.ObjectsAreEqual(sound, values) {
			t.Fatalf("read as %v, was %v", values, sound)
		}
	})
}

// Whatever a workbook's parts hold, reading it ends, does not panic, and says what is wrong in a line of bearable
// length.
func FuzzWorkbook(f *testing.F) {
	f.Add(headXML+rowXML+tailXML, styleXML, textXML, bookXML)
	f.Add(headXML+`<row r="2"><c r="A2" t="inlineStr"><is><t>R4</t></is></c><c r="B2" t="d"><v>2026-03-14T09:30:00</v></c><c r="C2" s="1"><f>1</f></c></row></sheetData><mergeCells><mergeCell ref="A1:B2"/></mergeCells></worksheet>`, styleXML, `<sst/>`, bookXML)
	f.Add(headXML+`<row r="9"><c t="b"><v>1</v></c><c t="e"><v>#REF!</v></c><c r="XFD9"><v>-1e300</v></c></row>`+
		tailXML, `<styleSheet><cellXfs><xf numFmtId="46"/><xf numFmtId="9"/></cellXfs></styleSheet>`, textXML,
		strings.Replace(bookXML, "<sheets>", `<workbookPr date1904="1"/><sheets>`, 1))
	f.Add(`<worksheet>`, ``, `_x0041__xD800_`, `<workbook/>`)
	f.Fuzz(func(t *testing.T, rows, styles, texts, workbook string) {
		_, wrong := wrongWithTabs(t, bare(t, rows, styles, texts, workbook))
		for _, w := range wrong {
			if len(w) > 2000 {
				t.Fatalf("a message of %d bytes: %.200s", len(w), w)
			}
		}
	})
}

// wrongWithTabs reads every tab there is.
func wrongWithTabs(t require.TestingT, b []byte) (good int, wrong []string) {
	w, err := NewWorkbook(bytes.NewReader(b), int64(len(b)), "season.xlsx")
	if err != nil {
		return 0, []string{err.Error()}
	}
	for _, tab := range w.Tabs() {
		src, err := w.Open(tab)
		if err != nil {
			wrong = append(wrong, err.Error())
			continue
		}
		r, err := NewReader(src, "season.xlsx", schema.KindNamed("runs"))
		if err != nil {
			wrong = append(wrong, strings.Split(err.Error(), "\n")...)
			continue
		}
		last := 0
		for {
			row, err := r.Next()
			if err != nil {
				if err != io.EOF {
					wrong = append(wrong, err.Error())
				}
				break
			}
			require.Greater(t, row.Line, last)
			last = row.Line
			_, problems := r.Record(row, schema.NewKnown([]string{"R4"}, nil, nil, time.UTC))
			for _, p := range problems {
				wrong = append(wrong, p.Error())
			}
		}
	}
	return good, wrong
}

// Memory does not grow with the rows: the tab is 26 MB of XML.
func TestWorkbookMemory(t *testing.T) {
	if testing.Short() {
		t.Skip("reads 30,000 rows")
	}
	const n = 30_000
	text, known := yard(n)
	kind := schema.KindNamed("runs")
	in, err := NewReader(bytes.NewReader(text), "runs.csv", kind)
	require.NoError(t, err)
	file, err := os.Create(filepath.Join(t.TempDir(), "season.xlsx"))
	require.NoError(t, err)
	defer file.Close()
	most := uint64(0)
	look := func(row int) {
		if row%1000 == 0 {
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			most = max(most, m.HeapAlloc)
		}
	}
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	before := m.HeapAlloc
	w, err := NewWorkbookWriter(file, []*schema.Kind{kind}, known)
	require.NoError(t, err)
	for i := range n {
		row, err := in.Next()
		require.NoError(t, err)
		rec, _ := in.Record(row, known)
		require.NoError(t, w.Write(rec))
		look(i)
	}
	require.NoError(t, w.Close())
	written := most - before
	most = 0
	book, err := OpenWorkbook(file.Name())
	require.NoError(t, err)
	defer book.Close()
	r, err := NewReader(tabOf(t, book, "runs"), "season.xlsx", kind)
	require.NoError(t, err)
	for i := range n {
		row, err := r.Next()
		require.NoError(t, err)
		rec, wrong := r.Record(row, known)
		require.Empty(t, wrong)
		require.NotNil(t, rec)
		look(i)
	}
	_, err = r.Next()
	require.Equal(t, io.EOF, err)
	t.Logf("%d rows: heap grew by %d KiB writing, %d KiB reading", n, written>>10, (most-before)>>10)
	assert.Less(t, written, uint64(16<<20))
	assert.Less(t, most-before, uint64(16<<20))
}

// LibreOffice reads an exported workbook and writes the same values: as CSV, and as a workbook of its own, with shared
// text and its own styles, that reads back as equal records.
func TestLibreOffice(t *testing.T) {
	soffice, err := exec.LookPath("soffice")
	if err != nil || testing.Short() {
		t.Skip("LibreOffice is not installed, or the tests are to be short")
	}
	const zone = "UTC+2"
	known := knownOf(t, season, zone)
	kinds := schema.Kinds
	want := map[*schema.Kind][]schema.Record{}
	for _, k := range kinds {
		if path := filepath.Join(season, k.Sheet+".csv"); exists(path) {
			want[k], _ = readAll(t, path, k, known)
		}
	}
	runs := schema.KindNamed("runs")
	for i, note := range []string{"=1+1", "+49 30 1234", "-5 from the mark", "@home", "007", "1e5", "TRUE", "#N/A",
		"2026-03-14", "14.3.", "1/2", "2:30", "50%", "é 😀 \u00a0x", "two\nlines, \"quoted\"; and\ttabs", "_x0041_"} {
		r := *want[runs][i].(*schema.Run)
		r.Ref, r.Note = fmt.Sprintf("00%d", i), note
		want[runs] = append(want[runs], &r)
	}
	dir := t.TempDir()
	out, err := os.Create(filepath.Join(dir, "book.xlsx"))
	require.NoError(t, err)
	w, err := NewWorkbookWriter(out, kinds, known)
	require.NoError(t, err)
	for _, k := range kinds {
		for _, rec := range want[k] {
			require.NoError(t, w.Write(rec))
		}
	}
	require.NoError(t, w.Close())
	require.NoError(t, out.Close())
	convert := func(to string) {
		cmd := exec.Command(soffice, "-env:UserInstallation=file://"+filepath.Join(dir, "profile"), "--headless",
			"--convert-to", to, "--outdir", filepath.Join(dir, "out"), out.Name())
		said, err := cmd.CombinedOutput()
		require.NoError(t, err, string(said))
	}
	same := func(k *schema.Kind, r *Reader) {
		n := 0
		for ; ; n++ {
			row, err := r.Next()
			if err == io.EOF {
				break
			}
			require.NoError(t, err)
			got, wrong := r.Record(row, known)
			require.Empty(t, wrong)
			require.Less(t, n, len(want[k]))
			if d := k.Differ(want[k][n], got); len(d) > 0 {
				t.Errorf("%s %d: %s: %v read back as %v", k.Sheet, row.Line, d[0].Name, d[0].Pointer(want[k][n]),
					d[0].Pointer(got))
			}
		}
		assert.Equal(t, len(want[k]), n, k.Sheet)
	}
	// Comma, quotes, UTF-8, from line 1, cells as they show, every tab (LibreOffice Help, "Filter Options for CSV").
	convert("csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,true,false,false,false,-1")
	for _, k := range kinds {
		f, err := os.Open(filepath.Join(dir, "out", "book-"+k.Sheet+".csv"))
		require.NoError(t, err)
		r, err := NewReader(f, k.Sheet+".csv", k)
		require.NoError(t, err)
		same(k, r)
		f.Close()
	}
	convert("xlsx")
	book, err := OpenWorkbook(filepath.Join(dir, "out", "book.xlsx"))
	require.NoError(t, err)
	defer book.Close()
	for _, k := range kinds {
		tab := tabOf(t, book, k.Sheet)
		r, err := NewReader(tab, "book.xlsx["+k.Sheet+"]", k)
		require.NoError(t, err)
		same(k, r)
		tab.Close()
	}
	for _, tab := range book.Tabs() {
		assert.Equal(t, tab.Name == listTab, tab.Hidden, tab.Name)
	}
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

// What costs too much to read is refused before it is read.
func TestTooMuchIsRefused(t *testing.T) {
	tabs, relations := strings.Builder{}, strings.Builder{}
	for i := range 60_000 { // 8 kB once packed
		fmt.Fprintf(&tabs, `<sheet name="s%d" sheetId="%d" r:id="r%d"/>`, i, i+1, i)
		fmt.Fprintf(&relations, `<Relationship Id="r%d" Type="x/worksheet" Target="worksheets/sheet1.xml"/>`, i)
	}
	packed := func(parts ...[2]string) []byte {
		var b bytes.Buffer
		z := zip.NewWriter(&b)
		for _, p := range parts {
			w, err := z.Create(p[0])
			require.NoError(t, err)
			_, err = io.WriteString(w, p[1])
			require.NoError(t, err)
		}
		require.NoError(t, z.Close())
		return b.Bytes()
	}
	var files [][2]string
	for i := range maxParts + 1 {
		files = append(files, [2]string{fmt.Sprint(i), ""})
	}
	wide := `<worksheet><sheetData><row><c r="A1" t="str"><v>machine</v></c><c r="B1" t="str"><v>start</v></c><c r="C1" t="str"><v>hours</v></c>%s</row>` + tailXML
	for _, c := range []struct {
		name  string
		bytes []byte
		want  string
	}{
		{"many tabs", packed([2]string{"_rels/.rels", relsXML},
			[2]string{"xl/workbook.xml", `<workbook xmlns:r="r"><sheets>` + tabs.String() + `</sheets></workbook>`},
			[2]string{"xl/_rels/workbook.xml.rels", `<Relationships>` + relations.String() + `</Relationships>`}),
			"season.xlsx:1: has 60000 tabs, more than the 1000 that can be read"},
		{"many files", packed(files...), "season.xlsx:1: is an archive of more than 20000 files"},
		{"a cell far out", bare(t, fmt.Sprintf(wide, `<c r="XFD1"><v>1</v></c>`), styleXML, textXML, bookXML),
			"there are more than 1000 columns"},
	} {
		_, wrong := wrongWith(t, c.bytes)
		if assert.NotEmpty(t, wrong, c.name) {
			assert.Contains(t, wrong[len(wrong)-1], c.want, c.name)
		}
	}
	// Blanks far out are no columns, in a workbook and in CSV.
	good, wrong := wrongWith(t, bare(t, fmt.Sprintf(wide, `<c r="XFD1" t="str"><v> </v></c>`)+tailXML, styleXML,
		textXML, bookXML))
	assert.Zero(t, good)
	assert.Empty(t, wrong)
	known := schema.NewKnown([]string{"R4"}, nil, nil, time.UTC)
	far := strings.Repeat(",", 100_000)
	for _, c := range []struct{ name, text, want string }{
		{"blank columns", "machine,start,hours" + far + "\nR4,2026-03-14 09:30,2.5" + far + "\n", ""},
		{"a header", "machine,start,hours" + far + "x\n", "has 100003 columns, more than the 1000 that can be read"},
		{"a row", "machine,start,hours\nR4,2026-03-14 09:30,2.5" + far + "x\n",
			"runs.csv:2: the row has 100003 cells, more than the 1000 that can be read"},
	} {
		r, err := NewReader(strings.NewReader(c.text), "runs.csv", schema.KindNamed("runs"))
		if err == nil {
			var row Row
			if row, err = r.Next(); err == nil {
				assert.LessOrEqual(t, len(row.Cells), maxColumns)
				_, wrong := r.Record(row, known)
				assert.Empty(t, wrong)
			}
		}
		if c.want == "" {
			assert.NoError(t, err, c.name)
		} else {
			assert.ErrorContains(t, err, c.want, c.name)
		}
	}
}

// Rows that somebody hid are read, and said.
func TestHiddenRowsAreSaid(t *testing.T) {
	hidden := strings.Replace(rowXML, `<row r="2">`, `<row r="2" hidden="1">`, 1)
	b := bare(t, headXML+hidden+`<row r="3" hidden="1"/>`+tailXML, styleXML, textXML, bookXML)
	w, err := NewWorkbook(bytes.NewReader(b), int64(len(b)), "season.xlsx")
	require.NoError(t, err)
	var said []string
	w.Note = func(s string) { said = append(said, s) }
	for range 2 { // once, also where the tab is read again
		tab := tabOf(t, w, "runs")
		r, err := NewReader(tab, "season.xlsx[runs]", schema.KindNamed("runs"))
		require.NoError(t, err)
		for err == nil {
			_, err = r.Next()
		}
		require.Equal(t, io.EOF, err)
		require.NoError(t, tab.Close())
	}
	require.Equal(t, []string{"season.xlsx[runs]: 1 row is hidden, row 2: hidden rows are read like the others"}, said)
}

// Rows set aside stand on the lines on which they stood, quoted line breaks counted, and what is counted is counted
// once.
func TestSplitKeepsLines(t *testing.T) {
	parts, err := Split(strings.NewReader("sheet,machine,start,hours,note\nruns,R4,2026-03-14,1,\"a\nb\"\ntopups,R4,,,\nruns,R5,2026-03-15,x,\n"), "bad.csv")
	require.NoError(t, err)
	require.Equal(t, "machine,start,hours,note\r\nR4,2026-03-14,1,\"a\nb\"\r\n\nR5,2026-03-15,x,\r\n",
		string(parts[schema.KindNamed("runs")]))
	var p part
	p.add([]string{"a\nb", "c"})
	require.Equal(t, bytes.Count(p.text, []byte("\n")), p.lines)
}
