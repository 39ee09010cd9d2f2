package main

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

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

// A link that somebody planted in there is no directory is not written through.
func TestExportWritesThroughNoLink(t *testing.T) {
	dir := t.TempDir()
	book, out, victim := filepath.Join(dir, "yard.db"), filepath.Join(dir, "out"), filepath.Join(dir, "victim")
	shed(t, book, "machine", "add", "R4")
	require.NoError(t, os.Mkdir(out, 0o700))
	require.NoError(t, os.WriteFile(victim, []byte("precious"), 0o600))
	for _, target := range []string{victim, filepath.Join(dir, "nothing there"), dir} {
		link := filepath.Join(out, "machines.csv")
		require.NoError(t, os.Symlink(target, link))
		var errOut bytes.Buffer
		a := &app{in: strings.NewReader(""), out: io.Discard, errOut: &errOut,
			now: time.Date(2026, 3, 20, 12, 0, 0, 0, time.UTC), width: 80, getenv: func(string) string { return "" }}
		require.Equal(t, exitWords, run(context.Background(), a, []string{"--book", book, "export", out}))
		require.Contains(t, errOut.String(), "machines.csv is a link or not a file")
		left, err := os.ReadDir(out)
		require.NoError(t, err)
		require.Len(t, left, 1, "the link alone")
		require.NoError(t, os.Remove(link))
	}
	text, err := os.ReadFile(victim)
	require.NoError(t, err)
	require.Equal(t, "precious", string(text))
	require.NoFileExists(t, filepath.Join(dir, "nothing there"))
	require.Contains(t, shed(t, book, "export", out), "written to")
}

// One Ctrl-C ends a run, whatever it waits for: here bytes that never come.
func TestOneInterruptEndsARun(t *testing.T) {
	book := yardBook(t, t.TempDir())
	cmd := program(book, "light", "/dev/stdin")
	in, err := cmd.StdinPipe()
	require.NoError(t, err)
	defer in.Close()
	require.NoError(t, cmd.Start())
	_, err = in.Write(make([]byte, 1<<20)) // more than a pipe holds: it reads by now, and listens
	require.NoError(t, err)
	require.NoError(t, cmd.Process.Signal(os.Interrupt))
	require.Error(t, cmd.Wait())
	require.Equal(t, exitFailed, cmd.ProcessState.ExitCode())
}

// A name of any length is told in a few words.
func TestLongNamesAreCut(t *testing.T) {
	dir := t.TempDir()
	book, long := yardBook(t, dir), strings.Repeat("X", 50_000)
	path := filepath.Join(dir, "runs.csv")
	require.NoError(t, os.WriteFile(path, []byte("machine,driver,start,hours\n"+long+","+long+",2026-03-14 09:30,1\n"),
		0o600))
	for _, args := range [][]string{{"log", "run", long, "--hours", "1"}, {"log", "run", "R4", "--driver", long},
		{"log", "run", "R4", "--terrain", long},
		{"history", long}, {long}, {"show", long}, {"import", path}, {"import", "--as", long, path}} {
		code, out := done(t, program(book, args...))
		require.NotZero(t, code)
		require.Less(t, len(out), 1000, "%.60v", args)
	}
}
