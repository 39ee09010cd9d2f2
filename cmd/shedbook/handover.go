package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/render"
	"shedbook/schema"
	"shedbook/store"
)

func (a *app) handoverVerb() *cobra.Command {
	var out string
	var withNames bool
	c := &cobra.Command{
		Use: "handover MACHINE --out FILE", Short: "write a book of its own for one machine, to go along to its buyer", GroupID: "book",
		Args: args(1, 1, "a machine"), ValidArgsFunction: a.completeMachine,
		Long: `Writes a new book with just this machine's records, what they were before they
were amended, what is attached to them, and the figures and plans of its model.
The buyer takes it in with shedbook import FILE, or looks into it with
shedbook --book FILE history MACHINE. Nothing of another machine is in it.

Drivers are letters (Driver A) in it, and their names in notes are masked, as
far as a note writes them as the book does. Photographs, papers and the rest of
the notes, such as one that names another machine, go along as they are: look at
them first.`,
		RunE: func(cmd *cobra.Command, given []string) error {
			if out == "" {
				return usage("for instance --out "+given[0]+".book", "--out is missing: name the file to write")
			}
			return a.view(cmd.Context(), func(b *store.Book) error {
				done, err := b.Handover(cmd.Context(), given[0], out, func(people []schema.Driver, log *schema.Log) store.Mask {
					if withNames {
						return report.MaskOthers(people, log)
					}
					return report.NewMasker(people, log)
				})
				if err != nil {
					return err
				}
				fmt.Fprintf(a.out, "%s written: %s with %s, %s and %s\n", out, render.Safe(done.Machine),
					count(done.Records, "record"), count(done.Earlier, "earlier version"), count(done.Attachments, "attachment"))
				switch {
				case len(done.Drivers) == 0:
				case withNames:
					fmt.Fprintf(a.out, "it names %s\n", render.Safe(strings.Join(done.Drivers, ", ")))
				default:
					fmt.Fprintf(a.out, "%s in it as letters\n", count(len(done.Drivers), "driver"))
				}
				return nil
			})
		},
	}
	c.Flags().StringVar(&out, "out", "", "the file to write; it must be a new one")
	c.Flags().BoolVar(&withNames, "with-names", false, "name the drivers of this machine; letters stand for them unless told")
	return c
}

// takeIn imports a machine's own book.
func (a *app) takeIn(ctx context.Context, path string, update, dryRun, asJSON bool) error {
	return a.record(ctx, func(b *store.Book) error {
		a.notMine(b)
		done, err := b.TakeIn(ctx, path, update, dryRun)
		if err != nil {
			if ctx.Err() != nil {
				return context.Canceled
			}
			return err
		}
		for _, s := range done.Conflicts {
			fmt.Fprintln(a.errOut, s)
		}
		for _, s := range done.Notes {
			fmt.Fprintln(a.errOut, "note: "+s)
		}
		if asJSON {
			if err := a.printJSON(done); err != nil {
				return err
			}
		} else {
			a.sayImported(&done.Imported, store.ImportOptions{DryRun: dryRun})
			if done.Kept {
				fmt.Fprintf(a.out, "%s is in the book with its history: shedbook history %s\n", render.Safe(done.Machine), schema.Quote(render.Safe(done.Machine)))
			}
		}
		if len(done.Conflicts) > 0 {
			fmt.Fprintf(a.errOut, "shedbook: %s: nothing was imported\n", count(len(done.Conflicts), "conflict"))
			return exitError(exitWords)
		}
		return nil
	})
}
