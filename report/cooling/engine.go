package cooling

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
)

// Limits of a core: of the light that does not come through it, and of what
// looks packed at a face. Common practice, no source: more than a fifth is
// blocked, less than a tenth is clear. Light goes both ways alike; front and
// back are looks at two faces, and a front that is a third packed can stand
// before a back that is four-fifths packed, for mud and seed pack between the
// layers.
const (
	darkFail = 20.0
	darkPass = 10.0
)

func judgeLight(e *exam) {
	e.v.Source = practice
	worst, said, clear := 0.0, []string(nil), false
	for _, look := range []struct{ name, says string }{
		{"dark_pct", "no light comes through %s %%"}, {"blocked_back_pct", "%s %% of the back face is packed"}, {"blocked_front_pct", "%s %% of the front face is packed"}} {
		share, seen := e.find(look.name)
		if !seen {
			continue
		}
		said = append(said, fmt.Sprintf(look.says, number(share, 0)))
		worst = max(worst, share)
		clear = clear || look.name != "blocked_front_pct"
	}
	e.v.Value, e.v.Unit = worst, "%"
	says := strings.Join(said, ", ")
	switch {
	case worst > darkFail:
		e.failed("%s: more than %s %% is blocked, clean it from the fan's side", says, number(darkFail, 0))
	case !clear:
		e.unsure("%s, which says little of what lies behind it", says)
		e.warn("the front alone misleads: a front a third blocked can hide a back four-fifths blocked")
	case worst <= darkPass:
		e.pass("%s: clear", says)
	default:
		e.unsure("%s: neither clear nor blocked; clean it and compare the next like run", says)
	}
}

// gasRPM is the engine speed at which the neck's air is tested for exhaust gas,
// in neutral and with the brake set (common practice, no source). Never load
// against the brakes: the neck is open.
const gasRPM = 2000.0

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
		e.unsure("the fluid stayed blue on an engine that was not hot: repeat it hot, in neutral at about %s rpm, thermostat open", number(gasRPM, 0))
	case tests >= 2:
		e.pass("the fluid stayed blue %s times", number(tests, 0))
	default:
		e.pass("the fluid stayed blue")
		e.warn("one clear test does not rule a head gasket out: repeat it hot, at about %s rpm in neutral", number(gasRPM, 0))
	}
}

// Limits of a compression test. The lowest cylinder at least three quarters of
// the highest: a road vehicle workshop manual (2012). Within a tenth of each
// other is common practice.
const (
	compressionFail = 0.75
	compressionGood = 0.90
)

// compressionAt returns what a compression given for sea level comes to at an
// altitude: it falls as the air pressure does.
func compressionAt(seaLevelKPa, altitudeM float64) float64 {
	return seaLevelKPa * airPressure(altitudeM) / airPressure(0)
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
		here := compressionAt(least, e.altitude())
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

// Limits of a leak-down test, percent: under 10 good, to 15 fair, above 20 find
// the path (three workshop and training pages; one of them complains above 30 to
// 40 only).
const (
	leakGood = 10.0
	leakFair = 15.0
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
	case worst <= leakFair:
		if worst < leakGood {
			e.pass("%s: good", said)
		} else {
			e.pass("%s: fair, from %s %% on it no longer counts as good", said, number(leakGood, 0))
		}
		if !e.has("bubbles") {
			e.warn("look for bubbles at the coolant filler: they tell more than the percentage")
		}
	default:
		e.unsure("%s: between fair and worn", said)
	}
}

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
	case e.no("flow") && e.yes("thermostat_open"):
		e.failed("no flow at the filler with the thermostat open")
	case e.no("flow") && !hot:
		e.unsure("no flow at the filler with the thermostat shut says nothing: do not wait for it to open with the neck open, measure both hoses hot instead")
	case hot && in-out > coreHighK:
		e.failed("%s, more than %s K: little flow", said, number(coreHighK, 0))
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

// squeezeRPM is the engine speed from which a weak suction hose draws flat
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
		e.warn("at what engine speed is not said; it shows from %s rpm up", number(squeezeRPM, 0))
	case rpm < squeezeRPM:
		e.unsure("round at %s rpm: it shows from %s rpm up", number(rpm, 0), number(squeezeRPM, 0))
	default:
		e.pass("round at %s rpm", number(rpm, 0))
	}
}

// Limits of a gauge against a probe at the housing, K, and of what a probe shows
// where the lamp is right, °C: lamps come at 102 to 110 (three manuals). Common
// practice, no source, otherwise.
const (
	apartFailK = 8.0
	apartPassK = 5.0
	lampLowC   = 95.0
	lampHighC  = 115.0
)

// apart judges what a gauge says against a probe.
func (e *exam) apart(gauge, probe float64) {
	off := gauge - probe
	e.v.Value, e.v.Unit = off, "K"
	said := fmt.Sprintf("the gauge says %s °C where a probe says %s °C: %s K off", number(gauge, 0), number(probe, 0), signed(off))
	switch {
	case math.Abs(off) > apartFailK:
		e.failed("%s, more than %s K: sensor, wiring or gauge", said, number(apartFailK, 0))
	case math.Abs(off) <= apartPassK:
		e.pass("%s", said)
	default:
		e.unsure("%s: a shiny surface reads cool; measure on tape or matt paint", said)
	}
}

func judgeProbe(e *exam) {
	e.v.Source = "lamps of three manuals come at 102 to 110 °C; other limits " + practice
	probe := e.get("probe_c")
	if gauge, read := e.find("gauge_c"); read {
		e.apart(gauge, probe)
		return
	}
	e.v.Value, e.v.Unit = probe, "°C"
	switch {
	case e.yes("lamp") && probe < lampLowC:
		e.failed("the lamp is on where a probe says %s °C: it says hot and is not, sensor or wiring", number(probe, 0))
		e.warn("infrared reads cool on shiny metal, and a housing without coolant is cooler than the head: make sure of the level first")
	case e.no("lamp") && probe > lampHighC:
		e.failed("the lamp is off where a probe says %s °C: it is hot and nothing says so", number(probe, 0))
	default:
		e.pass("lamp and probe agree at %s °C", number(probe, 0))
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

// Limits of a patch of the core below its neighbours, K (common practice, no
// source).
const (
	patchFailK = 10.0
	patchPassK = 5.0
)

func judgeFlowThrough(e *exam) {
	patch := e.get("patch_k")
	e.v.Value, e.v.Unit, e.v.Source = patch, "K", practice
	said := fmt.Sprintf("the coldest patch lies %s K below its neighbours", number(patch, 0))
	switch {
	case patch > patchFailK:
		e.failed("%s, more than %s K: tubes are blocked inside", said, number(patchFailK, 0))
	case patch <= patchPassK:
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
	finding, told := e.find("finding")
	said := ""
	if told {
		said = oilWords[int(finding)]
	}
	if isOver || isUnder {
		e.v.Value, e.v.Unit = over-under, "mm"
	}
	switch {
	case said == "milky" || e.yes("milky"):
		e.failed("the oil is milky or rising: coolant in it; stop, do not run the engine")
		e.warn("milk under the filler cap alone, in cold weather, is condensation")
	case over > oilMM:
		e.failed("%s mm above the upper mark: overfilled oil churns and heats", number(over, 0))
		e.warn("oil that rises by itself holds coolant or fuel")
	case under > oilMM:
		e.failed("%s mm below the lower mark: too little oil runs hot", number(under, 0))
	case said == "overfull":
		e.failed("above the upper mark: overfilled oil churns and heats")
		e.warn("oil that rises by itself holds coolant or fuel")
	case said == "low":
		e.failed("below the lower mark: too little oil runs hot")
	case over > 0 || under > 0:
		e.unsure("%s mm outside the marks: set it right", number(over+under, 0))
	case !isOver && !isUnder && !told:
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

func judgeNeedle(e *exam) {
	e.v.Source = "a tester's instructions (the needle flutters or climbs within a minute of a cold start: combustion gas)"
	switch {
	case e.yes("pulses"):
		e.failed("the needle moves with the engine: combustion pressure in the coolant")
	case e.yes("climbs"):
		e.failed("the pressure climbs within a minute of a cold start: combustion pressure in the coolant")
	default:
		e.pass("the needle neither pulses nor climbs at once")
		e.warn("a gasket that opens only hot does not show here: combustion-gas tells more")
	}
}

func judgeWet(e *exam) {
	e.v.Source = practice
	if e.yes("wet") || e.yes("crust") {
		e.failed("wet or crusted outside: follow the trail up to where it begins")
	} else {
		e.pass("dry outside")
		e.warn("some leaks open only hot or under pressure: pressure-hold tells more")
	}
}

// Limits of what covers a core, percent: those of a blocked one, see darkFail.
func judgeAirPath(e *exam) {
	e.v.Source = practice
	covered, seen := e.find("covered_pct")
	if seen {
		e.v.Value, e.v.Unit = covered, "%"
	}
	switch {
	case covered > darkFail:
		e.failed("%s %% of the core is covered: take away what stands before it", number(covered, 0))
	case e.yes("shroud_missing"):
		e.failed("a shroud or seal is missing: the fan draws air past the core")
	case covered > darkPass:
		e.unsure("%s %% of the core is covered: take it away and compare the next like run", number(covered, 0))
	default:
		e.pass("nothing keeps the air from the core")
	}
}
