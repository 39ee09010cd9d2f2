package cooling

import (
	"errors"
	"math"
)

// Limits of a fan's switching, K and °C. Common practice, no source: within 3 K
// of the printed point is right, more than 5 K late is a fault (the switch in
// one manual: on 93 to 98, off 88 to 93 °C). If the point is not known, fans
// start and stop at 85 to 105 °C.
const (
	fanPassK = 3.0
	fanFailK = 5.0
	fanLowC  = 85.0
	fanHighC = 105.0
)

// stood judges a fan that stood still: rightly below its switching point, or
// below the usual band if that is not known. hottest is the highest coolant
// temperature.
func (e *exam) stood(hottest float64, seen bool) {
	point, known := e.need("fan_on_c")
	low, high := fanLowC, fanHighC
	where := e.text("fans start at %v to %v °C", fanLowC, fanHighC)
	if known {
		low, high = point, point+fanFailK
		where = e.text("it starts at %v °C", point)
	}
	switch {
	case !seen:
		e.unsure("it did not run, but how hot the coolant was is not recorded, and a fan need not run below its " +
			"switching point")
	case hottest >= high:
		e.v.Value, e.v.Unit = hottest, "°C"
		e.failed("it did not run at %v °C, and %s", hottest, where)
	case hottest < low:
		e.unsure("it did not run up to %v °C, and %s: not hot enough to know", hottest, where)
	default:
		e.unsure("it did not run up to %v °C, and %s: let it get a little hotter, or set fan_on_c", hottest, where)
	}
}

func (e *exam) warnOfAir() {
	e.warn("a fan may not start where coolant is low or air is trapped: check the level first")
}

func judgeFanAtLamp(e *exam) {
	e.v.Source = practice
	e.warnOfAir()
	coolant, seen := e.find("coolant_c")
	switch {
	case e.yes("ran"):
		e.pass("the fan runs while the lamp is on")
	case seen && coolant < e.spec.or("fan_on_c", fanLowC):
		e.unsure("the lamp is on and the fan does not run, but the gauge says %v °C: the lamp may be wrong, "+
			"go on with probe", coolant)
	default:
		e.failed("the lamp is on and the fan does not run: motor, relay, breaker, wiring or fan switch")
	}
}

func judgeFanAfterStop(e *exam) {
	e.v.Source = practice
	if e.yes("ran") {
		e.pass("the fan ran by itself after a hot stop")
		return
	}
	e.warnOfAir()
	coolant, seen := e.find("coolant_c")
	e.stood(coolant, seen)
	e.warn("on some machines the key switches the fan off: the maker's manual says whether it may run then")
}

func judgeDirection(e *exam) {
	e.v.Source = practice
	if e.yes("pulls") {
		e.pass("the fan pulls the sheet onto the core")
	} else {
		e.failed("the fan does not pull the sheet: it turns the wrong way, or has the wrong blade")
	}
}

func judgeFan(e *exam) {
	e.v.Source = practice
	on, started := e.find("on_c")
	off, stopped := e.find("off_c")
	if (started || stopped) && e.no("ran") {
		e.refuse(errors.New("ran: no should be yes where on_c or off_c is given: a fan that started has run"))
		return
	}
	if started && stopped && off >= on {
		e.refuse(wrong("off_c: %.1v °C should be below on_c, %.1v °C: a fan stops cooler than it starts", off, on))
		return
	}
	e.warnOfAir()
	if amps, ok := e.find("amps"); ok {
		if most, known := e.need("fan_amps"); known && amps > most {
			e.v.Value, e.v.Unit = amps, "A"
			e.failed("it draws %.1v A, more than the allowed %.1v A: the motor is worn or stiff", amps, most)
			return
		}
		if amps == 0 {
			e.failed("it draws no current")
			return
		}
	}
	switch {
	case e.no("ran"):
		e.stood(e.find("hottest_c"))
		return
	case !started && !stopped && e.yes("ran"):
		e.pass("it runs")
		e.warn("at what temperature is not recorded: give on_c")
		return
	case !started && !stopped:
		e.unsure("it draws %.1v A; at what temperature it starts is not recorded", e.get("amps"))
		return
	case !started:
		e.stops(off)
		return
	}
	point, known := e.need("fan_on_c")
	if !known {
		e.v.Value, e.v.Unit = on, "°C"
		switch {
		case on > fanHighC:
			e.failed("it starts at %v °C: late, fans start at %v to %v °C", on, fanLowC, fanHighC)
		case on < fanLowC:
			e.unsure("it starts at %v °C: early for a fan (%v to %v °C), which costs current but overheats nothing", on,
				fanLowC, fanHighC)
		default:
			e.pass("it starts at %v °C, within the usual %v to %v °C", on, fanLowC, fanHighC)
		}
		return
	}
	late := on - point
	e.v.Value, e.v.Unit = late, "K"
	said := e.text("starts at %.1v °C, %+.1v K from the manual's %v °C", on, late, point)
	if stopped {
		said += e.text(", stops at %.1v °C", off)
		if right, ok := e.need("fan_off_c"); ok && math.Abs(off-right) > fanFailK {
			e.warn("by the manual it should stop at %v °C", right)
		}
	}
	switch {
	case late > fanFailK:
		e.failed("%s: late", said)
	case late < -fanFailK:
		e.unsure("%s: early, which costs current but overheats nothing", said)
	case math.Abs(late) <= fanPassK:
		e.pass("%s", said)
	default:
		e.unsure("%s: a little off; measure the coolant again beside the sensor", said)
	}
}

// stops judges a fan by the temperature at which it stopped, when nothing else
// is known. That it stopped means that it ran; one that stops hot started
// hotter still.
func (e *exam) stops(off float64) {
	e.v.Value, e.v.Unit = off, "°C"
	right, known := e.need("fan_off_c")
	late, where := off > fanHighC, e.text("fans start and stop at %v to %v °C", fanLowC, fanHighC)
	if known {
		late, where = off > right+fanFailK, e.text("the manual says %v °C", right)
	}
	if late {
		e.failed("it stops at %v °C, so it starts hotter still: late, %s", off, where)
	} else {
		e.pass("it ran, and stopped at %v °C; %s", off, where)
	}
}

// Limits of the voltage at a fan, V. Common practice, no source.
const (
	dropPassV = 0.5
	plugFailV = 11.0
)

func judgeRelay(e *exam) {
	e.v.Source = practice
	if e.yes("swap_cures") {
		e.failed("it runs with another relay: the relay is bad")
		return
	}
	plug, measured := e.find("plug_v")
	if !measured {
		e.pass("another relay changes nothing: the relay is good")
		e.warn("the wiring was not checked: give plug_v and battery_v")
		return
	}
	battery, both := e.find("battery_v")
	if both && plug > battery+0.3 {
		e.refuse(wrong("plug_v: %.2v V should be at most battery_v, %.2v V: measure both with the fan running", plug,
			battery))
		return
	}
	e.v.Value, e.v.Unit = plug, "V"
	switch {
	case both && battery-plug <= dropPassV:
		e.v.Value = max(0, battery-plug)
		e.pass("%.1v V at the plug, %.2v V below the battery", plug, e.v.Value)
	case plug < plugFailV:
		e.failed("%.1v V at the plug, under %v V: relay, breaker, plug or wire", plug, plugFailV)
		if both && battery < 12 {
			e.warn("the battery itself has only %.1v V", battery)
		}
	case both:
		e.unsure("%.1v V at the plug, %.1v V below the battery: more than %.1v V is lost on the way", plug,
			battery-plug,
			dropPassV)
	default:
		e.unsure("%.1v V at the plug; the battery's volts at the same time (battery_v) are needed to judge it", plug)
	}
}
