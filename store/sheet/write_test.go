package sheet

import (
	"bytes"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"shedbook/schema"
	"shedbook/schema/unit"
)

// text draws what people and programs put into notes.
func text(t *rapid.T, label string) string {
	s := rapid.OneOf(
		rapid.StringOf(rapid.SampledFrom([]rune("'=+-@＝＠\",;\t\r\n #aé😀"))),
		rapid.SampledFrom([]string{"=cmd|' /C calc'!A0", "-2+3", "'; DROP TABLE runs;--", "\u202f1", "''=x",
			strings.Repeat("long ", 2000), "<b>", "\x1b[31m"}),
		rapid.String(),
	).Draw(t, label)
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if r == 0 || r == '\uFFFD' {
			return -1
		}
		return r
	}, s))
}

// draw makes a random valid record of the kind.
func draw(t *rapid.T, k *schema.Kind, known *schema.Known) schema.Record {
	rec := k.New()
	for i := range k.Fields {
		f := &k.Fields[i]
		if !f.Required && rapid.Bool().Draw(t, "blank") {
			continue
		}
		switch p := f.Pointer(rec).(type) {
		case *string:
			switch f.Type {
			case schema.MachineField:
				*p = rapid.SampledFrom(known.Machines).Draw(t, f.Name)
			case schema.DriverField:
				*p = rapid.SampledFrom(known.Drivers).Draw(t, f.Name)
			case schema.WordField:
				*p = rapid.SampledFrom(known.Words[f.Vocabulary]).Draw(t, f.Name)
			default:
				if *p = text(t, f.Name); f.Name == k.Name { // a name is cleaned on its way in
					*p = schema.CleanName(*p)
				}
				if *p == "" {
					*p = "x"
				}
			}
		case *schema.Num:
			low, high := f.Min, f.Max
			*p = schema.N(rapid.Float64Range(low, high).Draw(t, f.Name))
			if p.V == 0 {
				p.V = 0 // no -0
			}
		case *time.Time:
			*p = time.Unix(rapid.Int64Range(-600000000, 7000000000).Draw(t, f.Name), 0).UTC()
		case *[]string:
			words := known.Words[f.Vocabulary]
			for _, w := range words {
				if rapid.Bool().Draw(t, w) {
					*p = append(*p, w)
				}
			}
		}
	}
	return rec
}

// Whatever a book holds of any kind, its sheet reads back as equal records.
func TestRoundTrip(t *testing.T) {
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
		w := NewWriter(&b, k, berlin)
		for _, rec := range records {
			w.Write(rec)
		}
		require.NoError(t, w.Flush())
		r, err := NewReader(&b, k.Sheet+".csv", k)
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
	})
	t.Log("records by kind:", tried)
}

// A level as its sheet has it: RFC 4180 rows, times with the zone's offset.
func TestWrite(t *testing.T) {
	rec := &schema.Level{BelowMark: schema.N(-9.9), Engine: "cold", Note: "=SUM(A1), \"deep\""}
	rec.Ref, rec.Machine, rec.At, rec.Meter = "-7", "R4", time.Date(2026, 3, 14, 7, 30, 0, 0, time.UTC), schema.N(1e-9)
	var b bytes.Buffer
	w := NewWriter(&b, schema.KindNamed("levels"), time.FixedZone("UTC+02:00", 7200))
	w.Write(rec)
	require.NoError(t, w.Flush())
	assert.Equal(t, "ref,machine,at,meter_h,below_mark_ml,engine,note,seen_in\r\n"+
		"'-7,R4,2026-03-14T09:30:00+02:00,1e-09,-9.9,cold,\"'=SUM(A1), \"\"deep\"\"\",\r\n", b.String())
}

// Rows set aside say what is wrong, stay as they stood, and are read once they are mended.
func TestSetAside(t *testing.T) {
	const head = "note;machine;start;hours;ambient_c"
	sheet := head + "\r\n=1+1;R9;soon;-1;-4\r\nfine;R4;2026-03-14;2;-4\r\n\"a;b\";R4;2026-03-14;x;-4 C;more\r\n"
	k := schema.KindNamed("runs")
	known := yardBook()
	r, err := NewReader(strings.NewReader(sheet), "runs.csv", k)
	require.NoError(t, err)
	var b bytes.Buffer
	w := NewBadWriter(&b, r)
	for {
		row, err := r.Next()
		if err == io.EOF {
			break
		}
		require.NoError(t, err)
		if rec, wrong := r.Record(row, known); rec == nil {
			w.Write(row, wrong)
		}
	}
	require.NoError(t, w.Flush())
	assert.Equal(t, head+";problem\r\n"+
		`'=1+1;R9;soon;-1;-4;"machine: ""R9"" is not known (did you mean R1 or R4?); start: ""soon"" is not a time: write 2026-03-14 09:30; hours: ""-1"" can't be negative"`+"\r\n"+
		`"a;b";R4;2026-03-14;x;'-4 C;"has 6 cells for 5 columns: put quotes around a cell that contains the separator "";""";more`+"\r\n", b.String())

	mended := strings.NewReplacer("R9;soon;-1", "R1;2026-03-15;1", ";x;", ";1;", ";more", "").Replace(b.String())
	good, wrong := read(mended, "runs")
	assert.Empty(t, wrong)
	require.Len(t, good, 2)
	assert.Equal(t, "=1+1", good[0].(*schema.Run).Note)
	assert.Equal(t, schema.N(-4), good[1].(*schema.Run).AmbientC)
	// A rest that can't be read has no cells to set aside, only its problem.
	b.Reset()
	w.Write(Row{Line: 9}, []*Error{{File: "runs.csv", Line: 9, Says: "a quote is not closed"}})
	require.NoError(t, w.Flush())
	assert.Equal(t, ";;;;;a quote is not closed\r\n", b.String())
	b.Reset()
	b.WriteString(mended)
	// Set aside twice, there is still one added column.
	r, err = NewReader(strings.NewReader(b.String()), "runs.csv", k)
	require.NoError(t, err)
	b.Reset()
	require.NoError(t, NewBadWriter(&b, r).Flush())
	assert.Equal(t, head+";problem\r\n", b.String())
}

// A template reads as a sheet without rows, tells every word, and takes rows below.
func TestTemplate(t *testing.T) {
	known := yardBook()
	for _, k := range schema.Kinds {
		var b bytes.Buffer
		require.NoError(t, Template(&b, k, known))
		for i := range k.Fields {
			for _, w := range known.Words[k.Fields[i].Vocabulary] {
				assert.Contains(t, b.String(), w, k.Name)
			}
			assert.Contains(t, b.String(), k.Fields[i].Name)
		}
		r, err := NewReader(bytes.NewReader(b.Bytes()), "template.csv", k)
		require.NoError(t, err, k.Name)
		assert.Equal(t, k.Columns(), r.Header())
		_, err = r.Next()
		assert.Equal(t, io.EOF, err, k.Name)
	}
	var b bytes.Buffer
	require.NoError(t, Template(&b, schema.KindNamed("levels"), known))
	b.WriteString("level-1,R4,2026-03-14 09:30,,0,cold,,\r\n")
	good, wrong := read(b.String(), "levels")
	assert.Empty(t, wrong)
	assert.Len(t, good, 1)
}

// What is typed over a template's own rows is never lost: it is read, or it is an error.
func TestTemplateTypedOver(t *testing.T) {
	var b bytes.Buffer
	require.NoError(t, Template(&b, schema.KindNamed("levels"), yardBook()))
	row := "R4,2026-03-14 09:30,,0,cold,"
	var lines []string
	for line := range strings.Lines(b.String()) {
		lines = append(lines, strings.TrimSpace(line))
	}
	for i := 1; i < len(lines); i++ {
		over := slices.Clone(lines)
		over[i] = "level-1," + row
		good, wrong := read(strings.Join(over, "\n")+"\n", "levels")
		assert.Empty(t, wrong, i)
		assert.Len(t, good, 1, i)
		over[i] = lines[i] + "," + row
		good, wrong = read(strings.Join(over, "\n")+"\n", "levels")
		assert.Len(t, wrong, 1, i)
		assert.Empty(t, good, i)
	}
}

// A sheet filled in from a template as they were: its own rows are passed over as long as nothing is typed over them.
func TestOlderTemplate(t *testing.T) {
	const head = "ref,machine,at,meter_h,below_mark_ml,engine,note,#\r\n" +
		"the sheet's own name for the row,the machine's name (required),when (required),hour meter,below the mark " +
		"(required),engine,anything else,not read: what belongs here\r\n" +
		",,,,,cold,,not read: words\r\n"
	const last = ",,,,,hot,,not read: words\r\n"
	good, wrong := read(head+last+"level-1,R4,2026-03-14 09:30,,0,cold,,\r\n", "levels")
	assert.Empty(t, wrong)
	assert.Len(t, good, 1)
	for _, over := range []string{
		head + "level-1,R4,2026-03-14 09:30,,0,hot,,not read: words\r\n",
		head + "level-1,R4,2026-03-14 09:30,,0,hot,,not read: what belongs here\r\n",
		head + "level-1,R4,2026-03-14 09:30,,0,hot,,left out\r\n",
	} {
		good, wrong = read(over, "levels")
		assert.Empty(t, good)
		if assert.Len(t, wrong, 1) {
			assert.Contains(t, wrong[0], ": #: ")
		}
	}
}

// The sheet's own columns are no kind's.
func TestOwnColumns(t *testing.T) {
	for _, k := range schema.Kinds {
		assert.False(t, slices.ContainsFunc(k.Columns(), ownColumn), k.Name)
	}
}
