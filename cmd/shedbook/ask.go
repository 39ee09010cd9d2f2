package main

import (
	"fmt"
	"slices"
	"strings"

	"shedbook/report/render"
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
// must not be done; when it was too, unless that was given. An empty answer is not
// recorded; without a time it was now. Only where somebody types.
func (a *app) askOverheat(o *schema.Overheat, known *schema.Known, when bool) error {
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
	ask := asked
	if when {
		ask = append([]string{k.TimeColumn()}, asked...)
	}
	for _, name := range ask {
		f := k.Field(name)
		question := f.Help
		switch words := known.Words[f.Vocabulary]; {
		case name == k.TimeColumn():
			question = "when (Enter: now)"
		case name == "fan":
			question += " (y, n, or unknown)"
		case len(words) > 0:
			question += " (" + strings.Join(words, ", ") + ")"
		}
		for {
			answer, ok := a.ask(question + "? ")
			if !ok {
				return usage("", "stopped: nothing was recorded")
			}
			if answer == "" && name == k.TimeColumn() {
				break // it is now already
			}
			err := k.Set(o, f, meant(f, answer, known), known, a.now)
			if err == nil {
				break
			}
			if p := schema.AsProblem(err); p != nil { // the question says what it is about
				err = fmt.Errorf("%s", strings.TrimSpace(strings.TrimPrefix(err.Error(), p.Column)))
			}
			fmt.Fprintf(a.out, "  %s\n", render.Safe(err.Error()))
		}
	}
	return nil
}

// meant is a word of a field's vocabulary that an answer is the beginning of, or
// stands for: y and n for whether a fan was running. Else it is the answer.
func meant(f *schema.Field, answer string, known *schema.Known) string {
	if f.Vocabulary == "fan" {
		switch strings.ToLower(answer) {
		case "y", "yes":
			return "on"
		case "n", "no":
			return "off"
		}
	}
	words := known.Words[f.Vocabulary]
	if slices.ContainsFunc(words, func(w string) bool { return strings.EqualFold(w, answer) }) {
		return answer
	}
	if begun := schema.Beginning(answer, words); len(begun) == 1 {
		return begun[0]
	}
	return answer
}
