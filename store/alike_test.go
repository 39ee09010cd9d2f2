package store

import (
	"context"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

// byTheRow runs a test as short sheets are taken in, as long ones are, and as
// one that turns out long midway.
func byTheRow(t *testing.T, test func(t *testing.T)) {
	was := fewRows
	defer func() { fewRows = was }()
	for name, n := range map[string]int{"short": 1 << 30, "long": 1, "midway": 4} {
		fewRows = n
		t.Run(name, test)
	}
}

// Three top-ups of 200 mL on one day are 600 mL, not 200; the same sheet again
// adds nothing, and one with a fourth adds one.
func TestEqualRowsAreAsMany(t *testing.T) {
	byTheRow(t, func(t *testing.T) {
		b := newBook(t)
		stock(t, b)
		three := []int{100, 200, 200, 300, 200, 400, 500}
		require.Equal(t, 7, takenApart(t, b, three...).Added)
		require.Equal(t, 7, takenApart(t, b, three...).Repeated)
		four := takenApart(t, b, append(three, 200)...)
		require.Equal(t, []int{1, 7}, []int{four.Added, four.Repeated})
		require.Equal(t, 5, takenApart(t, b, 200, 200, 200, 200, 200, 200, 200, 200, 200).Added)
		require.Equal(t, map[float64]int{100: 1, 200: 9, 300: 1, 400: 1, 500: 1}, volumes(t, b))
	})
}

// What was voided or amended since is counted among them: each row of the sheet
// takes up one record, whichever way round they stand.
func TestEqualRowsAndThePast(t *testing.T) {
	byTheRow(t, func(t *testing.T) {
		b, ctx := newBook(t), context.Background()
		stock(t, b)
		require.Equal(t, 5, taken(t, b, 200, 200, 200, 300, 400).Added) // records 3 to 7
		_, err := b.Void(ctx, 3, "typed twice")
		require.NoError(t, err)
		for _, is := range []struct {
			number int64
			volume float64
		}{{6, 450}, {7, 300}} {
			_, err = b.Amend(ctx, is.number, "misread", func(_ *schema.Kind, r schema.Record) error {
				r.(*schema.TopUp).Volume = schema.N(is.volume)
				return nil
			})
			require.NoError(t, err)
		}
		// 3: 200, voided; 4, 5: 200; 6: 300, now 450; 7: 400, now 300.
		for _, sheet := range [][]int{{200, 200, 200, 300, 400}, {400, 300, 200, 200, 200}, {200, 200, 450, 300},
			{300, 450, 200, 200}} {
			require.Zero(t, taken(t, b, sheet...).Added, "%v", sheet)
		}
		is := taken(t, b, 300, 300, 300, 200, 200)
		require.Equal(t, 1, is.Added, "two records say 300, or said so")
		require.Equal(t, map[float64]int{200: 2, 300: 2, 450: 1}, volumes(t, b))
	})
}

// A sheet of whatever: afterwards the book has as many of each as the sheet, and
// no more than are in either; again it adds nothing.
func TestEqualRowsAtRandom(t *testing.T) {
	byTheRow(t, func(t *testing.T) {
		b := newBook(t)
		stock(t, b)
		rng := rand.New(rand.NewPCG(18, 1))
		for range 10 {
			sheet, has := make([]int, rng.IntN(20)+1), map[float64]int{}
			for i := range sheet {
				sheet[i] = 100 * (1 + rng.IntN(4))
				has[float64(sheet[i])]++
			}
			want := volumes(t, b)
			for v, n := range has {
				want[v] = max(want[v], n)
			}
			takenApart(t, b, sheet...)
			require.Equal(t, want, volumes(t, b))
			require.Zero(t, takenApart(t, b, sheet...).Added)
		}
	})
}

// taken takes in a sheet of top-ups without refs, all at one time.
func taken(t *testing.T, b *Book, volumes ...int) Counts {
	t.Helper()
	return takenAt(t, b, func(int) int { return 0 }, volumes...)
}

// takenApart takes in such a sheet in which each volume has its own time, so that
// none is taken for another corrected.
func takenApart(t *testing.T, b *Book, volumes ...int) Counts {
	t.Helper()
	return takenAt(t, b, func(volume int) int { return volume / 100 }, volumes...)
}

func takenAt(t *testing.T, b *Book, minute func(volume int) int, volumes ...int) Counts {
	t.Helper()
	var text strings.Builder
	text.WriteString("machine,at,volume_ml\n")
	for _, v := range volumes {
		fmt.Fprintf(&text, "R4,2026-03-14T08:%02d:00Z,%d\n", minute(v), v)
	}
	done, err := b.Import(context.Background(), []Source{sheetOf("topups", text.String())}, ImportOptions{})
	require.NoError(t, err)
	require.True(t, done.Kept)
	return done.Sheets[0]
}

// volumes counts the top-ups of each volume, as a report reads them.
func volumes(t *testing.T, b *Book) map[float64]int {
	t.Helper()
	f, err := b.Fleet(context.Background())
	require.NoError(t, err)
	n := map[float64]int{}
	for _, u := range f.Logs[0].TopUps {
		n[u.Volume.V]++
	}
	found, err := b.Verify(context.Background())
	require.NoError(t, err)
	for _, f := range found {
		require.Empty(t, f.Wrong, f.Check)
	}
	return n
}
