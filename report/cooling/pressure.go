package cooling

import (
	"errors"
	"fmt"
	"math"
)

// Doubt is a possible figure that is so unlikely that the user should be asked:
// mostly a pressure in another unit. Ask whether Perhaps was meant; if the
// figure is right, judge again with Measurement.Sure.
type Doubt struct {
	Figure  string
	Value   float64 // as it was given
	Perhaps float64 // what was probably meant, in the same unit; 0 if there is no guess
	Unit    string
	Why     string
}

func (d *Doubt) Error() string {
	return text("%s: %.1v %s %s", d.Figure, d.Value, d.Unit, d.Why)
}

// doubtPressure returns a doubt about an unusual pressure. If it is above the
// usual ones, psi was perhaps typed and read as kPa; if below, psi or bar typed
// for kPa.
func doubtPressure(figure string, kPa, low, high float64, what string) *Doubt {
	if kPa >= low && kPa <= high {
		return nil
	}
	d := &Doubt{Figure: figure, Value: kPa, Unit: "kPa"}
	span := text("%v to %v kPa (%v to %v psi)", low, high, low/kPaPerPsi, high/kPaPerPsi)
	usual := func(p float64) bool { return p >= low && p <= high }
	switch psi := kPa / kPaPerPsi; {
	case kPa > high && usual(psi):
		d.Perhaps = psi
		d.Why = text("(%v psi) is no pressure for %s, which takes %s; was it %v kPa?", psi, what, span, psi)
	case kPa > high:
		d.Why = fmt.Sprintf("is no pressure for %s, which takes %s", what, span)
	case kPa > 0 && usual(kPa*kPaPerPsi):
		d.Perhaps = kPa * kPaPerPsi
		d.Why = text("is little for %s, which takes %s; was it %.1v psi (%v kPa)?", what, span, kPa, d.Perhaps)
	case kPa > 0 && usual(kPa*100):
		d.Perhaps = kPa * 100
		d.Why = text("is little for %s, which takes %s; was it %.2v bar (%v kPa)?", what, span, kPa, d.Perhaps)
	default:
		return nil // no pressure at all is a finding, not a slip
	}
	return d
}

// Usual pressures, kPa gauge: caps seen hold 59 to 137, cap and system testers
// go to 250 or so.
const (
	capLow, capHigh = 30.0, 220.0
)

// Limits of a cap relative to its printed pressure. Ratings in manuals are 108
// to 137, 93 to 123 (replace below 78 to 83), 78 to 98 kPa: bands of 12 to 14 %
// about their middle, to be replaced below 0.72 to 0.77 of it. It must hold for
// 6 s (a manual), 10 s (common practice).
const (
	capPass = 0.85
	capFail = 0.80
	capHard = 1.30
	holdMin = 0.1 // minutes: 6 s
)

// lossRate returns how fast a pumped-up system loses pressure, kPa per minute.
func lossRate(startKPa, endKPa, minutes float64) (float64, error) {
	if endKPa > startKPa*1.02 {
		return 0, wrong("end_kpa: %.1v kPa should be at most start_kpa, %.1v kPa: pressure that rises comes from a "+
			"warm "+
			"engine; test it cold or lukewarm", endKPa, startKPa)
	}
	if err := within("end_kpa", endKPa, 0, 310, "kPa", ""); err != nil {
		return 0, err
	}
	return max(0, startKPa-endKPa) / minutes, nil
}

func judgeCap(e *exam) {
	relief := e.get("relief_kpa")
	if e.doubtful(doubtPressure("relief_kpa", relief, capLow, capHigh, "a cap")) {
		return
	}
	printed, known := e.need("cap_kpa")
	if !known {
		e.unsure("it lets go at %v kPa; whether that is enough can't be said without cap_kpa, the pressure printed "+
			"on it",
			relief)
		return
	}
	if printed == 0 {
		e.refuse(fmt.Errorf("cap_kpa: 0 kPa is an open system; for a cap test it should be the pressure printed on " +
			"the cap"))
		return
	}
	e.v.Source = "bands and service limits of three workshop manuals; between them: " + practice
	share := relief / printed
	e.v.Value, e.v.Unit = 100*share, "%"
	said := e.text("lets go at %v kPa, %v %% of the printed %v kPa", relief, 100*share, printed)
	if end, ok := e.find("end_kpa"); ok {
		minutes, timed := e.find("minutes")
		if !timed {
			e.refuse(fmt.Errorf("minutes: is missing: give the time in which it fell to end_kpa; 6 s is 0.1 min"))
			return
		}
		if _, err := lossRate(relief, end, minutes); err != nil {
			e.refuse(err)
			return
		}
		said += e.text(", and stands at %v kPa after %v s", end, 60*minutes)
		if minutes < holdMin {
			e.warn("watch it for at least 6 s (0.1 min)")
		}
		// What the cap holds counts, not where it opens for a moment.
		share = min(share, end/printed)
	}
	switch {
	case share < capFail:
		e.failed("%s%s", said, e.deadCap(share*printed))
	case relief > capHard*printed:
		e.failed("%s: it lets go too late, which bursts hoses", said)
	case share < capPass || relief > (2-capPass)*printed:
		e.unsure("%s: wet the seals and pump slowly again; a cap costs little: if in doubt, replace it", said)
	default:
		e.pass("%s", said)
	}
}

// deadCap returns what the lost pressure costs in boiling point.
func (e *exam) deadCap(kPa float64) string {
	g, pct := e.mix()
	printed, _ := e.spec.get("cap_kpa")
	good, now := boils(g, pct, printed, e.altitude()), boils(g, pct, max(0, kPa), e.altitude())
	return e.text("; %s then boils at %.1f °C instead of %.1f °C", mixName(g, pct), now, good)
}

// Limits of a pressure test of the whole system. Manuals: 103 kPa constant for
// a minute and more (utility machine, 2002); no more than 13.8 kPa (2 psi) in
// 2 min from 104 kPa (road vehicle, 2000). Holding for 5 min, cold and again
// hot, is common practice.
const (
	lossFailKPa = 13.8 // 2 psi
	lossMinutes = 2.0
	steadyK     = 2.0 // coolant temperatures this close count as steady
	// An engine that was cold or steady cools no more than this while it is
	// watched (common practice, no source).
	mostK       = 15.0
	gaugeKPa    = 2.0 // the resolution of a tester's gauge
	watchGood   = 5.0 // minutes
	watchEnough = 1.0
)

func judgePressureHold(e *exam) {
	start, minutes := e.get("start_kpa"), e.get("minutes")
	if e.doubtful(doubtPressure("start_kpa", start, capLow, capHigh, "a cooling system")) {
		return
	}
	end, ended := e.find("end_kpa")
	if drop, ok := e.find("drop_kpa"); ok {
		if ended && start-end != drop {
			e.refuse(wrong("drop_kpa: %.1v kPa should be start_kpa less end_kpa, %.1v kPa: give one of the two", drop,
				start-end))
			return
		}
		end = start - drop
	}
	rate, err := lossRate(start, end, minutes)
	if err != nil {
		e.refuse(err)
		return
	}
	drop := max(0, start-end)
	e.v.Value, e.v.Unit = rate, "kPa/min"
	e.v.Source = "manuals of a utility machine (2002) and a road vehicle (2000); 5 min: " + practice
	said := e.text("lost %.1v kPa of %v kPa in %.1v min (%.2v kPa a minute)", drop, start, minutes, rate)
	if printed, ok := e.need("cap_kpa"); ok && printed > 0 {
		switch {
		case start > 1.1*printed:
			e.warn("%v kPa is over a tenth more than the cap's %v kPa: never pump above that", start, printed)
		case start < 0.8*printed:
			e.warn("pumped only to %v kPa, but the cap holds %v kPa: some leaks open later", start, printed)
		}
	}
	allowed := lossFailKPa / lossMinutes
	from, warm := e.find("start_c")
	to, cooled := e.find("end_c")
	if warm != cooled {
		e.refuse(errors.New("end_c: start_c and end_c should come together, the coolant at the start and at the end"))
		return
	}
	alone := 0.0 // kPa explained by the temperature alone
	if warm {
		alone = e.cooledKPa(start, from, to)
		said += e.text("; the coolant went from %v to %v °C, which alone explains %.1v kPa", from, to, alone)
	}
	rest := max(0, drop-max(0, alone))
	e.v.Value = rest / minutes
	switch {
	case rest/minutes >= allowed:
		e.failed("%s: more than %v kPa in %v min", said, lossFailKPa, lossMinutes)
	case warm && math.Abs(from-to) <= steadyK && rest >= lossFailKPa:
		e.failed("%s: with the temperature steady nothing but a leak explains it", said)
	case rest <= gaugeKPa && minutes >= watchEnough:
		e.pass("%s: it holds", said)
		if minutes < watchGood {
			e.warn("watched for %.1v min: a slow leak shows in %v min or overnight", minutes, watchGood)
		}
		e.warn("some leaks open only when hot, some only when cold: test both before you rule a leak out")
	case minutes < watchGood:
		e.unsure("%s: too little to be sure, watch it for %v min", said, watchGood)
	case !warm && e.coolingFor(start, rest) > mostK:
		e.failed("%s: it would take %v K of cooling to explain that", said, e.coolingFor(start, rest))
	default:
		e.unsure("%s: %v K of cooling alone would do that; watch it again with the temperature steady, and write it "+
			"down "+
			"(start_c, end_c)",
			said, e.coolingFor(start, rest))
	}
}

// cooledKPa returns the fall of pressure that cooling alone causes in air and
// vapour over coolant: the air's by the gas law at constant volume, the
// vapour's as for water (IAPWS-IF97, a little more than over a mixture).
// startKPa is gauge, the temperatures °C; negative if it warmed up.
func (e *exam) cooledKPa(startKPa, fromC, toC float64) float64 {
	vapour := func(c float64) float64 { return 1000 * saturationPressure(max(c, 0.01)+kelvin) }
	air := max(0, startKPa+airPressure(e.spec.or("altitude_m", 0))-vapour(fromC))
	return air*(1-(toC+kelvin)/(fromC+kelvin)) + vapour(fromC) - vapour(toC)
}

// coolingFor returns how many kelvin of cooling from 20 °C explain a fall of
// dropKPa.
func (e *exam) coolingFor(startKPa, dropKPa float64) float64 {
	return bisect(func(k float64) float64 { return e.cooledKPa(startKPa, coldC, coldC-k) - dropKPa }, 0, coldC+30)
}
