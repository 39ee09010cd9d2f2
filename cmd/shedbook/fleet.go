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
	return a.reportVerb("fleet", "one line per machine, worst first", "a page for the office wall or a phone",
		args(0, 0, "no words, only options"),
		func(_ context.Context, req *request, _ []string) error {
			seen := req.overview()
			r := report.FleetOf(req.at, seen.Rows, open(seen.Flags))
			if req.html == "" {
				return render.Fleet(a.out, r, req.options())
			}
			cleaning := req.cleaning()
			due := report.DueWork(req.source(), &cleaning)
			due.Machines = r.NotReady()
			return req.page(func(w io.Writer, o render.Options) error {
				return render.FleetPage(w, r, seen.Flags, due, report.LastWeeks(req.source(), pageWeeks), o)
			})
		})
}
