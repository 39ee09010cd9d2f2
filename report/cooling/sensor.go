package cooling

import (
	"cmp"
	"math"
	"slices"
)

// sensorPoint is one line of a maker's table of a coolant sensor.
type sensorPoint struct {
	C, Ohm float64
}

// Limits of what a thermistor sensor can read, ohm; outside them a meter shows
// a short circuit, its own leads, or an open circuit.
const (
	ohmMin = 1.0
	ohmMax = 1e6
)

func checkOhm(name string, ohm float64) error {
	hint := "below is a short circuit or the leads touching, above an open circuit or no contact: measure again, " +
		"with the plug off; a sensor that truly reads so is recorded as a fail without a value"
	return within(name, ohm, ohmMin, ohmMax, "ohm", hint)
}

// betaBetween returns the beta constant in K of a thermistor between two
// points: ln(R1/R2) / (1/T1 - 1/T2) with T absolute (the definition of IEC
// 60539-1, from memory).
func betaBetween(a, b sensorPoint) (float64, error) {
	if a.C == b.C {
		return 0, wrong("sensor points: both at %.1v °C; they should lie at different temperatures", a.C)
	}
	beta := math.Log(a.Ohm/b.Ohm) / (1/(a.C+kelvin) - 1/(b.C+kelvin))
	if beta < 500 || beta > 10000 {
		return 0, wrong("sensor points: %.1v ohm at %.1v °C and %.1v ohm at %.1v °C give a beta of %v K; coolant "+
			"sensors "+
			"have 3,000 to 4,200 K and read fewer ohm when hotter: check the two points",
			a.Ohm, a.C, b.Ohm, b.C, beta)
	}
	return beta, nil
}

// betaTemperature returns the temperature in °C at which a thermistor with one
// known point and a beta constant reads ohm: 1/T = 1/T0 + ln(R/R0)/B.
func betaTemperature(p sensorPoint, beta, ohm float64) float64 {
	return 1/(1/(p.C+kelvin)+math.Log(ohm/p.Ohm)/beta) - kelvin
}

// betaResistance returns its resistance in ohm at c °C: R = R0 exp(B(1/T -
// 1/T0)).
func betaResistance(p sensorPoint, beta, c float64) float64 {
	return p.Ohm * math.Exp(beta*(1/(c+kelvin)-1/(p.C+kelvin)))
}

// steinhartHart holds the three coefficients of 1/T = A + B ln R + C (ln R)^3,
// T absolute, R in ohm: Steinhart & Hart, Deep-Sea Research 15 (1968) 497.
type steinhartHart struct{ A, B, C float64 }

// temperature returns the temperature in °C at which the sensor reads ohm.
func (s steinhartHart) temperature(ohm float64) float64 { return 1/s.inverse(math.Log(ohm)) - kelvin }

// inverse returns 1/T in 1/K, l being ln R.
func (s steinhartHart) inverse(l float64) float64 { return s.A + l*(s.B+s.C*l*l) }

// steinhartHartThrough returns the curve through three points at different
// temperatures, by divided differences.
func steinhartHartThrough(p, q, r sensorPoint) steinhartHart {
	l1, l2, l3 := math.Log(p.Ohm), math.Log(q.Ohm), math.Log(r.Ohm)
	y1, y2, y3 := 1/(p.C+kelvin), 1/(q.C+kelvin), 1/(r.C+kelvin)
	g2, g3 := (y2-y1)/(l2-l1), (y3-y1)/(l3-l1)
	c := (g3 - g2) / (l3 - l2) / (l1 + l2 + l3)
	b := g2 - c*(l1*l1+l1*l2+l2*l2)
	return steinhartHart{y1 - (b+l1*l1*c)*l1, b, c}
}

// curve is a sensor's resistance against temperature through its known points:
// the beta equation through two, Steinhart-Hart through three, the beta
// equation from each to the next through more.
type curve struct {
	points  []sensorPoint // from cold to hot
	betas   []float64     // from each to the next, K
	through *steinhartHart
	warning string // if the points are odd
}

// newCurve returns the curve through two points or more, in any order.
func newCurve(points []sensorPoint) (*curve, error) {
	k := &curve{points: slices.Clone(points)}
	slices.SortStableFunc(k.points, func(a, b sensorPoint) int { return cmp.Compare(a.C, b.C) })
	for i, p := range k.points[1:] {
		beta, err := betaBetween(k.points[i], p)
		if err != nil {
			return nil, err
		}
		k.betas = append(k.betas, beta)
	}
	if p := k.points; len(p) == 3 {
		s := steinhartHartThrough(p[0], p[1], p[2])
		// The slope of 1/T, B + 3C(ln R)^2, is monotone in (ln R)^2, so it is
		// positive throughout if it is at the ends of what a sensor can read.
		end := math.Log(ohmMax)
		if s.B > 0 && s.B+3*s.C*end*end > 0 {
			k.through = &s
		} else {
			k.warning = "no smooth curve passes through the three sensor points; one of them is probably wrong"
		}
	}
	return k, nil
}

// segment returns the first segment whose end is not past, or the last.
func (k *curve) segment(past func(end sensorPoint) bool) (sensorPoint, float64) {
	i := 0
	for i < len(k.betas)-1 && past(k.points[i+1]) {
		i++
	}
	return k.points[i], k.betas[i]
}

// temperature returns the temperature in °C at which the sensor should read
// ohm. Beyond its points the curve is extrapolated.
func (k *curve) temperature(ohm float64) (float64, error) {
	var c float64
	if k.through != nil {
		c = k.through.temperature(ohm)
	} else {
		p, beta := k.segment(func(end sensorPoint) bool { return ohm < end.Ohm })
		c = betaTemperature(p, beta, ohm)
	}
	if !finite(c) || c < -150 || c > 800 {
		return 0, wrong("ohm: %.1v ohm lies too far from the sensor's points (%.1v to %.1v ohm) to be a temperature: "+
			"measure again", ohm,
			k.points[len(k.points)-1].Ohm, k.points[0].Ohm)
	}
	return c, nil
}

// resistance returns the resistance in ohm that the sensor should have at c °C.
func (k *curve) resistance(c float64) float64 {
	if k.through != nil {
		// 1/T rises with ln R throughout (see newCurve), so bisection works whatever
		// the sign of C.
		return math.Exp(bisect(func(l float64) float64 { return k.through.inverse(l) - 1/(c+kelvin) }, math.Log(ohmMin),
			math.Log(ohmMax)))
	}
	p, beta := k.segment(func(end sensorPoint) bool { return c > end.C })
	return betaResistance(p, beta, c)
}

// tolColdPct and tolHotPct are the tolerance in resistance of a sensor without a printed
// band: 10 % up to 20 °C, 5 % from 80 °C (common practice, no source; printed
// bands in manuals: 6 % at 20 °C, 2 to 5 % at 80 to 100 °C).
const tolColdPct, tolHotPct = 10.0, 5.0

// practiceTolerance returns the tolerance at c °C in percent, linear between these.
func practiceTolerance(c float64) float64 {
	return between(min(max(c, 20), 80), 20, tolColdPct, 80, tolHotPct)
}

// thermometerK is the error of a kitchen or workshop thermometer, K (common
// practice, no source): a sensor that much outside its band neither passes nor
// fails.
const thermometerK = 1.0

func judgeSensor(e *exam) {
	ohm, water := e.get("ohm"), e.get("water_c")
	if !e.bath("water_c") {
		return
	}
	points := e.spec.sensor()
	if len(points) < 2 {
		e.missing("ohm_at_20", "ohm_at_100")
		e.unsure("%.1v ohm at %.1v °C: nothing to compare with; give two points of the sensor in its spec", ohm, water)
		return
	}
	k, err := newCurve(points)
	if err != nil {
		e.refuse(err)
		return
	}
	if k.warning != "" {
		e.warn("%s", k.warning)
	}
	reads, err := k.temperature(ohm)
	if err != nil {
		e.refuse(err)
		return
	}
	should := k.resistance(water)
	e.v.Source = map[bool]string{true: "Steinhart & Hart (1968)",
		false: "beta equation (IEC 60539-1, from memory)"}[k.through != nil]
	tolPct, printed := e.spec.get("sensor_tol_pct")
	if !printed {
		tolPct = practiceTolerance(water)
		e.v.Source += "; tolerance: " + practice
	}
	edge, err := k.temperature(should * (1 + tolPct/100))
	if err != nil {
		e.refuse(err)
		return
	}
	off, tol := reads-water, water-edge
	e.v.Value, e.v.Unit = off, "K"
	said := e.text("%.1v ohm says %.1v °C in water of %.1v °C: %+.1v K off, where %.1v K (%.1v %%) is allowed; it "+
		"should "+
		"read %v ohm",
		ohm, reads, water, off, tol, tolPct, should)
	switch {
	case math.Abs(off) <= tol:
		e.pass("%s", said)
	case math.Abs(off) <= tol+thermometerK:
		e.unsure("%s; the thermometer alone may be off by %v K, so repeat it at another temperature", said,
			thermometerK)
	default:
		e.failed("%s", said)
	}
	if ohm > 50000 && water > 15 {
		e.warn("that is as good as an open circuit: a broken sensor or wire")
	}
	if first, last := points[0].C, points[len(points)-1].C; water < first-10 || water > last+10 {
		e.warn("the water lies outside the sensor's points (%v to %v °C): the curve is only continued there", first,
			last)
	}
	if water < 60 {
		e.warn("a sensor that is right in cool water can be wrong hot: measure near %v to %v °C too", 80, 100)
	}
}
