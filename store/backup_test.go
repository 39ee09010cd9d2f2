package store

import (
	"context"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

// A backup made while another program records is the book of one moment: the
// runs up to some number and none after it, each with its amendment.
func TestBackupWhileOthersWrite(t *testing.T) {
	b, ctx := newBook(t), context.Background()
	stock(t, b)
	// 24 MB in the book, so that copying takes many steps.
	for i := range 8 {
		_, _, err := b.Attach(ctx, 1, []File{{"bill.pdf", "",
			append(paper(string(rune('a'+i))), make([]byte, 3<<20)...)}})
		require.NoError(t, err)
	}
	other, err := Open(ctx, b.Path(), clock)
	require.NoError(t, err)
	defer other.Close()
	var stop atomic.Bool
	wrote := make(chan error, 1)
	written := atomic.Int64{}
	go func() {
		for i := 0; !stop.Load(); i++ {
			number, err := other.Record(ctx, aRun(noon.Add(time.Duration(i)*time.Hour), 1))
			if err == nil {
				_, err = other.Amend(ctx, number, "misread", func(_ *schema.Kind, r schema.Record) error {
					r.(*schema.Run).Hours = schema.N(2)
					return nil
				})
			}
			if err != nil {
				wrote <- err
				return
			}
			written.Add(1)
		}
		wrote <- nil
	}()
	require.Eventually(t, func() bool { return written.Load() > 10 }, 10*time.Second, time.Millisecond)
	view, err := View(ctx, b.Path())
	require.NoError(t, err)
	defer view.Close()
	to := filepath.Join(t.TempDir(), "copy.db")
	before := written.Load()
	counts, err := view.Backup(ctx, to)
	require.NoError(t, err)
	after := written.Load()
	stop.Store(true)
	require.NoError(t, <-wrote)
	require.Greater(t, after, before, "the other went on writing meanwhile")

	info, err := os.Stat(to)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	require.NoFileExists(t, to+"-wal")
	c, err := View(ctx, to)
	require.NoError(t, err)
	defer c.Close()
	found, err := c.Verify(ctx)
	require.NoError(t, err)
	for _, f := range found {
		require.Empty(t, f.Wrong, f.Check)
	}
	runs, err := c.List(ctx, schema.KindNamed("run"), Filter{})
	require.NoError(t, err)
	require.EqualValues(t, counts["runs"], len(runs))
	require.GreaterOrEqual(t, int64(len(runs)), before)
	require.LessOrEqual(t, int64(len(runs)), after+1)
	for i, r := range runs {
		require.EqualValues(t, 3+i, r.(*schema.Run).Number, "none missing between")
		if i < len(runs)-1 {
			require.Equal(t, 1, r.(*schema.Run).Versions)
		}
	}
	left, err := os.ReadDir(filepath.Dir(to))
	require.NoError(t, err)
	require.Len(t, left, 1, "no passing file is left")
}

func TestBackupReplacesNothing(t *testing.T) {
	b, ctx := newBook(t), context.Background()
	stock(t, b)
	dir := t.TempDir()
	there := filepath.Join(dir, "there.db")
	require.NoError(t, os.WriteFile(there, []byte("another"), 0o600))
	for path, says := range map[string]string{
		there:                             "already exists",
		b.Path():                          "already exists",
		dir:                               "already exists",
		filepath.Join(dir, "no", "a.db"):  "can't be written",
		filepath.Join(there, "inside.db"): "can't be written",
	} {
		_, err := b.Backup(ctx, path)
		require.ErrorContains(t, err, says, path)
	}
	data, err := os.ReadFile(there)
	require.NoError(t, err)
	require.Equal(t, "another", string(data))
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Len(t, left, 1)

	// Stopped on the way: nothing is left.
	stopped, stop := context.WithCancel(ctx)
	stop()
	_, err = b.Backup(stopped, filepath.Join(dir, "stopped.db"))
	require.Error(t, err)
	left, err = os.ReadDir(dir)
	require.NoError(t, err)
	require.Len(t, left, 1)
}

// A copy of a damaged book is no backup.
func TestBackupOfADamagedBook(t *testing.T) {
	b, ctx := newBook(t), context.Background()
	stock(t, b)
	for i := range 300 {
		_, err := b.Record(ctx, aRun(noon.Add(time.Duration(i)*time.Hour), 1))
		require.NoError(t, err)
	}
	require.NoError(t, b.Close())
	damage(t, b.Path(), "runs_life")
	v, err := View(ctx, b.Path())
	require.NoError(t, err)
	defer v.Close()
	to := filepath.Join(t.TempDir(), "copy.db")
	_, err = v.Backup(ctx, to)
	var e *Error
	require.ErrorAs(t, err, &e)
	require.Equal(t, BadBook, e.Trouble)
	require.NoFileExists(t, to)
}

func TestVerify(t *testing.T) {
	ctx := context.Background()
	for name, c := range map[string]struct {
		sql, check, says string
	}{
		"sound": {"", "", ""},
		"a file changed": {"UPDATE files SET content = zeroblob(bytes)", "attachments",
			"does not have its digest"},
		"an attachment to nothing": {"UPDATE attachments SET record = 99", "attachments", "attached to record 99"},
		"a machine gone":           {"DELETE FROM machines", "references", "refers to a missing row of machines"},
		"an earlier version gone": {"DELETE FROM past", "earlier versions",
			"has 0 earlier versions, but 1 should be there"},
		"an earlier version that says": {`UPDATE past SET content = '{"kind":"run","hours":"two"}'`, "earlier versions",
			"record 3, version 1"},
		"a version of no machine": {"UPDATE past SET content = json_set(content, '$.machine', 99)",
			"earlier versions", "machine 99 was never in the book"},
		"an unknown kind in the past": {"UPDATE past SET kind = 'ride'", "earlier versions", `"ride" is not a kind`},
		"an index gone":               {"DROP INDEX runs_life", "tables", "index runs_life is not there"},
		"a trigger more": {"CREATE TRIGGER t AFTER INSERT ON runs BEGIN DELETE FROM past; END", "tables",
			"trigger t does not belong to the book"},
		"a number used up":            {"UPDATE counter SET next = 2", "records", "the next number would be 2"},
		"a note with blanks about it": {"UPDATE runs SET note = ' x '", "records", "run 3: note"},
		"a setting of no use": {"INSERT INTO settings (setting, value) VALUES ('units', 'cubits')", "records",
			"setting units"},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBook(t)
			stock(t, b)
			_, err := b.Record(ctx, aRun(noon, 2))
			require.NoError(t, err)
			_, err = b.Amend(ctx, 3, "misread", func(_ *schema.Kind, r schema.Record) error {
				r.(*schema.Run).Hours = schema.N(3)
				return nil
			})
			require.NoError(t, err)
			_, _, err = b.Attach(ctx, 3, []File{{"bill.pdf", "", paper("x")}})
			require.NoError(t, err)
			b.db.SetMaxOpenConns(1)
			_, err = b.db.Exec("PRAGMA foreign_keys = 0")
			require.NoError(t, err)
			_, err = b.db.Exec(c.sql)
			require.NoError(t, err)
			found, err := b.Verify(ctx)
			require.NoError(t, err)
			if c.check == "tables" {
				require.Len(t, found, 1, "what strange tables say is worth nothing")
			} else {
				require.Len(t, found, 9)
			}
			wrong := ""
			for _, f := range found {
				for _, w := range f.Wrong {
					wrong += f.Check + ": " + w + "\n"
				}
			}
			if c.check == "" {
				require.Empty(t, wrong)
				return
			}
			require.Contains(t, wrong, c.check+": ")
			require.Contains(t, wrong, c.says)
		})
	}
}

// damage overwrites the first page of an index or table with another's bytes.
func damage(t *testing.T, path, of string) {
	t.Helper()
	b, err := View(context.Background(), path)
	require.NoError(t, err)
	var page, size int64
	require.NoError(t, b.db.QueryRow("SELECT rootpage FROM sqlite_master WHERE name = ?", of).Scan(&page))
	require.NoError(t, b.db.QueryRow("PRAGMA page_size").Scan(&size))
	require.NoError(t, b.Close())
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	require.NoError(t, err)
	_, err = f.WriteAt([]byte("this is no page of a b-tree at all"), (page-1)*size)
	require.NoError(t, err)
	require.NoError(t, f.Close())
}

func TestVerifyBrokenPages(t *testing.T) {
	b, ctx := newBook(t), context.Background()
	stock(t, b)
	for i := range 300 {
		_, err := b.Record(ctx, aRun(noon.Add(time.Duration(i)*time.Hour), 1))
		require.NoError(t, err)
	}
	require.NoError(t, b.Close())
	damage(t, b.Path(), "runs_life")
	v, err := View(ctx, b.Path())
	require.NoError(t, err)
	defer v.Close()
	found, err := v.Verify(ctx)
	require.NoError(t, err)
	require.Len(t, found, 2, "what broken pages say is worth nothing")
	require.NotEmpty(t, found[1].Wrong)
}
