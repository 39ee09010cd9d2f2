package render

import (
	"fmt"
	"strings"

	"shedbook/report/say"
	"shedbook/report/state"
)

// maxParked is how many parked machines are listed one by one at the head of a
// fleet's report; the rest are counted.
const maxParked = 20

// stateCell returns a machine's state as a cell.
func stateCell(s state.State) Cell {
	c := Text(s.State)
	switch s.State {
	case state.Parked:
		return c.Hint(Bad)
	case state.Watch:
		return c.Hint(Doubtful)
	}
	return c
}

// reasonsCell returns the reasons of a state, for CSV.
func reasonsCell(s state.State) Cell {
	var texts []string
	for _, r := range s.Reasons {
		texts = append(texts, r.Rule+": "+r.Text)
	}
	return Lines(texts)
}

// stateOf adds one machine's state at the head of its report.
func stateOf(d *Doc, machine string, s state.State) {
	switch s.State {
	case "":
	case state.Parked:
		d.Parked(s.Says(machine))
	default:
		d.Say(s.Says(machine))
	}
}

// parkedFirst adds the parked machines before anything else.
func parkedFirst(d *Doc, machines []state.Machine) {
	n := 0
	for i := range machines {
		if m := &machines[i]; m.State.State == state.Parked {
			if n++; n <= maxParked {
				d.Parked(m.Brief(m.Machine))
			}
		}
	}
	if n > maxParked {
		d.Parked(fmt.Sprintf("%d more machines are parked. To see all: 'fleet'.", n-maxParked))
	}
	if n > 0 {
		d.Parked(state.Manual)
	}
}

// spells returns every time that a rule parked a machine, and what lifted it.
func spells(all []state.Spell, o Options) []string {
	var out []string
	for _, s := range all {
		if s.Until == nil {
			out = append(out, fmt.Sprintf("Since %s (%s): %s. Still parked for this.", o.day(s.At), s.Rule, s.Text))
			continue
		}
		lifted := "What ended it: " + s.Lifted
		if strings.HasPrefix(s.Lifted, "released by") {
			lifted = say.Sentence(s.Lifted)
		}
		out = append(out, fmt.Sprintf("%s to %s (%s): %s. %s.", o.day(s.At), o.day(*s.Until), s.Rule, s.Text,
			strings.TrimRight(lifted, ".")))
	}
	return out
}
