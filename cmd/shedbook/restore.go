package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"shedbook/store"
)

func (a *app) restoreVerb() *cobra.Command {
	return &cobra.Command{
		Use: "restore FILE", Short: "go back to a backup", GroupID: "book", Args: args(1, 1, "one file, a backup"),
		Long: `Checks the backup first, as verify does, and changes nothing if it is damaged. Then
a copy of it replaces the book. The old book is kept beside it under another name,
with its leftover files if a program was killed.
Never copy a backup over the book yourself: leftover files of the old book would be
mixed into it.`,
		RunE: func(cmd *cobra.Command, given []string) error {
			path, err := a.bookPath()
			if err != nil {
				return err
			}
			kept, err := store.Restore(cmd.Context(), path, given[0], a.now)
			if err != nil {
				return err
			}
			says := "there was no book before"
			if kept != "" {
				says = "the old book is kept as " + kept
			}
			fmt.Fprintf(a.out, "%s is now a copy of %s, checked and sound; %s\n", path, given[0], says)
			return nil
		},
	}
}
