//go:build !unix

package store

import "os"

func keepsLocks(*os.File) bool { return true }

func inUse(*os.File) bool { return false }

func hardLinks(os.FileInfo) uint64 { return 1 }
