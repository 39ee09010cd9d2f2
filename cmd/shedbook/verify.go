package main

import (
	"context"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/render"
	"shedbook/schema"
	"shedbook/store"
)

func (a *app) verifyVerb() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use: "verify", Short: "check the whole book for damage", GroupID: "book",
		Args: args(0, 0, "no words, only options"),
		Long: "Reads every page, reference, table, record, earlier version and attached file of the\nbook, and says " +
			"what is damaged (exit code 4). Records that contradict each other are\ncounted as doubts; they are not " +
			"damage.",
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx := cmd.Context()
			return a.view(ctx, func(b *store.Book) error {
				found, err := b.Verify(ctx)
				if err != nil {
					return err
				}
				wrong, rows := 0, 0
				for _, f := range found {
					wrong += len(f.Wrong)
					if f.Check == "sums" {
						rows = len(f.Wrong)
					}
				}
				var doubts *int // none told of a damaged book: what it says of itself is worth nothing
				if wrong == 0 {
					n, err := countDoubts(ctx, b, a.now)
					if err != nil {
						return err
					}
					doubts = &n
				}
				if asJSON {
					out := struct {
						Sound  bool            `json:"sound"`
						Checks []store.Finding `json:"checks"`
						Doubts *int            `json:"doubts"`
					}{wrong == 0, found, doubts}
					if err := a.printJSON(out); err != nil {
						return err
					}
				} else {
					a.sayFound(found, doubts)
				}
				if wrong > 0 {
					says, hint := "is damaged",
						"leave it as it is, and go back to the last backup: shedbook restore FILE"
					if wrong == rows {
						says, hint = "has rows that the disk spoiled, or another program changed", store.HintChanged
					}
					fmt.Fprintf(a.errOut, "shedbook: the book %s %s\ntry: %s\n", b.Path(), says, hint)
					return exitError(exitBadBook)
				}
				return nil
			})
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

// countDoubts counts them machine by machine, so that a large book need not be
// held.
func countDoubts(ctx context.Context, b *store.Book, now time.Time) (int, error) {
	fleet, err := b.Common(ctx)
	if err != nil {
		return 0, err
	}
	s := report.Stream(fleet, func(yield func(func() *schema.Log) bool) {
		for log, logErr := range b.Logs(ctx) {
			if err = logErr; err != nil || !yield(func() *schema.Log { return &log }) {
				return
			}
		}
	}, now)
	s.Now = now
	found := report.Doubts(s)
	return len(found.Doubts), err
}

func (a *app) sayFound(found []store.Finding, doubts *int) {
	for _, f := range found {
		state := "sound"
		if len(f.Wrong) > 0 {
			state = "WRONG"
		}
		fmt.Fprintf(a.out, "%-17s %s  %s\n", f.Check, state, f.Says)
		for _, w := range f.Wrong {
			fmt.Fprintf(a.out, "  %s\n", render.Safe(w))
		}
	}
	switch {
	case doubts == nil:
	case *doubts == 0:
		fmt.Fprintf(a.out, "%-17s none\n", "doubts")
	default:
		fmt.Fprintf(a.out, "%-17s %d      to list them: shedbook doubts\n", "doubts", *doubts)
	}
}
