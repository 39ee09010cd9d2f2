package render

import (
	"strings"
	"unicode"

	"github.com/jedib0t/go-pretty/v6/text"
)

// Safe makes text from the log harmless on a terminal and in one line of a
// table: an escape code is shown, not obeyed. Control characters become their
// pictures (ESC is ␛), those without a picture and the marks that change the
// direction of writing become their numbers, a line break becomes " / ".
func Safe(s string) string {
	if harmless(s) {
		return s
	}
	s = strings.NewReplacer("\r\n", "\n", "\t", " ").Replace(strings.ToValidUTF8(s, "�"))
	var b strings.Builder
	for i, part := range strings.Split(strings.Trim(s, "\n"), "\n") {
		if i > 0 {
			b.WriteString(" / ")
		}
		for _, r := range part {
			b.WriteString(shownRune(r))
		}
	}
	return b.String()
}

// harmless reports whether s is printable ASCII, the common case.
func harmless(s string) bool {
	for i := range len(s) {
		if s[i] < ' ' || s[i] > '~' {
			return false
		}
	}
	return true
}

func shownRune(r rune) string {
	switch {
	case r < ' ':
		return string('\u2400' + r)
	case r == 0x7f:
		return "\u2421"
	case unicode.IsControl(r), turns(r), r == '\u2028', r == '\u2029':
		return "<U+" + strings.ToUpper(hex(r)) + ">"
	}
	return string(r)
}

// turns reports whether a character changes the direction of the text around
// it, so that a line could read differently from what it is (Unicode Standard
// Annex 9).
func turns(r rune) bool {
	return r >= '\u202a' && r <= '\u202e' || r >= '\u2066' && r <= '\u2069' || r == '\u200e' || r == '\u200f' ||
		r == '\u061c'
}

func hex(r rune) string {
	const digits = "0123456789abcdef"
	out := ""
	for shift := 12; shift >= 0; shift -= 4 {
		out += string(digits[r>>shift&15])
	}
	return out
}

// width returns how many columns of a terminal s takes.
func width(s string) int { return text.StringWidthWithoutEscSequences(s) }

// wrap breaks s at spaces into lines of at most w columns, and a longer word
// anywhere. Nothing is left out.
func wrap(s string, w int) string {
	w = max(w, 1)
	var lines []string
	for line := range strings.SplitSeq(s, "\n") {
		if width(line) <= w {
			lines = append(lines, line)
			continue
		}
		for part := range strings.SplitSeq(text.WrapSoft(line, w), "\n") {
			lines = append(lines, strings.TrimRight(part, " ")) // WrapSoft pads its lines
		}
	}
	return strings.Join(lines, "\n")
}

// Fold breaks a line at spaces into lines of at most w columns; those after the
// first are indented by hang columns, to the end of the first one's label.
func Fold(s string, w, hang int) string {
	if hang = min(hang, len(s)); hang > w/2 {
		hang = 0
	}
	return s[:hang] + strings.ReplaceAll(wrap(s[hang:], w-hang), "\n", "\n"+strings.Repeat(" ", hang))
}

// longest returns the width of the longest line or, if words is set, of the
// longest word.
func longest(s string, words bool) int {
	parts := strings.Split(s, "\n")
	if words {
		parts = strings.Fields(s)
	}
	n := 0
	for _, p := range parts {
		n = max(n, width(p))
	}
	return n
}

// Hint is the colour of a word. The word alone says it all; the colour helps to
// find it.
type Hint int

const (
	NoHint Hint = iota
	Bad
	Doubtful
	Good
	Dim
	Bold
)

var codes = [...]string{Bad: "31", Doubtful: "33", Good: "32", Dim: "2", Bold: "1"}

// paint colours every line of s if the options allow it.
func paint(s string, h Hint, o Options) string {
	if h == NoHint || !o.Color || o.Format != Terminal || s == "" {
		return s
	}
	lines := strings.Split(s, "\n")
	for i, l := range lines {
		lines[i] = "\x1b[" + codes[h] + "m" + l + "\x1b[0m"
	}
	return strings.Join(lines, "\n")
}
