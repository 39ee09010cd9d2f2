package cooling

// Limits of a wax thermostat in a bath of water, relative to its stamped
// temperature. In three manuals: begins to open within 2 K of the stamp (80 to
// 84, 76 to 80 °C), is fully open 10 to 15 K above it, and then lifts 8 to 10
// mm. The limits of failing, and what lies between, are common practice.
const (
	openTolK    = 2.0  // begins to open within this of the stamp
	openFailK   = 5.0  // later than this is a fault
	fullOpenK   = 15.0 // fully open this far above the stamp
	liftMinMM   = 8.0  // lift when fully open
	bathMarginK = 2.0  // water this close to boiling is unfit as a bath
)

// openBoils returns the boiling point of water in an open pan, °C.
func (e *exam) openBoils() float64 { return boils(Ethylene, 0, 0, e.spec.or("altitude_m", 0)) }

// bath refuses a bath hotter than water can be at the altitude.
func (e *exam) bath(names ...string) bool {
	boil := e.openBoils()
	for _, name := range names {
		if c, ok := e.find(name); ok && c > boil+0.5 {
			e.refuse(wrong("%s: %.1v °C should be at most %.1v °C, where water in an open pan boils at %s: check the "+
				"thermometer in boiling water",
				name, c, boil, e.place(e.spec.or("altitude_m", 0))))
			return false
		}
	}
	return true
}

func judgeThermostat(e *exam) {
	if !e.bath("opens_c", "full_open_c", "shut_at_c", "lift_at_c") {
		return
	}
	boil := e.openBoils()
	stamp, known := e.need("thermostat_c")
	opens, didOpen := e.find("opens_c")
	shut, stayed := e.find("shut_at_c")
	full, didFull := e.find("full_open_c")
	lift, lifted := e.find("lift_mm")
	e.v.Source = e.text("workshop manuals (start within %v K of the stamp, 8 to 10 mm lift); other limits: "+practice,
		2)
	if didOpen && didFull && full < opens {
		e.refuse(wrong("full_open_c: %.1v °C should be at or above opens_c, %.1v °C", full, opens))
		return
	}
	if didOpen && stayed && shut > opens {
		e.refuse(wrong("shut_at_c: %.1v °C should be below opens_c, %.1v °C: it cannot be shut and have opened", shut,
			opens))
		return
	}
	if !known {
		e.unsure("nothing to compare with: thermostat_c, the temperature stamped on it, is needed")
		return
	}
	tol, printed := e.spec.get("thermostat_tol_c")
	if !printed {
		tol = openTolK
	}
	if stamp+tol > boil-bathMarginK {
		e.warn("water boils at %.1v °C here, too close to the stamp of %v °C: a bath with a third of glycol in it "+
			"gets hotter", boil, stamp)
	}
	if !didOpen {
		e.v.Value, e.v.Unit = shut-stamp, "K"
		said := e.text("still shut at %.1v °C, stamped %v °C", shut, stamp)
		if shut >= stamp+max(openFailK, tol) {
			e.failed("%s: it sticks, or opens more than %v K late", said, max(openFailK, tol))
		} else {
			e.unsure("%s: heat the bath to %v °C", said, stamp+max(openFailK, tol))
		}
		return
	}
	late := opens - stamp
	e.v.Value, e.v.Unit = late, "K"
	said := e.text("begins to open at %.1v °C, %+.1v K from the stamped %v °C (%.1v K is allowed)", opens, late, stamp,
		tol)
	if lifted && e.has("lift_at_c") && e.get("lift_at_c") < stamp+fullOpenK-1 &&
		lift < e.spec.or("lift_mm", liftMinMM) {
		e.warn("the lift was measured at %v °C; it counts from %v °C on", e.get("lift_at_c"), stamp+fullOpenK)
		lifted = false
	}
	switch {
	case late > max(openFailK, tol):
		e.failed("%s: too late", said)
	case lifted && lift < e.spec.or("lift_mm", liftMinMM):
		e.failed("%s, but lifts only %.1v mm, and %.1v mm is needed", said, lift, e.spec.or("lift_mm", liftMinMM))
	case didFull && full > stamp+fullOpenK+tol:
		e.failed("%s, but is fully open only at %.1v °C, and should be by %v °C", said, full, stamp+fullOpenK)
	case late < -max(openFailK, tol):
		e.unsure("%s: not what is stamped on it, or misread; one that opens early keeps the engine cool and "+
			"is no cause of overheating", said)
	case late > tol || late < -tol:
		e.unsure("%s: a little off, so repeat it heating slowly near the stamp with the thermometer clear of the pan",
			said)
	default:
		if didFull {
			said += e.text(", is fully open at %.1v °C", full)
		}
		e.pass("%s", said)
		if !didFull && !lifted {
			e.warn("how far it opens was not measured: full_open_c or lift_mm would tell")
		}
	}
}

// Limits of a thermostat judged at its hose while the engine warms up, K from
// the stamp: a hand or an infrared thermometer on the housing is rougher than a
// bath (common practice, no source).
const (
	jumpPassK = 8.0
	jumpFailK = 15.0
	usualOpen = 82.0 // if the stamp is not known; stamps are 71 to 95 °C
)

func judgeWarmUp(e *exam) {
	e.v.Source = practice
	jump, jumped := e.find("jump_c")
	still, cold := e.find("cold_until_c")
	if e.yes("never_warm") {
		e.failed("it never gets warm and the hose warms from the start: the thermostat stays open, which is no cause " +
			"of " +
			"overheats")
		return
	}
	if jumped && cold && still > jump {
		e.refuse(wrong("cold_until_c: %v °C should be at most jump_c, %v °C: the hose cannot be cold and hot", still,
			jump))
		return
	}
	stamp, known := e.need("thermostat_c")
	if !known {
		stamp = usualOpen
		e.warn("thermostat_c is not set: taken as %v °C", usualOpen)
	}
	switch {
	case jumped:
		late := jump - stamp
		e.v.Value, e.v.Unit = late, "K"
		said := e.text("the hose got hot at %v °C, %+.1v K from the stamped %v °C", jump, late, stamp)
		switch {
		case late > jumpFailK:
			e.failed("%s: late", said)
		case late < -jumpFailK:
			e.unsure("%s: early, or measured on shiny metal; one that opens early overheats nothing", said)
		case late > jumpPassK || late < -jumpPassK:
			e.unsure("%s: measure on a matt patch beside the thermostat", said)
		default:
			e.pass("%s", said)
		}
	case cold:
		e.v.Value, e.v.Unit = still-stamp, "K"
		said := e.text("the hose was still cold with %v °C at the engine, stamped %v °C", still, stamp)
		if still-stamp > jumpFailK {
			e.failed("%s: it sticks shut or nothing flows; stop before it boils", said)
		} else {
			e.unsure("%s: let it get a little hotter", said)
		}
	default:
		e.pass("it gets warm as it should")
		e.warn("when the hose got hot is not recorded: give jump_c")
	}
}
