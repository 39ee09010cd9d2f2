package store

import (
	"context"
	"database/sql"
	"encoding/binary"
	"io"
	"os"
)

// A killed program leaves its log (-wal) or journal (-journal) beside the book,
// and SQLite applies it to the book. SQLite can't tell whose it is: beside a
// restored copy it belongs to the old book, and would be mixed into the copy or
// cut the copy down to nothing.

// ownLeftovers returns an error if the log or journal beside a book belongs to
// another. One that belongs to the book completes it; one that damages a book
// that is sound without it belongs to another. f is the book's file. If another
// program has the book open, nothing is left over.
func ownLeftovers(ctx context.Context, path string, f *sharedFile) error {
	wal, journal := path+"-wal", path+"-journal"
	hasWAL, pages, onlyFirst := size(wal) > 32, 0, false
	hasJournal := false
	if size(journal) > 0 {
		hasJournal, pages, onlyFirst = journalOf(journal)
	}
	if !hasWAL && !hasJournal || f == nil || f.users > 1 || inUse(f.File) {
		return nil
	}
	records, err := stands(ctx, path, "immutable=1") // the file alone
	if err != nil || records == 0 {
		return nil // half written, or being made: SQLite has to roll it back
	}
	if hasJournal {
		// This program uses a journal only while it makes a book and when it switches
		// to the log, which changes the first page alone.
		if whole := size(path) / pageSizeOf(f.File); onlyFirst && int64(pages) == whole {
			return nil
		}
		return stray(journal)
	}
	if _, err := stands(ctx, path, "mode=ro"); err == nil || ctx.Err() != nil {
		return ctx.Err()
	}
	return stray(wal)
}

func stray(file string) error {
	return trouble(BadBook, "move it away; to go back to a backup use shedbook restore FILE, which does that for you",
		"%s is left over from another book, or from before this book was copied here: it would damage the book", file)
}

// stands opens a book read-only in a mode and checks that its pages and
// references are whole, that every amended record has its earlier versions, and
// that no record has a number not yet given. It returns how many numbers were
// given.
func stands(ctx context.Context, path, mode string) (records int64, err error) {
	db, err := sql.Open("sqlite", dsn(path, mode+"&"+pragmas))
	if err != nil {
		return 0, err
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	var version int
	if err := db.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version); err != nil {
		return 0, err
	}
	if version >= 1 && version <= newestVersion() {
		if err := ours(ctx, db, path, version); err != nil {
			return 0, err
		}
	}
	looks := []func(context.Context, querier) (Finding, error){pages, references}
	if version == newestVersion() {
		looks = append(looks, versions)
	}
	for _, look := range looks {
		f, err := look(ctx, db)
		if err != nil {
			return 0, err
		}
		if len(f.Wrong) > 0 {
			return 0, damaged(path, f.Wrong[0])
		}
	}
	var next, highest int64
	if err := db.QueryRowContext(ctx,
		"SELECT next, (SELECT coalesce(max(number), 0) FROM runs) FROM counter").Scan(&next, &highest); err != nil {
		return 0, err
	}
	if next <= highest {
		return 0, damaged(path, "a record has a number that is not in use yet")
	}
	return next - 1, nil
}

// journalOf reads a rollback journal's header (SQLite file format, section 3):
// the number of pages that the file had, and whether the journal holds only the
// first page. It is no journal if SQLite would ignore it.
func journalOf(path string) (is bool, pages int, onlyFirst bool) {
	f, err := os.Open(path)
	if err != nil {
		return false, 0, false
	}
	defer f.Close()
	var h [28]byte
	if _, err := io.ReadFull(f, h[:]); err != nil || string(h[:8]) != "\xd9\xd5\x05\xf9\x20\xa1\x63\xd7" {
		return false, 0, false
	}
	sector, page := int64(binary.BigEndian.Uint32(h[20:])), int64(binary.BigEndian.Uint32(h[24:]))
	info, err := f.Stat()
	if err != nil {
		return true, 0, false
	}
	var number [4]byte
	_, err = f.ReadAt(number[:], sector)
	one := info.Size() <= sector+page+8 && (err != nil || binary.BigEndian.Uint32(number[:]) == 1)
	return true, int(binary.BigEndian.Uint32(h[16:])), one
}

func pageSizeOf(f *os.File) int64 {
	var h [2]byte
	if _, err := f.ReadAt(h[:], 16); err != nil {
		return 1
	}
	if n := int64(binary.BigEndian.Uint16(h[:])); n > 1 {
		return n
	}
	return 65536
}

// size returns a file's size in bytes; 0 if there is no file.
func size(path string) int64 {
	info, err := os.Stat(path)
	if err != nil {
		return 0
	}
	return info.Size()
}
