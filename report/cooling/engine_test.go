package cooling

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestEngineOfManuals(t *testing.T) {
	by := readPublished(t)
	// Fan current above 7.5 A: replace (quad).
	amps, _ := by["fan-current-quad"].want()
	spec := specOf(t, "fan_amps", amps, "fan_on_c", 95.5)
	require.Equal(t, Fail, judged1(t, "fan-runs", spec, "amps", amps+0.1, "on_c", 95).Result)
	require.Equal(t, Pass, judged1(t, "fan-runs", spec, "amps", amps, "on_c", 95).Result)
	// Switch that closes at 93 to 98 °C and opens 5 K lower.
	low, high := by["fan-switch-road"].want()
	for _, c := range []float64{low, high} {
		v := judged1(t, "fan-runs", spec, "on_c", c, "off_c", c-5)
		require.Equal(t, Pass, v.Result, v.Says)
	}
	require.Equal(t, Fail, judged1(t, "fan-runs", spec, "on_c", high+4).Result)
	// Lowest cylinder at least 75 % of the highest.
	ratio, _ := by["compression-ratio-low"].want()
	require.Equal(t, Pass, judged1(t, "compression", Spec{}, "cylinder_kpa", []float64{1000, 1000 * ratio}).Result)
	require.Equal(t, Fail, judged1(t, "compression", Spec{}, "cylinder_kpa", []float64{1000, 1000*ratio - 1}).Result)
	// Leak-down: 10 to 15 acceptable, above 20 find the path.
	limit, _ := by["leakdown-suspicious"].want()
	require.Equal(t, Fail, judged1(t, "leak-down", Spec{}, "leak_pct", limit+1).Result)
	require.Equal(t, Pass, judged1(t, "leak-down", Spec{}, "leak_pct", 15).Result)
	require.Equal(t, Unsure, judged1(t, "leak-down", Spec{}, "leak_pct", limit).Result)
}

func TestMixOfManuals(t *testing.T) {
	by := readPublished(t)
	spec := specOf(t, "cap_kpa", 90, "altitude_m", 1500)
	// Reuse between -45 and -31 °C (a manual, 2020).
	low, high := by["refractometer-reuse"].want()
	for _, c := range []float64{low, high} {
		require.Equal(t, Pass, judged1(t, "mix-strength", spec, "freeze_c", c).Result)
	}
	// 40 to 60 % (ASTM D3306); 30 and 60 the outer limits of manuals.
	low, high = by["mix-window"].want()
	for _, p := range []float64{low, high} {
		require.Equal(t, Pass, judged1(t, "mix-strength", spec, "glycol_pct", p).Result)
	}
	require.Equal(t, Unsure, judged1(t, "mix-strength", spec, "glycol_pct", low-1).Result)
	require.Equal(t, Fail, judged1(t, "mix-strength", spec, "glycol_pct", high+1).Result)
	require.Equal(t, Fail, judged1(t, "mix-strength", spec, "glycol_pct", 29).Result)
}

func TestMix(t *testing.T) {
	spec := specOf(t, "cap_kpa", 90, "altitude_m", 1500)
	v := judged1(t, "mix-strength", spec, "freeze_c", -37, "reported_c", 112.4)
	require.Equal(t, Pass, v.Result)
	require.InDelta(t, 50, v.Value, 0.1)
	require.Contains(t, v.Says, "50 % ethylene glycol by volume, freezes at -37 °C; ")
	require.Contains(t, v.Says, "boils at 124.7 °C on a 90 kPa cap at 1,500 m, at 102.8 °C if the cap holds nothing; "+
		"at the reported 112.4 °C it ran 12.3 K below boiling, which rests on the cap alone")
	require.Contains(t, judged1(t, "mix-strength", spec, "glycol_pct", 50, "reported_c", 130).Says, "it boiled")
	require.Contains(t, judged1(t, "mix-strength", spec, "glycol_pct", 50, "reported_c", 95).Says,
		"it ran 29.7 K below boiling")
	// None and neat.
	v = judged1(t, "mix-strength", spec, "glycol_pct", 0)
	require.Equal(t, Fail, v.Result)
	require.Contains(t, v.Says, "freezes at 0 °C; plain water boils at")
	v = judged1(t, "mix-strength", spec, "glycol_pct", 100)
	require.Equal(t, Fail, v.Result)
	require.Contains(t, v.Says, "freezes at -13 °C; neat ethylene glycol boils at")
	require.Contains(t, fmt.Sprint(v.Warnings), "carries 87 % of the heat") // check values, section 1.3: 0.870 at 60 %
	v = judged1(t, "mix-strength", spec, "glycol_pct", 70)
	require.NotContains(t, v.Says, "freezes")
	// A reading with two answers says so.
	require.Contains(t, fmt.Sprint(judged1(t, "mix-strength", spec, "freeze_c", -13).Warnings),
		"100 % freezes there too")
	// Beyond the table.
	require.Equal(t, Unsure, judged1(t, "mix-strength", spec, "freeze_c", -50).Result)
	require.Equal(t, Fail, judged1(t, "mix-strength", spec, "gravity", 1.12).Result)
	prop := spec
	prop.Glycol = Propylene
	require.Equal(t, Fail, judged1(t, "mix-strength", prop, "freeze_c", -55).Result)
	// What is missing is named.
	v = judged1(t, "mix-strength", Spec{}, "freeze_c", -37, "reported_c", 105)
	require.Equal(t, []string{"glycol", "cap_kpa"}, v.Missing)
	require.Contains(t, v.Says,
		"boils at 108.0 °C with no pressure on it at sea level; at the reported 105 °C it ran 3 K below boiling")
	require.Contains(t, judged1(t, "mix-strength", Spec{}, "freeze_c", -37, "reported_c", 115).Says,
		"only a cap that holds keeps it from boiling")
	require.ErrorContains(t, refused(t, "mix-strength", spec, "freeze_c", 37),
		"freeze_c: 37 °C should lie between -70 and 0 °C")
}

// The front alone misleads: a front a third blocked can hide a back four-fifths
// blocked (common practice, no source).
func TestLight(t *testing.T) {
	front := func(pct float64) Verdict { return judged1(t, "light-test", Spec{}, "blocked_front_pct", pct) }
	require.Equal(t, Unsure, front(5).Result)
	require.Contains(t, fmt.Sprint(front(5).Warnings), "a front a third blocked can hide a back four-fifths blocked")
	require.Equal(t, Fail, front(33).Result)
	require.Equal(t, Fail, judged1(t, "light-test", Spec{}, "blocked_front_pct", 33, "blocked_back_pct", 80).Result)
	require.Equal(t, Pass, judged1(t, "light-test", Spec{}, "blocked_back_pct", 8).Result)
	require.Equal(t, Unsure, judged1(t, "oil-cooler", Spec{}, "blocked_back_pct", 15).Result)
	require.Equal(t, Fail, judged1(t, "oil-cooler", Spec{}, "blocked_back_pct", 21).Result)
}

func TestCompression(t *testing.T) {
	// A cylinder alone needs its book.
	v := judged1(t, "compression", Spec{}, "cylinder_kpa", 1100)
	require.Equal(t, Unsure, v.Result)
	require.Equal(t, []string{"compression_kpa"}, v.Missing)
	require.Equal(t, Pass, judged1(t, "compression", specOf(t, "compression_kpa", 1000), "cylinder_kpa", 1100).Result)
	require.Equal(t, Fail, judged1(t, "compression", specOf(t, "compression_kpa", 1000), "cylinder_kpa", 900).Result)
	// At 2,000 m the air presses with 79.5 of 101.3 kPa (ISO 2533): 785 is enough.
	v = judged1(t, "compression", specOf(t, "compression_kpa", 1000, "altitude_m", 2000), "cylinder_kpa", 900)
	require.Equal(t, Pass, v.Result)
	require.Contains(t, v.Says, "at least 785 kPa by the manual")
	// Two neighbours low: the gasket between them.
	v = judged1(t, "compression", Spec{}, "cylinder_kpa", []float64{1100, 600, 620, 1080})
	require.Equal(t, Fail, v.Result)
	require.Contains(t, fmt.Sprint(v.Warnings), "cylinders 2 and 3, side by side")
	require.NotContains(t, fmt.Sprint(judged1(t, "compression", Spec{}, "cylinder_kpa",
		[]float64{1100, 600, 1080, 620}).Warnings), "side by side")
	require.Contains(t, fmt.Sprint(judged1(t, "compression", Spec{}, "cylinder_kpa", []float64{1000, 850}).Warnings),
		"more than a tenth apart")
	require.Equal(t, Fail, judged1(t, "compression", Spec{}, "cylinder_kpa", []float64{0, 0}).Result)
}

func TestLeakDown(t *testing.T) {
	v := judged1(t, "leak-down", Spec{}, "leak_pct", []float64{8, 26, 9})
	require.Equal(t, Fail, v.Result)
	require.Contains(t, v.Says, "26 % leaks in cylinder 2")
	require.Equal(t, Fail, judged1(t, "leak-down", Spec{}, "leak_pct", 5, "bubbles", true).Result)
	require.Empty(t, must(func() ([]string, error) {
		v, err := Judge("leak-down", measured("leak_pct", 5, "bubbles", false), Spec{})
		return v.Missing, err
	}()))
}

// The remaining checks, with limits of the trade (common practice, no source).
func TestOtherChecks(t *testing.T) {
	valves := specOf(t, "intake_min_mm", 0.05, "intake_max_mm", 0.10, "exhaust_min_mm", 0.15, "exhaust_max_mm", 0.20)
	fan := specOf(t, "fan_on_c", 95, "fan_off_c", 88)
	stamped, system := specOf(t, "thermostat_c", 82), specOf(t, "coolant_l", 4)
	for _, c := range []struct {
		check  string
		spec   Spec
		pairs  []any
		result string
		says   string // in the sentence or a warning
	}{
		{"combustion-gas", Spec{}, []any{"colour_change", true}, Fail, "repeat it with fresh fluid"},
		{"combustion-gas", Spec{}, []any{"colour_change", false, "hot", true}, Pass, "does not rule a head gasket out"},
		{"combustion-gas", Spec{}, []any{"colour_change", false, "hot", false}, Unsure, "repeat it hot"},
		{"combustion-gas", Spec{}, []any{"colour_change", false, "hot", true, "tests", 2}, Pass, "stayed blue 2 times"},
		{"fan-runs", fan, []any{"on_c", 96, "off_c", 89}, Pass, "+1 K from the manual's 95 °C"},
		{"fan-runs", fan, []any{"on_c", 99}, Unsure, "a little off"},
		{"fan-runs", fan, []any{"on_c", 80}, Unsure, "early"},
		{"fan-runs", fan, []any{"on_c", 96, "off_c", 70}, Pass, "by the manual it should stop at 88 °C"},
		{"fan-runs", fan, []any{"ran", false, "hottest_c", 104}, Fail, "did not run at 104 °C, and it starts at 95 °C"},
		{"fan-runs", fan, []any{"ran", false, "hottest_c", 90}, Unsure, "not hot enough"},
		{"fan-runs", fan, []any{"ran", false}, Unsure, "below its switching point"},
		{"fan-runs", Spec{}, []any{"ran", false}, Unsure, "how hot the coolant was is not recorded"},
		{"fan-runs", Spec{}, []any{"ran", false, "hottest_c", 106}, Fail, "fans start at 85 to 105 °C"},
		{"fan-runs", Spec{}, []any{"ran", false, "hottest_c", 84}, Unsure, "not hot enough"},
		{"fan-runs", Spec{}, []any{"ran", false, "hottest_c", 95}, Unsure, "set fan_on_c"},
		{"fan-runs", Spec{}, []any{"on_c", 106}, Fail, "late"},
		{"fan-runs", Spec{}, []any{"on_c", 80}, Unsure, "early"},
		{"fan-runs", Spec{}, []any{"off_c", 92}, Pass, "stopped at 92 °C"},
		{"fan-runs", Spec{}, []any{"off_c", 108}, Fail, "starts hotter still"},
		{"fan-runs", fan, []any{"off_c", 95}, Fail, "the manual says 88 °C"},
		{"fan-at-lamp", Spec{}, []any{"ran", false}, Fail, "does not run"},
		{"fan-at-lamp", fan, []any{"ran", false, "coolant_c", 60}, Unsure, "the lamp may be wrong"},
		{"fan-at-lamp", Spec{}, []any{"ran", true}, Pass, "runs"},
		{"fan-after-stop", Spec{}, []any{"ran", false}, Unsure, "below its switching point"},
		{"fan-after-stop", fan, []any{"ran", false, "coolant_c", 104}, Fail, "did not run"},
		{"fan-after-stop", Spec{}, []any{"ran", true}, Pass, "after a hot stop"},
		{"fan-direction", Spec{}, []any{"pulls", false}, Fail, "wrong way"},
		{"fan-direction", Spec{}, []any{"pulls", true}, Pass, "pulls"},
		{"warm-up", stamped, []any{"jump_c", 86}, Pass, "+4 K from the stamped 82 °C"},
		{"warm-up", stamped, []any{"jump_c", 93}, Unsure, "matt patch"},
		{"warm-up", stamped, []any{"jump_c", 98}, Fail, "late"},
		{"warm-up", stamped, []any{"cold_until_c", 90}, Unsure, "a little hotter"},
		{"warm-up", stamped, []any{"cold_until_c", 100}, Fail, "sticks shut"},
		{"warm-up", stamped, []any{"never_warm", true}, Fail, "no cause of overheats"},
		{"needle-pulse", Spec{}, []any{"pulses", true}, Fail, "combustion pressure"},
		{"needle-pulse", Spec{}, []any{"climbs", true}, Fail, "within a minute"},
		{"needle-pulse", Spec{}, []any{"pulses", false}, Pass, "neither"},
		{"neck-level", system, []any{"below_neck_ml", 0}, Pass, "full"},
		{"neck-level", system, []any{"below_neck_ml", 60}, Pass, "1.5 % of 4 L"},
		{"neck-level", system, []any{"below_neck_ml", 160}, Unsure, "two cold mornings"},
		{"neck-level", system, []any{"below_neck_ml", 400, "below_mark_ml", 0}, Fail, "does not draw coolant back"},
		{"neck-level", Spec{}, []any{"below_neck_ml", 400}, Unsure, "without coolant_l"},
		{"wet-outside", Spec{}, []any{"crust", true}, Fail, "trail"},
		{"wet-outside", Spec{}, []any{"wet", false}, Pass, "dry"},
		{"air-path", Spec{}, []any{"covered_pct", 30}, Fail, "30 % of the core"},
		{"air-path", Spec{}, []any{"covered_pct", 15}, Unsure, "compare"},
		{"air-path", Spec{}, []any{"covered_pct", 0, "shroud_missing", true}, Fail, "shroud"},
		{"probe", Spec{}, []any{"probe_c", 80, "gauge_c", 90}, Fail, "+10 K off"},
		{"probe", Spec{}, []any{"probe_c", 80, "lamp", true}, Fail, "says hot and is not"},
		{"probe", Spec{}, []any{"probe_c", 104, "lamp", true}, Pass, "agree"},
		{"probe", Spec{}, []any{"probe_c", 120, "lamp", false}, Fail, "nothing says so"},
		{"oil-level", Spec{}, []any{"finding", 3}, Fail, "milky"},
		{"oil-level", Spec{}, []any{"finding", 2}, Fail, "above the upper mark"},
		{"oil-level", Spec{}, []any{"finding", 1}, Fail, "too little"},
		{"oil-level", Spec{}, []any{"finding", 0}, Pass, "between"},
		{"fan-runs", fan, []any{"ran", true}, Pass, "give on_c"},
		{"fan-runs", fan, []any{"amps", 0}, Fail, "no current"},
		{"fan-runs", Spec{}, []any{"on_c", 96}, Pass, "within the usual 85 to 105 °C"},
		{"fan-relay", Spec{}, []any{"plug_v", 13.4, "battery_v", 13.7}, Pass, "0.3 V below the battery"},
		{"fan-relay", Spec{}, []any{"plug_v", 10.4, "battery_v", 13.7}, Fail, "under 11 V"},
		{"fan-relay", Spec{}, []any{"plug_v", 12.4, "battery_v", 13.7}, Unsure, "1.3 V below"},
		{"fan-relay", Spec{}, []any{"plug_v", 12.4}, Unsure, "battery_v"},
		{"fan-relay", Spec{}, []any{"swap_cures", true}, Fail, "relay is bad"},
		{"fan-relay", Spec{}, []any{"swap_cures", false}, Pass, "wiring was not checked"},
		{"pump-flow", Spec{}, []any{"flow", true}, Pass, "a stir at the filler"},
		{"pump-flow", Spec{}, []any{"flow", false, "thermostat_open", true}, Fail, "no flow"},
		{"pump-flow", Spec{}, []any{"flow", false, "thermostat_open", false}, Unsure,
			"do not wait for it to open with the neck open"},
		{"pump-flow", Spec{}, []any{"in_c", 95, "out_c", 87}, Pass, "8 K from upper to lower"},
		{"pump-flow", Spec{}, []any{"in_c", 95, "out_c", 70}, Fail, "little flow"},
		{"pump-flow", Spec{}, []any{"in_c", 95, "out_c", 94}, Unsure, "no load"},
		{"pump-flow", Spec{}, []any{"in_c", 95, "out_c", 79}, Unsure, "between"},
		{"hose-squeeze", Spec{}, []any{"flattens", true, "rpm", 3500}, Fail, "starves the pump"},
		{"hose-squeeze", Spec{}, []any{"flattens", false, "rpm", 3500}, Pass, "round at 3,500 rpm"},
		{"hose-squeeze", Spec{}, []any{"flattens", false, "rpm", 1500}, Unsure, "3,000 rpm"},
		{"hose-squeeze", Spec{}, []any{"flattens", false}, Pass, "3,000 rpm"},
		{"wiggle", Spec{}, []any{"jumps", true}, Fail, "contact"},
		{"wiggle", Spec{}, []any{"jumps", false}, Pass, "may not show"},
		{"wiggle", Spec{}, []any{"gauge_c", 112, "probe_c", 96}, Fail, "+16 K off"},
		{"wiggle", Spec{}, []any{"gauge_c", 100, "probe_c", 96}, Pass, "+4 K off"},
		{"wiggle", Spec{}, []any{"gauge_c", 103, "probe_c", 96}, Unsure, "shiny"},
		{"flow-through", Spec{}, []any{"patch_k", 14}, Fail, "blocked inside"},
		{"flow-through", Spec{}, []any{"patch_k", 3}, Pass, "even"},
		{"flow-through", Spec{}, []any{"patch_k", 8}, Unsure, "flush"},
		{"intake-leak", Spec{}, []any{"rpm_change", true}, Fail, "sucks in air"},
		{"intake-leak", Spec{}, []any{"rpm_change", false}, Pass, "flammable"},
		{"oil-level", Spec{}, []any{"over_mm", 8}, Fail, "overfilled"},
		{"oil-level", Spec{}, []any{"under_mm", 7}, Fail, "too little"},
		{"oil-level", Spec{}, []any{"over_mm", 3}, Unsure, "set it right"},
		{"oil-level", Spec{}, []any{"over_mm", 0}, Pass, "between the marks"},
		{"oil-level", Spec{}, []any{"milky", true}, Fail, "do not run"},
		{"oil-level", Spec{}, []any{"milky", false}, Pass, "clear"},
		{"valve-clearance", valves, []any{"intake_mm", []float64{0.05, 0.10}, "exhaust_mm", 0.17}, Pass,
			"as in the manual"},
		{"valve-clearance", valves, []any{"intake_mm", 0.08, "exhaust_mm", []float64{0.17, 0.10}}, Fail,
			"exhaust valve 2 has 0.1 mm"},
		{"valve-clearance", valves, []any{"intake_mm", 0.2}, Fail, "0.05 to 0.1"},
		{"valve-clearance", Spec{}, []any{"intake_mm", 0.2}, Unsure, "intake_min_mm"},
		{"air-filter", Spec{}, []any{"choked", true}, Fail, "choked"},
		{"air-filter", Spec{}, []any{"better_without", false}, Pass, "clear"},
		{"brake-drag", Spec{}, []any{"hub_c", []float64{45, 95, 50, 43}}, Fail, "hub 2 is 49 K hotter"},
		{"brake-drag", Spec{}, []any{"hub_c", []float64{45, 50}}, Pass, "alike"},
		{"brake-drag", Spec{}, []any{"hub_c", []float64{45, 65}}, Unsure, "without braking"},
		{"brake-drag", Spec{}, []any{"hub_c", []float64{45, 50}, "rolls", false}, Fail, "does not roll"},
		{"brake-drag", Spec{}, []any{"rolls", false}, Fail, "does not roll"},
		{"brake-drag", Spec{}, []any{"rolls", true}, Pass, "rolls freely"},
	} {
		v := judged1(t, c.check, c.spec, c.pairs...)
		require.Equal(t, c.result, v.Result, "%s %v: %s", c.check, c.pairs, v.Says)
		require.Contains(t, v.Says+fmt.Sprint(v.Warnings), c.says, "%s %v", c.check, c.pairs)
	}
	for _, c := range []struct {
		check string
		pairs []any
		says  string
	}{
		{"fan-runs", []any{"on_c", 90, "off_c", 95}, "off_c: 95 °C should be below on_c"},
		{"fan-runs", []any{"on_c", 90, "ran", false}, "a fan that started has run"},
		{"fan-relay", []any{"plug_v", 14, "battery_v", 12}, "plug_v: 14 V should be at most battery_v"},
		{"pump-flow", []any{"in_c", 90}, "should come together"},
		{"pump-flow", []any{"in_c", 80, "out_c", 95}, "the upper hose is the hot one"},
		{"wiggle", []any{"gauge_c", 90}, "should come together"},
		{"oil-level", []any{"over_mm", 3, "under_mm", 3}, "cannot stand above and below"},
		{"brake-drag", []any{"hub_c", 80}, "give two or more"},
		{"combustion-gas", []any{"colour_change", 0.5}, "should be yes (1) or no (0)"},
	} {
		require.ErrorContains(t, refused(t, c.check, Spec{}, c.pairs...), c.says)
	}
	require.ErrorContains(t, refused(t, "valve-clearance", specOf(t, "intake_min_mm", 0.2, "intake_max_mm", 0.1),
		"intake_mm", 0.15), "intake_min_mm: 0.2 should be at most intake_max_mm")
}
