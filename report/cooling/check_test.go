package cooling

import (
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// published is one entry of testdata/check/physics.json: a value from outside
// with its source, its tolerance in the unit that quantity names.
type published struct {
	ID       string
	Quantity string
	Source   string
	Inputs   map[string]any
	Expected json.RawMessage
	Tol      json.RawMessage `json:"tolerance"`
}

func (p published) in(name string) float64 {
	v, ok := p.Inputs[name].(float64)
	if !ok {
		panic(fmt.Sprintf("%s has no input %q", p.ID, name))
	}
	return v
}

func (p published) tolerance() float64 {
	var x float64
	if json.Unmarshal(p.Tol, &x) != nil {
		panic(p.ID + " has no single tolerance")
	}
	return x
}

// want is the expected value, or the range from low to high.
func (p published) want() (low, high float64) {
	var x float64
	if json.Unmarshal(p.Expected, &x) == nil {
		return x, x
	}
	var r struct{ Min, Max float64 }
	if err := json.Unmarshal(p.Expected, &r); err != nil {
		panic(err)
	}
	return r.Min, r.Max
}

func readPublished(t *testing.T) map[string]published {
	t.Helper()
	raw, err := os.ReadFile("../../testdata/check/physics.json")
	require.NoError(t, err)
	var all []published
	require.NoError(t, json.Unmarshal(raw, &all))
	by := map[string]published{}
	for _, p := range all {
		by[p.ID] = p
	}
	require.Len(t, by, 233)
	return by
}

// must is for calls whose inputs are known to be good.
func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// The 3 kohm sensor's table, from the entries themselves.
func threeK(by map[string]published, temps ...int) []sensorPoint {
	var pts []sensorPoint
	for _, c := range temps {
		ohm, _ := by[fmt.Sprintf("ntc-3k-%d", c)].want()
		pts = append(pts, sensorPoint{float64(c), ohm})
	}
	return pts
}

// computed gives what this package says for an entry; the tolerance, where not
// zero, replaces the entry's, with why.
type computed struct {
	prefix string
	tol    float64
	why    string
	value  func(p published, by map[string]published) float64
}

var computations = []computed{
	{prefix: "eg-freeze-ashrae-", value: freezing}, {prefix: "eg-freeze-interp-", value: freezing},
	{prefix: "pg-freeze-ashrae-", value: freezing},
	{prefix: "eg-freeze-manual-v60", tol: 4, why: "the table ends at 57.8 %, -48.3 °C; the manual's 60 % is -52",
		value: func(p published, _ map[string]published) float64 {
			return freezesAt(Ethylene, 57.8)
		}},
	{prefix: "eg-freeze-manual-", value: freezing}, {prefix: "pg-freeze-manual-", value: freezing},
	{prefix: "eg-freeze-crc-", tol: 3, why: "another table, colder by up to 2.9 K (see eg-freeze-cross-source-spread)",
		value: freezingByMass},
	{prefix: "eg-freeze-melinder-", tol: 3, why: "as for CRC", value: freezingByMass},
	{prefix: "pg-freeze-melinder-", tol: 2, why: "another table", value: freezingByMass},
	{prefix: "eg-freeze-cross-source-spread-m52", value: func(_ published, by map[string]published) float64 {
		crc, _ := by["eg-freeze-crc-m52"].want()
		return crc - freezesAt(Ethylene, Ethylene.vol(52))
	}},
	{prefix: "eg-vol-to-mass-50", value: func(p published, _ map[string]published) float64 {
		return Ethylene.mass(p.in("volume_percent"))
	}},
	{prefix: "eg-inverse-freeze-", value: func(p published, _ map[string]published) float64 {
		return Ethylene.fromFreezing(p.in("freeze_degC")).volPct
	}},
	{prefix: "eg-rho-melinder-", tol: 10,
		why: "another table, of pure glycol: ASHRAE's inhibited one is denser by 0.5 % at 20 °C and 0.9 % at 80",
		value: func(p published, _ map[string]published) float64 {
			return must(Ethylene.density(Ethylene.vol(p.in("mass_percent")), p.in("t_degC")))
		}},
	{prefix: "eg-cp-melinder-", tol: 40, why: "another table, within 1.2 %",
		value: func(p published, _ map[string]published) float64 {
			return must(Ethylene.heat(Ethylene.vol(p.in("mass_percent")), p.in("t_degC")))
		}},
	{prefix: "eg-rho-", value: func(p published, _ map[string]published) float64 {
		return must(Ethylene.density(p.in("volume_percent"), p.in("t_degC")))
	}},
	{prefix: "eg-cp-", value: func(p published, _ map[string]published) float64 {
		return must(Ethylene.heat(p.in("volume_percent"), p.in("t_degC")))
	}},
	{prefix: "if97-psat-",
		value: func(p published, _ map[string]published) float64 { return saturationPressure(p.in("T_K")) }},
	{prefix: "if97-tsat-atm", value: func(p published, _ map[string]published) float64 {
		return boilsAt(Ethylene, 0,
			p.in("p_kPa"))
	}},
	{prefix: "if97-tsat-",
		value: func(p published, _ map[string]published) float64 { return saturationTemperature(p.in("p_MPa")) }},
	{prefix: "isa-geometric-", value: func(p published, _ map[string]published) float64 {
		return 1000 * airPressure(p.in("z_geometric_m"))
	}},
	{prefix: "isa-ashrae-", tol: 15, why: "ASHRAE takes geometric for geopotential metres: 12 Pa apart at 3000 m",
		value: func(p published, _ map[string]published) float64 {
			return 1000 * airPressure(p.in("z_m"))
		}},
	{prefix: "water-boil-", value: func(p published, _ map[string]published) float64 {
		return boils(Ethylene, 0, 0, p.in("z_geometric_m"))
	}},
	{prefix: "boilwater-", value: func(p published, _ map[string]published) float64 {
		return boils(Ethylene, 0, p.in("cap_kPa"), p.in("z_geometric_m"))
	}},
	{prefix: "boil50-", value: func(p published, _ map[string]published) float64 {
		return boils(Ethylene, p.in("volume_percent"), p.in("cap_kPa"), p.in("z_geometric_m"))
	}},
	{prefix: "eg-boil-antoine-w50", value: func(p published, _ map[string]published) float64 {
		return boilsAt(Ethylene, Ethylene.vol(50), p.in("p_kPa"))
	}},
	{prefix: "eg-boil-antoine-w70", value: func(p published, _ map[string]published) float64 {
		return boilsAt(Ethylene, Ethylene.vol(70), p.in("p_kPa"))
	}},
	{prefix: "eg-boil-antoine-w0", value: func(p published, _ map[string]published) float64 {
		return antoine{p.in("A"), p.in("B"), p.in("C")}.temperature(p.in("p_kPa"))
	}},
	{prefix: "eg-raoult-", value: func(p published, _ map[string]published) float64 {
		w, g := (100-p.in("mass_percent"))/waterMolar, p.in("mass_percent")/fluids[Ethylene].molar
		return raoult(w/(w+g), p.in("p_kPa"), func(float64) float64 { return 0 })
	}},
	{prefix: "trade-5050-", value: tradeBoil(50)}, {prefix: "trade-7030-", value: tradeBoil(70)},
	{prefix: "boil-slope-50", value: func(_ published, _ map[string]published) float64 {
		return 1.8 * (boils(Ethylene, 50, 15*kPaPerPsi, 0) - boils(Ethylene, 50, 0, 0)) / 15
	}},
	{prefix: "d3306-boil-50", tol: 0.05, why: "the limit, from memory, is what the curve gives, 107.99",
		value: func(_ published, _ map[string]published) float64 {
			return boils(Ethylene, 50, 0, 0)
		}},
	{prefix: "d3306-freeze-50", value: func(_ published,
		_ map[string]published) float64 {
		return freezesAt(Ethylene, 50)
	}},
	{prefix: "ntc-sh-", value: func(p published, _ map[string]published) float64 {
		return steinhartHart{p.in("A"), p.in("B"), p.in("C")}.temperature(p.in("R_ohm"))
	}},
	{prefix: "ntc-beta-error-100", value: func(p published, _ map[string]published) float64 {
		return betaTemperature(sensorPoint{25, 10000}, 3977, p.in("R_ohm")) - 100
	}},
	{prefix: "ntc-beta-", value: func(p published, _ map[string]published) float64 {
		return betaResistance(sensorPoint{25, p.in("R25_ohm")}, p.in("B_K"), p.in("t_degC"))
	}},
	{prefix: "ntc-3k-sh-fit", value: func(p published, by map[string]published) float64 {
		return must(must(newCurve(threeK(by, 0, 60, 120))).temperature(p.in("R_ohm")))
	}},
	{prefix: "ntc-3k-beta", value: func(_ published, by map[string]published) float64 {
		pts := threeK(by, 25, 80)
		return must(betaBetween(pts[0], pts[1]))
	}},
	{prefix: "ntc-3k-", tol: 0.15, why: "in K: the table is compared by temperature; the check values say 0.1 K",
		value: nil},
	{prefix: "ntc-sxs-beta", value: func(_ published, by map[string]published) float64 {
		cold, _ := by["ntc-sxs-20"].want()
		hot, _ := by["ntc-sxs-100"].want()
		return must(betaBetween(sensorPoint{20, cold}, sensorPoint{100, hot}))
	}},
	{prefix: "expand-50-", value: func(p published, _ map[string]published) float64 {
		return must(Ethylene.expansion(50, p.in("t1"), p.in("t2")))
	}},
	{prefix: "expand-mL-", value: func(p published, _ map[string]published) float64 {
		return 1000 * p.in("litres") * must(Ethylene.expansion(50, p.in("t1"), p.in("t2")))
	}},
	{prefix: "expand-melinder-", tol: 0.005, why: "another table, a tenth more",
		value: func(_ published, _ map[string]published) float64 {
			return must(Ethylene.expansion(50, 20, 90))
		}},
	{prefix: "expand-water-",
		value: func(_ published, _ map[string]published) float64 { return must(Ethylene.expansion(0, 20, 90)) }},
	{prefix: "expand-net-aluminium", value: func(_ published, _ map[string]published) float64 {
		return 1000 * (must(Ethylene.expansion(50, 20, 90)) - shellExpansion*70)
	}},
	{prefix: "mix-after-water-topup", value: func(p published, _ map[string]published) float64 {
		return must(AfterTopUps(p.in("V_L"), p.in("c"), Fill{p.in("lost_L"), 0}))
	}},
	{prefix: "mix-after-two", value: func(p published, _ map[string]published) float64 {
		return must(AfterTopUps(p.in("V_L"), p.in("c"), Fill{p.in("lost_L"), 0}, Fill{p.in("lost_L"), 0}))
	}},
	{prefix: "air-trapped", value: func(p published, _ map[string]published) float64 {
		return must(trappedAir(p.in("capacity_L"), p.in("residual_L"), p.in("added_L")))
	}},
}

// freezesAt is where a mixture freezes that the tables know.
func freezesAt(g Glycol, vol float64) float64 {
	c, ok := g.freezes(vol)
	if !ok {
		panic("beyond the tables")
	}
	return c
}

func freezing(p published, _ map[string]published) float64 {
	return freezesAt(Glycol(p.Inputs["glycol"].(string)), p.in("volume_percent"))
}

func freezingByMass(p published, _ map[string]published) float64 {
	g := Glycol(p.Inputs["glycol"].(string))
	return freezesAt(g, g.vol(p.in("mass_percent")))
}

func tradeBoil(vol float64) func(published, map[string]published) float64 {
	return func(p published, _ map[string]published) float64 {
		return boils(Ethylene, vol, p.in("cap_psi")*kPaPerPsi, 0)
	}
}

// judged names the entries that are limits of checks, and the test of each.
var judged = map[string]string{
	"ntc-sxs-20": "TestSensor", "ntc-sxs-100": "TestSensor", "ntc-quad-82": "TestSensorFamilies",
	"ntc-quad-91": "TestSensorFamilies", "ntc-quad-102": "TestSensorFamilies",
	"ntc-road-20": "TestSensorFamilies", "ntc-road-80": "TestSensorFamilies",
	"ntc-road2-0": "TestSensorFamilies", "ntc-road2-20": "TestSensorFamilies", "ntc-road2-40": "TestSensorFamilies",
	"ntc-road2-60": "TestSensorFamilies", "ntc-road2-80": "TestSensorFamilies", "ntc-road2-90": "TestSensorFamilies",
	"thermostat-open-a": "TestThermostatOfManuals", "thermostat-open-b": "TestThermostatOfManuals",
	"thermostat-open-c": "TestThermostatOfManuals", "thermostat-lift": "TestThermostatOfManuals",
	"thermostat-range-loader": "TestThermostatOfManuals",
	"cap-relief-small":        "TestCapOfManuals", "cap-relief-road": "TestCapOfManuals",
	"cap-relief-loader":   "TestCapOfManuals",
	"system-test-utility": "TestSystemPressureOfManuals", "system-test-road": "TestSystemPressureOfManuals",
	"system-test-moto": "TestSystemPressureOfManuals",
	"fan-current-quad": "TestEngineOfManuals", "fan-switch-road": "TestEngineOfManuals",
	"compression-ratio-low": "TestEngineOfManuals", "leakdown-suspicious": "TestEngineOfManuals",
	"refractometer-reuse": "TestMixOfManuals", "mix-window": "TestMixOfManuals",
}

// untouched names the entries of which no function here says anything.
var untouched = map[string]string{
	"eg-nD-":           "no refractive index is read: a refractometer shows the freezing point",
	"ntc-ext-":         "four-coefficient curves are not used",
	"mix-drain-refill": "what to drain is not computed", "entu-": "no heat exchanger is computed",
	"heatbal-": "no heat balance is computed", "block-published-": "no blocked core is computed",
	"sae-": "no air-to-boil figure is computed", "lamp-": "a lamp's temperature is the machine's",
	"water-quality-": "water is not judged", "coolant-ph-": "pH is not judged",
	"safety-": "cautions are not computed here", "scald-": "cautions are not computed here",
	"eg-toxic-": "cautions are not computed here",
}

// TestPublished holds every entry of the check values against this package, or
// says which test does, or why none can.
func TestPublished(t *testing.T) {
	by := readPublished(t)
	count := map[string]int{}
	for _, id := range slices.Sorted(maps.Keys(by)) {
		p := by[id]
		if _, ok := judged[id]; ok {
			count["judged"]++
			continue
		}
		var with *computed
		for i := range computations {
			if strings.HasPrefix(id, computations[i].prefix) {
				with = &computations[i]
				break
			}
		}
		if with == nil {
			skip := false
			for prefix := range untouched {
				skip = skip || strings.HasPrefix(id, prefix)
			}
			require.True(t, skip, "%s is neither tested nor said to be out of scope", id)
			count["untouched"]++
			continue
		}
		t.Run(id, func(t *testing.T) {
			low, high := p.want()
			tol := with.tol
			if tol == 0 {
				tol = p.tolerance()
			} else {
				require.NotEmpty(t, with.why)
			}
			if with.value == nil { // the 3 kohm table, by temperature
				c := must(must(newCurve(threeK(by, 0, 60, 120))).temperature(low))
				require.InDelta(t, p.in("t_degC"), c, tol, p.Source)
				return
			}
			got := with.value(p, by)
			require.False(t, math.IsNaN(got))
			require.GreaterOrEqual(t, got, low-tol-1e-12, "%s: %s", p.Quantity, p.Source)
			require.LessOrEqual(t, got, high+tol+1e-12, "%s: %s", p.Quantity, p.Source)
		})
		count["computed"]++
	}
	t.Logf("%v", count)
}
