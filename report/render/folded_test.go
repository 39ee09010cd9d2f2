package render

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shedbook/report"
	"shedbook/report/flags"
	"shedbook/schema/unit"
)

// A page has a month's runs and rinses in one line, at its end; what has more to
// say keeps its own, and CSV has every record.
func TestHistoryPageFoldsMonths(t *testing.T) {
	day := func(month time.Month, d int) time.Time { return time.Date(2026, month, d, 8, 0, 0, 0, time.UTC) }
	rinse := func(at time.Time, note string) report.Entry {
		return report.Entry{At: at, Kind: "clean", Number: int64(100 + at.YearDay()), Says: "radiator rinsed",
			Note: note, Rinse: true}
	}
	r := report.HistoryReport{AsOf: day(4, 1), Machine: `R4 "</style>`,
		Months: []report.Month{{Month: "2026-01", Hours: 12, Mud: 2.5}, {Month: "2026-02", Hours: 3}},
		Entries: []report.Entry{rinse(day(1, 5), ""), rinse(day(1, 9), ""), rinse(day(1, 12), "after the flood"),
			{At: day(2, 3), Kind: "topup", Number: 7, Says: "topped up 300 mL"}, rinse(day(3, 1), "")}}
	print := func(f Format) string {
		var b bytes.Buffer
		require.NoError(t, History(&b, r, Papers{}, Options{Format: f}))
		return b.String()
	}
	page := print(HTML)
	for _, want := range []string{"driven 12.0 h, 2.5 h in mud; 2 rinses", "after the flood", "driven 3.0 h",
		"1 rinse<"} {
		assert.Contains(t, page, want)
	}
	assert.Equal(t, 1, strings.Count(page, "radiator rinsed"))
	assert.Less(t, strings.Index(page, "topped up 300"), strings.Index(page, "driven 3.0 h"), "at the month's end")
	assert.Equal(t, 4, strings.Count(print(CSV), "radiator rinsed"))

	// Every sheet of paper has the machine's name and its own number (CSS Paged Media 3, section 4), and the name
	// can't end the style sheet.
	assert.Contains(t, page, `@bottom-left{content:"History of R4 \000022 \00003c \00002f style\00003e "}`)
	assert.Contains(t, page, `@bottom-right{content:"Page " counter(page) " of " counter(pages)}`)
	// What is wrong stands first.
	assert.Less(t, strings.Index(page, "What is open"), strings.Index(page, "At a glance"))
}

// The plots under each other have one scale: a machine that drove half as long has
// bars half as high.
func TestWeeksHaveOneScale(t *testing.T) {
	weeks := []report.Weeks{{Machine: "R1", Hours: []float64{20, 0}, AddedMl: []float64{0, 0}, Overheats: []int{0, 0}},
		{Machine: "R2", Hours: []float64{10, 0}, AddedMl: []float64{0, 0}, Overheats: []int{0, 0}}}
	h := 5.0
	r := report.FleetReport{Machines: []report.FleetRow{{Machine: "R1", EngineHours: &h},
		{Machine: "R2", EngineHours: &h}}}
	var b bytes.Buffer
	require.NoError(t, FleetPage(&b, r, flags.Result{}, report.DueReport{}, weeks, Options{}))
	const whole = 28.0 - 2 // of a drawing, its base line aside
	for _, height := range []float64{whole, whole / 2} {
		assert.Contains(t, b.String(), fmt.Sprintf(`class="hours" x="6%%" y="%s" width="38%%" height="%s"`,
			unit.Short(27-height, 2), unit.Short(height, 2)))
	}
}

// A column that says nothing without another goes where that goes.
func TestColumnsGoTogether(t *testing.T) {
	table := &Table{Columns: []Column{{Key: "machine", Head: "Machine"}, {Key: "clean", Head: "since clean", Drop: 1},
		{Key: "mud", Head: "of it in mud", With: "clean"}, {Key: "says", Head: "What"}}}
	table.Add(Text("R4"), Text("120 hours"), Text("30 hours"), Text("steady-loss"))
	text := func(width int) string {
		var b bytes.Buffer
		table.text(&b, Options{Width: width})
		return b.String()
	}
	assert.Contains(t, text(60), "30 hours")
	narrow := text(30)
	assert.NotContains(t, narrow, "120 hours")
	assert.NotContains(t, narrow, "30 hours")
	assert.Contains(t, strings.Join(strings.Fields(narrow), " "),
		"Hidden, the window is too narrow: since clean, of it in mud.")
}

// Red is for what is parked or flagged: not for a caution, an overheat or overdue
// work.
func TestRedIsForParkedAndFlagged(t *testing.T) {
	h := 5.0
	page := func(r report.FleetReport, due report.DueReport) string {
		var b bytes.Buffer
		require.NoError(t, FleetPage(&b, r, flags.Result{}, due, nil, Options{}))
		_, body, _ := strings.Cut(b.String(), "</style>")
		return body
	}
	row := report.FleetRow{Machine: "R1", EngineHours: &h, OverheatsLast100h: 3}
	due := report.DueReport{Due: []report.Due{{Machine: "R1", Work: "oil", Overdue: true, By: "hours", Every: 100,
		Left: -1}}}
	assert.NotContains(t, page(report.FleetReport{Machines: []report.FleetRow{row}}, due), `class="bad"`)
	row.Open = []report.Matter{{Machine: "R1", Matter: "steady-loss"}}
	assert.Contains(t, page(report.FleetReport{Machines: []report.FleetRow{row}}, due), `class="bad"`)
}

// What the axis of rates shows stands under the plot as text that folds: in the
// drawing it ran out of a phone's window, 390 pixels wide.
func TestRatesAxisFolds(t *testing.T) {
	var b bytes.Buffer
	require.NoError(t, Rates(&b, sampleRates(), Options{Format: HTML}))
	assert.Contains(t, b.String(), `<div class="axisname">times the rate of the rest (log scale)`)
	assert.NotContains(t, b.String(), `<text class="name"`)
}
