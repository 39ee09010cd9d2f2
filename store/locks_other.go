//go:build !unix

package store

import (
	"errors"
	"os"
)

func keepsLocks(*os.File) bool { return true }

func inUse(*os.File) bool { return false }

func hardLinks(os.FileInfo) uint64 { return 1 }

func lockDir(*os.File) error { return errors.ErrUnsupported }
