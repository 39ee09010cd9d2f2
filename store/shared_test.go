//go:build linux

package store

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

// To close a descriptor of a file drops the process's locks on it (fcntl(2),
// "Advisory record locking"), and a book whose log another program may take away
// loses what is acknowledged. So nothing that looks into a book may close it.
func TestNoLookDropsSQLitesLocks(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "b.db")
	b, err := Create(ctx, path, time.Now)
	require.NoError(t, err)
	require.NoError(t, b.Close())
	v, err := View(ctx, path)
	require.NoError(t, err)
	defer v.Close()
	_, err = v.Common(ctx)
	require.NoError(t, err)
	locks := func() int {
		all, err := os.ReadFile("/proc/locks")
		if err != nil {
			t.Skip("this system does not tell its locks: ", err)
		}
		info, err := os.Stat(path)
		require.NoError(t, err)
		of := fmt.Sprintf(" %d ", os.Getpid())
		file := fmt.Sprintf(":%d ", info.Sys().(*syscall.Stat_t).Ino)
		n := 0
		for line := range strings.Lines(string(all)) {
			if strings.Contains(line, of) && strings.Contains(line, file) {
				n++
			}
		}
		return n
	}
	held := locks()
	require.Positive(t, held, "an open book is locked against being taken away")
	_, err = v.State(ctx)
	require.NoError(t, err)
	require.Equal(t, held, locks(), "State")
	require.True(t, IsBook(path))
	require.Equal(t, held, locks(), "IsBook")
	_, err = inspect(path, newestVersion())
	require.NoError(t, err)
	require.Equal(t, held, locks(), "inspect")
	link := filepath.Join(t.TempDir(), "link.db")
	require.NoError(t, os.Symlink(path, link))
	l, err := View(ctx, link)
	require.NoError(t, err)
	require.Equal(t, v.Path(), l.Path(), "a link is the book it leads to")
	require.NoError(t, l.Close())
	require.Equal(t, held, locks(), "a look by a link")
	require.True(t, IsBook(link))
	require.Equal(t, held, locks(), "IsBook by a link")
	t.Chdir(filepath.Dir(path))
	require.True(t, IsBook(filepath.Base(path)))
	require.Equal(t, held, locks(), "a path from where one stands")
	hard := filepath.Join(filepath.Dir(path), "hard.db")
	require.NoError(t, os.Link(path, hard))
	require.True(t, IsBook(hard))
	require.Equal(t, held, locks(), "another name of the same file")
}

// Whoever reads a row holds it to its checksum, not only verify.
func TestReadersHoldRowsToTheirSums(t *testing.T) {
	b, ctx := newBook(t), context.Background()
	stock(t, b)
	n := keep(t, b, aRun(noon, 2))
	_, err := b.Fleet(ctx)
	require.NoError(t, err)
	_, err = b.db.Exec("UPDATE runs SET hours = 2.25")
	require.NoError(t, err)
	for what, read := range map[string]func() error{
		"a report": func() error { _, err := b.Fleet(ctx); return err },
		"a list":   func() error { _, err := b.List(ctx, schema.KindNamed("run"), Filter{}); return err },
		"show":     func() error { _, err := b.Show(ctx, n); return err },
	} {
		var e *Error
		require.ErrorAs(t, read(), &e, what)
		require.Equal(t, BadBook, e.Trouble)
		require.ErrorContains(t, e,
			"a row is not as it was written: runs 3: the disk spoiled it, or another program changed it")
		require.Contains(t, e.Hint, "shedbook verify lists")
		require.Contains(t, e.Hint, "shedbook restore FILE")
	}
	found, err := b.Verify(ctx)
	require.NoError(t, err)
	for _, f := range found {
		require.Equal(t, f.Check == "sums", len(f.Wrong) > 0, "%s: %v", f.Check, f.Wrong)
	}
}
