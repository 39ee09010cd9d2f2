package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"shedbook/report/render"
	"shedbook/report/say"
	"shedbook/schema"
	"shedbook/schema/unit"
	"shedbook/store"
	"shedbook/store/sheet"
)

func (a *app) importVerb() *cobra.Command {
	var as, skipBad, template, workbook, dates string
	var update, dryRun, asJSON bool
	c := &cobra.Command{
		Use: "import FILE|DIR...", Short: "read sheets into the book: all rows or none", GroupID: "book",
		Args: args(0, -1, "files or directories"),
		Long: `Reads sheets into the book: CSV files named after their kind (runs.csv), or any file
with --as runs. A directory means every sheet in it; a workbook (.xlsx) means every
tab named after a kind. If one row is bad, nothing is imported, and every bad row is
listed. Importing the same sheet again adds nothing. A row that you changed since is
listed as a conflict; with --update it corrects its record.
A book made by handover is imported whole, with its photographs and papers.
A sheet of outings makes their runs, levels and overheats, as back does, unless sheets
of those or of machines are imported with it, as they are in an export.
--template runs prints an empty sheet to fill in. With --xlsx FILE you get a
workbook, with lists of the allowed words to choose from.`,
		RunE: func(cmd *cobra.Command, given []string) error {
			var kind *schema.Kind
			for _, name := range []string{as, template} {
				if name == "" {
					continue
				}
				if kind = schema.KindNamed(strings.ToLower(name)); kind == nil {
					return usage("there are "+strings.Join(sheetNames(), ", "), "%s is not a kind of sheet",
						unit.Quote(name))
				}
			}
			if template != "" {
				return a.template(cmd.Context(), kind, workbook)
			}
			if workbook != "" {
				return usage("shedbook import "+workbook,
					"--xlsx works only with --template; to import a workbook, just name it")
			}
			if len(given) == 0 {
				return usage("for instance: shedbook import runs.csv", "name the files or directories to import")
			}
			var open closers
			defer open.Close()
			piped := map[string]string{} // by the file: what it was called
			for i, path := range given {
				file, err := a.readable(path, &open)
				if err != nil {
					return err
				}
				given[i], piped[file] = file, path
				if file != path && as == "" && !store.IsBook(file) && !sheet.IsWorkbook(file) {
					return usage("say it with --as, one of "+strings.Join(sheetNames(), ", "),
						"the name %s does not say what kind of sheet it is", path)
				}
			}
			for _, path := range given {
				if store.IsBook(path) {
					if len(given) > 1 || as != "" || skipBad != "" {
						return usage("shedbook import "+path, "%s is a book: import it alone", path)
					}
					return a.takeIn(cmd.Context(), path, update, dryRun, asJSON)
				}
			}
			if o := unit.Order(dates); dates != "" && o != unit.DayFirst && o != unit.MonthFirst {
				return usage("", "--dates %q: write dmy (day first) or mdy (month first)", dates)
			}
			sources, err := a.sources(given, kind, &open)
			if err != nil {
				return err
			}
			for i := range sources {
				if name, ok := piped[sources[i].Name]; ok {
					sources[i].Name = name
				}
			}
			return a.importSheets(cmd.Context(), sources, skipBad,
				store.ImportOptions{Update: update, DryRun: dryRun, Dates: unit.Order(dates)}, asJSON)
		},
	}
	c.Flags().StringVar(&as, "as", "", "the kind of sheet: "+strings.Join(sheetNames(), ", "))
	c.Flags().StringVar(&skipBad, "skip-bad", "",
		"import the good rows; write the bad ones to this file, each with the reason")
	c.Flags().BoolVar(&update, "update", false,
		"correct the record where a row has its ref but differs, or is almost equal to it")
	c.Flags().BoolVar(&dryRun, "dry-run", false, "only say what would be done")
	c.Flags().StringVar(&dates, "dates", "",
		"how to read dates such as 3/4/2026: dmy or mdy (default: as the book is set)")
	c.Flags().StringVar(&template, "template", "",
		"print an empty sheet of this kind, with the allowed words; import nothing")
	c.Flags().StringVar(&workbook, "xlsx", "", "write the empty sheet as a workbook to this file")
	c.Flags().BoolVar(&asJSON, "json", false, "print the result as JSON")
	return c
}

// readable is the file to read for a path: itself or, of what is piped in, all of
// it in a file of its own, since it is looked into more than once. Another pipe
// is refused: to open it would be to wait for its writer.
func (a *app) readable(path string, open *closers) (string, error) {
	info, err := os.Stat(path)
	if err != nil || info.Mode().IsRegular() || info.IsDir() {
		return path, err
	}
	var in io.Reader
	switch {
	case path == "/dev/stdin":
		in = a.in
	case strings.HasPrefix(path, "/dev/fd/"):
		f, err := os.Open(path)
		if err != nil {
			return "", err
		}
		defer f.Close()
		in = f
	default:
		return "", usage("name a file, or /dev/stdin for piped input", "%s is not a file", path)
	}
	dir, done, err := store.Passing(os.TempDir())
	if err != nil {
		return "", err
	}
	*open = append(*open, closing(func() error { done(); return nil }))
	f, err := os.Create(filepath.Join(dir, "stdin"))
	if err != nil {
		return "", err
	}
	_, err = io.Copy(f, in)
	return f.Name(), errors.Join(err, f.Close())
}

type closing func() error

func (c closing) Close() error { return c() }

// closers are workbooks and directories that stay open while their sheets are
// read.
type closers []io.Closer

func (c *closers) Close() error {
	var err error
	for _, x := range *c {
		err = errors.Join(err, x.Close())
	}
	return err
}

func sheetNames() []string {
	var names []string
	for _, k := range schema.Kinds {
		names = append(names, k.Sheet)
	}
	return names
}

func (a *app) template(ctx context.Context, k *schema.Kind, workbook string) error {
	known := a.names(ctx)
	if workbook == "" {
		return sheet.Template(a.out, k, known)
	}
	if _, err := os.Lstat(workbook); err == nil { // it may have been filled in
		return usage("name another file, or move the old one away", "%s already exists", workbook)
	}
	if err := toFile(workbook, func(out io.Writer) error {
		w, err := sheet.NewWorkbookWriter(out, []*schema.Kind{k}, known)
		if err != nil {
			return err
		}
		return w.Close()
	}); err != nil {
		return err
	}
	a.wrote(workbook)
	return nil
}

// sources finds the sheets behind the words given.
func (a *app) sources(given []string, as *schema.Kind, open *closers) ([]store.Source, error) {
	var out []store.Source
	for _, path := range given {
		info, err := os.Stat(path)
		if err != nil {
			return nil, err
		}
		if !info.IsDir() {
			find := func() ([]store.Source, error) { return fileSources(path, as) }
			if sheet.IsWorkbook(path) {
				find = func() ([]store.Source, error) { return a.workbookSources(path, as, open) }
			}
			found, err := find()
			if err != nil {
				return nil, err
			}
			out = append(out, found...)
			continue
		}
		if as != nil {
			return nil, usage("name the file itself", "--as works with one file, and %s is a directory", path)
		}
		found, err := a.dirSources(path, open)
		if err != nil {
			return nil, err
		}
		out = append(out, found...)
	}
	return out, nil
}

// dirSources are the sheets of a directory. A link in it is followed only
// within it.
func (a *app) dirSources(path string, open *closers) ([]store.Source, error) {
	root, err := os.OpenRoot(path)
	if err != nil {
		return nil, err
	}
	*open = append(*open, root)
	entries, err := fs.ReadDir(root.FS(), ".")
	if err != nil {
		return nil, err
	}
	var out []store.Source
	for _, e := range entries {
		name := e.Name()
		ext := strings.ToLower(filepath.Ext(name))
		if !e.IsDir() && ext == ".xlsx" {
			fmt.Fprintf(a.errOut, "%s: skipped, name a workbook by itself\n", filepath.Join(path, name))
		}
		if e.IsDir() || ext != ".csv" && ext != ".tsv" {
			continue
		}
		if info, err := root.Stat(name); err == nil && !info.Mode().IsRegular() { // a pipe would be waited for
			return nil, usage("take it out of the directory", "%s is not a file", filepath.Join(path, name))
		}
		k := kindOfFile(name)
		if k == nil {
			fmt.Fprintf(a.errOut, "%s: skipped, not the name of a sheet (import it alone with --as)\n",
				filepath.Join(path, name))
			continue
		}
		out = append(out, store.Source{Name: name, Kind: k, Open: func() (io.ReadCloser, error) {
			f, err := root.Open(name)
			if err != nil {
				return nil, fmt.Errorf("%s: %w", filepath.Join(path, name), err)
			}
			return f, nil
		}})
	}
	if len(out) == 0 {
		return nil, usage("sheets are named after their kind, such as runs.csv", "there is no sheet in %s", path)
	}
	return out, nil
}

// workbookSources are the tabs of a workbook that are named after a kind, or
// its only tab.
func (a *app) workbookSources(path string, as *schema.Kind, open *closers) ([]store.Source, error) {
	w, err := sheet.OpenWorkbook(path)
	var none *sheet.Error
	if errors.As(err, &none) {
		return nil, usage("", "%s", err)
	} else if err != nil {
		return nil, err
	}
	*open = append(*open, w)
	w.Note = func(s string) {
		a.progressDone()
		fmt.Fprintln(a.errOut, "note: "+render.Safe(s))
	}
	var out []store.Source
	var seen []string
	for _, tab := range w.Tabs() {
		k := schema.KindNamed(strings.ToLower(strings.TrimSpace(tab.Name)))
		if !tab.Hidden {
			seen = append(seen, tab.Name)
		}
		switch {
		case as != nil && !tab.Hidden:
			k = as
		case as != nil, tab.Hidden && k == nil: // such as the lists of an exported workbook
			continue
		case tab.Hidden:
			fmt.Fprintf(a.errOut, "%s: skipped, the tab is hidden\n", w.Named(tab))
			continue
		case k == nil:
			fmt.Fprintf(a.errOut, "%s: skipped, not the name of a sheet\n", w.Named(tab))
			continue
		}
		out = append(out, store.Source{Name: w.Named(tab), Kind: k,
			Open: func() (io.ReadCloser, error) { return w.Open(tab) }})
	}
	if as != nil && len(out) != 1 {
		return nil, usage("name each tab after its kind, and leave --as out",
			"--as works with a workbook of one tab: %s has %s", path, tabNames(seen))
	}
	if len(out) == 0 {
		return nil, usage("name each tab after its kind, such as runs; for a workbook of one tab use --as",
			"no tab of %s is a sheet: it has %s", path, tabNames(seen))
	}
	return out, nil
}

// tabNames are the names of tabs, not too many.
func tabNames(names []string) string {
	const most = 20
	if n := len(names); n > most {
		return strings.Join(names[:most], ", ") + fmt.Sprintf(" and %d more", n-most)
	}
	return strings.Join(names, ", ")
}

func kindOfFile(name string) *schema.Kind {
	return schema.KindNamed(strings.ToLower(strings.TrimSuffix(filepath.Base(name), filepath.Ext(name))))
}

// fileSources are the sheets of one file: itself, or, where its first column
// says so, several kinds set aside before.
func fileSources(path string, as *schema.Kind) ([]store.Source, error) {
	open := func() (io.ReadCloser, error) { return os.Open(path) }
	if as == nil {
		f, err := os.Open(path)
		if err != nil {
			return nil, err
		}
		defer f.Close()
		parts, err := sheet.Split(f, path)
		if err != nil {
			return nil, usage("", "%s", err)
		}
		if parts != nil {
			var out []store.Source
			for _, k := range schema.Kinds {
				if text, ok := parts[k]; ok {
					out = append(out, store.Source{Name: path, Kind: k,
						Open: func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(text)), nil }})
				}
			}
			return out, nil
		}
		if as = kindOfFile(path); as == nil {
			return nil, usage("say it with --as, one of "+strings.Join(sheetNames(), ", "),
				"the name %s does not say what kind of sheet it is", path)
		}
	}
	return []store.Source{{Name: path, Kind: as, Open: open}}, nil
}

// maxListed is how many bad rows are listed by line; the rest are counted.
const maxListed = 10_000

func (a *app) importSheets(ctx context.Context, sources []store.Source, skipBad string, o store.ImportOptions,
	asJSON bool) error {
	set, err := a.setAside(skipBad, sources)
	if err != nil {
		return err
	}
	o.SkipBad = set != nil
	if o.DryRun && set != nil { // it could be made: nothing more is asked
		set.discard()
		set = nil
	}
	listed, hint := 0, ""
	o.Bad = func(r *sheet.Reader, row sheet.Row, wrong []*sheet.Error) {
		a.progressDone()
		for _, e := range wrong {
			if listed++; listed <= maxListed {
				fmt.Fprintln(a.errOut, render.Safe(e.Error()))
			}
			if e.Hint != "" && e.Hint != hint && listed <= maxListed {
				hint = e.Hint // once in a row is enough
				fmt.Fprintf(a.errOut, "  try: %s\n", render.Safe(hint))
			}
		}
		if set != nil && r != nil {
			set.write(r, row, wrong)
		}
	}
	o.Progress = a.progress
	return a.record(ctx, func(b *store.Book) error {
		before, err := b.Known(ctx)
		if err != nil {
			return err
		}
		a.notMine(b)
		written, was, err := a.before(ctx, b, o.Update)
		if err != nil {
			return err
		}
		done, err := b.Import(ctx, sources, o)
		a.progressDone()
		if err != nil {
			if set != nil {
				set.discard()
			}
			if ctx.Err() != nil {
				return context.Canceled
			}
			return err
		}
		if set != nil {
			if err := set.close(); err != nil {
				return err
			}
		}
		if listed > maxListed {
			fmt.Fprintf(a.errOut, "... and %d more\n", listed-maxListed)
		}
		if done.Bare > 0 {
			fmt.Fprintf(a.errOut, "note: %s made no run, level or overheat, since sheets of those or of machines came "+
				"along: to have them made, import the machines first, and outings alone\n",
				say.Count(done.Bare, "outing"))
		}
		for _, s := range done.Sheets {
			if s.Ahead > 0 {
				fmt.Fprintf(a.errOut,
					"note: %s: %s dated in the future, the first on line %d: reports count it from that day on\n",
					s.File, say.Count(s.Ahead, "row"), s.AheadAt)
			}
		}
		if asJSON {
			if err := a.printJSON(done); err != nil {
				return err
			}
		} else {
			a.sayImported(done, o)
			if done.Kept {
				if err := a.sayImportedStates(ctx, b, written, was, done); err != nil {
					return err
				}
			}
		}
		if done.Kept {
			if err := a.saySheetTwins(ctx, b, before); err != nil {
				return err
			}
		}
		if done.Bad > 0 && !done.Kept && !o.DryRun || done.Bad > 0 && !o.SkipBad {
			return exitError(exitWords)
		}
		return nil
	})
}

// saySheetTwins says which names that came in are much like others.
func (a *app) saySheetTwins(ctx context.Context, b *store.Book, before *schema.Known) error {
	now, err := b.Known(ctx)
	if err != nil {
		return err
	}
	const most = 2000 // each is held against all
	say := func(kind string, before, now []string, known *schema.Known) {
		for _, name := range now {
			if len(now) <= most && !slices.Contains(before, name) {
				a.sayTwins(schema.KindNamed(kind), name, known)
			}
		}
	}
	say("machine", before.Machines, now.Machines, now)
	say("driver", before.Drivers, now.Drivers, now)
	return nil
}

func (a *app) sayImported(done *store.Imported, o store.ImportOptions) {
	if done.Kept || o.DryRun && done.Bad == 0 || o.DryRun && o.SkipBad {
		for _, s := range done.Sheets {
			if s.Rows == 0 && len(done.Sheets) > 1 {
				continue // an empty tab
			}
			line := fmt.Sprintf("%s: %s added", s.Sheet, say.Count(s.Added, "row"))
			for _, x := range []struct {
				n    int
				what string
			}{{s.Amended, "corrected"}, {s.Repeated, "already in the book"}, {s.Bad, "bad"}} {
				if x.n > 0 {
					line += fmt.Sprintf(", %d %s", x.n, x.what)
				}
			}
			fmt.Fprintln(a.out, line)
		}
	}
	switch {
	case o.DryRun:
		fmt.Fprintln(a.out, "dry run: nothing was changed")
	case done.Bad > 0 && !done.Kept:
		fmt.Fprintf(a.errOut, "shedbook: %s bad: nothing was imported\ntry: fix the rows, or import the good ones "+
			"with --skip-bad FILE\n", say.Count(done.Bad, "row"))
	}
}

// progress shows how far an import has come, where somebody watches.
func (a *app) progress(file string, rows int) {
	if a.errTerminal && rows%8192 == 0 {
		fmt.Fprintf(a.errOut, "\r%s: %d rows\x1b[K", file, rows)
		a.progressing = true
	}
}

func (a *app) progressDone() {
	if a.progressing {
		fmt.Fprint(a.errOut, "\r\x1b[K")
		a.progressing = false
	}
}

// aside is the file that bad rows are written to: as their sheet has them
// where there is one sheet, else with the sheet's name before each.
type aside struct {
	file  *os.File
	path  string
	one   *sheet.BadWriter
	mixed *sheet.MixedWriter
}

func (a *app) setAside(path string, sources []store.Source) (*aside, error) {
	if path == "" {
		return nil, nil
	}
	for _, s := range sources {
		if same, err := filepath.Abs(s.Name); err == nil {
			if mine, err := filepath.Abs(path); err == nil && same == mine {
				return nil, usage("name another file", "--skip-bad %s is the sheet being imported", path)
			}
		}
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return nil, usage("name another file, or move the old one away", "%s already exists", path)
	} else if err != nil {
		return nil, err
	}
	s := &aside{file: f, path: path}
	if len(sources) > 1 {
		var kinds []*schema.Kind
		for _, src := range sources {
			kinds = append(kinds, src.Kind)
		}
		s.mixed = sheet.NewMixedWriter(f, kinds)
	}
	return s, nil
}

func (s *aside) write(r *sheet.Reader, row sheet.Row, wrong []*sheet.Error) {
	if s.mixed != nil {
		s.mixed.Write(r, row, wrong)
		return
	}
	if s.one == nil {
		s.one = sheet.NewBadWriter(s.file, r)
	}
	s.one.Write(row, wrong)
}

// discard takes the file away, else it would be in the way of another try.
func (s *aside) discard() {
	s.file.Close()
	os.Remove(s.path)
}

func (s *aside) close() error {
	var err error
	if s.mixed != nil {
		err = s.mixed.Flush()
	} else if s.one != nil {
		err = s.one.Flush()
	}
	return errors.Join(err, s.file.Close())
}
