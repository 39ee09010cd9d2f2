package store

import (
	"context"
	"fmt"
	"os"
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
