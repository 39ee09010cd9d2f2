package schema

import "slices"

// Naming says how people may be named in a field.
type Naming int

const (
	Nobody   Naming = iota // in words of a vocabulary, numbers and times: not at all
	Sentence               // in what somebody wrote: by a name or a part of one
	Label                  // in what a thing is called: by a whole name; a maker may well be called as somebody is
	Code                   // in a ref or a file's name, without capitals: by a name or a part of one in any case
)

// labels and codes are the text fields that are no sentences; whatever else is
// text may name people. A history and a machine's own book are masked by this
// one list.
var (
	labels = []string{"machine", "make", "model", "serial", "figure"}
	codes  = []string{"ref", "word"}
)

// Naming is how people may be named in the field.
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
