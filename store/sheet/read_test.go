package sheet

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"runtime"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

func yardBook() *schema.Known {
	return schema.NewKnown([]string{"R1", "R4", "Heron"}, []string{"Ines Varga", "Tom Okello"}, nil,
		time.FixedZone("UTC+02:00", 7200))
}

// read reads text as a sheet of the kind: records, and all messages, that of a failure last.
func read(text, kind string) (good []schema.Record, wrong []string) {
	r, err := NewReader(strings.NewReader(text), kind+".csv", schema.KindNamed(kind))
	if err != nil {
		return nil, strings.Split(err.Error(), "\n")
	}
	known := yardBook()
	for {
		row, err := r.Next()
		if err == io.EOF {
			return good, wrong
		}
		if err != nil {
			return good, append(wrong, err.Error())
		}
		rec, bad := r.Record(row, known)
		for _, e := range bad {
			wrong = append(wrong, e.Error())
		}
		if rec != nil {
			good = append(good, rec)
		}
	}
}

// One run, however the sheet is made: contract, "Sheets".
func TestForms(t *testing.T) {
	want := &schema.Run{Driver: "Ines Varga", Hours: schema.N(2.5), Terrain: "mud", AmbientC: schema.N(22), Note: "ok"}
	want.Machine, want.At = "R4", time.Date(2026, 3, 14, 7, 30, 0, 0, time.UTC)
	kind := schema.KindNamed("runs")
	for name, text := range map[string]string{
		"plain": "machine,driver,start,hours,terrain,ambient_c,note\nR4,Ines Varga,2026-03-14 " +
			"09:30,2.5,mud,22,ok\n",
		"no last newline": "machine,driver,start,hours,terrain,ambient_c,note\nR4,Ines Varga,2026-03-14 " +
			"09:30,2.5,mud,22,ok",
		"byte-order mark": "\ufeffmachine,driver,start,hours,terrain,ambient_c,note\nR4,Ines Varga,2026-03-14 " +
			"09:30,2.5,mud,22,ok\n",
		"CRLF": "machine,driver,start,hours,terrain,ambient_c,note\r\nR4,Ines Varga,2026-03-14 " +
			"09:30,2.5,mud,22,ok\r\n",
		"semicolons": "machine;driver;start;hours;terrain;ambient_c;note\nR4;Ines Varga;2026-03-14 " +
			"09:30;2,5;mud;22;ok\n",
		"tabs": "machine\tdriver\tstart\thours\tterrain\tambient_c\tnote\nR4\tInes Varga\t2026-03-14 " +
			"09:30\t2.5\tmud\t22\tok\n",
		"another order": "note,start,machine,hours,terrain,driver,ambient_c\nok,2026-03-14 09:30,R4,2.5,mud,Ines " +
			"Varga,22\n",
		"case and blanks": " Machine ,DRIVER,Start,hours,Terrain,ambient_C,note\n r4 , ines varga,2026-03-14 " +
			"09:30, 2.5 ,MUD ,22,ok\n",
		"quotes": "\"machine\",driver,\"start\",hours,terrain,ambient_c,note\n\"R4\",\"Ines " +
			"Varga\",\"2026-03-14 09:30\", \"2.5\" ,\"mud\",22,\"ok\"\r\n",
		"units": "machine,driver,start,hours,terrain,ambient_c,note\nR4,Ines " +
			"Varga,2026-03-14T09:30:00+02:00,2 h 30,mud,71.6 F,ok\n",
		"blank rows": "machine,driver,start,hours,terrain,ambient_c,note\n\n,,,,,,\r\nR4,Ines " +
			"Varga,2026-03-14 09:30,2.5,mud,22,ok\n\n  \n",
		"a column to spare": "machine,driver,start,hours,terrain,ambient_c,note,,\nR4,Ines Varga,2026-03-14 " +
			"09:30,2.5,mud,22,ok,,,,\n",
		"remarks": "#,machine,driver,start,hours,terrain,ambient_c,note\nwords,,,,,mud,,\n,R4,Ines " +
			"Varga,2026-03-14 09:30,2.5,mud,22,ok\n",
		"set aside before": "machine,driver,start,hours,terrain,ambient_c,note,problem\nR4,Ines Varga,2026-03-14 " +
			"09:30,2.5,mud,22,ok,hours: was wrong\n",
	} {
		good, wrong := read(text, "runs")
		if assert.Empty(t, wrong, name) && assert.Len(t, good, 1, name) {
			assert.Empty(t, kind.Differ(want, good[0]), name)
		}
	}
	// The value as typed is kept beside the canonical one.
	good, _ := read("machine,at,volume_ml\nR4,2026-03-14 09:30,0.15 l\n", "topups")
	require.Len(t, good, 1)
	assert.Equal(t, schema.N(150), good[0].(*schema.TopUp).Volume)
	assert.Equal(t, "0.15 l", kindOf("topups").Meta(good[0]).Typed["volume_ml"])
	// A blank is not recorded, never zero; a short row lacks blanks.
	good, wrong := read("machine,start,hours,ambient_c,note\nR4,2026-03-14 09:30,2\nR4,2026-03-15 09:30,1,0,\n", "runs")
	require.Empty(t, wrong)
	assert.Equal(t, schema.Num{}, good[0].(*schema.Run).AmbientC)
	assert.Equal(t, schema.N(0), good[1].(*schema.Run).AmbientC)
	// A cell keeps its quotes, separators and line breaks.
	good, wrong = read("machine,at,work,note\nR4,2026-03-14,\"gasket, \"\"upper\"\"\",\"one\r\ntwo\n\nthree\"\n",
		"services")
	require.Empty(t, wrong)
	assert.Equal(t, "gasket, \"upper\"", good[0].(*schema.Service).Work)
	assert.Equal(t, "one\r\ntwo\n\nthree", good[0].(*schema.Service).Note)
	// A quote within an unquoted cell is an inch mark.
	good, wrong = read("machine,at,work\nR4,2026-03-14,3/4\" hose\n", "services")
	require.Empty(t, wrong)
	assert.Equal(t, `3/4" hose`, good[0].(*schema.Service).Work)
}

func kindOf(name string) *schema.Kind { return schema.KindNamed(name) }

func TestBadSheets(t *testing.T) {
	columns := strings.Join(schema.KindNamed("runs").Columns(), ", ")
	for _, c := range []struct {
		name, kind, text string
		want             []string
	}{
		{"empty", "runs", "", []string{"runs.csv:1: has no header row: the first row names the columns, such as " +
			strings.ReplaceAll(columns, ", ", ",")}},
		{"two headers alike", "runs", "machine,start,hours,Machine\n",
			[]string{"runs.csv:1: machine: is in the header twice, as columns 1 and 4: keep one"}},
		{"unknown header", "runs", "machine,start,hour,colour\n", []string{
			"runs.csv:1: hour: is not a column of runs (did you mean hours?): rename or delete the column; the " +
				"columns are " + columns,
			"runs.csv:1: colour: is not a column of runs: rename or delete the column; the columns are " + columns}},
		{"missing header", "topups", "machine,fluid\n", []string{
			"topups.csv:1: at: is missing from the header: a sheet of topups needs it (date and time; default: now)",
			"topups.csv:1: volume_ml: is missing from the header: a sheet of topups needs it (how much went in)"}},
		{"another kind", "runs", "ref,machine,at,meter_h,volume_ml,fluid,into,note\n",
			[]string{"runs.csv:1: looks like a sheet of topups, not of runs"}},
		{"another kind, nothing unknown", "runs", "driver,note\n", []string{
			"runs.csv:1: machine: is missing from the header: a sheet of runs needs it (the machine's name)",
			"runs.csv:1: start: is missing from the header: a sheet of runs needs it (date and time; default: now)"}},
		{"no header", "runs", "R4,2026-03-14 09:30,2.5\n", []string{
			"runs.csv:1: r4: is not a column of runs: rename or delete the column; the columns are " + columns,
			"runs.csv:1: 2026-03-14 09:30: is not a column of runs: rename or delete the column; the columns are " +
				columns,
			"runs.csv:1: 2.5: is not a column of runs: rename or delete the column; the columns are " + columns,
			"runs.csv:1: machine: is missing from the header: a sheet of runs needs it (the machine's name)",
			"runs.csv:1: start: is missing from the header: a sheet of runs needs it (date and time; default: now)"}},
		{"JPEG", "runs", "\xff\xd8\xff\xe0\x00\x10JFIF\x00\n\x01",
			[]string{"runs.csv:1: is not text in UTF-8: save it as CSV UTF-8"}},
		{"workbook", "runs", "PK\x03\x04\x14\x00\x06\x00",
			[]string{"runs.csv:1: is a workbook or an archive, not a sheet: save it as CSV UTF-8"}},
		{"UTF-16", "runs", "\xff\xfem\x00a\x00c\x00", []string{"runs.csv:1: is in UTF-16: save it as CSV UTF-8"}},
		{"too many cells", "runs", "machine,start,hours,note\nR4,2026-03-14,2,mud, deep\n",
			[]string{`runs.csv:2: has 5 cells for 4 columns: put quotes around a cell that contains the separator ","`}},
		{"cut off", "runs", "machine,start,hours,note\nR4,2026-03-14,2,\nR4,2026-03-15,1",
			[]string{"runs.csv:3: the file ends in the middle of this row, after 3 of 4 cells: complete it, or end " +
				"the row with a line break"}},
		{"NUL", "runs", "machine,start,hours,note\nR4,2026-03-14,2,a\x00b\n",
			[]string{`runs.csv:2: note: "a\x00b" contains a NUL byte: take it out`}},
		{"not UTF-8", "runs", "machine,start,hours,note\nR4,2026-03-14,2,stra\xdfe\n",
			[]string{`runs.csv:2: note: "stra\xdfe" is not UTF-8: save the sheet as CSV UTF-8`}},
		{"text after a quote", "runs", "machine,start,hours,note\nR4,2026-03-14,2,\"a\" b\n",
			[]string{"runs.csv:2: note: has text after its closing quote: write a quote within quotes twice"}},
		{"unclosed quote", "runs",
			"machine,start,hours,note\nR4,2026-03-14,2,ok\nR4,2026-03-15,2,\"never\nR4,2026-03-16,2,ok\n",
			[]string{"runs.csv:3: a quote that opens in this row is never closed: close it, or write a quote within " +
				"quotes twice"}},
		{"nameless column", "runs", "machine,start,hours,\nR4,2026-03-14,2,x\n",
			[]string{`runs.csv:2: column 4: "x" is in a column without a name: name the column in the header, or delete the value`}},
		{"all of a row", "runs", "note,machine,start,hours,terrain\n,R9,soon,-1,dirt\n", []string{
			`runs.csv:2: machine: "R9" is not known (did you mean R1 or R4?)`,
			`runs.csv:2: start: "soon" is not a time: write 2026-03-14 09:30`,
			`runs.csv:2: hours: "-1" can't be negative`,
			`runs.csv:2: terrain: "dirt" is not one of mud, water, dust, sand, gravel, rock, grass, forest, snow, road (did you mean dust?)`}},
		{"required cell", "runs", "machine,start,hours\n,2026-03-14,2\n",
			[]string{"runs.csv:2: machine: is missing: the machine's name"}},
		{"lines of quoted breaks", "runs",
			"machine,start,hours,note\nR4,2026-03-14,2,\"a\nb\r\nc\"\nR4,2026-03-15,x,\n",
			[]string{`runs.csv:5: hours: "x" is not a length of time: write 1.5, 1.5 h, 1:30 or 90 min`}},
	} {
		_, wrong := read(c.text, c.kind)
		assert.Equal(t, c.want, wrong, c.name)
	}
	for header, other := range map[string]string{"ref,machine,at,meter_h,volume_ml,fluid,into,note\n": "topups",
		"driver,note\n": "drivers"} {
		_, err := NewReader(strings.NewReader(header), "runs.csv", kindOf("runs"))
		var all Errors
		require.ErrorAs(t, err, &all)
		assert.Equal(t, "if it is a sheet of "+other+", import it with --as "+other, all[0].Hint)
	}
	// The same unknown word is told at each of its rows, and is another word in another column.
	_, wrong := read("machine,driver,start,hours\nR9,R9,2026-03-14,2\nR9,,2026-03-14,2\n", "runs")
	assert.Equal(t, []string{
		`runs.csv:2: machine: "R9" is not known (did you mean R1 or R4?)`,
		`runs.csv:2: driver: "R9" is not known`,
		`runs.csv:3: machine: "R9" is not known (did you mean R1 or R4?)`}, wrong)
	// Good rows are read before and after bad ones.
	good, wrong := read("machine,start,hours\nR1,2026-03-14,2\nR9,2026-03-14,2\nR4,2026-03-14,2\n", "runs")
	assert.Len(t, good, 2)
	assert.Len(t, wrong, 1)
}

// endless gives head, then n bytes of fill, then tail.
func endless(head string, n int64, fill byte, tail string) io.Reader {
	return io.MultiReader(strings.NewReader(head), io.LimitReader(repeat(fill), n), strings.NewReader(tail))
}

type repeat byte

func (r repeat) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = byte(r)
	}
	return len(p), nil
}

// A line of 200 MB is refused, and takes no more memory than a few of the longest rows.
func TestLongLine(t *testing.T) {
	const size = 200 << 20
	head := "machine,start,hours,note\nR4,2026-03-14,2,ok\n"
	for name, c := range map[string]struct {
		src  io.Reader
		want string
	}{
		"header": {endless("", size, 'x', "\n"),
			"runs.csv:1: has no line break in the first 1048576 bytes, so no header row: it is not a sheet"},
		"zeros": {endless("", size, 0, ""),
			"runs.csv:1: has no line break in the first 1048576 bytes, so no header row: it is not a sheet"},
		"row": {endless(head+"R4,2026-03-15,2,", size, 'x', "\n"), "runs.csv:3: the row that begins " +
			"here is longer than 1048576 bytes: a quote may not be closed, or this is not a sheet"},
		"unclosed quote": {endless(head+"R4,2026-03-15,2,\"", size, '\n', ""), "runs.csv:3: the row that begins " +
			"here is longer than 1048576 bytes: a quote may not be closed, or this is not a sheet"},
		"quotes and more": {endless(head+"R4,2026-03-15,2,\"", size, '"', ""), "runs.csv:3: the row that begins " +
			"here is longer than 1048576 bytes: a quote may not be closed, or this is not a sheet"},
		"many short cells": {endless(head+"R4,2026-03-15,2", size, ',', "\n"), "runs.csv:3: the row that begins here " +
			"is longer than 1048576 bytes: a quote may not be closed, or this is not a sheet"},
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		r, err := NewReader(c.src, "runs.csv", kindOf("runs"))
		rows := 0
		for err == nil {
			if _, err = r.Next(); err == nil {
				rows++
			}
		}
		runtime.ReadMemStats(&after)
		assert.EqualError(t, err, c.want, name)
		assert.LessOrEqual(t, rows, 1, name)
		assert.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(16<<20), name)
	}
	// The longest row that is still read: the note fills it to the byte.
	at := "R4,2026-03-15,2,"
	for extra, ok := range map[int]bool{0: true, 1: false} {
		src := endless("machine,start,hours,note\n"+at, int64(MaxRow-len(at)+extra), 'x', "\n")
		r, err := NewReader(src, "runs.csv", kindOf("runs"))
		require.NoError(t, err)
		_, err = r.Next()
		assert.Equal(t, ok, err == nil, "%d beyond: %v", extra, err)
	}
}

// A file that fails while read is not mistaken for its end.
func TestReadFails(t *testing.T) {
	broken := errors.New("the disk failed")
	src := io.MultiReader(strings.NewReader("machine,start,hours\nR4,2026-03-14,2\nR4,2026"), &failing{broken})
	r, err := NewReader(src, "runs.csv", kindOf("runs"))
	require.NoError(t, err)
	_, err = r.Next()
	require.NoError(t, err)
	_, err = r.Next()
	assert.ErrorIs(t, err, broken)
	_, err = NewReader(&failing{broken}, "runs.csv", kindOf("runs"))
	assert.ErrorIs(t, err, broken)
}

type failing struct{ err error }

func (f *failing) Read([]byte) (int, error) { return 0, f.err }

// drip gives its text in small pieces, so that rows and quotes fall across reads.
type drip struct {
	text []byte
	size int
}

func (d *drip) Read(p []byte) (int, error) {
	if len(d.text) == 0 {
		return 0, io.EOF
	}
	n := copy(p[:min(len(p), d.size)], d.text)
	d.text = d.text[n:]
	return n, nil
}

// scanAll takes text apart, however it arrives.
func scanAll(text []byte, sep byte, size int) (rows [][]string, lines []int, junk bool, err error) {
	s := newScanner(&drip{text, size})
	s.sep = sep
	for {
		line, cells, err := s.next()
		if err == io.EOF {
			return rows, lines, junk, nil
		}
		if err != nil {
			return rows, lines, junk, err
		}
		rows = append(rows, append([]string(nil), cells...))
		lines = append(lines, line)
		junk = junk || s.junk >= 0
	}
}

func FuzzReader(f *testing.F) {
	for _, s := range []string{
		"machine,start,hours,note\r\nR4,2026-03-14 09:30,2.5,\"a, \"\"b\"\"\nc\"\r\n", "a;b\n\"x;y\";\n", "a\tb\n\t\n",
		"\ufeffmachine,start\n",
		"\"", "\"\"", "\"\"\"", "a,\"b\"c\n", " \"a\" ,b", "a\rb\r\n\r\n", ",,\n,", "\x00\xff\n",
		"#,machine,start\nx\n", "machine,start,hours\nR4,2026-03-14,2", "'=1,'\n",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		// No input makes it fail other than by an error, and every error names a line of the file.
		breaks := bytes.Count(text, []byte{'\n'}) + 1
		for _, k := range []string{"runs", "drivers"} {
			known := yardBook()
			r, err := NewReader(bytes.NewReader(text), "f", kindOf(k))
			if err != nil {
				continue
			}
			last := 1
			for {
				row, err := r.Next()
				if err != nil {
					break
				}
				if row.Line <= last || row.Line > breaks {
					t.Fatalf("row at line %d after %d, of %d", row.Line, last, breaks)
				}
				last = row.Line
				rec, wrong := r.Record(row, known)
				if (rec == nil) == (wrong == nil) {
					t.Fatalf("record %v, errors %v", rec, wrong)
				}
				for _, e := range wrong {
					if e.Line != row.Line || e.Says == "" || !utf8.ValidString(e.Error()) {
						t.Fatalf("%#v", e)
					}
				}
			}
		}
		// However the bytes arrive, the rows are the same.
		rows, lines, junk, err := scanAll(text, ',', 1<<20)
		again, lines2, _, err2 := scanAll(text, ',', 3)
		if fmt.Sprint(rows, lines, err) != fmt.Sprint(again, lines2, err2) {
			t.Fatalf("%q in pieces: %q %v %v, whole: %q %v %v", text, again, lines2, err2, rows, lines, err)
		}
		// Where the standard library's strict reader understands a sheet, it is read the same. It changes CRLF in cells
		// to LF and passes over empty lines, so inputs with those prove nothing.
		if bytes.Contains(text, []byte{'\r'}) || bytes.Contains(text, []byte("\n\n")) ||
			bytes.HasPrefix(text, []byte{'\n'}) {
			return
		}
		std := csv.NewReader(bytes.NewReader(text))
		std.FieldsPerRecord = -1
		want, serr := std.ReadAll()
		if serr != nil {
			return
		}
		if err != nil || junk || fmt.Sprintf("%q", rows) != fmt.Sprintf("%q", want) {
			t.Fatalf("%q: %q %v, the standard library reads %q", text, rows, err, want)
		}
	})
}
