package sheet

import (
	"strings"

	"shedbook/schema"
	"shedbook/schema/unit"
)

// A spreadsheet program takes a cell that begins with = + - or @ for a formula, and may run it. Text that does is
// written with an apostrophe before it, which such programs show as text, and which the reader takes off again.
// Text that begins with apostrophes before such a sign gets one more, so that it too comes back unchanged; other
// apostrophes, as in 'tis, are left alone.

// Guard is text as it is written into a sheet.
func Guard(s string) string {
	if guarded(s) {
		return "'" + s
	}
	return s
}

// Unguard is the inverse of Guard.
func Unguard(s string) string {
	if len(s) > 1 && s[0] == '\'' && guarded(s[1:]) {
		return s[1:]
	}
	return s
}

func guarded(s string) bool {
	if s == "" {
		return false
	}
	if c := s[0]; c > '@' || c != '\'' && c != '=' && c != '+' && c != '-' && c != '@' {
		return false // nearly every cell
	}
	s = strings.TrimLeft(s, "'")
	return s != "" && strings.IndexByte("=+-@", s[0]) >= 0
}

// guardRaw guards a cell of any column as it was typed: numbers stay numbers.
func guardRaw(f *schema.Field, s string) string {
	s = Unguard(strings.TrimSpace(s))
	if f != nil && (f.Type == schema.NumField || f.Type == schema.TimeField) {
		if _, err := unit.Parse(s, unit.Count); err == nil {
			return s
		}
	}
	return Guard(s)
}
