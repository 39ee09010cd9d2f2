package main

import (
	"bytes"
	"context"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/render"
	"shedbook/report/say"
	"shedbook/schema/unit"
)

func (a *app) dueVerb() *cobra.Command {
	var within, calendar string
	c := a.reportVerb("due", "work that is due, and what comes next", "", args(0, 0, "no words, only options"),
		func(_ context.Context, req *request, _ []string) error {
			cleaning := req.cleaning()
			r := report.DueWork(req.source(), &cleaning)
			r.Machines = req.seen().Machines
			if within != "" {
				days, err := unit.Parse(within, unit.Days)
				if err != nil {
					return usage("", "--within %s", err)
				}
				r = r.Within(req.at.AddDate(0, 0, int(days)))
			}
			if calendar == "" {
				return render.Due(a.out, r, req.options())
			}
			var b bytes.Buffer
			events, err := render.Calendar(&b, r, req.options())
			if err != nil {
				return err
			}
			if events == 0 {
				fmt.Fprintf(a.errOut, "no work has a date yet, so %s was not written\n", calendar)
				return nil
			}
			if err := req.toFile(calendar, func(w io.Writer) error { _, err := b.WriteTo(w); return err }); err != nil {
				return err
			}
			fmt.Fprintf(a.out, "%s written to %s", say.Count(events, "date"), calendar)
			if rest := len(r.Due) - events; rest > 0 {
				fmt.Fprintf(a.out, "; %d more have no date yet", rest)
			}
			fmt.Fprintln(a.out)
			return nil
		})
	c.ValidArgsFunction = cobra.NoFileCompletions
	c.Flags().StringVar(&within, "within", "", "only what is due now or within this time, such as 30d")
	c.Flags().StringVar(&calendar, "ics", "", "write a calendar file (iCalendar); read it again to update the dates")
	return c
}
