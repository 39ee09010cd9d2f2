package store

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"time"
)

// settled is how old the last write must be before a file's time tells it from
// the next: some disks keep times to two seconds.
const settled = 3 * time.Second

// State tells the book as its files stand from any other state of it, whoever
// wrote it: the same state holds the same records. It is empty where that can't
// be told, as within seconds of a write.
func (b *Book) State() string {
	h := sha256.New()
	fmt.Fprintln(h, b.path)
	for _, name := range []string{b.path, b.path + "-wal", b.path + "-journal"} {
		f, err := os.Open(name)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		} else if err != nil {
			return ""
		}
		defer f.Close()
		info, err := f.Stat()
		if err == nil && info.Size() == 0 {
			continue // as a reader leaves a log that it needed none of
		}
		if err != nil || time.Since(info.ModTime()) < settled {
			return ""
		}
		fmt.Fprintln(h, name, info.Size(), info.ModTime().UnixNano())
		io.CopyN(h, f, 100) // the header, which counts changes; there may be less
	}
	return hex.EncodeToString(h.Sum(nil))
}
