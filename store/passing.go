package store

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
)

// What is to take its name only once it is whole is made in a directory of its
// own beside it, which its maker holds a lock on for as long as it works there. So
// whoever comes next can tell what a killed program left behind, and takes it
// away. The lock is on the directory, since one on a file that SQLite writes would
// be in SQLite's way on some systems.

// passing is what such directories are called.
var passing = regexp.MustCompile(`^\.shedbook-[0-9]+\.part$`)

// errHeld is the error of a directory that somebody else works in, or that is gone.
var errHeld = errors.New("another program works there")

// Passing makes a directory in the directory in, readable by its owner only, for
// what has not got its name yet; done takes it away with all that is still in it.
// What killed programs left in the same place goes first.
func Passing(in string) (made string, done func(), err error) {
	clearPassing(in)
	for range 100 {
		if made, err = os.MkdirTemp(in, ".shedbook-*.part"); err != nil {
			return "", nil, err
		}
		var lock *os.File
		lock, err = hold(made)
		switch {
		case err == nil:
			return made, func() { os.RemoveAll(made); lock.Close() }, nil
		case !errors.Is(err, errHeld):
			// A disk that keeps no such locks: nobody will take it away but its maker.
			return made, func() { os.RemoveAll(made) }, nil
		}
		// Somebody who was clearing up came between, and took it for left behind.
	}
	return "", nil, err
}

// clearPassing takes away what nobody works in any more. What can't be taken away,
// as another user's, stays.
func clearPassing(in string) {
	entries, err := os.ReadDir(in)
	if err != nil {
		return
	}
	for _, e := range entries {
		if !e.IsDir() || !passing.MatchString(e.Name()) {
			continue
		}
		path := filepath.Join(in, e.Name())
		if lock, err := hold(path); err == nil {
			os.RemoveAll(path)
			lock.Close()
		}
	}
}

// hold locks a directory until the file returned is closed.
func hold(path string) (*os.File, error) {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, errHeld
	}
	if err != nil {
		return nil, err
	}
	err = lockDir(f)
	if err == nil { // and it is still the one of that name
		is, statErr := os.Lstat(path)
		if was, err := f.Stat(); statErr == nil && err == nil && os.SameFile(is, was) {
			return f, nil
		}
		err = errHeld
	}
	f.Close()
	return nil, err
}
