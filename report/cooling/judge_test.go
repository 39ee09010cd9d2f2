package cooling

import (
	"errors"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// set enters a spec figure.
func (s *Spec) set(name string, v float64) error {
	f, err := SpecFigure(name)
	if err != nil {
		return err
	}
	if s.Figures == nil {
		s.Figures = map[string]float64{}
	}
	s.Figures[name] = v
	return f.Check(v)
}

// specOf makes a spec out of names and values.
func specOf(t *testing.T, pairs ...any) Spec {
	t.Helper()
	s := Spec{Glycol: Ethylene}
	for i := 0; i < len(pairs); i += 2 {
		require.NoError(t, s.set(pairs[i].(string), asFloat(pairs[i+1])))
	}
	return s
}

func asFloat(v any) float64 {
	if i, ok := v.(int); ok {
		return float64(i)
	}
	return v.(float64)
}

// measured makes a measurement out of names and values, a value being a number,
// a yes or no, or a list.
func measured(pairs ...any) Measurement {
	m := Measurement{Figures: map[string][]float64{}}
	for i := 0; i < len(pairs); i += 2 {
		name := pairs[i].(string)
		switch v := pairs[i+1].(type) {
		case []float64:
			m.Figures[name] = v
		case bool:
			m.Figures[name] = []float64{map[bool]float64{true: 1}[v]}
		default:
			m.Figures[name] = []float64{asFloat(v)}
		}
	}
	return m
}

// judged1 judges figures that are good.
func judged1(t *testing.T, check string, spec Spec, pairs ...any) Verdict {
	t.Helper()
	v, err := Judge(check, measured(pairs...), spec)
	require.NoError(t, err)
	require.NotEmpty(t, v.Says)
	return v
}

// refused gives the error of figures that are bad.
func refused(t *testing.T, check string, spec Spec, pairs ...any) error {
	t.Helper()
	v, err := Judge(check, measured(pairs...), spec)
	require.Error(t, err, "%+v", v)
	return err
}

// The ids of the exchange contract, in its order.
var contractChecks = strings.Fields(`light-test bleed level pressure-hold combustion-gas compression leak-down cap-hold fan-runs
	fan-relay thermostat-bath pump-flow hose-squeeze wiggle sensor-resistance flow-through intake-leak oil-level oil-cooler
	valve-clearance air-filter mix-strength brake-drag fan-at-lamp warm-up needle-pulse fan-after-stop neck-level wet-outside
	air-path fan-direction probe`)

func TestEveryCheckOfTheContract(t *testing.T) {
	require.Equal(t, contractChecks, Checks())
	units := strings.Fields("c kpa ohm pct ml l min m yesno word")
	for _, id := range Checks() {
		figures, err := Figures(id)
		require.NoError(t, err)
		require.NotEmpty(t, figures, id)
		seen := map[string]bool{}
		for _, f := range figures {
			require.NotEmpty(t, f.Help, "%s %s", id, f.Name)
			require.Less(t, f.Min, f.Max, "%s %s", id, f.Name)
			require.False(t, seen[f.Name], "%s %s", id, f.Name)
			seen[f.Name] = true
			if f.Unit != "" {
				require.Contains(t, units, f.Unit, "%s %s", id, f.Name)
			}
		}
		pass, fail, err := Meaning(id)
		require.NoError(t, err)
		require.NotEmpty(t, pass)
		require.NotEqual(t, pass, fail)
		// A result alone stands, for every check.
		for _, r := range []string{Pass, Fail, Unsure} {
			v, err := Judge(id, Measurement{Result: r}, Spec{})
			require.NoError(t, err)
			require.Equal(t, r, v.Result)
			require.NotEmpty(t, v.Says)
			require.Empty(t, v.Unit)
		}
		_, err = Judge(id, Measurement{}, Spec{})
		require.ErrorContains(t, err, "nothing given")
	}
}

func TestUnknownNames(t *testing.T) {
	for typed, near := range map[string]string{
		"sensor-resistence": "did you mean sensor-resistance?", "presure-hold": "did you mean pressure-hold?",
		"thermostat": "did you mean thermostat-bath?",
		"cap_hold":   "did you mean cap-hold?", "LEVEL": "did you mean level",
		"zzz": "choose from light-test, bleed, level"} {
		_, err := Judge(typed, Measurement{Result: Pass}, Spec{})
		require.ErrorContains(t, err, near)
		_, err = Figures(typed)
		require.ErrorContains(t, err, typed)
		_, _, err = Meaning(typed)
		require.Error(t, err)
	}
	require.ErrorContains(t, refused(t, "sensor-resistance", Spec{}, "ohms", 190), "did you mean ohm?")
	_, err := Judge("level", Measurement{Result: "ok"}, Spec{})
	require.ErrorContains(t, err, `result: "ok" should be pass, fail or unsure`)
	var s Spec
	require.ErrorContains(t, s.set("thermostat", 82), "thermostat_c")
	require.ErrorContains(t, s.set("ohm_at_hot", 82), "such as ohm_at_20")
	require.ErrorContains(t, s.set("thermostat_c", 182), "thermostat_c: 182 °C should lie between 40 and 120 °C")
	require.NoError(t, s.set("ohm_at_-20", 15000))
	require.NoError(t, s.set("ohm_at_80", 300))
	require.Equal(t, []sensorPoint{{-20, 15000}, {80, 300}}, s.sensor())
	_, err = Judge("level", Measurement{Result: Pass, Figures: map[string][]float64{"below_mark_ml": {0}}},
		Spec{Figures: map[string]float64{"coolant": 4}})
	require.ErrorContains(t, err, "coolant_l")
}

// Every figure refuses what is out of its range, no number at all, or many
// where one is wanted, naming itself.
func TestEveryFigureRefusesNonsense(t *testing.T) {
	for _, id := range Checks() {
		figures := must(Figures(id))
		for _, f := range figures {
			for _, bad := range [][]float64{{f.Min - 1}, {f.Max*10 + 1}, {math.NaN()}, {math.Inf(1)},
				{f.Min, f.Max, f.Max}} {
				if len(bad) == 3 && f.Many {
					continue
				}
				m := Measurement{Figures: map[string][]float64{}}
				for _, other := range figures {
					if other.Required {
						m.Figures[other.Name] = []float64{(other.Min + other.Max) / 2}
						if other.Unit == "yesno" {
							m.Figures[other.Name] = []float64{1}
						}
					}
				}
				m.Figures[f.Name] = bad
				_, err := Judge(id, m, Spec{})
				require.ErrorContains(t, err, f.Name, "%s %s %v", id, f.Name, bad)
				var d *Doubt
				if !errors.As(err, &d) { // a doubt says what is usual instead
					require.Contains(t, err.Error(), "should", "%s %s %v", id, f.Name, bad)
				}
			}
			if f.Required {
				_, err := Judge(id, Measurement{Figures: map[string][]float64{figures[len(figures)-1].Name: {}}},
					Spec{})
				require.Error(t, err)
			}
		}
	}
}

// Whatever is typed within the ranges, a verdict is whole: no NaN, no empty
// sentence, a known result.
func TestVerdictsAreWhole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		id := rapid.SampledFrom(Checks()).Draw(t, "check")
		m := Measurement{Sure: rapid.Bool().Draw(t, "sure"), Figures: map[string][]float64{}}
		for _, f := range must(Figures(id)) {
			if f.Required || rapid.Bool().Draw(t, "has "+f.Name) {
				x := rapid.Float64Range(f.Min, f.Max).Draw(t, f.Name)
				if f.Unit == "yesno" || f.Unit == "word" {
					x = float64(rapid.IntRange(0, int(f.Max)).Draw(t, f.Name))
				}
				m.Figures[f.Name] = []float64{x}
			}
		}
		spec := Spec{Figures: map[string]float64{}, Glycol: rapid.SampledFrom([]Glycol{"", Ethylene, Propylene}).Draw(t,
			"glycol")}
		for _, f := range SpecFigures() {
			if f.Unit != "word" && rapid.Bool().Draw(t, "spec "+f.Name) {
				spec.Figures[f.Name] = rapid.Float64Range(f.Min, f.Max).Draw(t, f.Name)
			}
		}
		if rapid.Bool().Draw(t, "sensor") {
			spec.Figures["ohm_at_20"], spec.Figures["ohm_at_100"] = 2500, 186
		}
		v, err := Judge(id, m, spec)
		if err != nil {
			var d *Doubt
			require.True(t, !m.Sure || !errors.As(err, &d), "asked again: %v", err)
			return
		}
		require.Contains(t, []string{Pass, Fail, Unsure}, v.Result)
		require.True(t, finite(v.Value))
		require.NotEmpty(t, v.Says)
		require.NotContains(t, v.Says, "NaN")
		require.NotContains(t, v.Says, "%!")
		for _, w := range v.Warnings {
			require.NotContains(t, w, "%!")
		}
		require.NotEmpty(t, v.Source+strings.Join(v.Missing, ""), "%s: %s", id, v.Says)
		for _, name := range v.Missing {
			f, err := SpecFigure(name)
			require.NoError(t, err)
			require.NotEmpty(t, f.Help)
		}
	})
}

func TestValueStandsForTheFirstFigure(t *testing.T) {
	x := 400.0
	v, err := Judge("level", Measurement{Value: &x, Unit: "ml"}, specOf(t, "coolant_l", 5))
	require.NoError(t, err)
	require.Equal(t, Fail, v.Result)
	_, err = Judge("level", Measurement{Value: &x, Unit: "psi"}, Spec{})
	require.ErrorContains(t, err, `value: unit "psi" should be mL`)
	c := -37.0
	v, err = Judge("mix-strength", Measurement{Value: &c, Unit: "°C"}, specOf(t, "cap_kpa", 90))
	require.NoError(t, err)
	require.Equal(t, Pass, v.Result)
}

func TestTypedResultAgainstFigures(t *testing.T) {
	m := measured("blocked_back_pct", 80)
	m.Result = Pass
	v, err := Judge("light-test", m, Spec{})
	require.NoError(t, err)
	require.Equal(t, Fail, v.Result)
	require.Contains(t, v.Warnings, "typed as pass, but the figures say fail")
	m = measured("blocked_back_pct", 15)
	m.Result = Fail
	v, err = Judge("light-test", m, Spec{})
	require.NoError(t, err)
	require.Equal(t, Fail, v.Result)
	require.Contains(t, v.Warnings, "typed as fail; the figures alone do not say")
}

// The limits that the texts print are those at which the judges turn: at the
// limit it is no fail, a little beyond it is.
func TestLimitsAreTheJudges(t *testing.T) {
	of := func(name string) float64 {
		x, ok := limits[name]
		require.True(t, ok, name)
		return x
	}
	spec := specOf(t, "coolant_l", 4, "cap_kpa", 100, "thermostat_c", 82, "fan_on_c", 95)
	for _, c := range []struct {
		check, figure string
		at            float64 // where it turns
		up            bool    // fails above it
		rest          []any
	}{
		{"light-test", "dark_pct", of("dark-fail"), true, nil},
		{"air-path", "covered_pct", of("dark-fail"), true, nil},
		{"level", "below_mark_ml", 40 * of("missing-fail"), true, nil},
		{"neck-level", "below_neck_ml", 40 * of("missing-fail"), true, nil},
		{"leak-down", "leak_pct", of("leak-fail"), true, nil},
		{"compression", "cylinder_kpa", 10 * of("compression-fail"), false, nil},
		{"cap-hold", "relief_kpa", of("cap-fail"), false, nil},
		{"fan-runs", "on_c", 95 + of("fan-late"), true, nil},
		{"thermostat-bath", "opens_c", 82 + of("open-fail"), true, nil},
		{"warm-up", "jump_c", 82 + of("jump-fail"), true, nil},
		{"pump-flow", "in_c", 60 + of("core-high"), true, []any{"out_c", 60}},
		{"flow-through", "patch_k", of("patch-fail"), true, nil},
		{"probe", "gauge_c", 90 + of("apart-fail"), true, []any{"probe_c", 90}},
		{"probe", "probe_c", of("lamp-low"), false, []any{"lamp", true}},
		{"oil-level", "over_mm", of("oil-mm"), true, nil},
		{"mix-strength", "glycol_pct", of("mix-high"), true, nil},
		{"mix-strength", "glycol_pct", of("mix-low"), false, nil},
		{"fan-relay", "plug_v", of("plug-volts"), false, nil},
	} {
		result := func(x float64) string {
			if c.check == "compression" {
				return judged1(t, c.check, spec, "cylinder_kpa", []float64{1000, x}).Result
			}
			return judged1(t, c.check, spec, append([]any{c.figure, x}, c.rest...)...).Result
		}
		beyond := 0.01
		if !c.up {
			beyond = -beyond
		}
		require.NotEqual(t, Fail, result(c.at), "%s %s at %v", c.check, c.figure, c.at)
		require.Equal(t, Fail, result(c.at+beyond), "%s %s at %v", c.check, c.figure, c.at+beyond)
	}
}
