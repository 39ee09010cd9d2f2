package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"shedbook/store"
)

func (a *app) backupVerb() *cobra.Command {
	return &cobra.Command{
		Use: "backup FILE", Short: "copy the book to a new file, and check the copy", GroupID: "book",
		Args: args(1, 1, "one new file"),
		Long: `Copies the book to a new file, as it is at this moment. Others can go on recording.
The copy is read back and its rows are counted before it gets its name. A file that
is already there is never replaced, so put the day in the name, such as
shedbook backup /mnt/usb/shedbook-$(date +%F).db

To go back to a backup: shedbook restore FILE.`,
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
