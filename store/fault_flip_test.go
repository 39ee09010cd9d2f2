package store

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

// storied is a book in which something of every sort stands.
func storied(t *testing.T) string {
	t.Helper()
	b, ctx := newBook(t), context.Background()
	stock(t, b)
	require.NoError(t, b.Set(ctx, schema.Setting{Key: "time-zone", Value: "Europe/Lisbon"},
		schema.Setting{Key: "settling-cycles", Value: "4"}))
	require.NoError(t, b.AddWord(ctx, schema.Word{Vocabulary: "terrain", Word: "stubble"}))
	keep := func(r schema.Record) int64 {
		n, err := b.Record(ctx, r)
		require.NoError(t, err)
		return n
	}
	of := func(day int) schema.Head {
		return schema.Head{Base: schema.Base{Machine: "R4", At: noon.AddDate(0, 0, -day)}}
	}
	var first int64
	for i := range 30 {
		r := aRun(noon.Add(-time.Duration(i)*24*time.Hour), 1.25+float64(i)/8)
		r.Note = fmt.Sprintf("the %dth day in the field behind the barn", i)
		first = keep(r)
	}
	keep(&schema.TopUp{Head: of(3), Volume: schema.N(150)})
	keep(&schema.Service{Head: of(4), Work: "new pump seal", By: "a workshop"})
	keep(&schema.Plan{Machine: "R4", Work: "oil", EveryH: schema.N(50)})
	_, err := b.Amend(ctx, first, "misread", func(_ *schema.Kind, r schema.Record) error {
		r.(*schema.Run).Hours = schema.N(3)
		return nil
	})
	require.NoError(t, err)
	_, err = b.Void(ctx, first-1, "never happened")
	require.NoError(t, err)
	_, _, err = b.Attach(ctx, first, []File{{"bill.pdf", "the bill",
		append(paper("x"), strings.Repeat("310.00 ", 2000)...)}})
	require.NoError(t, err)
	defer func(n int) { fewRows = n }(fewRows)
	fewRows = 20
	var sheet strings.Builder
	sheet.WriteString("ref,machine,start,hours,note\n")
	for i := range 120 {
		fmt.Fprintf(&sheet, "r%d,R4,%s,%d.5,as the sheet has it\n", i, noon.AddDate(-1, 0, i).Format(time.RFC3339), i%7)
	}
	done, err := b.Import(ctx, []Source{sheetOf("runs", sheet.String())}, ImportOptions{})
	require.NoError(t, err)
	require.True(t, done.Kept)
	require.NoError(t, b.Close())
	return b.Path()
}

// contents are all that a book tells: its sheets, what records were, and what
// is attached.
func contents(t *testing.T, b *Book) (string, error) {
	ctx := context.Background()
	was, err := b.Earlier(ctx, "R4")
	if err != nil {
		return "", err
	}
	sheets, err := exported(b)
	if err != nil {
		return "", err
	}
	out := fmt.Sprint(sheets)
	for _, e := range was {
		out += fmt.Sprintf("%s %s %s %v\n", e.What, e.Why, e.Replaced, *schema.KindOf(e.Record).Meta(e.Record))
		for i := range schema.KindOf(e.Record).Fields {
			out += schema.KindOf(e.Record).Fields[i].Cell(e.Record, time.UTC) + ","
		}
	}
	attached, err := b.Attached(ctx, "R4")
	if err != nil {
		return "", err
	}
	for _, a := range attached {
		data, err := b.Content(ctx, a)
		if err != nil {
			return "", err
		}
		out += fmt.Sprintf("%+v %q\n", a, data)
	}
	return out, nil
}

// A byte that is not as it was written, in every page in turn: verify finds
// it, or nothing that the book tells is another. Of most pages most bytes are
// empty, so that the bytes that say something are taken by preference.
func TestOneByteFlipped(t *testing.T) {
	times := 1
	if n, err := strconv.Atoi(os.Getenv("SHEDBOOK_FAULTS")); err == nil {
		times = n
	}
	path := storied(t)
	whole, err := os.ReadFile(path)
	require.NoError(t, err)
	b, err := View(context.Background(), path)
	require.NoError(t, err)
	want, err := contents(t, b)
	require.NoError(t, err)
	require.NoError(t, b.Close())
	size := 256 * int(whole[16]) // SQLite file format, section 1.3.2
	seed := uint64(time.Now().UnixNano())
	rng := rand.New(rand.NewPCG(seed, 5))
	damagedPath := filepath.Join(t.TempDir(), "shedbook.db")
	found, tried, missed := 0, 0, 0
	for page := 0; page < len(whole)/size; page++ {
		var said []int
		for i := page * size; i < (page+1)*size; i++ {
			if whole[i] != 0 {
				said = append(said, i)
			}
		}
		for n := range times {
			at := page*size + rng.IntN(size)
			if n%4 != 3 && len(said) > 0 {
				at = said[rng.IntN(len(said))]
			}
			bad := append([]byte(nil), whole...)
			bad[at] ^= byte(1 + rng.IntN(255))
			if n%2 == 1 {
				bad[at] = whole[at] ^ 1<<rng.IntN(8)
			}
			require.NoError(t, os.WriteFile(damagedPath, bad, 0o600))
			tried++
			if says := flipped(t, damagedPath, want); says == "" {
				found++
			} else if says != "same" {
				missed++
				t.Errorf("page %d, byte %d (%#x for %#x, %q): %s", page+1, at%size, bad[at], whole[at],
					whole[max(at-20, 0):min(at+20, len(whole))], says)
			}
			after, err := os.ReadFile(damagedPath)
			require.NoError(t, err)
			require.True(t, string(after) == string(bad), "who looks writes nothing")
		}
	}
	t.Logf("%d pages, %d bytes flipped: %d found, %d without effect, %d missed", len(whole)/size, tried, found,
		tried-found-missed, missed)
	require.NotZero(t, found)
}

// flipped is "" where damage is found, "same" where the book tells the same
// all the same, and else what it tells wrongly.
func flipped(t *testing.T, path, want string) string {
	b, err := View(context.Background(), path)
	if err == nil {
		defer b.Close()
		found, err := b.Verify(context.Background())
		if err != nil {
			return ""
		}
		for _, f := range found {
			if len(f.Wrong) > 0 {
				return ""
			}
		}
		is, err := contents(t, b)
		if err != nil {
			return "verify finds nothing, and reading says " + err.Error()
		}
		if is != want {
			at := 0
			for at < min(len(is), len(want)) && is[at] == want[at] {
				at++
			}
			return fmt.Sprintf("was %.60q, is %.60q", want[max(at-20, 0):], is[max(at-20, 0):])
		}
		return "same"
	}
	if !strings.Contains(err.Error(), "book") {
		return "an error that says nothing: " + err.Error()
	}
	return ""
}
