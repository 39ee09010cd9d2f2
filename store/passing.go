package store

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
)

// A file that takes its name only when it is complete is made in a temporary
// directory beside it. Its maker holds a lock on that directory, so that the
// next program can tell what a killed one left behind, and removes it. The lock
// is on the directory, since a lock on a file that SQLite writes would disturb
// SQLite on some systems.

// passing matches the names of such directories.
var passing = regexp.MustCompile(`^\.shedbook-[0-9]+\.part$`)

// errHeld is returned for a directory that another program uses, or that is
// gone.
var errHeld = errors.New("another program works there")

// Passing makes a temporary directory in the directory in, readable by its
// owner only; done removes it with all that is in it. What killed programs left
// there is removed first.
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
			// This disk has no such locks: nobody but its maker will remove it.
			return made, func() { os.RemoveAll(made) }, nil
		}
		// Another program took it for a leftover before it was locked.
	}
	return "", nil, err
}

// clearPassing removes directories that nobody uses any more. One that can't be
// removed, as another user's, stays.
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

// hold locks a directory until the returned file is closed.
func hold(path string) (*os.File, error) {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, errHeld
	}
	if err != nil {
		return nil, err
	}
	err = lockDir(f)
	if err == nil { // and it still has that name
		is, statErr := os.Lstat(path)
		if was, err := f.Stat(); statErr == nil && err == nil && os.SameFile(is, was) {
			return f, nil
		}
		err = errHeld
	}
	f.Close()
	return nil, err
}
