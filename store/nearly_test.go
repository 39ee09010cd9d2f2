package store

import (
	"context"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
	"shedbook/store/sheet"
)

// again takes a sheet in and returns its counts, what was said of bad rows, and
// whether anything was kept.
func again(t *testing.T, b *Book, name, text string, o ImportOptions) (Counts, []string, bool) {
	t.Helper()
	var says []string
	o.Bad = func(_ *sheet.Reader, _ sheet.Row, wrong []*sheet.Error) {
		for _, w := range wrong {
			says = append(says, w.Error())
		}
	}
	done, err := b.Import(context.Background(), []Source{sheetOf(name, text)}, o)
	require.NoError(t, err)
	return done.Sheets[0], says, done.Kept
}

// conflict is what is said of a field in which the sheet and a record differ.
func conflict(at string, record int, book, sheet string) string {
	return fmt.Sprintf("topups.csv:%s: conflict: the row is almost record %d: the book has %q, the sheet %q; "+
		"to correct the book use --update, to keep both give the row a ref", at, record, book, sheet)
}

// later makes the book's clock go on by a minute a look, so that imports differ in
// when they came.
func later(b *Book) {
	now := b.now()
	b.now = func() time.Time { now = now.Add(time.Minute); return now }
}

const topups = "machine,at,volume_ml,fluid\n" +
	"R4,2026-03-14T08:00:00Z,150,water\nR4,2026-03-15T08:00:00Z,200,premix\nR4,2026-03-16T08:00:00Z,250,premix\n" +
	"R4,2026-03-17T08:00:00Z,300,premix\nR4,2026-03-18T08:00:00Z,350,premix\n"

// A value corrected in a sheet is a conflict, which names both values and the
// record; --update corrects the record, and what it was is kept.
func TestCorrectedRow(t *testing.T) {
	byTheRow(t, func(t *testing.T) {
		b := newBook(t)
		later(b)
		stock(t, b)
		is, _, _ := again(t, b, "topups", topups, ImportOptions{}) // records 3 to 7
		require.Equal(t, 5, is.Added)
		changed := strings.Replace(topups, "200,premix", "220,water", 1)
		is, says, kept := again(t, b, "topups", changed, ImportOptions{})
		require.False(t, kept)
		require.Equal(t, []int{0, 4, 1}, []int{is.Added, is.Repeated, is.Bad})
		require.Equal(t, []string{
			conflict("3: volume_ml", 4, "200", "220"), conflict("3: fluid", 4, "premix", "water"),
		}, says)
		is, says, kept = again(t, b, "topups", changed, ImportOptions{SkipBad: true})
		require.True(t, kept)
		require.Len(t, says, 2)
		require.Equal(t, []int{0, 4, 1}, []int{is.Added, is.Repeated, is.Bad})
		require.Equal(t, map[float64]int{150: 1, 200: 1, 250: 1, 300: 1, 350: 1}, volumes(t, b))
		is, says, kept = again(t, b, "topups", changed, ImportOptions{Update: true})
		require.True(t, kept)
		require.Empty(t, says)
		require.Equal(t, []int{0, 4, 1}, []int{is.Added, is.Repeated, is.Amended})
		require.Equal(t, map[float64]int{150: 1, 220: 1, 250: 1, 300: 1, 350: 1}, volumes(t, b))
		found, err := b.Show(context.Background(), 4)
		require.NoError(t, err)
		require.Len(t, found.Past, 1)
		require.Equal(t, 200.0, found.Past[0].Record.(*schema.TopUp).Volume.V)
		sound1(t, b)
		for _, sheet := range []string{changed, topups} { // the old sheet does not turn it back
			is, _, _ = again(t, b, "topups", sheet, ImportOptions{})
			require.Equal(t, 5, is.Repeated)
		}
	})
}

// A record is corrected by one row, and what no record is left for is added.
func TestCorrectedRowsAreAsMany(t *testing.T) {
	byTheRow(t, func(t *testing.T) {
		b := newBook(t)
		later(b)
		stock(t, b)
		require.Equal(t, 4, taken(t, b, 200, 200, 200, 300).Added)
		row := "R4,2026-03-14T08:00:00Z,%d\n"
		text := "machine,at,volume_ml\n" + fmt.Sprintf(strings.Repeat(row, 6), 250, 200, 250, 300, 250, 300)
		is, says, _ := again(t, b, "topups", text, ImportOptions{})
		require.Len(t, says, 2, "of three that say 200 one is taken up")
		require.Equal(t, []int{2, 2, 2}, []int{is.Added, is.Repeated, is.Bad})
		is, _, _ = again(t, b, "topups", text, ImportOptions{Update: true})
		require.Equal(t, []int{2, 2, 2}, []int{is.Added, is.Repeated, is.Amended})
		require.Equal(t, map[float64]int{200: 1, 250: 3, 300: 2}, volumes(t, b))
		is, _, _ = again(t, b, "topups", text, ImportOptions{})
		require.Equal(t, 6, is.Repeated)
	})
}

// A time corrected in a sheet is one too, if the rest of the sheet is known.
func TestCorrectedTime(t *testing.T) {
	byTheRow(t, func(t *testing.T) {
		b := newBook(t)
		later(b)
		stock(t, b)
		is, _, _ := again(t, b, "topups", topups, ImportOptions{})
		require.Equal(t, 5, is.Added)
		changed := strings.Replace(topups, "03-15T08", "03-15T18", 1)
		_, says, kept := again(t, b, "topups", changed, ImportOptions{})
		require.False(t, kept)
		require.Equal(t, []string{conflict("3: at", 4, "2026-03-15T08:00:00Z", "2026-03-15T18:00:00Z")}, says)
		is, _, _ = again(t, b, "topups", changed, ImportOptions{Update: true})
		require.Equal(t, []int{0, 4, 1}, []int{is.Added, is.Repeated, is.Amended})

		// Another sheet with the same work at other times is no correction, and
		// neither is a sheet that goes on where the last one ended.
		other := "machine,at,volume_ml,fluid\nR4,2026-03-15T20:00:00Z,220,premix\nR4,2026-03-16T12:00:00Z,250,premix\n" +
			strings.Repeat("R4,2026-03-17T12:00:00Z,300,premix\n", 5)
		is, says, _ = again(t, b, "topups", other, ImportOptions{})
		require.Empty(t, says)
		require.Equal(t, 7, is.Added)
		goesOn := "machine,at,volume_ml,fluid\n" + strings.SplitAfter(topups, "\n")[5] +
			"R4,2026-03-20T08:00:00Z,150,water\nR4,2026-03-21T08:00:00Z,200,premix\n" +
			"R4,2026-03-22T08:00:00Z,300,premix\n" // as that of a day before this sheet begins
		is, says, _ = again(t, b, "topups", goesOn, ImportOptions{})
		require.Empty(t, says)
		require.Equal(t, 3, is.Added)
	})
}

// A column that the sheet lacks says nothing: a record that it agrees with is
// known. Another check at the same time is another check.
func TestNoCorrection(t *testing.T) {
	byTheRow(t, func(t *testing.T) {
		b := newBook(t)
		later(b)
		stock(t, b)
		is, _, _ := again(t, b, "topups", topups, ImportOptions{})
		require.Equal(t, 5, is.Added)
		is, says, _ := again(t, b, "topups", "machine,at,volume_ml\nR4,2026-03-14T08:00:00Z,150\n"+
			strings.Repeat("R4,2026-03-24T08:00:00Z,150\n", 4), ImportOptions{})
		require.Empty(t, says)
		require.Equal(t, []int{4, 1}, []int{is.Added, is.Repeated})
		is, says, _ = again(t, b, "topups",
			"machine,at,volume_ml,fluid,into,note\nR4,2026-03-15T08:00:00Z,500,water,radiator,other\n"+
				strings.Repeat("R4,2026-03-25T08:00:00Z,150,,,\n", 4), ImportOptions{})
		require.Empty(t, says, "more than two fields differ")
		require.Equal(t, 5, is.Added)
		is, _, _ = again(t, b, "checks", "machine,at,check,result\n"+
			strings.Repeat("R4,2026-03-14T08:00:00Z,light-test,pass\n", 5), ImportOptions{})
		require.Equal(t, 5, is.Added)
		is, says, _ = again(t, b, "checks", "machine,at,check,result\n"+
			strings.Repeat("R4,2026-03-14T08:00:00Z,bleed,pass\n",
				5), ImportOptions{})
		require.Empty(t, says)
		require.Equal(t, 5, is.Added)
	})
}

// Every kind of dated record: one value changed is a conflict, and --update
// corrects it.
func TestCorrectedRowOfEveryKind(t *testing.T) {
	byTheRow(t, func(t *testing.T) {
		b := newBook(t)
		later(b)
		stock(t, b)
		for _, k := range schema.Kinds {
			if !k.Dated {
				continue
			}
			var rows []schema.Record
			for i := range 6 {
				r := barely(k)
				schema.BaseOf(r).At = noon.Add(time.Duration(i) * 24 * time.Hour)
				rows = append(rows, r)
			}
			is, says, _ := again(t, b, k.Sheet, sheetText(k, rows), ImportOptions{})
			require.Equal(t, 6, is.Added, "%s: %v", k.Name, says)
			note := k.Field("note")
			*note.Pointer(rows[2]).(*string) = "corrected"
			_, says, kept := again(t, b, k.Sheet, sheetText(k, rows), ImportOptions{})
			require.False(t, kept, k.Name)
			require.Len(t, says, 1, k.Name)
			require.Contains(t, says[0], fmt.Sprintf("%s.csv:4: %s: conflict", k.Sheet, note.Name))
			is, _, _ = again(t, b, k.Sheet, sheetText(k, rows), ImportOptions{Update: true})
			require.Equal(t, []int{0, 5, 1}, []int{is.Added, is.Repeated, is.Amended}, k.Name)
		}
	})
}

// barely is a record of the kind with what it requires.
func barely(k *schema.Kind) schema.Record {
	r := k.New()
	for i := range k.Fields {
		f := &k.Fields[i]
		if !f.Required {
			continue
		}
		switch p := f.Pointer(r).(type) {
		case *string:
			switch f.Type {
			case schema.MachineField:
				*p = "R4"
			case schema.DriverField:
				*p = "Ada"
			case schema.WordField:
				*p = schema.NewKnown(nil, nil, nil, time.UTC).Words[f.Vocabulary][0]
			default:
				*p = "something"
			}
		case *schema.Num:
			*p = schema.N(max(f.Min, 100))
		}
	}
	switch r := r.(type) {
	case *schema.Run:
		r.Hours = schema.N(1)
	case *schema.Check:
		r.Result = "pass"
	}
	return r
}

// sheetText is a sheet of these records.
func sheetText(k *schema.Kind, rows []schema.Record) string {
	var out strings.Builder
	w := sheet.NewWriter(&out, k, time.UTC)
	for _, r := range rows {
		w.Write(r)
	}
	w.Flush()
	return out.String()
}

// Whatever is changed in a sheet: with --update the book says afterwards what the
// sheet says, row for row, for as long as one day's rows differ in few fields.
func TestCorrectedAtRandom(t *testing.T) {
	byTheRow(t, func(t *testing.T) {
		b := newBook(t)
		later(b)
		stock(t, b)
		rng := rand.New(rand.NewPCG(14, 2))
		sheet := make([]int, 12)
		for i := range sheet {
			sheet[i] = 100 * (1 + rng.IntN(4))
		}
		taken(t, b, sheet...)
		for round := range 8 {
			for range 1 + rng.IntN(4) {
				sheet[rng.IntN(len(sheet))] = 100*(1+rng.IntN(4)) + round + 1 // a value that was never there
			}
			want := map[float64]int{}
			var text strings.Builder
			text.WriteString("machine,at,volume_ml\n")
			for _, v := range sheet {
				want[float64(v)]++
				fmt.Fprintf(&text, "R4,2026-03-14T08:00:00Z,%d\n", v)
			}
			is, says, _ := again(t, b, "topups", text.String(), ImportOptions{Update: true})
			require.Empty(t, says)
			require.Zero(t, is.Added)
			require.Equal(t, want, volumes(t, b))
		}
	})
}
