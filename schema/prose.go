package schema

import "slices"

// Naming tells how a field may name people.
type Naming int

const (
	Nobody   Naming = iota // not at all: words of a vocabulary, numbers and times
	Sentence               // free text: by a name or a part of one
	Label                  // the name of a thing: by a whole name only, since a maker may be called as somebody is
	Code                   // a ref or a file's name, without capitals: by a name or a part of one in any case
)

// labels and codes are the text fields that are not free text; any other text
// may name people. Histories and handed-over books are masked by this one list.
var (
	labels = []string{"machine", "make", "model", "serial", "figure"}
	codes  = []string{"ref", "word"}
)

// Naming returns how people may be named in the field.
func (f *Field) Naming() Naming {
	switch {
	case f.Type == MachineField:
		return Label
	case f.Type == WordField && f.Vocabulary == "terrain": // its owner adds words
		return Code
	case f.Type != TextField:
		return Nobody
	case slices.Contains(labels, f.Name):
		return Label
	case slices.Contains(codes, f.Name):
		return Code
	}
	return Sentence
}
