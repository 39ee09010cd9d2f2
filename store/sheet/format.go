package sheet

import "strings"

// numberFormat is what a cell's number means according to its number format.
type numberFormat uint8

const (
	plainFormat   numberFormat = iota
	dateFormat                 // a date, with or without a time of day
	clockFormat                // a time of day: 26:30 shows as 2:30
	elapsedFormat              // hours, minutes or seconds that run on: [h]:mm
	percentFormat
)

// builtIn returns what a number format without a code in the workbook means
// (ECMA-376-1, 18.8.30; in its East Asian lists 27 to 36 and 50 to 58 are
// dates, except for the times of day 32 to 35, 55 and 56).
func builtIn(id int) numberFormat {
	switch {
	case id == 9, id == 10:
		return percentFormat
	case id >= 14 && id <= 17, id == 22, id >= 27 && id <= 31, id == 36, id >= 50 && id <= 54, id == 57, id == 58:
		return dateFormat
	case id >= 18 && id <= 21, id >= 32 && id <= 35, id == 45, id == 47, id == 55, id == 56:
		return clockFormat
	case id == 46:
		return elapsedFormat
	}
	return plainFormat
}

// formatOf returns what a number format's code means, by its first section (ECMA-376-1, 18.8.31).
func formatOf(code string) numberFormat {
	var day, clock, month, elapsed, percent bool
	for i := 0; i < len(code); {
		c := code[i] | 0x20 // lower case
		i++
		switch code[i-1] {
		case ';':
			i = len(code)
		case '"':
			if n := strings.IndexByte(code[i:], '"'); n >= 0 {
				i += n + 1
			} else {
				i = len(code)
			}
		case '\\', '_', '*':
			i++ // the next character is literal, or only sets a width
		case '[':
			n := strings.IndexByte(code[i:], ']')
			if n < 0 {
				return plainFormat
			}
			if in := strings.ToLower(code[i : i+n]); in != "" && strings.Trim(in, in[:1]) == "" &&
				strings.Contains("hms", in[:1]) {
				elapsed = true
			}
			i += n + 1
		case '%':
			percent = true
		default:
			switch {
			case hasFold(code[i-1:], "general"):
				i += len("general") - 1
			case hasFold(code[i-1:], "am/pm"):
				i += len("am/pm") - 1
				clock = true
			case c == 'y' || c == 'd':
				day = true
			case c == 'h' || c == 's':
				clock = true
			case c == 'm':
				month = true
			}
		}
	}
	switch {
	case day:
		return dateFormat
	case elapsed:
		return elapsedFormat
	case clock:
		return clockFormat
	case month:
		return dateFormat
	case percent:
		return percentFormat
	}
	return plainFormat
}

func hasFold(s, prefix string) bool {
	return len(s) >= len(prefix) && strings.EqualFold(s[:len(prefix)], prefix)
}
