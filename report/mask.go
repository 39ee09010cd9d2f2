package report

import (
	"regexp"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"shedbook/schema"
)

// Masker puts letters in the place of drivers' names: Driver A is the first in
// the machine's log. Notes may name people too, so texts are masked as well:
// whole names in any case, and a name's parts of three letters and more,
// written as the name writes them or in capitals.
type Masker struct {
	letters map[string]string
	names   *regexp.Regexp
	of      map[string]string // folded name or part -> what stands in its place
	off     bool
	named   bool // drivers keep their names, texts are masked
}

// letterName is the name of a driver in a machine's book that was handed over
// with letters for names.
var letterName = regexp.MustCompile(`^Driver [A-Z]{1,2}( of .+)?$`)

// NewMasker names the drivers in the order of a machine's runs and overheats,
// then the others of the book in the order given. A driver's former names stand
// for the same letter.
func NewMasker(drivers []schema.Driver, log *schema.Log) *Masker {
	m := &Masker{letters: map[string]string{}, of: map[string]string{}}
	type seen struct {
		at   int64
		name string
	}
	var met []seen
	for i := range log.Runs {
		met = append(met, seen{log.Runs[i].At.Unix(), log.Runs[i].Driver})
	}
	for i := range log.Overheats {
		met = append(met, seen{log.Overheats[i].At.Unix(), log.Overheats[i].Driver})
	}
	slices.SortStableFunc(met, func(a, b seen) int { return int(min(max(a.at-b.at, -1), 1)) })
	for _, d := range drivers {
		met = append(met, seen{0, d.Name})
	}
	var patterns, parts []string
	add := func(name, letter string) {
		m.letters[name] = letter
		if letterName.MatchString(name) {
			return // masked already, by a former owner
		}
		fold := strings.ToLower(name)
		if _, ok := m.of[fold]; !ok {
			patterns, m.of[fold] = append(patterns, "(?i:"+regexp.QuoteMeta(name)+")"), letter
		}
		for _, p := range nameParts(name) {
			if utf8.RuneCountInString(p) < 3 || p == name {
				continue
			}
			fold := strings.ToLower(p)
			if was, ok := m.of[fold]; !ok {
				m.of[fold] = letter
			} else if was != letter { // a name that two people share
				m.of[fold] = aDriver
			}
			parts = append(parts, regexp.QuoteMeta(p), regexp.QuoteMeta(strings.ToUpper(p)))
		}
	}
	count := 0
	for _, s := range met {
		if s.name != "" && m.letters[s.name] == "" {
			add(s.name, "Driver "+letters(count))
			count++
		}
	}
	for _, d := range drivers {
		for _, former := range d.Former {
			if m.letters[former] == "" { // else somebody else has that name now
				add(former, m.letters[d.Name])
			}
		}
	}
	patterns = append(patterns, parts...)
	slices.SortStableFunc(patterns, func(a, b string) int { return len(b) - len(a) })
	if len(patterns) > 0 {
		m.names = regexp.MustCompile(strings.Join(patterns, "|"))
	}
	return m
}

// aDriver stands for somebody of whom not even the letter is told.
const aDriver = "a driver"

// MaskOthers names the drivers of a machine's log by the names they have today,
// and in texts puts letters in the place of everybody else among drivers.
func MaskOthers(drivers []schema.Driver, log *schema.Log) *Masker {
	m := NewMasker(drivers, log)
	m.named = true
	whose := map[string]string{} // by letter, of those in the log
	for i := range log.Runs {
		whose[m.letters[log.Runs[i].Driver]] = log.Runs[i].Driver
	}
	for i := range log.Overheats {
		whose[m.letters[log.Overheats[i].Driver]] = log.Overheats[i].Driver
	}
	for fold, letter := range m.of {
		name, ok := whose[letter]
		if !ok {
			continue // somebody else: a letter
		}
		m.of[fold] = name // of a former name
		for _, p := range nameParts(name) {
			if strings.ToLower(p) == fold {
				m.of[fold] = p
			}
		}
	}
	return m
}

// nameParts are the words of a name.
func nameParts(name string) []string {
	return strings.FieldsFunc(name, func(r rune) bool { return !unicode.IsLetter(r) })
}

// WithNames masks nothing.
func WithNames() *Masker { return &Masker{off: true} }

// Driver is what stands for a driver; "" for none.
func (m *Masker) Driver(name string) string {
	if m.off || m.named || name == "" {
		return name
	}
	if l, ok := m.letters[name]; ok {
		return l
	}
	return aDriver
}

// Text is a text with the drivers' names masked. A name of one word counts
// only as a whole word.
func (m *Masker) Text(s string) string {
	if m.off || m.names == nil || s == "" {
		return s
	}
	var out strings.Builder
	at := 0
	for _, hit := range m.names.FindAllStringIndex(s, -1) {
		word := s[hit[0]:hit[1]]
		before, _ := utf8.DecodeLastRuneInString(s[:hit[0]])
		after, _ := utf8.DecodeRuneInString(s[hit[1]:])
		if !strings.ContainsRune(word, ' ') && (wordRune(before) || wordRune(after)) {
			continue
		}
		out.WriteString(s[at:hit[0]])
		out.WriteString(m.of[strings.ToLower(word)])
		at = hit[1]
	}
	out.WriteString(s[at:])
	return out.String()
}

func wordRune(r rune) bool {
	return r != utf8.RuneError && (unicode.IsLetter(r) || unicode.IsDigit(r))
}

// letters is A to Z, then AA and so on.
func letters(n int) string {
	s := ""
	for n++; n > 0; n = (n - 1) / 26 {
		s = string(rune('A'+(n-1)%26)) + s
	}
	return s
}
