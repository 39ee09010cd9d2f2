package cooling

import (
	"errors"
	"fmt"
	"math"
)

// Limits of a fan's switching, K and °C. Common practice, no source: within 3 K
// of print is right, more than 5 K late is a fault (a manual's switch: on 93 to
// 98, off 88 to 93 °C). Where print is not known fans start and stop at 85 to
// 105 °C.
const (
	fanPassK = 3.0
	fanFailK = 5.0
	fanLowC  = 85.0
	fanHighC = 105.0
)

// stood judges a fan that stood still: rightly so below its switching point, or
// below the band where that is not known. hottest is what the coolant reached.
func (e *exam) stood(hottest float64, seen bool) {
	point, known := e.need("fan_on_c")
	low, high := fanLowC, fanHighC
	where := fmt.Sprintf("fans start at %s to %s °C", number(fanLowC, 0), number(fanHighC, 0))
	if known {
		low, high = point, point+fanFailK
		where = fmt.Sprintf("it starts at %s °C", number(point, 0))
	}
	switch {
	case !seen:
		e.unsure("it did not run; how hot the coolant was is not said, and below its switching point a fan stands still rightly")
	case hottest >= high:
		e.v.Value, e.v.Unit = hottest, "°C"
		e.failed("it stood still at %s °C, and %s", number(hottest, 0), where)
	case hottest < low:
		e.unsure("it stood still up to %s °C, and %s: not hot enough to tell", number(hottest, 0), where)
	default:
		e.unsure("it stood still up to %s °C, and %s: let it get a little hotter, or set fan_on_c", number(hottest, 0), where)
	}
}

func (e *exam) warnOfAir() {
	e.warn("a fan may not start where coolant is low or air is trapped: make sure of the level first")
}

func judgeFanAtLamp(e *exam) {
	e.v.Source = practice
	e.warnOfAir()
	coolant, seen := e.find("coolant_c")
	switch {
	case e.yes("ran"):
		e.pass("the fan runs while the lamp is on")
	case seen && coolant < e.spec.or("fan_on_c", fanLowC):
		e.unsure("the lamp is on and the fan stands still, but the gauge says %s °C: the lamp may be wrong, go on with probe", number(coolant, 0))
	default:
		e.failed("the lamp is on and the fan stands still: motor, relay, breaker, wiring or fan switch")
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
	e.warn("some machines cut the fan off with the key: the maker's manual says whether it may run then")
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
		e.refuse(fmt.Errorf("off_c: %s °C should be below on_c, %s °C: a fan stops cooler than it starts", number(off, 1), number(on, 1)))
		return
	}
	e.warnOfAir()
	if amps, ok := e.find("amps"); ok {
		if most, known := e.need("fan_amps"); known && amps > most {
			e.v.Value, e.v.Unit = amps, "A"
			e.failed("it draws %s A where %s A is the most: the motor is worn or stiff", number(amps, 1), number(most, 1))
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
		e.warn("at what temperature is not said: on_c would tell")
		return
	case !started && !stopped:
		e.unsure("it draws %s A; at what temperature it starts is not said", number(e.get("amps"), 1))
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
			e.failed("it starts at %s °C: late, fans start at %s to %s °C", number(on, 0), number(fanLowC, 0), number(fanHighC, 0))
		case on < fanLowC:
			e.unsure("it starts at %s °C: early for a fan (%s to %s °C), which costs current but overheats nothing", number(on, 0), number(fanLowC, 0), number(fanHighC, 0))
		default:
			e.pass("it starts at %s °C, within the usual %s to %s °C", number(on, 0), number(fanLowC, 0), number(fanHighC, 0))
		}
		return
	}
	late := on - point
	e.v.Value, e.v.Unit = late, "K"
	said := fmt.Sprintf("starts at %s °C, %s K from the %s °C of the book", number(on, 1), signed(late), number(point, 0))
	if stopped {
		said += fmt.Sprintf(", stops at %s °C", number(off, 1))
		if right, ok := e.need("fan_off_c"); ok && math.Abs(off-right) > fanFailK {
			e.warn("the book has it stop at %s °C", number(right, 0))
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

// stops judges a fan of which only the temperature is known at which it
// stopped. That it stopped says that it ran; one that stops hot started hotter
// still.
func (e *exam) stops(off float64) {
	e.v.Value, e.v.Unit = off, "°C"
	right, known := e.need("fan_off_c")
	late, where := off > fanHighC, fmt.Sprintf("fans start and stop at %s to %s °C", number(fanLowC, 0), number(fanHighC, 0))
	if known {
		late, where = off > right+fanFailK, fmt.Sprintf("the book has %s °C", number(right, 0))
	}
	if late {
		e.failed("it stops at %s °C, so it starts hotter still: late, %s", number(off, 0), where)
	} else {
		e.pass("it ran, and stopped at %s °C; %s", number(off, 0), where)
	}
}

// Limits of a fan's supply, V. Common practice, no source.
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
		e.warn("the wiring was not looked at: plug_v and battery_v would tell")
		return
	}
	battery, both := e.find("battery_v")
	if both && plug > battery+0.3 {
		e.refuse(fmt.Errorf("plug_v: %s V should be at most battery_v, %s V: measure both with the fan running", number(plug, 2), number(battery, 2)))
		return
	}
	e.v.Value, e.v.Unit = plug, "V"
	switch {
	case both && battery-plug <= dropPassV:
		e.v.Value = max(0, battery-plug)
		e.pass("%s V at the plug, %s V below the battery", number(plug, 1), number(e.v.Value, 2))
	case plug < plugFailV:
		e.failed("%s V at the plug, under %s V: relay, breaker, plug or wire", number(plug, 1), number(plugFailV, 0))
		if both && battery < 12 {
			e.warn("the battery itself has only %s V", number(battery, 1))
		}
	case both:
		e.unsure("%s V at the plug, %s V below the battery: more than %s V is lost on the way", number(plug, 1), number(battery-plug, 1), number(dropPassV, 1))
	default:
		e.unsure("%s V at the plug; the battery's volts at the same time (battery_v) are needed to tell", number(plug, 1))
	}
}
