package main

import (
	"context"
	"encoding/json"
	"slices"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/render"
)

func (a *app) cleaningVerb() *cobra.Command {
	return a.reportVerb("cleaning [MACHINE]", "hours since the last thorough clean, and how often to clean next", "",
		args(0, 1, "a machine or nothing"),
		func(_ context.Context, req *request, words []string) error {
			// The interval is pooled over the fleet, whichever machine is asked for.
			r := req.cleaning()
			if len(words) > 0 {
				machine, err := req.known.Machine(words[0])
				if err != nil {
					return err
				}
				r.Machines = slices.DeleteFunc(r.Machines,
					func(m report.CleaningMachine) bool { return m.Machine != machine })
			}
			return render.Cleaning(a.out, r, req.options())
		})
}

// cleaning is the fleet's report; its base are the machines without the intervals.
func (req *request) cleaning() report.CleaningReport {
	type answer struct { // with what its own JSON leaves out
		report.CleaningReport
		Unsure map[string]string
	}
	type machine struct {
		report.CleaningMachine
		Spells []report.Spell
	}
	of := func(s report.Source, all []machine) (answer, baseMaker) {
		var machines []report.CleaningMachine
		for _, m := range all {
			m.CleaningMachine.Spells = m.Spells
			machines = append(machines, m.CleaningMachine)
		}
		r := report.CleaningOf(s, machines)
		return answer{r, r.Unsure}, func() ([]byte, []byte) {
			b, _ := json.Marshal(all)
			return b, nil
		}
	}
	read := func(s report.Source) (all []machine) {
		for _, m := range report.Cleanings(s) {
			all = append(all, machine{m, m.Spells})
		}
		return all
	}
	a, _ := kept(req, "cleaning", "", question[answer]{
		func(s report.Source) (answer, baseMaker, error) {
			a, base := of(s, read(s))
			return a, base, nil
		},
		func(s report.Source, base keptBase) (a answer, keep baseMaker, ok bool) {
			var were []machine
			if json.Unmarshal(base.b, &were) != nil {
				return a, nil, false
			}
			all, ok := together(req.known.Machines, were, read(s), func(m *machine) string { return m.Machine })
			a, keep = of(s, all)
			if !base.worn {
				keep = nil
			}
			return a, keep, ok
		},
	})
	a.CleaningReport.Unsure, a.AsOf = a.Unsure, req.at
	return a.CleaningReport
}
