package unit

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	loc, err := ParseZone(name)
	require.NoError(t, err)
	return loc
}

// The examples of RFC 3339 (2002) section 5.8, and the local forms.
func TestParseSheetTime(t *testing.T) {
	two := zone(t, "UTC+2")
	for _, c := range []struct{ in, want string }{
		// RFC 3339 5.8, to the second
		{"1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50Z"},
		{"1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57Z"}, // RFC 3339 5.8
		// RFC 3339 5.6: T and Z may be lower case
		{"1985-04-12t23:20:50z", "1985-04-12T23:20:50Z"},
		// RFC 3339 5.6: a space for the T
		{"1990-12-31 15:59:00-08:00", "1990-12-31T23:59:00Z"},
		// local, two hours east
		{"2025-01-11 08:45", "2025-01-11T06:45:00Z"}, {"2025-01-11T08:45", "2025-01-11T06:45:00Z"},
		{"2025-01-11 8:45:30", "2025-01-11T06:45:30Z"}, {"2025-01-11", "2025-01-10T22:00:00Z"},
		{" 2025-1-9 ", "2025-01-08T22:00:00Z"},
		{"2025/01/11 08:45", "2025-01-11T06:45:00Z"},
		// leap days: every 4th year, and every 400th
		{"2024-02-29", "2024-02-28T22:00:00Z"}, {"2000-02-29 12:00", "2000-02-29T10:00:00Z"},
		{"1950-01-01 00:00", "1949-12-31T22:00:00Z"}, {"2200-12-31 23:59", "2200-12-31T21:59:00Z"},
	} {
		got, note, err := ParseSheetTime(c.in, two, "")
		if assert.NoError(t, err, c.in) {
			assert.Equal(t, c.want, got.Format(time.RFC3339), c.in)
			assert.Empty(t, note)
		}
	}
}

func TestParseSheetTimeRefuses(t *testing.T) {
	for _, c := range []struct{ in, want string }{
		{"31/02/2025 9am",
			`"31/02/2025 9am" is not a day, as February 2025 has 28 days: write year-month-day, such as 2025-02-28 09:00`},
		{"03/04/2026 9:00",
			`"03/04/2026 9:00" does not say which is the day and which the month: write 2026-04-03 09:00 or 2026-03-04 09:00`},
		{"14.03.2026", `"14.03.2026" is not written year-month-day: write 2026-03-14`},
		{"3/14/26 2:30 pm", `"3/14/26 2:30 pm" is not written year-month-day: write 2026-03-14 14:30`},
		{"2025-02-29", `"2025-02-29" has no such day: February 2025 has 28 days`},
		{"1900-02-29", `"1900-02-29" is outside the years 1950 to 2200`},
		{"2100-02-29", `"2100-02-29" has no such day: February 2100 has 28 days`}, // a century, not a leap year
		{"2025-13-01", `"2025-13-01" has no month 13: write year-month-day, such as 2026-03-14 09:30`},
		{"2025-01-01 24:00", `"2025-01-01 24:00" is the end of a day: write 00:00 of the next day`},
		{"2025-01-01 25:00", `"2025-01-01 25:00" has no such time of day: write 00:00 to 23:59`},
		{"2025-01-01T10:00:60Z", `"2025-01-01T10:00:60Z" has no such time of day: write 00:00 to 23:59`},
		{"1949-12-31", `"1949-12-31" is outside the years 1950 to 2200`},
		{"2201-01-01", `"2201-01-01" is outside the years 1950 to 2200`},
		{"0000-00-00", `"0000-00-00" is outside the years 1950 to 2200`},
		{"yesterday 9:00", `"yesterday 9:00" is not a time: write 2026-03-14 09:30`},
		{"14:30", `"14:30" is not a time: write 2026-03-14 09:30`},
		{"45731.39", `"45731.39" is not a time: write 2026-03-14 09:30`},
		{"", `"" is not a time: write 2026-03-14 09:30`},
		{"2025-01-01 10:00 +2", `"2025-01-01 10:00 +2" is not a time: write 2026-03-14 09:30`},
		{"2025-01-01T10:00+99:00", `"2025-01-01T10:00+99:00" is not a time: write 2026-03-14 09:30`},
	} {
		_, _, err := ParseSheetTime(c.in, time.UTC, "")
		assert.EqualError(t, err, c.want)
	}
}

// Changes of the clocks as the IANA time zone database has them: Europe/Berlin forward at 01:00 UTC on 2026-03-29 and
// back at 01:00 UTC on 2026-10-25 (Directive 2000/84/EC: last Sundays of March and October); America/New_York forward
// at 07:00 UTC on 2026-03-08 (US Energy Policy Act of 2005); Lord Howe by half an hour on 2026-04-05 at 02:00 local
// summer time; Pacific/Apia left out 2011-12-30 whole.
func TestClocksChange(t *testing.T) {
	for _, c := range []struct{ zone, in, want, note, err string }{
		{"Europe/Berlin", "2026-03-29 01:59", "2026-03-29T00:59:00Z", "", ""},
		{"Europe/Berlin", "2026-03-29 02:00", "", "",
			`"2026-03-29 02:00" does not exist in Europe/Berlin, because the clocks go forward then: write 2026-03-29 03:00, or add the offset`},
		{"Europe/Berlin", "2026-03-29 02:59", "", "",
			`"2026-03-29 02:59" does not exist in Europe/Berlin, because the clocks go forward then: write 2026-03-29 03:59, or add the offset`},
		{"Europe/Berlin", "2026-03-29 03:00", "2026-03-29T01:00:00Z", "", ""},
		{"Europe/Berlin", "2026-10-25 01:59", "2026-10-24T23:59:00Z", "", ""},
		{"Europe/Berlin", "2026-10-25 02:30", "2026-10-25T00:30:00Z",
			`"2026-10-25 02:30" happens twice in Europe/Berlin, because the clocks go back: taken as the first, 2026-10-25T02:30:00+02:00`, ""},
		{"Europe/Berlin", "2026-10-25T02:30:00+01:00", "2026-10-25T01:30:00Z", "", ""},
		{"Europe/Berlin", "2026-10-25 03:00", "2026-10-25T02:00:00Z", "", ""},
		{"America/New_York", "2026-03-08 02:30", "", "",
			`"2026-03-08 02:30" does not exist in America/New_York, because the clocks go forward then: write 2026-03-08 03:30, or add the offset`},
		{"Australia/Lord_Howe", "2026-04-05 01:45", "2026-04-04T14:45:00Z",
			`"2026-04-05 01:45" happens twice in Australia/Lord_Howe, because the clocks go back: taken as the first, 2026-04-05T01:45:00+11:00`, ""},
		{"Pacific/Apia", "2011-12-30 12:00", "", "",
			`"2011-12-30 12:00" does not exist in Pacific/Apia, because the clocks go forward then: write 2011-12-31 12:00, or add the offset`},
	} {
		got, note, err := ParseSheetTime(c.in, zone(t, c.zone), "")
		if c.err != "" {
			assert.EqualError(t, err, c.err)
			continue
		}
		require.NoError(t, err, c.in)
		assert.Equal(t, c.want, got.Format(time.RFC3339), "%s %s", c.zone, c.in)
		assert.Equal(t, c.note, note)
	}
}

// Any instant, written as a local time and read again, is that instant, or its note says it happened twice.
func TestLocalTimesRoundTrip(t *testing.T) {
	names := []string{"Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Pacific/Apia", "Asia/Kathmandu",
		"Africa/Casablanca", "UTC-03:30"}
	rapid.Check(t, func(t *rapid.T) {
		loc, err := ParseZone(rapid.SampledFrom(names).Draw(t, "zone"))
		require.NoError(t, err)
		want := time.Unix(rapid.Int64Range(-631000000, 7280000000).Draw(t, "unix"), 0).UTC()
		local := want.In(loc)
		if local.Year() < minYear || local.Year() > maxYear {
			return
		}
		got, note, err := ParseSheetTime(local.Format("2006-01-02 15:04:05"), loc, "")
		if err != nil || !got.Equal(want) && (note == "" ||
			got.In(loc).Format(time.DateTime) != local.Format(time.DateTime) || got.After(want)) {
			t.Fatalf("%v in %v: %v %q %v", want, loc, got, note, err)
		}
		// An instant with its offset needs no zone.
		got, _, err = ParseSheetTime(local.Format(time.RFC3339), time.UTC, "")
		if err != nil || !got.Equal(want) {
			t.Fatalf("%v: %v %v", local, got, err)
		}
	})
}

// 2026-03-14 is a Saturday.
func TestParseTime(t *testing.T) {
	two := zone(t, "UTC+2")
	now := time.Date(2026, 3, 14, 10, 20, 30, 999, two)
	for _, c := range []struct{ in, want string }{
		{"now", "2026-03-14T10:20:30+02:00"}, {"14:30", "2026-03-14T14:30:00+02:00"},
		{"9am", "2026-03-14T09:00:00+02:00"}, {"12 am", "2026-03-14T00:00:00+02:00"},
		{"12:15pm", "2026-03-14T12:15:00+02:00"},
		{"today", "2026-03-14T00:00:00+02:00"}, {"Today at 8:00", "2026-03-14T08:00:00+02:00"},
		{"yesterday 9:00", "2026-03-13T09:00:00+02:00"}, {"yesterday", "2026-03-13T00:00:00+02:00"},
		{"monday 8:00", "2026-03-09T08:00:00+02:00"}, {"mon 8:00", "2026-03-09T08:00:00+02:00"},
		{"last friday 17:00", "2026-03-13T17:00:00+02:00"},
		{"saturday 8:00", "2026-03-14T08:00:00+02:00"}, {"saturday 11:00", "2026-03-07T11:00:00+02:00"},
		{"sunday", "2026-03-08T00:00:00+02:00"},
		{"20 min ago", "2026-03-14T10:00:30+02:00"}, {"3 h ago", "2026-03-14T07:20:30+02:00"},
		{"1 h 30 ago", "2026-03-14T08:50:30+02:00"}, {"2 days ago", "2026-03-12T10:20:30+02:00"},
		{"1 week ago", "2026-03-07T10:20:30+02:00"},
		{"2026-03-01 07:00", "2026-03-01T07:00:00+02:00"}, {"2026-03-01", "2026-03-01T00:00:00+02:00"},
		{"2026-03-01T07:00:00Z", "2026-03-01T09:00:00+02:00"},
	} {
		got, _, err := ParseTime(c.in, now, two, "")
		if assert.NoError(t, err, c.in) {
			assert.Equal(t, c.want, got.In(two).Format(time.RFC3339), c.in)
			assert.Equal(t, time.UTC, got.Location())
		}
	}
	for _, c := range []struct {
		in    string
		order Order
		want  string
	}{
		{"14 Mar 2026 09:30", "", "2026-03-14T09:30:00+02:00"}, {"1 March 2026", "", "2026-03-01T00:00:00+02:00"},
		{"13 Mar", "", "2026-03-13T00:00:00+02:00"},
		{"15 Mar 8:00", "", "2025-03-15T08:00:00+02:00"}, // not still to come
		{"13.3.2026 9:30", "", "2026-03-13T09:30:00+02:00"}, {"13.03.26", "", "2026-03-13T00:00:00+02:00"},
		{"13.3.", "", "2026-03-13T00:00:00+02:00"},
		{"29/11", DayFirst, "2025-11-29T00:00:00+02:00"}, {"29/11", "", "2025-11-29T00:00:00+02:00"},
		{"11/29/2025 9am", "", "2025-11-29T09:00:00+02:00"}, {"3/2/2026 9am", DayFirst, "2026-02-03T09:00:00+02:00"},
		{"3/2/2026 9:30 pm", MonthFirst, "2026-03-02T21:30:00+02:00"},
		{"2/3", MonthFirst, "2026-02-03T00:00:00+02:00"}, {"3-2-2026", DayFirst, "2026-02-03T00:00:00+02:00"},
	} {
		got, _, err := ParseTime(c.in, now, two, c.order)
		if assert.NoError(t, err, c.in) {
			assert.Equal(t, c.want, got.In(two).Format(time.RFC3339), c.in)
		}
	}
	for _, c := range []struct{ in, want string }{
		{"3/11", `"3/11" does not say which is the day and which the month: write 2025-11-03 or 2026-03-11, or set it once: shedbook set date-order dmy`},
		{"31 Feb 2026", `"31 Feb 2026" has no such day: February 2026 has 28 days`},
		{"soon", `"soon" is not a time: write 2026-03-14 09:30, 14:30, yesterday 9:00 or 20 min ago`},
		{"yesterday noonish", `"yesterday noonish" has no time of day: write yesterday 9:00`},
		{"20 ago", `"20 ago" is not a time: write 20 min ago, 3 h ago or 2 days ago`},
		{"-3 h ago", `"-3 h ago" is not a time: write 20 min ago, 3 h ago or 2 days ago`},
		{"9999999 days ago", `"9999999 days ago" is not a time: write 20 min ago, 3 h ago or 2 days ago`},
		{"80000 days ago", `"80000 days ago" is outside the years 1950 to 2200`},
		{"25:00", `"25:00" has no such time of day: write 00:00 to 23:59`},
		{"31/02/2025 9am",
			`"31/02/2025 9am" is not a day, as February 2025 has 28 days: write year-month-day, such as 2025-02-28 09:00`},
	} {
		_, _, err := ParseTime(c.in, now, two, "")
		assert.EqualError(t, err, c.want)
	}
	// "yesterday" on the Monday after the clocks went forward is a day of 23 hours, not 24 hours ago.
	berlin := zone(t, "Europe/Berlin")
	got, _, err := ParseTime("yesterday 1:30", time.Date(2026, 3, 30, 9, 0, 0, 0, berlin), berlin, "")
	require.NoError(t, err)
	assert.Equal(t, "2026-03-29T00:30:00Z", got.Format(time.RFC3339))
}

func TestParseZone(t *testing.T) {
	for in, want := range map[string]string{
		"UTC": "UTC", "utc": "UTC", "Z": "UTC", "UTC+0": "UTC", "UTC+2": "UTC+02:00", "+02:00": "UTC+02:00",
		"-0330": "UTC-03:30", "utc-3:30": "UTC-03:30",
		"Europe/Berlin": "Europe/Berlin", "europe/berlin": "Europe/Berlin", "america/new_york": "America/New_York",
	} {
		loc, err := ParseZone(in)
		require.NoError(t, err, in)
		assert.Equal(t, want, loc.String())
		again, err := ParseZone(loc.String())
		require.NoError(t, err)
		at := time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC)
		assert.Equal(t, at.In(loc).Format(time.RFC3339), at.In(again).Format(time.RFC3339), in)
	}
	for _, in := range []string{"", "Mars/Base", "../../etc/passwd", "/etc/localtime", "UTC+15", "UTC+2:7", "+",
		"UTC "[:0]} {
		_, err := ParseZone(in)
		assert.EqualError(t, err, Quote(in)+" is not a time zone: write Europe/Berlin, UTC+2 or UTC", in)
	}
	t.Setenv("TZ", "Asia/Kathmandu")
	loc, err := ParseZone("local")
	require.NoError(t, err)
	assert.Equal(t, "Asia/Kathmandu", loc.String())
	t.Setenv("TZ", "")
	loc, err = ParseZone("local")
	require.NoError(t, err)
	assert.Equal(t, "UTC", loc.String())
	t.Setenv("TZ", "XYZ3")
	_, err = ParseZone("local")
	assert.Error(t, err, "a zone without a name is not guessed")
}

func TestFormatTime(t *testing.T) {
	at := time.Date(2026, 3, 14, 7, 30, 5, 0, time.UTC)
	assert.Equal(t, "2026-03-14 09:30", FormatTime(at, zone(t, "UTC+2")))
}

func FuzzParseTime(f *testing.F) {
	for _, s := range []string{"2026-03-14 09:30", "2026-03-14T09:30:00+02:00", "2026-03-29 02:30", "2026-10-25 02:30",
		"31/02/2025 9am", "yesterday 9:00", "monday 8:00", "3 h ago",
		"20 min ago", "now", "14:30", "9am", "2024-02-29", "last", "ago", "today at", "1/2/3", "2026-03-14T",
		"0000-00-00", "\xff ago", "sun"} {
		f.Add(s)
	}
	berlin := zone(f, "Europe/Berlin")
	now := time.Date(2026, 3, 14, 10, 20, 30, 0, berlin)
	f.Fuzz(func(t *testing.T, s string) {
		got, _, err := ParseTime(s, now, berlin, "")
		sheet, _, serr := ParseSheetTime(s, berlin, "")
		if serr == nil && (err != nil || !sheet.Equal(got)) {
			t.Fatalf("%q: %v in a sheet, %v %v at a prompt", s, sheet, got, err)
		}
		if err != nil {
			if len(err.Error()) > 500 {
				t.Fatalf("long message: %v", err)
			}
			return
		}
		if got.Nanosecond() != 0 || got.Location() != time.UTC || got.Year() < minYear-1 || got.Year() > maxYear+1 {
			t.Fatalf("%q: %v", s, got)
		}
		again, _, err := ParseSheetTime(got.Format(time.RFC3339), berlin, "")
		if err != nil && got.Year() >= minYear && got.Year() <= maxYear || err == nil && !again.Equal(got) {
			t.Fatalf("%q: %v, then %v %v", s, got, again, err)
		}
	})
}

func BenchmarkParseSheetTime(b *testing.B) {
	berlin := zone(b, "Europe/Berlin")
	for _, s := range []string{"2025-01-06T09:03:00+02:00", "2025-01-11 08:45", "2026-10-25 02:30"} {
		b.Run(s, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, _, err := ParseSheetTime(s, berlin, ""); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// A date that can't be says why, typed at a prompt as in a sheet.
func TestParseTimeKeepsTheReason(t *testing.T) {
	lisbon, err := ParseZone("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range []string{"2026-03-29 01:30", "2026-02-30 09:00", "2026-13-01"} {
		_, _, want := ParseSheetTime(s, lisbon, "")
		if _, _, got := ParseTime(s, time.Now(), lisbon, ""); want == nil || got == nil || got.Error() != want.Error() {
			t.Errorf("%s: %v, want %v", s, got, want)
		}
	}
}
