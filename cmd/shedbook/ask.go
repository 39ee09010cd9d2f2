package main

import (
	"fmt"
	"strings"

	"shedbook/schema"
)

// asked are the particulars of an overheat that are asked for.
var asked = []string{"driver", "speed", "terrain", "sign", "fan", "minutes_in", "lost_ml"}

// unasked says whether none of them was given.
func unasked(o *schema.Overheat) bool {
	k := schema.KindNamed("overheat")
	for _, name := range asked {
		if k.Field(name).Known(o) {
			return false
		}
	}
	return true
}

// askOverheat asks for an overheat's particulars one by one, after saying what
// must not be done. An empty answer is not recorded. Only where somebody types.
func (a *app) askOverheat(o *schema.Overheat, known *schema.Known) error {
	k := schema.KindNamed("overheat")
	fmt.Fprint(a.out, `Before anything else:
  Do not open the cap or a bleed screw while the engine is hot: the coolant is
  under pressure, and scalds. Wait until the cap is hand-warm.
  The fan may start by itself, with the engine off.
  Never pour cold water into a hot, empty engine, nor over a hot one.
  No steam, and it still runs: ease off, idle in neutral, nose to the wind, if the
  fan runs; off if it does not fall in two minutes. Not in dry grass or chaff.
  Steam, or coolant lost: park the machine, do not drive it on.
  The maker's manual comes first; coolant is poison to animals, wipe it up.

Enter leaves a question unanswered.
`)
	for _, name := range asked {
		f := k.Field(name)
		question := f.Help
		if words := known.Words[f.Vocabulary]; len(words) > 0 {
			question += " (" + strings.Join(words, ", ") + ")"
		}
		for {
			answer, ok := a.ask(question + "? ")
			if !ok {
				return usage("", "stopped: nothing was recorded")
			}
			err := k.Set(o, f, answer, known, a.now)
			if err == nil {
				break
			}
			fmt.Fprintf(a.out, "  %s\n", err)
		}
	}
	return nil
}
