package main

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/render"
	"shedbook/schema"
)

func (a *app) recurrenceVerb() *cobra.Command {
	var work string
	var overheats bool
	c := a.reportVerb("recurrence", "how often something happens as machines age, and whether more or less often",
		"the curve", args(0, 0, "no words, only options"),
		func(_ context.Context, req *request, _ []string) error {
			if work != "" && overheats {
				return usage("", "use --work or --overheats, not both")
			}
			r := report.Recurrence(req.source(), work)
			if req.html != "" {
				return req.page(func(w io.Writer, o render.Options) error { return render.Recurrence(w, r, o) })
			}
			return render.Recurrence(a.out, r, req.options())
		})
	c.ValidArgsFunction = cobra.NoFileCompletions
	c.Flags().StringVar(&work, "work", "", "how often this work is done, as you name it in services")
	_ = c.RegisterFlagCompletionFunc("work", a.completeField(schema.KindNamed("service").Field("work")))
	c.Flags().BoolVar(&overheats, "overheats", false, "how often machines overheat (the default)")
	return c
}
