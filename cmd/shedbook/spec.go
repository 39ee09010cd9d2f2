package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"shedbook/report/cooling"
	"shedbook/schema"
	"shedbook/schema/unit"
	"shedbook/store"
)

// specVerb keeps figures out of the maker's manual, against which checks are judged.
func (a *app) specVerb() *cobra.Command {
	k := schema.KindNamed("spec")
	var list strings.Builder
	for _, f := range cooling.SpecFigures() {
		fmt.Fprintf(&list, "  %-16s %s\n", f.Name, f.Help)
	}
	c := &cobra.Command{
		Use: "set FIGURE VALUE --machine MACHINE | --model MODEL", Short: "set a figure",
		Args: args(2, 2, "a figure and its value"),
		Long: "Sets a figure from the maker's manual, which checks are compared with:\n\n" + list.String() +
			"  ohm_at_20        the coolant sensor at 20 °C; other temperatures likewise",
		RunE: func(cmd *cobra.Command, given []string) error {
			r := &schema.Spec{Figure: strings.ToLower(strings.ReplaceAll(given[0], "-", "_")),
				Value: strings.TrimSpace(given[1])}
			if err := checkSpec(r); err != nil {
				return err
			}
			return a.recordIn(cmd.Context(), func(b *store.Book) error {
				known, err := a.known(cmd.Context(), b)
				if err != nil {
					return err
				}
				if _, err := a.setFields(cmd.Flags(), k, r, known); err != nil {
					return err
				}
				list, err := b.List(cmd.Context(), k, store.Filter{})
				if err != nil {
					return err
				}
				for _, old := range list {
					o := old.(*schema.Spec)
					if o.Machine != r.Machine || o.Model != r.Model || o.Figure != r.Figure {
						continue
					}
					_, err := b.Amend(cmd.Context(), o.Number, "set again",
						func(_ *schema.Kind, x schema.Record) error {
							x.(*schema.Spec).Value, x.(*schema.Spec).Note = r.Value, r.Note
							return nil
						})
					if err == nil {
						fmt.Fprintf(a.out, "corrected %d: %s is now %s\n", o.Number, r.Figure, r.Value)
					}
					return err
				}
				return a.keep(cmd.Context(), b, k, r)
			})
		},
	}
	a.addFields(c, k, "figure", "value")
	return a.group("spec", "figures from the maker's manual", "record", c, a.listKind(k, "list"))
}

// checkSpec judges a figure and its value.
func checkSpec(r *schema.Spec) error {
	f, err := cooling.SpecFigure(r.Figure)
	if err != nil {
		return usage("shedbook spec set --help lists them", "%s", err)
	}
	if r.Figure == "glycol" {
		if _, err := cooling.ParseGlycol(r.Value); err != nil {
			return usage("", "%s", err)
		}
		return nil
	}
	v, err := unit.Parse(r.Value, unit.Unit(f.Unit))
	if err != nil {
		return schema.Wrong(r.Figure, r.Value, strings.TrimPrefix(err.Error(), unit.Quote(r.Value)+" "))
	}
	if err := f.Check(v); err != nil {
		return usage("", "%s", err)
	}
	return nil
}
