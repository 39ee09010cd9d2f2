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

// request is what every report's verb has in common: how to print, as of when,
// and of which machine.
type request struct {
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

// reportVerb makes a report's verb. do is handed the fleet read and the time
// asked for; args are the words after the verb. page says what --html writes,
// "" where the report has no page.
func (a *app) reportVerb(use, short, page string, words cobra.PositionalArgs,
	do func(ctx context.Context, req *request, args []string) error) *cobra.Command {
	req := &request{a: a}
	c := &cobra.Command{Use: use, Short: short, GroupID: "look", Args: words, ValidArgsFunction: a.completeMachine}
	c.RunE = func(cmd *cobra.Command, given []string) error {
		if req.asJSON && req.asCSV {
			return usage("", "use --json or --csv, not both")
		}
		out := a.out
		a.out = &onceRead{out, req}
		defer func() { a.out = out }()
		return a.view(cmd.Context(), func(b *store.Book) error {
			if err := req.read(cmd.Context(), b); err != nil {
				return err
			}
			err := do(cmd.Context(), req, given)
			return cmp.Or(req.reading.get(), err) // the second may only follow from the first
		})
	}
	c.Flags().BoolVar(&req.asJSON, "json", false, "print JSON")
	c.Flags().BoolVar(&req.asCSV, "csv", false, "print CSV")
	c.Flags().StringVar(&req.asOf, "as-of", "", "leave out records dated after this time")
	if page != "" {
		c.Flags().StringVar(&req.html, "html", "", "write "+page+" to this file")
	}
	return c
}

// onceRead writes nothing of a report whose records could not all be read.
type onceRead struct {
	io.Writer
	l *request
}

func (w *onceRead) Write(p []byte) (int, error) {
	if err := w.l.reading.get(); err != nil {
		return 0, err
	}
	return w.Writer.Write(p)
}

// read reads what is not one machine's, and the time asked for.
func (req *request) read(ctx context.Context, b *store.Book) (err error) {
	req.ctx, req.book = ctx, b
	if req.change, err = b.Change(ctx); err != nil {
		return err
	}
	if req.fleet, err = b.Common(ctx); err != nil {
		return err
	}
	if req.known, err = b.Known(ctx); err != nil {
		return err
	}
	req.known.Begun = true
	req.at = req.a.now
	if req.asOf != "" {
		if req.at, err = req.a.parseTime("--as-of", req.asOf, req.fleet.Settings); err != nil {
			return err
		}
	}
	req.at = req.at.In(req.fleet.Settings.Zone())
	return nil
}

// sourceOf is source of the machines named and no others, were it none.
func (req *request) sourceOf(machines []string) report.Source {
	if len(machines) == 0 {
		return req.given(report.Stream(req.fleet, func(func(func() *schema.Log) bool) {}, req.at))
	}
	return req.source(machines...)
}

// source is the fleet as of the time asked for, read as the report goes: of
// the machines named, or all.
func (req *request) source(machines ...string) report.Source {
	// Nearly all that is made of a log goes when the next is read. To collect it
	// each time that there is as much again as is kept would take half the time.
	debug.SetGCPercent(400)
	if req.a.getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(256 << 20)
	}
	cut := req.cut
	return req.given(report.Stream(req.fleet, func(yield func(func() *schema.Log) bool) {
		for sealed, err := range req.book.SealedLogs(req.ctx, machines...) {
			if err != nil {
				req.reading.set(err)
				return
			}
			if !yield(func() *schema.Log {
				log, err := sealed.Open()
				if err != nil {
					req.reading.set(err)
					return nil
				}
				log = log.AsOf(cut)
				return &log
			}) {
				return
			}
		}
	}, req.at))
}

// given adds the clock, and what the machines' states take of the belief about
// them.
func (req *request) given(s report.Source) report.Source {
	s.Now = req.a.now
	s.Given = func(life *exposure.Life) state.Given { return next.Given(req.fleet, life) }
	return s
}

// only is the machine that a word names, or the whole fleet without one.
func (req *request) only(words []string) (report.Source, error) {
	if len(words) == 0 {
		return req.source(), nil
	}
	machine, err := req.known.Machine(words[0])
	return req.source(machine), err
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
func (req *request) options() render.Options {
	return req.a.options(req.fleet.Settings, req.asJSON, req.asCSV)
}

// page writes a page to the file asked for; it takes its name once it is whole.
func (req *request) page(write func(w io.Writer, o render.Options) error) error {
	o := req.options()
	o.Format = render.HTML
	if err := req.toFile(req.html, func(w io.Writer) error { return write(w, o) }); err != nil {
		return err
	}
	req.a.wrote(req.html)
	return nil
}

// toFile is toFile for a report.
func (req *request) toFile(path string, write func(io.Writer) error) error {
	if err := req.reading.get(); err != nil {
		return err
	}
	return toFile(path, write)
}
