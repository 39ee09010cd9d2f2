package next

import (
	"math"
	"math/rand/v2"

	"shedbook/schema"
)

// balance makes overheats from a heat balance, run by run: what the engine
// sheds into the coolant against what the radiator can reject, both relative
// to the radiator's rating. The figures are the choices of this model, set so
// that a sound machine overheats about as rarely as fleets do; none is taken
// from the network, which is what this world is for.
func balance(r *rand.Rand, n *network, log *schema.Log, e *evidence, truth pair, onset map[int]float64) []schema.Overheat {
	size := 0.75 + 0.5*r.Float64() // how bad the fault is
	var out []schema.Overheat
	refill, service := n.feature("refill"), n.feature("service")
	missing := 0.0 // ml, of a leaking machine
	leak := 2 + 8*r.Float64()
	run := -1
	var stuck, fanDead bool
	for i := range e.cells {
		c := &e.cells[i]
		at := e.overheatIn(c, 0)
		first := at.MinutesIn.V < 1
		has := func(name string) bool {
			k := n.cause(name)
			return truth.has(k) && c.from >= onset[k]*e.hours
		}
		if first {
			run++
			stuck = has("thermostat") && r.Float64() < 0.12*size
			fanDead = has("fan-circuit") && r.Float64() < 0.7
			if missing += leak * 3; missing > 500*r.Float64()+100 {
				missing = 0 // somebody topped it up
			}
		}
		word := func(s, a, b string, x, y, z float64) float64 {
			switch s {
			case a:
				return x
			case b:
				return y
			}
			return z
		}
		heat := word(at.Load, "light", "heavy", 0.50, 0.62, 0.70) + word(at.Terrain, "mud", "grass", 0.06, 0.02, 0)
		if at.Range == "high" && at.Speed == "slow" {
			heat += 0.05
		}
		air := word(at.Speed, "slow", "medium", 0.92, 0.98, 1.08)
		if fanDead {
			air = word(at.Speed, "slow", "medium", 0.55, 0.82, 1.02)
		}
		ambient := at.AmbientC.Or(15)
		dirt := float64(c.levels[n.feature("dirt")])
		shed := air * (108 - ambient) / 90 * (1 - 0.03*dirt)
		signs, quiet, steam := 0.6, false, 0.1
		switch {
		case has("blocked-core"):
			shed *= 1 - 0.13*size*dirt
		case has("dirty-oil-cooler"):
			shed *= 1 - 0.03 - 0.09*size*dirt
		}
		if has("blocked-inside") {
			shed *= 1 - 0.28*size
		}
		if has("pump") {
			shed *= 1 - 0.3*size
		}
		if has("collapsed-hose") && at.Speed == "fast" {
			shed *= 1 - 0.4*size
		}
		if has("wrong-mix") {
			shed *= 1 - 0.16*size
			steam = 0.3
		}
		if has("lean-mixture") && at.Load != "light" {
			heat += 0.22 * size
		}
		if has("low-compression") {
			heat += 0.13 * size
		}
		if has("air-filter") && at.Terrain == "grass" {
			heat += 0.16 * size
		}
		if has("dragging") {
			heat += 0.14 * size
		}
		if has("overfilled-oil") && n.features[service].levels[c.levels[service]].name == "oil" {
			heat += 0.3 * size
		}
		if has("pressure-cap") {
			shed *= (100 - ambient) / (108 - ambient) * 0.92
			steam = 0.5
		}
		if has("trapped-air") {
			switch n.features[refill].levels[c.levels[refill]].name {
			case "unbled":
				shed *= 1 - 0.45*size
			case "bled", "later":
				shed *= 1 - 0.2*size
			}
		}
		if has("external-leak") || has("head-gasket") {
			shed *= 1 - 0.0007*missing
			steam = 0.3
		}
		if has("head-gasket") {
			heat += 0.09 * size
			signs = 0.3
		}
		// The coolant follows the balance with a lag of about a quarter of an
		// hour; a chance stretch of hard going is a normal scatter.
		warm := 1 - math.Exp(-(at.MinutesIn.V+c.hours*30)/14)
		over := heat/shed*warm + 0.1*r.NormFloat64()*math.Sqrt(warm)
		hot := over > 1
		part := r.Float64()
		if stuck && first {
			hot, part = true, 0.3+0.6*r.Float64()
			stuck, steam = false, 0.05
		}
		if has("warning-circuit") && r.Float64() < 0.03*size*c.hours {
			hot, quiet = true, true
		}
		if !hot || len(out) > 0 && out[len(out)-1].At.After(log.Runs[run].At) {
			continue // one in a run: then it is rested
		}
		o := e.overheatIn(c, part)
		o.Sign, o.Fan, o.Lost = "lamp", "unknown", schema.N(0)
		if !quiet {
			if r.Float64() < steam {
				o.Sign = "steam"
			}
			if r.Float64() > signs {
				o.Lost = schema.N(50 * float64(1+r.IntN(6)))
			}
		}
		if r.Float64() < 0.5 {
			o.Fan = "on"
			if fanDead || quiet || r.Float64() < 0.1 {
				o.Fan = "off"
			}
		}
		out = append(out, o)
	}
	return inOrder(out)
}
