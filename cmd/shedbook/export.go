package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"shedbook/schema"
	"shedbook/store"
)

func (a *app) exportVerb() *cobra.Command {
	return &cobra.Command{
		Use: "export DIR", Short: "write the whole book as sheets into a directory", GroupID: "book", Args: args(1, 1, "a directory"),
		Long: "Writes every sheet of the book into the directory, which is made if need be. A file\nthat is there already is replaced. Earlier versions of amended records stay in the book.",
		RunE: func(cmd *cobra.Command, given []string) error {
			return a.view(cmd.Context(), func(b *store.Book) error {
				if err := os.MkdirAll(given[0], 0o700); err != nil {
					return err
				}
				var names []string
				err := b.Export(cmd.Context(), func(k *schema.Kind) (io.WriteCloser, error) {
					names = append(names, k.Sheet+".csv")
					return newFile(filepath.Join(given[0], k.Sheet+".csv"))
				})
				if err == nil {
					fmt.Fprintf(a.out, "%s written to %s\n", count(len(names), "sheet"), given[0])
				}
				return err
			})
		},
	}
}

// replacing is a file that takes its name only once it is whole.
type replacing struct {
	*os.File
	name string
}

func newFile(name string) (io.WriteCloser, error) {
	f, err := os.CreateTemp(filepath.Dir(name), "."+filepath.Base(name)+"-*")
	if err != nil {
		return nil, err
	}
	return &replacing{f, name}, nil
}

func (r *replacing) Close() error {
	err := r.File.Sync()
	if e := r.File.Close(); err == nil {
		err = e
	}
	if err == nil {
		err = os.Rename(r.File.Name(), r.name)
	}
	if err != nil {
		os.Remove(r.File.Name())
	}
	return err
}
