package cooling

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
)

// Limits of a core seen against the light. Common practice, no source: more
// than a fifth dark is blocked, less than a tenth is clear. The front alone
// misleads: one that is a third blocked can hide a back that is four-fifths
// blocked, for mud and seed pack between the layers.
const (
	darkFail = 20.0
	darkPass = 10.0
)

func judgeLight(e *exam) {
	e.v.Source = practice
	back, seen := e.find("blocked_back_pct")
	front, faced := e.find("blocked_front_pct")
	if !seen {
		e.v.Value, e.v.Unit = front, "%"
		if front > darkFail {
			e.failed("%s %% of the front is blocked; the back is seldom better", number(front, 0))
		} else {
			e.unsure("%s %% of the front is blocked, which says little: look from behind, with a lamp in front", number(front, 0))
		}
		e.warn("the front alone misleads: a front a third blocked can hide a back four-fifths blocked")
		return
	}
	e.v.Value, e.v.Unit = back, "%"
	said := fmt.Sprintf("%s %% of the core stays dark from behind", number(back, 0))
	if faced {
		said += fmt.Sprintf(", %s %% from the front", number(front, 0))
	}
	worst := max(back, front)
	switch {
	case worst > darkFail:
		e.failed("%s: more than a fifth is blocked, clean it from the fan side", said)
	case worst <= darkPass:
		e.pass("%s: clear", said)
	default:
		e.unsure("%s: neither clear nor blocked; clean it and compare the next like run", said)
	}
}

func judgeCombustionGas(e *exam) {
	e.v.Source = "testers' instructions (blue to green or yellow: carbon dioxide); number of tests " + practice
	tests := 1.0
	if n, ok := e.find("tests"); ok {
		tests = n
	}
	if e.yes("colour_change") {
		e.failed("the fluid changed colour: exhaust gas in the coolant")
		if tests < 2 {
			e.warn("repeat it with fresh fluid: a splash of coolant or a breath changes the colour too")
		}
		return
	}
	switch {
	case e.no("hot"):
		e.unsure("the fluid stayed blue on an engine that was not hot: repeat it hot, under load, thermostat open")
	case tests >= 2:
		e.pass("the fluid stayed blue %s times", number(tests, 0))
	default:
		e.pass("the fluid stayed blue")
		e.warn("one clear test does not rule a head gasket out: repeat it hot under load")
	}
}

// Limits of a compression test. The lowest cylinder at least three quarters of
// the highest: a road vehicle workshop manual (2012). Within a tenth of each
// other is common practice.
const (
	compressionFail = 0.75
	compressionGood = 0.90
)

// CompressionAt is what a compression given for sea level comes to at an
// altitude: it falls as the air pressure does (see AirPressure).
func CompressionAt(seaLevelKPa, altitudeM float64) (float64, error) {
	air, err := AirPressure(altitudeM)
	if err != nil {
		return 0, err
	}
	sea, err := AirPressure(0)
	if err != nil {
		return 0, err
	}
	return seaLevelKPa * air / sea, nil
}

func judgeCompression(e *exam) {
	kPa := e.figures["cylinder_kpa"]
	low, high := slices.Min(kPa), slices.Max(kPa)
	if e.doubtful(doubtPressure("cylinder_kpa", high, 400, 6000, "an engine's compression")) {
		return
	}
	e.v.Source = "workshop manual of a road vehicle (2012): lowest at least 75 % of highest"
	e.v.Value, e.v.Unit = low, "kPa"
	e.warn("a decompressor, a closed throttle or a weak battery falsifies it")
	least, known := e.need("compression_kpa")
	said := fmt.Sprintf("lowest %s kPa", number(low, 0))
	short := false
	if known {
		here, err := CompressionAt(least, e.altitude())
		if err != nil {
			e.refuse(err)
			return
		}
		short = low < here
		said += fmt.Sprintf(", at least %s kPa by the book", number(here, 0))
	}
	ratio := 1.0
	if len(kPa) > 1 {
		if high == 0 {
			e.failed("no cylinder builds any pressure: check the tester, throttle and timing")
			return
		}
		ratio = low / high
		said += fmt.Sprintf(", %s %% of the highest (%s kPa)", number(100*ratio, 0), number(high, 0))
		if i := adjacentLow(kPa, compressionFail*high); i >= 0 {
			e.warn("cylinders %d and %d, side by side, are both low: the gasket between them", i+1, i+2)
		}
	}
	switch {
	case ratio < compressionFail:
		e.failed("%s: less than three quarters", said)
	case short:
		e.failed("%s", said)
	case len(kPa) == 1 && !known:
		e.unsure("%s: one cylinder can only be compared with the book, and compression_kpa is not set", said)
	case ratio < compressionGood:
		e.pass("%s", said)
		e.warn("more than a tenth apart: allowed by some books, not by the stricter ones")
	default:
		e.pass("%s", said)
	}
}

// adjacentLow is the first of two neighbours that both lie below limit, or -1.
func adjacentLow(readings []float64, limit float64) int {
	for i := 1; i < len(readings); i++ {
		if readings[i-1] < limit && readings[i] < limit {
			return i - 1
		}
	}
	return -1
}

// Limits of a leak-down test, percent: three workshop and training pages (10 to
// 15 usable, above 20 find the path; one page complains above 30 to 40 only).
const (
	leakPass = 15.0
	leakFail = 20.0
)

func judgeLeakDown(e *exam) {
	leaks := e.figures["leak_pct"]
	worst := slices.Max(leaks)
	at := ""
	if len(leaks) > 1 {
		at = fmt.Sprintf(" in cylinder %d", slices.Index(leaks, worst)+1)
	}
	e.v.Value, e.v.Unit = worst, "%"
	e.v.Source = "three workshop and training pages"
	e.warn("air can turn the crank: gear out, hands and tools clear of the drive")
	said := fmt.Sprintf("%s %% leaks%s", number(worst, 0), at)
	switch {
	case e.yes("bubbles"):
		e.failed("%s, and bubbles rise at the filler: head gasket or a crack", said)
	case worst > leakFail:
		e.failed("%s: listen at intake, exhaust and oil filler for the path", said)
	case worst <= leakPass:
		e.pass("%s", said)
		if !e.has("bubbles") {
			e.warn("look for bubbles at the coolant filler: they tell more than the percentage")
		}
	default:
		e.unsure("%s: between usable and worn", said)
	}
}

// Limits of a fan's switching, K. Common practice, no source: within 3 K of
// print is right, more than 5 K late is a fault (a manual's switch: on 93 to
// 98, off 88 to 93 °C).
const (
	fanPassK = 3.0
	fanFailK = 5.0
)

func judgeFan(e *exam) {
	e.v.Source = practice
	on, started := e.find("on_c")
	off, stopped := e.find("off_c")
	if started && e.no("ran") {
		e.refuse(errors.New("ran: no should be yes where on_c is given: a fan that started has run"))
		return
	}
	if started && stopped && off >= on {
		e.refuse(fmt.Errorf("off_c: %s °C should be below on_c, %s °C: a fan stops cooler than it starts", number(off, 1), number(on, 1)))
		return
	}
	e.warn("a fan may not start where coolant is low or air is trapped: make sure of the level first")
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
	if e.no("ran") {
		hottest, seen := e.find("hottest_c")
		point, known := e.need("fan_on_c")
		switch {
		case seen && known && hottest < point+fanFailK:
			e.unsure("it stood still up to %s °C, where it starts at %s °C: not hot enough to tell", number(hottest, 0), number(point, 0))
		case seen && known:
			e.failed("it stood still at %s °C, %s K above the %s °C at which it starts", number(hottest, 0), number(hottest-point, 0), number(point, 0))
		default:
			e.failed("it did not run")
			e.warn("how hot the coolant was is not said: below the switching point a fan stands still rightly")
		}
		return
	}
	if !started {
		switch {
		case e.yes("ran"):
			e.pass("it runs")
			e.warn("at what temperature is not said: on_c would tell")
		default:
			e.unsure("it draws %s A; at what temperature it starts is not said", number(e.get("amps"), 1))
		}
		return
	}
	point, known := e.need("fan_on_c")
	if !known {
		e.unsure("it starts at %s °C; whether that is right cannot be said without fan_on_c", number(on, 0))
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

// Limits of the fall across a core at steady load, K: computed for a made-up
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
		e.refuse(fmt.Errorf("out_c: %s °C should be at most in_c, %s °C: the upper hose is the hot one", number(out, 1), number(in, 1)))
		return
	}
	said := ""
	if hot {
		e.v.Value, e.v.Unit = in-out, "K"
		said = fmt.Sprintf("%s K from upper to lower hose", number(in-out, 1))
	}
	switch {
	case e.no("flow") && e.no("thermostat_open"):
		e.unsure("no flow with the thermostat shut says nothing: wait until it has opened")
	case e.no("flow"):
		e.failed("no flow at the filler")
		if !e.has("thermostat_open") {
			e.warn("whether the thermostat was open is not said; a shut one shows no flow either")
		}
	case hot && in-out > coreHighK:
		e.failed("%s, more than %s K: little flow", said, number(coreHighK, 0))
	case hot && in-out >= coreLowK && in-out <= coreGoodK:
		e.pass("%s: flow is good", said)
	case e.yes("flow"):
		e.pass("strong flow at the filler")
	case hot && in-out < coreLowK:
		e.unsure("%s: no load, or little air through the core", said)
	default:
		e.unsure("%s: between good and little flow; measure again at steady load", said)
	}
}

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
		e.warn("at what engine speed is not said; it shows from 3,000 rpm up")
	case rpm < 3000:
		e.unsure("round at %s rpm: it shows from 3,000 rpm up", number(rpm, 0))
	default:
		e.pass("round at %s rpm", number(rpm, 0))
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
	off := gauge - probe
	e.v.Value, e.v.Unit = off, "K"
	said := fmt.Sprintf("the gauge says %s °C where a probe says %s °C: %s K off", number(gauge, 0), number(probe, 0), signed(off))
	switch {
	case math.Abs(off) > 8:
		e.failed("%s, more than 8 K: sensor, wiring or gauge", said)
	case math.Abs(off) <= 5:
		e.pass("%s", said)
	default:
		e.unsure("%s: a shiny surface reads cool; measure on tape or matt paint", said)
	}
}

func judgeFlowThrough(e *exam) {
	patch := e.get("patch_k")
	e.v.Value, e.v.Unit, e.v.Source = patch, "K", practice
	said := fmt.Sprintf("the coldest patch lies %s K below its neighbours", number(patch, 0))
	switch {
	case patch > 10:
		e.failed("%s, more than 10 K: tubes are blocked inside", said)
	case patch <= 5:
		e.pass("%s: the core is even", said)
	default:
		e.unsure("%s: flush it off the machine to tell", said)
	}
}

func judgeIntake(e *exam) {
	e.v.Source = practice
	e.warn("spray is flammable: keep it from the exhaust")
	if e.yes("rpm_change") {
		e.failed("engine speed changes when the intake is sprayed: it draws air there")
	} else {
		e.pass("engine speed does not change when the intake is sprayed")
	}
}

// oilMM is how far outside the marks oil may stand before it matters (common
// practice, no source).
const oilMM = 5.0

func judgeOil(e *exam) {
	e.v.Source = practice
	over, isOver := e.find("over_mm")
	under, isUnder := e.find("under_mm")
	if over > 0 && under > 0 {
		e.refuse(fmt.Errorf("under_mm: %s mm should be 0 where over_mm is %s mm: oil cannot stand above and below the marks", number(under, 1), number(over, 1)))
		return
	}
	if isOver || isUnder {
		e.v.Value, e.v.Unit = over-under, "mm"
	}
	switch {
	case e.yes("milky"):
		e.failed("the oil is milky or rising: coolant in it; stop, do not run the engine")
		e.warn("milk under the filler cap alone, in cold weather, is condensation")
	case over > oilMM:
		e.failed("%s mm above the upper mark: overfilled oil churns and heats", number(over, 0))
		e.warn("oil that rises by itself holds coolant or fuel")
	case under > oilMM:
		e.failed("%s mm below the lower mark: too little oil runs hot", number(under, 0))
	case over > 0 || under > 0:
		e.unsure("%s mm outside the marks: set it right", number(over+under, 0))
	case !isOver && !isUnder:
		e.pass("the oil is clear")
	default:
		e.pass("between the marks")
	}
	e.warn("read it as the book says: some engines must run first")
}

func judgeValves(e *exam) {
	e.v.Source = "the machine's manual"
	var wrong, right []string
	for _, side := range []string{"intake", "exhaust"} {
		readings, given := e.figures[side+"_mm"]
		if !given {
			continue
		}
		least, a := e.need(side + "_min_mm")
		most, b := e.need(side + "_max_mm")
		if !a || !b {
			continue
		}
		if least > most {
			e.refuse(fmt.Errorf("%s_min_mm: %s should be at most %s_max_mm, %s", side, number(least, 3), side, number(most, 3)))
			return
		}
		for i, mm := range readings {
			said := fmt.Sprintf("%s valve %d has %s mm (%s to %s)", side, i+1, number(mm, 3), number(least, 3), number(most, 3))
			// A feeler gauge goes by hundredths: half of one is no finding.
			if mm < least-0.005 || mm > most+0.005 {
				wrong = append(wrong, said)
				if mm < least {
					e.warn("a tight %s valve burns and heats the head", side)
				}
			} else {
				right = append(right, said)
			}
		}
	}
	switch {
	case len(wrong) > 0:
		e.failed("out of book: %s", strings.Join(wrong, ", "))
	case len(e.v.Missing) > 0 || len(right) == 0:
		e.unsure("nothing to compare with: %s needed", strings.Join(e.v.Missing, ", "))
	default:
		e.pass("in book: %s", strings.Join(right, ", "))
	}
}

func judgeAirFilter(e *exam) {
	e.v.Source = practice
	if e.yes("choked") || e.yes("better_without") {
		e.failed("the air filter is choked")
		e.warn("never run without it for longer than the try")
	} else {
		e.pass("the air filter is clear")
	}
}

// Limits of a hub's temperature above the mean of the others, K (common
// practice, no source).
const (
	hubFailK, hubPassK = 30.0, 15.0
)

func judgeBrakes(e *exam) {
	e.v.Source = practice
	hubs := e.figures["hub_c"]
	if len(hubs) == 1 {
		e.refuse(errors.New("hub_c: one hub should be two at least, to compare them"))
		return
	}
	if len(hubs) == 0 {
		if e.no("rolls") {
			e.failed("it does not roll freely")
		} else {
			e.pass("it rolls freely")
		}
		return
	}
	worst := slices.Max(hubs)
	at := slices.Index(hubs, worst)
	var others float64
	for i, c := range hubs {
		if i != at {
			others += c / float64(len(hubs)-1)
		}
	}
	above := worst - others
	e.v.Value, e.v.Unit = above, "K"
	said := fmt.Sprintf("hub %d is %s K hotter than the others", at+1, number(above, 0))
	switch {
	case above > hubFailK:
		e.failed("%s", said)
	case e.no("rolls"):
		e.failed("%s, and it does not roll freely", said)
	case above <= hubPassK:
		e.pass("%s: alike", said)
	default:
		e.unsure("%s: between even and hot; measure again after a drive without braking", said)
	}
}
