package cooling

import (
	"errors"
)

// Limits of the fall across a core at steady load, K: computed for an invented
// machine (5 to 12 K typical, more than 20 K low flow, under 3 K low air flow
// or no load) and common practice.
const (
	coreLowK, coreGoodK, coreHighK = 3.0, 12.0, 20.0
)

func judgePump(e *exam) {
	e.v.Source = practice
	in, hot := e.find("in_c")
	out, cool := e.find("out_c")
	if hot != cool {
		e.refuse(errors.New("out_c: in_c and out_c should come together, both hoses at the same time"))
		return
	}
	if hot && out > in+2 {
		e.refuse(wrong("out_c: %.1v °C should be at most in_c, %.1v °C: the upper hose is the hot one", out, in))
		return
	}
	said := ""
	if hot {
		e.v.Value, e.v.Unit = in-out, "K"
		said = e.text("%.1v K from upper to lower hose", in-out)
	}
	switch {
	case e.no("flow") && e.yes("thermostat_open"):
		e.failed("no flow at the filler with the thermostat open")
	case e.no("flow") && !hot:
		e.unsure("no flow at the filler with the thermostat shut says nothing: do not wait for it to open with the " +
			"neck " +
			"open, measure both hoses hot instead")
	case hot && in-out > coreHighK:
		e.failed("%s, more than %v K: little flow", said, coreHighK)
	case hot && in-out >= coreLowK && in-out <= coreGoodK:
		e.pass("%s: flow is good", said)
	case e.yes("flow"):
		e.pass("a stir at the filler: the pump moves coolant")
	case hot && in-out < coreLowK:
		e.unsure("%s: no load, or little air through the core", said)
	default:
		e.unsure("%s: between good and little flow; measure again at steady load", said)
	}
}

// squeezeRPM is the engine speed above which a weak suction hose collapses
// (common practice, no source).
const squeezeRPM = 3000.0

func judgeHose(e *exam) {
	e.v.Source = practice
	rpm, known := e.find("rpm")
	if known {
		e.v.Value, e.v.Unit = rpm, "rpm"
	}
	switch {
	case e.yes("flattens"):
		e.failed("the suction hose draws flat: it starves the pump")
		e.warn("a stuck vacuum valve in the cap flattens hoses too, when cold")
	case !known:
		e.pass("the suction hose stays round")
		e.warn("at what engine speed is not said; it shows from %v rpm up", squeezeRPM)
	case rpm < squeezeRPM:
		e.unsure("round at %v rpm: it shows from %v rpm up", rpm, squeezeRPM)
	default:
		e.pass("round at %v rpm", rpm)
	}
}
