//go:build !unix

package store

import "os"

func keepsLocks(*os.File) bool { return true }
