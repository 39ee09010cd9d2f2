package state

import (
	"slices"
	"strconv"
	"strings"

	"shedbook/report/cooling"
	"shedbook/schema"
)

// figure is what a check's other figures say of a name; "" where they don't. Yes
// and no are written as 1 and 0 too.
func figure(c *schema.Check, name string) string {
	for part := range strings.SplitSeq(c.Figures, ";") {
		if n, v, ok := strings.Cut(part, "="); ok && strings.TrimSpace(n) == name {
			switch v = strings.ToLower(strings.TrimSpace(v)); v {
			case "1":
				return "yes"
			case "0":
				return "no"
			}
			return v
		}
	}
	return ""
}

// Findings of an oil-level check.
const (
	milky    = "milky"
	overfull = "overfull"
	clean    = "clean"
)

// oilFinding is what an oil-level check found: milky, overfull, clean, or "" where
// it says neither. A bare fail may be oil above its mark: it counts as such where
// coolant is gone too.
func oilFinding(c *schema.Check) string {
	finding := figure(c, "finding")
	if v := cooling.Recorded(c.Check, c.Value.V, c.Value.Known, c.Unit, c.Figures)["finding"]; len(v) > 0 {
		finding = cooling.OilFinding(v[0])
	}
	switch {
	case c.Check != "oil-level":
		return ""
	case finding == milky, figure(c, "milky") == "yes":
		return milky
	case finding == overfull:
		return overfull
	case finding != "" && finding != "ok" && finding != clean:
		return ""
	case c.Result == "pass":
		return clean
	case c.Result == "fail" && (!c.Value.Known || c.Value.V > 0) && figure(c, "under_mm") == "" && finding == "":
		return overfull
	}
	return ""
}

// gasFound says how a check found combustion gas in the coolant; "" where it did
// not.
func gasFound(c *schema.Check) string {
	switch {
	case c.Check == "combustion-gas" && c.Result == "fail":
		return "the gas test found combustion gas in the coolant"
	case c.Check == "leak-down" && figure(c, "bubbles") == "yes":
		return "bubbles rose at the filler during the leak-down test"
	case c.Check == "needle-pulse" && c.Result == "fail":
		return "the tester's needle pulsed with the engine"
	}
	return ""
}

// cleanGas is how many clean tests on a hot engine a combustion-gas check stands
// for. A bare pass means the hot engine (see cooling.Meaning); where figures are
// given, they must say hot.
func cleanGas(c *schema.Check) int {
	if c.Check != "combustion-gas" || c.Result != "pass" {
		return 0
	}
	measured := c.Value.Known || c.Figures != ""
	if hot := figure(c, "hot"); hot == "no" || measured && hot != "yes" {
		return 0
	}
	if n := figure(c, "tests"); len(n) == 1 && n >= "2" && n <= "9" {
		return int(n[0] - '0')
	}
	return 1
}

// otherOil are words of work on oil that is not the engine's oil changed.
var otherOil = []string{"gear", "fork", "diff", "transmission", "gearbox", "hydraulic", "brake", "chain", "cooler",
	"leak", "seal", "sensor", "sample"}

// isOilChange says whether a service changed the engine's oil, by its words.
func isOilChange(s *schema.Service) bool {
	has := func(words ...string) bool {
		return slices.ContainsFunc(words, func(w string) bool { return strings.Contains(strings.ToLower(s.Work), w) })
	}
	return has("oil") && !has(otherOil...) && (has("chang", "new", "fresh", "drain", "replac", "filter", "service") ||
		!has("top", "level", "check", "look", "add"))
}

// sight is a look at the level, by a level or a check.
type sight struct {
	head  *schema.Head
	below float64 // ml
	full  bool    // at the mark; else clearly or perhaps below it
	known bool    // below is a figure
	hot   bool
	cold  bool // said to be cold; else neither is recorded
	place string
}

// levelSight is a level as a look.
func levelSight(v *schema.Level) sight {
	return sight{head: &v.Head, below: v.BelowMark.V, full: v.BelowMark.V <= atMark, known: true,
		hot: v.Engine == "hot", cold: v.Engine == "cold", place: v.SeenIn}
}

// checkSight is a check of the level as a look, which those checks take cold.
func checkSight(c *schema.Check) (sight, bool) {
	s := sight{head: &c.Head, cold: true}
	switch c.Check {
	case "level":
	case "neck-level":
		s.place = "radiator"
	default:
		return s, false
	}
	if t, err := strconv.ParseFloat(figure(c, "coolant_c"), 64); err == nil && t > handWarm {
		s.cold, s.hot = false, true
	}
	switch {
	case c.Value.Known && (c.Unit == "ml" || c.Unit == ""):
		s.below, s.known, s.full = c.Value.V, true, c.Value.V <= atMark && c.Result != "fail"
	case c.Result == "pass":
		s.full = true
	case c.Result != "fail":
		return s, false
	}
	return s, true
}
