package main

import (
	"context"
	"io"
	"time"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/flags"
	"shedbook/report/render"
	"shedbook/schema"
	"shedbook/store"
)

// look is what every report's verb has in common: how to print, as of when,
// and of which machine.
type look struct {
	a             *app
	asJSON, asCSV bool
	asOf          string
	html          string // a file; reports that have a page
	book          *store.Book
	fleet         schema.Fleet
	at            time.Time
}

// lookVerb makes a report's verb. do is handed the fleet read and the time
// asked for; args are the words after the verb. page says what --html writes,
// "" where the report has no page.
func (a *app) lookVerb(use, short, page string, words cobra.PositionalArgs, do func(ctx context.Context, l *look, args []string) error) *cobra.Command {
	l := &look{a: a}
	c := &cobra.Command{Use: use, Short: short, GroupID: "look", Args: words, ValidArgsFunction: a.completeMachine}
	c.RunE = func(cmd *cobra.Command, given []string) error {
		if l.asJSON && l.asCSV {
			return usage("", "--json and --csv are two formats: ask for one")
		}
		return a.view(cmd.Context(), func(b *store.Book) error {
			l.book = b
			if err := l.read(cmd.Context(), b); err != nil {
				return err
			}
			return do(cmd.Context(), l, given)
		})
	}
	c.Flags().BoolVar(&l.asJSON, "json", false, "print JSON")
	c.Flags().BoolVar(&l.asCSV, "csv", false, "print CSV")
	c.Flags().StringVar(&l.asOf, "as-of", "", "what could be known at this time: records dated after it do not count")
	if page != "" {
		c.Flags().StringVar(&l.html, "html", "", "write "+page+" to this file")
	}
	return c
}

// read reads the book and the time asked for.
func (l *look) read(ctx context.Context, b *store.Book) error {
	s, err := b.Settings(ctx)
	if err != nil {
		return err
	}
	l.at = l.a.now
	if l.asOf != "" {
		if l.at, err = l.a.parseTime(l.asOf, s); err != nil {
			return err
		}
	}
	l.at = l.at.In(s.Zone())
	l.fleet, err = b.Fleet(ctx)
	return err
}

// source is the whole fleet as of the time asked for.
func (l *look) source() report.Source { return report.Of(l.fleet, l.at) }

// only is the fleet with one machine's log: the machine named, or all where no
// word is given.
func (l *look) only(words []string) (report.Source, error) {
	if len(words) == 0 {
		return l.source(), nil
	}
	log, err := l.machine(words[0])
	if err != nil {
		return report.Source{}, err
	}
	one := l.fleet
	one.Logs = []schema.Log{*log}
	return report.Of(one, l.at), nil
}

// known is what the fleet read knows by name.
func (l *look) known() *schema.Known {
	var machines, drivers []string
	for i := range l.fleet.Logs {
		machines = append(machines, l.fleet.Logs[i].Machine.Name)
	}
	for i := range l.fleet.Drivers {
		drivers = append(drivers, l.fleet.Drivers[i].Name)
	}
	return schema.NewKnown(machines, drivers, nil, nil)
}

// machine finds a machine's log by its name.
func (l *look) machine(word string) (*schema.Log, error) {
	name, err := l.known().Machine(word)
	if err != nil {
		return nil, err
	}
	for i := range l.fleet.Logs {
		if l.fleet.Logs[i].Machine.Name == name {
			return &l.fleet.Logs[i], nil
		}
	}
	return nil, err
}

// open lists what is open on the machines: the flags that stand.
func open(r flags.Result) []report.Matter {
	var out []report.Matter
	for _, f := range r.Flags {
		if f.Scope == "machine" {
			says := ""
			if len(f.Reasons) > 0 {
				says = f.Reasons[0]
			}
			out = append(out, report.Matter{Machine: f.Machine, Matter: f.Flag, Says: says})
		}
	}
	return out
}

// options say how this report is printed.
func (l *look) options() render.Options {
	return l.a.options(l.fleet.Settings, l.asJSON, l.asCSV)
}

// page writes a page to the file asked for; it takes its name once it is whole.
func (l *look) page(write func(w io.Writer, o render.Options) error) error {
	o := l.options()
	o.Format = render.HTML
	return toFile(l.html, func(w io.Writer) error { return write(w, o) })
}
