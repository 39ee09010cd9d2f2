package trial

import (
	"math"
	"math/rand/v2"
	"time"

	"shedbook/schema"
)

// rough is a world of a yard that keeps its log badly. A machine has so many
// kelvins in reserve, and everything takes some; the lamp comes on in a bad
// quarter of an hour. Half of what happens is not written, or written wrong.
func rough() *world {
	w := &world{name: "rough", miss: 0.2, cry: 0.08}
	w.plants = map[string]float64{"blocked-core": 5, "fan-circuit": 3, "thermostat": 2, "pump": 1, "collapsed-hose": 1,
		"external-leak": 3, "head-gasket": 1,
		"pressure-cap": 1, "warning-circuit": 2, "trapped-air": 2, "low-compression": 1, "blocked-inside": 1}
	w.born = func(m *rig, _ int) { m.mem["reserve"] = 42 + m.rnd.NormFloat64() }
	takes := map[string]float64{"mud": 12, "sand": 11, "snow": 8, "water": 4, "forest": 5, "grass": 5, "dust": 4,
		"rock": 4, "gravel": 1}
	w.drive = func(y *yard, m *rig, t *trip) []heat {
		r := m.rnd
		has := func(cause string) float64 { return y.has(m, cause) }
		work := takes[t.ground] + map[string]float64{"slow": -2, "medium": 2,
			"fast": 8}[t.speed] + map[string]float64{"light": 0, "heavy": 4, "towing": 9}[t.load]
		for quarter := 0.0; quarter < 4*t.hours; quarter++ {
			tries := max(1, int(math.Pow(t.who.hard, 1.6)+0.5))
			for range tries {
				left := m.mem["reserve"] - work - 0.7*(t.ambient-15) + 8*r.NormFloat64()
				// What costs in proportion to the work, and what costs as such.
				left -= work * (1.6*max(0,
					m.back-0.1) + 1.4*has("pump") + 1.2*has("blocked-inside") + 0.9*has("low-compression"))
				if t.speed == "slow" {
					left -= 34 * has("fan-circuit")
				} else if t.speed == "medium" {
					left -= 12 * has("fan-circuit")
				}
				if t.speed == "fast" {
					left -= 26 * has("collapsed-hose")
				}
				if quarter < 1 {
					left -= 27 * has("thermostat")
				} else {
					left -= 15 * has("thermostat")
				}
				left -= 45*max(0, m.lack/(m.litres*1000)-0.06)*4 + 34*y.air(m)*r.Float64()*1.5 + 10*has("head-gasket")
				gives := 0.0
				sign := "lamp"
				if s := has("pressure-cap"); s > 0 && left < 16 {
					gives, sign, left = 150, "steam", left-8
				}
				if left < 0 {
					if has("head-gasket") > 0 || left < -14 {
						gives += 100 + 300*r.Float64()
					}
					if left < -14 {
						sign = "steam"
					}
					fan := sayFan(r, 0.85)
					if has("fan-circuit") > 0 {
						fan = sayFan(r, 0.2)
					}
					at := 15*quarter + 15*r.Float64()
					return []heat{{max(2, at), sign, gives, fan}}
				}
			}
			if s := has("warning-circuit"); s > 0 && r.Float64() < 0.012+0.015*s {
				return []heat{{15*quarter + 15*r.Float64(), "lamp", 0, sayFan(r, 0.3)}}
			}
		}
		return nil
	}
	w.write = func(y *yard, m *rig, t trip, hs []heat) {
		r := m.rnd
		wrong := map[string]string{"mud": "forest", "dust": "gravel", "grass": "mud", "sand": "dust", "water": "mud",
			"rock": "gravel", "road": "road"}
		blank := func(s *string) {
			if r.Float64() < 0.3 {
				*s = ""
			}
		}
		ground := t.ground
		if x := wrong[ground]; x != "" && r.Float64() < 0.25 {
			ground = x
		}
		if r.Float64() > 0.3 { // else the run goes unrecorded
			y.run(m, t, func(x *schema.Run) {
				x.Terrain = ground
				blank(&x.Terrain)
				blank(&x.Speed)
				blank(&x.Range)
				blank(&x.Load)
				blank(&x.Driver)
				if r.Float64() < 0.4 {
					x.AmbientC = schema.Num{}
				}
				x.MeterOut, x.MeterIn = schema.Num{}, schema.Num{}
				switch u := r.Float64(); {
				case u < 0.3:
					x.MeterIn = schema.N(100 + m.hours + 0.4*r.NormFloat64())
				case u < 0.33:
					x.MeterIn = schema.N(1000 + m.hours) // a digit too many
				}
				x.Hours = schema.N(max(0.5, float64(int(t.hours*2+0.5))/2))
			})
		}
		for _, h := range hs {
			if r.Float64() < 0.15 {
				continue // forgotten
			}
			y.overheat(m, t, h, func(o *schema.Overheat) {
				o.Terrain = ground
				blank(&o.Terrain)
				blank(&o.Speed)
				blank(&o.Range)
				blank(&o.Load)
				blank(&o.Driver)
				if r.Float64() < 0.6 {
					o.MinutesIn = schema.Num{}
				}
				if r.Float64() < 0.5 {
					o.AmbientC, o.Meter = schema.Num{}, schema.Num{}
				}
				if r.Float64() < 0.6 {
					o.Lost = schema.Num{}
				}
				if r.Float64() < 0.5 {
					o.Fan = ""
				}
				if r.Float64() < 0.3 { // written up in the evening
					o.At = time.Date(o.At.Year(), o.At.Month(), o.At.Day(), 18, 0, 0, 0, time.UTC)
				}
			})
		}
	}
	return w
}

func init() { natures["rough"] = func(r *rand.Rand, _ int) float64 { return 0.8 + 0.4*r.Float64() } }
