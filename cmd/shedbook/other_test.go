package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// What the owner does to the book with SQLite's own shell: ANALYZE and VACUUM
// change nothing; a record changed or put in is told at the next look, and listed.
func TestAnotherProgramAtTheBook(t *testing.T) {
	shell, err := exec.LookPath("sqlite3")
	if err != nil {
		t.Skip("no shell of SQLite's here")
	}
	sql := func(book, says string) {
		out, err := exec.Command(shell, book, says).CombinedOutput()
		require.NoError(t, err, string(out))
	}
	book := yardBook(t, t.TempDir())
	must(t, program(book, "import", runsSheet(t, t.TempDir(), "s", 150)))
	must(t, program(book, "log", "run", "R4", "--hours", "1"))
	want := must(t, program(book, "fleet", "--json"))
	sql(book, "ANALYZE; VACUUM")
	require.Equal(t, want, must(t, program(book, "fleet", "--json")))
	sound(t, book)
	must(t, program(book, "log", "run", "R4", "--hours", "1", "--at", "2026-03-13 09:00"))
	must(t, program(book, "import", runsSheet(t, t.TempDir(), "l", 2500)))
	copied := filepath.Join(t.TempDir(), "copy.db")
	must(t, program(book, "backup", copied))
	must(t, program(book, "restore", copied))
	sound(t, book)

	for _, says := range []string{
		"UPDATE runs SET hours = 7 WHERE number = (SELECT max(number) FROM runs)",
		"INSERT INTO runs (number, machine, start, hours, entered, versions) SELECT 99999, machine, start, hours, " +
			"entered, versions FROM runs ORDER BY number DESC LIMIT 1",
	} {
		data, err := os.ReadFile(copied)
		require.NoError(t, err)
		bad := filepath.Join(t.TempDir(), "bad.db")
		require.NoError(t, os.WriteFile(bad, data, 0o600))
		sql(bad, says)
		code, out := done(t, program(bad, "fleet"))
		require.Equal(t, exitBadBook, code, out)
		require.Contains(t, out, "another program changed it")
		require.Contains(t, out, "shedbook verify")
		code, out = done(t, program(bad, "verify"))
		require.Equal(t, exitBadBook, code, out)
		require.Regexp(t, `runs \d+ is not as it was written`, out)
		must(t, program(bad, "restore", copied))
		sound(t, bad)
	}
}
