package store

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"sync"
)

// applicationID marks the file as a shedbook, at offset 68 of the header
// (SQLite file format, section 1.3): "shdb" in ASCII.
const applicationID = 0x73686462

// shared are the files that this process reads directly. Closing any descriptor
// of a file drops every lock that the process holds on the file (POSIX, fcntl),
// SQLite's own among them, and SQLite would not notice. So a file stays open
// until its last user releases it, and an open book holds its own file until it
// is closed.
var shared struct {
	sync.Mutex
	files []*sharedFile
}

type sharedFile struct {
	*os.File
	users int
}

// openShared opens a file for reading; release ends this use of it.
func openShared(path string) (*sharedFile, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() && !info.IsDir() { // opening a pipe would wait for its writer
		return nil, &Error{BadBook, path + " is not a file", "name a file", nil}
	}
	shared.Lock()
	defer shared.Unlock()
	for _, l := range shared.files {
		if was, err := l.Stat(); err == nil && os.SameFile(was, info) {
			l.users++
			return l, nil
		}
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	l := &sharedFile{f, 1}
	shared.files = append(shared.files, l)
	return l, nil
}

func (l *sharedFile) release() {
	if l == nil {
		return
	}
	shared.Lock()
	defer shared.Unlock()
	if l.users--; l.users > 0 {
		return
	}
	l.File.Close()
	shared.files = slices.DeleteFunc(shared.files, func(other *sharedFile) bool { return other == l })
}

// inspect checks a file by its first 100 bytes, without SQLite, so that a
// foreign file is refused untouched. empty means that the file has no content
// that counts, and a book may be made in it.
func inspect(path string, newest int) (empty bool, err error) {
	f, err := openShared(path)
	if err != nil {
		return false, notThere(path, err)
	}
	defer f.release()
	info, err := f.Stat()
	if err != nil {
		return false, notThere(path, err)
	}
	if info.IsDir() {
		return false, trouble(BadBook, "name the book's file, such as "+path+"/shedbook.db",
			"%s is a directory, not a book", path)
	}
	if !keepsLocks(f.File) {
		return false, trouble(Failed, "keep the book on a disk of this computer",
			"the file system of %s has no locks, so two programs at once would damage the book", path)
	}
	var h [100]byte
	n, err := io.ReadFull(io.NewSectionReader(f, 0, int64(len(h))), h[:])
	if n == 0 && errors.Is(err, io.EOF) {
		return true, nil
	}
	if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) {
		return false, notThere(path, err)
	}
	if beingMade(path) {
		// The journal of another book would undo everything in this one.
		records, err := stands(context.Background(), path, "immutable=1")
		if err != nil || records == 0 {
			return true, nil
		}
	}
	const other = "name another with --book, or move this file away"
	if n < 100 || string(h[:16]) != "SQLite format 3\x00" {
		return false, trouble(BadBook, other, "%s is not a book: it is not an SQLite file", path)
	}
	if id := binary.BigEndian.Uint32(h[68:]); id != applicationID {
		return false, trouble(BadBook, other, "%s is not a book: it is another program's SQLite file", path)
	}
	if v := int(binary.BigEndian.Uint32(h[60:])); v > newest {
		return false, newer(path, v, newest)
	}
	// The last pages are missing. With a log or a journal beside it the file may
	// rightly be shorter, so SQLite is left to judge that case.
	pageSize := int64(binary.BigEndian.Uint16(h[16:]))
	if pageSize == 1 {
		pageSize = 65536
	}
	whole := pageSize * int64(binary.BigEndian.Uint32(h[28:]))
	if info.Size() < whole && !holds(path+"-wal") && !holds(path+"-journal") {
		if info, err = f.Stat(); err == nil && info.Size() < whole {
			return false, damaged(path, fmt.Sprintf("only %d of its %d bytes are there", info.Size(), whole))
		}
	}
	return false, nil
}

// beingMade reports whether the first tables of the file at path are being
// written, or a power cut came before they were: a rollback journal stands
// beside it that takes it back to zero pages (SQLite file format, section 3).
func beingMade(path string) bool {
	f, err := os.Open(path + "-journal")
	if err != nil {
		return false
	}
	defer f.Close()
	var h [20]byte
	_, err = io.ReadFull(f, h[:])
	return err == nil && string(h[:8]) == "\xd9\xd5\x05\xf9\x20\xa1\x63\xd7" && binary.BigEndian.Uint32(h[16:]) == 0
}

// holds reports whether there is a file that is not empty.
func holds(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.Size() > 0
}

func newer(path string, version, newest int) error {
	return trouble(BadBook, "use the newer program, or update this one",
		"the book %s comes from a newer program: its version is %d, this program knows versions up to %d", path,
		version, newest)
}
