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

	"github.com/spf13/cobra"

	"shedbook/schema"
	"shedbook/store"
	"shedbook/store/sheet"
)

func (a *app) demoVerb() *cobra.Command {
	var largeDir string
	c := &cobra.Command{
		Use: "demo", Short: "make a book of one year at an invented yard, and show what it says", GroupID: "look",
		Args: args(0, 0, "no words"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if largeDir != "" && a.bookFlag != "" {
				return usage("", "--large writes only sheets, no book: leave --book out")
			}
			if largeDir != "" {
				return large(largeDir, 1000, 1000)
			}
			return a.demo(cmd.Context())
		},
	}
	c.Flags().StringVar(&largeDir, "large", "", "for speed tests: write only the sheets of an invented hire chain to "+
		"this directory (1,000 machines, 1,000,000 runs)")
	return c
}

// demoSteps are what the demo shows, each with what to look for.
var demoSteps = []struct {
	says string
	args []string
}{
	{"The fleet: one line per machine, worst first.", []string{"fleet"}},
	{"Faults that the log points to. A flag is raised only when the evidence is strong.", []string{"flags"}},
	{"Coolant: settling after a refill and boil-over do not count as loss.", []string{"coolant"}},
	{"Radiators: a rinse from the front is not a thorough clean.", []string{"cleaning"}},
	{"Is it Tam, or the ground Tam drives on?", []string{"rates", "--by", "driver", "--adjust", "speed,terrain"}},
	{"What to check first on B3.", []string{"next", "B3"}},
	{"The history of one machine, for its buyer.", []string{"history", "B6"}},
}

func (a *app) demo(ctx context.Context) error {
	path := a.bookFlag
	if path == "" { // never into a book of one's own
		dir, err := os.MkdirTemp("", "shedbook-demo-")
		if err != nil {
			return err
		}
		path = filepath.Join(dir, "brackwater.db")
	} else if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) {
		return usage("name a new file", "%s already exists: the demo needs a new book", path)
	}
	if err := fillDemo(ctx, path, a); err != nil {
		os.Remove(path)
		return err
	}
	fmt.Fprintf(a.out, "A year at Brackwater Hire, an invented yard, is in %s\n", path)
	for _, s := range demoSteps {
		fmt.Fprintf(a.out, "\n%s\n$ shedbook", s.says)
		for _, w := range s.args {
			fmt.Fprintf(a.out, " %s", w)
		}
		fmt.Fprintf(a.out, "\n\n")
		step := *a
		step.now, step.bookFlag = demoEnd, ""
		root := step.root(s.args)
		root.SetArgs(append([]string{"--book", path}, s.args...))
		root.SetOut(a.out)
		root.SetErr(a.errOut)
		if err := root.ExecuteContext(ctx); err != nil {
			return err
		}
	}
	fmt.Fprintf(a.out, "\nTry it yourself, for instance:\n  shedbook --book %s flags W2 --as-of 2026-11-01\n", path)
	return nil
}

// fillDemo makes the demo's book by way of its sheets, as a yard would that
// brings its old records.
func fillDemo(ctx context.Context, path string, a *app) error {
	sheets := map[*schema.Kind]*bytes.Buffer{}
	writers := map[*schema.Kind]*sheet.Writer{}
	for _, r := range brackwater(demoSeed) {
		k := schema.KindOf(r)
		if writers[k] == nil {
			sheets[k] = &bytes.Buffer{}
			writers[k] = sheet.NewWriter(sheets[k], k, demoStart.Location())
		}
		writers[k].Write(r)
	}
	var sources []store.Source
	for _, k := range schema.Kinds {
		if w := writers[k]; w != nil {
			if err := w.Flush(); err != nil {
				return err
			}
			text := sheets[k].Bytes()
			sources = append(sources, store.Source{Name: k.Sheet + ".csv", Kind: k,
				Open: func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(text)), nil }})
		}
	}
	b, err := store.Create(ctx, path, a.clock)
	if err != nil {
		return err
	}
	defer b.Close()
	if err := b.Set(ctx, schema.Setting{Key: "time-zone", Value: "UTC"}); err != nil {
		return err
	}
	done, err := b.Import(ctx, sources, store.ImportOptions{Bad: func(_ *sheet.Reader, _ sheet.Row,
		wrong []*sheet.Error) {
		for _, e := range wrong {
			fmt.Fprintln(a.errOut, e)
		}
	}})
	if err == nil && !done.Kept {
		err = fmt.Errorf("the demo's own sheets are bad")
	}
	return err
}
