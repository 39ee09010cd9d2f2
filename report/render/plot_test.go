package render

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func samplePlots() []plot {
	day := func(n int) time.Time { return noon.AddDate(0, 0, n) }
	nan := math.NaN()
	return []plot{
		&dots{title: "Overheats by driver, against the rest", axis: "times the rate of the others (log scale)",
			one: true, crude: "as counted", adj: "speed, terrain held",
			rows: []dotRow{
				{label: "D3", crude: &Interval{4.1, 1.3, 12, 0.95}, adj: &Interval{1.1, 0.4, 2.9, 0.95}},
				{label: "D1, add, list and rename drivers the long way round", crude: &Interval{0.4, 0.1, 1.5, 0.95},
					adj: &Interval{0.9, 0.3, 2.6, 0.95}},
				{label: "D7", crude: &Interval{0, math.Inf(-1), 8.2, 0.95}},
			}},
		&timeline{title: "Overheats, cleanings and refills", alt: "3 overheats, 2 cleanings and 1 refill in a year.",
			first: day(0), last: day(360),
			gaps: [][2]time.Time{{day(200), day(240)}},
			lanes: []lane{
				{label: "overheats", shape: "cross", class: "heat", glyph: 'x',
					at: []time.Time{day(20), day(90), day(92)}, tips: []string{"steam"}},
				{label: "thorough cleans", shape: "square", class: "clean", glyph: '■',
					at: []time.Time{day(25), day(300)}},
				{label: "refills", shape: "down", class: "refill", glyph: '▼', at: []time.Time{day(95)}},
			}},
		&chart{title: "Overheats a machine against engine hours", xName: "engine hours", yName: "overheats a machine",
			zero: true, alt: "0.9 overheats per machine by 400 h.",
			curves: []curve{{class: "c1", step: true, words: "mean of all machines",
				pts: []point{{0, 0, 0, 0}, {61, 0.1, 0, 0.3}, {200, 0.5, 0.2, 0.8}, {350, 0.9, 0.4, 1.5},
					{400, 0.9, 0.4, 1.5}}}}},
		&chart{title: "Evidence for steady loss", xName: "engine hours", yName: "log10 Bayes factor",
			alt:  "The evidence passed the line at 150 h.",
			line: &level{y: 2.1, words: "enough for a flag"},
			curves: []curve{{class: "c1", pts: []point{{0, 0, nan, nan}, {50, -0.6, nan, nan}, {100, 0.9, nan, nan},
				{180, 3.2, nan, nan}}}},
			events:  []event{{x: 120, shape: "down", class: "refill", glyph: '▼', tip: "refill"}},
			legends: []keyed{{"down", "refill", "▼", "refill"}}},
	}
}

func plotsDoc() *Doc {
	d := sampleDoc()
	d.Lead = []string{"As of 14 Mar 2026 09:30."}
	d.Section("Plots")
	for _, p := range samplePlots() {
		d.Plot(p)
	}
	d.Caution("Never open the cap of a hot system: it scalds.")
	d.List([]string{"Look at the reservoir cold.", "Write down what was added."})
	d.Foot = []string{"Records digest: 9f2c."}
	return d
}

func TestPlotsOnTerminal(t *testing.T) {
	var out strings.Builder
	for _, p := range samplePlots() {
		d := &Doc{}
		d.Plot(p)
		out.WriteString(printed(t, d, Options{}) + "\n")
		for _, w := range []int{30, 40, 60, 80, 120, 200} {
			for _, line := range strings.Split(printed(t, d, Options{Width: w}), "\n") {
				require.LessOrEqual(t, width(line), w, p.name())
			}
		}
	}
	golden(t, "plots.txt", []byte(out.String()))
	d := &Doc{}
	d.Plot(samplePlots()[0])
	assert.Equal(t, "Overheats by driver, against the rest: D3: as counted 4.1 (1.3 to 12.0), speed, terrain held "+
		"1.1 (0.4 to 2.9); "+
		"D1, add, list and rename drivers the long way round: as counted 0.40 (0.10 to 1.50), speed, terrain held "+
		"0.90 (0.30 to 2.60); D7: as counted 0 (up to 8.2).\n",
		printed(t, d, Options{Format: Plain}), "a pipe gets the plot in words")
}

// Every place in a drawing is a finite number, and every plot has its title and
// its text alternative (WCAG 2.2, 1.1.1).
func TestPlotsAreSound(t *testing.T) {
	extremes := []plot{
		&dots{title: "none", crude: "a", adj: "b", rows: []dotRow{{label: "x"}}},
		&dots{title: "wild", crude: "a", rows: []dotRow{{label: "x", crude: &Interval{1e9, 1e-9, math.Inf(1), 0.95}},
			{label: "y", crude: &Interval{0, 0, 0, 0.95}}}},
		&timeline{title: "moment", first: noon, last: noon,
			lanes: []lane{{label: "x", glyph: 'x', at: []time.Time{noon}}}},
		&timeline{title: "ages", first: noon, last: noon.AddDate(150, 0, 0)},
		&timeline{title: "a day", first: noon, last: noon.Add(time.Hour)},
		&chart{title: "nothing"},
		&chart{title: "flat", curves: []curve{{pts: []point{{5, 3, math.NaN(), math.NaN()}}}}},
		&chart{title: "same", curves: []curve{{pts: []point{{5, 3, 3, 3}, {5, 3, 3, 3}}}}},
		&chart{title: "open", curves: []curve{{step: true,
			pts: []point{{0, 1e-9, math.NaN(), math.NaN()}, {1e6, 1e9, 0, math.Inf(1)}, {2e6, 2e9, 1, 2}}}}},
	}
	for _, p := range append(extremes, samplePlots()...) {
		svg := p.svg(Options{})
		assert.NotContains(t, svg, "NaN", p.name())
		assert.NotContains(t, svg, "Inf", p.name())
		assert.Contains(t, svg, "<title>"+p.name())
		assert.Contains(t, svg, "<desc>")
		d := &Doc{}
		d.Plot(p)
		assert.NotContains(t, printed(t, d, Options{}), "NaN", p.name())
	}
	assert.Equal(t, "·▁▄█", spark([]float64{9, 0, 1, 4, 8}, 4))
	assert.Equal(t, "··", spark([]float64{0, math.NaN()}, 9))
}
