package store

import (
	"context"
	"database/sql"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

// books has a book of every earlier version. vN.db was made by the program as
// it was before migration N+1, and vN/ is what that program exported of it.
const books = "../testdata/book"

// older is a copy of a released book, in a directory of its own.
func older(t *testing.T, name string) string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(books, name))
	require.NoError(t, err)
	path := filepath.Join(t.TempDir(), name)
	require.NoError(t, os.WriteFile(path, data, 0o600))
	return path
}

// dump is every row of a table as text, but for its checksum and what came in a
// later version.
func dump(t *testing.T, path, table string) []string {
	t.Helper()
	db, err := sql.Open("sqlite", dsn(path, "mode=ro"))
	require.NoError(t, err)
	defer db.Close()
	rows, err := db.Query("SELECT * FROM " + table)
	require.NoError(t, err)
	defer rows.Close()
	columns, err := rows.Columns()
	require.NoError(t, err)
	var out []string
	for rows.Next() {
		values, into := make([]sql.NullString, len(columns)), make([]any, len(columns))
		for i := range values {
			into[i] = &values[i]
		}
		require.NoError(t, rows.Scan(into...))
		line := ""
		for i, v := range values {
			if columns[i] != "sum" && columns[i] != "seen_in" && columns[i] != "hub" {
				line += v.String + "|"
			}
		}
		out = append(out, line)
	}
	require.NoError(t, rows.Err())
	return out
}

func TestABookOfVersion1ComesAlong(t *testing.T) {
	comesAlong(t, 1, 7) // 5 amendments and 2 voided records were made in it
}

func TestABookOfVersion2ComesAlong(t *testing.T) {
	comesAlong(t, 2, 8) // and one amendment more
}

func TestABookOfVersion3ComesAlong(t *testing.T) {
	comesAlong(t, 3, 10) // an amendment and a voided record more
}

func TestABookOfVersion4ComesAlong(t *testing.T) {
	comesAlong(t, 4, 12) // likewise, behind a long sheet
}

func TestABookOfVersion5ComesAlong(t *testing.T) {
	comesAlong(t, 5, 14) // likewise
}

func TestABookOfVersion6ComesAlong(t *testing.T) {
	comesAlong(t, 6, 16) // likewise
}

func TestABookOfVersion7ComesAlong(t *testing.T) {
	comesAlong(t, 7, 18) // likewise
}

func TestABookOfVersion8ComesAlong(t *testing.T) {
	comesAlong(t, 8, 21) // an outing that came back, and as above
}

func TestABookOfVersion9ComesAlong(t *testing.T) {
	comesAlong(t, 9, 24) // and those that came of another depot
	path := older(t, "v9.db")
	before := map[string][]string{}
	depots := []string{"joined", "books", "waiting", "bundles", "held", "foreigns", "given", "acts", "aside", "settled"}
	for _, table := range depots {
		before[table] = dump(t, path, table)
		require.NotEmpty(t, before[table], table)
	}
	b, err := Open(context.Background(), path, clock)
	require.NoError(t, err)
	defer b.Close()
	for _, table := range depots {
		require.Equal(t, before[table], dump(t, path, table), table)
	}
}

// sheetsThen is how many sheets there were in a version.
func sheetsThen(version int) int {
	n := len(schema.Kinds)
	if version < 6 {
		n-- // releases
	}
	if version < 8 {
		n-- // outings
	}
	return n
}

// withoutColumn is a sheet as it was before a column came to it.
func withoutColumn(t *testing.T, sheet, column string) string {
	rows, err := csv.NewReader(strings.NewReader(sheet)).ReadAll()
	require.NoError(t, err)
	gone := slices.Index(rows[0], column)
	if gone < 0 {
		return sheet
	}
	var out strings.Builder
	w := csv.NewWriter(&out)
	w.UseCRLF = true
	for _, row := range rows {
		require.NoError(t, w.Write(slices.Delete(row, gone, gone+1)))
	}
	w.Flush()
	return out.String()
}

// comesAlong opens the book of a version, in which so many records had been
// amended or voided, and reads it back.
func comesAlong(t *testing.T, made, changed int) {
	ctx := context.Background()
	for name, open := range map[string]func(path string) (*Book, error){
		"to record": func(path string) (*Book, error) { return Open(ctx, path, clock) },
		"to look":   func(path string) (*Book, error) { return View(ctx, path) },
	} {
		t.Run(name, func(t *testing.T) {
			path := older(t, fmt.Sprintf("v%d.db", made))
			past := dump(t, path, "past")
			require.Len(t, past, changed)
			b, err := open(path)
			require.NoError(t, err)
			defer b.Close()
			version, err := b.version(ctx, b.db)
			require.NoError(t, err)
			require.Equal(t, newestVersion(), version)

			sheets := sheetsOut(t, b)
			seen, err := filepath.Glob(filepath.Join(books, fmt.Sprintf("v%d", made), "*.csv"))
			require.NoError(t, err)
			require.Len(t, seen, sheetsThen(made), "a sheet of every kind")
			for _, file := range seen {
				want, err := os.ReadFile(file)
				require.NoError(t, err)
				now := sheets[strings.TrimSuffix(filepath.Base(file), ".csv")]
				if made < 6 {
					now = withoutColumn(t, now, "seen_in")
				}
				require.Equal(t, string(want), now, file)
			}
			samePast(t, path, past)
			found, err := b.Verify(ctx)
			require.NoError(t, err)
			for _, f := range found {
				require.Empty(t, f.Wrong, f.Check)
			}

			// What it was stands beside it, as it was.
			before := fmt.Sprintf("%s.version%d", path, made)
			db, err := sql.Open("sqlite", dsn(before, "mode=ro"))
			require.NoError(t, err)
			defer db.Close()
			require.NoError(t, db.QueryRow("PRAGMA user_version").Scan(&version))
			require.Equal(t, made, version)
			require.Equal(t, past, dump(t, before, "past"))
			for _, k := range schema.Kinds {
				if made < 6 && k.Name == "release" || made < 8 && k.Name == "outing" {
					continue
				}
				require.Equal(t, dump(t, path, k.Sheet), dump(t, before, k.Sheet), k.Sheet)
			}
			if made >= 4 {
				require.Equal(t, dump(t, path, "packs"), dump(t, before, "packs WHERE length(content) > 0"))
				require.Equal(t, dump(t, path, "unpacked"), []string{"runs|1|"})
			}
		})
	}
}

// Where an older book can't be written, the reader is told why it can't be read
// there, and what to do. To root everything may be written, so the test's own
// program looks as somebody else.
func TestAnOlderBookOnAReadOnlyDisk(t *testing.T) {
	if path := os.Getenv("LOOK_AT_BOOK"); path != "" {
		_, err := View(context.Background(), path)
		var e *Error
		require.ErrorAs(t, err, &e)
		require.Equal(t, Failed, e.Trouble)
		require.ErrorContains(t, err, fmt.Sprintf("comes from an older program (version 1, this one has %d)",
			newestVersion()))
		require.ErrorContains(t, err, "can't be written")
		require.Contains(t, e.Hint, "copy it to a place where you may write")
		return
	}
	path := older(t, "v1.db")
	dir := filepath.Dir(path)
	before, err := os.ReadFile(path)
	require.NoError(t, err)
	self, err := os.ReadFile(os.Args[0])
	require.NoError(t, err)
	program := filepath.Join(dir, "look")
	require.NoError(t, os.WriteFile(program, self, 0o755))
	require.NoError(t, os.Chmod(path, 0o444))
	require.NoError(t, os.Chmod(filepath.Dir(dir), 0o755))
	require.NoError(t, os.Chmod(dir, 0o555))
	t.Cleanup(func() { _ = os.Chmod(dir, 0o755) })
	cmd := exec.Command(program, "-test.run=^TestAnOlderBookOnAReadOnlyDisk$")
	cmd.Env = append(os.Environ(), "LOOK_AT_BOOK="+path)
	cmd.Dir = dir
	if os.Geteuid() == 0 {
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
	}
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, string(out))
	require.Contains(t, string(out), "PASS")
	after, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, before, after)
}

// samePast holds the book's past to what it was in a version in which it had
// machines and drivers by the names of its time: each number is one that was
// called so once.
func samePast(t *testing.T, path string, was []string) {
	t.Helper()
	names := map[string]bool{} // "driver 3 Ada Venn"
	for _, what := range []string{"machine", "driver"} {
		for _, row := range dump(t, path, what+"s") {
			cells := strings.Split(row, "|")
			names[what+" "+cells[0]+" "+cells[1]] = true
		}
	}
	read := func(row string) (cells []string, content map[string]any) {
		cells = strings.Split(row, "|")
		require.NoError(t, json.Unmarshal([]byte(cells[7]), &content))
		return cells[:7], content
	}
	is := dump(t, path, "past")
	require.Len(t, is, len(was))
	for _, row := range was {
		if cells, content := read(row); cells[2] == "machine" || cells[2] == "driver" {
			names[fmt.Sprintf("%s %s %s", cells[2], cells[0], content[cells[2]])] = true
		}
	}
	for i := range is {
		cells, content := read(was[i])
		cellsNow, now := read(is[i])
		require.Equal(t, cells, cellsNow)
		for _, what := range []string{"machine", "driver"} {
			if name, ok := content[what].(string); ok && cells[2] != what {
				require.True(t, names[fmt.Sprintf("%s %v %s", what, now[what], name)], is[i])
				content[what] = now[what]
			}
		}
		require.Equal(t, content, now)
	}
}

// A number that has another's name by now is its own all the same: what is told
// of the names at the time, not of today's.
func TestAMigrationKnowsWhoWasCalledSo(t *testing.T) {
	ctx := context.Background()
	path := older(t, "v5.db")
	db, err := sql.Open("sqlite", dsn(path, "mode=rw"))
	require.NoError(t, err)
	// Machine 1 was R4 until 2026-12-01; another, 5000, is R4 since.
	_, err = db.Exec(`INSERT INTO past (number, version, kind, what, replaced, content)
			SELECT number, 1, 'machine', 'amended', '2026-12-01T00:00:00Z', json_object('kind', 'machine', 'number', number, 'machine', machine) FROM machines WHERE machine = 'R4';
		UPDATE machines SET machine = 'R9', versions = 1, sum = NULL WHERE machine = 'R4';
		INSERT INTO machines (number, machine, entered) VALUES (5000, 'R4', '2026-12-01T00:00:01Z');
		INSERT INTO past (number, version, kind, what, replaced, content) VALUES
			(5001, 1, 'run', 'voided', '2026-12-02T00:00:00Z', '{"kind":"run","number":5001,"machine":"R4","driver":null,"start":"2026-12-02T00:00:00Z","hours":1}'),
			(5002, 1, 'run', 'voided', '2026-12-02T00:00:00Z', '{"kind":"run","number":5002,"machine":"another machine","driver":"Driver A","start":"2026-12-02T00:00:00Z","hours":1}');
		UPDATE counter SET next = 5003`)
	require.NoError(t, err)
	require.NoError(t, db.Close())
	b, err := Open(ctx, path, clock)
	require.NoError(t, err)
	defer b.Close()
	of := map[int64]string{}
	for _, machine := range []string{"R9", "R4"} {
		versions, err := b.Earlier(ctx, machine)
		require.NoError(t, err)
		for _, v := range versions {
			of[v.Number] = machine
		}
	}
	require.Equal(t, "R9", of[23], "voided when R9 was called R4")
	require.Equal(t, "R9", of[6])
	require.Equal(t, "R4", of[5001])
	f, err := b.Show(ctx, 5002)
	require.NoError(t, err)
	require.Equal(t, "another machine", f.Kind.Text(f.Past[0].Record, "machine"))
	require.Equal(t, "Driver A", f.Kind.Text(f.Past[0].Record, "driver"))
}

// What was damaged before a migration is damaged after it: a migration that
// gives a row a new sum must not make it look sound.
func TestAMigrationKeepsDamage(t *testing.T) {
	ctx := context.Background()
	path := older(t, "v5.db")
	db, err := sql.Open("sqlite", dsn(path, "mode=rw"))
	require.NoError(t, err)
	for _, table := range []string{"levels", "topups"} {
		done, err := db.Exec("UPDATE " + table + " SET meter_h = 7 WHERE number = (SELECT min(number) FROM " + table +
			")")
		require.NoError(t, err)
		n, err := done.RowsAffected()
		require.NoError(t, err)
		require.EqualValues(t, 1, n)
	}
	require.NoError(t, db.Close())
	b, err := Open(ctx, path, clock)
	require.NoError(t, err)
	defer b.Close()
	found, err := b.Verify(ctx)
	require.NoError(t, err)
	var wrong []string
	for _, f := range found {
		if f.Check == "sums" {
			wrong = f.Wrong
		}
	}
	require.Len(t, wrong, 2)
}
