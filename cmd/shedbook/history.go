package main

import (
	"bytes"
	"context"
	"encoding/base64"
	"fmt"
	"image/jpeg"
	"io"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strings"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/light"
	"shedbook/report/render"
	"shedbook/store"
	"shedbook/store/photo"
)

func (a *app) historyVerb() *cobra.Command {
	var format, out, paper string
	var withNames bool
	words := func(cmd *cobra.Command, given []string) error {
		if paper != "" {
			return args(0, 1, "a machine or a book's file, or neither, with --verify")(cmd, given)
		}
		return args(1, 1, "a machine")(cmd, given)
	}
	c := a.reportVerb("history MACHINE", "a machine's whole life, for its buyer", "", words,
		func(ctx context.Context, req *request, words []string) error {
			if len(words) == 0 {
				return req.verifyPaper(ctx, req.known.Machines, paper)
			}
			machine, err := req.known.Machine(words[0])
			if err != nil {
				return err
			}
			if paper != "" {
				return req.verifyPaper(ctx, []string{machine}, paper)
			}
			o := req.options()
			if format == "" && out != "" { // the file's name tells
				ext, told := strings.ToLower(filepath.Ext(out)), false
				if format, told = formatOf[ext]; !told {
					return usage("write .html and print that from a browser, to paper or PDF; or choose with --format",
						"a history can be text, html, json or csv, not %s", ext)
				}
			}
			switch format {
			case "":
			case "text":
				if out != "" {
					o.Format = render.Plain
				}
			case "html":
				o.Format = render.HTML
			case "json":
				o.Format = render.JSON
			case "csv":
				o.Format = render.CSV
			default:
				return usage("", "--format %q should be text, html, json or csv", format)
			}
			p, err := req.history(ctx, machine, req.source(machine), withNames, o.Format)
			if err != nil {
				return err
			}
			if out == "" {
				return p.print(a.out, o)
			}
			o.Color = false
			if err := req.toFile(out, func(w io.Writer) error { return p.print(w, o) }); err != nil {
				return err
			}
			a.wrote(out)
			return nil
		})
	look := c.RunE
	c.RunE = func(cmd *cobra.Command, given []string) error {
		if paper != "" && len(given) == 1 && store.IsBook(given[0]) {
			a.bookFlag, given = given[0], nil
		}
		return look(cmd, given)
	}
	c.Flags().StringVar(&format, "format", "",
		"text, html, json or csv (default: by the name of the --out file, or else text)")
	c.Flags().StringVar(&out, "out", "", "write to this file")
	c.Flags().StringVar(&paper, "verify", "", "say whether this printed history (text, HTML, JSON or CSV) is what "+
		"the book says, line by line; MACHINE may be left out, or be a book's file")
	c.Flags().BoolVar(&withNames, "with-names", false, "give the drivers' names (default: letters)")
	_ = c.RegisterFlagCompletionFunc("format", cobra.FixedCompletions([]string{"text", "html", "json", "csv"},
		cobra.ShellCompDirectiveNoFileComp))
	return c
}

// papers is a machine's history with what goes with it on paper.
type papers struct {
	report.HistoryReport
	render.Papers
}

func (p *papers) print(w io.Writer, o render.Options) error {
	p.Papers.Digest = p.HistoryReport.Digest
	return render.History(w, p.HistoryReport, p.Papers, o)
}

// history makes a machine's history, with its photographs where it is a page.
func (req *request) history(ctx context.Context, machine string, src report.Source, withNames bool,
	format render.Format) (*papers, error) {
	var stand []report.Matter
	if format != render.CSV { // which has the records alone
		stand = open(req.overview().Flags)
	}
	r, _ := report.History(src, machine, stand, withNames)
	p := &papers{HistoryReport: r}
	var err error
	if p.HistoryReport.Digest, err = req.a.digestOf(ctx, req.book, machine, req.at); err == nil &&
		format == render.HTML {
		p.Photos, err = req.a.photos(ctx, req.book, machine, r.Mask)
	}
	return p, err
}

// formatOf is what a file is by the end of its name.
var formatOf = map[string]string{"": "text", ".": "text", ".txt": "text", ".html": "html", ".htm": "html",
	".json": "json", ".csv": "csv"}

// photoWidth is how wide a photograph is shown in a page, in pixels.
const photoWidth = 900

// photos are the photographs of a machine's records, scaled down for its page.
func (a *app) photos(ctx context.Context, b *store.Book, machine string, mask *report.Masker) ([]render.Photo, error) {
	attached, err := b.Attached(ctx, machine)
	if err != nil {
		return nil, err
	}
	var out []render.Photo
	debug.SetGCPercent(100) // a photograph may take all the room that there is for one
	for _, x := range attached {
		runtime.GC()
		if !x.Detached.IsZero() || x.Format == "pdf" {
			continue
		}
		data, err := b.Content(ctx, x)
		if err != nil {
			return nil, err
		}
		img, _, err := light.Decode(bytes.NewReader(data), photo.Orientation)
		if err != nil {
			fmt.Fprintf(a.errOut, "note: %s of record %d is left out: %s\n", x.Name, x.Record, err)
			continue
		}
		var small bytes.Buffer
		if err := jpeg.Encode(&small, light.Shrink(img, photoWidth), &jpeg.Options{Quality: 80}); err != nil {
			return nil, err
		}
		words := mask.Text(x.What)
		if words == "" {
			words = "photograph"
		}
		out = append(out, render.Photo{Number: x.Record, Words: words, DataURL: "data:image/jpeg;base64," +
			base64.StdEncoding.EncodeToString(small.Bytes())})
	}
	return out, nil
}
