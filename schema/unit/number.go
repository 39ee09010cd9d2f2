package unit

import (
	"fmt"
	"math"
	"strconv"
	"unicode/utf8"
)

const (
	maxCell  = 64   // bytes of a cell that can hold a number
	maxValue = 1e12 // no reading of a machine is larger
)

// pow10 holds the powers of ten that a float64 holds exactly.
var pow10 = [...]float64{1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16,
	1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

// Parse reads a number that may carry its own unit and returns it in u. A bare number is taken as u.
//
// Understood are a decimal point, a decimal comma where it can mean nothing else (1,5 but not 1,500),
// digits grouped in threes by spaces (1 500), and, for hours, 1:30, 1 h 30 and 90 min. A gallon, quart, pint or
// ounce is the US one unless "imp" stands before it. The result is never NaN or infinite, and at most 1e12 in size.
//
// An error quotes the value and says what would be right.
func Parse(s string, u Unit) (float64, error) {
	if v, ok := plain(s); ok {
		if u == Celsius && v < absoluteZero {
			return 0, fmt.Errorf("%s is below absolute zero: write %s", Quote(s), example(u))
		}
		return v, nil
	}
	return parseTyped(s, u)
}

// plain reads the commonest form of a cell, [-]digits[.digits] with at most 15
// digits, which one float64 division rounds correctly.
func plain(s string) (float64, bool) {
	n := len(s)
	if n == 0 || n > 17 {
		return 0, false
	}
	i := 0
	neg := s[0] == '-'
	if neg {
		i = 1
	}
	var mant uint64
	digits, point := 0, -1
	for ; i < n; i++ {
		c := s[i]
		if c-'0' <= 9 {
			mant = mant*10 + uint64(c-'0')
			digits++
		} else if c == '.' && point < 0 {
			point = digits
		} else {
			return 0, false
		}
	}
	if digits == 0 || digits > 15 {
		return 0, false
	}
	v := float64(mant)
	if point >= 0 {
		v /= pow10[digits-point]
	}
	if v > maxValue {
		return 0, false
	}
	if neg {
		if v == 0 {
			return 0, true // -0 is of no use
		}
		v = -v
	}
	return v, true
}

const absoluteZero = -273.15

// parseTyped is Parse for anything but a plain number.
func parseTyped(s string, u Unit) (float64, error) {
	to, ok := canonical(u)
	if !ok {
		return 0, fmt.Errorf("%s is not a unit shedbook knows", Quote(string(u)))
	}
	wrong := func() (float64, error) {
		return 0, fmt.Errorf("%s is not %s: write %s", Quote(s), noun[to.dim], example(u))
	}
	t := trim(s)
	if t == "" || len(t) > maxCell {
		return wrong()
	}
	d, rest, err := scanNumber(t)
	if err != nil {
		return 0, fmt.Errorf("%s %s", Quote(s), err)
	}
	if !d.ok {
		return wrong()
	}
	if rest == "" {
		return finish(s, u, to, d, to)
	}
	if to.dim == engineTime {
		if rest[0] == ':' {
			if u != Hours {
				return 0, fmt.Errorf("%s could be hours or minutes: write %s", Quote(s), example(u))
			}
			h, ok := clockHours(d, rest)
			if !ok {
				return wrong()
			}
			return h, nil
		}
		if h, ok := hoursAndMinutes(d, rest); ok {
			return h * to.den / to.num, nil
		}
	}
	var buf [maxCell]byte
	from, ok := known(suffix(&buf, rest), to.dim)
	if !ok {
		return wrong()
	}
	if from.dim != to.dim {
		return 0, fmt.Errorf("%s is %s, not %s: write %s", Quote(s), noun[from.dim], noun[to.dim], example(u))
	}
	return finish(s, u, to, d, from)
}

// finish converts d from a unit into the canonical unit, with a single rounding
// if the digits allow it.
func finish(s string, u Unit, to factor, d number, from factor) (float64, error) {
	var v float64
	switch {
	case from == to:
		v = d.value()
	case d.exact:
		v = float64(d.mant)
		if d.neg {
			v = -v
		}
		v = (v*from.num + from.shift*pow10[d.decimals]) * to.den / (pow10[d.decimals] * from.den * to.num)
	default:
		v = (d.value()*from.num + from.shift) * to.den / (from.den * to.num)
	}
	if u == Celsius && v < absoluteZero-1e-9 {
		return 0, fmt.Errorf("%s is below absolute zero: write %s", Quote(s), example(u))
	}
	if math.Abs(v) > maxValue || math.IsNaN(v) {
		return 0, fmt.Errorf("%s is too large: write %s", Quote(s), example(u))
	}
	if v == 0 {
		v = 0 // no -0
	}
	return v, nil
}

// number is a decimal as typed.
type number struct {
	ok       bool
	neg      bool
	exact    bool // mant and decimals are the whole value
	mant     uint64
	decimals int
	float    float64 // if not exact
}

func (d number) value() float64 {
	v := d.float
	if d.exact {
		v = float64(d.mant) / pow10[d.decimals]
	}
	if d.neg {
		return -v
	}
	return v
}

// scanNumber reads the number that t begins with, and returns the rest without
// leading spaces. ok is false if t begins with none. The error continues a
// sentence that begins with the value.
func scanNumber(t string) (d number, rest string, err error) {
	var text [maxCell]byte // in the form that strconv reads, for the few that need it
	n, i := 0, 0
	if t[0] == '-' || t[0] == '+' {
		d.neg = t[0] == '-'
		i = 1
	} else if r, w := utf8.DecodeRuneInString(t); r == '−' || r == '–' { // minus sign; dash of some keyboards
		d.neg = true
		i = w
	}
	for i < len(t) && t[i] == ' ' {
		i++
	}
	digits, group, point, comma := 0, 0, -1, false
	grouped := false
	for i < len(t) {
		c := t[i]
		if c-'0' <= 9 {
			text[n] = c
			n++
			digits++
			group++
			if digits <= 19 {
				d.mant = d.mant*10 + uint64(c-'0')
			}
			i++
			continue
		}
		if (c == '.' || c == ',') && (digits > 0 || c == '.') {
			if point >= 0 {
				return d, "", fmt.Errorf("has two decimal points: write 1234.5")
			}
			point, comma = digits, c == ','
			text[n] = '.'
			n++
			i++
			group = 0
			continue
		}
		// A space of any width between groups of three digits.
		if w := spaceAt(t[i:]); w > 0 && point < 0 && digits > 0 && (grouped && group == 3 || !grouped && group <= 3) &&
			threeDigits(t[i+w:]) {
			grouped, group = true, 0
			i += w
			continue
		}
		break
	}
	if digits == 0 {
		return d, "", nil
	}
	if point >= 0 {
		d.decimals = digits - point
	}
	if comma {
		if d.decimals == 0 {
			return number{}, "", nil
		}
		if d.decimals == 3 && !(point == 1 && text[0] == '0') {
			whole, frac := string(text[:point]), string(text[point+1:n])
			return d, "", fmt.Errorf("could be %s.%s or %s%s: write one of them", whole, frac, whole, frac)
		}
	}
	d.ok = true
	d.exact = digits <= 15
	if i < len(t) && (t[i] == 'e' || t[i] == 'E') { // as a spreadsheet writes a large number: 1E+05
		j := i + 1
		if j < len(t) && (t[j] == '+' || t[j] == '-') {
			j++
		}
		if k := j; k < len(t) && t[k]-'0' <= 9 {
			for k < len(t) && t[k]-'0' <= 9 {
				k++
			}
			n += copy(text[n:], t[i:k])
			i = k
			d.exact = false
		}
	}
	if !d.exact {
		v, perr := strconv.ParseFloat(string(text[:n]), 64)
		if perr != nil || v > 1e300 {
			return d, "", fmt.Errorf("is too large")
		}
		d.float = v
	}
	return d, trim(t[i:]), nil
}

func threeDigits(s string) bool {
	return len(s) >= 3 && s[0]-'0' <= 9 && s[1]-'0' <= 9 && s[2]-'0' <= 9 && (len(s) == 3 || s[3]-'0' > 9)
}

// clockHours reads h:mm or h:mm:ss; rest begins with the colon.
func clockHours(d number, rest string) (float64, bool) {
	if d.neg || !d.exact || d.decimals > 0 || d.mant > 1e6 {
		return 0, false
	}
	rest = cutHourWord(rest)
	mm, ok := twoDigits(rest, 1)
	if !ok || mm > 59 {
		return 0, false
	}
	secs := d.mant*3600 + uint64(mm)*60
	switch {
	case len(rest) == 3:
	case len(rest) == 6 && rest[3] == ':':
		ss, ok := twoDigits(rest, 4)
		if !ok || ss > 59 {
			return 0, false
		}
		secs += uint64(ss)
	default:
		return 0, false
	}
	return float64(secs) / 3600, true
}

// cutHourWord drops the unit of "1:30 h".
func cutHourWord(rest string) string {
	for i := 1; i < len(rest); i++ {
		if c := rest[i]; c != ':' && c-'0' > 9 {
			var buf [maxCell]byte
			if f, ok := known(suffix(&buf, rest[i:]), engineTime); ok && f == hour {
				return rest[:i]
			}
			return rest
		}
	}
	return rest
}

// hoursAndMinutes reads "1 h 30", "1h30m" and "1 h 30 min"; rest begins with the word for hours.
func hoursAndMinutes(d number, rest string) (float64, bool) {
	i := 0
	for i < len(rest) && rest[i]-'0' > 9 {
		i++
	}
	if i == 0 || i == len(rest) || d.neg || !d.exact || d.decimals > 0 || d.mant > 1e6 {
		return 0, false
	}
	var buf [maxCell]byte
	if f, ok := known(suffix(&buf, rest[:i]), engineTime); !ok || f != hour {
		return 0, false
	}
	m, rest, err := scanNumber(rest[i:])
	if err != nil || !m.ok || !m.exact || m.decimals > 0 || m.mant > 59 {
		return 0, false
	}
	if rest != "" {
		if f, ok := known(suffix(&buf, rest), engineTime); !ok || f != minute {
			return 0, false
		}
	}
	return float64(d.mant*60+m.mant) / 60, true
}

func twoDigits(s string, i int) (int, bool) {
	if i+2 > len(s) || s[i]-'0' > 9 || s[i+1]-'0' > 9 {
		return 0, false
	}
	return int(s[i]-'0')*10 + int(s[i+1]-'0'), true
}

// suffix returns a typed unit in the form that known reads, in buf.
func suffix(buf *[maxCell]byte, s string) string {
	n := 0
	for i := 0; i < len(s) && n < len(buf); {
		if w := spaceAt(s[i:]); w > 0 {
			i += w
			continue
		}
		c := s[i]
		i++
		if c == '.' {
			continue
		}
		if 'A' <= c && c <= 'Z' {
			c += 'a' - 'A'
		}
		buf[n] = c
		n++
	}
	return string(buf[:n])
}

// spaceAt returns the length of the space that s begins with, 0 if none.
// Spreadsheets and phones write thin and no-break spaces between digits and
// before units.
func spaceAt(s string) int {
	if s == "" {
		return 0
	}
	switch c := s[0]; {
	case c == ' ' || c == '\t' || c == '\r' || c == '\n':
		return 1
	case c < utf8.RuneSelf:
		return 0
	}
	switch r, w := utf8.DecodeRuneInString(s); r {
	case '\u00a0', '\u2007', '\u2009', '\u202f':
		return w
	}
	return 0
}

// trim removes spaces at both ends.
func trim(s string) string {
	for {
		w := spaceAt(s)
		if w == 0 {
			break
		}
		s = s[w:]
	}
	for s != "" {
		_, w := utf8.DecodeLastRuneInString(s)
		if spaceAt(s[len(s)-w:]) != w {
			break
		}
		s = s[:len(s)-w]
	}
	return s
}

// Quote quotes a value for an error message, shortened where it is long.
func Quote(s string) string {
	const most = 60
	if len(s) <= most {
		return strconv.Quote(s)
	}
	cut := most
	for cut > 0 && !utf8.RuneStart(s[cut]) {
		cut--
	}
	return strconv.Quote(s[:cut] + "…")
}
