package report

import (
	"slices"
	"strconv"
	"strings"

	"shedbook/report/cooling"
	"shedbook/schema"
	"shedbook/schema/unit"
)

// Measured returns what a check measured, in words and in a system's units: its
// value, and its other figures by name. A figure or a unit that is not known is
// left as written.
func Measured(c *schema.Check, units unit.System) (value, figures string) {
	if c.Value.Known && c.Unit == "yesno" {
		value = yesNo(c.Value.V)
	} else if c.Value.Known {
		value = unit.Format(c.Value.V, unit.Unit(c.Unit), units)
		if plain := unit.Format(c.Value.V, "", units); value == plain && c.Unit != "" {
			value += " " + c.Unit
		}
	}
	of, _ := cooling.Figures(c.Check)
	var out []string
	for part := range strings.SplitSeq(c.Figures, ";") {
		name, values, ok := strings.Cut(part, "=")
		i := slices.IndexFunc(of, func(f cooling.Figure) bool { return f.Name == name })
		if !ok || i < 0 {
			out = append(out, part)
			continue
		}
		texts := strings.Split(values, "/")
		for k, text := range texts {
			v, err := strconv.ParseFloat(text, 64)
			switch {
			case err != nil:
			case of[i].Unit == "yesno":
				texts[k] = yesNo(v)
			default:
				texts[k] = unit.Format(v, unit.Unit(of[i].Unit), units)
			}
		}
		out = append(out, of[i].Words()+" "+strings.Join(texts, ", "))
	}
	return value, strings.Join(out, ", ")
}

func yesNo(v float64) string {
	if v == 1 {
		return "yes"
	}
	return "no"
}
