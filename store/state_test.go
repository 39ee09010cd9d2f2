package store

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

// However closely writes and looks follow each other, a state once told is that
// of the same records; and soon after a write there is one to tell.
func TestAStateIsOfTheSameRecords(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "b.db")
	records := map[string]int{} // by state
	for n := range 25 {
		b, err := Create(ctx, path, time.Now)
		require.NoError(t, err)
		_, err = b.Record(ctx, &schema.Driver{Name: string(rune('a' + n))})
		require.NoError(t, err)
		require.NoError(t, b.Close())
		v, err := View(ctx, path)
		require.NoError(t, err)
		seen := n < 15 // the later ones are looked at until there is one, however busy the machine is
		for time.Since(written(t, path)) < time.Duration(n*4)*time.Millisecond || !seen && time.Since(written(t, path)) < time.Minute {
			if s := v.State(); s != "" {
				was, told := records[s]
				require.True(t, !told || was == n, "the state of %d records is told of %d", was, n)
				records[s], seen = n, true
			}
		}
		require.NoError(t, v.Close())
	}
	require.Greater(t, len(records), 5, "a twentieth of a second after a write there is a state")

	// Where a disk's times are of whole seconds it takes longer.
	now := time.Now().Truncate(time.Second)
	require.NoError(t, os.Chtimes(path, now, now.Add(-time.Second)))
	v, err := View(ctx, path)
	require.NoError(t, err)
	defer v.Close()
	require.Empty(t, v.State())
	require.NoError(t, os.Chtimes(path, now, now.Add(-4*time.Second)))
	require.NotEmpty(t, v.State())
}

// A book put in the place of one that is open is not told as that one.
func TestAStateIsOfTheBookThatIsOpen(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "b.db")
	other := filepath.Join(filepath.Dir(path), "o.db")
	for _, p := range []string{path, other} {
		b, err := Create(ctx, p, time.Now)
		require.NoError(t, err)
		require.NoError(t, b.Close())
		past := time.Now().Add(-time.Hour)
		require.NoError(t, os.Chtimes(p, past, past))
	}
	v, err := View(ctx, path)
	require.NoError(t, err)
	defer v.Close()
	require.NotEmpty(t, v.State())
	require.NoError(t, os.Rename(other, path))
	require.Empty(t, v.State())
}

func written(t *testing.T, path string) time.Time {
	info, err := os.Stat(path)
	require.NoError(t, err)
	return info.ModTime()
}
