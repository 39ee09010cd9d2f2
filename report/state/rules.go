package state

import (
	"slices"

	"shedbook/schema"
)

// Rule is one line of the table: its word, the state it puts the machine in, when
// it does, what lifts it, and where that comes from.
type Rule struct {
	Rule, State, When, Lift, Source string
}

const (
	practice = "a workshop rule of thumb"

	whenLost = "find and fix the loss, fill to the mark, and see it full and cold on two mornings after that"
	whenGas  = "two clean gas tests on the hot engine after it, or a service for the head gasket"
)

// Rules are all the rules, the worst first. Each limit stands once, below.
var Rules = []Rule{
	{"steam", Parked, "it steamed", whenLost, practice},
	{"boil-over", Parked, "it lost 5 % of the system or more at one overheat (250 mL where the size is not recorded)",
		whenLost, practice},
	{"shutdown", Parked, "it shut itself down", whenLost, practice},
	{"limp", Parked, "it went into limp mode and lost coolant", whenLost, practice},
	{"gas-found", Parked,
		"combustion gas in the coolant, bubbles at leak-down, or a needle that pulses with the engine", whenGas,
		practice},
	{"milky-oil", Parked, "milky oil, or oil above its mark with coolant gone",
		"change the oil, and find it clean after a run", practice},
	{"gasket-likely", Parked, "its own log, without the rest of the fleet, puts a bad head gasket at 15 % or more",
		whenGas, practice},
	{"level-low", Parked, "the level is 10 % of the system or more below the mark (500 mL where the size is not " +
		"recorded), and no overheat explains it",
		"fill to the mark, and fix the leak or see the level full and cold on two mornings with a heat cycle between",
		practice},
	{"often", Parked, "three overheats in 10 engine hours", "find what fails with a check, then fix it", practice},
	{"released", Watch, "somebody let it go while it was parked", "what the rule that parked it asks for", practice},
	{"flag", Watch, "it has a flag", "say what you found with 'answer'; or the evidence falls by itself", practice},
	{"overheat", Watch, "an overheat that no check or repair followed",
		"a check, a thorough clean, a bleed, or a service or answer that names a cause", practice},
	{"remedy-open", Watch, "a repair that is not proven yet", "drive as many hours as before without it coming back",
		practice},
	{"settling", Watch, "a heat cycle since a refill, and nobody has looked at the level after it",
		"look at the level, cold; or top up or bleed", practice},
}

// The limits of the rules: common practice, no source, but where one is named.
const (
	boilShare    = 0.05 // of the system, lost at one overheat
	boilUnknown  = 250  // ml, where the size is unknown: 5 % of 5 l, which such systems hold (2 to 8 l)
	levelShare   = 0.10 // of the system, below the mark
	levelUnknown = 500  // ml, likewise 10 % of 5 l
	GasketAt     = 0.15 // probability
	oftenHeats   = 3    // overheats in
	oftenHours   = 10   // engine hours
	oftenDays    = 3    // where no engine hours are recorded between them
	atMark       = 20   // ml below the mark that still are at it: how well a mark is read
	cleanTests   = 2    // one clean test does not rule a gasket out
	mornings     = 2    // on which the level is full
	coldAfter    = 6    // hours of standing after which an engine is cold, where a look does not say
	handWarm     = 30   // degC up to which coolant counts as cold
	goneHours    = 100  // engine hours over which coolant gone is put beside oil that rose
)

func stateOf(rule string) string {
	i := slices.IndexFunc(Rules, func(r Rule) bool { return r.Rule == rule })
	return Rules[i].State
}

// lossRules are the rules of an overheat at which coolant is or may be lost: all
// are lifted alike.
var lossRules = []string{"steam", "boil-over", "shutdown", "limp"}

// Causes that a mend can name. What makes no coolant go and boils none is no mend
// of steam: a false lamp, a thermostat that stays open, the oil's level, and a low
// level, which is what is to be explained. Nor is overload: nothing was mended.
var (
	noMend = []string{"warning-circuit", "thermostat-open", "overfilled-oil", "low-oil", "low-coolant", "overload",
		"air-filter", "low-compression"}
	leaks = []string{"external-leak", "head-gasket", "pressure-cap", "pump", "collapsed-hose"}
)

func mends(s *schema.Service) bool { return s.Cause != "" && !slices.Contains(noMend, s.Cause) }

func mendsLeak(s *schema.Service) bool { return slices.Contains(leaks, s.Cause) }
