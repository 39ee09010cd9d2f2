package schema

import (
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Problem is an invalid value: its column, the value, and what is wrong and
// would be right. Hint, if set, is the next step.
type Problem struct {
	Column, Value, Says, Hint string
}

func (p *Problem) Error() string {
	if p.Value == "" {
		return p.Column + " " + p.Says
	}
	if first, _, _ := strings.Cut(p.Says, " "); slices.Contains([]string{"is", "should", "needs", "holds", "has",
		"contradicts", "does", "did"}, first) {
		return fmt.Sprintf("%s %q %s", p.Column, p.Value, p.Says)
	}
	return fmt.Sprintf("%s %q: %s", p.Column, p.Value, p.Says)
}

// Wrong returns a Problem.
func Wrong(column, value, says string) error {
	return &Problem{Column: column, Value: short(value), Says: says}
}

// AsProblem returns the Problem in an error; nil if there is none.
func AsProblem(err error) *Problem {
	var p *Problem
	if errors.As(err, &p) {
		return p
	}
	return nil
}

// short cuts a value to what fits into a line.
func short(s string) string {
	r := []rune(s)
	if len(r) > 60 {
		return string(r[:57]) + "..."
	}
	return s
}
