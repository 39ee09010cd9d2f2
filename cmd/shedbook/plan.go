package main

import (
	"github.com/spf13/cobra"

	"shedbook/schema"
	"shedbook/store"
)

func (a *app) planVerb() *cobra.Command {
	k := schema.KindNamed("plan")
	c := &cobra.Command{
		Use: "add WORK --machine MACHINE | --model MODEL --every 50h | --every-mud 20h | --every-days 180", Short: "add work that comes round",
		Args: args(1, 1, "the work, worded as the services are (in quotes if it has spaces)"),
		RunE: func(cmd *cobra.Command, given []string) error {
			return a.record(cmd.Context(), func(b *store.Book) error {
				known, err := a.known(cmd.Context(), b)
				if err != nil {
					return err
				}
				r := &schema.Plan{Work: given[0]}
				if _, err := a.setFields(cmd.Flags(), k, r, known); err != nil {
					return err
				}
				return a.keep(cmd.Context(), b, k, r)
			})
		},
	}
	a.addFields(c, k, "work")
	return a.group("plan", "work that comes round", "record", c, a.listKind(k, "list"))
}
