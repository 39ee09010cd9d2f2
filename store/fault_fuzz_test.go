package store

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// Whatever stands in the file, opening and looking through it ends, does not
// panic, changes nothing, and says what is wrong in words of ours. A file is a
// text of the fuzzer's, or a book in which it wrote over a few bytes and from
// which it cut the end.
func FuzzOpenBook(f *testing.F) {
	whole, err := os.ReadFile("../testdata/book/v1.db")
	require.NoError(f, err)
	dir := f.TempDir()
	up := filepath.Join(dir, "up.db")
	require.NoError(f, os.WriteFile(up, whole, 0o600))
	b, err := Open(context.Background(), up, clock)
	require.NoError(f, err)
	require.NoError(f, b.Close())
	whole, err = os.ReadFile(up)
	require.NoError(f, err)

	f.Add([]byte("SQLite format 3\x00"), uint32(0), []byte(nil), uint32(0))
	f.Add(whole[:100], uint32(0), []byte(nil), uint32(0))
	f.Add(append(bytes.Clone(whole[:100]), make([]byte, 5000)...), uint32(0), []byte(nil), uint32(0))
	f.Add([]byte(nil), uint32(16), []byte{0x10, 0x00}, uint32(0))             // the page's size
	f.Add([]byte(nil), uint32(18), []byte{3, 3}, uint32(0))                   // a format newer than SQLite's
	f.Add([]byte(nil), uint32(28), []byte{0, 0, 0, 1}, uint32(0))             // how many pages there are
	f.Add([]byte(nil), uint32(32), []byte{0, 0, 0, 9, 0, 0, 0, 9}, uint32(0)) // a list of free pages
	f.Add([]byte(nil), uint32(56), []byte{0, 0, 0, 2}, uint32(0))             // the text's encoding
	f.Add([]byte(nil), uint32(100), []byte{5}, uint32(0))                     // an inner page
	f.Add([]byte(nil), uint32(103), []byte{0xff, 0xff}, uint32(0))            // too many cells
	f.Add([]byte(nil), uint32(4096), []byte{13, 0, 0, 0, 200}, uint32(0))
	f.Add([]byte(nil), uint32(0), []byte(nil), uint32(5000))
	f.Fuzz(func(t *testing.T, raw []byte, at uint32, patch []byte, cut uint32) {
		data := raw
		if len(raw) == 0 {
			data = bytes.Clone(whole)
			copy(data[int(at)%len(data):], patch)
			data = data[:len(data)-int(cut)%len(data)]
		}
		path := filepath.Join(dir, "b.db")
		for _, left := range []string{"", "-wal", "-shm", "-journal"} {
			require.NoError(t, os.RemoveAll(path+left))
		}
		require.NoError(t, os.WriteFile(path, data, 0o600))
		older := len(data) > 63 && int(data[63]) < newestVersion()
		ctx := context.Background()
		v, err := View(ctx, path)
		if err == nil {
			defer v.Close()
			found, err := v.Verify(ctx)
			require.NoError(t, err)
			wrong := 0
			for _, f := range found {
				wrong += len(f.Wrong)
			}
			if is, err := contents(t, v); wrong == 0 && !older {
				require.NoError(t, err)
				require.NotEmpty(t, is)
			}
		} else {
			var e *Error
			require.ErrorAs(t, err, &e, "%v", err)
			require.NotEmpty(t, e.Hint, "%v", err)
		}
		if !older { // else looking brings it up to date
			after, err := os.ReadFile(path)
			require.NoError(t, err)
			require.True(t, bytes.Equal(data, after), "who looks writes nothing")
		}
	})
}
