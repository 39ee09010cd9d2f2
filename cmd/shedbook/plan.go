package main

import (
	"github.com/spf13/cobra"

	"shedbook/schema"
	"shedbook/store"
)

func (a *app) planVerb() *cobra.Command {
	k := schema.KindNamed("plan")
	c := &cobra.Command{
		Use: "add [MACHINE] WORK --every 50h | --every-mud 20h | --every-days 180", Short: "add recurring work for a machine, or for a model (--model)",
		Args: args(1, 2, "a machine (or --model), and the work as you name it in services, in quotes if it has spaces"), ValidArgsFunction: a.completeMachine,
		RunE: func(cmd *cobra.Command, given []string) error {
			return a.record(cmd.Context(), func(b *store.Book) error {
				known, err := a.known(cmd.Context(), b)
				if err != nil {
					return err
				}
				r := &schema.Plan{Work: given[len(given)-1]}
				if len(given) == 2 {
					if r.Machine, err = known.Machine(given[0]); err != nil {
						return err
					}
				}
				if _, err := a.setFields(cmd.Flags(), k, r, known); err != nil {
					return err
				}
				return a.keep(cmd.Context(), b, k, r)
			})
		},
	}
	a.addFields(c, k, "work")
	return a.group("plan", "recurring work", "record", c, a.listKind(k, "list"))
}
