package trial

import (
	"math"
	"math/rand/v2"
)

// folk is a world of what is said in the shed, played with two dice. Every
// half hour each saying that fits gives points; with the dice it takes 17 to
// bring the lamp on. There is no temperature in it.
func folk() *world {
	w := &world{name: "folk", miss: 0.15, cry: 0.05}
	w.plants = map[string]float64{"blocked-core": 4, "fan-circuit": 3, "thermostat": 2, "pump": 1, "collapsed-hose": 1,
		"external-leak": 3, "head-gasket": 2,
		"pressure-cap": 2, "warning-circuit": 2, "trapped-air": 2, "wrong-mix": 1, "overfilled-oil": 1, "air-filter": 1,
		"dirty-oil-cooler": 1}
	w.drive = func(y *yard, m *rig, t *trip) []heat {
		r := m.rnd
		has := func(cause string) int { // 0 to 3
			return int(3*y.has(m, cause) + 0.999)
		}
		pushed := 0
		if t.hurried() {
			pushed += 2
		}
		if t.deep() {
			pushed += 2
		}
		switch t.load {
		case "towing":
			pushed += 2
		case "heavy":
			pushed++
		}
		warm := 0
		if t.ambient > 24 {
			warm = 1
		}
		if t.ambient > 31 {
			warm = 2
		}
		if t.gear == "high" && t.speed == "slow" {
			pushed++
		}
		// "the lamp is on before you are out of the yard"
		if s := has("thermostat"); s > 0 && r.IntN(12) < s {
			return []heat{{3 + 8*r.Float64(), "lamp", 0, sayFan(r, 0.2)}}
		}
		for half := 0.0; half < t.hours*2; half++ {
			throws := 1
			if t.who.hard > 1 {
				throws = int(math.Pow(t.who.hard, 2) + 0.5)
			}
			for range throws {
				points := pushed + warm
				sign, lost, fan := "lamp", 0.0, sayFan(r, 0.9)
				// "a packed core lets you know when you ask something of her"
				if m.back > 0.25 && pushed >= 2 {
					points += int(7 * m.back)
				}
				// "stand still without a fan and she cooks"
				if s := has("fan-circuit"); s > 0 && !t.hurried() {
					points += s
					if t.speed == "slow" {
						points += 4 + s - pushed/2
					}
					fan = sayFan(r, 0.1)
				}
				// "weak pump, hot when she works"; "the hose sucks flat when she screams"
				if s := has("pump"); s > 0 {
					points += s + pushed/2
				}
				if s := has("collapsed-hose"); s > 0 && t.hurried() {
					points += 3 + s
				}
				// "a bad cap pukes"
				if s := has("pressure-cap"); s > 0 && pushed+warm >= 2 {
					points += s
					sign, lost = steamOr(r, 0.6), 100+300*r.Float64()
				}
				// "a gasket drinks and blows, the harder the worse"
				if s := has("head-gasket"); s > 0 {
					points += s - 1 + pushed/2
					lost = 100 + 250*r.Float64()
					sign = steamOr(r, 0.3)
				}
				// "air in her: hot for no reason, the first few days after"
				if a := y.air(m); a > 0 && r.Float64() < a {
					points += 7
				}
				// "no water, no cooling"
				if m.lack > 0.1*m.litres*1000 {
					points += 4
				}
				if m.lack > 0.2*m.litres*1000 {
					points += 4
				}
				points += has("wrong-mix") * (1 + warm)
				if s := has("dirty-oil-cooler"); s > 0 && pushed >= 2 {
					points += s + 1
				}
				if s := has("air-filter"); s > 0 && t.hurried() {
					points += s + 1
				}
				if s := has("overfilled-oil"); s > 0 && t.gear == "low" {
					points += 1 + s
				}
				if 1+r.IntN(6)+1+r.IntN(6)+points >= 17 {
					if lost == 0 && r.IntN(8) == 0 {
						sign, lost = "steam", 200
					}
					return []heat{{30*half + 30*r.Float64(), sign, lost, fan}}
				}
			}
			// "the lamp lies, wet or dry"
			if s := has("warning-circuit"); s > 0 && r.IntN(60) < s {
				return []heat{{30*half + 30*r.Float64(), "lamp", 0, sayFan(r, 0.4)}}
			}
		}
		return nil
	}
	return w
}

func init() { natures["folk"] = func(*rand.Rand, int) float64 { return 1 } }

// sayFan is what the driver says of the fan, were it running that often.
func sayFan(r *rand.Rand, on float64) string {
	switch u := r.Float64(); {
	case u < 0.45:
		return "unknown"
	case r.Float64() < on:
		return "on"
	}
	return "off"
}

func steamOr(r *rand.Rand, chance float64) string {
	if r.Float64() < chance {
		return "steam"
	}
	return "lamp"
}
