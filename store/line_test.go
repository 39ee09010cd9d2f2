package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Those who wait while another writes go into one transaction: what one of them did
// wrong is undone, and the others are kept.
func TestWritersInOneTransaction(t *testing.T) {
	b := newBook(t)
	stock(t, b)
	ctx := context.Background()
	var wait sync.WaitGroup
	results := make([]error, 8)
	b.line.turn.Lock() // until all stand in line
	for i := range results {
		wait.Go(func() {
			results[i] = b.By(0, Form{Ref: fmt.Sprint("form ", i), Content: digest("")}, clock).write(ctx,
				func(tx *sql.Tx) error {
					if _, err := tx.ExecContext(ctx, "INSERT INTO forms (form, content, at) VALUES (?, ?, ?)",
						fmt.Sprint("form ", i), digest(""), formatTime(clock())); err != nil {
						return err
					}
					if i%4 == 1 {
						return errors.New("no")
					}
					if i == 6 {
						_, err := tx.ExecContext(ctx, "INSERT INTO forms (form) VALUES ('')")
						return err
					}
					return nil
				})
		})
	}
	for {
		b.line.mu.Lock()
		n := len(b.line.jobs)
		b.line.mu.Unlock()
		if n == len(results) {
			break
		}
		time.Sleep(time.Millisecond)
	}
	b.line.turn.Unlock()
	wait.Wait()
	for i, err := range results {
		_, there, formErr := b.FormSent(ctx, fmt.Sprint("form ", i))
		require.NoError(t, formErr)
		wrong := i%4 == 1 || i == 6
		require.Equal(t, wrong, err != nil, "%d: %v", i, err)
		require.Equal(t, !wrong, there, i)
	}
	findings, err := b.Verify(ctx)
	require.NoError(t, err)
	for _, f := range findings {
		require.Empty(t, f.Wrong, f.Check)
	}
}

// Where the whole transaction fails, all are told, and nothing is kept.
func TestWritersFailTogether(t *testing.T) {
	b := newBook(t)
	stock(t, b)
	ctx := context.Background()
	var wait sync.WaitGroup
	results := make([]error, 3)
	b.line.turn.Lock()
	for i := range results {
		wait.Go(func() {
			results[i] = b.write(ctx, func(tx *sql.Tx) error {
				if _, err := tx.ExecContext(ctx, "INSERT INTO forms (form, content, at) VALUES (?, ?, ?)",
					fmt.Sprint("form ", i), digest(""), formatTime(clock())); err != nil {
					return err
				}
				if i == 1 { // as SQLite itself does where the disk is full
					_, err := tx.ExecContext(ctx, "ROLLBACK")
					return errors.Join(err, errors.New("full"))
				}
				return nil
			})
		})
	}
	for n := 0; n < len(results); time.Sleep(time.Millisecond) {
		b.line.mu.Lock()
		n = len(b.line.jobs)
		b.line.mu.Unlock()
	}
	b.line.turn.Unlock()
	wait.Wait()
	for i, err := range results {
		require.Error(t, err, i)
		_, there, formErr := b.FormSent(ctx, fmt.Sprint("form ", i))
		require.NoError(t, formErr)
		require.False(t, there, i)
	}
	require.NoError(t, b.write(ctx, func(*sql.Tx) error { return nil }), "and it goes on")
}

// What a form was answered goes into the file with what is written next, or when the
// book is closed.
func TestAnswersComeAfter(t *testing.T) {
	b := newBook(t)
	stock(t, b)
	ctx := context.Background()
	inFile := func(ref string) string {
		var answer sql.NullString
		require.NoError(t, b.db.QueryRowContext(ctx, "SELECT answer FROM forms WHERE form = ?", ref).Scan(&answer))
		return answer.String
	}
	enter := func(ref string, hours float64) {
		_, err := b.By(0, Form{Ref: ref, Content: digest("")}, clock).Record(ctx,
			aRun(clock().Add(-time.Duration(hours)*time.Hour), hours))
		require.NoError(t, err)
		b.Answered(ref, "said "+ref)
	}
	enter("one", 1)
	require.Empty(t, inFile("one"))
	f, ok, err := b.FormSent(ctx, "one")
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, "said one", f.Answer)
	enter("two", 2)
	require.Equal(t, "said one", inFile("one"))
	require.NoError(t, b.Close())
	b, err = Open(ctx, b.Path(), clock)
	require.NoError(t, err)
	t.Cleanup(func() { b.Close() })
	require.Equal(t, "said two", inFile("two"))
}

// A statement that is read from serves nobody else meanwhile, and rows stay as they
// are whatever is asked beside them.
func TestKeptStatements(t *testing.T) {
	b := newBook(t)
	stock(t, b)
	ctx := context.Background()
	c, err := b.db.Conn(ctx)
	require.NoError(t, err)
	defer c.Close()
	const text = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < ?) SELECT i FROM n"
	for range 3 {
		outer, err := c.QueryContext(ctx, text, 3)
		require.NoError(t, err)
		pairs := 0
		for outer.Next() {
			var i, j, last int
			require.NoError(t, outer.Scan(&i))
			inner, err := c.QueryContext(ctx, text, 4)
			require.NoError(t, err)
			for inner.Next() {
				require.NoError(t, inner.Scan(&j))
				require.Equal(t, last+1, j)
				last, pairs = j, pairs+1
			}
			require.NoError(t, inner.Close())
		}
		require.NoError(t, outer.Err())
		require.NoError(t, outer.Close())
		require.Equal(t, 12, pairs)
	}
	for i := range 2 * maxKept { // more texts than are kept
		var n int
		require.NoError(t, c.QueryRowContext(ctx, fmt.Sprintf("SELECT %d", i)).Scan(&n))
		require.Equal(t, i, n)
	}
	_, err = c.ExecContext(ctx, "SELECT nothing FROM nowhere")
	require.Error(t, err)
}
