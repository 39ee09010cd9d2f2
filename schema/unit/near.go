package unit

import (
	"cmp"
	"slices"
	"strings"
	"unicode/utf8"
)

// Near returns the known words that word may be a slip of, for a "did you
// mean": at most three, nearest first, ties in alphabetical order. Distance is
// the number of letters to add, drop, change or swap (optimal string alignment:
// Damerau 1964, Levenshtein 1966), ignoring case, to the whole word or to one
// part of a name; a known word that begins with word is near as well. Nil if
// none is near.
func Near(word string, known []string) []string {
	w := strings.ToLower(strings.TrimSpace(word))
	n := utf8.RuneCountInString(w)
	if n == 0 || n > maxCell {
		return nil
	}
	most := min((n+2)/3, 3)
	if n == 1 {
		most = 0 // otherwise any other letter would do
	}
	type hit struct {
		name string
		far  int
	}
	var hits []hit
	for _, k := range known {
		lower := strings.ToLower(k)
		far := distance(w, lower, most)
		if far > most && n >= 2 && strings.HasPrefix(lower, w) {
			far = most
		}
		if far > most && strings.ContainsAny(lower, " -_") {
			for _, part := range strings.FieldsFunc(lower,
				func(r rune) bool { return strings.ContainsRune(" -_", r) }) {
				// A match of one part counts less than one of the whole.
				if d := distance(w, part, most); d < most && d+1 < far {
					far = d + 1
				}
			}
		}
		if far <= most {
			hits = append(hits, hit{k, far})
		}
	}
	slices.SortFunc(hits, func(a, b hit) int {
		if a.far != b.far {
			return a.far - b.far
		}
		return strings.Compare(a.name, b.name)
	})
	hits = slices.CompactFunc(hits, func(a, b hit) bool { return a.name == b.name })
	var out []string
	for _, h := range hits[:min(3, len(hits))] {
		out = append(out, h.name)
	}
	return out
}

// distance returns the optimal string alignment distance of a and b, or most+1
// if it is more than most. A text of more than maxCell letters is never near.
func distance(a, b string, most int) int {
	var xs, ys [maxCell]rune
	x, y := runes(&xs, a), runes(&ys, b)
	if d := len(x) - len(y); x == nil || y == nil || d > most || -d > most {
		return most + 1
	}
	var rows [3][maxCell + 1]int
	two, one, row := &rows[0], &rows[1], &rows[2]
	for j := range len(y) + 1 {
		one[j] = j
	}
	for i := 1; i <= len(x); i++ {
		row[0] = i
		least := i
		for j := 1; j <= len(y); j++ {
			cost := 1
			if x[i-1] == y[j-1] {
				cost = 0
			}
			row[j] = min(one[j]+1, row[j-1]+1, one[j-1]+cost)
			if i > 1 && j > 1 && x[i-1] == y[j-2] && x[i-2] == y[j-1] {
				row[j] = min(row[j], two[j-2]+1)
			}
			least = min(least, row[j])
		}
		if least > most+1 { // a swap may still reduce it by one
			return most + 1
		}
		two, one, row = one, row, two
	}
	return min(one[len(y)], most+1)
}

// runes returns the letters of s in buf; nil if there are too many.
func runes(buf *[maxCell]rune, s string) []rune {
	n := 0
	for _, r := range s {
		if n == len(buf) {
			return nil
		}
		buf[n] = r
		n++
	}
	return buf[:n]
}

// Natural compares names as people order them: R2 before R10. Runs of digits
// are compared as numbers, the rest letter by letter, ignoring case; equal
// names are then compared with case.
func Natural(a, b string) int {
	x, y := strings.ToLower(a), strings.ToLower(b)
	for x != "" && y != "" {
		n, m := digits(x), digits(y)
		if n > 0 && m > 0 {
			u, v := strings.TrimLeft(x[:n], "0"), strings.TrimLeft(y[:m], "0")
			if c := cmp.Or(cmp.Compare(len(u), len(v)), strings.Compare(u, v)); c != 0 {
				return c
			}
			x, y = x[n:], y[m:]
			continue
		}
		if x[0] != y[0] {
			return cmp.Compare(x[0], y[0])
		}
		x, y = x[1:], y[1:]
	}
	return cmp.Or(cmp.Compare(len(x), len(y)), strings.Compare(a, b))
}

// digits returns the number of digits that s begins with.
func digits(s string) int {
	n := 0
	for n < len(s) && s[n]-'0' <= 9 {
		n++
	}
	return n
}
