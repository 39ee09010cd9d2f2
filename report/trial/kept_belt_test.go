package trial

import (
	"math"
	"math/rand/v2"
)

// KEPT BACK: whoever tunes the model does not read this file, nor run this
// world, before the end.
//
// belt is a world of tractors high up: the fan hangs on a belt and turns with
// the engine, a big store of heat, work in long steady pulls. Each pull has an
// end temperature that it goes towards.
func belt() *world {
	w := &world{name: "belt", kept: true, miss: 0.1, cry: 0.05}
	w.plants = map[string]float64{"blocked-core": 5, "fan-circuit": 3, "thermostat": 2, "pump": 2, "external-leak": 3,
		"head-gasket": 2, "pressure-cap": 2,
		"warning-circuit": 2, "trapped-air": 2, "collapsed-hose": 1, "blocked-inside": 1, "air-filter": 1,
		"low-compression": 1}
	w.born = func(m *rig, i int) {
		m.nature = math.Exp(0.06 * m.rnd.NormFloat64())
		if i%2 == 1 {
			m.nature *= 1.06 // the second model runs warmer
		}
	}
	w.ambient = func(day int, r *rand.Rand) float64 {
		return math.Round(9 + 12*math.Sin(2*math.Pi*float64(day-45)/365) + 5*r.NormFloat64())
	}
	w.drive = func(y *yard, m *rig, t *trip) []heat {
		r := m.rnd
		has := func(cause string) float64 { return y.has(m, cause) }
		temp := t.ambient + 10
		turns := map[string]float64{"slow": 0.55, "medium": 0.75, "fast": 1}[t.speed]
		if t.gear == "high" {
			turns *= 0.85
		}
		airy := y.air(m)
		for minute := 0.0; minute < 60*t.hours; {
			pull := 8 + 25*r.Float64()
			burn := (0.25 + 0.35*turns + map[string]float64{"light": 0, "heavy": 0.25,
				"towing": 0.5}[t.load] + 2.2*drag[t.ground]) * (0.6 + 0.6*r.Float64())
			burn *= 1 + 0.06*math.Log(t.who.hard)*3
			burn *= 1 + 0.3*has("low-compression") + 0.35*has("air-filter")*burn
			fan := turns * (1 - 0.65*has("fan-circuit"))
			breath := fan*(1-0.85*m.back-0.1*m.front) + 0.12*turns
			flow := turns * (1 - 0.85*has("pump")) * (1 - 0.95*min(1, airy*1.5*r.Float64()))
			if turns > 0.8 && r.Float64() < 0.9 {
				flow *= 1 - 1.1*has("collapsed-hose")
			}
			short := m.lack / (m.litres * 1000)
			flow *= max(0.1, 1-3*max(0, short-0.08))
			sheds := math.Pow(breath, 0.55) * math.Pow(max(flow, 0.01),
				0.3) * (1 - 0.55*has("blocked-inside")) / m.nature
			if airy > 0.15 && r.Float64() < 0.5*airy {
				sheds *= 0.6
			}
			end := t.ambient + 45*burn/sheds + 14*has("head-gasket")*burn
			if s := has("thermostat"); s > 0 {
				end = max(end, 96+28*s*r.Float64()*min(1, burn))
			} else {
				end = max(end, 84)
			}
			slow := 11.0 // minutes
			if has("thermostat") > 0 || airy > 0.4 {
				slow = 4
			}
			lamp, boil := 112.0, 121.0-32*has("pressure-cap")
			at := math.Inf(1)
			limit := min(lamp, boil)
			if end > limit && temp < limit {
				at = slow * math.Log((end-temp)/(end-limit))
			} else if temp >= limit {
				at = 0
			}
			if s := has("warning-circuit"); s > 0 {
				if lie := r.ExpFloat64() * 60 / (0.08 * s); lie < pull && lie < at && minute+lie < 60*t.hours {
					return []heat{{minute + lie, "gauge", 0, sayFan(r, 0.9)}}
				}
			}
			if at < pull && minute+at < 60*t.hours {
				h := heat{max(1, minute+at), "gauge", 0, sayFan(r, 0.97)}
				if has("fan-circuit") > 0 {
					h.fan = sayFan(r, 0.6) // it turns, but slips
				}
				if boil < lamp || end > lamp+14 || has("head-gasket") > 0 && r.Float64() < 0.6 {
					h.lost = 150 + 400*r.Float64()
					h.sign = steamOr(r, 0.5)
				}
				return []heat{h}
			}
			temp = end + (temp-end)*math.Exp(-pull/slow)
			minute += pull
		}
		return nil
	}
	return w
}

func init() {
	natures["belt"] = func(*rand.Rand, int) float64 { return 1 }
}
