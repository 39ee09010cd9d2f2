package trial

import (
	"math"
	"math/rand/v2"

	"shedbook/schema"
)

// odds is a world without heat: everything multiplies one rate, the conditions,
// the machine, the driver and whatever is wrong with it. A packed core makes
// all of it worse alike, wherever it is driven. Drivers differ in what they
// write down, and one hardly reports a lamp.
func odds() *world {
	w := &world{name: "odds", miss: 0.15, cry: 0.06}
	w.plants = map[string]float64{"blocked-core": 5, "fan-circuit": 2, "thermostat": 2, "pump": 1, "collapsed-hose": 1,
		"external-leak": 3, "head-gasket": 2, "pressure-cap": 2, "warning-circuit": 2, "trapped-air": 2, "air-path": 1,
		"dragging": 1, "wrong-mix": 1, "blocked-inside": 1}
	w.born = func(m *rig, _ int) { m.nature = math.Exp(0.25 * m.rnd.NormFloat64()) }
	w.drive = func(y *yard, m *rig, t *trip) []heat {
		r := m.rnd
		has := func(cause string) float64 { return y.has(m, cause) }
		sound := 0.0022 * m.nature * t.who.hard
		sound *= map[string]float64{"slow": 0.9, "medium": 1, "fast": 1.8}[t.speed]
		sound *= map[string]float64{"light": 1, "heavy": 1.5, "towing": 2.4}[t.load]
		if t.deep() {
			sound *= 1.7
		}
		sound *= math.Exp((t.ambient - 15) / 20)
		if t.gear == "high" && t.speed == "slow" {
			sound *= 1.4
		}
		times := math.Exp(5.2*max(0, m.back-0.12)) * (1 + 14*has("pump")) * (1 + 13*has("blocked-inside")) *
			(1 + 9*has("head-gasket")) * (1 + 11*has("pressure-cap")) * (1 + 14*has("dragging")) * (1 + 14*has("wrong-mix")) *
			(1 + 45*y.air(m)) * (1 + 60*max(0, m.lack/(m.litres*1000)-0.07))
		by := map[string]float64{"slow": 45, "medium": 9, "fast": 2}[t.speed]
		times *= 1 + by*has("fan-circuit")
		times *= 1 + map[string]float64{"slow": 18, "medium": 12, "fast": 12}[t.speed]*has("air-path")
		if t.speed == "fast" {
			times *= 1 + 40*has("collapsed-hose")
		}
		steam, lost, fan := 0.2, 0.3, 0.8
		switch {
		case has("head-gasket") > 0:
			steam, lost = 0.3, 0.6
		case has("pressure-cap") > 0:
			steam, lost = 0.5, 0.75
		case has("fan-circuit") > 0:
			fan = 0.3
		}
		for minute := 0.0; minute < t.hours*60; minute += 5 {
			warm := 1 - 0.85*math.Exp(-minute/12) // it takes a while to get hot
			rate := sound * times * warm
			if minute < 15 {
				rate += sound * 160 * has("thermostat")
			} else {
				rate += sound * 6 * has("thermostat")
			}
			says := r.Float64() < 1-math.Exp(-rate/12)
			lies := r.Float64() < 1-math.Exp(-0.05*has("warning-circuit")/12)
			if !says && !lies {
				continue
			}
			h := heat{minute: minute + 1 + 4*r.Float64(), sign: "lamp", fan: sayFan(r, fan)}
			if r.Float64() < 0.25 {
				h.sign = "gauge"
			}
			if says && r.Float64() < steam {
				h.sign = "steam"
			}
			if says && r.Float64() < lost {
				h.lost = 60 + 300*r.Float64()
			}
			return []heat{h}
		}
		return nil
	}
	w.write = func(y *yard, m *rig, t trip, hs []heat) {
		r := m.rnd
		who := int(t.who.name[len(t.who.name)-1]) % 4 // how he keeps his book
		y.run(m, t, func(x *schema.Run) {
			switch who {
			case 0: // only how long and how fast
				x.Terrain, x.Load, x.Range = "", "", ""
			case 1:
				x.AmbientC, x.MeterOut = schema.Num{}, schema.Num{}
			}
		})
		for _, h := range hs {
			if who == 2 && h.sign != "steam" && r.Float64() < 0.5 {
				continue // lamps come and go, he says
			}
			y.overheat(m, t, h, func(o *schema.Overheat) {
				switch who {
				case 0: // it stood in the run's line
					o.Terrain, o.Load, o.Range, o.Speed = "", "", "", ""
				case 1:
					o.MinutesIn, o.AmbientC = schema.Num{}, schema.Num{}
				case 3: // what was lost is written, nothing too
					o.Lost = schema.N(math.Round(h.lost/50) * 50)
				}
			})
		}
	}
	return w
}

func init() {
	natures["odds"] = func(r *rand.Rand, _ int) float64 { return math.Exp(0.25 * r.NormFloat64()) }
}
