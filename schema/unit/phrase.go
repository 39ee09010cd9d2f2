package unit

import (
	"fmt"
	"strings"
	"time"
)

// ParseTime reads a time as typed at a prompt: all that ParseSheetTime reads, and, counted from now in loc,
// "now", "14:30" (today), "today", "yesterday 9:00", "monday 8:00" (the last one whose 8:00 is not still to come),
// "20 min ago", "3 h ago", "2 days ago" (the same time of day). A day without a time of day is its midnight.
// "29 Nov 2026 9:30", "29.11.2026" and, where order says which comes first, "29/11/2026" are read too; without a year
// it
// is the last such day. Where nobody has said which comes first, 29/11 is still a day of November.
// Result, note and errors are as ParseSheetTime's.
func ParseTime(s string, now time.Time, loc *time.Location, order Order) (t time.Time, note string, err error) {
	t, note, err = ParseSheetTime(s, loc, order)
	if err == nil {
		return t, note, nil
	}
	p := strings.ToLower(trim(s))
	if c, ok := scanDate(trim(s), order); ok {
		return c.lastBefore(now.In(loc)).in(s, loc)
	}
	if c, ok := scanDate(trim(s), DayFirst); ok {
		day, month := c.lastBefore(now.In(loc)), c
		month.day, month.month = c.month, c.day
		month = month.lastBefore(now.In(loc))
		switch d, m := day.check() == nil, month.check() == nil; {
		case d && m && day != month && c.year == 0:
			return time.Time{}, "",
				fmt.Errorf("%s does not say which is the day and which the month: write %04d-%02d-%02d or "+
					"%04d-%02d-%02d, or set it once: shedbook set date-order dmy", Quote(s), day.year, day.month,
					day.day,
					month.year, month.month, month.day)
		case d && (!m || day == month):
			return day.in(s, loc)
		case m && !d:
			return month.in(s, loc)
		}
	}
	if _, absolute := scanStamp(trim(s)); absolute || len(p) > maxCell {
		return time.Time{}, "", err // a date that does not exist is no phrase either
	}
	local := now.In(loc)
	if p == "now" {
		return inYears(s, now)
	}
	if ago, ok := strings.CutSuffix(p, "ago"); ok {
		return parseAgo(s, trim(ago), now, loc)
	}
	if c, ok := scanClock(p); ok {
		return c.on(local).in(s, loc)
	}
	word, rest, _ := strings.Cut(p, " ")
	rest = trim(strings.TrimPrefix(trim(rest), "at "))
	if word == "last" {
		word, rest, _ = strings.Cut(rest, " ")
		rest = trim(strings.TrimPrefix(trim(rest), "at "))
	}
	var c civil
	if rest != "" {
		var ok bool
		if c, ok = scanClock(rest); !ok {
			if _, day := back(word, local); day {
				return time.Time{}, "", fmt.Errorf("%s has no time of day: write %s 9:00", Quote(s), word)
			}
			return time.Time{}, "", err
		}
	}
	days, ok := back(word, local)
	if !ok {
		if strings.ContainsAny(p, "/.") {
			return time.Time{}, "", err // the error already says how a date is written
		}
		return time.Time{}, "", fmt.Errorf("%s is not a time: write %s, 14:30, yesterday 9:00 or 20 min ago", Quote(s),
			timeExample)
	}
	if days == 0 && word != "today" { // the name of today's weekday
		if at := local.Hour()*3600 + local.Minute()*60 + local.Second(); c.hour*3600+c.min*60+c.sec > at {
			days = 7
		}
	}
	return c.on(local.AddDate(0, 0, -days)).in(s, loc)
}

// inYears refuses a computed time outside the years allowed.
func inYears(s string, t time.Time) (time.Time, string, error) {
	t = t.Truncate(time.Second).UTC()
	if y := t.Year(); y < minYear || y > maxYear {
		return time.Time{}, "", fmt.Errorf("%s is outside the years %d to %d", Quote(s), minYear, maxYear)
	}
	return t, "", nil
}

// parseAgo reads a span such as "20 min" before "ago".
func parseAgo(s, span string, now time.Time, loc *time.Location) (time.Time, string, error) {
	wrong := fmt.Errorf("%s is not a time: write 20 min ago, 3 h ago or 2 days ago", Quote(s))
	if d, err := Parse(span, Days); err == nil && span != "" && span[len(span)-1]-'0' > 9 {
		if d < 0 || d > 366*(maxYear-minYear) || d != float64(int(d)) {
			return time.Time{}, "", wrong
		}
		t := now.In(loc).AddDate(0, 0, -int(d))
		return inYears(s, t)
	}
	h, err := Parse(span, Hours)
	if err != nil || h < 0 || h > 24*366*(maxYear-minYear) || span[len(span)-1]-'0' <= 9 &&
		!strings.ContainsAny(span, "h:") {
		return time.Time{}, "", wrong // a bare number has no unit
	}
	return inYears(s, now.Add(-time.Duration(h*3600+0.5)*time.Second))
}

// back returns how many days before local the named day lies, 0 to 6.
func back(word string, local time.Time) (int, bool) {
	switch word {
	case "today":
		return 0, true
	case "yesterday":
		return 1, true
	}
	for d := time.Sunday; d <= time.Saturday; d++ {
		name := strings.ToLower(d.String())
		if word == name || len(word) >= 3 && len(word) <= 5 && strings.HasPrefix(name, word) {
			return (int(local.Weekday()) - int(d) + 7) % 7, true
		}
	}
	return 0, false
}

// scanClock reads a time of day: 14:30, 9:00:15, 9am, 9:30 pm.
func scanClock(s string) (c civil, ok bool) {
	var i int
	if c.hour, i = oneOrTwo(s, 0); i < 0 {
		return c, false
	}
	colon := i < len(s) && s[i] == ':'
	if colon {
		if c.min, ok = twoDigits(s, i+1); !ok {
			return c, false
		}
		i += 3
		if i < len(s) && s[i] == ':' {
			if c.sec, ok = twoDigits(s, i+1); !ok {
				return c, false
			}
			i += 3
		}
	}
	switch half := trim(s[i:]); half {
	case "":
		return c, colon
	case "am", "pm":
		if c.hour < 1 || c.hour > 12 {
			return c, false
		}
		c.hour %= 12
		if half == "pm" {
			c.hour += 12
		}
		return c, true
	}
	return c, false
}

// lastBefore returns a date without a year as the last such day before local.
func (c civil) lastBefore(local time.Time) civil {
	if c.year == 0 {
		y, m, d := local.Date()
		c.year = y
		if c.month > int(m) || c.month == int(m) && c.day > d {
			c.year--
		}
	}
	return c
}

// on returns the time of day c on the date of day.
func (c civil) on(day time.Time) civil {
	y, m, d := day.Date()
	c.year, c.month, c.day = y, int(m), d
	return c
}
