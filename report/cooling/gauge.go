package cooling

import (
	"errors"
	"math"
)

// Limits of a gauge against a probe at the housing, K, and of what a probe
// shows when the lamp comes on rightly, °C: 102 to 110 (three manuals).
// Otherwise common practice, no source.
const (
	apartFailK = 8.0
	apartPassK = 5.0
	lampLowC   = 95.0
	lampHighC  = 115.0
)

// apart judges a gauge by a probe, both in °C.
func (e *exam) apart(gauge, probe float64) {
	off := gauge - probe
	e.v.Value, e.v.Unit = off, "K"
	said := e.text("the gauge says %v °C where a probe says %v °C: %+.1v K off", gauge, probe, off)
	switch {
	case math.Abs(off) > apartFailK:
		e.failed("%s, more than %v K: sensor, wiring or gauge", said, apartFailK)
	case math.Abs(off) <= apartPassK:
		e.pass("%s", said)
	default:
		e.unsure("%s: a shiny surface reads cool; measure on tape or matt paint", said)
	}
}

func judgeProbe(e *exam) {
	e.v.Source = e.text("lamps of three manuals come at %v to %v °C; other limits: "+practice, 102, 110)
	probe := e.get("probe_c")
	if gauge, read := e.find("gauge_c"); read {
		e.apart(gauge, probe)
		return
	}
	e.v.Value, e.v.Unit = probe, "°C"
	switch {
	case e.yes("lamp") && probe < lampLowC:
		e.failed("the lamp is on where a probe says %v °C: it says hot and is not, sensor or wiring", probe)
		e.warn("infrared reads cool on shiny metal, and a housing without coolant is cooler than the head: make sure " +
			"of the " +
			"level first")
	case e.no("lamp") && probe > lampHighC:
		e.failed("the lamp is off where a probe says %v °C: it is hot and nothing says so", probe)
	default:
		e.pass("lamp and probe agree at %v °C", probe)
	}
}

func judgeWiggle(e *exam) {
	e.v.Source = practice
	gauge, read := e.find("gauge_c")
	probe, probed := e.find("probe_c")
	if read != probed {
		e.refuse(errors.New("probe_c: gauge_c and probe_c should come together, read at the same time"))
		return
	}
	if e.yes("jumps") {
		e.failed("lamp or gauge jumps when a plug or wire is moved: a loose or corroded contact")
		return
	}
	if !read {
		e.pass("nothing jumps when plugs and wires are moved")
		e.warn("a fault that comes and goes may not show: gauge_c against probe_c tells more")
		return
	}
	e.apart(gauge, probe)
}
