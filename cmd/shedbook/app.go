package main

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime/debug"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"shedbook/report/render"
	"shedbook/schema"
	"shedbook/schema/unit"
	"shedbook/store"
)

// Exit codes, as the exchange contract has them.
const (
	exitDone     = 0
	exitFailed   = 1
	exitWords    = 2
	exitNotFound = 3
	exitBadBook  = 4
	exitBusy     = 5
	exitRaised   = 10 // flags --alarm: something new was raised
)

// app is one run of the program: its streams, its clock, and what the
// persistent flags say.
type app struct {
	in          io.Reader
	out, errOut io.Writer
	now         time.Time // read once a command, to the second
	getenv      func(string) string
	inTerminal  bool // somebody types
	outTerminal bool // somebody reads
	errTerminal bool // somebody watches
	width       int  // of the terminal

	bookFlag    string
	words       []string       // of the command line
	lines       *bufio.Scanner // over in, made when something is asked
	toldWaiting bool           // that entries wait for the hub
	progressing bool           // a line of progress stands on errOut
	held        *store.Book    // open already, by the page; nil where each verb opens the book
}

// system is the app on this machine.
func system() *app {
	a := &app{in: os.Stdin, out: os.Stdout, errOut: os.Stderr, now: time.Now().Truncate(time.Second), getenv: os.Getenv,
		width: 80}
	a.inTerminal = term.IsTerminal(int(os.Stdin.Fd()))
	a.outTerminal = term.IsTerminal(int(os.Stdout.Fd()))
	a.errTerminal = term.IsTerminal(int(os.Stderr.Fd()))
	if a.outTerminal {
		if w, _, err := term.GetSize(int(os.Stdout.Fd())); err == nil && w > 0 {
			a.width = w
		}
	}
	// A clock that stands still makes an example repeatable.
	if t, err := time.Parse(time.RFC3339, a.getenv("SHEDBOOK_NOW")); err == nil {
		a.now = t
	}
	return a
}

// run does what the words say and returns the exit code.
func run(ctx context.Context, a *app, args []string) int {
	args = joinYes(todays(args))
	root := a.root(args)
	root.SetArgs(args)
	root.SetIn(a.in)
	root.SetOut(a.out)
	root.SetErr(a.errOut)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return exitDone
	}
	each := []error{err}
	var all severalErrors
	if errors.As(err, &all) {
		each = all
	}
	code, _, _ := judge(each[0])
	for _, err := range each {
		_, says, hint := judge(err)
		if what := store.NoRoom(err); what != "" {
			says = strings.Replace(says, syscall.ENOSPC.Error(), what, 1)
		}
		if says != "" {
			sayTo(a.errOut, a.errTerminal, a.width, "shedbook: "+render.Safe(says))
		}
		if hint != "" {
			fmt.Fprintf(a.errOut, "try: %s\n", render.Safe(hint))
		}
	}
	return code
}

// severalErrors are all that is wrong with one command line.
type severalErrors []error

func (e severalErrors) Error() string   { return errors.Join(e...).Error() }
func (e severalErrors) Unwrap() []error { return e }

// several are those of the errors that are any, as one; nil where there is none.
func several(errs ...error) error {
	var all severalErrors
	for _, err := range errs {
		var more severalErrors
		if errors.As(err, &more) {
			all = append(all, more...)
		} else if err != nil {
			all = append(all, err)
		}
	}
	switch len(all) {
	case 0:
		return nil
	case 1:
		return all[0]
	}
	return all
}

// usageError is a command line that can't be.
type usageError struct{ says, hint string }

func (e *usageError) Error() string { return e.says }

func usage(hint, format string, args ...any) error {
	return &usageError{fmt.Sprintf(format, args...), hint}
}

// exitError ends with a code and has said its piece already.
type exitError int

func (e exitError) Error() string { return fmt.Sprintf("exit %d", int(e)) }

// judge finds the exit code of an error, what to say and what to do next.
func judge(err error) (code int, says, hint string) {
	var exit exitError
	var words *usageError
	var unknown *schema.UnknownError
	var book *store.Error
	switch {
	case errors.As(err, &exit):
		return int(exit), "", ""
	case errors.As(err, &words):
		return exitWords, words.says, words.hint
	case errors.As(err, &unknown):
		return exitNotFound, err.Error(), unknown.Hint
	case schema.AsProblem(err) != nil:
		return exitWords, err.Error(), schema.AsProblem(err).Hint
	case errors.As(err, &book):
		code = map[store.Trouble]int{store.Failed: exitFailed, store.Refused: exitWords, store.NotFound: exitNotFound,
			store.BadBook: exitBadBook, store.Busy: exitBusy}[book.Trouble]
		return code, err.Error(), book.Hint
	case errors.Is(err, context.Canceled):
		return exitFailed, "stopped: nothing was changed", ""
	}
	var file *fs.PathError
	if errors.As(err, &file) { // whether it was opened or looked at says nothing
		return exitFailed, strings.TrimPrefix(err.Error(), file.Op+" "), ""
	}
	return exitFailed, err.Error(), ""
}

// bookPath is where the book stands.
func (a *app) bookPath() (string, error) {
	if a.bookFlag != "" {
		return a.bookFlag, nil
	}
	return store.DefaultPath(a.getenv)
}

func (a *app) clock() time.Time { return a.now }

// recordIn opens a book that is there for writing: what it is about stands in
// it already, and a name typed wrong should make no other.
func (a *app) recordIn(ctx context.Context, do func(*store.Book) error) error {
	if a.held != nil {
		return do(a.held)
	}
	path, err := a.bookPath()
	if err != nil {
		return err
	}
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		_, err := store.View(ctx, path)
		return err
	}
	return a.record(ctx, do)
}

// record opens the book for writing, making it on first use.
func (a *app) record(ctx context.Context, do func(*store.Book) error) error {
	if a.held != nil {
		return do(a.held)
	}
	path, err := a.bookPath()
	if err != nil {
		return err
	}
	_, statErr := os.Stat(path)
	b, err := store.Create(a.telling(ctx), path, a.clock)
	if err != nil {
		return err
	}
	b.Waiting = func() {
		fmt.Fprintln(a.errOut, "another program is writing to the book: waiting until it is done")
	}
	if errors.Is(statErr, fs.ErrNotExist) {
		if err := a.settle(ctx, b, "", ""); err != nil {
			b.Close()
			return err
		}
		if err := a.sayNew(ctx, a.errOut, b, path); err != nil {
			b.Close()
			return err
		}
	}
	if err := do(b); err != nil {
		b.Close()
		return err
	}
	return b.Close()
}

// sayNew says where a new book is and in what zone and units it reads and shows.
func (a *app) sayNew(ctx context.Context, w io.Writer, b *store.Book, path string) error {
	s, err := b.Settings(ctx)
	if err == nil {
		fmt.Fprintf(w, "a new book was made: %s (time zone %s, units %s)\n", path, s.Get("time-zone"), s.Get("units"))
	}
	return err
}

// settle gives a new book its time zone and units, this machine's own unless named.
func (a *app) settle(ctx context.Context, b *store.Book, zone, units string) error {
	if zone == "" {
		zone = "local"
	}
	if units == "" {
		units = "metric"
	}
	loc, err := unit.ParseZone(zone)
	if err != nil {
		if zone != "local" {
			return schema.Wrong("time-zone", zone, err.Error())
		}
		loc = time.UTC
		fmt.Fprintln(a.errOut, "this computer does not give its time zone, so the book uses UTC; change it with: "+
			"shedbook set time-zone")
	}
	return b.Set(ctx, schema.Setting{Key: "time-zone", Value: loc.String()}, schema.Setting{Key: "units", Value: units})
}

// view opens the book for reading.
func (a *app) view(ctx context.Context, do func(*store.Book) error) error {
	if a.held != nil {
		return do(a.held)
	}
	path, err := a.bookPath()
	if err != nil {
		return err
	}
	b, err := store.View(a.telling(ctx), path)
	if err != nil {
		return err
	}
	defer b.Close()
	return do(b)
}

// telling is a context under which an older book is said to be brought up to
// date.
func (a *app) telling(ctx context.Context) context.Context {
	return store.Upgrading(ctx, func(version int) {
		fmt.Fprintf(a.errOut, "the book comes from an older program (version %d): it is now up to date, and a copy "+
			"of the old one is kept beside it\n", version)
	})
}

// root is the tree of verbs, as far as the words ask for it.
func (a *app) root(words []string) *cobra.Command {
	a.words = words
	root := &cobra.Command{
		Use:           "shedbook",
		Short:         "keeps the log of a fleet of liquid-cooled off-road machines, and works out what it means",
		Long:          "Keeps the log of a fleet of liquid-cooled off-road machines, and works out what it means.",
		Version:       version(),
		SilenceErrors: true,
		SilenceUsage:  true,
		Args:          cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return cmd.Help()
			}
			return a.noVerb(cmd, args[0])
		},
	}
	root.PersistentFlags().StringVar(&a.bookFlag, "book", "",
		"the book's file (default: SHEDBOOK_BOOK, or else a file in your data directory)")
	root.SetFlagErrorFunc(wrongOption)
	root.AddGroup(
		&cobra.Group{ID: "record", Title: "Recording:"},
		&cobra.Group{ID: "look", Title: "Looking:"},
		&cobra.Group{ID: "book", Title: "The book:"},
	)
	root.AddCommand(pick(words, a.verbs())...)
	root.SetUsageFunc(a.sayUsage)
	help := root.HelpFunc()
	root.SetHelpFunc(func(c *cobra.Command, words []string) {
		if c.Long == "" {
			c.Long = upperFirst(c.Short) + "."
		}
		c.Long = a.folded(c.Long)
		help(c, words)
	})
	root.SetHelpCommandGroupID("book")
	root.SetCompletionCommandGroupID("book")
	return root
}

// version is the module's version, or the commit the program was built from.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	v := info.Main.Version
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && (v == "" || v == "(devel)") {
			v = s.Value[:min(12, len(s.Value))]
		}
	}
	return cmp.Or(v, "unknown")
}

// noVerb names the verbs near a word that is none.
func (a *app) noVerb(cmd *cobra.Command, word string) error {
	var verbs []string
	for _, c := range cmd.Commands() {
		verbs = append(verbs, c.Name())
	}
	near := unit.Near(word, verbs)
	hint := cmd.CommandPath() + " --help lists the choices"
	if len(near) > 0 {
		hint = "did you mean " + near[0] + "? " + hint
	}
	return usage(hint, "%s has no %s", cmd.CommandPath(), unit.Quote(word))
}

// group makes a verb that only holds others.
func (a *app) group(use, short, id string, verbs ...*cobra.Command) *cobra.Command {
	c := &cobra.Command{Use: use, Short: short, GroupID: id, Args: cobra.ArbitraryArgs}
	c.RunE = func(cmd *cobra.Command, args []string) error {
		if len(args) == 0 {
			return cmd.Help()
		}
		return a.noVerb(cmd, args[0])
	}
	c.AddCommand(verbs...)
	return c
}

// args wraps cobra's argument counts in words of our own.
func args(min, max int, what string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, given []string) error {
		if len(given) < min || max >= 0 && len(given) > max {
			return usage(cmd.CommandPath()+" --help shows how", "%s takes %s", cmd.CommandPath(), what)
		}
		return nil
	}
}

// known is what the book knows by name, of the machines first those that were
// typed; what must be known of a value typed is said on the error stream.
func (a *app) known(ctx context.Context, b *store.Book, machines ...string) (*schema.Known, error) {
	k, err := b.Known(ctx, machines...)
	if err != nil {
		return nil, err
	}
	k.Begun = true
	k.Note = func(s string) { fmt.Fprintln(a.errOut, "note: "+s) }
	return k, nil
}

// ask prints a question and reads a line; false at the end of the input.
func (a *app) ask(question string) (string, bool) {
	if a.lines == nil {
		a.lines = bufio.NewScanner(a.in)
	}
	fmt.Fprint(a.out, question)
	if !a.lines.Scan() {
		fmt.Fprintln(a.out)
		return "", false
	}
	return strings.TrimSpace(a.lines.Text()), true
}
