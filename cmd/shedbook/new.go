package main

import (
	"cmp"
	"errors"
	"io/fs"
	"os"

	"github.com/spf13/cobra"

	"shedbook/schema"
	"shedbook/store"
)

func (a *app) newVerb() *cobra.Command {
	var zone, units string
	c := &cobra.Command{
		Use: "new", Short: "make a new book", GroupID: "book", Args: args(0, 0, "no words, only options"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			path, err := a.bookPath()
			if err != nil {
				return err
			}
			if info, err := os.Stat(path); err == nil && info.Size() > 0 {
				b, err := store.View(cmd.Context(), path)
				if err != nil {
					return err
				}
				empty, err := b.Empty(cmd.Context())
				var has schema.Settings
				if err == nil {
					has, err = b.Settings(cmd.Context())
				}
				b.Close()
				if err != nil {
					return err
				}
				// What it is set to already stays, unless told otherwise.
				zone, units = cmp.Or(zone, has["time-zone"]), cmp.Or(units, has["units"])
				if !empty { // one that nothing was put into yet, by a first command that failed, is as good as none
					return usage("to change its time zone or units: shedbook set", "%s is already a book", path)
				}
			} else if err != nil && !errors.Is(err, fs.ErrNotExist) {
				return err
			}
			if err := checkSettings(zone, units); err != nil {
				return err
			}
			b, err := store.Create(cmd.Context(), path, a.clock)
			if err != nil {
				return err
			}
			defer b.Close()
			if err := a.settle(cmd.Context(), b, zone, units); err != nil {
				return err
			}
			return a.sayNew(cmd.Context(), a.out, b, path)
		},
	}
	c.Flags().StringVar(&zone, "time-zone", "",
		"the yard's time zone: a name, UTC+2 or +02:00 (default: this computer's)")
	c.Flags().StringVar(&units, "units", "", "units to show: metric or us (default: metric)")
	return c
}
