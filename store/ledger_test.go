package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

// Since names every machine whose log has changed, whatever was done to it,
// whichever way the clock was set, and were it in a copy from before that was put
// back; and no machine that nobody wrote to.
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
		return &schema.Run{Base: schema.Base{Machine: machine, At: now.Add(-time.Duration(rng.IntN(5000)) * time.Hour)},
			Hours: schema.Num{V: 1, Known: true}}
	}
	var numbers []int64
	var states []State
	var were []map[string]string
	var touched []map[string]bool // since each state
	copies := map[int][]byte{}
	steps := 150
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
		switch what := rng.IntN(11); {
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
			f, err := b.Amend(ctx, int64(1+rng.IntN(len(machines))), "painted",
				func(_ *schema.Kind, r schema.Record) error {
					r.(*schema.Machine).Note = fmt.Sprint("painted ", step)
					return nil
				})
			require.NoError(t, err)
			by[of(f.Current)] = true
		case what == 9 && len(copies) > 1:
			k := rng.IntN(len(states))
			require.NoError(t, b.Close())
			require.NoError(t, os.WriteFile(path, copies[k], 0o600))
			b, err = Create(ctx, path, func() time.Time { return now })
			require.NoError(t, err)
			for name := range touched[k] { // what is not written any more
				by[name] = true
			}
			for j := k + 1; j < len(states); j++ { // what was written before them is so again
				for name := range touched[k] {
					touched[j][name] = true
				}
			}
		default:
			now = now.Add(time.Duration(rng.IntN(3*3600)-3600) * time.Second) // at times back
		}
		is := logs()
		state, err := b.State(ctx)
		require.NoError(t, err)
		for k, was := range states {
			for name := range by {
				touched[k][name] = true
			}
			written, ok := state.Since(was)
			require.True(t, ok)
			for name, text := range is {
				if were[k][name] != text {
					require.Contains(t, written, name, "step %d, state %d", step, k)
				}
			}
			for _, name := range written {
				require.Contains(t, touched[k], name, "step %d, state %d", step, k)
			}
			require.Equal(t, len(written) == 0, state.Change == was.Change || len(by) == 0 && len(written) == 0,
				"step %d, state %d", step, k)
		}
		if step%5 == 0 {
			require.NoError(t, b.Close()) // nothing is left in a log beside it
			copies[len(states)], err = os.ReadFile(path)
			require.NoError(t, err)
			b, err = Create(ctx, path, func() time.Time { return now })
			require.NoError(t, err)
			states, were, touched = append(states, state), append(were, is), append(touched, map[string]bool{})
		}
		if step%7 == 0 {
			now = now.Add(time.Minute)
		}
	}

	// Renamed: whoever kept anything kept it under another name.
	was, err := b.State(ctx)
	require.NoError(t, err)
	_, err = b.Amend(ctx, 1, "painted anew", func(_ *schema.Kind, r schema.Record) error {
		r.(*schema.Machine).Name = "Z9"
		return nil
	})
	require.NoError(t, err)
	state, err := b.State(ctx)
	require.NoError(t, err)
	_, ok := state.Since(was)
	require.False(t, ok)
}

// Two copies of a book in which as much is written, in the same second, are two
// books: no change of the one is taken for one of the other.
func TestTwoCopiesOfABookAreTwo(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	path := filepath.Join(dir, "b.db")
	b, err := Create(ctx, path, clock)
	require.NoError(t, err)
	for _, m := range []string{"M1", "M2", "M3"} {
		_, err = b.Record(ctx, &schema.Machine{Name: m})
		require.NoError(t, err)
	}
	require.NoError(t, b.Close())
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	var states []State
	for _, c := range []struct{ name, machine string }{{"none.db", ""}, {"one.db", "M1"}, {"other.db", "M2"},
		{"same.db", "M1"}} {
		path := filepath.Join(dir, c.name)
		require.NoError(t, os.WriteFile(path, data, 0o600))
		b, err := Create(ctx, path, clock)
		require.NoError(t, err)
		if c.machine != "" {
			_, err = b.Record(ctx, &schema.Run{Base: schema.Base{Machine: c.machine, At: noon}, Hours: schema.N(1)})
			require.NoError(t, err)
		}
		s, err := b.State(ctx)
		require.NoError(t, err)
		change, err := b.Change(ctx)
		require.NoError(t, err)
		require.Equal(t, s.Change, change)
		states = append(states, s)
		require.NoError(t, b.Close())
	}
	for _, c := range []struct {
		from, to int
		written  []string
	}{{0, 0, nil}, {0, 1, []string{"M1"}}, {1, 0, []string{"M1"}}, {1, 2, []string{"M1", "M2"}},
		{1, 3, []string{"M1"}}} {
		written, ok := states[c.to].Since(states[c.from])
		require.True(t, ok)
		require.Equal(t, c.written, written, "%d to %d", c.from, c.to)
		require.Equal(t, c.from == c.to, states[c.to].Change == states[c.from].Change)
	}
	require.Equal(t, states[1].Number, states[2].Number, "as much was written in both")
}

// What another SQLite program writes is seen exactly, however it does so: in a row
// that is packed, in one that is not, and in what is no machine's.
func TestTheLedgerSeesAnotherProgram(t *testing.T) {
	ctx := context.Background()
	long(t, true)
	path := filepath.Join(t.TempDir(), "b.db")
	b, err := Create(ctx, path, clock)
	require.NoError(t, err)
	defer b.Close()
	for _, m := range []string{"R4", "R5", "R6"} { // 1, 2 and 3
		_, err := b.Record(ctx, &schema.Machine{Name: m})
		require.NoError(t, err)
	}
	_, err = b.Import(ctx, []Source{sheetOf("runs", "ref,machine,start,hours\nx,R4,2026-01-01 "+
		"08:00,1\ny,R4,2026-01-02 08:00,2\nz,R5,2026-01-02 08:00,2\nw,R6,2026-01-02 08:00,2\nv,R6,2026-01-03 08:00,2\n")}, ImportOptions{})
	require.NoError(t, err)
	_, err = b.Record(ctx, &schema.TopUp{Head: schema.Head{Base: schema.Base{Machine: "R5", At: noon}},
		Volume: schema.N(200)})
	require.NoError(t, err)
	other, err := sql.Open("sqlite", "file:"+path) // with SQLite's own settings
	require.NoError(t, err)
	defer other.Close()
	const run = "(number, ref, machine, start, hours, entered) VALUES (%s, '2026-01-05T08:00:00Z', 3, " +
		"'2026-01-05T08:00:00Z')"
	for _, c := range []struct{ sql, written, unpacked string }{
		{"UPDATE runs SET hours = 9 WHERE ref = 'x'", "R4", "runs|1|"},
		{"UPDATE runs SET hours = 8 WHERE ref = 'x'", "R4", "runs|1|"},
		{"UPDATE OR IGNORE runs SET hours = 7 WHERE ref = 'x'", "R4", "runs|1|"},
		{"DELETE FROM runs WHERE ref = 'w'", "R6", "runs|3|"},
		{"UPDATE runs SET machine = 2 WHERE ref = 'v'", "R5 R6", "runs|2| runs|3|"},
		{fmt.Sprintf("INSERT INTO runs "+run, "100, NULL, 2"), "R5", ""},
		{fmt.Sprintf("INSERT INTO runs "+run, "NULL, NULL, 2"), "R5", ""},
		{fmt.Sprintf("INSERT OR IGNORE INTO runs "+run, "102, 'q', 1"), "R4", ""},
		{fmt.Sprintf("REPLACE INTO runs "+run, "103, 'x', 2"), "R4 R5", "runs|1|"},
		{fmt.Sprintf("REPLACE INTO runs "+run, "4, 'n', 3"), "R6", "runs|3|"},
		{"UPDATE OR REPLACE runs SET ref = 'z' WHERE number = 102", "R4 R5", "runs|2|"},
		{"UPDATE topups SET volume_ml = 300", "R5", ""},
		{"INSERT INTO answers (number, machine, at, flag, nothing_found, entered) VALUES (200, 3, " +
			"'2026-01-05T08:00:00Z', 17000, 14001, '2026-01-05T08:00:00Z')", "R6", ""},
		{"INSERT INTO answers (number, factor, at, flag, nothing_found, entered) VALUES (201, 'speed=slow', " +
			"'2026-01-05T08:00:00Z', 17000, 14001, '2026-01-05T08:00:00Z')", "", ""},
		{"UPDATE machines SET note = 'red' WHERE number = 2", "R5", ""},
		{"INSERT INTO drivers (driver, entered) VALUES ('Ada', '2026-01-05T08:00:00Z')", "", ""},
		{"INSERT INTO settings (setting, value) VALUES ('units', 'us')", "", ""},
		{"UPDATE words SET word = 'bog' WHERE number = 1000", "", ""},
		{"INSERT INTO plans (model, work, every_h, entered) VALUES ('Fell 8', 'oil', 100, '2026-01-05T08:00:00Z')", "",
			""},
		{"INSERT INTO specs (machine, figure, value, entered) VALUES (1, 'cap_kpa', '110', '2026-01-05T08:00:00Z')",
			"R4", ""},
		{"DELETE FROM settings WHERE setting = 'units'", "", ""},
	} {
		_, err := b.db.Exec("DELETE FROM unpacked")
		require.NoError(t, err)
		was, err := b.State(ctx)
		require.NoError(t, err)
		_, err = other.Exec(c.sql)
		require.NoError(t, err, c.sql)
		is, err := b.State(ctx)
		require.NoError(t, err)
		require.NotEqual(t, was.Change, is.Change, c.sql)
		require.Greater(t, is.Number, was.Number, c.sql)
		written, ok := is.Since(was)
		require.True(t, ok, c.sql)
		require.Equal(t, c.written, strings.Join(written, " "), c.sql)
		require.Equal(t, c.unpacked, strings.Join(dump(t, path, "unpacked"), " "), c.sql)
	}
}

// Every table that tells something writes into the ledger, whatever is done to it.
func TestEveryTableIsInTheLedger(t *testing.T) {
	b := newBook(t)
	// these tell nothing themselves
	without := map[string]bool{"ledger": true, "counter": true, "packs": true, "packed": true, "unpacked": true,
		"files": true, // is told of by attachments
		// who may enter, and who did: nothing that is kept tells it
		"phones": true, "guesses": true, "forms": true, "entered_by": true,
		// What came of other books stands in the tables of its kinds as well.
		"joined": true, "books": true, "waiting": true, "bundles": true, "held": true, "foreigns": true, "given": true,
		"acts": true, "aside": true, "settled": true,
		"hub": true, "heard": true, "accounts": true}
	rows, err := b.db.Query("SELECT name FROM sqlite_master WHERE type = 'table'")
	require.NoError(t, err)
	defer rows.Close()
	var names []string
	for rows.Next() {
		var name string
		require.NoError(t, rows.Scan(&name))
		names = append(names, name)
	}
	require.Greater(t, len(names), 20)
	for _, name := range names {
		for _, deed := range []string{"added", "changed", "gone"} {
			var text string
			err := b.db.QueryRow("SELECT coalesce(max(sql), '') FROM sqlite_master WHERE type = 'trigger' AND "+
				"tbl_name = ? AND name = ?", name, name+"_"+deed).Scan(&text)
			require.NoError(t, err)
			require.Equal(t, !without[name], strings.Contains(text, "INSERT INTO touched"), "%s %s", name, deed)
		}
	}
}

// A long sheet writes the ledger once a machine, and leaves the triggers as they
// were.
func TestALongSheetInTheLedger(t *testing.T) {
	ctx := context.Background()
	long(t, true)
	b := newBook(t)
	for _, m := range []string{"R4", "R5", "R6", "R7"} {
		_, err := b.Record(ctx, &schema.Machine{Name: m})
		require.NoError(t, err)
	}
	sheet := "ref,machine,start,hours\nx,R4,2026-01-01 08:00,1\n"
	for i := range 50 {
		sheet += fmt.Sprintf("r%d,R%d,2026-01-02 08:00,2\n", i, 4+i%2)
	}
	was, err := b.State(ctx)
	require.NoError(t, err)
	_, err = b.Import(ctx, []Source{sheetOf("runs", sheet)}, ImportOptions{})
	require.NoError(t, err)
	is, err := b.State(ctx)
	require.NoError(t, err)
	written, _ := is.Since(was)
	require.Equal(t, []string{"R4", "R5"}, written)
	require.Less(t, is.Number-was.Number, int64(10))
	require.Empty(t, dump(t, b.path, "unpacked"))

	// What a long sheet amends, to another machine, is written to both.
	_, err = b.Import(ctx, []Source{sheetOf("runs", "ref,machine,start,hours\nn,R4,2026-01-01 "+
		"08:00,1\nm,R4,2026-01-01 08:00,1\nx,R6,2026-01-01 08:00,1\nr1,R5,2026-01-02 08:00,3\n")},
		ImportOptions{Update: true})
	require.NoError(t, err)
	now, err := b.State(ctx)
	require.NoError(t, err)
	written, _ = now.Since(is)
	require.Equal(t, []string{"R4", "R5", "R6"}, written)
	found, err := b.Verify(ctx)
	require.NoError(t, err)
	for _, f := range found {
		require.Empty(t, f.Wrong, f.Check)
	}
}

// A machine without its row in the ledger is told of by verify.
func TestVerifyMissesARowOfTheLedger(t *testing.T) {
	b, ctx := newBook(t), context.Background()
	stock(t, b)
	_, err := b.db.Exec("DELETE FROM ledger WHERE machine = (SELECT max(number) FROM machines)")
	require.NoError(t, err)
	found, err := b.Verify(ctx)
	require.NoError(t, err)
	require.True(t, slices.ContainsFunc(found, func(f Finding) bool {
		return f.Check == "ledger" &&
			len(f.Wrong) == 1
	}))
}
