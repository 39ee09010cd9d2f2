package main

import (
	"cmp"
	"context"
	"io"
	"runtime/debug"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/exposure"
	"shedbook/report/flags"
	"shedbook/report/next"
	"shedbook/report/render"
	"shedbook/report/state"
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
	ctx           context.Context
	book          *store.Book
	change        store.Change // of the book, before anything of it was read
	fleet         schema.Fleet // what is not one machine's
	known         *schema.Known
	at            time.Time
	cut           time.Time // what is dated after it is left out of source too, unless zero
	reading       failure
	held          *overview // seen already, by the page
}

// failure keeps the first error of a stream that has no other way to tell it.
type failure struct {
	mu  sync.Mutex
	err error
}

func (f *failure) set(err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.err = cmp.Or(f.err, err)
}

func (f *failure) get() error {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.err
}

// lookVerb makes a report's verb. do is handed the fleet read and the time
// asked for; args are the words after the verb. page says what --html writes,
// "" where the report has no page.
func (a *app) lookVerb(use, short, page string, words cobra.PositionalArgs, do func(ctx context.Context, l *look, args []string) error) *cobra.Command {
	l := &look{a: a}
	c := &cobra.Command{Use: use, Short: short, GroupID: "look", Args: words, ValidArgsFunction: a.completeMachine}
	c.RunE = func(cmd *cobra.Command, given []string) error {
		if l.asJSON && l.asCSV {
			return usage("", "use --json or --csv, not both")
		}
		out := a.out
		a.out = &onceRead{out, l}
		defer func() { a.out = out }()
		return a.view(cmd.Context(), func(b *store.Book) error {
			if err := l.read(cmd.Context(), b); err != nil {
				return err
			}
			err := do(cmd.Context(), l, given)
			return cmp.Or(l.reading.get(), err) // the second may only follow from the first
		})
	}
	c.Flags().BoolVar(&l.asJSON, "json", false, "print JSON")
	c.Flags().BoolVar(&l.asCSV, "csv", false, "print CSV")
	c.Flags().StringVar(&l.asOf, "as-of", "", "leave out records dated after this time")
	if page != "" {
		c.Flags().StringVar(&l.html, "html", "", "write "+page+" to this file")
	}
	return c
}

// onceRead writes nothing of a report whose records could not all be read.
type onceRead struct {
	io.Writer
	l *look
}

func (w *onceRead) Write(p []byte) (int, error) {
	if err := w.l.reading.get(); err != nil {
		return 0, err
	}
	return w.Writer.Write(p)
}

// read reads what is not one machine's, and the time asked for.
func (l *look) read(ctx context.Context, b *store.Book) (err error) {
	l.ctx, l.book = ctx, b
	if l.change, err = b.Change(ctx); err != nil {
		return err
	}
	if l.fleet, err = b.Common(ctx); err != nil {
		return err
	}
	if l.known, err = b.Known(ctx); err != nil {
		return err
	}
	l.known.Begun = true
	l.at = l.a.now
	if l.asOf != "" {
		if l.at, err = l.a.parseTime(l.asOf, l.fleet.Settings); err != nil {
			return err
		}
	}
	l.at = l.at.In(l.fleet.Settings.Zone())
	return nil
}

// sourceOf is source of the machines named and no others, were it none.
func (l *look) sourceOf(machines []string) report.Source {
	if len(machines) == 0 {
		return l.given(report.Stream(l.fleet, func(func(func() *schema.Log) bool) {}, l.at))
	}
	return l.source(machines...)
}

// source is the fleet as of the time asked for, read as the report goes: of
// the machines named, or all.
func (l *look) source(machines ...string) report.Source {
	// Nearly all that is made of a log goes when the next is read. To collect it
	// each time that there is as much again as is kept would take half the time.
	debug.SetGCPercent(400)
	if l.a.getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(256 << 20)
	}
	cut := l.cut
	return l.given(report.Stream(l.fleet, func(yield func(func() *schema.Log) bool) {
		for sealed, err := range l.book.SealedLogs(l.ctx, machines...) {
			if err != nil {
				l.reading.set(err)
				return
			}
			if !yield(func() *schema.Log {
				log, err := sealed.Open()
				if err != nil {
					l.reading.set(err)
					return nil
				}
				log = log.AsOf(cut)
				return &log
			}) {
				return
			}
		}
	}, l.at))
}

// given adds the clock, and what the machines' states take of the belief about
// them.
func (l *look) given(s report.Source) report.Source {
	s.Now = l.a.now
	s.Given = func(life *exposure.Life) state.Given { return next.Given(l.fleet, life) }
	return s
}

// only is the machine that a word names, or the whole fleet without one.
func (l *look) only(words []string) (report.Source, error) {
	if len(words) == 0 {
		return l.source(), nil
	}
	machine, err := l.known.Machine(words[0])
	return l.source(machine), err
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
			out = append(out, report.Matter{Machine: f.Machine, Matter: f.Flag, Says: says, Raised: f.Raised})
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
	if err := l.toFile(l.html, func(w io.Writer) error { return write(w, o) }); err != nil {
		return err
	}
	l.a.wrote(l.html)
	return nil
}

// toFile is toFile for a report.
func (l *look) toFile(path string, write func(io.Writer) error) error {
	if err := l.reading.get(); err != nil {
		return err
	}
	return toFile(path, write)
}
