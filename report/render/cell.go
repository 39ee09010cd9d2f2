package render

import (
	"html"
	"math"
	"strconv"
	"strings"
	"time"

	"shedbook/schema"
	"shedbook/schema/unit"
)

// Interval is an estimate in the form in which it is printed: a value and the
// limits of its interval, infinite if there is none. stat.Estimate converts to
// it.
type Interval struct{ Value, Low, High, Level float64 }

type cellKind uint8

const (
	blankCell cellKind = iota
	textCell
	countCell
	numberCell
	chanceCell
	shareCell
	intervalCell
	momentCell
	dayCell
	barsCell
)

// Cell is one typed value of a table, so that each format can print it in its
// own way. The zero Cell is blank: not recorded, or nothing to say.
type Cell struct {
	kind cellKind
	s    string
	v    float64
	e    Interval
	t    time.Time
	bars *bars
	hint Hint
	said string
}

// Text returns a cell of words.
func Text(s string) Cell {
	if s == "" {
		return Cell{}
	}
	return Cell{kind: textCell, s: s}
}

// Lines returns a cell of several sentences.
func Lines(items []string) Cell { return Text(strings.Join(items, "; ")) }

// Count returns a cell of a whole number.
func Count(n int) Cell { return Cell{kind: countCell, v: float64(n)} }

// Number returns a cell of a figure in its column's unit; blank if it is not
// finite.
func Number(v float64) Cell {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return Cell{}
	}
	return Cell{kind: numberCell, v: v}
}

// Recorded returns a cell of a figure that may not be recorded.
func Recorded(n schema.Num) Cell {
	if !n.Known {
		return Cell{}
	}
	return Number(n.V)
}

// Known returns a cell of a figure that may be absent.
func Known(v *float64) Cell {
	if v == nil {
		return Cell{}
	}
	return Number(*v)
}

// Share returns a cell of a probability, 0 to 1.
func Share(p float64) Cell {
	c := Number(p)
	if c.kind != blankCell {
		c.kind = shareCell
	}
	return c
}

// Chance returns a cell of a p-value; nil is blank.
func Chance(v *float64) Cell {
	if v == nil || math.IsNaN(*v) {
		return Cell{}
	}
	return Cell{kind: chanceCell, v: *v}
}

// Estimated returns a cell of an estimate with its interval, in its column's
// unit; nil is blank.
func Estimated(e *Interval) Cell {
	if e == nil || math.IsNaN(e.Value) || math.IsInf(e.Value, 0) {
		return Cell{}
	}
	return Cell{kind: intervalCell, e: *e}
}

// Moment returns a cell of a time to the minute.
func Moment(t time.Time) Cell {
	if t.IsZero() {
		return Cell{}
	}
	return Cell{kind: momentCell, t: t}
}

// Day returns a cell of a date.
func Day(t time.Time) Cell {
	if t.IsZero() {
		return Cell{}
	}
	return Cell{kind: dayCell, t: t}
}

// barsCellOf returns a cell of a small plot.
func barsCellOf(b bars) Cell { return Cell{kind: barsCell, bars: &b} }

// Hint returns the cell with a colour, for outputs with colours.
func (c Cell) Hint(h Hint) Cell { c.hint = h; return c }

// Said returns the cell with words for people instead of its value, which CSV
// keeps.
func (c Cell) Said(words string) Cell { c.said = words; return c }

func (c Cell) numeric() bool {
	return c.kind >= countCell && c.kind <= intervalCell
}

// people returns the cell as people see it, without its unit, which is in the
// column's head.
func (c Cell) people(col *Column, o Options) string {
	if c.said != "" {
		return c.said
	}
	switch c.kind {
	case textCell:
		return Safe(c.s)
	case countCell:
		return strconv.FormatFloat(c.v, 'f', 0, 64)
	case numberCell:
		return figureText(c.v, col, o.system())
	case chanceCell:
		return chanceText(c.v)
	case shareCell:
		if c.v > 0 && c.v < 0.005 {
			return "<0.01"
		}
		return unit.Fixed(c.v, 2)
	case intervalCell:
		return intervalText(c.e, col, o.system())
	case momentCell:
		return o.moment(c.t)
	case dayCell:
		return o.day(c.t)
	case barsCell:
		return spark(c.bars.values, 26)
	}
	return ""
}

// markup returns the cell's content as HTML.
func (c Cell) markup(col *Column, o Options) string {
	if c.kind == barsCell {
		return c.bars.svg() + `<span class="iv">` + html.EscapeString(c.bars.total) + `</span>`
	}
	s := html.EscapeString(c.people(col, o))
	switch c.kind {
	case momentCell, dayCell:
		return `<time datetime="` + c.t.In(o.zone()).Format(time.RFC3339) + `">` + s + `</time>`
	case intervalCell:
		if i := strings.Index(s, " ("); i > 0 {
			return s[:i] + ` <span class="iv">` + s[i+1:] + `</span>`
		}
	}
	return s
}

// shown returns a figure in the unit people are shown, and that unit's name.
// The name is the one that unit.Format prints, the factor the one that
// unit.Parse uses, so that units are defined in one place.
func shown(v float64, u unit.Unit, sys unit.System) (float64, string) {
	if u == unit.Count {
		return v, ""
	}
	_, label, _ := strings.Cut(unit.Format(2, u, sys), " ")
	zero, err0 := unit.Parse("0 "+label, u)
	one, err1 := unit.Parse("1 "+label, u)
	if err0 != nil || err1 != nil || one == zero {
		return v, label
	}
	return (v - zero) / (one - zero), label
}

// figureText returns a figure without its unit: a plain quantity rounded as
// unit.Format rounds it, a rate or a count as places tells.
func figureText(v float64, col *Column, sys unit.System) string {
	if col.Unit != unit.Count && col.Per == "" {
		s, _, _ := strings.Cut(unit.Format(v, col.Unit, sys), " ")
		return s
	}
	v, _ = shown(v, col.Unit, sys)
	return unit.Fixed(v, places(v))
}

func intervalText(e Interval, col *Column, sys unit.System) string {
	value, _ := shown(e.Value, col.Unit, sys)
	low, _ := shown(e.Low, col.Unit, sys)
	high, _ := shown(e.High, col.Unit, sys)
	n := places(value)
	if value == 0 && !math.IsInf(high, 0) {
		n = places(high)
	}
	tell := func(v float64) string {
		if v == 0 {
			return "0"
		}
		return unit.Fixed(v, n)
	}
	s := tell(value)
	noLow, noHigh := math.IsInf(low, -1) || math.IsNaN(low), math.IsInf(high, 1) || math.IsNaN(high)
	switch {
	case noLow && noHigh:
		return s + " (no limits)"
	case noLow:
		return s + " (up to " + tell(high) + ")"
	case noHigh:
		return s + " (" + tell(low) + " or more)"
	}
	return s + " (" + tell(low) + " to " + tell(high) + ")"
}

// places returns how many decimals show at least two figures of v, at most
// four.
func places(v float64) int {
	v = math.Abs(v)
	switch {
	case v == 0 || v >= 99.5:
		return 0
	case v >= 1:
		return 1
	}
	return min(4, 1-int(math.Floor(math.Log10(v)*(1+1e-12))))
}

func chanceText(p float64) string {
	switch {
	case p < 0.001:
		return "<0.001"
	case p < 0.1:
		return unit.Fixed(p, 3)
	}
	return unit.Fixed(p, 2)
}
