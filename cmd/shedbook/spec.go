package main

import (
	"github.com/spf13/cobra"

	"shedbook/schema"
	"shedbook/store"
)

// specVerb keeps figures out of the maker's manual, against which checks are judged.
func (a *app) specVerb() *cobra.Command {
	k := schema.KindNamed("spec")
	c := &cobra.Command{
		Use: "set FIGURE VALUE --machine MACHINE | --model MODEL", Short: "set a figure", Args: args(2, 2, "a figure and its value"),
		RunE: func(cmd *cobra.Command, given []string) error {
			return a.record(cmd.Context(), func(b *store.Book) error {
				known, err := b.Known(cmd.Context())
				if err != nil {
					return err
				}
				r := k.New().(*schema.Spec)
				r.Figure, r.Value = given[0], given[1]
				if _, err := a.setFields(cmd.Flags(), k, r, known); err != nil {
					return err
				}
				list, err := b.List(cmd.Context(), k, store.Filter{})
				if err != nil {
					return err
				}
				for _, old := range list {
					o := old.(*schema.Spec)
					if o.Machine == r.Machine && o.Model == r.Model && o.Figure == r.Figure {
						_, err := b.Amend(cmd.Context(), o.Number, "set anew", func(_ *schema.Kind, x schema.Record) error {
							x.(*schema.Spec).Value, x.(*schema.Spec).Note = r.Value, r.Note
							return nil
						})
						return err
					}
				}
				return a.keep(cmd.Context(), b, k, r)
			})
		},
	}
	a.addFields(c, k, "figure", "value")
	return a.group("spec", "figures out of the maker's manual", "record", c, a.listKind(k, "list"))
}
