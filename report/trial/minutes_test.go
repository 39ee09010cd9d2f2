package trial

import (
	"math"
	"math/rand/v2"
)

// minutes is a world of one lump of metal and water per machine, warmed and
// cooled minute by minute. All its constants are made up; the forms are
// Newton's and a heat exchanger's.
func minutes() *world {
	return &world{name: "minutes", miss: 0.1, cry: 0.03, values: true,
		drive: func(y *yard, m *rig, t *trip) []heat { return warm(y, m, t, m.rnd, 0) },
		born: func(m *rig, _ int) {
			m.mem["core"] = math.Exp(0.08 * m.rnd.NormFloat64())
			m.mem["lamp"] = 109 + 2*m.rnd.NormFloat64()
		},
		plants: map[string]float64{"blocked-core": 6, "fan-circuit": 3, "thermostat": 2, "pump": 2, "collapsed-hose": 2,
			"external-leak": 2, "head-gasket": 2,
			"pressure-cap": 2, "warning-circuit": 2, "trapped-air": 2, "blocked-inside": 1, "dragging": 1,
			"lean-mixture": 1}}
}

func init() { natures["minutes"] = func(*rand.Rand, int) float64 { return 1 } }

// ground's drag in parts of the weight.
var drag = map[string]float64{"road": 0.02, "gravel": 0.03, "rock": 0.08, "dust": 0.05, "grass": 0.06, "forest": 0.07,
	"water": 0.12, "snow": 0.12, "sand": 0.14, "mud": 0.18}

// warm drives a trip, a minute at a time. height is metres above the sea.
func warm(y *yard, m *rig, t *trip, r *rand.Rand, height float64) []heat {
	has := func(cause string) float64 { return y.has(m, cause) }
	const store = 60.0 // kJ/K
	temp := t.ambient
	if r.Float64() < 0.4 {
		temp = 60
	}
	mass := map[string]float64{"light": 850, "heavy": 1150, "towing": 1450}[t.load]
	pace := map[string]float64{"slow": 1.8, "medium": 5, "fast": 10.5}[t.speed]
	if t.deep() {
		pace *= 0.6
	}
	boil := 126.0 - 2*height/1000 - 30*has("pressure-cap") - 6*has("wrong-mix")
	if has("external-leak") > 0.5 {
		boil -= 6
	}
	spoilt := has("pressure-cap") > 0 || has("head-gasket") > 0
	airy := r.Float64() < y.air(m)*1.6
	tripped := has("fan-circuit") > 0 && r.Float64() < 0.5+0.5*has("fan-circuit")
	stuck := has("thermostat") > 0 && r.Float64() < 0.1+0.25*has("thermostat")
	leg, push, climb := 0, 1.0, 0.0
	above := 0
	for minute := 0.0; minute < t.hours*60; minute++ {
		if leg--; leg < 0 {
			leg = 3 + r.IntN(14)
			push = 0.55 + 0.6*r.Float64()
			climb = 0
			if r.Float64() < 0.2 {
				climb = 0.08
			}
			if r.Float64() < 0.15 {
				push = 0.1 // waiting, or opening a gate
			}
		}
		v := pace * push
		turns := 1500 + 320*v
		if t.gear == "low" {
			turns = 1800 + 560*v
		}
		turns = min(turns, 6500)
		power := mass*9.81*(drag[t.ground]+climb)*v/1000 + 0.0006*v*v*v + 2*v*has("dragging")
		power *= 1 + 0.3*math.Log(max(t.who.hard, 1)) // he brakes and pulls away again
		power *= 1 + 0.35*has("low-compression")
		if t.gear == "high" && t.speed == "slow" {
			power *= 1.15
		}
		made := 1.6 + 1.02*min(power, 24)
		if power > 4 {
			made *= 1 + 0.7*has("lean-mixture") + 0.45*has("air-filter")
		}
		made += 3 * has("overfilled-oil") * turns / 4000
		// air, kW/K
		fan := 0.0
		if temp > 94 {
			fan = 0.34
			if tripped {
				fan *= 1 - 0.95*min(1, has("fan-circuit")+0.5)
			}
		}
		open := 1 - m.back - 0.25*m.front
		air := (fan + 0.0045*v*v) * (0.1 + 0.9*max(open, 0.05)) * (1 - 0.1*height/1000)
		air *= 1 - 0.6*has("dirty-oil-cooler")
		area := 0.315 * m.mem["core"] * math.Pow(air/0.45, 0.6) * (1 - 0.75*has("blocked-inside"))
		carry := air * (1 - math.Exp(-area/max(air, 1e-6)))
		// water, kW/K
		flow := 1.1 * turns / 4000 * (1 - 1.1*has("pump"))
		if turns > 2900 {
			flow *= 1 - 1.15*has("collapsed-hose")
		}
		if airy {
			flow *= 0.05
		}
		gone := m.lack / (m.litres * 1000)
		flow *= max(0.08, 1-3.5*max(0, gone-0.08))
		if has("head-gasket") > 0 && power > 3 {
			flow *= 1 - 1.05*has("head-gasket")
		}
		lift := min(1, max(0.02, (temp-82)/10))
		if stuck {
			lift = min(lift, 0.006)
		}
		flow *= lift
		carry = carry * flow / (carry*0.5 + flow + 1e-9)
		temp += 60 * (made - carry*(temp-t.ambient) - 0.014*(temp-t.ambient)) / store
		temp = max(temp, t.ambient)
		fanSeen := "unknown"
		if r.Float64() < 0.6 {
			fanSeen = "on"
			if tripped || temp < 94 {
				fanSeen = "off"
			}
		}
		if has("pressure-cap") > 0 && temp > boil-9 {
			m.mem["puked"] += 2 // it pukes a little, and nobody sees it
		}
		if temp > boil || spoilt && temp > boil-3 {
			sign := "steam"
			if boil > m.mem["lamp"]+2 && r.Float64() < 0.6 {
				sign = "lamp"
			}
			return []heat{{minute + 1, sign, 150 + 500*r.Float64(), fanSeen}}
		}
		if temp > m.mem["lamp"] {
			if above++; above >= 2 {
				lost := 0.0
				if has("head-gasket") > 0 && r.Float64() < 0.6 {
					lost = 80 + 200*r.Float64()
				}
				return []heat{{minute + 1, "lamp", lost, fanSeen}}
			}
		} else {
			above = 0
		}
		if s := has("warning-circuit"); s > 0 && r.Float64() < (0.03+0.07*s)/60 {
			fanSeen := "off"
			if temp > 94 {
				fanSeen = "on"
			}
			return []heat{{minute + 1, "lamp", 0, fanSeen}}
		}
	}
	return nil
}
