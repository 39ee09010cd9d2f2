package sheet

import (
	"bytes"
	"io"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"
	"pgregory.net/rapid"

	"shedbook/schema"
	"shedbook/schema/unit"
)

// tabOf opens the tab of a kind.
func tabOf(t require.TestingT, w *Workbook, name string) *Tab {
	for _, info := range w.Tabs() {
		if info.Name == name {
			tab, err := w.Open(info)
			require.NoError(t, err)
			return tab
		}
	}
	require.Fail(t, "no tab "+name)
	return nil
}

// Whatever a book holds of any kind, its workbook reads back as equal records.
func TestWorkbookRoundTrip(t *testing.T) {
	berlin, err := unit.ParseZone("Europe/Berlin")
	require.NoError(t, err)
	known := schema.NewKnown([]string{"R1", "=R2", "'; DROP TABLE runs;--", "-3", "#"}, []string{"Ines Varga", "+Tom", "''@", "A, B; \"C\""}, nil, berlin)
	tried := map[string]int{}
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.SampledFrom(schema.Kinds).Draw(t, "kind")
		var records []schema.Record
		for range rapid.IntRange(1, 5).Draw(t, "n") {
			if rec := draw(t, k, known); k.Check(rec) == nil {
				records = append(records, rec)
			}
		}
		var b bytes.Buffer
		w, err := NewWorkbookWriter(&b, []*schema.Kind{k}, known)
		require.NoError(t, err)
		for _, rec := range records {
			require.NoError(t, w.Write(rec))
		}
		require.NoError(t, w.Close())
		book, err := NewWorkbook(bytes.NewReader(b.Bytes()), int64(b.Len()), "book.xlsx")
		require.NoError(t, err)
		r, err := NewReader(tabOf(t, book, k.Sheet), "book.xlsx", k)
		require.NoError(t, err)
		for _, want := range records {
			row, err := r.Next()
			require.NoError(t, err)
			got, wrong := r.Record(row, known)
			require.Empty(t, wrong)
			if d := k.Differ(want, got); len(d) > 0 {
				t.Fatalf("%s: %#v read back as %#v", d[0].Name, d[0].Pointer(want), d[0].Pointer(got))
			}
			tried[k.Name]++
		}
		_, err = r.Next()
		require.Equal(t, io.EOF, err)
		// A reader that is not ours finds as many rows.
		f, err := excelize.OpenReader(&b)
		require.NoError(t, err)
		rows, err := f.GetRows(k.Sheet)
		require.NoError(t, err)
		require.Len(t, rows, 1+len(records))
	})
	t.Log("records by kind:", tried)
	assert.NotEmpty(t, tried)
}
