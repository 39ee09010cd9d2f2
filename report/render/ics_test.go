package render

import (
	"bytes"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	ics "github.com/arran4/golang-ical"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"shedbook/report"
)

// readCalendar writes the work, and reads it back by a library other than the one that wrote it.
func readCalendar(t require.TestingT, r report.DueReport, zone *time.Location) (raw string, events []*ics.VEvent) {
	var b bytes.Buffer
	n, err := Calendar(&b, r, Options{Zone: zone})
	require.NoError(t, err)
	cal, err := ics.ParseCalendar(bytes.NewReader(b.Bytes()))
	require.NoError(t, err)
	events = cal.Events()
	require.Len(t, events, n)
	return b.String(), events
}

func property(t require.TestingT, e *ics.VEvent, name ics.ComponentProperty) string {
	p := e.GetProperty(name)
	require.NotNil(t, p, name)
	return p.Value
}

func TestCalendar(t *testing.T) {
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	at := func(s string) *time.Time {
		v, err := time.Parse(time.RFC3339, s)
		require.NoError(t, err)
		return &v
	}
	r := report.DueReport{AsOf: *at("2026-03-14T12:00:00Z"), Due: []report.Due{
		{Machine: "R4", Work: "valve clearance", Plan: 7, Overdue: true, When: at("2026-03-14T12:00:00Z"),
			Says: "R4: valve clearance overdue by 3 h (every 50, last done 2026-01-02)"},
		// 2 July in Lisbon's summer
		{Machine: "R4", Work: "oil, filter; plug\\gap", Plan: 8, When: at("2026-07-01T23:30:00Z"),
			Says: "R4: oil in 20 h: about 2026-07-02"},
		// still 31 December
		{Machine: "W2", Work: report.CleaningWork, When: at("2026-12-31T23:30:00Z"), Says: "W2: thorough clean"},
		{Machine: "R5", Work: "belt", Plan: 7, Says: "R5: belt: no date"},
	}}
	raw, events := readCalendar(t, r, lisbon)
	require.Len(t, events, 3) // what has no date is left out
	assert.True(t, strings.HasPrefix(raw, "BEGIN:VCALENDAR\r\n"))
	assert.True(t, strings.HasSuffix(raw, "END:VEVENT\r\nEND:VCALENDAR\r\n"))
	// RFC 5545, section 3.6.6: an alarm that is displayed has ACTION, DESCRIPTION and TRIGGER, each once.
	for _, e := range events {
		if alarms := e.Alarms(); assert.Len(t, alarms, 1) {
			for name, want := range map[ics.ComponentProperty]string{"ACTION": "DISPLAY", "TRIGGER": "PT7H",
				"DESCRIPTION": property(t, e, ics.ComponentPropertySummary)} {
				if p := alarms[0].GetProperty(name); assert.NotNil(t, p, name) {
					assert.Equal(t, want, p.Value)
				}
			}
		}
	}
	_, advice := readCalendar(t, report.DueReport{AsOf: r.AsOf,
		Due: []report.Due{{Machine: "W2", Work: report.CleaningWork, Advice: true, When: at("2026-03-14T12:00:00Z")}}},
		lisbon)
	assert.Empty(t, advice[0].Alarms(), "advice rings no bell")
	assert.Equal(t, "W2: thorough clean (advice)", property(t, advice[0], ics.ComponentPropertySummary))
	assert.Contains(t, raw, "\r\nVERSION:2.0\r\n")
	assert.Contains(t, raw, "\r\nPRODID:-//")
	var summaries, days []string
	for _, e := range events {
		summaries = append(summaries, property(t, e, ics.ComponentPropertySummary))
		days = append(days, property(t, e, ics.ComponentPropertyDtStart))
		assert.Equal(t, []string{"DATE"}, e.GetProperty(ics.ComponentPropertyDtStart).ICalParameters["VALUE"])
		assert.Equal(t, "20260314T120000Z", property(t, e, ics.ComponentPropertyDtstamp))
		// From 2020-01-01 to 2026-03-14 are 6 years of 365 days, 2 leap days and 72 days: 2264 days and 12 hours.
		assert.Equal(t, "3260880", property(t, e, ics.ComponentPropertySequence))
		says := property(t, e, ics.ComponentPropertyDescription)
		assert.Contains(t, says, "\n\nBefore work: let the engine cool")
		assert.Contains(t, says, "The maker's manual comes first; brakes")
		assert.True(t, strings.HasPrefix(says, property(t, e, ics.ComponentPropertySummary)[:2]))
	}
	assert.Equal(t, []string{"R4: valve clearance (overdue)", "R4: oil, filter; plug\\gap", "W2: thorough clean"},
		summaries)
	assert.Equal(t, []string{"20260314", "20260702", "20261231"}, days)

	// Done, and due again later: the same event moves, by a higher SEQUENCE, also where blanks and letters' case
	// changed.
	later := report.DueReport{AsOf: *at("2026-03-14T12:05:00Z"), Due: []report.Due{
		{Machine: "R4", Work: "Valve  Clearance", Plan: 7, When: at("2026-09-01T10:00:00Z")},
		{Machine: "R5", Work: "valve clearance", Plan: 7, When: at("2026-09-01T10:00:00Z")}}}
	_, again := readCalendar(t, later, lisbon)
	assert.Equal(t, events[0].Id(), again[0].Id())
	assert.Equal(t, "3260885", property(t, again[0], ics.ComponentPropertySequence))
	ids := map[string]bool{}
	for _, e := range append(events, again[1]) {
		ids[e.Id()] = true
	}
	assert.Len(t, ids, 4, "every machine's every work is an event of its own")

	var b bytes.Buffer
	n, err := Calendar(&b, report.DueReport{AsOf: r.AsOf, Due: r.Due[3:]}, Options{})
	require.NoError(t, err)
	assert.Zero(t, n)
	assert.Empty(t, b.String())
}

// Whatever the log's texts are, lines hold 75 octets at most without their CRLF, are whole characters (RFC 5545, 3.1),
// and read back as they were.
func TestCalendarLines(t *testing.T) {
	when := time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringOf(rapid.SampledFrom([]rune("ab ,;:\\\"n'=é😀ー"))).Draw(t, "text")
		text = "x" + strings.TrimSpace(text) + strings.Repeat("é", rapid.IntRange(0, 80).Draw(t, "more")) + "x"
		raw, events := readCalendar(t, report.DueReport{AsOf: when,
			Due: []report.Due{{Machine: "R4", Work: text, When: &when, Says: text}}}, time.UTC)
		if strings.Contains(strings.ReplaceAll(raw, "\r\n", ""), "\n") ||
			strings.Contains(strings.ReplaceAll(raw, "\r\n", ""), "\r") {
			t.Fatal("a line ends otherwise than in CRLF")
		}
		for line := range strings.SplitSeq(raw, "\r\n") {
			if len(line) > 75 || !utf8.ValidString(line) {
				t.Fatalf("%d octets: %q", len(line), line)
			}
		}
		if got := property(t, events[0], ics.ComponentPropertySummary); got != "R4: "+text {
			t.Fatalf("%q read back as %q", "R4: "+text, got)
		}
	})
}

// What a terminal or a calendar might obey is shown instead.
func TestCalendarControls(t *testing.T) {
	when := time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)
	raw, _ := readCalendar(t, report.DueReport{AsOf: when,
		Due: []report.Due{{Machine: "R4\r\nATTENDEE:x", Work: "a\x1b[31m\x00", When: &when, Says: "one\ntwo\r"}}},
		time.UTC)
	for _, c := range strings.ReplaceAll(raw, "\r\n", "") {
		assert.False(t, c < ' ' || c == 0x7f, "%U", c)
	}
	assert.NotContains(t, raw, "\r\nATTENDEE")
}
