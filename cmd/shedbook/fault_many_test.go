package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
	"shedbook/store"
)

// Eight at once, a record a process, into one book: none is lost, none is told
// that the book is locked, and whoever reads meanwhile reads.
func TestEightAtOnce(t *testing.T) {
	each := 4
	if everyFault() {
		each = 500
	}
	if testing.Short() {
		each = 2
	}
	book := yardBook(t, t.TempDir())
	var writers, reader sync.WaitGroup
	var stop atomic.Bool
	var reads int
	var slowest time.Duration
	var trouble []string
	reader.Go(func() {
		for seen := 0; !stop.Load() && len(trouble) == 0; reads++ {
			begin := time.Now()
			out, err := program(book, "list", "runs", "--csv").CombinedOutput()
			slowest = max(slowest, time.Since(begin))
			n := strings.Count(string(out), "\n")
			if err != nil || n < seen {
				trouble = append(trouble, fmt.Sprintf("%v, %d lines after %d: %s", err, n, seen, out))
			}
			seen = n
		}
	})
	var mu sync.Mutex
	begin := time.Now()
	for w := range 8 {
		writers.Go(func() {
			for i := range each {
				at := time.Date(2025, 6, 1, w*each+i, 0, 0, 0, time.UTC).Format(time.RFC3339)
				out, err := program(book, "log", "run", "R4", "--hours", "1", "--at", at, "--note",
					fmt.Sprintf("w%d.%d", w, i)).CombinedOutput()
				if text := string(out); err != nil || strings.Contains(text, "lock") || strings.Contains(text, "busy") {
					mu.Lock()
					trouble = append(trouble, text)
					mu.Unlock()
					return
				}
			}
		})
	}
	writers.Wait()
	took := time.Since(begin)
	stop.Store(true)
	reader.Wait()
	require.Empty(t, trouble)
	require.NotZero(t, reads)
	t.Logf("%d records by 8 at once in %v; %d reads meanwhile, the slowest %v", 8*each, took.Round(time.Millisecond),
		reads, slowest.Round(time.Millisecond))
	sound(t, book)
	runs := mustSheets(t, book)["runs"]
	for w := range 8 {
		for i := range each {
			require.Equal(t, 1, strings.Count(runs, fmt.Sprintf(",w%d.%d\r\n", w, i)), "w%d.%d", w, i)
		}
	}
}

// longImport takes a sheet in, but contains the book until it is let go on.
func longImport(t *testing.T, book string) (goOn func() error) {
	t.Helper()
	b, err := store.Open(context.Background(), book, func() time.Time {
		return time.Date(2026, 3, 14, 12, 0, 0, 0,
			time.UTC)
	})
	require.NoError(t, err)
	begun, release, ended := make(chan bool), make(chan bool), make(chan error, 1)
	go func() {
		_, err := b.Import(context.Background(), []store.Source{{Name: "topups.csv", Kind: schema.KindNamed("topup"),
			Open: func() (io.ReadCloser, error) {
				close(begun)
				<-release
				return io.NopCloser(strings.NewReader("ref,machine,at,volume_ml\na,R4,2026-03-01T08:00:00Z,150\n")), nil
			}}}, store.ImportOptions{})
		ended <- err
	}()
	<-begun
	return sync.OnceValue(func() error {
		close(release)
		return errors.Join(<-ended, b.Close())
	})
}

// While a long import goes on, reports read; a record says that it waits, and
// is made in the end.
func TestALongImportIsWaitedFor(t *testing.T) {
	book := yardBook(t, t.TempDir())
	goOn := longImport(t, book)
	for _, words := range []string{"fleet", "list runs", "flags", "verify", "backup " +
		filepath.Join(t.TempDir(), "copy.db")} {
		require.NotContains(t, must(t, program(book, strings.Fields(words)...)), "waiting", words)
	}
	cmd := program(book, "log", "run", "R4", "--hours", "1")
	errOut, err := cmd.StderrPipe()
	require.NoError(t, err)
	begin := time.Now()
	require.NoError(t, cmd.Start())
	said, err := bufio.NewReader(errOut).ReadString('\n')
	require.NoError(t, err)
	require.Equal(t, "another program is writing to the book: waiting until it is done\n", said)
	require.Greater(t, time.Since(begin), time.Second)
	require.NoError(t, goOn())
	_, _ = io.Copy(io.Discard, errOut)
	require.NoError(t, cmd.Wait())
	all := mustSheets(t, book)
	require.Contains(t, all["runs"], ",R4,2026-03-14T11:00:00Z,")
	require.Contains(t, all["topups"], "a,R4,2026-03-01T08:00:00Z,")
	sound(t, book)
}
