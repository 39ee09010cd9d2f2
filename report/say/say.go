// Package say puts counts, figures, lists and times into sentences, in one way
// for every room of report. Quantities with units go through unit.Format.
package say

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"shedbook/schema/unit"
)

// Count returns a number with its noun: "1 run", "3 runs", "2 stretches". A
// plural that is not regular is given.
func Count(n int, one string, many ...string) string {
	return strconv.Itoa(n) + " " + Noun(float64(n), one, many...)
}

// Noun returns the noun that goes with n: "run" with 1, else "runs".
func Noun(n float64, one string, many ...string) string {
	switch {
	case n == 1:
		return one
	case len(many) > 0:
		return many[0]
	case strings.HasSuffix(one, "ch"):
		return one + "es"
	}
	return one + "s"
}

// Figure returns a number rounded to the whole from 100, to a tenth from 10, to
// a hundredth from 1, and to two figures below 0.1.
func Figure(v float64) string {
	switch a := math.Abs(v); {
	case a >= 100:
		return unit.Short(v, 0)
	case a >= 10:
		return unit.Short(v, 1)
	case a > 0 && a < 0.1:
		return unit.Short(v, min(1-int(math.Floor(math.Log10(a))), 6))
	}
	return unit.Short(v, 2)
}

// Roughly returns a number to a tenth below 10, and to the whole from there on.
func Roughly(v float64) string {
	if math.Abs(v) >= 9.95 {
		return unit.Short(v, 0)
	}
	return unit.Short(v, 1)
}

// Decimals returns a number with at most n decimals, and a comma between
// thousands: "1,500", "124.7", "-37".
func Decimals(v float64, n int) string {
	s := unit.Short(v, n)
	end, begin := len(s), 0
	if point := strings.IndexByte(s, '.'); point >= 0 {
		end = point
	}
	if s[0] == '-' {
		begin = 1
	}
	for i := end - 3; i > begin; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

// Rounded returns v to so many figures.
func Rounded(v float64, figures int) float64 {
	x, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'g', figures, 64), 64)
	return x
}

// List returns words as a list with and before the last: "a, b and c".
func List(words []string, and string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	last := len(words) - 1
	return strings.Join(words[:last], ", ") + " " + and + " " + words[last]
}

// Several returns at most n words of a list, and counts the rest: "a, b and 3
// more".
func Several(words []string, n int) string {
	if len(words) <= n {
		return strings.Join(words, ", ")
	}
	return strings.Join(words[:n-1], ", ") + fmt.Sprintf(" and %d more", len(words)-n+1)
}

// Day returns the date of t in a zone: "2 Jan 2006".
func Day(t time.Time, zone *time.Location) string { return t.In(zone).Format("2 Jan 2006") }

// Moment returns t in a zone to the minute: "2 Jan 2006 15:04".
func Moment(t time.Time, zone *time.Location) string { return t.In(zone).Format("2 Jan 2006 15:04") }

// Sentence returns s with a capital at its beginning and a full stop at its end.
func Sentence(s string) string {
	if s == "" {
		return ""
	}
	if c := s[0]; c >= 'a' && c <= 'z' {
		s = string(c-'a'+'A') + s[1:]
	}
	if !strings.ContainsAny(s[len(s)-1:], ".!?") {
		s += "."
	}
	return s
}

// Once adds a sentence to a list unless it is there already.
func Once(list *[]string, format string, args ...any) {
	if s := fmt.Sprintf(format, args...); !slices.Contains(*list, s) {
		*list = append(*list, s)
	}
}

// P returns a p-value: "0.03", "< 0.001".
func P(p float64) string {
	if p < 0.001 {
		return "< 0.001"
	}
	return fmt.Sprintf("%.2g", p)
}

// Why returns a pointer to a reason, for JSON; nil if there is none.
func Why(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

// Odds returns a log10 Bayes factor in words: how many times likelier the log
// is with the pattern than without it.
func Odds(log10 float64) string {
	switch {
	case math.IsNaN(log10):
		return "unknown"
	case log10 >= 6:
		return "over a million times"
	case log10 <= -6:
		return "over a million times less"
	case log10 < 0:
		return Decimals(Rounded(math.Pow(10, -log10), 2), 1) + " times less"
	}
	return Decimals(Rounded(math.Pow(10, log10), 2), 1) + " times"
}
