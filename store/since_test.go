package store

import (
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

// Since names every machine whose log has changed, whatever was done to it and
// whichever way the clock was set, or says that it can't tell; and no machine
// that nobody wrote to.
func TestSinceNamesWhateverChanged(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "b.db")
	now := time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC)
	b, err := Create(ctx, path, func() time.Time { return now })
	require.NoError(t, err)
	defer func() { _ = b.Close() }()
	var machines []string
	for i := range 8 {
		machines = append(machines, fmt.Sprintf("M%d", i))
		_, err := b.Record(ctx, &schema.Machine{Name: machines[i]})
		require.NoError(t, err)
	}
	logs := func() map[string]string {
		out := map[string]string{}
		for l, err := range b.Logs(ctx) {
			require.NoError(t, err)
			text, err := json.Marshal(l)
			require.NoError(t, err)
			out[l.Machine.Name] = string(text)
		}
		return out
	}
	rng := rand.New(rand.NewPCG(3, 14))
	run := func(machine string) *schema.Run {
		return &schema.Run{Base: schema.Base{Machine: machine, At: now.Add(-time.Duration(rng.IntN(5000)) * time.Hour)}, Hours: schema.Num{V: 1, Known: true}}
	}
	var numbers []int64
	var marks []Mark
	var were []map[string]string
	var touched []map[string]bool // since each mark
	told, steps := 0, 150
	if testing.Short() {
		steps = 50
	}
	for step := range steps {
		m, m2 := machines[rng.IntN(len(machines))], machines[rng.IntN(len(machines))]
		by := map[string]bool{} // whom this step writes to
		number := int64(1 + rng.IntN(len(machines)))
		if len(numbers) > 0 {
			number = numbers[rng.IntN(len(numbers))]
		}
		of := func(r schema.Record) string { return schema.KindOf(r).Text(r, "machine") }
		switch what := rng.IntN(10); {
		case what < 4 || len(numbers) == 0:
			n, err := b.Record(ctx, run(m))
			require.NoError(t, err)
			numbers, by[m] = append(numbers, n), true
		case what == 4:
			n, err := b.Record(ctx, &schema.Answer{Machine: m, At: now, Flag: "blocked-core", NoneSeen: "yes"})
			require.NoError(t, err)
			numbers, by[m] = append(numbers, n), true
		case what == 5:
			if f, err := b.Void(ctx, number, "typed twice"); err == nil {
				by[of(f.Current)] = true
			}
		case what < 8: // to another machine, as often as not
			_, _ = b.Amend(ctx, number, "misread", func(_ *schema.Kind, r schema.Record) error {
				by[of(r)] = true
				if r, ok := r.(*schema.Run); ok {
					r.Hours.V += 0.1
					r.Machine = m2
				}
				by[of(r)] = true
				return nil
			})
		case what == 8:
			f, err := b.Amend(ctx, int64(1+rng.IntN(len(machines))), "painted", func(_ *schema.Kind, r schema.Record) error {
				r.(*schema.Machine).Note = fmt.Sprint("painted ", step)
				return nil
			})
			require.NoError(t, err)
			by[of(f.Current)] = true
		default:
			now = now.Add(time.Duration(rng.IntN(3*3600)-3600) * time.Second) // at times back
		}
		is := logs()
		for k, mark := range marks {
			for name := range by {
				touched[k][name] = true
			}
			written, ok, err := b.Since(ctx, mark)
			require.NoError(t, err)
			if !ok {
				continue
			}
			told++
			for name, text := range is {
				if were[k][name] != text {
					require.Contains(t, written, name, "step %d, mark %d", step, k)
				}
			}
			for _, name := range written {
				require.Contains(t, touched[k], name, "step %d, mark %d", step, k)
			}
		}
		if step%5 == 0 {
			mark, err := b.Mark(ctx, now)
			require.NoError(t, err)
			written, ok, err := b.Since(ctx, mark)
			require.NoError(t, err)
			require.True(t, ok)
			require.Empty(t, written)
			marks, were, touched = append(marks, mark), append(were, is), append(touched, map[string]bool{})
		}
		if step%7 == 0 {
			now = now.Add(time.Minute)
		}
	}
	require.Greater(t, told, steps, "it can tell as often as not")

	// Renamed: whoever kept anything kept it under another name.
	mark, err := b.Mark(ctx, now)
	require.NoError(t, err)
	now = now.Add(100 * time.Hour)
	_, err = b.Amend(ctx, 1, "painted anew", func(_ *schema.Kind, r schema.Record) error {
		r.(*schema.Machine).Name = "Z9"
		return nil
	})
	require.NoError(t, err)
	_, ok, err := b.Since(ctx, mark)
	require.NoError(t, err)
	require.False(t, ok)
}

// A copy from before that was put back is not taken for the book that was marked,
// even once as much has been recorded in it.
func TestSinceKnowsACopyThatWasPutBack(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "b.db")
	now := time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC)
	clock := func() time.Time { return now }
	b, err := Create(ctx, path, clock)
	require.NoError(t, err)
	_, err = b.Record(ctx, &schema.Machine{Name: "M1"})
	require.NoError(t, err)
	_, err = b.Record(ctx, &schema.Machine{Name: "M2"})
	require.NoError(t, err)
	record := func(machine string, hours float64) {
		_, err = b.Record(ctx, &schema.Run{Base: schema.Base{Machine: machine, At: now}, Hours: schema.Num{V: hours, Known: true}})
		require.NoError(t, err)
		now = now.Add(time.Hour)
	}
	record("M1", 1)
	require.NoError(t, b.Close())
	before, err := os.ReadFile(path)
	require.NoError(t, err)
	b, err = Create(ctx, path, clock)
	require.NoError(t, err)
	record("M1", 2)
	mark, err := b.Mark(ctx, now)
	require.NoError(t, err)
	_, ok, err := b.Since(ctx, mark)
	require.NoError(t, err)
	require.True(t, ok)
	require.NoError(t, b.Close())
	require.NoError(t, os.WriteFile(path, before, 0o600))
	b, err = Create(ctx, path, clock)
	require.NoError(t, err)
	defer b.Close()
	_, ok, err = b.Since(ctx, mark)
	require.NoError(t, err)
	require.False(t, ok, "fewer records than were marked")
	record("M2", 2)
	record("M2", 3)
	_, ok, err = b.Since(ctx, mark)
	require.NoError(t, err)
	require.False(t, ok, "as many, but others")
}

// Nor where what was amended before and after came in one second.
func TestSinceKnowsACopyPutBackWithinASecond(t *testing.T) {
	ctx := context.Background()
	for _, again := range []bool{false, true} {
		path := filepath.Join(t.TempDir(), "b.db")
		now := time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC)
		var b *Book
		open := func() {
			var err error
			b, err = Create(ctx, path, func() time.Time { return now })
			require.NoError(t, err)
		}
		note := func(n int64, note string) {
			_, err := b.Amend(ctx, n, "x", func(_ *schema.Kind, r schema.Record) error { r.(*schema.Machine).Note = note; return nil })
			require.NoError(t, err)
		}
		open()
		for _, m := range []string{"M1", "M2", "M3", "M4"} {
			_, err := b.Record(ctx, &schema.Machine{Name: m})
			require.NoError(t, err)
		}
		require.NoError(t, b.Close())
		before, err := os.ReadFile(path)
		require.NoError(t, err)
		open()
		now = now.Add(time.Hour)
		note(1, "painted")
		mark, err := b.Mark(ctx, now)
		require.NoError(t, err)
		require.NoError(t, b.Close())
		require.NoError(t, os.WriteFile(path, before, 0o600))
		open()
		if again {
			note(2, "dented")
		}
		written, ok, err := b.Since(ctx, mark)
		require.NoError(t, err)
		require.False(t, ok, "amended again %v: %v", again, written)
		require.NoError(t, b.Close())
	}
}

// What another SQLite program changes or takes out of what is packed is seen, time
// after time; nobody writes down who did it.
func TestSinceSeesWhatAnotherProgramChanged(t *testing.T) {
	ctx := context.Background()
	long(t, true)
	b, err := Create(ctx, filepath.Join(t.TempDir(), "b.db"), clock)
	require.NoError(t, err)
	defer b.Close()
	for _, m := range []string{"R4", "R5", "R6"} {
		_, err := b.Record(ctx, &schema.Machine{Name: m})
		require.NoError(t, err)
	}
	_, err = b.Import(ctx, []Source{sheetOf("runs", "ref,machine,start,hours\nx,R4,2026-01-01 08:00,1\ny,R4,2026-01-02 08:00,2\nz,R5,2026-01-02 08:00,2\nw,R6,2026-01-02 08:00,2\nv,R6,2026-01-03 08:00,2\n")}, ImportOptions{})
	require.NoError(t, err)
	for n, c := range []struct{ machine, sql string }{
		{"R4", "UPDATE runs SET hours = 9 WHERE ref = 'x'"}, {"R4", "UPDATE runs SET hours = 8 WHERE ref = 'x'"},
		{"R6", "DELETE FROM runs WHERE ref = 'w'"}, {"R4", "UPDATE runs SET note = 'z' WHERE ref = 'y'"}, {"R5", "UPDATE runs SET hours = 7 WHERE ref = 'z'"},
		{"R5", "INSERT INTO runs (machine, start, hours, entered) VALUES (2, '2026-01-05T08:00:00Z', 3, '2026-01-05T08:00:00Z')"},
	} {
		mark, err := b.Mark(ctx, clock())
		require.NoError(t, err)
		_, err = b.db.Exec(c.sql)
		require.NoError(t, err)
		written, ok, err := b.Since(ctx, mark)
		require.NoError(t, err)
		require.True(t, ok)
		require.Contains(t, written, c.machine, "%d", n)
		require.Less(t, len(written), 3, "%d", n)
	}
}
