package main

import (
	"context"
	"strings"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/render"
)

func (a *app) cleaningVerb() *cobra.Command {
	return a.lookVerb("cleaning [MACHINE]", "hours since the last thorough clean, and how often to clean", "", args(0, 1, "a machine or nothing"),
		func(_ context.Context, l *look, words []string) error {
			// The interval is pooled over the fleet, whichever machine is asked for.
			r := report.Cleaning(l.source())
			if len(words) > 0 {
				log, err := l.machine(words[0])
				if err != nil {
					return err
				}
				for _, m := range r.Machines {
					if strings.EqualFold(m.Machine, log.Machine.Name) {
						r.Machines = []report.CleaningMachine{m}
						break
					}
				}
			}
			return render.Cleaning(a.out, r, l.options())
		})
}
