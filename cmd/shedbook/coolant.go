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
	return a.lookVerb("coolant [MACHINE]", "coolant lost per engine hour, without settling and boil-over", "", args(0, 1, "a machine or nothing"),
		func(_ context.Context, l *look, words []string) error {
			var r report.CoolantReport
			if len(words) > 0 || len(l.known.Machines) == 1 { // with its stretches, which are not kept
				s, err := l.only(words)
				if err != nil {
					return err
				}
				r = report.Coolant(s)
			} else {
				r, _ = kept(l, "coolant", "", l.coolant())
				r.AsOf = l.at
			}
			return render.Coolant(a.out, r, l.options())
		})
}

// coolant asks for every machine's coolant, none of which depends on another's.
func (l *look) coolant() question[report.CoolantReport] {
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
		func(s report.Source, base []byte, worn bool) (r report.CoolantReport, keep baseMaker, ok bool) {
			var were []coolant.Machine
			if json.Unmarshal(base, &were) != nil {
				return r, nil, false
			}
			r = report.Coolant(s)
			r.Machines, ok = together(l.known.Machines, were, r.Machines, func(m *coolant.Machine) string { return m.Machine })
			if worn {
				keep = baseOf(r)
			}
			return r, keep, ok
		},
	}
}
