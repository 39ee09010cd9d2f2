package unit

import (
	"math"
	"strconv"
)

// Format returns v, in the canonical unit u, for people: "350 mL" or "11.8 fl
// oz", "31.5 h", "88 °C" or "190 °F", "110 kPa" or "16 psi". It rounds to the
// precision of such readings; sheets and JSON have the full value. A value that
// is not finite is "not known".
func Format(v float64, u Unit, sys System) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "not known"
	}
	us := sys == US
	switch u {
	case Hours:
		return Fixed(v, 1) + " h"
	case Minutes:
		return Short(v, 1) + " min"
	case Days:
		s := Short(v, 1)
		if s == "1" {
			return "1 day"
		}
		return s + " days"
	case Millilitres:
		if us {
			return Short(v*usFlOz.den/usFlOz.num, 1) + " fl oz"
		}
		if math.Abs(v) < 10 {
			return Short(v, 1) + " mL"
		}
		return Fixed(v, 0) + " mL"
	case Litres:
		if us {
			return Fixed(v*1000*usQuart.den/usQuart.num, 1) + " qt"
		}
		return Short(v, 2) + " L"
	case Kilopascal:
		if us {
			return Fixed(v*psi.den/psi.num, 0) + " psi"
		}
		return Fixed(v, 0) + " kPa"
	case Celsius:
		if us {
			return Fixed(v*9/5+32, 0) + " °F"
		}
		return Fixed(v, 0) + " °C"
	case Percent:
		return Short(v, 1) + " %"
	case Ohm:
		if math.Abs(v) < 100 {
			return Short(v, 2) + " ohm"
		}
		return Fixed(v, 0) + " ohm"
	case Metres:
		if us {
			return Fixed(v*foot.den/foot.num, 0) + " ft"
		}
		return Fixed(v, 0) + " m"
	}
	return Short(v, 2)
}

// Fixed returns v with n decimals, and no minus before a zero.
func Fixed(v float64, n int) string {
	s := strconv.FormatFloat(v, 'f', n, 64)
	if s[0] == '-' && zero(s[1:]) {
		return s[1:]
	}
	return s
}

func zero(s string) bool {
	for i := range len(s) {
		if s[i] != '0' && s[i] != '.' {
			return false
		}
	}
	return true
}

// Short returns v with at most n decimals.
func Short(v float64, n int) string {
	s := Fixed(v, n)
	for n > 0 && s[len(s)-1] == '0' {
		s = s[:len(s)-1]
	}
	if s[len(s)-1] == '.' {
		s = s[:len(s)-1]
	}
	return s
}

// Exact returns v in the fewest digits that read back as v.
func Exact(v float64) string { return string(AppendExact(nil, v)) }

// AppendExact appends Exact to b.
func AppendExact(b []byte, v float64) []byte {
	form := byte('f')
	if a := math.Abs(v); a != 0 && (a < 1e-6 || a >= 1e21) {
		form = 'g'
	}
	return strconv.AppendFloat(b, v, form, -1, 64)
}
