package trial

import (
	"math"
	"math/rand/v2"
)

// KEPT BACK: whoever tunes the model does not read this file, nor run this
// world, before the end.
//
// tangle is a world in which conditions act together, in ways that no table of
// one factor at a time has: heat left over from the run before, wind from
// behind, a clogged lower half that only matters uphill, drivers who become
// careful after a lamp, a fault that sleeps after a wash.
func tangle() *world {
	w := &world{name: "tangle", kept: true, miss: 0.15, cry: 0.06, values: true}
	w.plants = map[string]float64{"blocked-core": 5, "fan-circuit": 3, "thermostat": 2, "pump": 2, "collapsed-hose": 1,
		"external-leak": 2, "head-gasket": 2,
		"pressure-cap": 2, "warning-circuit": 2, "trapped-air": 2, "wrong-mix": 1, "dirty-oil-cooler": 1, "dragging": 1}
	w.born = func(m *rig, _ int) { m.nature = 0.8 + 0.4*m.rnd.Float64() }
	w.drive = func(y *yard, m *rig, t *trip) []heat {
		r := m.rnd
		has := func(cause string) float64 { return y.has(m, cause) }
		careful := m.mem["lamp "+t.who.name] > 0 && float64(y.day)-m.mem["lamp "+t.who.name] < 7
		soaked := float64(y.day)-m.mem["last"] <= 1
		m.mem["last"] = float64(y.day)
		wind := r.Float64() < 0.25
		hill := r.Float64() < 0.35
		hard := 0
		for _, yes := range []bool{t.hurried(), t.deep(), t.load != "light", hill, t.ambient > 23, wind,
			t.who.hard > 1.5} {
			if yes {
				hard++
			}
		}
		if careful {
			hard--
		}
		hot := false // the state of a chain: cool or hot, ten minutes a step
		for step := 0.0; step < 6*t.hours; step++ {
			up := 0.002 * m.nature * math.Max(0, float64(hard-1)) * math.Pow(t.who.hard, 0.65)
			sign, lost, fan := "lamp", 0.0, 0.9
			if m.back > 0.2 {
				switch {
				case hard >= 4:
					up += 0.3 * m.back
				case hard >= 3 && (hill || wind || t.deep()):
					up += 0.16 * m.back
				case hard >= 2 && soaked:
					up += 0.05 * m.back
				}
			}
			if s := has("fan-circuit"); s > 0 {
				fan = 0.15
				if t.speed == "slow" && (wind || t.ambient > 15) {
					up += 0.12 * s
				} else if t.ground == "water" || m.mem["wet"] > float64(y.day)-3 {
					up += 0.08 * s
				}
			}
			if s := has("thermostat"); s > 0 && step < 2 && (!soaked || s > 0.7) {
				up += 0.2 * s
			}
			if s := has("pump"); s > 0 && (t.gear == "high" && t.load != "light" || hill) {
				up += 0.07 * s
			}
			if s := has("collapsed-hose"); s > 0 && t.gear == "low" && t.hurried() || s > 0 && t.hurried() && hill {
				up += 0.12 * s
			}
			if s := has("pressure-cap"); s > 0 && (soaked || hard >= 3) {
				up, sign, lost = up+0.04*s, steamOr(r, 0.55), 120+250*r.Float64()
			}
			if s := has("head-gasket"); s > 0 {
				up += 0.015 * s * (1 + math.Max(0, float64(hard)))
				lost = 60 + 300*r.Float64()
			}
			if s := has("wrong-mix"); s > 0 && t.ambient > 18 && hard >= 2 {
				up += 0.06 * s
			}
			if s := has("dirty-oil-cooler"); s > 0 && hard >= 3 {
				up += 0.1 * s
			}
			if s := has("dragging"); s > 0 && step > 2 && t.speed != "slow" {
				up += 0.025 * s
			}
			up += 0.15 * y.air(m) * r.Float64()
			if short := m.lack / (m.litres * 1000); short > 0.1 && (hill || hard >= 2) {
				up += 0.3 * short
			}
			if hot { // once near it, near it: two steps up bring the lamp
				up = math.Min(0.9, 4*up)
			}
			if r.Float64() < 2.2*up {
				if hot || r.Float64() < 0.35 {
					m.mem["lamp "+t.who.name] = float64(y.day)
					return []heat{{10*step + 10*r.Float64(), sign, lost, sayFan(r, fan)}}
				}
				hot = true
			} else if r.Float64() < 0.4 {
				hot = false
			}
			if s := has("warning-circuit"); s > 0 && (m.mem["wet"] > float64(y.day)-5 || t.ground == "rock" ||
				t.ground == "water" || r.IntN(4) == 0) && r.Float64() < 0.04*s {
				return []heat{{10*step + 10*r.Float64(), "lamp", 0, sayFan(r, 0.4)}}
			}
		}
		if t.ground == "water" || t.ground == "mud" {
			m.mem["wet"] = float64(y.day)
		}
		return nil
	}
	return w
}

func init() {
	natures["tangle"] = func(r *rand.Rand, _ int) float64 { return math.Exp(0.25 * r.NormFloat64()) }
}
