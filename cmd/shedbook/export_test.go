package main

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// A file whose writing fails half-way leaves what was there before, and nothing
// beside it.
func TestFailedFileLeavesTheOldOne(t *testing.T) {
	path := filepath.Join(t.TempDir(), "page.html")
	require.NoError(t, os.WriteFile(path, []byte("old"), 0o600))
	broken := errors.New("broken off")
	require.ErrorIs(t, toFile(path, func(w io.Writer) error {
		_, err := w.Write([]byte("half"))
		return errors.Join(err, broken)
	}), broken)
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, "old", string(text))
	left, err := os.ReadDir(filepath.Dir(path))
	require.NoError(t, err)
	require.Len(t, left, 1)

	require.NoError(t, toFile(path, func(w io.Writer) error {
		_, err := w.Write([]byte("whole"))
		return err
	}))
	text, err = os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, "whole", string(text))
}
