package store

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The digests were driven on what the migrations make. With a new migration,
// UPDATE_SHAPES=1 writes its line.
func TestShapes(t *testing.T) {
	var text strings.Builder
	for v := 1; v <= newestVersion(); v++ {
		made, err := emptyBook(context.Background(), v)
		require.NoError(t, err)
		shape, err := shapeOf(context.Background(), made)
		require.NoError(t, err)
		made.Close()
		fmt.Fprintf(&text, "%d %s\n", v, shape)
	}
	if os.Getenv("UPDATE_SHAPES") != "" {
		require.NoError(t, os.WriteFile("shapes.txt", []byte(text.String()), 0o644))
		return
	}
	require.Equal(t, text.String(), shapes, "UPDATE_SHAPES=1 go test ./store -run Shapes")
}

// A book of every version may have been through ANALYZE before it is brought up
// to date, and after. SQLite makes its tables itself here: what they are called and
// how they are made is its own.
func TestAnalyzedBooks(t *testing.T) {
	ctx := context.Background()
	for v := 1; v <= newestVersion(); v++ {
		path := filepath.Join(t.TempDir(), "b.db")
		if name := fmt.Sprintf("v%d.db", v); v < newestVersion() {
			path = older(t, name)
		} else {
			b, err := Create(ctx, path, clock)
			require.NoError(t, err)
			stock(t, b)
			require.NoError(t, b.Close())
		}
		tamper(t, path, "ANALYZE")
		b, err := Open(ctx, path, clock)
		require.NoError(t, err, "version %d", v)
		_, err = b.db.Exec("ANALYZE")
		require.NoError(t, err)
		found, err := b.Verify(ctx)
		require.NoError(t, err)
		for _, f := range found {
			require.Empty(t, f.Wrong, "version %d: %s", v, f.Check)
		}
		require.NoError(t, b.Close())
	}
}
