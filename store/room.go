//go:build linux || darwin || freebsd

package store

import "syscall"

// noRoom returns what the disk of a directory has run out of: bytes, or inodes,
// without which it can hold no more files; "" if of neither.
func noRoom(dir string) string {
	var s syscall.Statfs_t
	switch err := syscall.Statfs(dir, &s); {
	case err != nil:
	case int64(s.Bavail) <= 0:
		return "the disk is full, at " + dir
	case s.Files > 0 && int64(s.Ffree) <= 0:
		return "the disk at " + dir + " has room, but can hold no more files (no inodes are free)"
	}
	return ""
}
