package unit

import (
	"math"
	"strconv"
	"strings"
)

// Said returns a quantity for a sentence, and its unit, in a system of units:
// with at most so many decimals, and in other units than metric with as many
// figures (three at most) as tell no more than that. The unit is kPa, °C, K (a
// difference), mL, L or m; any other is not converted.
func Said(v float64, decimals int, of string, sys System) (text, unit string) {
	text = Short(v, decimals)
	if sys != US {
		return text, of
	}
	scale, zero := 1.8, 0.0
	switch of {
	case "kPa":
		scale, unit = psi.den/psi.num, "psi"
	case "°C":
		zero, unit = 32, "°F"
	case "K":
		unit = "°F"
	case "mL":
		scale, unit = usFlOz.den/usFlOz.num, "fl oz"
	case "L":
		scale, unit = 1000*usQuart.den/usQuart.num, "qt"
	case "m":
		scale, unit = foot.den/foot.num, "ft"
	default:
		return text, of
	}
	_, after, _ := strings.Cut(text, ".")
	half := 0.5 * math.Pow10(-len(after)) // half of the last decimal
	v, _ = strconv.ParseFloat(text, 64)
	v = v*scale + zero
	for figures := 1; ; figures++ {
		f, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'e', figures-1, 64), 64)
		if math.Abs(f-v) <= half*scale || figures == 3 {
			return strconv.FormatFloat(f, 'f', -1, 64), unit
		}
	}
}
