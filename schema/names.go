package schema

import (
	"slices"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"
)

// CleanName returns a name in the form in which it is stored: composed (Unicode
// Standard Annex 15, NFC), single plain spaces between words, no invisible
// characters.
func CleanName(s string) string {
	return strings.Join(strings.FieldsFunc(norm.NFC.String(strings.Map(visible, s)), unicode.IsSpace), " ")
}

// SameName says whether two names are read as one where somebody types them.
func SameName(a, b string) bool { return fold(a) == fold(b) }

// visible drops format characters (Unicode general category Cf), such as
// zero-width spaces and soft hyphens.
func visible(r rune) rune {
	if unicode.Is(unicode.Cf, r) {
		return -1
	}
	return r
}

// other maps letters that have no decomposition to the letters people write for
// them.
var other = strings.NewReplacer("ß", "ss", "ø", "o", "đ", "d", "ł", "l", "æ", "ae", "œ", "oe",
	"ı", "i", "þ", "th", "ð", "d")

// FoldName returns a text without case, accents and invisible characters, to
// compare names: Andre equals André.
func FoldName(s string) string {
	plain := true
	for i := range len(s) {
		plain = plain && s[i] < 0x80
	}
	if plain {
		return strings.ToLower(s)
	}
	s = strings.Map(func(r rune) rune {
		if unicode.Is(unicode.Mn, r) {
			return -1
		}
		return visible(r)
	}, norm.NFKD.String(s))
	return other.Replace(strings.ToLower(s))
}

// NameWords returns the words of a name, folded.
func NameWords(s string) []string {
	return strings.FieldsFunc(FoldName(s), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
}

// Twins returns those of names that may be another spelling of name: equal
// except for case, accents, spaces, hyphens and word order, or with one letter
// of a long word changed, dropped, added or swapped. The name itself, and
// letters that stand for drivers, are left out.
func Twins(name string, names []string) []string {
	mine := NameWords(name)
	slices.Sort(mine)
	var out []string
	for _, other := range names {
		theirs := NameWords(other)
		slices.Sort(theirs)
		if other != name && (strings.Join(mine, "") == strings.Join(theirs, "") || nearWords(mine, theirs)) {
			out = append(out, other)
		}
	}
	return out
}

// nearWords reports whether a and b are equal except for one letter in one word
// of four letters or more.
func nearWords(a, b []string) bool {
	if len(a) != len(b) {
		return false
	}
	a, b = slices.Clone(a), slices.Clone(b)
	for i := 0; i < len(a); {
		if j := slices.Index(b, a[i]); j >= 0 {
			a, b = slices.Delete(a, i, i+1), slices.Delete(b, j, j+1)
		} else {
			i++
		}
	}
	return len(a) == 1 && oneApart([]rune(a[0]), []rune(b[0]))
}

// oneApart reports whether two words of four letters or more differ by one
// letter changed, added, dropped or swapped. Digits must be equal: R41 is not
// R42.
func oneApart(a, b []rune) bool {
	if len(a) > len(b) {
		a, b = b, a
	}
	if len(a) < 4 || len(b) > len(a)+1 || slices.ContainsFunc(append(slices.Clone(a), b...), unicode.IsDigit) {
		return false
	}
	i := 0
	for i < len(a) && a[i] == b[i] {
		i++
	}
	switch {
	case len(b) > len(a):
		return slices.Equal(a[i:], b[i+1:])
	case slices.Equal(a[i+1:], b[i+1:]):
		return true
	}
	return i+1 < len(a) && a[i] == b[i+1] && a[i+1] == b[i] && slices.Equal(a[i+2:], b[i+2:])
}

// workWords tell that something was done, or join words; they do not tell to
// what.
var workWords = []string{"a", "an", "and", "the", "of", "with", "in", "on", "to", "new", "old",
	"change", "changed", "replace", "replaced", "service", "serviced", "check", "checked", "clean", "cleaned", "done"}

// AlikeWorks returns those of works that may mean the same as work: they share
// more than half of the words of the shorter one, leaving out plurals and words
// such as "changed". Works that only differ in case and spaces are equal, and
// left out.
func AlikeWorks(work string, works []string) []string {
	mine := contentWords(work)
	var out []string
	for _, other := range works {
		theirs := contentWords(other)
		if fold(other) == fold(work) || slices.Contains(out, other) || len(mine) == 0 || len(theirs) == 0 {
			continue
		}
		shared := 0
		for _, w := range mine {
			if slices.Contains(theirs, w) {
				shared++
			}
		}
		if 2*shared > min(len(mine), len(theirs)) {
			out = append(out, other)
		}
	}
	return out
}

// contentWords returns the words that tell what was worked on, each once,
// without a plural s.
func contentWords(work string) []string {
	var out []string
	for _, w := range NameWords(work) {
		if len(w) > 3 && !strings.HasSuffix(w, "ss") {
			w = strings.TrimSuffix(w, "s")
		}
		if !slices.Contains(workWords, w) && !slices.Contains(out, w) {
			out = append(out, w)
		}
	}
	return out
}
