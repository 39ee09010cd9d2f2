package main

import (
	"github.com/spf13/cobra"

	"shedbook/store"
)

func (a *app) showVerb() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use: "show NUMBER", Short: "show a record and its earlier versions", GroupID: "look",
		Args: args(1, 1, "a record's number"),
		RunE: func(cmd *cobra.Command, given []string) error {
			if err := recordWord(given[0]); err != nil {
				return err
			}
			return a.view(cmd.Context(), func(b *store.Book) error {
				number, err := a.recordNumber(cmd.Context(), b, given[0])
				if err != nil {
					return err
				}
				return a.showRecord(cmd.Context(), b, number, asJSON)
			})
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}
