package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"shedbook/store"
)

// What a killed program was making is left where it made it, and the next that
// makes something there takes it away, but nothing that somebody works at.
func TestWhatKilledProgramsLeave(t *testing.T) {
	t.Parallel()
	strace, err := exec.LookPath("strace")
	if err != nil {
		t.Skip("no strace here to kill a program with")
	}
	book := yardBook(t, t.TempDir())
	must(t, program(book, "log", "run", "R4", "--hours", "1"))
	other := filepath.Join(t.TempDir(), "r4.db")
	must(t, program(book, "handover", "R4", "--out", other))
	backup := filepath.Join(t.TempDir(), "backup.db")
	must(t, program(book, "backup", backup))
	whole, err := os.ReadFile(book)
	require.NoError(t, err)
	older, err := os.ReadFile("../../testdata/book/v1.db")
	require.NoError(t, err)
	sheet, err := os.ReadFile(runsSheet(t, t.TempDir(), "s", 150))
	require.NoError(t, err)
	left := func(dir string) (names []string) {
		entries, err := os.ReadDir(dir)
		require.NoError(t, err)
		for _, e := range entries {
			if strings.HasPrefix(e.Name(), ".") {
				names = append(names, e.Name())
			}
		}
		return names
	}
	for name, words := range map[string][]string{
		"backup":    {"backup", "DIR/b.db"},
		"handover":  {"handover", "R4", "--out", "DIR/r4.db"},
		"export":    {"export", "DIR"},
		"workbook":  {"export", "--xlsx", "DIR/book.xlsx"},
		"page":      {"history", "R4", "--out", "DIR/r4.html"},
		"restore":   {"restore", backup},
		"migration": {"fleet"},
		"a book":    {"import", other},
		"piped":     {"import", "/dev/stdin", "--as", "runs"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			its := filepath.Join(dir, "shedbook.db")
			start := func() *exec.Cmd {
				is := whole
				if name == "migration" {
					is = older
				}
				for _, old := range []string{its, its + "-wal", its + "-shm", its + ".version1",
					filepath.Join(dir, "b.db"), filepath.Join(dir, "r4.db")} {
					os.Remove(old)
				}
				require.NoError(t, os.WriteFile(its, is, 0o600))
				args := slices.Clone(words)
				for i := range args {
					args[i] = strings.Replace(args[i], "DIR", dir, 1)
				}
				cmd := program(its, args...)
				cmd.Env = append(cmd.Env, "TMPDIR="+dir)
				cmd.Stdin = strings.NewReader(string(sheet))
				return cmd
			}
			cmd := start()
			cmd.Args = append([]string{strace, "-f", "-qq", "-o", filepath.Join(t.TempDir(), "trace"), "-e",
				"trace=fsync,fdatasync",
				"-e", "inject=fsync,fdatasync:signal=SIGKILL", "--"}, append([]string{cmd.Path}, cmd.Args[1:]...)...)
			cmd.Path = strace
			code, out := done(t, cmd)
			require.NotZero(t, code, out)
			dead := left(dir)
			require.NotEmpty(t, dead, "it was killed too early or too late to leave anything: %s", out)

			held, letGo, err := store.Passing(dir)
			require.NoError(t, err)
			defer letGo()
			require.Equal(t, []string{filepath.Base(held)}, left(dir), "it clears up itself")
			require.NoError(t, os.WriteFile(filepath.Join(held, "half"), []byte("written"), 0o600))
			own := []string{".shedbook-12.part.d", ".shedbook-notes", ".shedbook-x.part"} // somebody's, whatever for
			for _, o := range own {
				require.NoError(t, os.Mkdir(filepath.Join(dir, o), 0o700))
			}
			require.NoError(t, os.WriteFile(filepath.Join(dir, ".shedbook-13.part"), nil, 0o600))
			require.NoError(t, os.Symlink(t.TempDir(), filepath.Join(dir, ".shedbook-14.part")))
			require.NoError(t, os.Mkdir(filepath.Join(dir, ".shedbook-15.part"), 0o700)) // as a killed program's
			own = append(own, ".shedbook-13.part", ".shedbook-14.part", filepath.Base(held))

			code, out = done(t, start())
			require.Zero(t, code, out)
			require.ElementsMatch(t, own, left(dir))
			require.FileExists(t, filepath.Join(held, "half"))
		})
	}
}
