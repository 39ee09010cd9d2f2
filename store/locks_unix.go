//go:build unix

package store

import (
	"errors"
	"io"
	"os"
	"syscall"
)

// keepsLocks reports whether the file system of f supports locks. SQLite takes
// one without locks for a busy one.
func keepsLocks(f *os.File) bool {
	lock := syscall.Flock_t{Type: syscall.F_RDLCK, Whence: io.SeekStart, Len: 1}
	err := syscall.FcntlFlock(f.Fd(), syscall.F_GETLK, &lock)
	return !errors.Is(err, syscall.ENOLCK) && !errors.Is(err, syscall.EOPNOTSUPP) && !errors.Is(err, syscall.ENOSYS)
}

// inUse reports whether another program has the book open: it holds SQLite's
// locks (SQLite's unix VFS: 512 bytes from byte 2^30 on).
func inUse(f *os.File) bool {
	lock := syscall.Flock_t{Type: syscall.F_WRLCK, Whence: io.SeekStart, Start: 1 << 30, Len: 512}
	err := syscall.FcntlFlock(f.Fd(), syscall.F_GETLK, &lock)
	return err == nil && lock.Type != syscall.F_UNLCK
}

// hardLinks returns how many names a file has.
func hardLinks(info os.FileInfo) uint64 {
	if s, ok := info.Sys().(*syscall.Stat_t); ok {
		return uint64(s.Nlink)
	}
	return 1
}

// lockDir locks an open directory, or returns errHeld if another holds the
// lock. The system drops the lock when its holder ends, however it ends.
func lockDir(f *os.File) error {
	err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return errHeld
	}
	return err
}
