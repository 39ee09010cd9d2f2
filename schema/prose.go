package schema

import "slices"

// prose are the text fields in which people may be named: what somebody wrote,
// not the names of things, figures or refs.
var prose = []string{"note", "reason", "work", "parts", "by", "found", "why"}

// Prose says whether the field is free text, in which people may be named.
func (f *Field) Prose() bool { return f.Type == TextField && slices.Contains(prose, f.Name) }
