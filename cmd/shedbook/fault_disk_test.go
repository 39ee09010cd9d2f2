package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// deeds are what writes into the book, each as its words.
func deeds(t *testing.T) map[string][]string {
	t.Helper()
	photo, err := filepath.Abs("../../testdata/photo/o1.jpg")
	require.NoError(t, err)
	return map[string][]string{
		"record":     {"log", "run", "R4", "--hours", "1"},
		"amendment":  {"amend", "1", "--coolant", "4l", "--why", "misread"},
		"sheet":      {"import", runsSheet(t, t.TempDir(), "s", 150)},
		"long sheet": {"import", runsSheet(t, t.TempDir(), "l", 2500)},
		"photograph": {"attach", "1", photo},
		"setting":    {"set", "units", "us"},
	}
}

// all is all that a book holds: its sheets, and what its first record was and
// has with it.
func all(t *testing.T, book string) string {
	t.Helper()
	_, out := inside(book, "show", "1") // or that there is none
	return fmt.Sprint(mustSheets(t, book), out)
}

// inside runs the program in this process.
func inside(book string, words ...string) (code int, out string) {
	var both bytes.Buffer
	a := &app{in: strings.NewReader(""), out: &both, errOut: &both, now: time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC),
		width: 80, getenv: func(string) string { return "" }}
	code = run(context.Background(), a, append([]string{"--book", book}, words...))
	return code, both.String()
}

// A disk that fills up at every page in turn. What can't be done says so and
// leaves the book as it was; with room again it can be done.
func TestDiskFull(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=8m"); err != nil {
		t.Skipf("no disk to fill: a file system can't be mounted here (%v)", err)
	}
	t.Cleanup(func() { require.NoError(t, syscall.Unmount(dir, syscall.MNT_DETACH)) })
	yard := filepath.Join(dir, "yard")
	older, err := os.ReadFile("../../testdata/book/v1.db")
	require.NoError(t, err)
	from := yardBook(t, t.TempDir())
	said := all(t, from)
	whole, err := os.ReadFile(from)
	require.NoError(t, err)
	first := map[string][]string{"first use": {"init", "--time-zone", "UTC"},
		"a book of version 1": {"set", "units", "us"}}
	for name, words := range deeds(t) {
		first[name] = words
	}
	for name, words := range first {
		t.Run(name, func(t *testing.T) {
			step := int64(8)
			if everyFault() || name == "record" && !testing.Short() {
				step = 1
			}
			if name == "long sheet" {
				step *= 16
			}
			failed := 0
			for room := int64(0); ; room += step {
				require.NoError(t, os.RemoveAll(yard))
				require.NoError(t, os.Mkdir(yard, 0o700))
				book, before := filepath.Join(yard, "shedbook.db"), ""
				switch name {
				case "first use":
				case "a book of version 1":
					require.NoError(t, os.WriteFile(book, older, 0o600))
				default:
					require.NoError(t, os.WriteFile(book, whole, 0o600))
					before = said
				}
				ballast := filepath.Join(dir, "ballast")
				fill(t, ballast, room*4096)
				code, out := inside(book, words...)
				require.NoError(t, os.Remove(ballast))
				if code == 0 {
					sound(t, book)
					require.NotZero(t, failed, "it was never full")
					return
				}
				failed++
				require.Equal(t, exitFailed, code, out)
				require.Regexp(t, "the disk is full|has room|no space left", out)
				if before != "" {
					sound(t, book)
					require.Equal(t, before, all(t, book), "%s with %d pages left", name, room)
				}
				code, out = inside(book, words...)
				require.Zero(t, code, out)
				sound(t, book)
				require.Less(t, room, int64(4000))
			}
		})
	}
}

// fill leaves so many bytes on the disk.
func fill(t *testing.T, ballast string, room int64) {
	t.Helper()
	f, err := os.Create(ballast)
	require.NoError(t, err)
	n, err := io.Copy(f, zeros{})
	require.ErrorIs(t, err, syscall.ENOSPC)
	require.NoError(t, f.Truncate(max(n-room, 0)))
	require.NoError(t, f.Close())
}

type zeros struct{}

func (zeros) Read(p []byte) (int, error) { clear(p[:4096]); return 4096, nil }

// traced runs the program under strace, which heeds only the book's own files.
func traced(t *testing.T, book string, cmd *exec.Cmd, options ...string) (code int, out, trace string) {
	t.Helper()
	strace, err := exec.LookPath("strace")
	if err != nil {
		t.Skip("no strace here to bring faults about")
	}
	log := filepath.Join(t.TempDir(), "trace")
	cmd.Args = append(append(append([]string{strace, "-f", "-qq", "-o", log, "-P", book, "-P", book + "-wal", "-P",
		book + "-shm", "-P", book + "-journal"}, options...), "--"), append([]string{cmd.Path}, cmd.Args[1:]...)...)
	cmd.Path = strace
	code, out = done(t, cmd)
	data, err := os.ReadFile(log)
	require.NoError(t, err)
	if len(data) == 0 {
		t.Skipf("strace traces nothing here: %s", out)
	}
	return code, out, string(data)
}

// A disk that fails at every write, sync and lock in turn, and from there on.
func TestDiskFails(t *testing.T) {
	t.Parallel()
	from := yardBook(t, t.TempDir())
	before := all(t, from)
	whole, err := os.ReadFile(from)
	require.NoError(t, err)
	for _, fault := range []struct{ call, error, says string }{
		{"pwrite64", "ENOSPC", "the disk is full|has space"}, {"pwrite64", "EDQUOT", "has space"},
		{"pwrite64", "EIO", "the disk failed"},
		{"fsync,fdatasync", "EIO", "the disk failed"}, {"ftruncate", "EIO", "the disk failed"},
	} {
		for name, words := range deeds(t) {
			if name != "record" && !everyFault() {
				continue
			}
			t.Run(fault.call+" "+fault.error+" "+name, func(t *testing.T) {
				failed := 0
				step := 3
				if everyFault() || fault.error == "ENOSPC" && !testing.Short() {
					step = 1
				}
				for n := 1; ; n += step {
					book := filepath.Join(t.TempDir(), "shedbook.db")
					require.NoError(t, os.WriteFile(book, whole, 0o600))
					code, out, trace := traced(t, book, program(book, words...), "-e", "trace="+fault.call, "-e",
						fmt.Sprintf("inject=%s:error=%s:when=%d+", fault.call, fault.error, n))
					sound(t, book)
					if code == 0 {
						require.NotEqual(t, before, all(t, book), "it said that it was done")
					} else {
						failed++
						require.Equal(t, exitFailed, code, out)
						require.Regexp(t, fault.says, out)
						require.Equal(t, before, all(t, book), "failing at %d: %s", n, out)
						code, out = inside(book, words...)
						require.Zero(t, code, out)
					}
					if !strings.Contains(trace, "INJECTED") {
						break
					}
				}
				require.NotZero(t, failed, "it never failed")
			})
		}
	}
}

// A file system that keeps no locks.
func TestNoLocks(t *testing.T) {
	t.Parallel()
	book := yardBook(t, t.TempDir())
	before, err := os.ReadFile(book)
	require.NoError(t, err)
	for _, error := range []string{"ENOLCK", "EOPNOTSUPP", "EIO"} {
		for _, words := range []string{"log run R4 --hours 1", "fleet"} {
			code, out, _ := traced(t, book, program(book, strings.Fields(words)...), "-e", "trace=fcntl", "-e",
				"inject=fcntl:error="+error)
			require.Equal(t, exitFailed, code, "%s: %s", error, out)
			require.Regexp(t, "locks|the disk failed", out)
		}
	}
	after, err := os.ReadFile(book)
	require.NoError(t, err)
	require.Equal(t, before, after)
}

// asNobody is a program that somebody else starts, who has no rights but those
// that everybody has. Its own copy of it can be read by him.
func asNobody(t *testing.T, book string, args ...string) *exec.Cmd {
	t.Helper()
	self, err := os.ReadFile(os.Args[0])
	require.NoError(t, err)
	dir, err := os.MkdirTemp("", "shedbook-nobody-")
	require.NoError(t, err)
	t.Cleanup(func() { os.RemoveAll(dir) })
	require.NoError(t, os.Chmod(dir, 0o755))
	cmd := program(book, args...)
	cmd.Path = filepath.Join(dir, "shedbook")
	cmd.Args[0] = cmd.Path
	require.NoError(t, os.WriteFile(cmd.Path, self, 0o755))
	cmd.Dir = dir
	if os.Geteuid() == 0 {
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
	}
	return cmd
}

// Without the right to write, what is recorded is refused and reports still
// work; without the right to read, everything is refused.
func TestNoRight(t *testing.T) {
	t.Parallel()
	dir, err := os.MkdirTemp("", "shedbook-rights-")
	require.NoError(t, err)
	t.Cleanup(func() { _ = os.Chmod(dir, 0o700); os.RemoveAll(dir) })
	book := yardBook(t, dir)
	before, err := os.ReadFile(book)
	require.NoError(t, err)
	for _, c := range []struct {
		dir, file os.FileMode
		words     string
		code      int
		says      string
	}{
		{0o555, 0o444, "fleet", 0, "R4"},
		{0o555, 0o444, "verify", 0, "sound"},
		{0o555, 0o444, "log run R4 --hours 1", exitFailed, "can't be written"},
		{0o555, 0o666, "log run R4 --hours 1", exitFailed, "can't be (written|opened)"},
		{0o777, 0o444, "log run R4 --hours 1", exitFailed, "can't be written"},
		{0o755, 0o000, "fleet", exitFailed, "can't be read"},
		{0o755, 0o000, "log run R4 --hours 1", exitFailed, "can't be read"},
		{0o000, 0o444, "fleet", exitFailed, "can't be read"},
		{0o000, 0o444, "log run R4 --hours 1", exitFailed, "can't be read"},
	} {
		require.NoError(t, os.Chmod(book, c.file))
		require.NoError(t, os.Chmod(dir, c.dir))
		code, out := done(t, asNobody(t, book, strings.Fields(c.words)...))
		require.Equal(t, c.code, code, "%v: %s", c, out)
		require.Regexp(t, c.says, out)
		if c.code != 0 {
			require.Contains(t, out, "try: ", "%v", c)
		}
	}
	require.NoError(t, os.Chmod(dir, 0o755))
	code, out := done(t, asNobody(t, filepath.Join(dir, "new.db"), "init"))
	require.Equal(t, exitFailed, code, out)
	require.Contains(t, out, "can't be made")
	require.NoFileExists(t, filepath.Join(dir, "new.db"))
	require.NoError(t, os.Chmod(book, 0o600))
	after, err := os.ReadFile(book)
	require.NoError(t, err)
	require.Equal(t, before, after)
}

// The book's directory goes, or the book is moved, while a record waits for
// another program: it is not said to be recorded.
func TestGoneWhileOpen(t *testing.T) {
	t.Parallel()
	for name, goes := range map[string]func(book string) error{
		"directory removed": func(book string) error { return os.RemoveAll(filepath.Dir(book)) },
		"book moved":        func(book string) error { return os.Rename(book, book+".away") },
		"book replaced": func(book string) error {
			data, err := os.ReadFile(book)
			return errors.Join(err, os.Remove(book), os.WriteFile(book, data, 0o600))
		},
	} {
		t.Run(name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "yard")
			require.NoError(t, os.Mkdir(dir, 0o700))
			book := yardBook(t, dir)
			letGo := longImport(t, book)
			cmd := program(book, "log", "run", "R4", "--hours", "1")
			errOut, err := cmd.StderrPipe()
			require.NoError(t, err)
			require.NoError(t, cmd.Start())
			said := make([]byte, 8)
			_, err = io.ReadFull(errOut, said) // it waits
			require.NoError(t, err)
			require.NoError(t, goes(book))
			require.Error(t, letGo(), "the import neither")
			rest, err := io.ReadAll(errOut)
			require.NoError(t, err)
			require.Error(t, cmd.Wait())
			require.Equal(t, exitFailed, cmd.ProcessState.ExitCode(), string(rest))
			require.Contains(t, string(rest), "moved or removed")
		})
	}
}

// A disk that has room, and can hold no more files.
func TestNoInodes(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=8m,nr_inodes=40"); err != nil {
		t.Skipf("no disk to fill: a file system can't be mounted here (%v)", err)
	}
	t.Cleanup(func() { require.NoError(t, syscall.Unmount(dir, syscall.MNT_DETACH)) })
	book := yardBook(t, dir)
	fillers := func() (names []string) {
		for n := 0; ; n++ {
			name := filepath.Join(dir, fmt.Sprint("filler", n))
			if err := os.WriteFile(name, nil, 0o600); err != nil {
				require.ErrorIs(t, err, syscall.ENOSPC)
				return names
			}
			names = append(names, name)
		}
	}()
	for _, words := range [][]string{
		{"log", "run", "R4", "--hours", "1"}, {"backup", filepath.Join(dir, "b.db")}, {"export", dir},
		{"history", "R4", "--out", filepath.Join(dir, "r4.html")},
	} {
		code, out := inside(book, words...)
		require.Equal(t, exitFailed, code, out)
		require.Contains(t, out, "has room, but can hold no more files", "%v", words)
	}
	for _, f := range fillers {
		require.NoError(t, os.Remove(f))
	}
	code, out := inside(book, "log", "run", "R4", "--hours", "1")
	require.Zero(t, code, out)
	sound(t, book)
}
