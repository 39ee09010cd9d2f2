package main

import (
	"context"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/render"
)

func (a *app) doubtsVerb() *cobra.Command {
	return a.lookVerb("doubts [MACHINE]", "records that contradict each other", "", args(0, 1, "a machine or nothing"),
		func(_ context.Context, l *look, words []string) error {
			s, err := l.only(words)
			if err != nil {
				return err
			}
			return render.Doubts(a.out, report.Doubts(s), l.options())
		})
}
