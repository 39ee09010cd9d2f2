package main

import (
	"context"
	"encoding/json"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/coolant"
	"shedbook/report/render"
)

func (a *app) coolantVerb() *cobra.Command {
	return a.reportVerb("coolant [MACHINE]", "coolant lost per engine hour, without settling and boil-over", "",
		args(0, 1, "a machine or nothing"),
		func(_ context.Context, req *request, words []string) error {
			var r report.CoolantReport
			if len(words) > 0 || len(req.known.Machines) == 1 { // with its stretches, which are not kept
				s, err := req.only(words)
				if err != nil {
					return err
				}
				r = report.Coolant(s)
			} else {
				r, _ = kept(req, "coolant", "", req.coolant())
				r.AsOf = req.at
			}
			return render.Coolant(a.out, r, req.options())
		})
}

// coolant asks for every machine's coolant, none of which depends on another's.
func (req *request) coolant() question[report.CoolantReport] {
	baseOf := func(r report.CoolantReport) baseMaker {
		return func() ([]byte, []byte) {
			b, _ := json.Marshal(r.Machines)
			return b, nil
		}
	}
	return question[report.CoolantReport]{
		func(s report.Source) (report.CoolantReport, baseMaker, error) {
			r := report.Coolant(s)
			return r, baseOf(r), nil
		},
		func(s report.Source, base keptBase) (r report.CoolantReport, keep baseMaker, ok bool) {
			var were []coolant.Machine
			if json.Unmarshal(base.b, &were) != nil {
				return r, nil, false
			}
			r = report.Coolant(s)
			r.Machines, ok = together(req.known.Machines, were, r.Machines,
				func(m *coolant.Machine) string { return m.Machine })
			if base.worn {
				keep = baseOf(r)
			}
			return r, keep, ok
		},
	}
}
