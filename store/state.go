package store

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"
)

// settled is how old the last write must be before a file's time tells it from
// the next. Times go by the kernel's ticks, of a hundredth of a second at most;
// but some disks keep whole seconds, or two.
func settled(written time.Time) time.Duration {
	if written.Nanosecond() == 0 {
		return 3 * time.Second
	}
	return 50 * time.Millisecond
}

// waitFrom is the size in bytes of a book of which an answer kept saves more
// than a wait for settled takes.
const waitFrom = 32 << 20

// State tells the book as it stands from any other state of it, whoever wrote
// it: the same state holds the same records. It is empty where that can't be
// told: right after a write, unless the book is large, where it waits; and while
// anything stands in a log beside the book, where a record may be written that
// nobody is shown yet.
func (b *Book) State() string {
	f, err := lookInto(b.path)
	if err != nil {
		return ""
	}
	defer f.leave()
	info, err := f.Stat()
	if err != nil || f != b.looked { // else another book stands in its place
		return ""
	}
	if wait := settled(info.ModTime()) - time.Since(info.ModTime()); wait > 0 {
		if wait > time.Second || info.Size() < waitFrom {
			return ""
		}
		time.Sleep(wait)
	}
	for _, beside := range []string{"-wal", "-journal"} {
		info, err := os.Stat(b.path + beside)
		if !errors.Is(err, fs.ErrNotExist) && (err != nil || info.Size() > 0) {
			return ""
		}
	}
	if now, err := f.Stat(); err != nil || !now.ModTime().Equal(info.ModTime()) {
		return ""
	}
	var header [100]byte // which counts changes
	if _, err := f.ReadAt(header[:], 0); err != nil {
		return ""
	}
	sum := sha256.Sum256(fmt.Append(header[:], b.path, info.Size(), info.ModTime().UnixNano()))
	return hex.EncodeToString(sum[:])
}
