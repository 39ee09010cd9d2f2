package trial

import (
	"math"
	"math/rand/v2"
)

// nature is a world in which machines and drivers differ by nature, without
// anything being wrong. Overheats come at hazards per hour; a fault adds its
// own hazard to the sound one, and does not multiply it.
func nature() *world {
	w := &world{name: "nature", miss: 0.08, cry: 0.04}
	w.plants = map[string]float64{"blocked-core": 6, "fan-circuit": 3, "thermostat": 2, "pump": 1, "collapsed-hose": 2,
		"external-leak": 3, "head-gasket": 2,
		"pressure-cap": 2, "warning-circuit": 2, "trapped-air": 2, "dragging": 1, "blocked-inside": 1,
		"lean-mixture":    1,
		"low-compression": 1}
	w.born = func(m *rig, _ int) { m.nature = math.Exp(0.35*m.rnd.NormFloat64() - 0.06) }
	w.drive = func(y *yard, m *rig, t *trip) []heat {
		r := m.rnd
		has := func(cause string) float64 { return y.has(m, cause) }
		// how hard it works, 0 to 1, as a smooth curve
		x := 3.5*drag[t.ground] + map[string]float64{"slow": 0, "medium": 0.15,
			"fast": 0.4}[t.speed] + map[string]float64{"light": 0, "heavy": 0.12, "towing": 0.25}[t.load]
		work := 1 / (1 + math.Exp(-6*(x-0.75)))
		warmth := math.Exp((t.ambient - 18) / 14)
		type risk struct {
			perHour     float64
			sign        string
			steam, lost float64 // chances
			from, to    float64 // minutes
			fanOn       float64
		}
		air := y.air(m)
		short := max(0, m.lack/(m.litres*1000)-0.08)
		risks := []risk{
			{0.006 * m.nature * (0.3 + 3*work) * warmth * t.who.hard, "lamp", 0.1, 0.1, 15, 200, 0.9},
			{0.28 * max(0, m.back-0.15) * (0.04 + 2.2*work) * math.Sqrt(warmth), "lamp", 0.1, 0.1, 15, 200, 0.95},
			{0.16 * has("pump") * (0.15 + work), "lamp", 0.15, 0.2, 8, 100, 0.9},
			{0.12 * has("blocked-inside") * (0.1 + 1.5*work) * warmth, "lamp", 0.1, 0.1, 15, 200, 0.9},
			{0.15 * has("pressure-cap") * (0.2 + work), "lamp", 0.6, 0.95, 15, 200, 0.9},
			{0.1 * has("head-gasket") * (0.3 + work), "lamp", 0.35, 0.85, 6, 100, 0.8},
			{0.09 * has("warning-circuit"), "lamp", 0, 0, 0, 240, 0.35},
			{0.12 * has("dragging") * (0.4 + work), "lamp", 0.05, 0.05, 15, 120, 0.9},
			{0.14 * has("lean-mixture") * work * 2, "lamp", 0.05, 0.05, 10, 150, 0.9},
			{0.1 * has("low-compression") * (0.3 + work), "lamp", 0.05, 0.05, 15, 200, 0.9},
			{0.6 * air, "gauge", 0.1, 0.2, 3, 60, 0.4},
			{1.2 * short * (0.5 + work), "lamp", 0.4, 0.5, 8, 100, 0.7},
		}
		if t.speed == "slow" {
			risks = append(risks, risk{0.35 * has("fan-circuit") * warmth, "lamp", 0.1, 0.1, 10, 120, 0.08})
		} else if t.speed == "medium" {
			risks = append(risks, risk{0.05 * has("fan-circuit") * warmth, "lamp", 0.1, 0.1, 10, 120, 0.08})
		}
		if t.speed == "fast" {
			risks = append(risks, risk{0.3 * has("collapsed-hose"), "lamp", 0.1, 0.1, 3, 60, 0.9})
		}
		if s := has("thermostat"); s > 0 && r.Float64() < 0.2*s {
			return []heat{{4 + 7*r.Float64(), "lamp", 0, sayFan(r, 0.3)}}
		}
		for hour := 0.0; hour < t.hours; hour += 0.25 {
			minute := 60 * hour
			for _, k := range risks {
				if minute+15 < k.from || minute > k.to || r.Float64() > 1-math.Exp(-k.perHour/4) {
					continue
				}
				h := heat{max(k.from, minute+15*r.Float64()), k.sign, 0, sayFan(r, k.fanOn)}
				if r.Float64() < k.steam {
					h.sign = "steam"
				}
				if r.Float64() < k.lost {
					h.lost = 80 + 350*r.Float64()
				}
				return []heat{h}
			}
		}
		return nil
	}
	return w
}

func init() {
	natures["nature"] = func(r *rand.Rand, _ int) float64 { return math.Exp(0.3 * r.NormFloat64()) }
}
