package main

import (
	"errors"
	"io/fs"

	"github.com/spf13/cobra"

	"shedbook/report/next"
	"shedbook/report/render"
	"shedbook/schema"
	"shedbook/store"
)

func (a *app) cautionsVerb() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use: "cautions [TOPIC]", Short: "what can hurt you, and how to stay safe", GroupID: "look",
		Args: args(0, 1, "a topic or nothing"),
		RunE: func(cmd *cobra.Command, words []string) error {
			list := next.Cautions()
			if len(words) > 0 {
				var err error
				if list, err = next.CautionOn(words[0]); err != nil {
					return usage("", "%s", err)
				}
			}
			var s schema.Settings // cautions need no book
			err := a.view(cmd.Context(), func(b *store.Book) (err error) {
				s, err = b.Settings(cmd.Context())
				return err
			})
			if err != nil && !errors.Is(err, fs.ErrNotExist) {
				s = nil
			}
			return render.Cautions(a.out, list, a.options(s, asJSON, false))
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}
