package cooling

import (
	"slices"
	"strconv"
	"strings"
)

// check is one check of the catalogue: the figures it takes, what its results
// mean and how it is judged.
type check struct {
	id         string
	pass, fail string // the meaning of a typed result
	figures    []Figure
	oneOf      []string   // at least one of these figures is required
	usual      [2]float64 // usual pressures in this check, kPa
	what       string     // what has these pressures
	judge      func(*exam)
}

func (c *check) names() []string {
	names := make([]string, len(c.figures))
	for i, f := range c.figures {
		names[i] = f.Name
	}
	return names
}

// yes returns a figure that is answered by yes or no.
func yes(name, help string) Figure { return Figure{Name: name, Unit: "yesno", Max: 1, Help: help} }

// oneWord returns a figure that is one of a few words; its number is the word's
// index.
func oneWord(name, help string, words ...string) Figure {
	return Figure{Name: name, Unit: "word", Max: float64(len(words) - 1), OneOf: words, Help: help}
}

func pct(name, help string) Figure { return Figure{Name: name, Unit: "pct", Max: 100, Help: help} }

func celsius(name string, low, high float64, help string) Figure {
	return Figure{Name: name, Unit: "c", Min: low, Max: high, Help: help}
}

// required returns the figure as one without which nothing can be computed.
func required(f Figure) Figure { f.Required = true; return f }

// coreFaces returns the figures of a core: through it, and at each of its
// faces.
func coreFaces(of string) []Figure {
	return []Figure{pct("dark_pct", "share of the "+of+
		" through which no light comes, all layers; the same from either "+
		"side"),
		pct("blocked_back_pct", "share of the "+of+"'s back face, on the fan's side, that looks packed"),
		pct("blocked_front_pct", "share of the "+of+"'s front face that looks packed")}
}

var testerKPa = [2]float64{capLow, capHigh}

// The checks, in the order of the exchange contract.
var checks = []check{
	{id: "light-test", pass: "light comes through nearly all of the core, and both faces are clear",
		fail: "much of the core stays dark, or a face is packed", judge: judgeLight,
		figures: coreFaces("core"), oneOf: []string{"dark_pct", "blocked_back_pct", "blocked_front_pct"}},
	{id: "bleed", pass: "no air came out", fail: "air came out", judge: judgeBleed,
		figures: []Figure{{Name: "added_ml", Unit: "ml", Max: 20000,
			Help: "how much more the system took after bleeding"},
			{Name: "filled_ml", Unit: "ml", Max: 200000, Help: "what went in at the refill"},
			{Name: "left_ml", Unit: "ml", Max: 200000, Help: "what had stayed in after draining"}},
		oneOf: []string{"added_ml", "filled_ml"}},
	{id: "level", pass: "at the mark, cold", fail: "clearly below the mark, cold", judge: judgeLevel,
		figures: []Figure{required(Figure{Name: "below_mark_ml", Unit: "ml", Min: -20000, Max: 100000,
			Help: "how far below the mark; 0 is at the mark, negative is above it"}),
			celsius("coolant_c", -35, 100, "coolant temperature when you looked; default: cold")}},
	{id: "pressure-hold", pass: "held its pressure cold and hot", fail: "lost pressure", usual: testerKPa,
		what: "a cooling system", judge: judgePressureHold,
		figures: []Figure{{Name: "drop_kpa", Unit: "kpa", Max: 300, Help: "pressure lost while watched"},
			{Name: "end_kpa", Unit: "kpa", Max: 300, Help: "pressure at the end"},
			required(Figure{Name: "start_kpa", Unit: "kpa", Min: 1, Max: 300, Help: "pressure pumped up to"}),
			required(Figure{Name: "minutes", Unit: "min", Min: 0.05, Max: 1440, Help: "how long it was watched"}),
			celsius("start_c", -35, 120, "coolant temperature at the start"),
			celsius("end_c", -35, 120, "and at the end")},
		oneOf: []string{"drop_kpa", "end_kpa"}},
	{id: "combustion-gas", pass: "the fluid stayed blue, engine hot",
		fail: "the fluid changed colour: exhaust in the coolant", judge: judgeCombustionGas,
		figures: []Figure{required(yes("colour_change", "did the fluid turn green or yellow")),
			yes("hot", "was the engine hot with the thermostat open"),
			{Name: "tests", Min: 1, Max: 20, Help: "how many times with this outcome"}}},
	{id: "compression", pass: "as in the manual, cylinders alike",
		fail:  "not as in the manual, or one cylinder far below the others",
		usual: [2]float64{400, 6000}, what: "an engine's compression", judge: judgeCompression,
		figures: []Figure{required(Figure{Name: "cylinder_kpa", Unit: "kpa", Max: 6000, Many: true,
			Help: "the reading of each cylinder, in order"})}},
	{id: "leak-down", pass: "it leaks little, no bubbles at the filler",
		fail:  "it leaks much, or bubbles at the filler",
		judge: judgeLeakDown,
		figures: []Figure{required(Figure{Name: "leak_pct", Unit: "pct", Max: 100, Many: true,
			Help: "leakage of each cylinder"}),
			yes("bubbles", "did bubbles rise at the coolant filler")}},
	{id: "cap-hold", pass: "holds within its printed pressure", fail: "lets go too early or does not hold",
		usual: testerKPa, what: "a cap", judge: judgeCap,
		figures: []Figure{required(Figure{Name: "relief_kpa", Unit: "kpa", Max: 300,
			Help: "pressure at which it lets go"}),
			{Name: "end_kpa", Unit: "kpa", Max: 300, Help: "pressure that it keeps after so many minutes"},
			{Name: "minutes", Unit: "min", Min: 0.01, Max: 60, Help: "how long it was watched; 6 s is 0.1"}}},
	{id: "fan-runs", pass: "the fan starts and stops where it should",
		fail: "the fan does not start when it is hot enough, or starts late", judge: judgeFan,
		figures: []Figure{celsius("on_c", 20, 140, "coolant temperature at which it starts"),
			celsius("off_c", 20, 140, "and at which it stops"),
			yes("ran", "did it run at all"), celsius("hottest_c", 20, 140, "hottest coolant seen while it did not run"),
			{Name: "amps", Min: 0, Max: 100, Help: "current it draws"}},
		oneOf: []string{"on_c", "off_c", "ran", "amps"}},
	{id: "fan-relay", pass: "relay and wiring bring full voltage to the fan",
		fail: "the fan runs on direct current but not on its own circuit", judge: judgeRelay,
		figures: []Figure{{Name: "plug_v", Max: 32, Help: "volts at the fan's plug, hot, fan running"},
			{Name: "battery_v", Min: 8, Max: 32, Help: "volts at the battery at the same time"},
			yes("swap_cures", "does it run with another relay")},
		oneOf: []string{"plug_v", "swap_cures"}},
	{id: "thermostat-bath", pass: "opens at its stamp, far enough",
		fail:  "does not open, opens late, or not far enough",
		judge: judgeThermostat,
		figures: []Figure{celsius("opens_c", 0, 130, "water temperature at which it begins to open"),
			celsius("full_open_c", 0, 130, "and at which it is fully open"),
			{Name: "lift_mm", Max: 40, Help: "how far it opens"}, celsius("lift_at_c", 0, 130, "water temperature of "+
				"that lift"),
			celsius("shut_at_c", 0, 130, "hottest water in which it was still shut")},
		oneOf: []string{"opens_c", "shut_at_c"}},
	{id: "pump-flow",
		pass: "the coolant clearly moves at the filler from a cold start, or the hoses a few kelvin apart",
		fail: "the hoses far apart at steady load, or no flow with the thermostat open", judge: judgePump,
		figures: []Figure{yes("flow",
			"does the coolant move at the filler, engine started cold with the coolant lowered"),
			yes("thermostat_open", "had the thermostat opened"),
			celsius("in_c", 0, 150, "upper hose, at steady load"),
			celsius("out_c", 0, 150, "lower hose, at the same time")},
		oneOf: []string{"flow", "in_c"}},
	{id: "hose-squeeze", pass: "the suction hose stays round at speed", fail: "the suction hose flattens at speed",
		judge: judgeHose,
		figures: []Figure{required(yes("flattens", "does the suction hose flatten")),
			{Name: "rpm", Min: 0, Max: 15000, Help: "engine speed while looking"}}},
	{id: "wiggle", pass: "nothing jumps when plugs and wires are moved",
		fail: "lamp or gauge jumps when a plug or wire is moved", judge: judgeWiggle,
		figures: []Figure{yes("jumps", "does lamp or gauge jump when plugs and wires are moved"),
			celsius("gauge_c", -40, 160, "what the machine's gauge says"),
			celsius("probe_c", -40, 160, "what a probe at the housing says at the same time")},
		oneOf: []string{"jumps", "gauge_c"}},
	{id: "sensor-resistance", pass: "reads what its table says",
		fail:  "does not read what its table says, or is open or shorted",
		judge: judgeSensor,
		figures: []Figure{required(Figure{Name: "ohm", Unit: "ohm", Min: ohmMin, Max: ohmMax,
			Help: "what the sensor reads, plug off"}),
			required(celsius("water_c", 0, 110, "temperature of the water its tip stands in"))}},
	{id: "flow-through", pass: "the core is evenly warm, and flushes freely",
		fail:  "cold patches, or it flushes poorly",
		judge: judgeFlowThrough,
		figures: []Figure{required(Figure{Name: "patch_k", Max: 100,
			Help: "how many kelvin the coldest patch of the core is colder than those beside it"})}},
	{id: "intake-leak", pass: "engine speed does not change when the intake is sprayed",
		fail: "engine speed changes when the intake is sprayed", judge: judgeIntake,
		figures: []Figure{required(yes("rpm_change", "does the engine speed change"))}},
	{id: "oil-level", pass: "between the marks, clear", fail: "clearly over or under the marks, or milky",
		judge: judgeOil,
		figures: []Figure{{Name: "over_mm", Max: 200, Help: "how far above the upper mark, 0 if it is not"},
			{Name: "under_mm", Max: 200, Help: "how far below the lower mark, 0 if it is not"},
			oneWord("finding", "what the stick shows: ok, low, overfull or milky", oilWords...),
			yes("milky", "is it milky or rising")},
		oneOf: []string{"over_mm", "under_mm", "finding", "milky"}},
	{id: "oil-cooler", pass: "clear between oil cooler and radiator", fail: "packed between oil cooler and radiator",
		judge:   judgeLight,
		figures: coreFaces("oil cooler"), oneOf: []string{"dark_pct", "blocked_back_pct", "blocked_front_pct"}},
	{id: "valve-clearance", pass: "as in the manual, cold", fail: "not as in the manual", judge: judgeValves,
		figures: []Figure{{Name: "intake_mm", Max: 2, Many: true, Help: "clearance of each intake valve, cold"},
			{Name: "exhaust_mm", Max: 2, Many: true, Help: "clearance of each exhaust valve, cold"}},
		oneOf: []string{"intake_mm", "exhaust_mm"}},
	{id: "air-filter", pass: "clean", fail: "choked", judge: judgeAirFilter,
		figures: []Figure{yes("choked", "is it choked, or the indicator red"),
			yes("better_without", "does the engine pull better in a short try without it")},
		oneOf: []string{"choked", "better_without"}},
	{id: "mix-strength", pass: "40 to 60 % glycol", fail: "too weak or too strong", judge: judgeMix,
		figures: []Figure{celsius("freeze_c", -70, 0, "freezing point that the refractometer shows, such as -37"),
			pct("glycol_pct", "or the strength itself"),
			{Name: "gravity", Min: 0.94, Max: 1.2, Help: "or the specific gravity"},
			celsius("gravity_c", 0, 100, "and the sample's temperature"),
			celsius("reported_c", 20, 180, "coolant temperature that was reported under load")},
		oneOf: []string{"freeze_c", "glycol_pct", "gravity"}},
	{id: "brake-drag", pass: "hubs alike, rolls freely", fail: "one hub hot, or it does not roll", judge: judgeBrakes,
		figures: []Figure{{Name: "hub_c", Unit: "c", Min: -40, Max: 500, Many: true,
			Help: "temperature of each hub after a drive"}, yes("rolls", "does it roll freely")},
		oneOf: []string{"hub_c", "rolls"}},
	{id: "fan-at-lamp", pass: "the fan runs while the lamp is on", fail: "the lamp is on and the fan does not run",
		judge: judgeFanAtLamp,
		figures: []Figure{required(yes("ran", "does the fan run while the lamp is on")),
			celsius("coolant_c", 20, 160, "what the gauge says at the time")}},
	{id: "warm-up", pass: "the outlet hose gets hot all at once when the engine is warm",
		fail: "the engine gets hot and the hose stays cold, or it never gets warm", judge: judgeWarmUp,
		figures: []Figure{celsius("jump_c", 0, 150, "temperature at the engine when the outlet hose got hot"),
			celsius("cold_until_c", 0, 150, "hottest at the engine while that hose was still cold"),
			yes("never_warm", "does the engine stay cool, and the hose get warm from the start")},
		oneOf: []string{"jump_c", "cold_until_c", "never_warm"}},
	{id: "needle-pulse", pass: "the needle stands still or climbs slowly",
		fail: "the needle pulses with the engine, or climbs within a minute of a cold start", judge: judgeNeedle,
		figures: []Figure{yes("pulses", "does the needle move with the engine's beat"),
			yes("climbs", "does it climb within a minute of the cold start")},
		oneOf: []string{"pulses", "climbs"}},
	{id: "fan-after-stop", pass: "the fan came on by itself after a hot stop",
		fail: "the coolant was hot enough and the fan did not run", judge: judgeFanAfterStop,
		figures: []Figure{required(yes("ran", "did the fan run after the stop")),
			celsius("coolant_c", 20, 160, "hottest coolant after the stop")}},
	{id: "neck-level", pass: "full to the neck, cold", fail: "the neck is clearly not full, cold", judge: judgeNeck,
		figures: []Figure{required(Figure{Name: "below_neck_ml", Unit: "ml", Max: 100000,
			Help: "what the neck takes until it is full, engine cold"}),
			{Name: "below_mark_ml", Unit: "ml", Min: -20000, Max: 20000,
				Help: "how far the bottle is below its mark; 0 is at the mark, negative is above it"}}},
	{id: "wet-outside", pass: "dry, no crust", fail: "wet, or a white or green crust", judge: judgeWet,
		figures: []Figure{yes("wet", "is it wet or dripping anywhere"),
			yes("crust", "is there a white or green crust")},
		oneOf: []string{"wet", "crust"}},
	{id: "air-path", pass: "nothing is in front of the core, shroud and seals are there",
		fail: "something keeps the air from the core", judge: judgeAirPath,
		figures: []Figure{pct("covered_pct", "share of the core that is covered, or closed by folded fins"),
			yes("shroud_missing", "is a shroud or seal missing")},
		oneOf: []string{"covered_pct", "shroud_missing"}},
	{id: "fan-direction", pass: "the fan pulls the sheet onto the core", fail: "the fan blows the sheet off",
		judge:   judgeDirection,
		figures: []Figure{required(yes("pulls", "is a sheet of paper pulled onto the face away from the fan"))}},
	{id: "probe", pass: "gauge or lamp and the probe agree",
		fail: "gauge or lamp says hot and the probe does not, or the other way round", judge: judgeProbe,
		figures: []Figure{required(celsius("probe_c", -40, 200, "what a probe says at the housing, on a matt patch")),
			celsius("gauge_c", -40, 200, "what the machine's gauge says at the same time"),
			yes("lamp", "is the lamp on")},
		oneOf: []string{"gauge_c", "lamp"}},
}

// oilWords are what an oil stick can show.
var oilWords = []string{"ok", "low", "overfull", "milky"}

// specFigures are the figures of a machine that checks compare with.
var specFigures = []Figure{
	{Name: "glycol", Unit: "word", Help: "kind of glycol in the coolant: ethylene or propylene"},
	{Name: "coolant_l", Unit: "l", Min: 0.1, Max: 200, Help: "coolant in the whole system"},
	{Name: "concentrate_pct", Unit: "pct", Max: 100, Help: "glycol that was filled, by volume"},
	{Name: "cap_kpa", Unit: "kpa", Min: 0, Max: 300, Help: "pressure printed on the cap; 0 for an open system"},
	{Name: "thermostat_c", Unit: "c", Min: 40, Max: 120, Help: "temperature stamped on the thermostat"},
	{Name: "thermostat_tol_c", Min: 0.5, Max: 20, Help: "how many kelvin it may be off"},
	{Name: "lift_mm", Min: 1, Max: 40, Help: "least lift of the open thermostat"},
	{Name: "altitude_m", Unit: "m", Min: -500, Max: 6000, Help: "metres above the sea where the machine works"},
	{Name: "fan_on_c", Unit: "c", Min: 40, Max: 130, Help: "coolant temperature at which the fan starts"},
	{Name: "fan_off_c", Unit: "c", Min: 40, Max: 130, Help: "coolant temperature at which the fan stops"},
	{Name: "fan_amps", Min: 0.5, Max: 100, Help: "most current the fan may draw"},
	{Name: "compression_kpa", Unit: "kpa", Min: 200, Max: 6000, Help: "least compression, at sea level"},
	{Name: "sensor_tol_pct", Unit: "pct", Min: 0.5, Max: 30, Help: "share by which the sensor's resistance may be off"},
	{Name: "intake_min_mm", Min: 0.01, Max: 2, Help: "least clearance of the intake valves"},
	{Name: "intake_max_mm", Min: 0.01, Max: 2, Help: "most clearance of the intake valves"},
	{Name: "exhaust_min_mm", Min: 0.01, Max: 2, Help: "least clearance of the exhaust valves"},
	{Name: "exhaust_max_mm", Min: 0.01, Max: 2, Help: "most clearance of the exhaust valves"},
}

// OilFinding returns the word for an oil-level's figure "finding": ok, low,
// overfull or milky.
func OilFinding(v float64) string {
	if v < 0 || int(v) >= len(oilWords) {
		return ""
	}
	return oilWords[int(v)]
}

// Recorded reads a check's figures as the book stores them: the value in its
// unit, which is the first figure, and the others as
// name=value;name=value/value. Anything that is not a figure of the check is
// left out.
func Recorded(id string, value float64, known bool, unit, text string) map[string][]float64 {
	c, err := findCheck(id)
	if err != nil {
		return nil
	}
	out := map[string][]float64{}
	if first := c.figures[0]; known && (unit == "" || strings.EqualFold(strings.TrimPrefix(unit, "°"), first.Unit)) {
		out[first.Name] = []float64{value}
	}
	for part := range strings.SplitSeq(text, ";") {
		name, values, _ := strings.Cut(strings.TrimSpace(part), "=")
		i := slices.IndexFunc(c.figures, func(f Figure) bool { return f.Name == name })
		if i < 0 {
			continue
		}
		var numbers []float64
		for one := range strings.SplitSeq(values, "/") {
			x, err := strconv.ParseFloat(strings.TrimSpace(one), 64)
			if at := slices.Index(c.figures[i].OneOf, one); at >= 0 {
				x, err = float64(at), nil
			}
			if err != nil {
				numbers = nil
				break
			}
			numbers = append(numbers, x)
		}
		if numbers != nil {
			out[name] = numbers
		}
	}
	return out
}
