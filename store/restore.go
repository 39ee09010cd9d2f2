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

// Restore puts a copy of the book from in the place of the one at path, once it
// is verified whole; an older version is brought up to date in passing. The book
// of before is kept under another name, which is returned ("" where there was
// none), with what lies beside it. now is the clock.
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
	if err := b.db.Close(); err != nil { // and with it its log goes
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
	_ = syncFile(filepath.Dir(path)) // not every system can
	return kept, nil
}

// holdWriters keeps other programs from writing into the book that is going to
// be replaced: they find that it was moved. A book that can't be opened, or whose
// leftovers are not its own, is written to by nobody.
func holdWriters(ctx context.Context, path string) (quit func(), err error) {
	nothing := func() {}
	f, _ := lookInto(path)
	if _, err := inspect(path, newestVersion()); err != nil || size(path+"-journal") > 0 || ownLeftovers(ctx, path, f) != nil {
		f.leave()
		return nothing, nil
	}
	db, err := sql.Open("sqlite", dsn(path, "mode=rw&_txlock=immediate&"+always))
	if err != nil {
		f.leave()
		return nothing, nil
	}
	tx, err := db.BeginTx(ctx, nil)
	var e *Error
	if err = explain(path, err); errors.As(err, &e) && e.Trouble == Busy || ctx.Err() != nil {
		db.Close()
		f.leave()
		return nil, err
	}
	return func() {
		if tx != nil {
			tx.Rollback()
		}
		db.Close()
		f.leave()
	}, nil
}

// setAside gives the book at path, where there is one, another name, with what
// lies beside it. Until another takes its place the book keeps its own name, too.
func setAside(path string, book bool, now time.Time) (string, error) {
	kept := path + ".before-" + now.UTC().Format("2006-01-02T150405Z")
	for n, stem := 2, kept; there(kept); n++ {
		kept = fmt.Sprintf("%s-%d", stem, n)
	}
	if book {
		if err := os.Link(path, kept); err != nil { // some disks have no links
			if err = os.Rename(path, kept); err != nil {
				return "", &Error{Failed, "the old book can't be kept as " + kept, "check the rights of its directory", err}
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

// there says whether anything has that name, or it with an ending of beside.
func there(name string) bool {
	for _, b := range append([]string{""}, beside...) {
		if _, err := os.Lstat(name + b); err == nil {
			return true
		}
	}
	return false
}
