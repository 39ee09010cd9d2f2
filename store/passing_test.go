package store

import (
	"os"
	"path/filepath"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Many who begin at once clear up after each other, and never what another is at.
func TestPassingAtOnce(t *testing.T) {
	in := t.TempDir()
	var wait sync.WaitGroup
	for range 8 {
		wait.Go(func() {
			for range 100 {
				dir, done, err := Passing(in)
				if !assert.NoError(t, err) {
					return
				}
				file := filepath.Join(dir, "half")
				assert.NoError(t, os.WriteFile(file, nil, 0o600))
				clearPassing(in)
				assert.FileExists(t, file)
				done()
			}
		})
	}
	wait.Wait()
	entries, err := os.ReadDir(in)
	require.NoError(t, err)
	require.Empty(t, entries)
}
