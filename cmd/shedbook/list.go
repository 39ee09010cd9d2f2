package main

import (
	"strings"
	"time"

	"github.com/spf13/cobra"

	"shedbook/schema"
	"shedbook/schema/unit"
	"shedbook/store"
)

func (a *app) listVerb() *cobra.Command {
	var kinds []verb
	for _, k := range schema.Kinds {
		if k.Name != "word" && k.Name != "setting" {
			kinds = append(kinds, verb{k.Sheet, func() *cobra.Command { return a.listKind(k, k.Sheet) }})
		}
	}
	return a.group("list", "list all records of one kind", "look", a.under("list", kinds)...)
}

func (a *app) listKind(k *schema.Kind, use string) *cobra.Command {
	var machine, driver, from, to string
	var last int
	var asJSON, asCSV, by bool
	c := &cobra.Command{
		Use: use, Aliases: []string{k.Name}, Short: "list " + k.Sheet, Args: args(0, 0, "no words, only options"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if cmd.Flags().Changed("last") && last < 1 {
				return usage("", "--last %d should be 1 or more", last)
			}
			return a.view(cmd.Context(), func(b *store.Book) error {
				known, err := a.known(cmd.Context(), b)
				if err != nil {
					return err
				}
				f := store.Filter{Last: last}
				if machine != "" {
					if f.Machine, err = known.Machine(machine); err != nil {
						return err
					}
				}
				if driver != "" {
					if f.Driver, err = known.Driver(driver); err != nil {
						return err
					}
				}
				if from != "" {
					if f.From, err = a.when(b, cmd, "--from", from); err != nil {
						return err
					}
				}
				if to != "" {
					if f.To, err = a.when(b, cmd, "--to", to); err != nil {
						return err
					}
					// A day alone means all of it.
					if t := f.To.In(known.Zone); t.Hour()+t.Minute()+t.Second() == 0 && !strings.ContainsAny(to, ":") {
						f.To = t.AddDate(0, 0, 1).Add(-time.Second)
					}
				}
				records, err := b.List(cmd.Context(), k, f)
				if err != nil {
					return err
				}
				var who map[int64]string
				if by {
					if who, err = b.Enterers(cmd.Context()); err != nil {
						return err
					}
				}
				return a.printRecords(cmd.Context(), b, k, records, who, asJSON, asCSV)
			})
		},
	}
	if k.Field("machine") != nil && k.Name != "machine" {
		c.Flags().StringVar(&machine, "machine", "", "only records of this machine")
		_ = c.RegisterFlagCompletionFunc("machine", a.completeField(&schema.Field{Type: schema.MachineField}))
	}
	if k.Field("driver") != nil && k.Name != "driver" {
		c.Flags().StringVar(&driver, "driver", "", "only records of this driver")
		_ = c.RegisterFlagCompletionFunc("driver", a.completeField(&schema.Field{Type: schema.DriverField}))
	}
	if k.TimeColumn() != "" {
		c.Flags().StringVar(&from, "from", "", "from this time on")
		c.Flags().StringVar(&to, "to", "", "up to this time; a day means all of it")
		c.Flags().IntVar(&last, "last", 0, "only this many, the newest")
	}
	c.Flags().BoolVar(&by, "by", false, "say which phone entered each")
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	c.Flags().BoolVar(&asCSV, "csv", false, "print CSV")
	return c
}

// numberArg reads a record's number.
func numberArg(s string) (int64, error) {
	v, err := unit.Parse(strings.TrimPrefix(s, "#"), unit.Count)
	if err != nil || v != float64(int64(v)) || v < 1 {
		return 0, usage("shedbook list KIND shows the numbers", "%s is not the number of a record", unit.Quote(s))
	}
	return int64(v), nil
}
