package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"shedbook/report/render"
	"shedbook/report/say"
	"shedbook/store"
)

func (a *app) exchangeVerb() *cobra.Command {
	var out, in string
	var since int64
	var follow bool
	c := &cobra.Command{
		Use: "exchange [--follow] | --out FILE | --in FILE...", Short: "bring records from depot to depot",
		GroupID: "book", Args: cobra.ArbitraryArgs,
		Long: `Without --out and --in: sends what waits to the company's hub, and takes in what the
others sent there. With --follow goes on, as a service, until it is stopped. If there is
no hub to be reached, what waits stays (exit code 1).

With --out writes what all depots recorded, as far as it is known here, to a file: for
a stick, or a mail. With --in takes such files in, in any order and as often as you
like: what is here already is passed over. What stands on something that is not here
yet is held back, and tried again with the next file; shedbook depot tells of it.

A file holds everything that was recorded, with the names of drivers: keep it as you
keep the book.`,
		RunE: func(cmd *cobra.Command, given []string) error {
			ctx := cmd.Context()
			switch {
			case out != "" && in != "", follow && (out != "" || in != ""):
				return usage("for instance: shedbook exchange --out stick.bundles", "give --out FILE or --in FILE, or "+
					"neither")
			case out == "" && in == "" && len(given) > 0:
				return usage("for instance: shedbook exchange --in stick.bundles", "give --in before the file's name")
			case out == "" && in == "" && !cmd.Flags().Changed("since"):
				return a.exchangeByHub(ctx, follow)
			case out == "" && in == "":
				return usage("", "--since goes with --out")
			case out != "" && len(given) > 0, in == "" && len(given) > 0:
				return usage("shedbook exchange --help shows how", "shedbook exchange --out takes one file")
			case in != "" && cmd.Flags().Changed("since"):
				return usage("", "--since goes with --out")
			case cmd.Flags().Changed("since") && since < 1:
				return usage("", "--since %d should be 1 or more", since)
			}
			if out != "" {
				return a.recordIn(ctx, func(b *store.Book) error { return a.writeBundles(ctx, b, out, since) })
			}
			var bundles []*store.Bundle
			for _, name := range append([]string{in}, given...) {
				some, err := readBundles(name)
				if err != nil {
					return err
				}
				bundles = append(bundles, some...)
			}
			return a.recordIn(ctx, func(b *store.Book) error {
				took, err := b.TakeBundles(ctx, bundles)
				if err != nil {
					return err
				}
				return a.sayTook(ctx, b, took)
			})
		},
	}
	c.Flags().BoolVar(&follow, "follow", false, "go on until it is stopped")
	c.Flags().StringVar(&out, "out", "", "write to this file")
	c.Flags().StringVar(&in, "in", "", "take in this file, and those named behind it")
	c.Flags().Int64Var(&since, "since", 1, "of this depot's own entries only those from this number on")
	return c
}

func (a *app) writeBundles(ctx context.Context, b *store.Book, name string, since int64) error {
	var file bytes.Buffer
	wrote, err := b.WriteBundles(ctx, since, &file)
	if err == nil {
		err = toFile(name, func(w io.Writer) error {
			_, err := w.Write(file.Bytes())
			return err
		})
	}
	if err == nil {
		a.say(0, "%s written: %s", name, byDepot(wrote))
	}
	return err
}

// byDepot says how many entries are of which depot.
func byDepot(entries map[string]int64) string {
	var parts []string
	for _, mark := range slices.Sorted(maps.Keys(entries)) {
		if n := entries[mark]; n > 0 {
			parts = append(parts, fmt.Sprintf("%s of %s", say.Count(int(n), "entry", "entries"), mark))
		}
	}
	if len(parts) == 0 {
		return "no entries"
	}
	return strings.Join(parts, ", ")
}

// sayTook says what came of bundles, and what is held back.
func (a *app) sayTook(ctx context.Context, b *store.Book, took *store.TookBundles) error {
	says := "taken in: " + byDepot(took.Entries)
	if took.Known > 0 {
		says += fmt.Sprintf("; %s here already", say.Count(int(took.Known), "entry", "entries"))
	}
	a.say(0, "%s", says)
	depots, err := b.Depots(ctx)
	for _, d := range depots {
		for _, h := range d.Held {
			fmt.Fprintf(a.errOut, "held back, %s of %s from %d on: %s\n", say.Count(int(h.Entries), "entry", "entries"),
				render.Safe(d.Mark), h.First, render.Safe(h.Why))
		}
	}
	return err
}
