package main

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/store"
	"shedbook/store/ticket"
)

// The exit codes are those of shedbook; with real servers store/hub is tested.
func TestExitCodes(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "book.db")
	require.Equal(t, exitWords, run(ctx, nil))
	require.Equal(t, exitFailed, run(ctx, []string{"--book", path}), "there is no book")
	b, err := store.Create(ctx, path, time.Now)
	require.NoError(t, err)
	defer b.Close()
	require.Equal(t, exitWords, run(ctx, []string{"--book", path}), "it knows no hub")
	require.NoError(t, b.Found(ctx, "N", "North yard"))
	seed, _, err := ticket.Key()
	require.NoError(t, err)
	// Port 1 is tcpmux's (RFC 1078), which hardly anybody runs.
	require.NoError(t, b.SetHub(ctx, &store.Hub{Addresses: "tls://127.0.0.1:1", Authority: "none", Seed: seed,
		Seal: store.NewSeal()}))
	require.Equal(t, exitFailed, run(ctx, []string{"--book", path}), "nobody is there")
	entries, _, ever, err := b.WaitForHub(ctx)
	require.NoError(t, err)
	require.EqualValues(t, 1, entries)
	require.False(t, ever)
	release, err := store.LockExchange(path)
	require.NoError(t, err)
	require.Equal(t, exitBusy, run(ctx, []string{"--book", path}))
	release()
	// Asked to stop, a service ends well.
	stopping, stop := context.WithTimeout(ctx, 300*time.Millisecond)
	defer stop()
	require.Zero(t, run(stopping, []string{"--book", path, "--follow"}))
}
