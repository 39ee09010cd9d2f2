package main

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/flags"
	"shedbook/report/render"
)

func (a *app) historyVerb() *cobra.Command {
	var format, out, paper string
	var withNames bool
	c := a.lookVerb("history MACHINE", "a machine's whole life, for whoever buys it", "", args(1, 1, "a machine"),
		func(ctx context.Context, l *look, words []string) error {
			log, err := l.machine(words[0])
			if err != nil {
				return err
			}
			if paper != "" {
				return a.verifyPaper(ctx, l.book, log.Machine.Name, paper)
			}
			o := l.options()
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
			r, _ := report.History(l.source(), log.Machine.Name, open(flags.Find(l.fleet, l.at)), withNames)
			if r.Digest, err = a.digestOf(ctx, l.book, log.Machine.Name, l.at); err != nil {
				return err
			}
			write := func(w io.Writer, o render.Options) error {
				return render.History(w, r, render.Papers{Digest: r.Digest}, o)
			}
			if out == "" {
				return write(a.out, o)
			}
			f, err := newFile(out)
			if err != nil {
				return err
			}
			o.Color = false
			if err := write(f, o); err != nil {
				f.Close()
				return err
			}
			return f.Close()
		})
	c.Flags().StringVar(&format, "format", "", "text, html, json or csv (text unless told)")
	c.Flags().StringVar(&out, "out", "", "write it to this file")
	c.Flags().StringVar(&paper, "verify", "", "say whether this printed history (text, HTML or JSON) matches the book, by the digest on it")
	c.Flags().BoolVar(&withNames, "with-names", false, "name the drivers; letters stand for them unless told")
	_ = c.RegisterFlagCompletionFunc("format", cobra.FixedCompletions([]string{"text", "html", "json", "csv"}, cobra.ShellCompDirectiveNoFileComp))
	return c
}
