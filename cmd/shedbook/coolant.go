package main

import (
	"context"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/render"
)

func (a *app) coolantVerb() *cobra.Command {
	return a.lookVerb("coolant [MACHINE]", "coolant used per engine hour, settling and boil-over set apart", "", args(0, 1, "a machine or nothing"),
		func(_ context.Context, l *look, words []string) error {
			s, err := l.only(words)
			if err != nil {
				return err
			}
			return render.Coolant(a.out, report.Coolant(s), l.options())
		})
}
