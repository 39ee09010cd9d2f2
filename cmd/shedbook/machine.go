package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"shedbook/schema"
	"shedbook/store"
)

func (a *app) machineVerb() *cobra.Command {
	k := schema.KindNamed("machine")
	show := &cobra.Command{
		Use: "show MACHINE", Short: "what the book knows about a machine itself", Args: args(1, 1, "a machine"),
		ValidArgsFunction: a.completeMachine,
		RunE: func(cmd *cobra.Command, given []string) error {
			return a.view(cmd.Context(), func(b *store.Book) error {
				known, err := b.Known(cmd.Context())
				if err != nil {
					return err
				}
				name, err := known.Machine(given[0])
				if err != nil {
					return err
				}
				for l, err := range b.Logs(cmd.Context(), name) {
					if err != nil {
						return err
					}
					return a.showRecord(cmd.Context(), b, l.Machine.Number, false)
				}
				return nil
			})
		},
	}
	return a.group("machine", "add, list and change machines", "record",
		a.addVerb(k), a.listKind(k, "list"), show, a.machineSet(k), a.retireVerb(k), a.soldVerb(k), a.meterVerb())
}

// machineSet changes what the book says of a machine.
func (a *app) machineSet(k *schema.Kind) *cobra.Command {
	var why string
	c := &cobra.Command{
		Use: "set MACHINE", Short: "change a machine's data", Args: args(1, 1, "a machine, then options"),
		ValidArgsFunction: a.completeMachine,
		RunE: func(cmd *cobra.Command, given []string) error {
			return a.amendNamed(cmd, k, given[0], why, func(r schema.Record, known *schema.Known) error {
				n, err := a.setFields(cmd.Flags(), k, r, known)
				if err == nil && n == 0 {
					return usage("shedbook machine set --help lists them", "say what to change, such as --coolant 4.2l")
				}
				return err
			}, func(name string) string { return "machine " + name + " corrected" })
		},
	}
	a.addFields(c, k, "machine", "retired", "sold_to")
	c.Flags().StringVar(&why, "why", "", "why you change it")
	return c
}

func (a *app) retireVerb(k *schema.Kind) *cobra.Command {
	var at, why string
	c := &cobra.Command{
		Use: "retire MACHINE", Short: "take a machine out of the fleet; its history stays",
		Args: args(1, 1, "a machine"), ValidArgsFunction: a.completeMachine,
		RunE: func(cmd *cobra.Command, given []string) error { return a.leave(cmd, k, given[0], at, "", why) },
	}
	c.Flags().StringVar(&at, "at", "now", "when")
	c.Flags().StringVar(&why, "why", "", "why")
	return c
}

func (a *app) soldVerb(k *schema.Kind) *cobra.Command {
	var at, to, why string
	c := &cobra.Command{
		Use: "sold MACHINE --to BUYER", Short: "record that a machine was sold; its history stays",
		Args: args(1, 1, "a machine"), ValidArgsFunction: a.completeMachine,
		RunE: func(cmd *cobra.Command, given []string) error {
			if strings.TrimSpace(to) == "" {
				return usage("", "--to is missing: who bought it")
			}
			return a.leave(cmd, k, given[0], at, to, why)
		},
	}
	c.Flags().StringVar(&to, "to", "", "who bought it")
	c.Flags().StringVar(&at, "at", "now", "when")
	c.Flags().StringVar(&why, "why", "", "anything else")
	return c
}

// leave marks a machine as gone from the fleet.
func (a *app) leave(cmd *cobra.Command, k *schema.Kind, machine, at, to, why string) error {
	return a.amendNamed(cmd, k, machine, why, func(r schema.Record, known *schema.Known) error {
		r.(*schema.Machine).SoldTo = strings.TrimSpace(to)
		return k.Set(r, k.Field("retired"), at, known, a.now)
	}, func(name string) string {
		if to != "" {
			return fmt.Sprintf("machine %s is sold to %s; shedbook history %s prints its history for the buyer", name,
				to, schema.Quote(name))
		}
		return fmt.Sprintf("machine %s is retired; its history stays in the book", name)
	})
}

// meterVerb is `log` of a kind that comes up once in a machine's life.
func (a *app) meterVerb() *cobra.Command {
	c := a.logKind(schema.KindNamed("meter"))
	c.Use, c.Short = "meter MACHINE --was HOURS --now HOURS", "record a new hour meter; engine hours go on counting"
	c.Args = args(1, 1, "a machine, then --was and --now")
	return c
}
