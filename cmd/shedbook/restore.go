package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"shedbook/store"
)

func (a *app) restoreVerb() *cobra.Command {
	return &cobra.Command{
		Use: "restore FILE", Short: "put a backup in the book's place", GroupID: "book", Args: args(1, 1, "one file, a backup"),
		Long: `Reads the backup through first, as verify does, and changes nothing where it is
not sound. Then a copy of it takes the book's place. The book of before is kept
beside it under another name, with whatever a killed program left beside it.
Never copy a backup over the book yourself: what was left beside the old book
would be mixed into it.`,
		RunE: func(cmd *cobra.Command, given []string) error {
			path, err := a.bookPath()
			if err != nil {
				return err
			}
			kept, err := store.Restore(cmd.Context(), path, given[0], a.now)
			if err != nil {
				return err
			}
			says := "there was none before"
			if kept != "" {
				says = "the one of before is kept as " + kept
			}
			fmt.Fprintf(a.out, "%s is now the book as %s has it, read through and sound; %s\n", path, given[0], says)
			return nil
		},
	}
}
