package cooling

// Limits of glycol in a coolant, percent by volume: 40 to 60 is the scope of
// ASTM D3306; two operator's manuals give 30 and 60 as the outermost.
const (
	mixLow, mixGood, mixHigh = 30.0, 40.0, 60.0
)

func judgeMix(e *exam) {
	g := e.spec.Glycol
	if g == "" {
		g = Ethylene
		e.missing("glycol")
		e.warn("the kind of glycol is not set: taken as ethylene; a refractometer must be read on the right scale")
	}
	var s strength
	freeze, frozen := e.find("freeze_c")
	gravity, byGravity := e.find("gravity")
	switch {
	case e.has("glycol_pct"):
		s.volPct = e.get("glycol_pct")
	case frozen:
		s = g.fromFreezing(freeze)
	case byGravity:
		c, ok := e.find("gravity_c")
		if !ok {
			c = 20
			e.warn("the sample's temperature (gravity_c) is not given: taken as %v °C", c)
		}
		var err error
		if s, err = g.fromGravity(gravity, c); err != nil {
			e.refuse(err)
			return
		}
	}
	for _, w := range s.warnings {
		e.warn(w.form, w.args...)
	}
	e.v.Value, e.v.Unit = s.volPct, "%"
	e.v.Source = "ASHRAE Handbook Fundamentals (2001) ch. 21; window of ASTM D3306 and two operator's manuals"
	said := e.text("%v %% %s glycol by volume", s.volPct, g)
	if s.atLeast {
		said += " or more"
	}
	if !frozen {
		freeze, frozen = g.freezes(s.volPct)
	}
	if frozen {
		said += e.text(", freezes at %v °C", freeze)
	}
	said += "; " + e.boiling(g, s.volPct)
	switch {
	case s.volPct < mixLow:
		e.failed("%s: too weak, it neither protects from rust nor frost", said)
	case s.volPct > mixHigh, s.atLeast && byGravity, s.atLeast && g == Propylene:
		e.failed("%s: too strong, it cools worse", said)
		if carried, err := g.carries(min(s.volPct, 60), 90); err == nil {
			e.warn("a litre of it carries %v %% of the heat that water does, or less", 100*carried)
		}
	case s.volPct < mixGood:
		e.unsure("%s: weak, %v to %v %% is the window", said, mixGood, mixHigh)
	case s.atLeast:
		e.unsure("%s: at the strong end of the window or beyond", said)
	default:
		e.pass("%s", said)
	}
}

// boiling returns when the mixture boils, and how far below that the machine
// ran.
func (e *exam) boiling(g Glycol, pct float64) string {
	altitude := e.altitude()
	reported, ran := e.find("reported_c")
	holds, known := e.spec.get("cap_kpa")
	if !known && ran {
		e.missing("cap_kpa")
	}
	said := e.boilingSentence(g, pct, holds, altitude)
	if !ran {
		return said
	}
	margin, open := boils(g, pct, holds, altitude)-reported, boils(g, pct, 0, altitude)-reported
	said += e.text("; at the reported %.1v °C ", reported)
	switch {
	case !known && open < 0:
		return said + "only a cap that holds keeps it from boiling"
	case margin < 0:
		return said + "it boiled"
	}
	said += e.text("it ran %.1v K below boiling", margin)
	if open < 0 {
		said += ", which rests on the cap alone"
	}
	return said
}
