package store

import (
	"context"
	"database/sql"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

var noon = time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC)

func clock() time.Time { return noon }

func newBook(t *testing.T) *Book {
	t.Helper()
	b, err := Create(context.Background(), filepath.Join(t.TempDir(), "yard", "shedbook.db"), clock)
	require.NoError(t, err)
	t.Cleanup(func() { b.Close() })
	return b
}

// stock puts a machine and a driver into the book.
func stock(t *testing.T, b *Book) {
	t.Helper()
	for _, r := range []schema.Record{&schema.Machine{Name: "R4", CoolantL: schema.N(4.2)},
		&schema.Driver{Name: "Ada"}} {
		_, err := b.Record(context.Background(), r)
		require.NoError(t, err)
	}
}

func aRun(at time.Time, hours float64) *schema.Run {
	return &schema.Run{Base: schema.Base{Machine: "R4", At: at}, Driver: "Ada", Hours: schema.N(hours), Terrain: "mud",
		Speed: "fast"}
}

func TestBookIsItsOwnersOnly(t *testing.T) {
	b := newBook(t)
	info, err := os.Stat(b.Path())
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	info, err = os.Stat(filepath.Dir(b.Path()))
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o700), info.Mode().Perm())
}

// Every pooled connection has the pragmas, not only the first.
func TestPragmasOnEveryConnection(t *testing.T) {
	b := newBook(t)
	ctx := context.Background()
	one, err := b.db.Conn(ctx)
	require.NoError(t, err)
	defer one.Close()
	two, err := b.db.Conn(ctx)
	require.NoError(t, err)
	defer two.Close()
	for _, c := range []*sql.Conn{one, two} {
		for pragma, want := range map[string]string{"foreign_keys": "1", "journal_mode": "wal", "synchronous": "2",
			"busy_timeout": "15000", "temp_store": "2", "application_id": "1936221282"} {
			var got string
			require.NoError(t, c.QueryRowContext(ctx, "PRAGMA "+pragma).Scan(&got))
			require.Equal(t, want, got, pragma)
		}
	}
}

// The tables have the schema's columns in the schema's order: a field added in
// one place and forgotten in the other fails here.
func TestTablesFollowTheSchema(t *testing.T) {
	b := newBook(t)
	for _, k := range schema.Kinds {
		if tables()[k] == nil {
			continue
		}
		rows, err := b.db.Query("SELECT name FROM pragma_table_info(?) ORDER BY cid", k.Sheet)
		require.NoError(t, err)
		var got []string
		for rows.Next() {
			var name string
			require.NoError(t, rows.Scan(&name))
			got = append(got, name)
		}
		rows.Close()
		require.Equal(t, tables()[k].columns, got, k.Sheet)
	}
	// The words that the first migration puts in are the schema's.
	for i, w := range schema.Words("terrain") {
		var got string
		require.NoError(t, b.db.QueryRow("SELECT word FROM words WHERE number = ?", 1000+i).Scan(&got))
		require.Equal(t, w, got)
	}
}

// A hand-written INSERT cannot get round the checks.
func TestHandWrittenInserts(t *testing.T) {
	b := newBook(t)
	stock(t, b)
	run := "INSERT INTO runs (number, machine, start, hours, terrain, speed, entered) VALUES "
	for name, insert := range map[string]string{
		"unknown machine": run + "(100, 99, '2026-03-14T12:00:00Z', 1, 1000, 2000, '2026-03-14T12:00:00Z')",
		"a time in words": run + "(100, 1, 'yesterday', 1, 1000, 2000, '2026-03-14T12:00:00Z')",
		"a driver's String()": run +
			"(100, 1, '2026-03-14 12:00:00 +0000 UTC', 1, 1000, 2000, '2026-03-14T12:00:00Z')",
		"negative hours":        run + "(100, 1, '2026-03-14T12:00:00Z', -1, 1000, 2000, '2026-03-14T12:00:00Z')",
		"no hours at all":       run + "(100, 1, '2026-03-14T12:00:00Z', NULL, 1000, 2000, '2026-03-14T12:00:00Z')",
		"hours in words":        run + "(100, 1, '2026-03-14T12:00:00Z', 'two', 1000, 2000, '2026-03-14T12:00:00Z')",
		"a speed for a terrain": run + "(100, 1, '2026-03-14T12:00:00Z', 1, 2000, 2000, '2026-03-14T12:00:00Z')",
		"an unknown terrain":    run + "(100, 1, '2026-03-14T12:00:00Z', 1, 1500, 2000, '2026-03-14T12:00:00Z')",
		"an unknown speed":      run + "(100, 1, '2026-03-14T12:00:00Z', 1, 1000, 2009, '2026-03-14T12:00:00Z')",
		"a meter backwards": "INSERT INTO runs (number, machine, start, meter_out_h, meter_in_h, entered) VALUES " +
			"(100, 1, '2026-03-14T12:00:00Z', 10, 9, '2026-03-14T12:00:00Z')",
		"a negative top-up": "INSERT INTO topups (number, machine, at, volume_ml, entered) VALUES (100, 1, " +
			"'2026-03-14T12:00:00Z', -150, '2026-03-14T12:00:00Z')",
		"140 % blocked": "INSERT INTO cleanings (number, machine, at, method, blocked_back_pct, entered) " +
			"VALUES (100, 1, '2026-03-14T12:00:00Z', 9000, 140, '2026-03-14T12:00:00Z')",
		"an empty ref": "INSERT INTO bleeds (number, ref, machine, at, entered) VALUES (100, '', 1, " +
			"'2026-03-14T12:00:00Z', '2026-03-14T12:00:00Z')",
		"sold without a day": "UPDATE machines SET sold_to = 'somebody'",
		"an answer to nobody": "INSERT INTO answers (number, at, flag, found, entered) VALUES (100, " +
			"'2026-03-14T12:00:00Z', 17000, 'x', '2026-03-14T12:00:00Z')",
		"a plan for nothing": "INSERT INTO plans (number, work, every_h, entered) VALUES (100, 'oil', 50, " +
			"'2026-03-14T12:00:00Z')",
	} {
		_, err := b.db.Exec(insert)
		require.Error(t, err, name)
	}
	_, err := b.db.Exec(run + "(100, 1, '2026-03-14T12:00:00Z', 1, 1000, 2000, '2026-03-14T12:00:00Z')")
	require.NoError(t, err, "the same insert with nothing wrong goes in")
}

func TestRecordAmendVoid(t *testing.T) {
	b, ctx := newBook(t), context.Background()
	stock(t, b)
	number, err := b.Record(ctx, aRun(noon, 2.5))
	require.NoError(t, err)

	_, err = b.Record(ctx, aRun(noon, 2.5))
	require.ErrorContains(t, err, "already in the book, as number 3")

	_, err = b.Amend(ctx, number, "misread", func(_ *schema.Kind, r schema.Record) error {
		r.(*schema.Run).Hours = schema.N(3)
		return nil
	})
	require.NoError(t, err)
	found, err := b.Show(ctx, number)
	require.NoError(t, err)
	require.Equal(t, 3.0, found.Current.(*schema.Run).Hours.V)
	require.Equal(t, 1, found.Current.(*schema.Run).Versions)
	require.Len(t, found.Past, 1)
	require.Equal(t, 2.5, found.Past[0].Record.(*schema.Run).Hours.V)
	require.Equal(t, "misread", found.Past[0].Why)
	require.Equal(t, noon, found.Past[0].Replaced)

	// An amendment that can't be leaves everything as it was.
	_, err = b.Amend(ctx, number, "wrong", func(_ *schema.Kind, r schema.Record) error {
		r.(*schema.Run).Hours = schema.Num{}
		return nil
	})
	require.Error(t, err)
	_, err = b.Amend(ctx, number, "same", func(*schema.Kind, schema.Record) error { return nil })
	require.ErrorContains(t, err, "says that already")

	_, err = b.Void(ctx, number, "never happened")
	require.NoError(t, err)
	found, err = b.Show(ctx, number)
	require.NoError(t, err)
	require.Nil(t, found.Current)
	require.Len(t, found.Past, 2)
	require.Equal(t, "voided", found.Past[1].What)
	require.Equal(t, 3.0, found.Past[1].Record.(*schema.Run).Hours.V)
	f, err := b.Fleet(ctx)
	require.NoError(t, err)
	require.Empty(t, f.Logs[0].Runs)

	// A number is never given twice.
	again, err := b.Record(ctx, aRun(noon.Add(time.Hour), 1))
	require.NoError(t, err)
	require.Equal(t, number+1, again)

	_, err = b.Void(ctx, 1, "a machine with records")
	require.ErrorContains(t, err, "is used by 1 records")
}

func TestRenamedDriverKeepsHistory(t *testing.T) {
	b, ctx := newBook(t), context.Background()
	stock(t, b)
	_, err := b.Record(ctx, aRun(noon, 2.5))
	require.NoError(t, err)
	_, err = b.Amend(ctx, 2, "renamed", func(_ *schema.Kind, r schema.Record) error {
		r.(*schema.Driver).Name = "Ada Venn"
		return nil
	})
	require.NoError(t, err)
	f, err := b.Fleet(ctx)
	require.NoError(t, err)
	require.Equal(t, "Ada Venn", f.Logs[0].Runs[0].Driver)
}

// A name is a value, never SQL.
func TestNamesAreInert(t *testing.T) {
	b, ctx := newBook(t), context.Background()
	name := "'; DROP TABLE runs;--"
	_, err := b.Record(ctx, &schema.Machine{Name: name})
	require.NoError(t, err)
	note := strings.Repeat("mud 🛞\n", 1500)
	_, err = b.Record(ctx, &schema.Run{Base: schema.Base{Machine: name, At: noon}, Hours: schema.N(1), Note: note})
	require.NoError(t, err)
	f, err := b.Fleet(ctx)
	require.NoError(t, err)
	require.Equal(t, name, f.Logs[0].Machine.Name)
	require.Equal(t, note, f.Logs[0].Runs[0].Note)
}

func TestRefusedFilesAreUntouched(t *testing.T) {
	dir, ctx := t.TempDir(), context.Background()
	write := func(name string, data []byte) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, data, 0o600))
		return path
	}
	b := newBook(t)
	stock(t, b)
	for i := range 300 {
		_, err := b.Record(ctx, aRun(noon.Add(time.Duration(i)*time.Hour), 1))
		require.NoError(t, err)
	}
	require.NoError(t, b.Close())
	whole, err := os.ReadFile(b.Path())
	require.NoError(t, err)

	newer := append([]byte(nil), whole...)
	newer[63] = 99 // user_version, big-endian at offset 60: SQLite file format, section 1.3
	other := filepath.Join(dir, "other.db")
	db, err := sql.Open("sqlite", other)
	require.NoError(t, err)
	_, err = db.Exec("CREATE TABLE runs (x)")
	require.NoError(t, err)
	require.NoError(t, db.Close())

	for path, says := range map[string]string{
		write("photo.jpg", []byte("\xff\xd8\xff\xe0\x00\x10JFIF"+strings.Repeat("x", 500))): "not an SQLite file",
		write("half.db", whole[:len(whole)/2]):                                              "damaged",
		write("stub.db", whole[:60]):                                                        "not an SQLite file",
		write("newer.db", newer):                                                            "from a newer program",
		other:                                                                               "another program's",
		dir:                                                                                 "directory",
	} {
		var before []byte
		if path != dir {
			before, err = os.ReadFile(path)
			require.NoError(t, err)
		}
		_, createErr := Create(ctx, path, clock)
		_, viewErr := View(ctx, path)
		for _, err := range []error{createErr, viewErr} {
			var e *Error
			require.ErrorAs(t, err, &e, path)
			require.Equal(t, BadBook, e.Trouble, path)
			require.NotEmpty(t, e.Hint, path)
			require.ErrorContains(t, err, says)
		}
		if path != dir {
			after, err := os.ReadFile(path)
			require.NoError(t, err)
			require.Equal(t, before, after, path)
			require.NoFileExists(t, path+"-wal")
			require.NoFileExists(t, path+"-shm")
		}
	}
}

func TestMissingPlaces(t *testing.T) {
	ctx := context.Background()
	_, err := Open(ctx, filepath.Join(t.TempDir(), "no.db"), clock)
	require.ErrorContains(t, err, "there is no book")
	_, err = View(ctx, filepath.Join(t.TempDir(), "no.db"))
	require.ErrorContains(t, err, "there is no book")
	_, err = Create(ctx, filepath.Join(t.TempDir(), "a", "b", "no.db"), clock)
	require.ErrorContains(t, err, "there is no directory")
}

// Two programs that make the same book at once both get it.
func TestFirstUseByTwo(t *testing.T) {
	path := filepath.Join(t.TempDir(), "b.db")
	errs := make(chan error, 8)
	for range cap(errs) {
		go func() {
			b, err := Create(context.Background(), path, clock)
			if err == nil {
				err = b.Close()
			}
			errs <- err
		}()
	}
	for range cap(errs) {
		require.NoError(t, <-errs)
	}
}
