package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/render"
	"shedbook/report/say"
	"shedbook/schema"
	"shedbook/store"
)

func (a *app) handoverVerb() *cobra.Command {
	var out string
	var withNames bool
	c := &cobra.Command{
		Use: "handover MACHINE --out FILE", Short: "make a book with one machine only, for its buyer", GroupID: "book",
		Args: args(1, 1, "a machine"), ValidArgsFunction: a.completeMachine,
		Long: `Makes a new book with this machine's records only: their earlier versions, their
photographs and papers, and the figures and plans of its model. The buyer imports
it with shedbook import FILE, or reads it with
shedbook --book FILE history MACHINE. It has nothing of any other machine.

Drivers appear as letters (Driver A), and their names are masked in every text,
however they are spelled. Only you can recognise a nickname, or a note about
another machine: all texts in the new book are listed.
Read them, and look at the photographs and papers, before you give the file away.`,
		RunE: func(cmd *cobra.Command, given []string) error {
			if out == "" {
				return usage("for instance --out "+given[0]+".book", "--out is missing: name the file to write")
			}
			return a.view(cmd.Context(), func(b *store.Book) error {
				done, err := b.Handover(cmd.Context(), given[0], out,
					func(people []schema.Driver, log *schema.Log) store.Mask {
						if withNames {
							return report.MaskOthers(people, log)
						}
						return report.NewMasker(people, log)
					})
				if err != nil {
					return err
				}
				fmt.Fprintf(a.out, "%s written: %s with %s, %s and %s\n", out, render.Safe(done.Machine),
					say.Count(done.Records, "record"), say.Count(done.Earlier, "earlier version"),
					say.Count(done.Attachments, "attachment"))
				switch {
				case len(done.Drivers) == 0:
				case withNames:
					fmt.Fprintf(a.out, "it names %s\n", render.Safe(strings.Join(done.Drivers, ", ")))
				default:
					fmt.Fprintf(a.out, "letters stand for %s\n", say.Count(len(done.Drivers), "driver"))
				}
				for _, s := range done.Relabelled {
					fmt.Fprintf(a.out, "note: a driver is called the same: %s in it\n", render.Safe(s))
				}
				a.sayTexts(done, out)
				return nil
			})
		},
	}
	c.Flags().StringVar(&out, "out", "", "the file to write; it must be a new one")
	c.Flags().BoolVar(&withNames, "with-names", false, "give the drivers' names (default: letters)")
	return c
}

// maxTexts is how many texts are listed to be read; the rest are counted.
const maxTexts = 50

// sayTexts lists what goes along as it was written.
func (a *app) sayTexts(done *store.HandedOver, out string) {
	if len(done.Texts) == 0 {
		return
	}
	fmt.Fprintln(a.out,
		"read these before you give it away; they may contain a nickname, an address or another machine:")
	for _, t := range done.Texts[:min(len(done.Texts), maxTexts)] {
		often := ""
		if t.Times > 1 {
			often = fmt.Sprintf(", and %d more times", t.Times-1)
		}
		fmt.Fprintf(a.out, "  record %d, %s%s: %s\n", t.Record, t.Field, often,
			render.Safe(strings.Join(strings.Fields(t.Text), " ")))
	}
	if n := len(done.Texts) - maxTexts; n > 0 {
		fmt.Fprintf(a.out, "and %s more: shedbook --book %s export DIR writes them all\n",
			say.Count(n, "text"), schema.Quote(out))
	}
	if done.Attachments > 0 {
		fmt.Fprintf(a.out, "look at the attached files, too: %s\n", say.Count(done.Attachments, "file"))
	}
}

// takeIn imports a machine's own book.
func (a *app) takeIn(ctx context.Context, path string, update, dryRun, asJSON bool) error {
	return a.record(ctx, func(b *store.Book) error {
		a.notMine(b)
		written, was, err := a.before(ctx, b, update)
		if err != nil {
			return err
		}
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
				fmt.Fprintf(a.out, "%s is in the book with its history: shedbook history %s\n",
					render.Safe(done.Machine), schema.Quote(render.Safe(done.Machine)))
				if err := a.sayImportedStates(ctx, b, written, was, &done.Imported); err != nil {
					return err
				}
			}
		}
		if len(done.Conflicts) > 0 {
			fmt.Fprintf(a.errOut, "shedbook: %s: nothing was imported\n", say.Count(len(done.Conflicts), "conflict"))
			return exitError(exitWords)
		}
		return nil
	})
}
