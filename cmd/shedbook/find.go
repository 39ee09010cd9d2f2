package main

import (
	"encoding/json"
	"strings"

	"github.com/spf13/cobra"

	"shedbook/report/render"
	"shedbook/schema"
	"shedbook/store"
)

func (a *app) findVerb() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use: "find WORDS", Short: "look up records by words in them", GroupID: "look",
		Args: args(1, -1, "the words to look for"),
		Long: "Finds records that contain all the words in a note, work, part or name. Capitals do\nnot matter, and " +
			"part of a word is enough. Newest first.",
		RunE: func(cmd *cobra.Command, given []string) error {
			return a.view(cmd.Context(), func(b *store.Book) error {
				s, err := b.Settings(cmd.Context())
				if err != nil {
					return err
				}
				hits, err := b.Find(cmd.Context(), strings.Fields(strings.Join(given, " "))...)
				if err != nil {
					return err
				}
				if asJSON {
					objects := make([]json.RawMessage, len(hits))
					for i, h := range hits {
						objects[i] = h.Kind.JSON(h.Record, s.Zone())
					}
					return render.Print(a.out, objects, a.options(s, true, false), nil)
				}
				for _, h := range hits {
					k := h.Kind
					says := describe(k, h.Record, s)
					if note := k.Text(h.Record, "note"); note != "" {
						says += " (" + note + ")"
					}
					a.say(9, "%-8d %s, %s", k.Meta(h.Record).Number, k.Name, says)
				}
				if len(hits) == 0 {
					a.say(0, "no record contains %s", schema.Quote(strings.Join(given, " ")))
				}
				return nil
			})
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}
