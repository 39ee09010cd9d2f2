package main

import (
	"context"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/render"
	"shedbook/schema/unit"
)

func (a *app) dueVerb() *cobra.Command {
	var within string
	c := a.lookVerb("due", "work that is due, and when the rest falls due", "", args(0, 0, "no words, only options"),
		func(_ context.Context, l *look, _ []string) error {
			cleaning := report.Cleaning(l.source())
			r := report.DueWork(l.source(), &cleaning)
			if within != "" {
				days, err := unit.Parse(within, unit.Days)
				if err != nil {
					return usage("", "--within %s", err)
				}
				until := l.at.AddDate(0, 0, int(days))
				kept := []report.Due{}
				for _, d := range r.Due {
					if d.Overdue || d.When != nil && !d.When.After(until) {
						kept = append(kept, d)
					}
				}
				r.Due = kept
			}
			return render.Due(a.out, r, l.options())
		})
	c.ValidArgsFunction = cobra.NoFileCompletions
	c.Flags().StringVar(&within, "within", "", "only what is due, or falls due within this time, such as 30d")
	return c
}
