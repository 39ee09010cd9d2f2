package cooling

import (
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"

	"shedbook/report/say"
	"shedbook/schema/unit"
)

// text is fmt.Sprintf for sentences: a float64 has at most as many decimals as
// its verb says (%.1v; %v none), a comma between thousands, and its sign with a
// plus flag (%+.1v).
func text(format string, args ...any) string { return fmt.Sprintf(format, figures(args)...) }

// wrong is fmt.Errorf with figures as in text.
func wrong(format string, args ...any) error { return fmt.Errorf(format, figures(args)...) }

func figures(args []any) []any {
	for i, a := range args {
		if x, ok := a.(float64); ok {
			args[i] = figure(x)
		}
	}
	return args
}

// figure is a number in a sentence.
type figure float64

func (x figure) Format(f fmt.State, verb rune) {
	if verb != 'v' {
		fmt.Fprintf(f, fmt.FormatString(f, verb), float64(x))
		return
	}
	decimals, _ := f.Precision()
	s := say.Decimals(float64(x), decimals)
	if f.Flag('+') && x > 0 && s != "0" {
		s = "+" + s
	}
	io.WriteString(f, s)
}

// quantity matches one or two figures followed by a unit.
var quantity = regexp.MustCompile(`%\+?(?:\.(\d))?[vf](?:( to | and )%\+?(?:\.(\d))?[vf])? (kPa|°C|K|mL|L|m)\b`)

// text is the function text in the machine's system of units.
func (e *exam) text(format string, args ...any) string {
	if e.spec.Units != unit.US {
		return text(format, args...)
	}
	var out strings.Builder
	at, next := 0, 0
	for _, m := range quantity.FindAllStringSubmatchIndex(format, -1) {
		before := format[at:m[0]]
		out.WriteString(before)
		next += strings.Count(before, "%") - 2*strings.Count(before, "%%")
		of, into := format[m[8]:m[9]], ""
		put := func(verb, from, to int) {
			decimals, _ := strconv.Atoi(format[max(from, 0):max(to, 0)])
			x, ok := args[next].(float64)
			if !ok {
				x = float64(args[next].(int))
			}
			var said string
			if said, into = unit.Said(x, decimals, of, e.spec.Units); format[verb+1] == '+' && x > 0 && said != "0" {
				said = "+" + said
			}
			args[next] = said
			next++
			out.WriteString("%s")
		}
		put(m[0], m[2], m[3])
		if m[4] >= 0 {
			out.WriteString(format[m[4]:m[5]])
			put(m[5], m[6], m[7])
		}
		out.WriteString(" " + into)
		at = m[1]
	}
	return text(out.String()+format[at:], args...)
}
