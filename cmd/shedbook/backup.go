package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"shedbook/store"
)

func (a *app) backupVerb() *cobra.Command {
	return &cobra.Command{
		Use: "backup FILE", Short: "copy the book to a new file, and read the copy back", GroupID: "book", Args: args(1, 1, "one new file"),
		Long: `Copies the book, as it is at one moment, to a new file; others may write to the
book meanwhile. The copy is read back and its rows are counted before it takes
its name. A file that is there already is never replaced: put the day in the
name, such as shedbook backup /mnt/usb/shedbook-$(date +%F).db

To go back to it: shedbook restore FILE.`,
		RunE: func(cmd *cobra.Command, given []string) error {
			return a.view(cmd.Context(), func(b *store.Book) error {
				rows, err := b.Backup(cmd.Context(), given[0])
				if err != nil {
					return err
				}
				total := int64(0)
				for _, n := range rows {
					total += n
				}
				fmt.Fprintf(a.out, "%s written and read back: %d rows in %d tables\n", given[0], total, len(rows))
				return nil
			})
		},
	}
}
