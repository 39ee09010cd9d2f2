package main

import (
	"context"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/render"
)

// timelineLines is how many lines fit a screen.
const timelineLines = 20

func (a *app) timelineVerb() *cobra.Command {
	var all bool
	c := a.reportVerb("timeline MACHINE", "what happened to a machine, newest first", "", args(1, 1, "a machine"),
		func(_ context.Context, req *request, words []string) error {
			machine, err := req.known.Machine(words[0])
			if err != nil {
				return err
			}
			most := timelineLines
			if all {
				most = 0
			}
			r, _ := report.Timeline(req.source(machine), machine, most)
			return render.Timeline(a.out, r, req.options())
		})
	c.Flags().BoolVar(&all, "all", false, "the whole life, not only the newest lines")
	return c
}
