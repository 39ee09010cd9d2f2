package schema

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"shedbook/schema/unit"
)

// vocabularies holds the words that a word field may take. The place of a
// vocabulary in the list, and of a word in it, make the word's number in the
// book (see WordID): append, never reorder.
var vocabularies = []struct {
	name  string
	words []string
}{
	{"terrain", []string{"mud", "water", "dust", "sand", "gravel", "rock", "grass", "forest", "snow", "road"}},
	{"speed", []string{"slow", "medium", "fast"}},
	{"range", []string{"low", "high"}},
	{"load", []string{"light", "heavy", "towing"}},
	{"fluid", []string{"premix", "concentrate", "water"}},
	{"into", []string{"reservoir", "radiator"}},
	{"points", []string{"pump", "thermostat", "radiator"}},
	{"engine", []string{"cold", "hot"}},
	{"method", []string{"rinse", "hose", "air", "soak"}},
	{"sides", []string{"front", "back", "both"}},
	{"sign", []string{"lamp", "gauge", "steam", "limp", "shutdown"}},
	{"fan", []string{"on", "off", "unknown"}},
	{"result", []string{"pass", "fail", "unsure"}},
	{"yesno", []string{"no", "yes"}},
	{"cause", []string{"blocked-core", "trapped-air", "external-leak", "head-gasket", "pressure-cap", "fan-circuit",
		"thermostat", "pump",
		"collapsed-hose", "warning-circuit", "blocked-inside", "lean-mixture", "overfilled-oil", "dirty-oil-cooler",
		"low-compression",
		"air-filter", "wrong-mix", "overload", "dragging", "low-coolant", "thermostat-open", "air-path", "fan-reversed",
		"low-oil"}},
	{"check", []string{"light-test", "bleed", "level", "pressure-hold", "combustion-gas", "compression", "leak-down",
		"cap-hold", "fan-runs",
		"fan-relay", "thermostat-bath", "pump-flow", "hose-squeeze", "wiggle", "sensor-resistance", "flow-through",
		"intake-leak",
		"oil-level", "oil-cooler", "valve-clearance", "air-filter", "mix-strength", "brake-drag", "fan-at-lamp",
		"warm-up",
		"needle-pulse",
		"fan-after-stop", "neck-level", "wet-outside", "air-path", "fan-direction", "probe"}},
	{"flag", []string{"steady-loss", "blocked-core", "trapped-air", "warning-circuit", "fan-circuit", "thermostat",
		"above-fleet", "came-back",
		"hard-driving", "terrain", "speed", "load", "range", "ambient"}},
	{"vocabulary", []string{"terrain"}},
}

// vocabularySpan is how many word numbers each vocabulary has.
const vocabularySpan = 1000

// Vocabularies returns the names of all vocabularies.
func Vocabularies() []string {
	names := make([]string, len(vocabularies))
	for i, v := range vocabularies {
		names[i] = v.name
	}
	return names
}

// Words returns the built-in words of a vocabulary, in order.
func Words(vocabulary string) []string {
	for _, v := range vocabularies {
		if v.name == vocabulary {
			return append([]string(nil), v.words...)
		}
	}
	return nil
}

// WordRange returns the range of word numbers [low, high] of a vocabulary.
func WordRange(vocabulary string) (low, high int64) {
	for i, v := range vocabularies {
		if v.name == vocabulary {
			low = int64(i+1) * vocabularySpan
			return low, low + vocabularySpan - 1
		}
	}
	return 0, -1
}

// SettingKeys are the book's settings: key, default, and help. `minutes.CHECK`
// and `prior.CAUSE` may be set too.
var SettingKeys = []struct{ Key, Default, Help string }{
	{"time-zone", "", "time zone of the yard"},
	{"units", "metric", "units to show: metric or us"},
	{"date-order", "", "how to read a date such as 3/4/2026: dmy or mdy"},
	{"settling-cycles", "4", "heat cycles that the level takes to settle after a refill"},
	{"warm-up-min", "15", "minutes of running that count as one heat cycle"},
	{"altitude-m", "0", "height above the sea where the machines work, in metres"},
	{"overheat-risk-pct", "10", "accepted chance of an overheat before the next thorough clean"},
	{"tools", "", "tools you have, with ; between; checks that need others come last (default: all)"},
}

// Tools are the words of the setting tools: what checks need besides hands,
// eyes and spanners.
var Tools = []string{"lamp", "pressure-tester", "gas-tester", "compression-gauge", "leak-down-tester", "meter",
	"thermometer", "infrared",
	"refractometer", "feelers"}

// Validate requires a known key and a value that fits it.
func (s *Setting) Validate() error {
	number := func(u unit.Unit, low, high float64) error {
		v, err := unit.Parse(s.Value, u)
		if err != nil {
			return Wrong("value", s.Value, err.Error())
		}
		if v < low || v > high {
			return Wrong("value", s.Value, fmt.Sprintf("should be from %v to %v", low, high))
		}
		return nil
	}
	prefix, rest, dotted := strings.Cut(s.Key, ".")
	switch {
	case dotted && prefix == "minutes" && slices.Contains(Words("check"), rest):
		return number(unit.Minutes, 0.5, 10000)
	case dotted && prefix == "prior" && slices.Contains(Words("cause"), rest):
		return number(unit.Count, 1e-6, 0.999999)
	}
	switch s.Key {
	case "time-zone":
		if _, err := unit.ParseZone(s.Value); err != nil {
			return Wrong("value", s.Value, err.Error())
		}
	case "units":
		if s.Value != "metric" && s.Value != "us" {
			return Wrong("value", s.Value, "units are metric or us")
		}
	case "date-order":
		if s.Value != string(unit.DayFirst) && s.Value != string(unit.MonthFirst) {
			return Wrong("value", s.Value, "dates are dmy (day first) or mdy (month first)")
		}
	case "tools":
		for _, t := range strings.Split(s.Value, ";") {
			if s.Value != "none" && !slices.Contains(Tools, strings.TrimSpace(t)) {
				return Wrong("value", t, "should be tools with ; between, from "+strings.Join(Tools, ", ")+", or none")
			}
		}
	case "settling-cycles":
		if n, err := strconv.Atoi(s.Value); err != nil || n < 0 || n > 100 {
			return Wrong("value", s.Value, "should be a whole number from 0 to 100")
		}
	case "warm-up-min":
		return number(unit.Minutes, 0, 600)
	case "altitude-m":
		return number(unit.Metres, -500, 6000)
	case "overheat-risk-pct":
		return number(unit.Percent, 0.1, 99)
	default:
		keys := settingNames()
		return Wrong("setting", s.Key, "is not a setting"+DidYouMean(s.Key, keys)+"; choose from "+strings.Join(keys,
			", ")+", minutes.CHECK, prior.CAUSE")
	}
	return nil
}

func settingNames() []string {
	var keys []string
	for _, k := range SettingKeys {
		keys = append(keys, k.Key)
	}
	slices.Sort(keys)
	return keys
}

// DidYouMean returns the known words near to word, in brackets; "" if none is
// near.
func DidYouMean(word string, known []string) string {
	near := unit.Near(word, known)
	if len(near) == 0 {
		return ""
	}
	return " (did you mean " + or(near) + "?)"
}
