package cooling

import (
	"errors"
	"fmt"
)

// Limits of glycol in a coolant, percent by volume: 40 to 60 by the scope of
// ASTM D3306; two operator's manuals give 30 and 60 as the outer ones.
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
	var s Strength
	var err error
	freeze, byFreeze := e.find("freeze_c")
	gravity, byGravity := e.find("gravity")
	switch {
	case e.has("glycol_pct"):
		s = Strength{VolPct: e.get("glycol_pct")}
	case byFreeze:
		s, err = StrengthFromFreezing(g, freeze)
	case byGravity:
		c, ok := e.find("gravity_c")
		if !ok {
			c = 20
			e.warn("the sample's temperature (gravity_c) is not given: taken as 20 °C")
		}
		s, err = StrengthFromGravity(g, gravity, c)
	}
	if err != nil {
		e.refuse(err)
		return
	}
	e.v.Warnings = append(e.v.Warnings, s.Warnings...)
	e.v.Value, e.v.Unit = s.VolPct, "%"
	e.v.Source = "ASHRAE Handbook Fundamentals (2001) ch. 21; window of ASTM D3306 and two operator's manuals"
	said := fmt.Sprintf("%s %% %s glycol by volume", number(s.VolPct, 0), g)
	if s.AtLeast {
		said += " or more"
	}
	if !byFreeze {
		switch freeze, err = FreezingPoint(g, s.VolPct); {
		case err == nil:
			byFreeze = true
		case !errors.Is(err, ErrBeyondTable):
			e.refuse(err)
			return
		}
	}
	if byFreeze {
		said += fmt.Sprintf(", freezes at %s °C", number(freeze, 0))
	}
	if boils := e.boiling(g, s.VolPct); boils != "" {
		said += "; " + boils
	}
	switch {
	case s.VolPct < mixLow:
		e.failed("%s: too weak, it neither protects from rust nor frost", said)
	case s.VolPct > mixHigh, s.AtLeast && byGravity, s.AtLeast && g == Propylene:
		e.failed("%s: too strong, it cools worse", said)
		if carried, err := HeatCarried(g, min(s.VolPct, 60), 90); err == nil {
			e.warn("a litre of it carries %s %% of the heat that water does, or less", number(100*carried, 0))
		}
	case s.VolPct < mixGood:
		e.unsure("%s: weak, %s to %s %% is the window", said, number(mixGood, 0), number(mixHigh, 0))
	case s.AtLeast:
		e.unsure("%s: at the strong end of the window or beyond", said)
	default:
		e.pass("%s", said)
	}
}

// boiling says when the mixture boils, and how far below that the machine ran.
func (e *exam) boiling(g Glycol, pct float64) string {
	altitude := e.altitude()
	reported, ran := e.find("reported_c")
	holds, known := e.spec.get("cap_kpa")
	if !known && ran {
		e.missing("cap_kpa")
	}
	said, err := BoilingSentence(g, pct, holds, altitude)
	if err != nil {
		e.refuse(err)
		return ""
	}
	if !ran {
		return said
	}
	m, err := BoilingMargin(g, pct, holds, altitude, reported)
	if err != nil {
		e.refuse(err)
		return ""
	}
	switch {
	case !known && m.WithoutCap < 0:
		return said + fmt.Sprintf("; at the reported %s °C only a cap that holds keeps it from boiling", number(reported, 1))
	case m.WithCap < 0:
		return said + fmt.Sprintf("; at the reported %s °C it boiled", number(reported, 1))
	case m.WithoutCap < 0:
		return said + fmt.Sprintf("; at the reported %s °C it ran %s K below boiling, which rests on the cap alone", number(reported, 1), number(m.WithCap, 1))
	}
	return said + fmt.Sprintf("; at the reported %s °C it ran %s K below boiling", number(reported, 1), number(m.WithCap, 1))
}
