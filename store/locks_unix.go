//go:build unix

package store

import (
	"errors"
	"io"
	"os"
	"syscall"
)

// keepsLocks says whether the file system of f keeps locks. SQLite takes the
// one that keeps none for one that is busy.
func keepsLocks(f *os.File) bool {
	lock := syscall.Flock_t{Type: syscall.F_RDLCK, Whence: io.SeekStart, Len: 1}
	err := syscall.FcntlFlock(f.Fd(), syscall.F_GETLK, &lock)
	return !errors.Is(err, syscall.ENOLCK) && !errors.Is(err, syscall.EOPNOTSUPP) && !errors.Is(err, syscall.ENOSYS)
}
