package cooling

// expansion returns how much a coolant expands between two temperatures, as a
// fraction of its first volume: density ratio less one, densities by ASHRAE
// (see density). Melinder (2010) gives a tenth more for 20 to 90 °C.
func (g Glycol) expansion(volPct, fromC, toC float64) (float64, error) {
	from, err := g.density(volPct, fromC)
	if err != nil {
		return 0, err
	}
	to, err := g.density(volPct, toC)
	return from/to - 1, err
}

// shellExpansion is the cubic expansion of aluminium, 3 x 23e-6 per K (from
// memory): block, head and core expand with their coolant.
const shellExpansion = 3 * 23e-6

// coldLevel converts a level read with the coolant at readC into the level of
// the same coolant at coldC, both in mL below the mark (negative: above it).
// systemL is the cold system's volume up to the mark. All coolant is taken to
// be at one temperature, and the shell to be of aluminium; coolant in a cool
// reservoir expands less, so this is an upper bound.
//
// Derivation: V-b cold expands to (V-b)r in a shell expanded to V(1+s), hence b
// = V - (V(1+s)-b')/r with r the density ratio, s the shell's expansion.
func coldLevel(g Glycol, volPct, systemL, belowML, readC, coldC float64) (float64, error) {
	if err := within("below_mark_ml", belowML, -1000*systemL, 1000*systemL, "mL",
		"no more than the system holds"); err != nil {
		return 0, err
	}
	e, err := g.expansion(volPct, coldC, readC)
	if err != nil {
		return 0, err
	}
	v := 1000 * systemL
	return v - (v*(1+shellExpansion*(readC-coldC))-belowML)/(1+e), nil
}

// trappedAir returns the litres of air left after a refill: the system's
// volume, less what had stayed in, less what went in. From a generator set
// maker's bleeding procedure: if only half the capacity goes in, air is
// trapped.
func trappedAir(systemL, leftL, filledL float64) (float64, error) {
	if err := within("left_ml", 1000*leftL, 0, 1000*systemL, "mL",
		"what stayed in the system after draining"); err != nil {
		return 0, err
	}
	if err := within("filled_ml", 1000*filledL, 0, 1100*systemL, "mL",
		text("the system holds %.2v L: check coolant_l or the amount", systemL)); err != nil {
		return 0, err
	}
	return systemL - leftL - filledL, nil
}

const practice = "a workshop rule of thumb"

// Limits of missing coolant, percent of the system. Common practice, no source:
// 5 to 10 % missing confirms a low level.
const (
	missingPass = 2.0
	missingFail = 5.0
)

// judgeNeck judges the level in the radiator's neck, which is full in a sound
// system whatever the level in the bottle.
func judgeNeck(e *exam) {
	below := e.get("below_neck_ml")
	bottle, looked := e.find("below_mark_ml")
	e.v.Value, e.v.Unit, e.v.Source = below, "ml", "limits: "+practice
	said := e.text("the neck takes %v mL", below)
	systemL, known := e.need("coolant_l")
	if known {
		if below > 1000*systemL {
			e.refuse(wrong("below_neck_ml: %v mL should be at most what the system holds, %.2v L", below, systemL))
			return
		}
		e.share = below / systemL / 10
		said += e.text(", %.1v %% of %.2v L", e.share, systemL)
	}
	switch {
	case below == 0:
		e.pass("full to the neck")
	case !known:
		e.unsure("%s; what share of the system that is can't be said without coolant_l", said)
	case e.share <= missingPass:
		e.pass("%s: full", said)
	case e.share <= missingFail:
		e.unsure("%s: fill it, and look again after two cold mornings", said)
	default:
		e.failed("%s: coolant is missing, find where it went", said)
	}
	if looked && bottle <= 0 && below > 0 && e.v.Result != Pass {
		e.warn("the bottle is full but the neck is not, so the system does not draw coolant back: check cap, " +
			"bottle hose and neck seat, and look for air or gas in the system")
	}
}

func judgeLevel(e *exam) {
	below := e.get("below_mark_ml")
	systemL, known := e.need("coolant_l")
	temp, read := e.find("coolant_c")
	if !read {
		temp = coldC
		e.warn("read as a cold level; a hot one stands higher by about 40 mL per litre, so give the coolant's " +
			"temperature " +
			"if it was not cold")
	}
	if !known {
		if !read || temp <= coldC+5 {
			if below <= 0 {
				e.pass("at the mark")
			} else {
				e.unsure("%v mL below the mark; what share of the system that is can't be said without coolant_l",
					below)
			}
			return
		}
		e.unsure("%v mL below the mark at %v °C; what that is when cold can't be said without coolant_l", below, temp)
		return
	}
	g, pct := e.mix()
	cold, err := coldLevel(g, pct, systemL, below, temp, coldC)
	if err != nil {
		e.refuse(err)
		return
	}
	share := cold / systemL / 10
	e.v.Value, e.v.Unit, e.share = cold, "ml", share
	e.v.Source = "densities of ASHRAE Handbook Fundamentals (2001) ch. 21; limits: " + practice
	said := e.text("%v mL below the mark", below)
	if below < 0 {
		said = e.text("%v mL above the mark", -below)
	}
	if read && temp != coldC {
		said += e.text(" at %v °C is %v mL below it at %v °C", temp, cold, coldC)
	}
	said += e.text(", %.1v %% of %.2v L", share, systemL)
	switch {
	case share <= missingPass:
		e.pass("%s", said)
	case share <= missingFail:
		e.unsure("%s: top up, and look again after two cold mornings", said)
	default:
		e.failed("%s: coolant is missing, find the loss", said)
	}
	if share < -3 {
		e.warn("far above the mark: overfilled, or read hot without its temperature")
	}
}

// coldC is the temperature at which levels are compared, °C.
const coldC = 20.0

// Limits of the air bled out, percent of the system (common practice, no
// source).
const (
	airPass = 1.0
	airFail = 3.0
)

func judgeBleed(e *exam) {
	systemL, known := e.need("coolant_l")
	e.v.Source = practice
	air, how := 0.0, ""
	if filled, ok := e.find("filled_ml"); ok && !e.has("added_ml") {
		if !known {
			e.unsure("%v mL went in; whether that filled the system can't be said without coolant_l", filled)
			return
		}
		left, _ := e.find("left_ml")
		litres, err := trappedAir(systemL, left/1000, filled/1000)
		if err != nil {
			e.refuse(err)
			return
		}
		air, how = 1000*litres, e.text("%v mL went in and %v mL had stayed in a system of %.2v L", filled, left,
			systemL)
		if !e.has("left_ml") {
			e.warn("what stayed in after draining is not recorded (left_ml); an engine block often keeps 5 to 10 %%")
		}
	} else {
		air = e.get("added_ml")
		how = e.text("the bled system took %v mL more", air)
		if !known {
			if air == 0 {
				e.pass("%s: no air came out", how)
			} else {
				e.unsure("%s; what share of the system that is can't be said without coolant_l", how)
			}
			return
		}
	}
	share := air / systemL / 10
	e.v.Value, e.v.Unit = air, "ml"
	e.share = share
	switch {
	case share < -5:
		e.unsure("%s: more than the system holds, so one of the figures is wrong", how)
	case share <= airPass:
		e.pass("%s: hardly any air (%.1v %%)", how, max(share, 0))
	case share < airFail:
		e.unsure("%s: %.1v %% of the system, little enough to be settling after the refill; look again after "+
			"two heat cycles", how, share)
	default:
		e.failed("%s: %v mL of air, %.1v %% of the system", how, air, share)
		e.warn("bleed again nose up, run until the fan has cycled twice, let it cool, top up; air that comes back " +
			"after a " +
			"good bleed points to the head gasket")
	}
}
