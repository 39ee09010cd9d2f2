package main

import (
	"context"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/render"
)

func (a *app) doubtsVerb() *cobra.Command {
	return a.reportVerb("doubts [MACHINE]", "records that contradict each other", "", args(0, 1, "a machine or nothing"),
		func(_ context.Context, req *request, words []string) error {
			s, err := req.only(words)
			if err != nil {
				return err
			}
			return render.Doubts(a.out, report.Doubts(s), req.options())
		})
}
