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
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
	"shedbook/store"
)

// What the fault tests have in common: the program as a process of its own,
// and the book looked into from this one.

// faults is how often a fault is brought about: few times under -short, else
// usual; SHEDBOOK_FAULTS names another number.
func faults(t *testing.T, short, usual int) int {
	t.Helper()
	if n, err := strconv.Atoi(os.Getenv("SHEDBOOK_FAULTS")); err == nil {
		return n
	}
	if testing.Short() {
		return short
	}
	return usual
}

// everyFault says whether each case is tried, and not a sample of them.
func everyFault() bool { return os.Getenv("SHEDBOOK_FAULTS") != "" }

// program is the program with a book, to be started as a process.
func program(book string, args ...string) *exec.Cmd {
	cmd := exec.Command("shedbook", args...)
	cmd.Env = append(os.Environ(), "SHEDBOOK_BOOK="+book, "SHEDBOOK_NOW=2026-03-14T12:00:00Z", "TZ=UTC")
	return cmd
}

// done runs the program to its end; it returns its exit code and what it wrote
// to either stream.
func done(t *testing.T, cmd *exec.Cmd) (int, string) {
	t.Helper()
	out, err := cmd.CombinedOutput()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		require.NoError(t, err)
	}
	return cmd.ProcessState.ExitCode(), string(out)
}

// must runs the program, which must end well.
func must(t *testing.T, cmd *exec.Cmd) string {
	t.Helper()
	code, out := done(t, cmd)
	require.Zero(t, code, "%v: %s", cmd.Args, out)
	return out
}

// yardBook makes a book with the machine R4 and the driver Ada in it.
func yardBook(t *testing.T, dir string) string {
	t.Helper()
	book := filepath.Join(dir, "shedbook.db")
	must(t, program(book, "init", "--time-zone", "UTC"))
	must(t, program(book, "machine", "add", "R4", "--coolant", "4.2l"))
	must(t, program(book, "driver", "add", "Ada"))
	return book
}

// sound requires that the book opens and that nothing in it is wrong.
func sound(t *testing.T, book string) {
	t.Helper()
	ctx := context.Background()
	b, err := store.View(ctx, book)
	require.NoError(t, err)
	defer b.Close()
	found, err := b.Verify(ctx)
	require.NoError(t, err)
	for _, f := range found {
		require.Empty(t, f.Wrong, f.Check)
	}
}

// sheets are all that the book has, as its sheets would have it.
func sheets(book string) (map[string]string, error) {
	ctx := context.Background()
	b, err := store.View(ctx, book)
	if err != nil {
		return nil, err
	}
	defer b.Close()
	out := map[string]*bytes.Buffer{}
	err = b.Export(ctx, func(k *schema.Kind) (io.WriteCloser, error) {
		out[k.Sheet] = &bytes.Buffer{}
		return unclosed{out[k.Sheet]}, nil
	})
	text := map[string]string{}
	for name, b := range out {
		text[name] = b.String()
	}
	return text, err
}

type unclosed struct{ io.Writer }

func (unclosed) Close() error { return nil }

func mustSheets(t *testing.T, book string) map[string]string {
	t.Helper()
	s, err := sheets(book)
	require.NoError(t, err)
	return s
}

// runsSheet writes a sheet of n runs whose refs begin with name.
func runsSheet(t *testing.T, dir, name string, n int) string {
	t.Helper()
	var s strings.Builder
	s.WriteString("ref,machine,start,hours,note\n")
	for i := range n {
		fmt.Fprintf(&s, "%s-%d,R4,%s,1,%s\n", name, i, time.Date(2020, 1, 1, 0, 0, 0, 0,
			time.UTC).Add(time.Duration(i)*time.Hour).Format(time.RFC3339), name)
	}
	path := filepath.Join(dir, "runs.csv")
	require.NoError(t, os.WriteFile(path, []byte(s.String()), 0o600))
	return path
}
