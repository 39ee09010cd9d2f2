package main

import (
	"strings"

	"github.com/spf13/cobra"

	"shedbook/store"
)

func (a *app) voidVerb() *cobra.Command {
	var why string
	c := &cobra.Command{
		Use: "void NUMBER --why REASON", Short: "strike a record out; no report counts it, and the book keeps it",
		GroupID: "record", Args: args(1, 1, "a record's number"),
		RunE: func(cmd *cobra.Command, given []string) error {
			if err := recordWord(given[0]); err != nil {
				return err
			}
			if strings.TrimSpace(why) == "" {
				return usage("for instance --why 'typed twice'", "--why is missing: say why you void the record")
			}
			return a.recordIn(cmd.Context(), func(b *store.Book) error {
				number, err := a.recordNumber(cmd.Context(), b, given[0])
				if err != nil {
					return err
				}
				was, err := a.statesOf(cmd.Context(), b, number)
				if err != nil {
					return err
				}
				found, err := b.Void(cmd.Context(), number, why)
				if err != nil {
					return err
				}
				a.notMine(b)
				s, err := b.Settings(cmd.Context())
				if err != nil {
					return err
				}
				a.say(0, "voided %s: %s, %s", nameOf(cmd.Context(), b, number), found.Kind.Name,
					describe(found.Kind, found.Current, s))
				if found.Kind.Name == "machine" {
					return nil
				}
				if err := a.sayMade(cmd.Context(), b, found.Current); err != nil {
					return err
				}
				return a.sayStates(cmd.Context(), b, was, found.Kind, found.Current)
			})
		},
	}
	c.Flags().StringVar(&why, "why", "", "why you void it")
	return c
}
