package trial

import (
	"math"
	"math/rand/v2"

	"shedbook/schema"
)

// blunt is a world in which a log tells little: conditions count for half of
// what is thought, every overheat looks like every other, and eyes and testers
// are worse than is thought. What is wrong adds its own rate.
func blunt() *world {
	w := &world{name: "blunt", miss: 0.22, cry: 0.1}
	w.plants = map[string]float64{"blocked-core": 4, "fan-circuit": 3, "thermostat": 2, "pump": 1, "collapsed-hose": 1,
		"external-leak": 2, "head-gasket": 1, "pressure-cap": 2, "warning-circuit": 2, "trapped-air": 2,
		"lean-mixture":    1,
		"low-compression": 1, "air-filter": 1, "dirty-oil-cooler": 1}
	w.drive = func(y *yard, m *rig, t *trip) []heat {
		r := m.rnd
		has := func(cause string) float64 { return y.has(m, cause) }
		hard := 0.0 // -1 to 1.6
		hard += map[string]float64{"slow": -0.2, "medium": 0, "fast": 0.4}[t.speed]
		hard += map[string]float64{"light": 0, "heavy": 0.2, "towing": 0.4}[t.load]
		if t.deep() {
			hard += 0.3
		}
		hard += (t.ambient - 15) / 60
		rate := 0.004 * t.who.hard * (1 + hard)
		rate += 0.16 * max(0, m.back-0.15) * (1 + 0.7*hard)
		rate += has("pump")*0.07*(1+hard) + has("lean-mixture")*0.07*(1+hard) + has("low-compression")*0.06*(1+hard/2) +
			has("air-filter")*0.06*(1+hard) + has("dirty-oil-cooler")*0.07*(1+hard) + has("pressure-cap")*0.07*(1+hard) +
			has("head-gasket")*0.06*(1+hard) + has("warning-circuit")*0.06
		rate += 0.25*y.air(m) + 0.5*max(0, m.lack/(m.litres*1000)-0.06)
		rate += has("fan-circuit") * map[string]float64{"slow": 0.16, "medium": 0.06, "fast": 0.02}[t.speed]
		rate += has("collapsed-hose") * map[string]float64{"slow": 0.01, "medium": 0.05, "fast": 0.14}[t.speed]
		soon := 0.12 * has("thermostat")
		at := -math.Log(1-r.Float64()) / rate // hours to the next
		if r.Float64() < soon {
			at = min(at, 0.05+0.4*r.Float64())
		}
		if at > t.hours {
			return nil
		}
		h := heat{minute: max(2, 60*at), sign: "lamp", fan: "unknown"}
		switch u := r.Float64(); {
		case u < 0.25:
			h.sign = "steam"
		case u < 0.35:
			h.sign = "gauge"
		case u < 0.4:
			h.sign = "limp"
		}
		more := 0.0
		if has("pressure-cap") > 0 || has("head-gasket") > 0 {
			more = 0.25
		}
		if r.Float64() < 0.35+more {
			h.lost = 50 + 300*r.Float64()
		}
		if r.Float64() < 0.6 {
			on := 0.6 // half of them only think they heard it
			if has("fan-circuit") > 0 {
				on = 0.35
			}
			h.fan = "off"
			if r.Float64() < on {
				h.fan = "on"
			}
		}
		return []heat{h}
	}
	w.write = func(y *yard, m *rig, t trip, hs []heat) {
		r := m.rnd
		if len(hs) > 0 || r.Float64() > 0.15 {
			y.run(m, t, func(x *schema.Run) {
				x.MeterOut, x.MeterIn = schema.Num{}, schema.Num{}
				if r.Float64() < 0.5 {
					x.Range, x.Load = "", ""
				}
			})
		}
		for _, h := range hs {
			y.overheat(m, t, h, func(o *schema.Overheat) {
				o.Meter = schema.Num{}
				if r.Float64() < 0.4 { // guessed when the day was done
					o.MinutesIn = schema.N(math.Round(30 * math.Ceil(h.minute*(0.5+r.Float64())/30)))
				}
			})
		}
	}
	return w
}

func init() { natures["blunt"] = func(r *rand.Rand, _ int) float64 { return 0.6 + 0.8*r.Float64() } }
