package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// beside are the endings of the files that SQLite keeps beside a book.
var beside = []string{"-wal", "-journal", "-shm"}

// Restore puts a copy of the book from in place of the one at path, once it is
// verified as a whole; an older version is migrated. The book replaced is kept,
// with its log, under another name, which is returned ("" if there was none).
// now is the time.
func Restore(ctx context.Context, path, from string, now time.Time) (kept string, err error) {
	if path, err = itself(path); err != nil {
		return "", err
	}
	was, err := os.Stat(path)
	switch is, err := os.Stat(from); {
	case err != nil:
		return "", notThere(from, err)
	case was != nil && os.SameFile(is, was):
		return "", trouble(Refused, "name the backup", "%s is the book itself", from)
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return "", notThere(path, err)
	}
	if err := makeDir(path); err != nil {
		return "", err
	}
	b, done, err := received(ctx, from, filepath.Dir(path))
	if err != nil {
		return "", err
	}
	defer done()
	if err := b.db.Close(); err != nil { // which removes its log
		return "", explain(from, err)
	}
	if err := errors.Join(syncFile(b.path), ctx.Err()); err != nil {
		return "", err
	}
	if was != nil {
		quit, err := holdWriters(ctx, path)
		if err != nil {
			return "", err
		}
		defer quit()
	}
	if kept, err = setAside(path, was != nil, now); err != nil {
		return "", err
	}
	if err := os.Rename(b.path, path); err != nil {
		return "", &Error{Failed, "the copy can't replace the book", "check the rights of its directory", err}
	}
	_ = syncFile(filepath.Dir(path)) // not every system can do this
	return kept, nil
}

// holdWriters keeps other programs from writing into the book that is about to
// be replaced: they find that it was moved. A book that can't be opened, or
// whose log belongs to another, has no writers.
func holdWriters(ctx context.Context, path string) (quit func(), err error) {
	nothing := func() {}
	f, _ := openShared(path)
	if _, err := inspect(path, newestVersion()); err != nil || size(path+"-journal") > 0 ||
		ownLeftovers(ctx, path, f) != nil {
		f.release()
		return nothing, nil
	}
	db, err := sql.Open("sqlite", dsn(path, "mode=rw&_txlock=immediate&"+always))
	if err != nil {
		f.release()
		return nothing, nil
	}
	tx, err := db.BeginTx(ctx, nil)
	var e *Error
	if err = explain(path, err); errors.As(err, &e) && e.Trouble == Busy || ctx.Err() != nil {
		db.Close()
		f.release()
		return nil, err
	}
	return func() {
		if tx != nil {
			tx.Rollback()
		}
		db.Close()
		f.release()
	}, nil
}

// setAside gives the book at path, if there is one, and its log another name.
// The book keeps its own name too until another book takes its place.
func setAside(path string, book bool, now time.Time) (string, error) {
	kept := path + ".before-" + now.UTC().Format("2006-01-02T150405Z")
	for n, stem := 2, kept; there(kept); n++ {
		kept = fmt.Sprintf("%s-%d", stem, n)
	}
	if book {
		if err := os.Link(path, kept); err != nil { // some disks have no links
			if err = os.Rename(path, kept); err != nil {
				return "", &Error{Failed, "the old book can't be kept as " + kept, "check the rights of its directory",
					err}
			}
		}
	}
	for _, b := range beside {
		if err := os.Rename(path+b, kept+b); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", &Error{Failed, path + b + " can't be moved aside", "check the rights of its directory", err}
		}
	}
	if !book && !there(kept) {
		kept = ""
	}
	return kept, nil
}

// there reports whether a file of that name exists, or one with an ending of
// beside.
func there(name string) bool {
	for _, b := range append([]string{""}, beside...) {
		if _, err := os.Lstat(name + b); err == nil {
			return true
		}
	}
	return false
}
