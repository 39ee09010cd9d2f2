package main

import (
	"strings"

	"github.com/spf13/cobra"

	"shedbook/report/state"
	"shedbook/schema"
	"shedbook/schema/unit"
	"shedbook/store"
)

func (a *app) releaseVerb() *cobra.Command {
	k := schema.KindNamed("release")
	c := &cobra.Command{
		Use: "release MACHINE --by NAME --why REASON", Short: "let a parked machine go, with your name and reason",
		GroupID: "record",
		Args:    args(1, 1, "a machine, then --by and --why"), ValidArgsFunction: a.completeMachine,
		RunE: func(cmd *cobra.Command, given []string) error {
			return a.recordIn(cmd.Context(), func(b *store.Book) error {
				known, err := a.known(cmd.Context(), b, given[0])
				if err != nil {
					return err
				}
				r := &schema.Release{}
				if err := a.setMachine(k, r, given[0], known); err != nil {
					return err
				}
				if _, err := a.setFields(cmd.Flags(), k, r, known); err != nil {
					return err
				}
				if r.At.IsZero() {
					r.At = a.now.UTC()
				}
				for _, x := range []struct{ flag, value, help string }{
					{"--by", r.By, "say who takes responsibility"}, {"--why", r.Why, "say why it may go"},
				} {
					if strings.TrimSpace(x.value) == "" {
						return usage("shedbook release "+schema.Quote(r.Machine)+" --by NAME --why REASON",
							"%s is missing: %s", x.flag, x.help)
					}
				}
				f, err := common(cmd.Context(), b)
				if err != nil {
					return err
				}
				for log, err := range b.Logs(cmd.Context(), r.Machine) {
					if err != nil {
						return err
					}
					if is := stateOf(f, log, r.At); !is.IsParked() {
						return usage("shedbook next "+schema.Quote(r.Machine)+" says how it stands",
							"machine %q was not parked at %s: no release is needed",
							r.Machine, unit.FormatTime(r.At, f.Settings.Zone()))
					}
				}
				return a.keep(cmd.Context(), b, k, r)
			})
		},
	}
	c.Long = "Lets a parked machine go. The history keeps the release for ever, with name and\n" +
		"reason. It covers what parked the machine until now, not what comes later. The\nmaker's manual and a " +
		"licensed mechanic come first.\n\nWhat parks a machine, and what has to be done:\n" + ruleList()
	a.addFields(c, k, "ref", "machine")
	return c
}

// ruleList is the table of what parks a machine.
func ruleList() string {
	var b strings.Builder
	for _, r := range state.Rules {
		if r.State == state.Parked {
			b.WriteString("\n" + r.Rule + ": " + r.When + "\n    " + r.Lift)
		}
	}
	return b.String()
}
