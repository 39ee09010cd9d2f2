package store

import (
	"context"
	"io"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

// held takes the book for writing, as a long import does, until it is let go.
func held(t *testing.T, path string) (letGo func()) {
	t.Helper()
	b, err := Open(context.Background(), path, clock)
	require.NoError(t, err)
	tx, err := b.begin(context.Background())
	require.NoError(t, err)
	return func() {
		require.NoError(t, tx.Rollback())
		require.NoError(t, b.Close())
	}
}

// Whoever waits for another writer is told so once, and in the end either
// records or is told that the book is busy.
func TestWaitingForAnotherWriter(t *testing.T) {
	b, ctx := newBook(t), context.Background()
	stock(t, b)
	b.db.SetMaxOpenConns(1)
	_, err := b.db.Exec("PRAGMA busy_timeout = 20")
	require.NoError(t, err)
	var told atomic.Int32
	b.Waiting = func() { told.Add(1) }
	defer func(p, s time.Duration) { patience, sayAfter = p, s }(patience, sayAfter)

	// The other is done before patience ends, though SQLite's own has long ended.
	sayAfter = 50 * time.Millisecond
	letGo := held(t, b.Path())
	time.AfterFunc(300*time.Millisecond, letGo)
	_, err = b.Record(ctx, aRun(noon, 1))
	require.NoError(t, err)
	require.EqualValues(t, 1, told.Load())

	// Nobody is told of a wait that is none.
	_, err = b.Record(ctx, aRun(noon.Add(time.Hour), 1))
	require.NoError(t, err)
	require.EqualValues(t, 1, told.Load())

	patience = 200 * time.Millisecond
	letGo = held(t, b.Path())
	_, err = b.Record(ctx, aRun(noon.Add(2*time.Hour), 1))
	var e *Error
	require.ErrorAs(t, err, &e)
	require.Equal(t, Busy, e.Trouble)
	require.ErrorContains(t, err, "another program is writing to it")
	require.EqualValues(t, 2, told.Load())

	// Who is stopped while he waits goes at once.
	patience = time.Minute
	stopped, stop := context.WithCancel(ctx)
	time.AfterFunc(100*time.Millisecond, stop)
	begin := time.Now()
	_, err = b.Record(stopped, aRun(noon.Add(3*time.Hour), 1))
	require.ErrorIs(t, err, context.Canceled)
	require.Less(t, time.Since(begin), 10*time.Second)
	letGo()
	require.Equal(t, 2, counts(t, b)["runs"])
}

// While a sheet goes in, others read what was there before it.
func TestReadingWhileASheetGoesIn(t *testing.T) {
	b, ctx := newBook(t), context.Background()
	stock(t, b)
	before := sheetsOut(t, b)
	view, err := View(ctx, b.Path())
	require.NoError(t, err)
	defer view.Close()
	looked := false
	_, err = b.Import(ctx, []Source{sheetOf("runs", "ref,machine,start,hours\na,R4,2026-03-14T08:00:00Z,1\n"),
		{Name: "topups.csv", Kind: schema.KindNamed("topup"), Open: func() (io.ReadCloser, error) {
			looked = true
			require.Equal(t, before, sheetsOut(t, view))
			return io.NopCloser(strings.NewReader("ref,machine,at,volume_ml\na,R4,2026-03-14T08:00:00Z,150\n")), nil
		}}}, ImportOptions{})
	require.NoError(t, err)
	require.True(t, looked)
	after := sheetsOut(t, view)
	require.Contains(t, after["runs"], "a,R4,2026-03-14T08:00:00Z")
	require.Contains(t, after["topups"], "a,R4,2026-03-14T08:00:00Z")
}
