package schema

import "strings"

// formulaSigns are the characters that make a spreadsheet program take a cell
// for a formula and perhaps run it: OWASP, "CSV Injection".
const formulaSigns = "=+-@\t\r＝＋－＠"

// Guard returns text as it is written into a sheet, with an apostrophe before
// anything that a spreadsheet program would take for a formula; such programs
// then show the cell as text. Text that begins with apostrophes before such a
// sign gets one more, so that Unguard always restores it; other apostrophes, as
// in 'tis, are left alone.
func Guard(s string) string {
	if guarded(s) {
		return "'" + s
	}
	return s
}

// Unguard returns the text that Guard was given.
func Unguard(s string) string {
	if len(s) > 1 && s[0] == '\'' && guarded(s[1:]) {
		return s[1:]
	}
	return s
}

func guarded(s string) bool {
	if s == "" || s[0] > '@' && s[0] < 0x80 { // nearly every cell
		return false
	}
	for _, r := range strings.TrimLeft(s, "'") {
		return strings.ContainsRune(formulaSigns, r)
	}
	return false
}
