package main

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/render"
)

// pageWeeks is how far back the small plots of the fleet's page reach.
const pageWeeks = 26

func (a *app) fleetVerb() *cobra.Command {
	return a.lookVerb("fleet", "one line per machine, worst first", "a page for the office wall or a phone", args(0, 0, "no words, only options"),
		func(_ context.Context, l *look, _ []string) error {
			seen := l.overview()
			r := report.FleetOf(l.at, seen.Rows, open(seen.Flags))
			if l.html == "" {
				return render.Fleet(a.out, r, l.options())
			}
			cleaning := l.cleaning()
			due := report.DueWork(l.source(), &cleaning)
			due.Machines = r.NotReady()
			return l.page(func(w io.Writer, o render.Options) error {
				return render.FleetPage(w, r, seen.Flags, due, report.LastWeeks(l.source(), pageWeeks), o)
			})
		})
}
