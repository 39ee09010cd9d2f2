package render

import (
	"bytes"
	"encoding/csv"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// A text that a spreadsheet program would run is text in a report as in a sheet; a number stays a number.
func TestFormulasAreText(t *testing.T) {
	assert.Equal(t, "'＝1", Text("＝1").csv(Options{}))
	assert.Equal(t, "-7.5", Number(-7.5).csv(Options{}))
}

func TestCSVRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		texts := rapid.SliceOfN(rapid.OneOf(rapid.String(), rapid.StringMatching(`['=+\-@\t",;a-z \n]{0,6}`)), 1,
			5).Draw(t, "texts")
		numbers := rapid.SliceOfN(rapid.Float64(), len(texts), len(texts)).Draw(t, "numbers")
		tab := &Table{Columns: []Column{{Key: "text", Head: "Text"}, {Key: "number", Head: "Number"}}}
		for i := range texts {
			tab.Add(Text(texts[i]), Number(numbers[i]))
		}
		var b bytes.Buffer
		require.NoError(t, writeCSV(&b, tab, Options{}))
		rows, err := csv.NewReader(&b).ReadAll()
		require.NoError(t, err)
		require.Len(t, rows, len(texts)+1)
		for i := range texts {
			cell, number := rows[i+1][0], rows[i+1][1]
			want := legible(texts[i])
			if strings.HasPrefix(cell, "'") && cell != want {
				cell = cell[1:]
			}
			require.Equal(t, want, cell)
			if harmless(texts[i]) {
				require.Equal(t, texts[i], cell, "plain text comes back as it went")
			}
			v, err := strconv.ParseFloat(number, 64)
			require.NoError(t, err)
			require.Equal(t, numbers[i], v, "a figure keeps all its places")
		}
	})
}

// A random table fits its width in every format a terminal shows, and loses no
// cell silently.
func TestRandomTablesFit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 6).Draw(t, "columns")
		tab := &Table{}
		for range n {
			tab.Columns = append(tab.Columns, Column{Key: "k",
				Head: rapid.StringMatching(`[A-Z][a-z]{0,9}( [a-z]{1,6})?`).Draw(t, "head"),
				Drop: rapid.IntRange(0, 3).Draw(t, "drop"), Wrap: rapid.Bool().Draw(t, "wrap")})
		}
		for range rapid.IntRange(1, 4).Draw(t, "rows") {
			var row []Cell
			for range n {
				row = append(row, Text(rapid.String().Draw(t, "cell")))
			}
			tab.Add(row...)
		}
		w := rapid.IntRange(20, 120).Draw(t, "width")
		var b bytes.Buffer
		tab.text(&b, Options{Width: w})
		for _, line := range strings.Split(b.String(), "\n") {
			require.LessOrEqual(t, width(line), max(w, 4*n), "%s", b.String())
		}
		require.NotEmpty(t, tab.forPeople())
		if n == 1 { // one column reads through from top to bottom: nothing is missing but blanks
			for _, row := range tab.Rows {
				want := strings.Join(strings.Fields(row[0].people(&tab.Columns[0], Options{})), "")
				require.Contains(t, strings.Join(strings.Fields(b.String()), ""), want)
			}
		}
	})
}
