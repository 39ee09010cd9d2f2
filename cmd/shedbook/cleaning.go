package main

import (
	"context"
	"slices"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/render"
)

func (a *app) cleaningVerb() *cobra.Command {
	return a.lookVerb("cleaning [MACHINE]", "hours since the last thorough clean, and how often to clean next", "", args(0, 1, "a machine or nothing"),
		func(_ context.Context, l *look, words []string) error {
			// The interval is pooled over the fleet, whichever machine is asked for.
			r := report.Cleaning(l.source())
			if len(words) > 0 {
				machine, err := l.known.Machine(words[0])
				if err != nil {
					return err
				}
				r.Machines = slices.DeleteFunc(r.Machines, func(m report.CleaningMachine) bool { return m.Machine != machine })
			}
			return render.Cleaning(a.out, r, l.options())
		})
}
