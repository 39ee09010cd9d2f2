package store

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strings"
	"syscall"

	"modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"
)

// Trouble is the kind of failure that an Error reports.
type Trouble int

const (
	Failed   Trouble = iota // it could not be done
	Refused                 // the request was wrong: a duplicate, a conflict
	NotFound                // no such machine, driver or record
	BadBook                 // not a book, damaged, or newer than the program
	Busy                    // another program holds the book
)

// Error is a failure of the book with, where there is one, the next step.
type Error struct {
	Trouble    Trouble
	Says, Hint string
	Err        error
}

func (e *Error) Error() string {
	if e.Err != nil {
		return e.Says + ": " + e.Err.Error()
	}
	return e.Says
}

func (e *Error) Unwrap() error { return e.Err }

func trouble(t Trouble, hint, format string, args ...any) error {
	return &Error{Trouble: t, Says: fmt.Sprintf(format, args...), Hint: hint}
}

// HintChanged is the next step where rows are not as they were written.
const HintChanged = "go on from the last backup (shedbook restore FILE), and change records with shedbook correct alone"

// explain turns an error of the SQLite driver into one that tells what to do.
func explain(path string, err error) error {
	if err == nil {
		return nil
	}
	var own *Error
	if errors.As(err, &own) {
		return err
	}
	if errors.Is(err, errBadRow) {
		return &Error{BadBook, "the book " + path + " is damaged: " + err.Error() +
			": the disk spoiled it, or another program changed it",
			"shedbook verify lists all such rows; " + HintChanged, nil}
	}
	if errors.Is(err, errBadPack) {
		return damaged(path, err.Error())
	}
	var se *sqlite.Error
	if !errors.As(err, &se) {
		return err
	}
	switch se.Code() & 0xff {
	case lib.SQLITE_BUSY, lib.SQLITE_LOCKED:
		return &Error{Busy, "the book " + path + " is busy: another program is writing to it", "try again in a moment",
			nil}
	case lib.SQLITE_ERROR: // our SQL is sound, so a table or column is missing
		return damaged(path, "its tables are not a book's tables ("+se.Error()+")")
	case lib.SQLITE_CORRUPT:
		return damaged(path, "the file is broken inside")
	case lib.SQLITE_NOTADB:
		return damaged(path, "it is not an SQLite file")
	case lib.SQLITE_FULL:
		return full(cmp.Or(noRoom(filepath.Dir(path)), "the disk is full"))
	case lib.SQLITE_READONLY, lib.SQLITE_PERM, lib.SQLITE_AUTH:
		return &Error{Failed, "the book " + path + " can't be written",
			"check that you may write to the file and its directory; reports still work", nil}
	case lib.SQLITE_CANTOPEN:
		if what := noRoom(filepath.Dir(path)); what != "" {
			return full(what) // the log and index that SQLite keeps beside an open book
		}
		return &Error{Failed, "the book " + path + " can't be opened",
			"check that its directory exists and that you may write to it", nil}
	case lib.SQLITE_IOERR:
		if what := noRoom(filepath.Dir(path)); what != "" {
			return full(what)
		}
		return &Error{Failed, "the disk failed while the book " + path + " was read or written: nothing was recorded",
			"check that the disk is sound and has space, then do it again", nil}
	}
	return err
}

func full(what string) error {
	hint := "free some space, then do it again"
	if strings.Contains(what, "inodes") {
		hint = "remove files that nobody needs, however small, then do it again"
	}
	return &Error{Failed, what + ": nothing was recorded", hint, nil}
}

// NoRoom returns what the disk lacks if err came from a full disk, and "" for
// any other error.
func NoRoom(err error) string {
	if !errors.Is(err, syscall.ENOSPC) {
		return ""
	}
	var path *fs.PathError
	if errors.As(err, &path) {
		return cmp.Or(noRoom(filepath.Dir(path.Path)), "the disk is full")
	}
	return "the disk is full"
}

func damaged(path, why string) error {
	return &Error{BadBook, "the book " + path + " is damaged: " + why,
		"leave it as it is, and go back to the last backup: shedbook restore FILE", nil}
}

func notThere(path string, err error) error {
	var own *Error
	if errors.As(err, &own) {
		return err
	}
	if errors.Is(err, fs.ErrNotExist) {
		return &Error{Failed, "there is no book at " + path, "to make one: shedbook new", nil}
	}
	return &Error{Failed, "the book can't be read", "check that you may read and write the file and its directory", err}
}
