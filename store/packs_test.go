package store

import (
	"context"
	"errors"
	"flag"
	"fmt"

	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"shedbook/schema"
	"shedbook/store/sheet"
)

// long lets sheets count as long from the second row on, and go in by threes.
func long(t *testing.T, yes bool) {
	t.Helper()
	few, batch := fewRows, batchRows
	if fewRows, batchRows = 1<<40, 3; yes {
		fewRows = 2
	}
	t.Cleanup(func() { fewRows, batchRows = few, batch })
}

// A long sheet does to a book what it would do row by row, whatever the book
// had been through before; and what the packs say is what the tables say.
func TestLongSheetsDoAsShortOnes(t *testing.T) {
	dir, books := t.TempDir(), 0
	require.NoError(t, flag.Set("rapid.checks", "15")) // each makes two books
	defer flag.Set("rapid.checks", "100")
	long(t, true)
	ctx := context.Background()
	known := schema.NewKnown([]string{"R4", "R5", "R6"}, []string{"Ada", "Bo"}, nil, time.UTC)
	rapid.Check(t, func(rt *rapid.T) {
		var two [2]*Book
		for i := range two {
			books++
			b, err := Create(ctx, fmt.Sprintf("%s/%d.db", dir, books), clock)
			require.NoError(t, err)
			defer b.Close()
			for _, r := range []schema.Record{&schema.Machine{Name: "R4"}, &schema.Machine{Name: "R5"},
				&schema.Machine{Name: "R6"}, &schema.Driver{Name: "Ada"}, &schema.Driver{Name: "Bo"}} {
				_, err := b.Record(ctx, r)
				require.NoError(t, err)
			}
			two[i] = b
		}
		both := func(do func(b *Book) string) {
			fewRows = 2
			one := do(two[0])
			fewRows = 1 << 40
			require.Equal(rt, do(two[1]), one)
		}
		both(func(b *Book) string {
			done, err := b.Import(ctx, []Source{sheetOf("runs", "ref,machine,start,hours\nx,R4,2026-01-01 "+
				"08:00,1\ny,R4,2026-01-02 08:00,2\nz,R5,2026-01-02 08:00,2\n")}, ImportOptions{})
			require.NoError(t, err)
			return fmt.Sprint(*done)
		})
		var packed [2]int
		for i, b := range two {
			require.NoError(t, b.db.QueryRow("SELECT count(*) FROM packs").Scan(&packed[i]))
		}
		require.Positive(t, packed[0], "nothing was packed: the test tests nothing")
		require.Zero(t, packed[1], "both go the same way: the test tests nothing")
		for range rapid.IntRange(1, 8).Draw(rt, "steps") {
			switch rapid.SampledFrom([]string{"record", "amend", "void", "import", "import", "import"}).Draw(rt,
				"step") {
			case "record":
				r := drawRun(rt, known)
				both(func(b *Book) string { c := *r; _, err := b.Record(ctx, &c); return fmt.Sprint(err) })
			case "amend":
				number, is := rapid.Int64Range(6, 30).Draw(rt, "number"), drawRun(rt, known)
				both(func(b *Book) string {
					_, err := b.Amend(ctx, number, "", func(_ *schema.Kind, r schema.Record) error {
						run := r.(*schema.Run)
						run.Machine, run.Note, run.Hours = is.Machine, is.Note, is.Hours
						return nil
					})
					return fmt.Sprint(err)
				})
			case "void":
				number := rapid.Int64Range(6, 30).Draw(rt, "number")
				both(func(b *Book) string { _, err := b.Void(ctx, number, ""); return fmt.Sprint(err) })
			case "import":
				text := drawSheet(rt, known)
				o := ImportOptions{Update: rapid.Bool().Draw(rt, "update"), SkipBad: rapid.Bool().Draw(rt, "skip")}
				both(func(b *Book) string {
					var says []string
					o := o
					o.Bad = func(_ *sheet.Reader, row sheet.Row, wrong []*sheet.Error) {
						says = append(says, fmt.Sprint(row.Line, row.Cells, wrong))
					}
					done, err := b.Import(ctx, []Source{sheetOf("runs", text)}, o)
					require.NoError(t, err)
					return fmt.Sprint(*done, says)
				})
			}
			require.Equal(rt, everything(t, two[1]), everything(t, two[0]))
			for _, b := range two {
				samePacks(t, b)
			}
		}
	})
}

func drawRun(t *rapid.T, known *schema.Known) *schema.Run {
	r := &schema.Run{Base: schema.Base{Machine: rapid.SampledFrom(known.Machines).Draw(t, "machine"),
		At: noon.Add(time.Duration(rapid.IntRange(0, 5).Draw(t, "at")) * time.Hour)},
		Hours: schema.N(rapid.SampledFrom([]float64{0.5, 1, 1.0 / 3, 1e6}).Draw(t, "hours"))}
	r.Ref = rapid.SampledFrom([]string{"", "a", "b", "c"}).Draw(t, "ref")
	r.Driver = rapid.SampledFrom([]string{"", "Ada", "Bo"}).Draw(t, "driver")
	r.Terrain = rapid.SampledFrom([]string{"", "mud", "road"}).Draw(t, "terrain")
	r.Note = rapid.SampledFrom([]string{"", "", "wet"}).Draw(t, "note")
	return r
}

// drawSheet draws a sheet of runs, some bad, some alike, some of one ref; with
// or without a column of notes.
func drawSheet(t *rapid.T, known *schema.Known) string {
	columns := []string{"ref", "machine", "start", "hours", "driver", "terrain", "note"}
	if rapid.Bool().Draw(t, "no notes") {
		columns = columns[:6]
	}
	k := schema.KindNamed("run")
	text := strings.Join(columns, ",") + "\n"
	for range rapid.IntRange(0, 12).Draw(t, "rows") {
		r := drawRun(t, known)
		var cells []string
		for _, c := range columns {
			cells = append(cells, k.Field(c).Cell(r, time.UTC))
		}
		if rapid.IntRange(0, 9).Draw(t, "bad") == 0 {
			cells[1] = "R9"
		}
		if rapid.IntRange(0, 9).Draw(t, "in its own unit") == 0 {
			cells[3] = "30 min"
		}
		text += strings.Join(cells, ",") + "\n"
	}
	return text
}

// everything is all that is recorded, with what the book keeps beside it.
func everything(t *testing.T, b *Book) string {
	t.Helper()
	var s strings.Builder
	for _, k := range schema.Kinds {
		list, err := b.List(context.Background(), k, Filter{})
		require.NoError(t, err)
		for _, r := range list {
			fmt.Fprintf(&s, "%+v\n", r)
		}
	}
	for _, line := range dump(t, b.path, "past ORDER BY number, version") {
		s.WriteString(line + "\n")
	}
	return s.String()
}

// samePacks holds what a fleet's reports read to what stands in the tables.
func samePacks(t *testing.T, b *Book) {
	t.Helper()
	ctx := context.Background()
	for log, err := range b.Logs(ctx) {
		require.NoError(t, err)
		require.Equal(t, fromTables(t, b, log.Machine.Name), log)
	}
	f, err := b.Fleet(ctx, "R5") // one machine is read another way
	require.NoError(t, err)
	require.Equal(t, fromTables(t, b, "R5"), f.Logs[0])
}

func fromTables(t *testing.T, b *Book, machine string) schema.Log {
	t.Helper()
	var l schema.Log
	for _, k := range schema.Kinds {
		if !k.Dated && k.Name != "answer" && k.Name != "machine" {
			continue
		}
		f := Filter{Machine: machine}
		if k.Name == "machine" {
			f = Filter{}
		}
		list, err := b.List(context.Background(), k, f)
		require.NoError(t, err)
		for _, r := range list {
			if m, ok := r.(*schema.Machine); !ok {
				l.Add(r)
			} else if m.Name == machine {
				l.Machine = *m
			}
		}
	}
	return l
}

// Packs hold every field of every kind, whatever stands in it.
func TestPackRoundTrip(t *testing.T) {
	b := newBook(t)
	ctx := context.Background()
	require.NoError(t, b.AddWord(ctx, schema.Word{Vocabulary: "terrain", Word: "stubble"}))
	known := schema.NewKnown([]string{"R4", "=1+1"}, []string{"Ada", "-Bo"},
		[]schema.Word{{Vocabulary: "terrain", Word: "stubble"}}, time.UTC)
	for _, r := range []schema.Record{&schema.Machine{Name: "R4"}, &schema.Machine{Name: "=1+1"},
		&schema.Driver{Name: "Ada"}, &schema.Driver{Name: "-Bo"}} {
		_, err := b.Record(ctx, r)
		require.NoError(t, err)
	}
	n, err := readNames(ctx, b.db)
	require.NoError(t, err)
	rapid.Check(t, func(rt *rapid.T) {
		r := drawRecord(rt, known)
		k := schema.KindOf(r)
		m := k.Meta(r)
		m.Number, m.Versions = rapid.Int64Range(1, 1<<40).Draw(rt, "number"),
			rapid.IntRange(0, 300).Draw(rt, "versions")
		m.Entered = time.Unix(rapid.Int64Range(-1e9, 4e9).Draw(rt, "entered"), 0).UTC()
		if rapid.Bool().Draw(rt, "typed") {
			m.Typed = map[string]string{"hours": "30 min"}
		}
		table := tables()[k]
		content, err := table.encoded(r, n)
		require.NoError(rt, err)
		pack, err := appendRecord(beginPack(77), content, m, 77)
		require.NoError(rt, err)
		u := table.unpacker(n)
		require.NoError(rt, u.open(string(sealPack(pack))))
		got := k.New()
		require.NoError(rt, u.next(got))
		require.False(rt, u.more())
		require.Equal(rt, r, got)
		// A flipped bit is never taken for another record.
		at := rapid.IntRange(0, len(pack)*8-1).Draw(rt, "bit")
		pack[at/8] ^= 1 << (at % 8)
		require.ErrorIs(rt, u.open(string(pack)), errBadPack)
		// Nor does nonsense under a good checksum upset the reader.
		nonsense := sealPack(append(beginPack(0), rapid.SliceOf(rapid.Byte()).Draw(rt, "nonsense")...))
		require.NoError(rt, u.open(string(nonsense)))
		for u.more() && u.next(k.New()) == nil {
		}
	})
}

// The addresses that schema lists for a kind of which there are many are those
// that its description gives.
func TestPointersFollowTheDescription(t *testing.T) {
	for _, k := range schema.Kinds {
		r := k.New()
		var want []any
		for i := range k.Fields {
			want = append(want, k.Fields[i].Pointer(r))
		}
		got := k.Pointers(nil, r)
		require.Len(t, got, len(want))
		require.LessOrEqual(t, len(got), maxFields)
		for i := range want {
			require.Same(t, want[i], got[i], "%s: %s", k.Name, k.Fields[i].Name)
		}
	}
}

// A pack that is not as it was written is told, and nothing is made of it.
func TestDamagedPack(t *testing.T) {
	b, ctx := newBook(t), context.Background()
	stock(t, b)
	long(t, true)
	var text strings.Builder
	text.WriteString("ref,machine,start,hours\n")
	for i := range 10 {
		fmt.Fprintf(&text, "r%d,R4,%s,1\n", i, noon.Add(time.Duration(i)*time.Hour).Format(time.RFC3339))
	}
	_, err := b.Import(ctx, []Source{sheetOf("runs", text.String())}, ImportOptions{})
	require.NoError(t, err)
	_, err = b.db.Exec("UPDATE packs SET content = CAST(substr(content, 1, length(content) - 1) || x'01' AS BLOB)")
	require.NoError(t, err)
	_, err = b.Fleet(ctx)
	var e *Error
	require.True(t, errors.As(err, &e))
	require.Equal(t, BadBook, e.Trouble)
	_, err = b.Import(ctx, []Source{sheetOf("runs", text.String())}, ImportOptions{})
	require.True(t, errors.As(err, &e))
	require.Equal(t, BadBook, e.Trouble)
	found, err := b.Verify(ctx)
	require.NoError(t, err)
	require.True(t, slices.ContainsFunc(found, func(f Finding) bool { return f.Check == "packs" && len(f.Wrong) > 0 }))
}
