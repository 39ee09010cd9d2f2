package next

import (
	"shedbook/report/cooling"
	"shedbook/schema"
	"shedbook/schema/unit"
)

// SpecOf is what a book knows of a machine that checks are judged against:
// the machine's own figures, the place's altitude, the strength of its last
// refill, and the figures out of the manual, the machine's own before its
// model's.
func SpecOf(fleet *schema.Fleet, log *schema.Log) cooling.Spec {
	m := &log.Machine
	spec := cooling.Spec{Figures: map[string]float64{}, Units: fleet.Settings.Units()}
	put := func(name string, n schema.Num) {
		if n.Known {
			spec.Figures[name] = n.V
		}
	}
	put("coolant_l", m.CoolantL)
	put("cap_kpa", m.CapKPa)
	put("thermostat_c", m.Thermostat)
	put("altitude_m", schema.N(fleet.Settings.Number("altitude-m", unit.Metres)))
	if n := len(log.Refills); n > 0 {
		put("concentrate_pct", log.Refills[n-1].Concentrate)
	}
	for _, own := range []bool{false, true} {
		for i := range fleet.Specs {
			s := &fleet.Specs[i]
			if own && s.Machine != m.Name || !own && (s.Model == "" || s.Model != m.Model) {
				continue
			}
			if s.Figure == "glycol" {
				if g, err := cooling.ParseGlycol(s.Value); err == nil {
					spec.Glycol = g
				}
			} else if f, err := cooling.SpecFigure(s.Figure); err == nil {
				if v, err := unit.Parse(s.Value, unit.Unit(f.Unit)); err == nil {
					put(s.Figure, schema.N(v))
				}
			}
		}
	}
	return spec
}

// judge is the result of a check that was kept with its figure but without a
// result, as a sheet may have it; empty where the figure can't be judged.
func judge(c *schema.Check, spec cooling.Spec) string {
	if !c.Value.Known {
		return ""
	}
	v, err := cooling.Judge(c.Check, cooling.Measurement{Value: &c.Value.V, Unit: c.Unit}, spec)
	if err != nil {
		return ""
	}
	return v.Result
}
