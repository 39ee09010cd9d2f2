package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"shedbook/report/say"
	"shedbook/schema"
	"shedbook/store"
)

func (a *app) exportVerb() *cobra.Command {
	var workbook string
	c := &cobra.Command{
		Use: "export DIR | --xlsx FILE", Short: "write the whole book to sheets, or to a workbook", GroupID: "book",
		Args: args(0, 1, "a directory"),
		Long: `Writes all the book's sheets to a directory, which is made if it is not there. With
--xlsx it writes a workbook with a tab for each kind: fill it in and import it again.
A file that is already there is replaced. Earlier versions of corrected records stay
in the book and are not written.`,
		RunE: func(cmd *cobra.Command, given []string) error {
			if (workbook == "") == (len(given) == 0) {
				return usage("for instance: shedbook export sheets, or shedbook export --xlsx book.xlsx",
					"name a directory or, with --xlsx, a workbook")
			}
			return a.view(cmd.Context(), func(b *store.Book) error {
				if workbook != "" {
					err := toFile(workbook, func(w io.Writer) error { return b.ExportWorkbook(cmd.Context(), w) })
					if err == nil {
						fmt.Fprintf(a.out, "the book written to %s\n", workbook)
					}
					return err
				}
				n, err := a.exportTo(cmd.Context(), b, given[0])
				if err == nil {
					fmt.Fprintf(a.out, "%s written to %s\n", say.Count(n, "sheet"), given[0])
				}
				return err
			})
		},
	}
	c.Flags().StringVar(&workbook, "xlsx", "", "write a workbook to this file instead")
	return c
}

// exportTo writes the book's sheets into a directory and counts them. They take
// their names once all are whole.
func (a *app) exportTo(ctx context.Context, b *store.Book, dir string) (int, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return 0, err
	}
	var files []*replacing
	written := map[*schema.Kind]bool{}
	defer func() {
		for _, f := range files {
			f.discard()
		}
	}()
	err := b.Export(ctx, func(k *schema.Kind) (io.WriteCloser, error) {
		name := filepath.Join(dir, k.Sheet+".csv")
		if info, err := os.Lstat(name); err == nil && !info.Mode().IsRegular() { // somebody else may have put it there
			return nil, usage("move it away, or name another directory",
				"%s is a link or not a file: no sheet is written there", name)
		}
		f, err := beginFile(name)
		if err != nil {
			return nil, err
		}
		files = append(files, f)
		written[k] = true
		return f, nil
	})
	for _, f := range files {
		if err == nil {
			err = f.replace()
		}
	}
	if err != nil {
		return 0, err
	}
	// An earlier export's, or somebody's own.
	for _, k := range schema.Kinds {
		name := k.Sheet + ".csv"
		if _, err := os.Lstat(filepath.Join(dir, name)); err == nil && !written[k] {
			fmt.Fprintf(a.errOut, "note: %s is already in %s and was not touched: the book has no %s\n", name, dir,
				k.Sheet)
		}
	}
	return len(written), nil
}

// replacing is a file that takes its name only once it is whole: see replace.
type replacing struct {
	*os.File
	name string
	done func()
}

// newFile begins the file that will have a name; where a link has it, the file
// that the link leads to. What is no file, such as /dev/null, is left alone.
func newFile(name string) (*replacing, error) {
	if info, err := os.Stat(name); err == nil && !info.Mode().IsRegular() {
		return nil, usage("name a file, such as "+filepath.Join(os.TempDir(), "page.html"),
			"%s is not a file to write to", name)
	}
	if there, err := filepath.EvalSymlinks(name); err == nil {
		name = there
	}
	return beginFile(name)
}

// beginFile is newFile where a link is not followed.
func beginFile(name string) (*replacing, error) {
	dir, done, err := store.Passing(filepath.Dir(name))
	if err != nil {
		return nil, called(name, err)
	}
	f, err := os.OpenFile(filepath.Join(dir, filepath.Base(name)), os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		done()
		return nil, called(name, err)
	}
	return &replacing{f, name, done}, nil
}

// called is an error under the user's word for the file.
func called(name string, err error) error {
	var path *fs.PathError
	if errors.As(err, &path) {
		path.Path = name
	}
	return err
}

func (r *replacing) Write(p []byte) (int, error) {
	n, err := r.File.Write(p)
	return n, called(r.name, err)
}

// Close makes what was written last.
func (r *replacing) Close() error { return called(r.name, errors.Join(r.Sync(), r.File.Close())) }

// replace gives the closed file its name.
func (r *replacing) replace() error { return os.Rename(r.File.Name(), r.name) }

// discard takes away what has not got its name.
func (r *replacing) discard() {
	r.File.Close()
	r.done()
}

// toFile writes a file that is there whole, or as it was before.
func toFile(name string, write func(io.Writer) error) error {
	f, err := newFile(name)
	if err != nil {
		return err
	}
	defer f.discard()
	if err := write(f); err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	return f.replace()
}
