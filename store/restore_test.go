package store

import (
	"context"
	"encoding/binary"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

// crashed is a book with a backup of it, then more records, as a program leaves
// it that is killed: its log beside it. At the end the files are whole copies of
// what a killed one leaves, with no process that has them open.
func crashed(t *testing.T, before, since int) (book, backup string) {
	t.Helper()
	b, ctx := newBook(t), context.Background()
	stock(t, b)
	n := 0
	log := func(records int) {
		for range records {
			n++
			_, err := b.Record(ctx, aRun(noon.Add(time.Duration(n)*time.Hour), 1))
			require.NoError(t, err)
		}
	}
	log(before)
	at := t.TempDir()
	book, backup = filepath.Join(at, "shedbook.db"), filepath.Join(at, "backup.db")
	_, err := b.Backup(ctx, backup)
	require.NoError(t, err)
	_, err = b.db.Exec("PRAGMA wal_checkpoint(TRUNCATE)")
	require.NoError(t, err)
	log(since)
	for _, beside := range []string{"", "-wal"} {
		require.NoError(t, copyFile(b.Path()+beside, book+beside))
	}
	require.NotZero(t, size(book+"-wal"))
	return book, backup
}

func runsOf(t *testing.T, path string) int {
	t.Helper()
	b, err := View(context.Background(), path)
	require.NoError(t, err)
	defer b.Close()
	sound1(t, b)
	return counts(t, b)["runs"]
}

// What a killed program left beside its own book is taken in, as ever.
func TestLeftoverOfItsOwn(t *testing.T) {
	book, _ := crashed(t, 30, 5)
	require.Equal(t, 35, runsOf(t, book), "to look")
	b, err := Open(context.Background(), book, clock)
	require.NoError(t, err)
	require.Equal(t, 35, counts(t, b)["runs"], "to write")
	require.NoError(t, b.Close())
	require.Equal(t, 35, runsOf(t, book))
}

// A backup copied over the book by hand, with the old book's log still beside
// it: nothing is recorded into the mixture, and restore sorts it out.
func TestLeftoverOfAnother(t *testing.T) {
	ctx := context.Background()
	for name, lay := range map[string]func(t *testing.T) string{
		"the log of the book before": func(t *testing.T) string {
			_, early := crashed(t, 3, 0+1)
			later, _ := crashed(t, 200, 100)
			require.NoError(t, os.Rename(later+"-wal", early+"-wal"))
			return early
		},
		"a journal that takes it back to nothing": func(t *testing.T) string {
			_, backup := crashed(t, 30, 1)
			require.NoError(t, os.WriteFile(backup+"-journal", journalFile(0), 0o600))
			return backup
		},
		"a journal of some pages": func(t *testing.T) string {
			_, backup := crashed(t, 30, 1)
			require.NoError(t, os.WriteFile(backup+"-journal", journalFile(12, 3, 7), 0o600))
			return backup
		},
	} {
		t.Run(name, func(t *testing.T) {
			book := lay(t)
			_, backup := crashed(t, 30, 1)
			was := dir(t, filepath.Dir(book))
			for what, open := range map[string]func() (*Book, error){
				"to write": func() (*Book, error) { return Open(ctx, book, clock) },
				"to look":  func() (*Book, error) { return View(ctx, book) },
			} {
				_, err := open()
				var e *Error
				require.ErrorAs(t, err, &e, what)
				require.Equal(t, BadBook, e.Trouble)
				require.ErrorContains(t, err, "is left over from another book")
				require.Contains(t, e.Hint, "shedbook restore FILE")
			}
			now := dir(t, filepath.Dir(book))
			delete(now, filepath.Base(book)+"-shm") // SQLite's own, made anew each time
			require.Equal(t, was, now)

			kept, err := Restore(ctx, book, backup, noon)
			require.NoError(t, err)
			require.Equal(t, book+".before-2026-03-14T120000Z", kept)
			require.Equal(t, 30, runsOf(t, book))
			require.Zero(t, size(book+"-wal")+size(book+"-journal"))
			now = dir(t, filepath.Dir(book))
			for ending, had := range map[string]string{"": was[filepath.Base(book)],
				"-wal": was[filepath.Base(book)+"-wal"], "-journal": was[filepath.Base(book)+"-journal"]} {
				require.True(t, had == now[filepath.Base(kept)+ending], "%q is kept as it was", ending)
			}
		})
	}
}

// journalFile is a rollback journal (SQLite file format, section 3) of a file of
// so many pages of 8192 bytes, with pages of nothing in it.
func journalFile(was uint32, pages ...uint32) []byte {
	b := make([]byte, 512)
	copy(b, "\xd9\xd5\x05\xf9\x20\xa1\x63\xd7")
	for i, v := range []uint32{uint32(len(pages)), 1, was, 512, 8192} {
		binary.BigEndian.PutUint32(b[8+4*i:], v)
	}
	for _, p := range pages {
		b = binary.BigEndian.AppendUint32(b, p)
		b = append(b, make([]byte, 8192)...)
		b = binary.BigEndian.AppendUint32(b, 1) // the nonce is the checksum of zeroes
	}
	return b
}

// A backup of the same book put back by hand beside the log that was written
// after it, at every distance: what is opened is sound, or it is refused.
func TestLeftoverAtEveryDistance(t *testing.T) {
	ctx := context.Background()
	b := newBook(t)
	stock(t, b)
	at, n := t.TempDir(), 0
	var backups []string
	for range 8 {
		for range 25 {
			n++
			keep(t, b, aRun(noon.Add(time.Duration(n)*time.Hour), 1))
		}
		amendHours(t, b, int64(n-3), float64(n)/7, "misread")
		to := filepath.Join(at, fmt.Sprintf("%d.db", len(backups)))
		_, err := b.Backup(ctx, to)
		require.NoError(t, err)
		backups = append(backups, to)
	}
	_, err := b.db.Exec("PRAGMA wal_checkpoint(TRUNCATE)")
	require.NoError(t, err)
	keep(t, b, aRun(noon.Add(-time.Hour), 3))
	refusals := 0
	for _, book := range backups {
		require.NoError(t, copyFile(b.Path()+"-wal", book+"-wal"))
		o, err := Open(ctx, book, clock)
		if err != nil {
			require.ErrorContains(t, err, "is left over")
			refusals++
			continue
		}
		sound1(t, o)
		require.NoError(t, o.Close())
	}
	t.Logf("%d of %d refused", refusals, len(backups))
	require.NotZero(t, refusals)
}

// A restore of what is not sound, or is no book, changes nothing.
func TestRestoreRefuses(t *testing.T) {
	ctx := context.Background()
	b := newBook(t)
	stock(t, b)
	require.NoError(t, b.Close())
	backup := filepath.Join(t.TempDir(), "backup.db")
	require.NoError(t, copyFile(b.Path(), backup))
	tamper(t, backup, "UPDATE machines SET note = 'not as it was written'")
	was := dir(t, filepath.Dir(b.Path()))
	for from, says := range map[string]string{backup: "is damaged: sums", b.Path(): "is the book itself", backup +
		"s": "there is no book"} {
		_, err := Restore(ctx, b.Path(), from, noon)
		require.ErrorContains(t, err, says)
		require.Equal(t, was, dir(t, filepath.Dir(b.Path())))
	}
}

// Where there is no book yet a restore makes it; another at the same second keeps
// both of the books before, and who had the old one open records nothing into it.
func TestRestoreTwice(t *testing.T) {
	ctx := context.Background()
	_, backup := crashed(t, 4, 1)
	path := filepath.Join(t.TempDir(), "shedbook", "shedbook.db")
	kept, err := Restore(ctx, path, backup, noon)
	require.NoError(t, err)
	require.Empty(t, kept)
	open, err := Open(ctx, path, clock)
	require.NoError(t, err)
	defer open.Close()
	keep(t, open, aRun(noon, 2))
	first, err := Restore(ctx, path, backup, noon)
	require.NoError(t, err)
	_, err = open.Record(ctx, aRun(noon, 3))
	require.ErrorContains(t, err, "was moved or removed in the meantime")
	require.NoError(t, open.Close())
	second, err := Restore(ctx, path, backup, noon)
	require.NoError(t, err)
	require.NotEqual(t, first, second)
	require.Equal(t, []int{4, 5, 4}, []int{runsOf(t, path), runsOf(t, first), runsOf(t, second)})
	info, err := os.Stat(path)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
}

// A book under two names is looked into, and not written to.
func TestTwoNames(t *testing.T) {
	ctx := context.Background()
	b := newBook(t)
	stock(t, b)
	other := b.Path() + ".other"
	require.NoError(t, os.Link(b.Path(), other))
	_, err := b.Record(ctx, &schema.Driver{Name: "Bo"})
	require.ErrorContains(t, err, "has 2 names (hard links)", "one that was open already")
	require.NoError(t, b.Close())
	_, err = Open(ctx, other, clock)
	require.ErrorContains(t, err, "has 2 names (hard links)")
	v, err := View(ctx, other)
	require.NoError(t, err)
	require.NoError(t, v.Close())
	require.NoError(t, os.Remove(other))
	o, err := Open(ctx, b.Path(), clock)
	require.NoError(t, err)
	keep(t, o, &schema.Driver{Name: "Bo"})
	require.NoError(t, o.Close())
}
