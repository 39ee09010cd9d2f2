package render

import (
	"bytes"
	"flag"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shedbook/schema/unit"
)

var update = flag.Bool("update", false, "write the golden files under testdata/render anew")

// golden compares with a file that a reader has looked at: it pins the layout,
// not the arithmetic, which is tested where it is done.
func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("..", "..", "testdata", "render", name)
	if *update {
		require.NoError(t, os.WriteFile(path, got, 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err, "run with -update once, and look at the file")
	assert.Equal(t, string(want), string(got))
}

func printed(t *testing.T, d *Doc, o Options) string {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, d.Print(&b, o))
	return b.String()
}

var noon = time.Date(2026, 3, 14, 9, 30, 0, 0, time.UTC)

func sampleTable() *Table {
	t := &Table{Title: "Coolant", Columns: []Column{
		{Key: "machine", Head: "Machine"},
		{Key: "hours", Head: "Hours", Unit: unit.Hours},
		{Key: "topped_up_ml", Head: "Topped up", Unit: unit.Millilitres, Drop: 2},
		{Key: "rate_ml_per_h", Head: "Loss", Unit: unit.Millilitres, Per: "/h", Span: true},
		{Key: "last", Head: "Last reading", Drop: 3},
		{Key: "note", Head: "What it says", Wrap: true},
		{Key: "serial"},
	}, Notes: []string{"2 of 9 stretches began while the level was settling."}}
	t.Add(Text("R4"), Number(182.44), Number(2150), Estimated(&Interval{7.68, 4.1, 12.44, 0.95}), Day(noon),
		Text("Steady: about the same every hour.").Hint(Bad), Text("=1+1"))
	t.Add(Text("R11"), Number(1040), Number(50), Estimated(&Interval{0, math.Inf(-1), 0.31, 0.95}), Cell{},
		Text("Nothing unexplained."), Text("-7"))
	return t
}

func sampleDoc() *Doc {
	d := &Doc{Title: "Coolant of 2 machines"}
	d.Table(sampleTable())
	d.Warn("R11 has one mark only.")
	return d
}

func TestTableOnTerminal(t *testing.T) {
	golden(t, "table-80.txt", []byte(printed(t, sampleDoc(), Options{})))
	golden(t, "table-44.txt", []byte(printed(t, sampleDoc(), Options{Width: 44})))
	golden(t, "table-us.txt", []byte(printed(t, sampleDoc(), Options{Units: unit.US})))
	golden(t, "table-plain.txt", []byte(printed(t, sampleDoc(), Options{Format: Plain})))
	golden(t, "table.csv", []byte(printed(t, sampleDoc(), Options{Format: CSV})))
}

// A table fits the width it is given whatever its cells, and what it leaves out
// it names.
func TestTableFitsAndDropsNothingSilently(t *testing.T) {
	for w := 20; w <= 140; w++ {
		out := printed(t, sampleDoc(), Options{Width: w})
		for _, line := range strings.Split(out, "\n") {
			require.LessOrEqual(t, width(line), w, "width %d:\n%s", w, out)
		}
		joined := strings.Join(strings.Fields(out), " ")
		for _, c := range sampleTable().Columns {
			if c.Head != "" && w >= 33 { // under that a head itself is broken over lines
				for _, word := range strings.Fields(c.Head) {
					assert.Contains(t, joined, word, "width %d", w)
				}
			}
		}
	}
}

func TestColourIsAHintOnly(t *testing.T) {
	plain := printed(t, sampleDoc(), Options{})
	colour := printed(t, sampleDoc(), Options{Color: true})
	assert.NotContains(t, plain, "\x1b")
	assert.Contains(t, colour, "\x1b[31mSteady")
	stripped := colour
	for _, code := range []string{"\x1b[0m", "\x1b[1m", "\x1b[2m", "\x1b[31m"} {
		stripped = strings.ReplaceAll(stripped, code, "")
	}
	assert.Equal(t, plain, stripped, "colour takes no room and changes no word")
	assert.NotContains(t, printed(t, sampleDoc(), Options{Format: Plain, Color: true}), "\x1b",
		"a pipe is never coloured")
}

// ECMA-48 control sequences begin with ESC or, in one byte, with U+009B; the
// marks of direction were driven on Unicode Standard Annex 9.
func TestEscapeCodesAreShownNotObeyed(t *testing.T) {
	evil := "a\x1b[2J\x1b]0;owned\x07b\u009b31mc\u202etxt\x00\x7f\r\nnext\tcell\xff"
	d := &Doc{Title: evil, Lead: []string{evil}, Foot: []string{evil}}
	d.Section(evil)
	d.Say(evil)
	d.Warn(evil)
	d.Caution(evil)
	d.List([]string{evil})
	tab := &Table{Title: evil, Columns: []Column{{Key: "a", Head: evil}, {Key: "b", Head: "B", Wrap: true}},
		Notes: []string{evil}}
	tab.Add(Text(evil), Text(evil))
	d.Table(tab)
	d.Table(&Table{Columns: tab.Columns, Empty: evil})
	d.Plot(&dots{title: evil, axis: evil, crude: "crude", adj: "adjusted",
		rows: []dotRow{{label: evil, crude: &Interval{1, 0.5, 2, 0.95}}}})
	d.Plot(&timeline{title: evil, alt: evil, first: noon, last: noon.AddDate(1, 0, 0),
		lanes: []lane{{label: evil, glyph: 'x', at: []time.Time{noon}, tips: []string{evil}}}})
	d.Plot(&chart{title: evil, alt: evil, xName: evil, yName: evil,
		curves: []curve{{words: evil, pts: []point{{0, 1, 0, 2}, {1, 2, 1, 3}}}}})
	for _, f := range []Format{Terminal, Plain, CSV, HTML} {
		out := printed(t, d, Options{Format: f})
		for _, r := range out {
			bad := r < ' ' && r != '\n' && !(f == CSV && r == '\t') || r == 0x7f || r >= 0x80 && r < 0xa0 ||
				r == 0x202e || r == 0xfffd && f == JSON
			require.False(t, bad, "format %d lets %U through", f, r)
		}
		assert.Contains(t, out, "a␛[2J", "format %d shows what it does not obey", f)
	}
	var b bytes.Buffer
	require.NoError(t, writeJSON(&b, map[string]string{"note": "a\u009b\x7f\u202e<&>"}))
	assert.Equal(t, "{\n  \"note\": \"a\\u009b\\u007f\\u202e<&>\"\n}\n", b.String())
}

func TestMarkupIsInert(t *testing.T) {
	evil := `</title></style></svg><script>alert(1)</script><img src=x onerror=alert(1)>"'&`
	d := &Doc{Title: evil, Lead: []string{evil}, Foot: []string{evil}}
	d.Section(evil)
	d.Say(evil)
	d.Caution(evil)
	d.List([]string{evil})
	tab := &Table{Title: evil, Columns: []Column{{Key: "a", Head: evil}}, Notes: []string{evil}}
	tab.Add(Text(evil))
	d.Table(tab)
	d.Plot(&dots{title: evil, axis: evil, crude: evil, adj: evil,
		rows: []dotRow{{label: evil, crude: &Interval{1, 0.5, 2, 0.95}}}})
	d.Plot(&timeline{title: evil, alt: evil, first: noon, last: noon.AddDate(1, 0, 0),
		lanes: []lane{{label: evil, shape: "dot", at: []time.Time{noon}, tips: []string{evil}}}})
	d.Plot(&chart{title: evil, alt: evil, xName: evil, yName: evil,
		curves: []curve{{words: evil, pts: []point{{0, 1, 0, 2}, {1, 2, 1, 3}}}}})
	out := printed(t, d, Options{Format: HTML})
	assert.NotContains(t, out, "<script")
	assert.NotContains(t, out, "<img")
	assert.Equal(t, 1, strings.Count(out, "</title></style>")+strings.Count(out, "</style>"))
}

func TestEmptyTableIsASentence(t *testing.T) {
	d := &Doc{}
	d.Table(&Table{Columns: []Column{{Key: "a", Head: "A"}}, Empty: "No machine is in the book yet."})
	assert.Equal(t, "No machine is in the book yet.\n", printed(t, d, Options{}))
	assert.Equal(t, "No machine is in the book yet.\n", printed(t, d, Options{Format: Plain}))
	assert.Equal(t, "a\n", printed(t, d, Options{Format: CSV}), "a CSV without rows is its header")
	assert.NotContains(t, printed(t, d, Options{Format: HTML}), "<table")
}

func TestFiguresForPeople(t *testing.T) {
	ratio := &Column{}
	for want, e := range map[string]Interval{
		"4.1 (1.3 to 12.0)": {4.1, 1.3, 12, 0.95},
		"1.1 (0.4 to 2.9)":  {1.12, 0.43, 2.88, 0.95},
		"0 (up to 0.31)":    {0, math.Inf(-1), 0.31, 0.95},
		"0 (0 to 2.4)":      {0, 0, 2.44, 0.95},
		"3.0 (0.9 or more)": {3, 0.9, math.Inf(1), 0.95},
		"214 (93 to 4100)":  {214.2, 93.1, 4100, 0.95},
	} {
		assert.Equal(t, want, intervalText(e, ratio, unit.Metric))
	}
	// NIST SP 811 (2008), B.8: 1 US fluid ounce = 29.57353 mL, so 7.7 mL is 0.26 fl oz.
	rate := &Column{Unit: unit.Millilitres, Per: "/h"}
	assert.Equal(t, "0.26 (0.14 to 0.42)", intervalText(Interval{7.7, 4.1, 12.4, 0.95}, rate, unit.US))
	assert.Equal(t, "fl oz/h", rate.label(unit.US))
	v, label := shown(100, unit.Celsius, unit.US)
	assert.InDelta(t, 212, v, 1e-9) // definition of the Fahrenheit degree: water boils at 212
	assert.Equal(t, "°F", label)
	p := 0.0004
	assert.Equal(t, "<0.001", Chance(&p).people(ratio, Options{}))
}

func TestTicksAreRound(t *testing.T) {
	_, ticks := linear(0, 182.4, 4)
	var labels []string
	for _, k := range ticks {
		labels = append(labels, k.label)
	}
	assert.Equal(t, []string{"0", "50", "100", "150", "200"}, labels)
	_, ticks = linear(0.01, 0.034, 3)
	assert.Equal(t, "0.01", ticks[0].label)
	s, ticks := ratios(0.3, 14, 9)
	labels = nil
	for _, k := range ticks {
		labels = append(labels, k.label)
	}
	assert.Equal(t, []string{"0.2", "0.5", "1", "2", "5", "10", "20"}, labels)
	assert.InDelta(t, 0.5, s.place(math.Sqrt(0.2*20)), 1e-12)
	_, ticks = calendar(noon, noon.AddDate(1, 0, 0), time.UTC, 6)
	labels = nil
	for _, k := range ticks {
		labels = append(labels, k.label)
	}
	assert.Equal(t, []string{"Apr 2026", "Jul", "Oct", "Jan 2027"}, labels)
}
