package store

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"shedbook/schema"
	"shedbook/store/sheet"
)

func sheetOf(name, text string) Source {
	return Source{Name: name + ".csv", Kind: schema.KindNamed(name),
		Open: func() (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(text)), nil }}
}

func counts(t *testing.T, b *Book) map[string]int {
	t.Helper()
	n := map[string]int{}
	for _, k := range schema.Kinds {
		list, err := b.List(context.Background(), k, Filter{})
		require.NoError(t, err)
		n[k.Sheet] = len(list)
	}
	return n
}

// Stopped in the middle, an import leaves nothing behind.
func TestImportStopped(t *testing.T) {
	b := newBook(t)
	stock(t, b)
	before := counts(t, b)
	var text strings.Builder
	text.WriteString("ref,machine,start,hours\n")
	for i := range 20_000 {
		fmt.Fprintf(&text, "r%d,R4,%s,1\n", i, noon.Add(time.Duration(i)*time.Hour).Format(time.RFC3339))
	}
	ctx, stop := context.WithCancel(context.Background())
	_, err := b.Import(ctx, []Source{sheetOf("runs", text.String())},
		ImportOptions{Progress: func(string, int) { stop() }})
	require.ErrorIs(t, err, context.Canceled)
	require.Equal(t, before, counts(t, b))
	done, err := b.Import(context.Background(), []Source{sheetOf("runs", text.String())}, ImportOptions{})
	require.NoError(t, err)
	require.Equal(t, 20_000, done.Sheets[0].Added)
}

// A sheet that can't be read to its end keeps nothing, even with SkipBad.
func TestImportOfACutSheet(t *testing.T) {
	b := newBook(t)
	stock(t, b)
	before := counts(t, b)
	done, err := b.Import(context.Background(), []Source{sheetOf("runs",
		"ref,machine,start,hours,note\na,R4,2026-03-14T12:00:00Z,1,\nb,R4,2026-03-14T15:00:00Z,1,\"unclosed\n")},
		ImportOptions{SkipBad: true})
	require.NoError(t, err)
	require.False(t, done.Kept)
	require.Equal(t, before, counts(t, b))
}

// A voided record does not come back with its old sheet, nor does an amended
// one turn back.
func TestImportKnowsThePast(t *testing.T) {
	b, ctx := newBook(t), context.Background()
	stock(t, b)
	text := "ref,machine,start,hours\na,R4,2026-03-14T08:00:00Z,1\nb,R4,2026-03-14T12:00:00Z,2\n,R4,2026-03-14T15:00:00Z,3\n"
	done, err := b.Import(ctx, []Source{sheetOf("runs", text)}, ImportOptions{})
	require.NoError(t, err)
	require.Equal(t, 3, done.Sheets[0].Added)
	_, err = b.Void(ctx, 3, "never happened")
	require.NoError(t, err)
	_, err = b.Void(ctx, 5, "never happened either")
	require.NoError(t, err)
	_, err = b.Amend(ctx, 4, "misread", func(_ *schema.Kind,
		r schema.Record) error {
		r.(*schema.Run).Hours = schema.N(2.5)
		return nil
	})
	require.NoError(t, err)
	done, err = b.Import(ctx, []Source{sheetOf("runs", text)}, ImportOptions{})
	require.NoError(t, err)
	require.Equal(t, Counts{File: "runs.csv", Sheet: "runs", Rows: 3, Repeated: 3}, done.Sheets[0])
	f, err := b.Fleet(ctx)
	require.NoError(t, err)
	require.Len(t, f.Logs[0].Runs, 1)
	require.Equal(t, 2.5, f.Logs[0].Runs[0].Hours.V)
}

// A conflict names both values; --update makes it an amendment.
func TestImportConflict(t *testing.T) {
	b, ctx := newBook(t), context.Background()
	stock(t, b)
	_, err := b.Import(ctx, []Source{sheetOf("topups", "ref,machine,at,volume_ml\na,R4,2026-03-14T08:00:00Z,150\n")},
		ImportOptions{})
	require.NoError(t, err)
	changed := []Source{sheetOf("topups", "ref,machine,at,volume_ml\na,R4,2026-03-14T08:00:00Z,175\n")}
	var says []string
	done, err := b.Import(ctx, changed, ImportOptions{Bad: func(_ *sheet.Reader, _ sheet.Row,
		wrong []*sheet.Error) {
		says = append(says, wrong[0].Error())
	}})
	require.NoError(t, err)
	require.False(t, done.Kept)
	require.Equal(t,
		[]string{`topups.csv:2: volume_ml: conflict: the book has "150" (record 3), the sheet "175"; to correct the book use --update`}, says)
	done, err = b.Import(ctx, changed, ImportOptions{Update: true})
	require.NoError(t, err)
	require.Equal(t, 1, done.Sheets[0].Amended)
	found, err := b.Show(ctx, 3)
	require.NoError(t, err)
	require.Len(t, found.Past, 1)
}

// Out of one book and into a new one: an equal book, whatever it holds.
func TestExportImportIsEqual(t *testing.T) {
	dir, books := t.TempDir(), 0
	require.NoError(t, flag.Set("rapid.checks", "20")) // each makes two books
	defer flag.Set("rapid.checks", "100")
	rapid.Check(t, func(rt *rapid.T) {
		ctx := context.Background()
		make := func() *Book {
			books++
			b, err := Create(ctx, fmt.Sprintf("%s/%d.db", dir, books), clock)
			require.NoError(t, err)
			return b
		}
		one, two := make(), make()
		defer one.Close()
		defer two.Close()
		require.NoError(t, one.Set(ctx, schema.Setting{Key: "time-zone", Value: "+02:00"}))
		require.NoError(t, one.AddWord(ctx, schema.Word{Vocabulary: "terrain", Word: "stubble"}))
		known := schema.NewKnown([]string{"R4", "=1+1"}, []string{"Ada", "-Bo"},
			[]schema.Word{{Vocabulary: "terrain", Word: "stubble"}}, time.UTC)
		for _, r := range []schema.Record{&schema.Machine{Name: "R4"}, &schema.Machine{Name: "=1+1"},
			&schema.Driver{Name: "Ada"}, &schema.Driver{Name: "-Bo"}} {
			_, err := one.Record(ctx, r)
			require.NoError(t, err)
		}
		for range rapid.IntRange(0, 12).Draw(rt, "records") {
			r := drawRecord(rt, known)
			// one that is refused as a duplicate or as contradicting itself is not in the book
			_, _ = one.Record(ctx, r)
		}
		require.Equal(t, sheetsOut(t, one), func() map[string]string {
			var sources []Source
			for name, text := range sheetsOut(t, one) {
				sources = append(sources, sheetOf(name, text))
			}
			done, err := two.Import(ctx, sources, ImportOptions{Bad: func(_ *sheet.Reader, _ sheet.Row,
				wrong []*sheet.Error) {
				rt.Fatal(wrong[0])
			}})
			require.NoError(t, err)
			require.True(t, done.Kept)
			return sheetsOut(t, two)
		}())
	})
}

func sheetsOut(t *testing.T, b *Book) map[string]string {
	t.Helper()
	out, err := exported(b)
	require.NoError(t, err)
	return out
}

func exported(b *Book) (map[string]string, error) {
	sheets := map[string]*bytes.Buffer{}
	err := b.Export(context.Background(), func(k *schema.Kind) (io.WriteCloser, error) {
		sheets[k.Sheet] = &bytes.Buffer{}
		return closer{sheets[k.Sheet]}, nil
	})
	out := map[string]string{}
	for name, text := range sheets {
		out[name] = text.String()
	}
	return out, err
}

type closer struct{ io.Writer }

func (closer) Close() error { return nil }

// drawRecord draws a dated record.
func drawRecord(t *rapid.T, known *schema.Known) schema.Record {
	k := rapid.SampledFrom(schema.Kinds[5:]).Draw(t, "kind")
	r := k.New()
	for i := range k.Fields {
		f := &k.Fields[i]
		if !f.Required && rapid.Bool().Draw(t, "blank") {
			continue
		}
		switch p := f.Pointer(r).(type) {
		case *string:
			switch f.Type {
			case schema.MachineField:
				*p = rapid.SampledFrom(known.Machines).Draw(t, f.Name)
			case schema.DriverField:
				*p = rapid.SampledFrom(known.Drivers).Draw(t, f.Name)
			case schema.WordField:
				*p = rapid.SampledFrom(known.Words[f.Vocabulary]).Draw(t, f.Name)
			default:
				*p = rapid.SampledFrom([]string{"=cmd()", "+1", "-2", "@x", "'tis", "'=x", "a;b,c\"d\"", "two\nlines",
					"🛞 mud", "x"}).Draw(t, f.Name)
			}
		case *schema.Num:
			*p = schema.N(rapid.Float64Range(f.Min, f.Max).Draw(t, f.Name))
		case *time.Time:
			*p = time.Unix(rapid.Int64Range(0, 4e9).Draw(t, f.Name), 0).UTC()
		case *[]string:
			*p = known.Words[f.Vocabulary][:1]
		}
	}
	return r
}
