package main

import (
	"context"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/render"
)

func (a *app) heldVerb() *cobra.Command {
	return a.reportVerb("held [MACHINE]", "whether each clean, bleed and repair ended the trouble", "",
		args(0, 1, "a machine or nothing"),
		func(_ context.Context, req *request, words []string) error {
			machine := ""
			if len(words) > 0 {
				var err error
				if machine, err = req.known.Machine(words[0]); err != nil {
					return err
				}
			}
			s, err := req.only(words)
			if err != nil {
				return err
			}
			return render.Held(a.out, report.Held(s, machine), machine, req.options())
		})
}
