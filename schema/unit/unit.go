// Package unit converts what people type ("0.5 l", "12 fl oz", "72F", "1 h 30",
// "yesterday 9:00") into one canonical unit, and prints values in the units
// they read.
package unit

// Unit is a canonical unit. Its text is also the suffix of a sheet's column (volume_ml, meter_h).
type Unit string

// The canonical units. Count is a plain number that takes no unit: a year, a tally, a price.
const (
	Hours       Unit = "h"
	Minutes     Unit = "min"
	Days        Unit = "days"
	Millilitres Unit = "ml"
	Litres      Unit = "l"
	Kilopascal  Unit = "kpa"
	Celsius     Unit = "c"
	Percent     Unit = "pct"
	Ohm         Unit = "ohm"
	Metres      Unit = "m"
	Count       Unit = ""
)

// System is the system of units shown to people.
type System string

// The two systems a book can show.
const (
	Metric System = "metric"
	US     System = "us"
)

// dim is what a unit measures; only units of one dim convert into each other.
// Days are separate from hours: an engine hour is not a twenty-fourth of a
// calendar day.
type dim uint8

const (
	count dim = iota
	engineTime
	calendar
	volume
	pressure
	temperature
	share
	resistance
	length
)

// noun names a dim in an error.
var noun = [...]string{
	count: "a plain number", engineTime: "a length of time", calendar: "a number of days", volume: "a volume",
	pressure: "a pressure", temperature: "a temperature", share: "a percentage", resistance: "a resistance",
	length: "a height",
}

// factor converts x in a typed unit into the base unit of its dim: (x*num +
// shift) / den. The three are whole numbers, so that decimals stay exact: 1.005
// l is 1005 ml, not 1004.9999999999999.
type factor struct {
	dim             dim
	num, den, shift float64
}

// canonical returns the dim of each canonical unit, and its factor to the base
// unit of that dim (ml, h, days, kPa, degree Celsius, percent, ohm, m).
func canonical(u Unit) (factor, bool) {
	switch u {
	case Count:
		return factor{dim: count, num: 1, den: 1}, true
	case Hours:
		return factor{dim: engineTime, num: 1, den: 1}, true
	case Minutes:
		return factor{dim: engineTime, num: 1, den: 60}, true
	case Days:
		return factor{dim: calendar, num: 1, den: 1}, true
	case Millilitres:
		return factor{dim: volume, num: 1, den: 1}, true
	case Litres:
		return factor{dim: volume, num: 1000, den: 1}, true
	case Kilopascal:
		return factor{dim: pressure, num: 1, den: 1}, true
	case Celsius:
		return factor{dim: temperature, num: 1, den: 1}, true
	case Percent:
		return factor{dim: share, num: 1, den: 1}, true
	case Ohm:
		return factor{dim: resistance, num: 1, den: 1}, true
	case Metres:
		return factor{dim: length, num: 1, den: 1}, true
	}
	return factor{}, false
}

// example returns a correct value that an error suggests.
func example(u Unit) string {
	switch u {
	case Hours:
		return "1.5, 1.5 h, 1:30 or 90 min"
	case Minutes:
		return "20, 20 min or 0.5 h"
	case Days:
		return "30, 30 days or 4 weeks"
	case Millilitres:
		return "250, 250 ml, 0.25 l or 8 fl oz"
	case Litres:
		return "4.2, 4.2 l, 4200 ml or 4.4 qt"
	case Kilopascal:
		return "108, 108 kPa, 1.1 bar or 16 psi"
	case Celsius:
		return "22, 22 C or 72 F"
	case Percent:
		return "40 or 40 %"
	case Ohm:
		return "190, 190 ohm or 2.5 kohm"
	case Metres:
		return "500, 500 m or 1640 ft"
	}
	return "a number, such as 12 or 12.5"
}

// Factors from NIST Special Publication 811 (2008), appendix B.8, or from the
// exact definitions it rests on: inch 25.4 mm, pound 0.45359237 kg, standard
// gravity 9.80665 m/s2, US gallon 231 in3, imperial gallon 4.54609 l. A gallon,
// quart, pint or ounce without a country is the US one.
var (
	mlUnit     = factor{dim: volume, num: 1, den: 1}
	litre      = factor{dim: volume, num: 1000, den: 1}
	usGallon   = factor{dim: volume, num: 3785411784, den: 1e6}
	usQuart    = factor{dim: volume, num: 946352946, den: 1e6}
	usPint     = factor{dim: volume, num: 473176473, den: 1e6}
	usFlOz     = factor{dim: volume, num: 295735295625, den: 1e10}
	impGallon  = factor{dim: volume, num: 454609, den: 100}
	impQuart   = factor{dim: volume, num: 11365225, den: 1e4}
	impPint    = factor{dim: volume, num: 56826125, den: 1e5}
	impFlOz    = factor{dim: volume, num: 284130625, den: 1e7}
	hour       = factor{dim: engineTime, num: 1, den: 1}
	minute     = factor{dim: engineTime, num: 1, den: 60}
	second     = factor{dim: engineTime, num: 1, den: 3600}
	day        = factor{dim: calendar, num: 1, den: 1}
	week       = factor{dim: calendar, num: 7, den: 1}
	kPa        = factor{dim: pressure, num: 1, den: 1}
	psi        = factor{dim: pressure, num: 444822161526050, den: 64516e9} // lbf 4.4482216152605 N over in2 645.16 mm2
	kgfPerCm2  = factor{dim: pressure, num: 980665, den: 1e4}
	celsius    = factor{dim: temperature, num: 1, den: 1}
	fahrenheit = factor{dim: temperature, num: 5, den: 9, shift: -160}
	kelvin     = factor{dim: temperature, num: 100, den: 100, shift: -27315}
	percent    = factor{dim: share, num: 1, den: 1}
	ohm        = factor{dim: resistance, num: 1, den: 1}
	kiloohm    = factor{dim: resistance, num: 1000, den: 1}
	metre      = factor{dim: length, num: 1, den: 1}
	foot       = factor{dim: length, num: 3048, den: 1e4}
)

// known returns the factor of a typed suffix in lower case, without spaces and
// full stops ("fl. oz." is "floz"). Some suffixes depend on the column: "m" is
// minutes among hours and metres among heights. A switch, not a map, so that
// nothing is built when the program starts.
func known(suffix string, want dim) (factor, bool) {
	switch suffix {
	case "h", "hr", "hrs", "hour", "hours":
		return hour, true
	case "min", "mins", "minute", "minutes":
		return minute, true
	case "s", "sec", "secs", "second", "seconds":
		return second, true
	case "m":
		if want == engineTime {
			return minute, true
		}
		return metre, true
	case "d", "day", "days":
		return day, true
	case "w", "wk", "wks", "week", "weeks":
		return week, true
	case "ml", "millilitre", "millilitres", "milliliter", "milliliters", "cc", "ccm", "cm3", "cm³":
		return mlUnit, true
	case "cl":
		return factor{dim: volume, num: 10, den: 1}, true
	case "dl":
		return factor{dim: volume, num: 100, den: 1}, true
	case "l", "lt", "ltr", "litre", "litres", "liter", "liters":
		return litre, true
	case "floz", "usfloz", "oz", "fluidounce", "fluidounces":
		return usFlOz, true
	case "gal", "gals", "gallon", "gallons", "usgal", "usgallon", "usgallons":
		return usGallon, true
	case "qt", "qts", "quart", "quarts", "usqt", "usquart", "usquarts":
		return usQuart, true
	case "pt", "pts", "pint", "pints", "uspt", "uspint", "uspints":
		return usPint, true
	case "impfloz", "imperialfloz", "ukfloz":
		return impFlOz, true
	case "impgal", "imperialgal", "imperialgallon", "imperialgallons", "ukgal":
		return impGallon, true
	case "impqt", "imperialquart", "imperialquarts", "ukqt":
		return impQuart, true
	case "imppt", "imperialpint", "imperialpints", "ukpt":
		return impPint, true
	case "kpa", "kilopascal", "kilopascals":
		return kPa, true
	case "pa":
		return factor{dim: pressure, num: 1, den: 1000}, true
	case "hpa", "mbar":
		return factor{dim: pressure, num: 1, den: 10}, true
	case "mpa":
		return factor{dim: pressure, num: 1000, den: 1}, true
	case "bar", "bars":
		return factor{dim: pressure, num: 100, den: 1}, true
	case "psi", "psig":
		return psi, true
	case "kg/cm2", "kg/cm²", "kgf/cm2", "kgf/cm²":
		return kgfPerCm2, true
	case "c", "°c", "ºc", "degc", "celsius":
		return celsius, true
	case "f", "°f", "ºf", "degf", "fahrenheit":
		return fahrenheit, true
	case "k":
		if want == resistance {
			return kiloohm, true
		}
		return kelvin, true
	case "kelvin":
		return kelvin, true
	case "%", "pct", "percent":
		return percent, true
	case "ohm", "ohms", "\u03a9", "\u2126", "\u03c9": // capital omega, the ohm sign, small omega
		return ohm, true
	case "kohm", "kohms", "k\u03a9", "k\u2126", "k\u03c9":
		return kiloohm, true
	case "metre", "metres", "meter", "meters":
		return metre, true
	case "km":
		return factor{dim: length, num: 1000, den: 1}, true
	case "ft", "foot", "feet":
		return foot, true
	}
	return factor{}, false
}
