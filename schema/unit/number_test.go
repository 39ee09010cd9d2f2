package unit

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Factors from NIST Special Publication 811 (2008 edition), appendix B.8, with the digits printed there.
// The tolerance is half a unit of the last printed digit.
func TestParseAgainstPublishedFactors(t *testing.T) {
	for _, c := range []struct {
		in   string
		u    Unit
		want float64
		tol  float64
		src  string
	}{
		{"1 fl oz", Millilitres, 29.57353, 5e-6, "NIST SP 811 B.8: ounce (U.S. fluid) 2.957353 E-05 m3"},
		{"1 imp fl oz", Millilitres, 28.41306, 5e-6,
			"NIST SP 811 B.8: ounce [Canadian and U.K. fluid (Imperial)] 2.841306 E-05 m3"},
		{"1 gal", Litres, 3.785412, 5e-7, "NIST SP 811 B.8: gallon (U.S.) 3.785412 E-03 m3"},
		{"1 imp gal", Litres, 4.54609, 1e-12,
			"NIST SP 811 B.8: gallon [Canadian and U.K. (Imperial)] 4.54609 E-03 m3, exact"},
		{"1 qt", Litres, 0.9463529, 5e-8, "NIST SP 811 B.8: quart (U.S. liquid) 9.463529 E-04 m3"},
		{"1 pt", Litres, 0.4731765, 5e-8, "NIST SP 811 B.8: pint (U.S. liquid) 4.731765 E-04 m3"},
		{"1 imp pt", Millilitres, 568.26125, 1e-9, "an eighth of the Imperial gallon of NIST SP 811 B.8"},
		{"1 imp qt", Millilitres, 1136.5225, 1e-9, "a quarter of the Imperial gallon of NIST SP 811 B.8"},
		{"1 l", Millilitres, 1000, 0, "NIST SP 811 B.8: liter 1.0 E-03 m3, exact"},
		{"1 psi", Kilopascal, 6.894757, 5e-7, "NIST SP 811 B.8: pound-force per square inch 6.894757 E+00 kPa"},
		{"1 bar", Kilopascal, 100, 0, "NIST SP 811 B.8: bar 1.0 E+02 kPa, exact"},
		{"1 mbar", Kilopascal, 0.1, 0, "NIST SP 811 B.8: millibar 1.0 E-01 kPa, exact"},
		{"1 kgf/cm2", Kilopascal, 98.0665, 1e-12,
			"NIST SP 811 B.8: kilogram-force per square centimeter 9.80665 E+01 kPa, exact"},
		{"32 F", Celsius, 0, 0, "NIST SP 811 B.8: t/°C = (t/°F - 32)/1.8"},
		{"212 °F", Celsius, 100, 1e-12, "NIST SP 811 B.8: t/°C = (t/°F - 32)/1.8"},
		{"-40F", Celsius, -40, 1e-12, "NIST SP 811 B.8: where both scales meet"},
		{"273.15 K", Celsius, 0, 0, "NIST SP 811 B.8: t/°C = T/K - 273.15"},
		{"1 ft", Metres, 0.3048, 1e-15, "NIST SP 811 B.8: foot 3.048 E-01 m, exact"},
	} {
		got, err := Parse(c.in, c.u)
		require.NoError(t, err, c.in)
		assert.InDelta(t, c.want, got, c.tol, "%s: %s", c.in, c.src)
	}
}

// How the measures of a country hang together (NIST Handbook 44, appendix C: 1 gallon = 4 quarts = 8 pints = 128 fluid
// ounces; UK Weights and Measures Act 1985, schedule 1: 1 gallon = 4 quarts = 8 pints = 160 fluid ounces).
func TestMeasuresAgree(t *testing.T) {
	for gallon, parts := range map[string][]string{
		"1 gal": {"4 qt", "8 pt", "128 fl oz"}, "1 imp gal": {"4 imp qt", "8 imp pt", "160 imp fl oz"},
	} {
		want, err := Parse(gallon, Millilitres)
		require.NoError(t, err)
		for _, p := range parts {
			got, err := Parse(p, Millilitres)
			require.NoError(t, err)
			assert.InEpsilon(t, want, got, 1e-15, p)
		}
	}
}

// What people type; the numbers follow from the text alone, or from the factors tested above.
func TestParseAsTyped(t *testing.T) {
	for _, c := range []struct {
		in   string
		u    Unit
		want float64
	}{
		{"2.5", Hours, 2.5}, {"+2.5", Hours, 2.5}, {" 2.5 ", Hours, 2.5}, {".5", Hours, 0.5}, {"5.", Hours, 5},
		{"0", Hours, 0},
		{"1:30", Hours, 1.5}, {"1:30 h", Hours, 1.5}, {"0:45", Hours, 0.75}, {"1:30:36", Hours, 1.51},
		{"1 h 30", Hours, 1.5},
		{"1h30", Hours, 1.5}, {"1h30m", Hours, 1.5}, {"1 hr 30 min", Hours, 1.5}, {"90 min", Hours, 1.5},
		{"90m", Hours, 1.5},
		{"1.5 h", Minutes, 90}, {"1 h 30", Minutes, 90}, {"20 min", Minutes, 20}, {"90 s", Minutes, 1.5},
		{"30d", Days, 30}, {"2 weeks", Days, 14}, {"1 day", Days, 1},
		{"0.15 l", Millilitres, 150}, {"0,15 l", Millilitres, 150}, {"1,5 l", Millilitres, 1500},
		{"0,500", Litres, 0.5},
		{"300ml", Millilitres, 300}, {"300 mL", Millilitres, 300}, {"300\u202fml", Millilitres, 300},
		{"1.005 l", Millilitres, 1005},
		{"250 cc", Millilitres, 250}, {"5 dl", Millilitres, 500}, {"33 cl", Millilitres, 330}, {"300 ml", Litres, 0.3},
		{"1 500 ml", Millilitres, 1500}, {"12\u202f500", Millilitres, 12500}, {"1 234 567", Count, 1234567},
		{"12 fl. oz.", Millilitres, 12 * 29.5735295625}, {"12 oz", Millilitres, 12 * 29.5735295625},
		{"-9.9", Celsius, -9.9}, {"−9,9", Celsius, -9.9}, {"- 4 C", Celsius, -4}, {"22°C", Celsius, 22},
		{"-0", Celsius, 0}, {"-0.0 C", Celsius, 0},
		{"71.6 F", Celsius, 22}, {"300.15 K", Celsius, 27}, {"40%", Percent, 40}, {"40 pct", Percent, 40},
		{"2.5k", Ohm, 2500}, {"2.5 kΩ", Ohm, 2500}, {"190 Ω", Ohm, 190},
		{"1.08 bar", Kilopascal, 108}, {"108 kPa", Kilopascal, 108}, {"500 m", Metres, 500},
		{"2021", Count, 2021}, {"1E+05", Count, 1e5}, {"0.30000000000000004", Count, 0.30000000000000004},
	} {
		got, err := Parse(c.in, c.u)
		if assert.NoError(t, err, c.in) {
			assert.Equal(t, c.want, got, c.in)
			assert.False(t, math.Signbit(got) && got == 0, "%s gives -0", c.in)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for _, c := range []struct {
		in   string
		u    Unit
		want string
	}{
		{"a cup", Millilitres, `"a cup" is not a volume: write 250, 250 ml, 0.25 l or 8 fl oz`},
		{"16 psi", Millilitres, `"16 psi" is a pressure, not a volume: write 250, 250 ml, 0.25 l or 8 fl oz`},
		{"30 days", Hours, `"30 days" is a number of days, not a length of time: write 1.5, 1.5 h, 1:30 or 90 min`},
		{"", Hours, `"" is not a length of time: write 1.5, 1.5 h, 1:30 or 90 min`},
		{"NaN", Celsius, `"NaN" is not a temperature: write 22, 22 C or 72 F`},
		{"Inf", Celsius, `"Inf" is not a temperature: write 22, 22 C or 72 F`},
		{"-inf", Celsius, `"-inf" is not a temperature: write 22, 22 C or 72 F`},
		{"0x10", Count, `"0x10" is not a plain number: write a number, such as 12 or 12.5`},
		{"1_000", Count, `"1_000" is not a plain number: write a number, such as 12 or 12.5`},
		{"12 ml", Count, `"12 ml" is a volume, not a plain number: write a number, such as 12 or 12.5`},
		{"1e999", Count, `"1e999" is too large`},
		{"1e13", Count, `"1e13" is too large: write a number, such as 12 or 12.5`},
		{"1,500", Millilitres, `"1,500" could be 1.500 or 1500: write one of them`},
		{"1.234,5", Millilitres, `"1.234,5" has two decimal points: write 1234.5`},
		{"5,", Millilitres, `"5," is not a volume: write 250, 250 ml, 0.25 l or 8 fl oz`},
		{"1:30", Minutes, `"1:30" could be hours or minutes: write 20, 20 min or 0.5 h`},
		{"1:75", Hours, `"1:75" is not a length of time: write 1.5, 1.5 h, 1:30 or 90 min`},
		{"-1:30", Hours, `"-1:30" is not a length of time: write 1.5, 1.5 h, 1:30 or 90 min`},
		{"-300", Celsius, `"-300" is below absolute zero: write 22, 22 C or 72 F`},
		{"-500 F", Celsius, `"-500 F" is below absolute zero: write 22, 22 C or 72 F`},
		{"72 X", Celsius, `"72 X" is not a temperature: write 22, 22 C or 72 F`},
		{"1 2", Count, `"1 2" is not a plain number: write a number, such as 12 or 12.5`},
		{"--5", Count, `"--5" is not a plain number: write a number, such as 12 or 12.5`},
		{"5", Unit("furlong"), `"furlong" is not a unit shedbook knows`},
	} {
		_, err := Parse(c.in, c.u)
		if c.u == "furlong" {
			_, err = Parse("5 x", c.u)
		}
		assert.EqualError(t, err, c.want)
	}
	_, err := Parse(strings.Repeat("1", 1<<20), Count)
	require.Error(t, err)
	assert.Less(t, len(err.Error()), 300, "a huge cell is not repeated in its message")
}

// The fast way and the long way read the same number.
func TestPlainAgreesWithStrconv(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.StringMatching(`-?[0-9]{1,12}(\.[0-9]{0,5})?`).Draw(t, "s")
		want, err := strconv.ParseFloat(s, 64)
		require.NoError(t, err)
		got, err := Parse(s, Count)
		require.NoError(t, err)
		if got != want {
			t.Fatalf("%s: %v, strconv says %v", s, got, want)
		}
	})
}

// Whatever number a sheet is written with, shortest form, comes back to the bit.
func TestParseReadsShortestForm(t *testing.T) {
	units := []Unit{Hours, Minutes, Days, Millilitres, Litres, Kilopascal, Percent, Ohm, Metres, Count}
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(-1e12, 1e12).Draw(t, "v")
		u := rapid.SampledFrom(units).Draw(t, "unit")
		s := strconv.FormatFloat(v, 'g', -1, 64)
		got, err := Parse(s, u)
		if err != nil || got != v {
			t.Fatalf("%s %s: %v %v", s, u, got, err)
		}
	})
}

// A value carries its unit out and back: the typed unit and the canonical one describe one quantity.
func TestUnitsRoundTrip(t *testing.T) {
	pairs := []struct {
		u     Unit
		typed string
		per   float64 // typed units in one canonical unit; NIST SP 811 B.8
	}{
		{Millilitres, "l", 0.001}, {Millilitres, "fl oz", 1 / 29.5735295625}, {Litres, "ml", 1000},
		{Kilopascal, "psi", 1 / 6.894757293168361},
		{Kilopascal, "bar", 0.01}, {Hours, "min", 60}, {Minutes, "h", 1. / 60}, {Days, "weeks", 1. / 7},
		{Ohm, "kohm", 0.001}, {Metres, "ft", 1 / 0.3048},
	}
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.SampledFrom(pairs).Draw(t, "pair")
		v := rapid.Float64Range(0.001, 1e6).Draw(t, "v")
		s := strconv.FormatFloat(v*p.per, 'g', -1, 64) + " " + p.typed
		got, err := Parse(s, p.u)
		if err != nil || math.Abs(got-v) > 1e-12*v {
			t.Fatalf("%s as %s: %v, want %v (%v)", s, p.u, got, v, err)
		}
	})
}

func TestFormat(t *testing.T) {
	for _, c := range []struct {
		v    float64
		u    Unit
		sys  System
		want string
	}{
		{350, Millilitres, Metric, "350 mL"}, {350, Millilitres, US, "11.8 fl oz"},
		{7.66, Millilitres, Metric, "7.7 mL"},
		{4.2, Litres, Metric, "4.2 L"}, {4.2, Litres, US, "4.4 qt"}, {31.5, Hours, US, "31.5 h"},
		{2, Hours, Metric, "2.0 h"},
		{88, Celsius, Metric, "88 °C"}, {88, Celsius, US, "190 °F"}, {-0.2, Celsius, Metric, "0 °C"},
		{110.3, Kilopascal, Metric, "110 kPa"}, {110.3, Kilopascal, US, "16 psi"}, {42.5, Percent, Metric, "42.5 %"},
		{40, Percent, Metric, "40 %"},
		{20, Minutes, Metric, "20 min"}, {1, Days, Metric, "1 day"}, {30, Days, US, "30 days"},
		{2500, Ohm, Metric, "2500 ohm"},
		{500, Metres, US, "1640 ft"}, {2021, Count, Metric, "2021"}, {100, Count, Metric, "100"},
		{math.NaN(), Hours, Metric, "not known"}, {math.Inf(1), Hours, US, "not known"},
	} {
		assert.Equal(t, c.want, Format(c.v, c.u, c.sys))
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"0.5 l", "12 fl oz", "72F", "16 psi", "1 h 30", "1:30", "90 min", "1,5 l", "1 500",
		"−9,9", "1e999", "NaN", "0x1p-2", "½", "-0", "1:30:", "٣", "5 °", "\xff", "1,2,3"} {
		f.Add(s)
	}
	units := []Unit{Hours, Minutes, Days, Millilitres, Litres, Kilopascal, Celsius, Percent, Ohm, Metres, Count}
	f.Fuzz(func(t *testing.T, s string) {
		for _, u := range units {
			v, err := Parse(s, u)
			if err != nil {
				if len(err.Error()) > 500 {
					t.Fatalf("long message: %v", err)
				}
				continue
			}
			if math.IsNaN(v) || math.Abs(v) > maxValue || v == 0 && math.Signbit(v) {
				t.Fatalf("%q as %q: %v", s, u, v)
			}
			// What is written back reads back the same.
			again, err := Parse(strconv.FormatFloat(v, 'g', -1, 64), u)
			if err != nil || again != v {
				t.Fatalf("%q as %q: %v, then %v %v", s, u, v, again, err)
			}
		}
	})
}

func BenchmarkParse(b *testing.B) {
	for _, s := range []string{"457.7", "-4", "0.15 l", "73.4 F", "1:30"} {
		b.Run(s, func(b *testing.B) {
			u := Hours
			if strings.HasSuffix(s, "l") {
				u = Millilitres
			} else if strings.HasSuffix(s, "F") {
				u = Celsius
			}
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Parse(s, u); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
