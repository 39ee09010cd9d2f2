package store

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// tamper changes a book by SQL that the program never speaks.
func tamper(t *testing.T, path string, statements ...string) {
	t.Helper()
	db, err := sql.Open("sqlite", dsn(path, "_pragma=ignore_check_constraints(1)"))
	require.NoError(t, err)
	defer db.Close()
	db.SetMaxOpenConns(1)
	for _, s := range statements {
		_, err := db.Exec(s)
		require.NoError(t, err, s)
	}
}

// resum gives every row the checksum of what it says now, as somebody who makes
// a book up would.
func resum(t *testing.T, path string) {
	t.Helper()
	ctx := context.Background()
	db, err := sql.Open("sqlite", dsn(path, "_pragma=ignore_check_constraints(1)"))
	require.NoError(t, err)
	defer db.Close()
	db.SetMaxOpenConns(1)
	tx, err := db.Begin()
	require.NoError(t, err)
	for _, table := range summed() {
		_, err := tx.Exec("UPDATE " + table + " SET sum = NULL")
		require.NoError(t, err)
	}
	require.NoError(t, sumRows(ctx, tx))
	require.NoError(t, tx.Commit())
}

// refused requires that a book is not taken in, and that nothing was changed:
// neither the book that it was to go into nor itself.
func refused(t *testing.T, path, says string) {
	t.Helper()
	b, ctx := newBook(t), context.Background()
	was, before := counts(t, b), dir(t, filepath.Dir(path))
	_, err := b.TakeIn(ctx, path, false, false)
	require.ErrorContains(t, err, says)
	require.ErrorContains(t, err, path)
	var e *Error
	require.ErrorAs(t, err, &e)
	require.Equal(t, BadBook, e.Trouble)
	require.Contains(t, e.Hint, "another copy", "its receiver has no backup of it")
	require.Equal(t, was, counts(t, b))
	require.Equal(t, before, dir(t, filepath.Dir(path)))
}

// dir is what a directory holds.
func dir(t *testing.T, path string) map[string]string {
	t.Helper()
	files, err := os.ReadDir(path)
	require.NoError(t, err)
	out := map[string]string{}
	for _, f := range files {
		b, err := os.ReadFile(filepath.Join(path, f.Name()))
		require.NoError(t, err)
		out[f.Name()] = string(b)
	}
	return out
}

// A book that somebody made up, or that was damaged on its way, is refused whole.
func TestReceivedIsVerified(t *testing.T) {
	whole, err := os.ReadFile(handOver(t, yard(t), "R4"))
	require.NoError(t, err)
	for says, statements := range map[string][]string{
		"sums: runs 9": {"UPDATE runs SET hours = hours + 1 WHERE number = 9"},
		"pages: CHECK constraint failed in runs": {"UPDATE runs SET start = '2026-99-99T99:99:99Z' WHERE " +
			"number = 9"},
		"references: runs 9": {"PRAGMA foreign_keys = 0",
			"UPDATE runs SET driver = 77 WHERE number = 9"},
		`"setting" is not a kind of record`: {"INSERT INTO past (number, version, kind, what, replaced, " +
			"content) VALUES (99, 1, 'setting', 'voided', '2026-03-14T12:00:00Z', '{}')"},
		`"nonsense" is not a kind of record`: {"INSERT INTO past (number, version, kind, what, replaced, " +
			"content) VALUES (99, 1, 'nonsense', 'voided', '2026-03-14T12:00:00Z', '{}')"},
		"trigger evil does not belong to the book": {"CREATE TRIGGER evil AFTER INSERT ON runs BEGIN DELETE " +
			"FROM runs; END"},
		"view sqlite_evil does not belong to the book": {"CREATE VIEW evil AS SELECT 1", "PRAGMA writable_schema = 1",
			"UPDATE sqlite_master SET name = 'sqlite_evil', tbl_name = 'sqlite_evil', sql = 'CREATE VIEW sqlite_evil " +
				"AS SELECT 1' WHERE name = 'evil'"},
		"index sqlite_idx does not belong to the book": {"CREATE INDEX evil ON runs (note)",
			"PRAGMA writable_schema = 1", "UPDATE sqlite_master SET name = 'sqlite_idx', sql = 'CREATE INDEX " +
				"sqlite_idx ON runs (note)' WHERE name = 'evil'"},
		"table sqlite_stat1 does not belong to the book": {"ANALYZE", "PRAGMA writable_schema = 1",
			"UPDATE sqlite_master SET sql = 'CREATE TABLE sqlite_stat1(tbl,idx,stat,more)' WHERE name = 'sqlite_stat1'"},
		"view sqlite_stat4 does not belong to the book": {"CREATE VIEW evil AS SELECT 1", "PRAGMA writable_schema = 1",
			"UPDATE sqlite_master SET name = 'sqlite_stat4', tbl_name = 'sqlite_stat4', sql = 'CREATE VIEW " +
				"sqlite_stat4 AS SELECT 1' WHERE name = 'evil'"},
	} {
		t.Run(says, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "R4.book")
			require.NoError(t, os.WriteFile(path, whole, 0o600))
			tamper(t, path, statements...)
			if says[:4] != "sums" && says[:5] != "table" {
				if s := statements[0]; s[:6] != "CREATE" {
					resum(t, path)
				}
			}
			refused(t, path, says)
		})
	}
}

// What no calendar has is no time, whoever wrote it.
func TestTimesThatAreNone(t *testing.T) {
	for _, s := range []string{"2026-99-99T99:99:99Z", "2026-02-30T12:00:00Z", "2026-00-10T12:00:00Z",
		"2026-03-14T24:00:00Z", "2026-03-14T12:60:00Z"} {
		_, err := parseTime(s)
		require.ErrorContains(t, err, s)
	}
}

// Bits of a received book flipped: it is refused, or what came in is what would
// have come in.
func TestReceivedWithAFlippedBit(t *testing.T) {
	ctx := context.Background()
	path := handOver(t, yard(t), "R4")
	whole, err := os.ReadFile(path)
	require.NoError(t, err)
	clean := newBook(t)
	takeIn(t, clean, path)
	want, err := contents(t, clean)
	require.NoError(t, err)
	// Where the runs say something: flips elsewhere mean nothing.
	var at []int
	for _, of := range []string{"2026-03-14T12:00:00Z", "2026-03-15T12:00:00Z", "misread", "pump seal", "stubble"} {
		for i := 0; ; {
			j := bytes.Index(whole[i:], []byte(of))
			if j < 0 {
				break
			}
			i += j + 1
			at = append(at, i-9, i+3, i+5)
		}
	}
	require.NotEmpty(t, at)
	rng := rand.New(rand.NewPCG(18, 2))
	bad, refusals := filepath.Join(t.TempDir(), "bad.book"), 0
	flips := 20
	if os.Getenv("SHEDBOOK_FAULTS") != "" {
		flips = 60
	}
	for range flips {
		b := append([]byte(nil), whole...)
		b[at[rng.IntN(len(at))]] ^= 1 << rng.IntN(8)
		require.NoError(t, os.WriteFile(bad, b, 0o600))
		into := newBook(t)
		if _, err := into.TakeIn(ctx, bad, false, false); err != nil {
			refusals++
			continue
		}
		is, err := contents(t, into)
		require.NoError(t, err)
		require.Equal(t, want, is)
	}
	require.NotZero(t, refusals)
}

// A book of an older version is brought up to date as a copy: it stays as it is.
func TestReceivedStaysAsItIs(t *testing.T) {
	for v := 1; v < newestVersion(); v++ {
		from, err := os.ReadFile(fmt.Sprintf("../testdata/book/v%d.db", v))
		if os.IsNotExist(err) {
			continue
		}
		require.NoError(t, err)
		path := filepath.Join(t.TempDir(), "old.book")
		require.NoError(t, os.WriteFile(path, from, 0o400))
		before := dir(t, filepath.Dir(path))
		_, err = newBook(t).TakeIn(context.Background(), path, false, true)
		if err != nil { // it is a fleet's
			require.ErrorContains(t, err, "machines: only a book that shedbook handover made")
		}
		require.Equal(t, before, dir(t, filepath.Dir(path)))
	}
}
