package schema

import (
	"slices"
	"strconv"
	"strings"
	"unicode"

	"shedbook/schema/unit"
)

// Given is a value on a record's line, and the field it was understood as.
type Given struct {
	Field *Field
	Value string
}

// manyWords is the most words that one value can have: "12 fl oz", "Ada Venn".
const manyWords = 3

// leastLetters is the fewest letters by which a word can be abbreviated.
const leastLetters = 2

// Line reads the words after the machine on a record's line, in any order.
// Words of the kind's vocabularies and drivers may be given by their unique
// beginning. A number with a unit is the only field where the unit makes sense;
// one without is the kind's plain quantity. The first word is the kind's plain
// text, if it has one. A field's name before a value says which field is meant:
// "level ok". Ambiguous words are an error that names both meanings; nothing is
// guessed. What a line can't say, the record's options can. All errors are
// returned, not only the first.
func (k *Kind) Line(words []string, known *Known) (out []Given, wrong []error) {
	plain := k.plainNumber()
next:
	for i := 0; i < len(words); {
		given, used, ok := k.value(words[i:], known, i == 0)
		if !ok {
			err := k.notUnderstood(words[i], known, plain)
			if len(given) > 1 {
				err = k.twofold(strings.Join(words[i:i+used], " "), given)
			} else if p := AsProblem(err); plain != nil && p.Column == "--"+plain.Flag() {
				plain = nil // said once
			}
			wrong = append(wrong, err)
			i += max(used, 1)
			continue
		}
		i += used
		for _, g := range out {
			if g.Field == given[0].Field && g.Field.Type != WordsField {
				wrong = append(wrong, &Problem{Column: label(g.Field), Value: given[0].Value,
					Says: "is a second one: " +
						Quote(g.Value) + " is there already"})
				continue next
			}
		}
		if out = append(out, given[0]); given[0].Field == plain {
			plain = nil
		}
	}
	return out, wrong
}

// value reads the value at the beginning of the words, and returns how many it
// took. It is ok if the words can mean one thing only; found is all they can mean.
func (k *Kind) value(words []string, known *Known, first bool) (found []Given, used int, ok bool) {
	if f := k.plainText(); f != nil && first {
		return []Given{{f, words[0]}}, 1, true
	}
	for n := min(manyWords, len(words)); n > 0; n-- {
		text := strings.Join(words[:n], " ")
		if n > 1 && number(words[0]) && !letter(words[1]) {
			continue // two numbers in a row are two values
		}
		if found = k.readings(text, known); len(found) > 0 {
			return found, n, len(found) == 1
		}
	}
	if f := k.named(words[0]); f != nil && len(words) > 1 {
		only := &Kind{Name: k.Name, Fields: []Field{*f}}
		only.Fields[0].Plain = true
		if given, n, ok := only.value(words[1:], known, false); ok {
			return []Given{{f, given[0].Value}}, n + 1, true
		}
	}
	return nil, 0, false
}

// named returns the field of the line with this name; nil if there is none.
func (k *Kind) named(word string) *Field {
	for i := range k.Fields {
		if f := &k.Fields[i]; f.Type != TextField && f.Type != MachineField && strings.EqualFold(word, f.Flag()) {
			return f
		}
	}
	return nil
}

func (k *Kind) plainText() *Field {
	for i := range k.Fields {
		if f := &k.Fields[i]; f.Plain && f.Type == TextField {
			return f
		}
	}
	return nil
}

func (k *Kind) plainNumber() *Field {
	for i := range k.Fields {
		if f := &k.Fields[i]; f.Plain && f.Type == NumField {
			return f
		}
	}
	return nil
}

func number(s string) bool { return s != "" && strings.ContainsRune("0123456789-+.,", rune(s[0])) }

func letter(s string) bool { return s != "" && (unicode.IsLetter([]rune(s)[0]) || s[0] == '%') }

// readings returns everything that a text can mean on the kind's line.
func (k *Kind) readings(text string, known *Known) []Given {
	var whole, begun, plain, measured []Given
	for i := range k.Fields {
		f := &k.Fields[i]
		switch f.Type {
		case WordField, WordsField:
			if f.Yes != "" && strings.EqualFold(text, f.Yes) {
				whole = append(whole, Given{f, "yes"})
			}
			if f.No != "" && strings.EqualFold(text, f.No) {
				whole = append(whole, Given{f, "no"})
			}
			if f.Vocabulary == "yesno" {
				continue
			}
			if w := known.word[f.Vocabulary][fold(text)]; w != "" {
				whole = append(whole, Given{f, w})
			} else if len(text) >= leastLetters {
				for _, w := range Beginning(text, known.Words[f.Vocabulary]) {
					begun = append(begun, Given{f, w})
				}
			}
		case DriverField:
			if name := known.driver[fold(text)]; name != "" {
				whole = append(whole, Given{f, name})
				continue
			}
			for _, name := range Beginning(text, known.Drivers) {
				begun = append(begun, Given{f, name})
			}
		case NumField:
			if f.Zero != "" && strings.EqualFold(text, f.Zero) {
				whole = append(whole, Given{f, "0"})
			}
			if !number(text) {
				continue
			}
			_, err := unit.Parse(text, f.Unit)
			_, bare := strconv.ParseFloat(text, 64)
			switch {
			case err != nil:
			case f.Plain:
				plain = append(plain, Given{f, text})
			case bare != nil && f.Unit != unit.Count: // the unit tells which field it is
				measured = append(measured, Given{f, text})
			}
		}
	}
	for _, found := range [][]Given{whole, begun, plain, measured} {
		if len(found) > 0 {
			return found
		}
	}
	return nil
}

// Beginning returns the names that begin with s, ignoring case.
func Beginning(s string, names []string) []string {
	var out []string
	if s = fold(strings.TrimSpace(s)); s == "" {
		return nil
	}
	for _, name := range names {
		if strings.HasPrefix(fold(name), s) {
			out = append(out, name)
		}
	}
	return out
}

func label(f *Field) string { return strings.ReplaceAll(f.Flag(), "-", " ") }

// twofold returns the error that lists the meanings of an ambiguous text.
func (k *Kind) twofold(text string, found []Given) error {
	var says []string
	drivers := true
	for _, g := range found {
		drivers = drivers && g.Field.Type == DriverField
		says = append(says, "--"+g.Field.Flag()+" "+Quote(g.Value))
	}
	if drivers {
		for i, g := range found {
			says[i] = g.Value
		}
		return &Problem{Column: "driver", Value: short(text), Says: "could be " + or(says) + ": write more of the name"}
	}
	return &Problem{Column: "word", Value: short(text), Says: "could be " + or(says) + ": give it as an option"}
}

// notUnderstood returns the error that lists what a line of the kind can hold.
// plain is its plain number, if that is still missing.
func (k *Kind) notUnderstood(word string, known *Known, plain *Field) error {
	var words, takes []string
	for i := range k.Fields {
		f := &k.Fields[i]
		switch {
		case f.Type == DriverField:
			words = append(words, known.Drivers...)
			takes = append(takes, "a driver")
		case f.Type == WordField && f.Vocabulary != "yesno", f.Type == WordsField:
			words = append(words, known.Words[f.Vocabulary]...)
			takes = append(takes, label(f))
		case f.Type == NumField && (f.Plain || f.Zero != ""):
			takes = append(takes, label(f))
		case f.Yes != "" && f.No != "":
			takes = append(takes, f.Yes, f.No)
		case f.Yes != "":
			takes = append(takes, f.Yes)
		}
		for _, w := range []string{f.Yes, f.No, f.Zero} {
			if w != "" {
				words = append(words, w)
			}
		}
	}
	near := DidYouMean(word, slices.Compact(words))
	if plain != nil && near == "" && (plain.Required || number(word)) { // what is most likely missing
		if _, err := unit.Parse(word, plain.Unit); err != nil {
			return &Problem{Column: "--" + plain.Flag(), Value: short(word), Says: trimValue(err.Error(), word)}
		}
	}
	p := &Problem{Column: "word", Value: short(word), Says: "does not fit " + article(k.Name) + near}
	if len(takes) > 0 {
		p.Says += "; what fits: " + or(takes)
	}
	p.Hint = "shedbook " + k.Name + " --help lists the words and options"
	return p
}

// article returns a kind's name with its article.
func article(name string) string {
	if strings.ContainsAny(name[:1], "aeiou") {
		return "an " + name
	}
	return "a " + name
}

func or(list []string) string {
	if n := len(list); n > 1 {
		return strings.Join(list[:n-1], ", ") + " or " + list[n-1]
	}
	return strings.Join(list, "")
}
