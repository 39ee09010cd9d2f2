package unit

import (
	"math"
	"regexp"
	"strconv"
	"strings"
)

var metric = regexp.MustCompile(`([+-]?\d+(?:\.\d+)?)(?:( to | and )([+-]?\d+(?:\.\d+)?))? (kPa|°C|K|mL|L)\b( \([^()]* psi\))?`)

// Reword puts the metric quantities in a sentence into the units of a system, in
// as many figures as tell no more than was said, three at most. Kelvins are
// differences. A pressure that is given in psi as well is then given once.
func Reword(sentence string, sys System) string {
	if sys != US {
		return sentence
	}
	return metric.ReplaceAllStringFunc(sentence, func(said string) string {
		m := metric.FindStringSubmatch(said)
		into := func(text string) string {
			v, err := strconv.ParseFloat(text, 64)
			if err != nil {
				return text
			}
			_, decimals, _ := strings.Cut(text, ".")
			half := 0.5 * math.Pow10(-len(decimals)) // of the last place as said
			scale, zero := 1.8, 0.0
			switch m[4] {
			case "kPa":
				scale = psi.den / psi.num
			case "°C":
				zero = 32
			case "mL":
				scale = usFlOz.den / usFlOz.num
			case "L":
				scale = 1000 * usQuart.den / usQuart.num
			}
			v = v*scale + zero
			sign := ""
			if text[0] == '+' && v >= 0 {
				sign = "+"
			}
			for figures := 1; ; figures++ {
				f, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'e', figures-1, 64), 64)
				if math.Abs(f-v) <= half*scale || figures == 3 {
					return sign + strconv.FormatFloat(f, 'f', -1, 64)
				}
			}
		}
		out := into(m[1])
		if m[2] != "" {
			out += m[2] + into(m[3])
		}
		return out + " " + map[string]string{"kPa": "psi", "°C": "°F", "K": "°F", "mL": "fl oz", "L": "qt"}[m[4]]
	})
}
