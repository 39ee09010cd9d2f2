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
	var workbook string
	c := &cobra.Command{
		Use: "export DIR | --xlsx FILE", Short: "write the whole book as sheets into a directory, or as a workbook", GroupID: "book", Args: args(0, 1, "a directory"),
		Long: `Writes every sheet of the book into the directory, which is made if need be, or
with --xlsx a workbook with a tab for each, to be filled in and imported again.
A file that is there already is replaced. Earlier versions of amended records
stay in the book.`,
		RunE: func(cmd *cobra.Command, given []string) error {
			if (workbook == "") == (len(given) == 0) {
				return usage("for instance: shedbook export sheets, or shedbook export --xlsx book.xlsx", "name a directory or, with --xlsx, a workbook")
			}
			return a.view(cmd.Context(), func(b *store.Book) error {
				if workbook != "" {
					err := toFile(workbook, func(w io.Writer) error { return b.ExportWorkbook(cmd.Context(), w) })
					if err == nil {
						fmt.Fprintf(a.out, "the book written to %s\n", workbook)
					}
					return err
				}
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
	c.Flags().StringVar(&workbook, "xlsx", "", "write a workbook to this file instead")
	return c
}

// replacing is a file that takes its name only once it is whole.
type replacing struct {
	*os.File
	name string
}

func newFile(name string) (*replacing, error) {
	f, err := os.CreateTemp(filepath.Dir(name), "."+filepath.Base(name)+"-*")
	if err != nil {
		return nil, err
	}
	return &replacing{f, name}, nil
}

// toFile writes a file that is there whole, or as it was before.
func toFile(name string, write func(io.Writer) error) error {
	f, err := newFile(name)
	if err != nil {
		return err
	}
	if err := write(f); err != nil {
		f.File.Close()
		os.Remove(f.File.Name())
		return err
	}
	return f.Close()
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
