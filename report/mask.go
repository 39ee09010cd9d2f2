package report

import (
	"regexp"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"shedbook/schema"
)

// Masker replaces drivers' names by letters: Driver A is the first in the
// machine's log. Texts may name people too, so they are masked as well: a whole
// name in any case, spelling (composed or not, with or without accents), word
// order and with anything between its words; and a part of a name alone, see
// In. Nicknames can't be known.
type Masker struct {
	letters map[string]string
	whole   map[string][]*alias // by each of its words, folded
	parts   map[string]*alias   // by its one word, folded
	several []*alias            // whole names of several words
	given   map[string]string   // of the names that stand for one that another has
	off     bool
	named   bool // drivers keep their names, only texts are masked
}

// alias is a present or former name of somebody, or a part of it.
type alias struct {
	words  []string // folded, in alphabetical order
	order  []string // in the order of the name
	joined []string // written together, forwards and backwards
	letter string   // the letter of its owner
	raw    string   // of a part: as the name spells it
	to     string   // its replacement; "" leaves it unchanged
}

// letterName matches the name of a driver in a book that was handed over with
// letters for names.
var letterName = regexp.MustCompile(`^Driver [A-Z]{1,2}( of .+)?$`)

// NewMasker gives letters to the drivers in the order of a machine's runs,
// overheats and outings, then to the others in the order given. A driver's
// former names get the same letter.
func NewMasker(drivers []schema.Driver, log *schema.Log) *Masker {
	m := &Masker{letters: map[string]string{}, given: map[string]string{}}
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
	for i := range log.Outings {
		met = append(met, seen{log.Outings[i].At.Unix(), log.Outings[i].Driver})
	}
	slices.SortStableFunc(met, func(a, b seen) int { return int(min(max(a.at-b.at, -1), 1)) })
	for _, d := range drivers {
		met = append(met, seen{0, d.Name})
	}
	count := 0
	for _, s := range met {
		if s.name != "" && m.letters[s.name] == "" {
			m.letters[s.name] = "Driver " + letters(count)
			count++
		}
	}
	for _, d := range drivers {
		for _, former := range d.Former {
			if m.letters[former] == "" { // otherwise somebody else has that name now
				m.letters[former] = m.letters[d.Name]
			}
		}
		if d.Given != "" {
			m.given[d.Name] = d.Given
		}
	}
	m.learn(func(name, letter string) string { return letter })
	return m
}

// aDriver stands for a person without even a letter.
const aDriver = "a driver"

// MaskOthers gives the drivers of a machine's log their present names, and in
// texts replaces everybody else among drivers by letters.
func MaskOthers(drivers []schema.Driver, log *schema.Log) *Masker {
	m := NewMasker(drivers, log)
	m.named = true
	whose := map[string]string{} // by letter, for those in the log
	for i := range log.Runs {
		whose[m.letters[log.Runs[i].Driver]] = log.Runs[i].Driver
	}
	for i := range log.Overheats {
		whose[m.letters[log.Overheats[i].Driver]] = log.Overheats[i].Driver
	}
	for i := range log.Outings {
		whose[m.letters[log.Outings[i].Driver]] = log.Outings[i].Driver
	}
	m.learn(func(name, letter string) string {
		switch today, mine := whose[letter]; {
		case !mine:
			return letter
		case today == name:
			return "" // is left as written
		default:
			return today
		}
	})
	return m
}

// learn makes the aliases of everybody with a letter; to returns the
// replacement of a name. A name that stands for one that another has too is known by
// that one, so that all depots mask alike; that one identifies neither.
func (m *Masker) learn(to func(name, letter string) string) {
	m.whole, m.parts, m.several = map[string][]*alias{}, map[string]*alias{}, nil
	names := make([]string, 0, len(m.letters))
	shared := map[string]bool{}
	for _, given := range m.given {
		shared[given] = true
	}
	for name := range m.letters {
		if m.letters[m.given[name]] != "" {
			continue
		}
		if !letterName.MatchString(name) { // otherwise masked already, by a former owner
			names = append(names, name)
		}
	}
	slices.Sort(names)
	for _, name := range names {
		letter := m.letters[name]
		a := &alias{letter: letter, to: to(name, letter)}
		if given := m.given[name]; given != "" {
			name = given
		}
		if shared[name] {
			a.to = aDriver
		}
		words := wordsOf(name)
		capitals := slices.ContainsFunc(words, func(w word) bool { return w.upper })
		for _, w := range words {
			a.order = append(a.order, w.fold)
			// In a name with capitals a small word, such as von, identifies nobody.
			if letterCount(w.fold) >= 2 && w.fold != "driver" && (w.upper || !capitals) && len(words) > 1 {
				m.addPart(w.fold, w.raw, a)
			}
		}
		for _, field := range strings.Fields(name) { // O'Brien as OBrien, Jean-Luc as JeanLuc
			if of := wordsOf(field); len(of) > 1 && len(of) < len(words) {
				fold := ""
				for _, w := range of {
					fold += w.fold
				}
				m.addPart(fold, field, a)
			}
		}
		if len(a.order) == 0 {
			continue
		}
		a.words, a.raw = slices.Sorted(slices.Values(a.order)), name
		for _, w := range slices.Compact(slices.Clone(a.words)) {
			m.whole[w] = append(m.whole[w], a)
		}
		if len(a.order) > 1 {
			m.several = append(m.several, a)
			back := slices.Clone(a.order)
			slices.Reverse(back)
			a.joined = []string{strings.Join(a.order, ""), strings.Join(back, "")}
		}
	}
}

// addPart adds a part of a name; one that two people share identifies neither.
func (m *Masker) addPart(fold, raw string, of *alias) {
	was, ok := m.parts[fold]
	switch {
	case !ok:
		m.parts[fold] = &alias{raw: raw, letter: of.letter, to: of.to}
	case was.letter != of.letter:
		was.to = aDriver
	case of.to == "": // of the name and of a former one
		was.raw, was.to = raw, ""
	}
}

// word is a word of a text; from and to are byte offsets.
type word struct {
	from, to  int
	raw, fold string
	upper     bool // begins with a capital, or with a letter of a script without case
	alone     bool // no digit stands beside it
}

// wordsOf returns the words of a text: letters and digits together. In scripts
// without spaces between words each letter is one.
func wordsOf(s string) []word {
	var out []word
	from, single := -1, false
	end := func(to int) {
		if from >= 0 {
			raw := s[from:to]
			first, _ := utf8.DecodeRuneInString(raw)
			out = append(out, word{from, to, raw, schema.FoldName(raw), !unicode.IsLower(first), true})
			from = -1
		}
	}
	for i, r := range s {
		within := unicode.IsLetter(r) || unicode.IsDigit(r)
		goesOn := within || from >= 0 && (unicode.Is(unicode.M, r) || unicode.Is(unicode.Cf, r))
		unspaced := unicode.In(r, unicode.Han, unicode.Hiragana, unicode.Katakana)
		if !goesOn || from >= 0 && within && (unspaced || single) {
			end(i)
		}
		if from < 0 && within {
			from, single = i, unspaced
		}
	}
	end(len(s))
	return out
}

// split separates the letters and the digits of a word, which stand beside each
// other.
func (w word) split() []word {
	var out []word
	digit := false
	for i, r := range w.raw {
		if is := unicode.IsDigit(r); i == 0 || is != digit && (is || unicode.IsLetter(r)) {
			digit = is
			out = append(out, word{from: w.from + i, upper: !unicode.IsLower(r)})
		}
	}
	for i := range out {
		p := &out[i]
		if p.to = w.to; i+1 < len(out) {
			p.to = out[i+1].from
		}
		p.raw = w.raw[p.from-w.from : p.to-w.from]
		p.fold = schema.FoldName(p.raw)
	}
	return out
}

func letterCount(s string) int {
	n := 0
	for _, r := range s {
		if unicode.IsLetter(r) {
			n++
		}
	}
	return n
}

// WithNames returns a Masker that masks nothing.
func WithNames() *Masker { return &Masker{off: true} }

// Driver returns what stands for a driver; "" for none.
func (m *Masker) Driver(name string) string {
	if m.off || m.named || name == "" {
		return name
	}
	if l, ok := m.letters[name]; ok {
		return l
	}
	return aDriver
}

// Text returns free text with the drivers' names masked.
func (m *Masker) Text(s string) string { return m.In(schema.Sentence, s) }

// Field returns the text of a field with the drivers' names masked, according
// to how people may be named in it.
func (m *Masker) Field(f *schema.Field, s string) string {
	if f.Type == schema.WordField && slices.Contains(schema.Words(f.Vocabulary), s) {
		return s // a word that names nobody
	}
	return m.In(f.Naming(), s)
}

// In returns a text with the drivers' names masked. In free text a part of a
// name counts if it begins with a capital or is spelled as in the name, in a
// code in any case, in a label never; one of two letters counts only without
// digits beside it.
func (m *Masker) In(how schema.Naming, s string) string {
	if m.off || how == schema.Nobody || s == "" || len(m.whole) == 0 {
		return s
	}
	var words []word
	for _, w := range wordsOf(s) {
		if len(m.whole[w.fold]) == 0 && m.parts[w.fold] == nil {
			if parts := w.split(); len(parts) > 1 {
				words = append(words, parts...)
				continue
			}
		}
		words = append(words, w)
	}
	var out strings.Builder
	done, last := 0, (*alias)(nil) // last: the part of a name that ends at done
	for i := 0; i < len(words); {
		a, n := m.at(words[i:], s, how)
		if n == 0 {
			i++
			continue
		}
		from, to := words[i].from, words[i+n-1].to
		i += n
		if a.to == "" {
			continue
		}
		// Two parts of one name in a row are one name.
		gap := s[done:from]
		if last == nil || a == last || a.words != nil || a.to != last.to || strings.Trim(gap, " -,\u00a0") != "" {
			out.WriteString(gap)
			out.WriteString(a.to)
		}
		if done, last = to, a; a.words != nil {
			last = nil
		}
	}
	out.WriteString(s[done:])
	return out.String()
}

// at returns the name that the words begin with, and how many of them it takes;
// 0 if none.
func (m *Masker) at(words []word, s string, how schema.Naming) (*alias, int) {
	w := words[0]
	var best *alias
	most := 0
	for _, a := range m.whole[w.fold] {
		if n := len(a.words); n > most && n <= len(words) && adjacent(words[:n], s) && a.fits(words[:n]) {
			best, most = a, n
		}
	}
	if best != nil {
		return best, most
	}
	for _, a := range m.several {
		if n := a.together(words); n > 0 && adjacent(words[:n], s) {
			return a, n
		}
		if n := len(a.order); n <= len(words) && a.runsInto(words[:n]) && adjacent(words[:n], s) {
			return a, n
		}
	}
	p := m.parts[w.fold]
	if p == nil || how == schema.Label || letterCount(w.fold) < 3 && !w.alone {
		return nil, 0
	}
	if how == schema.Code || w.upper || w.raw == p.raw {
		return p, 1
	}
	return nil, 0
}

// together returns how many of the words make up the name when it is spelled
// with other word breaks: AdaVenn for Ada Venn; 0 if they do not.
func (a *alias) together(words []word) int {
	for _, all := range a.joined {
		rest := all
		for n, w := range words {
			var ok bool
			if rest, ok = strings.CutPrefix(rest, w.fold); !ok {
				break
			}
			if rest == "" {
				return n + 1
			}
		}
	}
	return 0
}

// runsInto reports whether the words are the name's plus one letter or more
// before or after it: a forgotten space, or an inflected name.
func (a *alias) runsInto(words []word) bool {
	n := len(words) - 1
	first, last := a.order[0], a.order[n]
	for i := 1; i < n; i++ {
		if words[i].fold != a.order[i] {
			return false
		}
	}
	return words[n].fold == last && len(first) > 2 && strings.HasSuffix(words[0].fold, first) ||
		words[0].fold == first && len(last) > 2 && strings.HasPrefix(words[n].fold, last)
}

// adjacent reports whether the words stand beside each other.
func adjacent(words []word, s string) bool {
	for i := 1; i < len(words); i++ {
		if utf8.RuneCountInString(s[words[i-1].to:words[i].from]) > 4 {
			return false
		}
	}
	return true
}

// fits reports whether the words are the name's, in any order. A name of one or
// two letters must stand alone, and one letter must be spelled as in the name.
func (a *alias) fits(words []word) bool {
	if len(words) == 1 {
		if n := utf8.RuneCountInString(a.words[0]); n < 3 && !words[0].alone || n == 1 && words[0].raw != a.raw {
			return false
		}
		return true
	}
	folds := make([]string, len(words))
	for i := range words {
		folds[i] = words[i].fold
	}
	slices.Sort(folds)
	return slices.Equal(folds, a.words)
}

// letters returns A to Z, then AA and so on.
func letters(n int) string {
	s := ""
	for n++; n > 0; n = (n - 1) / 26 {
		s = string(rune('A'+(n-1)%26)) + s
	}
	return s
}
