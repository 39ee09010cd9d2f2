package unit

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// The years a record may lie in.
const (
	minYear = 1950
	maxYear = 2200
)

const timeExample = "2026-03-14 09:30"

// ParseSheetTime reads an absolute time: RFC 3339, or a local date with or without a time of day
// ("2026-03-14 09:30", "2026-03-14T09:30:00", "2026-03-14" for its midnight) in loc. The result is in UTC, to the
// second; fractions are dropped.
//
// A local time that the clocks skip is an error. One that happens twice is taken as the first, and the note says so.
// Day and month in any order but year-month-day are refused, never guessed. Years run from 1950 to 2200.
//
// Where order says which of day and month comes first, dates such as 29/11/2026, 29.11.2026 and 29 Nov 2026 are read
// too.
func ParseSheetTime(s string, loc *time.Location, order Order) (t time.Time, note string, err error) {
	c, ok := scanStamp(s)
	if !ok {
		c, ok = scanStamp(trim(s))
	}
	if !ok && order != "" {
		c, ok = scanDate(trim(s), order)
		ok = ok && c.year != 0
	}
	if !ok {
		return time.Time{}, "", stampError(s)
	}
	return c.in(s, loc)
}

// Order tells whether the day or the month comes first in a date such as
// 3/4/2026; "" means not set.
type Order string

// The orders of a date.
const (
	DayFirst   Order = "dmy"
	MonthFirst Order = "mdy"
)

// scanDate reads a date that does not begin with its year, with or without a
// time of day: 29 Nov 2026, 29.11.2026 and, if order is set, 29/11/2026. The
// year is 0 if none is given.
func scanDate(s string, order Order) (c civil, ok bool) {
	date, clock := s, ""
	at := strings.IndexByte(s, ':')
	if half := strings.ToLower(s); at < 0 && (strings.HasSuffix(half, "am") || strings.HasSuffix(half, "pm")) {
		at = len(s) - 2
	}
	if at > 0 { // the time of day begins at the last space before its colon: 29 Nov 2026 9:30
		if at = strings.LastIndexByte(trim(s[:at]), ' '); at < 0 {
			return c, false
		}
		date, clock = s[:at], trim(s[at:])
	}
	if clock != "" {
		if c, ok = scanClock(strings.ToLower(clock)); !ok {
			return c, false
		}
	}
	var parts []string
	switch {
	case strings.Count(date, ".") > 0:
		parts, order = strings.Split(strings.TrimSuffix(date, "."), "."), DayFirst
	case strings.Count(date, "/") > 0:
		parts = strings.Split(date, "/")
	case strings.Count(date, "-") == 2:
		parts = strings.Split(date, "-")
	default:
		parts, order = strings.Fields(date), DayFirst
		if len(parts) < 2 {
			return c, false
		}
		month := monthNamed(parts[1])
		if month == 0 {
			return c, false
		}
		parts[1] = strconv.Itoa(month)
	}
	if order == "" || len(parts) < 2 || len(parts) > 3 {
		return c, false
	}
	var n [3]int
	for i, p := range parts {
		v, err := strconv.Atoi(strings.TrimSpace(p))
		if err != nil || v < 0 || len(p) > 4 {
			return c, false
		}
		n[i] = v
	}
	c.day, c.month, c.year = n[0], n[1], n[2]
	if order == MonthFirst {
		c.day, c.month = c.month, c.day
	}
	if len(parts) == 3 && c.year < 100 {
		c.year += 2000
	}
	return c, c.day > 0 && c.month > 0
}

// monthNamed returns a month by its English name or its first three letters; 0
// if there is none.
func monthNamed(s string) int {
	s = strings.ToLower(strings.TrimSuffix(s, "."))
	for m := time.January; m <= time.December; m++ {
		if name := strings.ToLower(m.String()); s == name || len(s) == 3 && strings.HasPrefix(name, s) || s == "sept" &&
			m == time.September {
			return int(m)
		}
	}
	return 0
}

// civil is a date and time of day as written, with its offset from UTC if one
// is given.
type civil struct {
	year, month, day, hour, min, sec int
	offset                           int // seconds east, if zoned
	zoned                            bool
}

// scanStamp reads "2026-03-14", "2026-03-14 9:30",
// "2026-03-14T09:30:00.5+02:00" and the like. It checks the form only:
// civil.check checks whether the day exists.
func scanStamp(s string) (c civil, ok bool) {
	i := 4
	if len(s) < 8 || len(s) > 40 {
		return c, false
	}
	for _, d := range []byte(s[:4]) {
		if d-'0' > 9 {
			return c, false
		}
		c.year = c.year*10 + int(d-'0')
	}
	sep := s[4]
	if sep != '-' && sep != '/' && sep != '.' {
		return c, false
	}
	if c.month, i = oneOrTwo(s, i+1); i < 0 || i >= len(s) || s[i] != sep {
		return c, false
	}
	if c.day, i = oneOrTwo(s, i+1); i < 0 {
		return c, false
	}
	if i == len(s) {
		return c, true
	}
	if s[i] != 'T' && s[i] != ' ' && s[i] != 't' {
		return c, false
	}
	if c.hour, i = oneOrTwo(s, i+1); i < 0 || i >= len(s) || s[i] != ':' {
		return c, false
	}
	if c.min, ok = twoDigits(s, i+1); !ok {
		return c, false
	}
	i += 3
	if i < len(s) && s[i] == ':' {
		if c.sec, ok = twoDigits(s, i+1); !ok {
			return c, false
		}
		i += 3
		if i+1 < len(s) && s[i] == '.' && s[i+1]-'0' <= 9 {
			for i++; i < len(s) && s[i]-'0' <= 9; i++ {
			}
		}
	}
	if i == len(s) {
		return c, true
	}
	c.offset, ok = scanOffset(s[i:])
	c.zoned = true
	return c, ok
}

// oneOrTwo reads one or two digits at s[i:]; next is -1 where there are none.
func oneOrTwo(s string, i int) (v, next int) {
	if i >= len(s) || s[i]-'0' > 9 {
		return 0, -1
	}
	v = int(s[i] - '0')
	if i+1 < len(s) && s[i+1]-'0' <= 9 {
		return v*10 + int(s[i+1]-'0'), i + 2
	}
	return v, i + 1
}

// scanOffset reads Z, +02:00, +0200 or +02 to the end of s, in seconds east.
func scanOffset(s string) (int, bool) {
	if s == "Z" || s == "z" {
		return 0, true
	}
	if s[0] != '+' && s[0] != '-' {
		return 0, false
	}
	h, ok := twoDigits(s, 1)
	m := 0
	switch {
	case !ok:
		return 0, false
	case len(s) == 3:
	case len(s) == 5:
		m, ok = twoDigits(s, 3)
	case len(s) == 6 && s[3] == ':':
		m, ok = twoDigits(s, 4)
	default:
		return 0, false
	}
	if !ok || h > 14 || m > 59 || h == 14 && m > 0 {
		return 0, false
	}
	secs := h*3600 + m*60
	if s[0] == '-' {
		secs = -secs
	}
	return secs, true
}

func daysIn(year, month int) int {
	return time.Date(year, time.Month(month+1), 0, 0, 0, 0, 0, time.UTC).Day()
}

// check returns what is wrong with c as a date and a time of day.
func (c civil) check() error {
	switch {
	case c.year < minYear || c.year > maxYear:
		return fmt.Errorf("is outside the years %d to %d", minYear, maxYear)
	case c.month < 1 || c.month > 12:
		return fmt.Errorf("has no month %d: write year-month-day, such as %s", c.month, timeExample)
	case c.day < 1 || c.day > 28 && c.day > daysIn(c.year, c.month):
		return fmt.Errorf("has no such day: %s %d has %d days", time.Month(c.month), c.year, daysIn(c.year, c.month))
	case c.hour == 24 && c.min == 0 && c.sec == 0:
		return errors.New("is the end of a day: write 00:00 of the next day")
	case c.hour > 23 || c.min > 59 || c.sec > 59:
		return errors.New("has no such time of day: write 00:00 to 23:59")
	}
	return nil
}

// unix returns the seconds since 1970 as if c were in UTC.
func (c civil) unix() int64 {
	return time.Date(c.year, time.Month(c.month), c.day, c.hour, c.min, c.sec, 0, time.UTC).Unix()
}

// in returns c as an instant in loc; s is what was typed, for messages.
func (c civil) in(s string, loc *time.Location) (time.Time, string, error) {
	if err := c.check(); err != nil {
		return time.Time{}, "", fmt.Errorf("%s %w", Quote(s), err)
	}
	wall := c.unix()
	if c.zoned {
		return time.Unix(wall-int64(c.offset), 0).UTC(), "", nil
	}
	const near = 36 * 3600 // no zone is further from UTC
	about := time.Unix(wall, 0).In(loc)
	if from, to := about.ZoneBounds(); (from.IsZero() || wall-from.Unix() > near) &&
		(to.IsZero() || to.Unix()-wall > near) {
		_, off := about.Zone()
		return time.Unix(wall-int64(off), 0).UTC(), "", nil // the offset does not change around then
	}
	// Try each offset in force around then: those that read back as wall are the
	// instants meant; there are two if the hour happens twice, none if the clocks
	// skip it.
	var found []time.Time
	var offsets []int64
	for at := time.Unix(wall-near, 0).In(loc); ; {
		_, off := at.Zone()
		from, to := at.ZoneBounds()
		offsets = append(offsets, int64(off))
		u := time.Unix(wall-int64(off), 0).UTC()
		if (from.IsZero() || !u.Before(from)) && (to.IsZero() || u.Before(to)) {
			found = append(found, u)
		}
		if to.IsZero() || to.Unix() > wall+near {
			break
		}
		at = to
	}
	switch len(found) {
	case 0:
		shift := offsets[len(offsets)-1] - offsets[0]
		return time.Time{}, "",
			fmt.Errorf("%s does not exist in %s, because the clocks go forward then: write %s, or add the offset",
				Quote(s), loc, time.Unix(wall+shift, 0).UTC().Format("2006-01-02 15:04"))
	case 1:
		return found[0], "", nil
	}
	return found[0], fmt.Sprintf("%s happens twice in %s, because the clocks go back: taken as the first, %s", Quote(s),
		loc, found[0].In(loc).Format(time.RFC3339)), nil
}

// stampError returns what would be right for a time that could not be read. For
// a date with slashes or dots it offers the days it could mean, and never
// guesses.
func stampError(s string) error {
	t := trim(s)
	date, rest, _ := strings.Cut(t, " ")
	var d [3]int
	i, sep := 0, byte(0)
	for k := range d {
		v, next := 0, i
		for next < len(date) && date[next]-'0' <= 9 && next-i < 4 {
			v = v*10 + int(date[next]-'0')
			next++
		}
		if next == i || k < 2 && (next == len(date) || strings.IndexByte("/.-", date[next]) < 0 || k == 1 &&
			date[next] != sep) {
			return fmt.Errorf("%s is not a time: write %s", Quote(s), timeExample)
		}
		if k == 0 {
			sep = date[next]
		}
		d[k], i = v, next+1
	}
	if i-1 != len(date) || d[0] > 99 {
		return fmt.Errorf("%s is not a time: write %s", Quote(s), timeExample)
	}
	year := d[2]
	if year < 100 {
		year += 2000
	}
	clock := ""
	if c, ok := scanClock(trim(rest)); ok {
		clock = fmt.Sprintf(" %02d:%02d", c.hour, c.min)
	}
	dayFirst := civil{year: year, month: d[1], day: d[0]}
	monthFirst := civil{year: year, month: d[0], day: d[1]}
	offer := func(c civil) string { return fmt.Sprintf("%04d-%02d-%02d%s", c.year, c.month, c.day, clock) }
	switch df, mf := dayFirst.check() == nil, monthFirst.check() == nil; {
	case df && mf && dayFirst != monthFirst:
		return fmt.Errorf("%s does not say which is the day and which the month: write %s or %s", Quote(s),
			offer(dayFirst),
			offer(monthFirst))
	case df:
		return fmt.Errorf("%s is not written year-month-day: write %s", Quote(s), offer(dayFirst))
	case mf:
		return fmt.Errorf("%s is not written year-month-day: write %s", Quote(s), offer(monthFirst))
	case dayFirst.month >= 1 && dayFirst.month <= 12 && year >= minYear && year <= maxYear:
		last := dayFirst
		last.day = daysIn(year, last.month)
		return fmt.Errorf("%s is not a day, as %s %d has %d days: write year-month-day, such as %s", Quote(s),
			time.Month(last.month), year, last.day, offer(last))
	}
	return fmt.Errorf("%s is not a time: write %s", Quote(s), timeExample)
}
