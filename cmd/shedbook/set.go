package main

import (
	"cmp"
	"fmt"
	"maps"
	"slices"

	"github.com/spf13/cobra"

	"shedbook/schema"
	"shedbook/store"
)

// checkSettings judges a zone and units before anything is made.
func checkSettings(zone, units string) error {
	for _, s := range []schema.Setting{{Key: "time-zone", Value: zone}, {Key: "units", Value: units}} {
		if s.Value != "" && s.Value != "local" {
			if err := s.Validate(); err != nil {
				return err
			}
		}
	}
	return nil
}

func (a *app) setVerb() *cobra.Command {
	return &cobra.Command{
		Use: "set [SETTING [VALUE]]", Short: "show or change the book's settings", GroupID: "book",
		Long: "Shows all settings or one, or changes one. An empty value ('') sets the default again.\nminutes.CHECK " +
			"and prior.CAUSE tell `next` how long a check takes in your yard, and\nhow common a cause is there.",
		Args: args(0, 2, "a setting and its new value"),
		RunE: func(cmd *cobra.Command, words []string) error {
			if len(words) == 2 {
				s := schema.Setting{Key: words[0], Value: words[1]}
				if s.Value != "" {
					if err := s.Validate(); err != nil {
						return err
					}
				}
				return a.record(cmd.Context(), func(b *store.Book) error {
					if err := b.Set(cmd.Context(), s); err != nil {
						return err
					}
					all, err := b.Settings(cmd.Context())
					if err == nil {
						fmt.Fprintf(a.out, "%s is now %s\n", s.Key, cmp.Or(all.Get(s.Key), "not set"))
					}
					return err
				})
			}
			return a.view(cmd.Context(), func(b *store.Book) error {
				all, err := b.Settings(cmd.Context())
				if err != nil {
					return err
				}
				shown := 0
				for _, k := range schema.SettingKeys {
					if len(words) == 0 || words[0] == k.Key {
						a.say(38, "%-18s %-18s %s", k.Key, all.Get(k.Key), k.Help)
						shown++
					}
				}
				for _, key := range slices.Sorted(maps.Keys(all)) {
					if !isSetting(key) && (len(words) == 0 || words[0] == key) {
						fmt.Fprintf(a.out, "%-18s %s\n", key, all[key])
						shown++
					}
				}
				if shown == 0 {
					s := schema.Setting{Key: words[0], Value: "1"}
					if err := s.Validate(); err != nil {
						return err
					}
					fmt.Fprintf(a.out, "%s is not set\n", words[0])
				}
				return nil
			})
		},
	}
}

func isSetting(key string) bool {
	return slices.ContainsFunc(schema.SettingKeys, func(k struct {
		Key, Default,
		Help string
	}) bool {
		return k.Key == key
	})
}
