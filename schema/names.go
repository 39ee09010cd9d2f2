package schema

import (
	"slices"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"
)

// CleanName is a name as it is kept: composed (Unicode Standard Annex 15, NFC),
// with plain single blanks between its words, and without what nobody sees.
func CleanName(s string) string {
	return strings.Join(strings.FieldsFunc(norm.NFC.String(strings.Map(visible, s)), unicode.IsSpace), " ")
}

// SameName says whether two names are read as one where somebody types them.
func SameName(a, b string) bool { return fold(a) == fold(b) }

// visible drops the format characters (Unicode general category Cf), such as
// zero width blanks and soft hyphens.
func visible(r rune) rune {
	if unicode.Is(unicode.Cf, r) {
		return -1
	}
	return r
}

// other are letters that have no decomposition and are written for one another.
var other = strings.NewReplacer("ß", "ss", "ø", "o", "đ", "d", "ł", "l", "æ", "ae", "œ", "oe",
	"ı", "i", "þ", "th", "ð", "d")

// FoldName is a text without case, accents and what nobody sees, for telling
// whether two names are written for one: Andre for André.
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

// NameWords are the words of a name, folded.
func NameWords(s string) []string {
	return strings.FieldsFunc(FoldName(s), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
}

// Twins are those of the names that may be written for the name: the same but
// for case, accents, blanks, hyphens and the order of its words, or with one
// letter of a long word changed, dropped, added or swapped. The name itself, and
// letters that stand for drivers, are none.
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

// nearWords says whether words are the same but for one of four letters or more,
// in which one letter differs.
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

// oneApart says whether words of four letters or more are one change, one letter
// or one swap apart. Figures tell things apart: R41 is not R42.
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

// workWords say that something was done, or join words; they do not say what with.
var workWords = []string{"a", "an", "and", "the", "of", "with", "in", "on", "to", "new", "old",
	"change", "changed", "replace", "replaced", "service", "serviced", "check", "checked", "clean", "cleaned", "done"}

// AlikeWorks are the works that may be meant by another wording: those that share
// more than half of the words of the shorter one, plurals and words such as
// "changed" aside. Case and blanks make no other work, so those that are the same
// but for these are none.
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

// contentWords are the words of a work that say what with, each once, without a
// plural s.
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
