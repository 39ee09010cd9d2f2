// Package cooling is the physics behind the checks of a liquid-cooled engine:
// what a mixture of glycol and water does, what a sensor, a thermostat, a cap
// and a cylinder should read, and what a reading therefore says (see Judge).
//
// Conventions, the same in every file:
//
//   - Temperatures are in °C, temperature differences in K, pressures in kPa
//     (gauge, unless a name says absolute), altitudes in metres above the sea,
//     volumes in the unit that the name ends with, concentrations in percent
//     by volume unless the name says mass.
//   - Every formula names its source. A figure that nobody published is marked
//     'common practice, no source', one that was not looked up 'from memory'.
//   - Bad input is an error that names the figure, the value and what would be
//     right. No function returns NaN or an infinity.
//   - A machine's own manual goes before every default in here.
package cooling

import (
	"math"
)

// kelvin is 0 °C on the absolute scale.
const kelvin = 273.15

// within returns an error for a value outside low to high, or not a number.
func within(name string, x, low, high float64, unit, hint string) error {
	if x >= low && x <= high {
		return nil
	}
	space := " "
	if unit == "" {
		space = ""
	}
	if hint != "" {
		hint = ": " + hint
	}
	return wrong("%s: %.4v%s%s should lie between %.4v and %.4v%s%s%s",
		name, x, space, unit, low, high, space, unit, hint)
}

// symbol returns a figure's unit as it is printed.
func symbol(unit string) string {
	switch unit {
	case "c":
		return "°C"
	case "kpa":
		return "kPa"
	case "pct":
		return "%"
	case "ml":
		return "mL"
	case "l":
		return "L"
	}
	return unit
}

// between returns the straight line from (x0, y0) to (x1, y1) at x.
func between(x, x0, y0, x1, y1 float64) float64 {
	if x1 == x0 {
		return y0
	}
	return y0 + (y1-y0)*(x-x0)/(x1-x0)
}

// bisect returns where the rising function f crosses zero between low and high.
func bisect(f func(float64) float64, low, high float64) float64 {
	for range 200 {
		mid := (low + high) / 2
		if mid <= low || mid >= high {
			break
		}
		if f(mid) < 0 {
			low = mid
		} else {
			high = mid
		}
	}
	return (low + high) / 2
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
