package main

import (
	"context"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/render"
)

func (a *app) doubtsVerb() *cobra.Command {
	return a.reportVerb("doubts [MACHINE]", "records that contradict each other", "",
		args(0, 1, "a machine or nothing"),
		func(ctx context.Context, req *request, words []string) error {
			s, err := req.only(words)
			if err != nil {
				return err
			}
			r := report.Doubts(s)
			crossed, err := req.book.Crossings(ctx)
			if err != nil {
				return err
			}
			for _, c := range crossed {
				if len(words) == 0 || len(s.Fleet.Logs) == 1 && s.Fleet.Logs[0].Machine.Name == c.Machine {
					r.Doubts = append(r.Doubts, report.Doubt{Machine: c.Machine, At: c.At.In(s.AsOf.Location()),
						Doubt:   "crossed",
						Records: []report.Ref{{Kind: c.Kind.Name, Number: c.Record}}, Says: c.Says})
				}
			}
			return render.Doubts(a.out, r, req.options())
		})
}
