package store

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

// BenchmarkLogs reads a fleet's logs of 100,000 packed runs on 20 machines, and what lies beside them.
func BenchmarkLogs(b *testing.B) {
	ctx := context.Background()
	book, err := Create(ctx, b.TempDir()+"/book.db", clock)
	require.NoError(b, err)
	defer book.Close()
	for m := range 20 {
		_, err := book.Record(ctx, &schema.Machine{Name: fmt.Sprintf("M%d", m)})
		require.NoError(b, err)
	}
	var runs strings.Builder
	runs.WriteString("ref,machine,start,hours,terrain,speed\n")
	at := time.Date(2020, 1, 1, 8, 0, 0, 0, time.UTC)
	for i := range 100_000 {
		fmt.Fprintf(&runs, "%d,M%d,%s,%.1f,mud,fast\n", i, i%20,
			at.Add(time.Duration(i)*time.Minute).Format(time.RFC3339), 0.5+float64(i%30)/10)
	}
	_, err = book.Import(ctx, []Source{sheetOf("runs", runs.String())}, ImportOptions{})
	require.NoError(b, err)
	b.ResetTimer()
	for range b.N {
		n := 0
		for l, err := range book.Logs(ctx) {
			require.NoError(b, err)
			n += l.Len()
		}
		require.Equal(b, 100_000, n)
	}
}
