package cooling

import (
	"errors"
	"fmt"
	"slices"
	"strings"
)

// gasRPM is the engine speed at which the air in the neck is tested for exhaust
// gas, in neutral with the brake set (common practice, no source). Never load
// against the brakes: the neck is open.
const gasRPM = 2000.0

func judgeCombustionGas(e *exam) {
	e.v.Source = "testers' instructions (blue to green or yellow: carbon dioxide); number of tests: " + practice
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
		e.unsure("the fluid stayed blue on an engine that was not hot: repeat it hot, in neutral at about %v rpm, "+
			"thermostat open", gasRPM)
	case tests >= 2:
		e.pass("the fluid stayed blue %v times", tests)
	default:
		e.pass("the fluid stayed blue")
		e.warn("one clear test does not rule a head gasket out: repeat it hot, at about %v rpm in neutral", gasRPM)
	}
}

// Limits of a compression test. The lowest cylinder at least three quarters of
// the highest: a road vehicle workshop manual (2012). Within a tenth of each
// other is common practice.
const (
	compressionFail = 0.75
	compressionGood = 0.90
)

// compressionAt returns a compression given for sea level at an altitude: it
// falls as the air pressure does.
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
	e.warn("a decompressor, a closed throttle or a weak battery makes it read wrong")
	least, known := e.need("compression_kpa")
	said := e.text("lowest %v kPa", low)
	short := false
	if known {
		here := compressionAt(least, e.altitude())
		short = low < here
		said += e.text(", at least %v kPa by the manual", here)
	}
	ratio := 1.0
	if len(kPa) > 1 {
		if high == 0 {
			e.failed("no cylinder builds any pressure: check the tester, throttle and timing")
			return
		}
		ratio = low / high
		said += e.text(", %v %% of the highest (%v kPa)", 100*ratio, high)
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
		e.unsure("%s: one cylinder can only be compared with the maker's figure, and compression_kpa is not set", said)
	case ratio < compressionGood:
		e.pass("%s", said)
		e.warn("more than a tenth apart: allowed by some manuals, not by the stricter ones")
	default:
		e.pass("%s", said)
	}
}

// adjacentLow returns the first of two neighbours that are both below limit, or
// -1.
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
	e.warn("air can turn the crank: neutral, hands and tools clear of the drive")
	said := e.text("%v %% leaks%s", worst, at)
	switch {
	case e.yes("bubbles"):
		e.failed("%s, and bubbles rise at the filler: head gasket or a crack", said)
	case worst > leakFail:
		e.failed("%s: listen at intake, exhaust and oil filler for the path", said)
	case worst <= leakFair:
		if worst < leakGood {
			e.pass("%s: good", said)
		} else {
			e.pass("%s: fair, from %v %% on it no longer counts as good", said, leakGood)
		}
		if !e.has("bubbles") {
			e.warn("look for bubbles at the coolant filler: they say more than the percentage")
		}
	default:
		e.unsure("%s: between fair and worn", said)
	}
}

func judgeIntake(e *exam) {
	e.v.Source = practice
	e.warn("spray is flammable: keep it from the exhaust")
	if e.yes("rpm_change") {
		e.failed("engine speed changes when the intake is sprayed: it sucks in air there")
	} else {
		e.pass("engine speed does not change when the intake is sprayed")
	}
}

// oilMM is how far outside the marks the oil may be before it matters, mm
// (common practice, no source).
const oilMM = 5.0

func judgeOil(e *exam) {
	e.v.Source = practice
	over, isOver := e.find("over_mm")
	under, isUnder := e.find("under_mm")
	if over > 0 && under > 0 {
		e.refuse(wrong("under_mm: %.1v mm should be 0 where over_mm is %.1v mm: oil cannot stand above and below the "+
			"marks",
			under, over))
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
		e.failed("the oil is milky or rising: there is coolant in it; do not run the engine")
		e.warn("milk under the filler cap alone, in cold weather, is condensation")
	case over > oilMM:
		e.failed("%v mm above the upper mark: overfilled oil churns and heats", over)
		e.warn("oil that rises by itself has coolant or fuel in it")
	case under > oilMM:
		e.failed("%v mm below the lower mark: too little oil runs hot", under)
	case said == "overfull":
		e.failed("above the upper mark: overfilled oil churns and heats")
		e.warn("oil that rises by itself has coolant or fuel in it")
	case said == "low":
		e.failed("below the lower mark: too little oil runs hot")
	case over > 0 || under > 0:
		e.unsure("%v mm outside the marks: set it right", over+under)
	case !isOver && !isUnder && !told:
		e.pass("the oil is clear")
	default:
		e.pass("between the marks")
	}
	e.warn("read it as the manual says: some engines must run first")
}

func judgeValves(e *exam) {
	e.v.Source = "the machine's manual"
	var off, right []string
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
			e.refuse(wrong("%s_min_mm: %.3v should be at most %s_max_mm, %.3v", side, least, side, most))
			return
		}
		for i, mm := range readings {
			said := e.text("%s valve %d has %.3v mm (%.3v to %.3v)", side, i+1, mm, least, most)
			// A feeler gauge goes by hundredths: half of one proves nothing.
			if mm < least-0.005 || mm > most+0.005 {
				off = append(off, said)
				if mm < least {
					e.warn("a tight %s valve burns and heats the head", side)
				}
			} else {
				right = append(right, said)
			}
		}
	}
	switch {
	case len(off) > 0:
		e.failed("outside the manual's figures: %s", strings.Join(off, ", "))
	case len(e.v.Missing) > 0 || len(right) == 0:
		e.unsure("nothing to compare with: %s needed", strings.Join(e.v.Missing, ", "))
	default:
		e.pass("as in the manual: %s", strings.Join(right, ", "))
	}
}

func judgeAirFilter(e *exam) {
	e.v.Source = practice
	if e.yes("choked") || e.yes("better_without") {
		e.failed("the air filter is choked")
		e.warn("do not run without it any longer than this test")
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
		e.refuse(errors.New("hub_c: one hub is not enough; give two or more, to compare them"))
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
	said := e.text("hub %d is %v K hotter than the others", at+1, above)
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
	e.v.Source = "a tester's instructions (the needle flutters or climbs within a minute of a cold start: combustion " +
		"gas)"
	switch {
	case e.yes("pulses"):
		e.failed("the needle moves with the engine: combustion pressure in the coolant")
	case e.yes("climbs"):
		e.failed("the pressure climbs within a minute of a cold start: combustion pressure in the coolant")
	default:
		e.pass("the needle neither pulses nor climbs at once")
		e.warn("a gasket that opens only hot does not show here: the check combustion-gas says more")
	}
}

func judgeWet(e *exam) {
	e.v.Source = practice
	if e.yes("wet") || e.yes("crust") {
		e.failed("wet or crusted outside: follow the trail up to where it begins")
	} else {
		e.pass("dry outside")
		e.warn("some leaks open only hot or under pressure: the check pressure-hold says more")
	}
}
