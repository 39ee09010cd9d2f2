package store

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
)

// copied is the file name of the copy that is opened.
const copied = "copy.db"

// received opens a book that somebody else made: a copy of it in a new
// directory in dir, which done removes. The file itself, and a log beside it,
// are only read. The copy is verified as a whole first.
func received(ctx context.Context, path, dir string) (*Book, func(), error) {
	dir, clear, err := Passing(dir)
	if err != nil {
		return nil, nil, &Error{Failed, "no copy of " + path + " can be made to look into",
			"check that the disk has space and that you may write to it", err}
	}
	b, err := verified(ctx, path, filepath.Join(dir, copied))
	if err != nil {
		clear()
		return nil, nil, notGood(err, path, filepath.Join(dir, copied))
	}
	return b, func() { b.Close(); clear() }, nil
}

// verified copies a book and opens the copy, if it is sound.
func verified(ctx context.Context, path, to string) (*Book, error) {
	if empty, err := inspect(path, newestVersion()); err != nil {
		return nil, err
	} else if empty {
		return nil, damaged(path, "it is empty")
	}
	for _, beside := range []string{"", "-wal", "-journal"} {
		if err := copyFile(path+beside, to+beside); err != nil && (beside == "" || !errors.Is(err, os.ErrNotExist)) {
			return nil, &Error{Failed, path + " can't be copied to be looked into",
				"check that the disk is sound and has space", err}
		}
	}
	b, err := Open(Upgrading(ctx, func(int) {}), to, nil) // only the copy is migrated
	if err != nil {
		return nil, err
	}
	found, err := b.Verify(ctx)
	for _, f := range found {
		if err == nil && len(f.Wrong) > 0 {
			err = damaged(path, f.Check+": "+f.Wrong[0])
		}
	}
	if err != nil {
		b.Close()
		return nil, err
	}
	return b, nil
}

// notGood rewrites the error of a received book for the person who received it,
// with the path of the original file.
func notGood(err error, path, copy string) error {
	var e *Error
	if !errors.As(err, &e) {
		return err
	}
	told := *e
	told.Says = strings.ReplaceAll(told.Says, copy, path)
	if e.Trouble == BadBook && strings.Contains(told.Says, "is damaged") {
		told.Hint = "nothing was changed: ask for another copy, or use an older one"
	}
	return &told
}

// copyFile copies a file to a new one that only its owner may read.
func copyFile(from, to string) error {
	in, err := openShared(from)
	if err != nil {
		return err
	}
	defer in.release()
	out, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	info, err := in.Stat()
	if err == nil {
		_, err = io.Copy(out, io.NewSectionReader(in, 0, info.Size()))
	}
	return errors.Join(err, out.Close())
}
