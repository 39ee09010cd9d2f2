package main

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/render"
	"shedbook/schema"
	"shedbook/schema/unit"
	"shedbook/store"
)

// logged are the kinds that `log` records; check has a verb of its own.
var logged = []string{"run", "topup", "refill", "bleed", "level", "clean", "overheat", "service"}

func (a *app) logVerb() *cobra.Command {
	kinds := []verb{{"check", a.checkVerb}}
	for _, name := range logged {
		kinds = append(kinds, verb{name, func() *cobra.Command { return a.logKind(schema.KindNamed(name)) }})
	}
	c := a.group("log", "record what happened to a machine", "record", a.under("log", kinds)...)
	c.Hidden = true // each kind is a verb of its own
	return c
}

// kindVerbs are the verbs that record what happened to a machine, one a kind.
func (a *app) kindVerbs() []verb {
	out := make([]verb, 0, len(logged)+1)
	for _, name := range logged {
		out = append(out, verb{name, func() *cobra.Command {
			c := a.logKind(schema.KindNamed(name))
			c.GroupID = "record"
			return c
		}})
	}
	return append(out, verb{"check", func() *cobra.Command {
		c := a.checkVerb()
		c.GroupID = "record"
		return c
	}})
}

func (a *app) logKind(k *schema.Kind) *cobra.Command {
	var sure bool
	c := &cobra.Command{
		Use: k.Name + " MACHINE [WORDS]", Short: k.Help, Example: "  shedbook " + lineExamples[k.Name],
		Long:              upperFirst(k.Help) + ".\n\n" + lineHelp(k),
		Args:              args(1, -1, "a machine, then words and options"),
		ValidArgsFunction: a.completeLine(k),
		RunE: func(cmd *cobra.Command, given []string) error {
			return a.recordIn(cmd.Context(), func(b *store.Book) error {
				known, err := a.known(cmd.Context(), b, given[0])
				if err != nil {
					return err
				}
				r := k.New()
				if err := a.setMachine(k, r, given[0], known); err != nil {
					return err
				}
				if err := a.readLine(cmd, k, r, given[1:], known); err != nil {
					return err
				}
				if run, ok := r.(*schema.Run); ok && !cmd.Flags().Changed("at") {
					// It came in just now: it began its hours ago.
					h, _ := run.Duration()
					run.At = run.At.Add(-time.Duration(h * float64(time.Hour))).Truncate(time.Second)
				}
				if o, ok := r.(*schema.Overheat); ok && unasked(o) && a.inTerminal {
					if err := a.askOverheat(o, known, !cmd.Flags().Changed("at")); err != nil {
						return err
					}
				}
				if v, ok := r.(*schema.Service); ok && v.Work != "" {
					if err := a.offerPlan(cmd.Context(), b, v); err != nil {
						return err
					}
				}
				return a.keepSure(cmd.Context(), b, k, r, sure)
			})
		},
	}
	a.addLine(c, k, &sure)
	if k.Name == "run" {
		c.Flags().Lookup("at").Usage = "when it started (default: just came back)"
	}
	return c
}

// addLine gives a command that takes a line of a kind its options.
func (a *app) addLine(c *cobra.Command, k *schema.Kind, sure *bool) {
	a.addFields(c, k, "machine", "ref")
	c.Flags().BoolVar(sure, "sure", false, "record it even if it looks unlikely")
	for i := range k.Fields {
		if f := &k.Fields[i]; f.Yes != "" { // alone it means yes
			c.Flags().Lookup(flagName(k, f)).NoOptDefVal = "yes"
		}
	}
}

// completeLine completes the machine, then the words of the kind's line.
func (a *app) completeLine(k *schema.Kind) cobra.CompletionFunc {
	return func(cmd *cobra.Command, given []string, typed string) ([]cobra.Completion, cobra.ShellCompDirective) {
		if len(given) == 0 {
			return a.completeMachine(cmd, given, typed)
		}
		var out []string
		for i := range k.Fields {
			f := &k.Fields[i]
			for _, w := range []string{f.Yes, f.No, f.Zero} {
				if w != "" && strings.HasPrefix(w, strings.ToLower(typed)) {
					out = append(out, w)
				}
			}
			if f.Type == schema.TextField && (!f.Plain || len(given) > 1) {
				continue // a plain text is the first word alone
			} else if f.Type != schema.MachineField && f.Vocabulary != "yesno" {
				out = append(out, a.candidates(cmd.Context(), f, typed)...)
			}
		}
		return out, cobra.ShellCompDirectiveNoFileComp
	}
}

// readLine reads the words and the options of a line of a kind into r; what has no
// time is of now.
func (a *app) readLine(cmd *cobra.Command, k *schema.Kind, r schema.Record, words []string, known *schema.Known) error {
	line, wrong := k.Line(words, known)
	for _, g := range line {
		if flag := flagName(k, g.Field); cmd.Flags().Changed(flag) {
			return usage("", "the %s is given twice: %s and --%s %s", strings.ReplaceAll(flag, "-", " "), g.Value, flag,
				cmd.Flags().Lookup(flag).Value)
		}
	}
	for _, g := range joined(line) {
		wrong = append(wrong, a.setField(k, r, g.Field, g.Value, known))
	}
	_, err := a.setFields(cmd.Flags(), k, r, known)
	if err := several(append(wrong, err)...); err != nil {
		return err
	}
	if k.When(r).IsZero() {
		return k.Set(r, k.Field(k.TimeColumn()), "now", known, a.now)
	}
	return nil
}

// joinYes joins an option that alone means yes with a yes or no behind it, which
// would else be taken for a word of the line.
func joinYes(args []string) []string {
	var out []string
	for i := 0; i < len(args); i++ {
		if i+1 < len(args) && (args[i+1] == "yes" || args[i+1] == "no") && saysYes(args[i]) {
			out = append(out, args[i]+"="+args[i+1])
			i++
			continue
		}
		out = append(out, args[i])
	}
	return out
}

func saysYes(option string) bool {
	return slices.Contains([]string{"--radiator-out", "--nose-up", "--accepted", "--lamp", "--mud"}, option)
}

// joined puts the values of a list together, as its option takes them.
func joined(line []schema.Given) []schema.Given {
	var out []schema.Given
next:
	for _, g := range line {
		for i := range out {
			if out[i].Field == g.Field {
				out[i].Value += ";" + g.Value
				continue next
			}
		}
		out = append(out, g)
	}
	return out
}

// lineExamples is a line of each kind, as people type it.
var lineExamples = map[string]string{
	"run": "run R4 ada 2.5 mud fast", "topup": "topup R4 300 premix", "refill": "refill R4 4.2l",
	"bleed": "bleed R4 nose-up pump radiator",
	"level": "level R4 ok cold", "clean": "clean R4 hose both out", "overheat": "overheat R4 ada mud fast lamp 20min",
	"service": "service R4 'new pump seal' external-leak", "out": "out R4 ada 97.1 ok",
	"back":  "back R4 99.6 ok no-lamp mud",
	"meter": "machine meter R4 --was 1042 --now 0",
}

// lineHelp says what the words after the machine may be.
func lineHelp(k *schema.Kind) string {
	var takes []string
	for i := range k.Fields {
		f := &k.Fields[i]
		name := strings.ReplaceAll(flagName(k, f), "-", " ")
		switch {
		case f.Plain && f.Type == schema.TextField:
			takes = append(takes, "first the "+name+", in quotes if it has spaces")
		case f.Plain:
			says := "a number: " + withUnit(f)
			if f.Zero != "" {
				says += "; " + f.Zero + " is 0"
			}
			takes = append(takes, says)
		case f.Type == schema.DriverField:
			takes = append(takes, "the driver: the first letters of the name are enough")
		case f.Yes != "" && f.No != "":
			takes = append(takes, f.Yes+" or "+f.No+": "+f.Help)
		case f.Yes != "":
			takes = append(takes, f.Yes+": "+f.Help)
		case f.Zero != "":
			takes = append(takes, name+": "+f.Zero+", or an amount with its unit: "+f.Help)
		case f.Type == schema.WordField || f.Type == schema.WordsField:
			if words := schema.Words(f.Vocabulary); len(words) < 12 && f.Vocabulary != "yesno" {
				takes = append(takes, name+": "+strings.Join(words, ", "))
			} else if f.Vocabulary != "yesno" {
				takes = append(takes, name)
			}
		}
	}
	if len(takes) == 0 {
		return "Use the options for the rest."
	}
	return "After the machine you can write, in any order:\n  " + strings.Join(takes, "\n  ") +
		"\nUse the options for the rest."
}

func upperFirst(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// setMachine reads the machine that a record is of, where it is no option.
func (a *app) setMachine(k *schema.Kind, r schema.Record, word string, known *schema.Known) error {
	if strings.TrimSpace(word) == "" {
		return usage("shedbook machine list lists them", "the machine's name is empty")
	}
	return plainColumn(a.setField(k, r, k.Field("machine"), word, known), "machine")
}

// plainColumn names the machine as such, since it is no option.
func plainColumn(err error, column string) error {
	if p := schema.AsProblem(err); p != nil {
		p.Column = column
	}
	return err
}

// sayRecorded says what was recorded, and notes it as this user's.
func (a *app) sayRecorded(ctx context.Context, b *store.Book, k *schema.Kind, r schema.Record, s schema.Settings) {
	a.mine(b, k.Meta(r))
	number := k.Meta(r).Number
	a.say(0, "recorded as %s: %s, %s", nameOf(ctx, b, number), k.Name, describe(k, r, s))
	if at := k.When(r); at.After(a.now) {
		fmt.Fprintf(a.errOut, "note: that is in the future: reports count it from %s on; to correct it: shedbook "+
			"correct %d --at TIME --why REASON\n", unit.FormatTime(at, s.Zone()), number)
	}
	a.noteWaiting(ctx, b)
}

// sayEffect says what a record changed for its machine, whose log has it already.
func (a *app) sayEffect(with *schema.Log, r schema.Record, s schema.Settings) {
	if says := effect(with, r, s); says != "" {
		a.say(0, "%s", render.Safe(says))
	}
}

// keep records r and says in a line what was recorded and what it changed.
func (a *app) keep(ctx context.Context, b *store.Book, k *schema.Kind, r schema.Record) error {
	return a.keepSure(ctx, b, k, r, true)
}

// keepSure is keep of what was typed: where it is not sure, what is unlikely is
// asked about first.
func (a *app) keepSure(ctx context.Context, b *store.Book, k *schema.Kind, r schema.Record, sure bool) error {
	if err := check(k, r); err != nil {
		return err
	}
	s, err := b.Settings(ctx)
	if err != nil {
		return err
	}
	var log *schema.Log
	machine := machineOf(k, r)
	if machine != "" && (k.Dated || k.Name == "answer") {
		for l, err := range b.Logs(ctx, machine) {
			if err != nil {
				return err
			}
			log = &l
		}
	}
	f := schema.Fleet{Settings: s}
	if log != nil && !sure {
		if err := a.doubt(report.Slips(f, *log, r, a.now)); err != nil {
			return err
		}
	}
	number, err := b.Record(ctx, r)
	if err != nil {
		return err
	}
	a.sayRecorded(ctx, b, k, r, s)
	if v, ok := r.(*schema.Service); ok {
		if err := a.notePlan(ctx, b, v, number); err != nil {
			return err
		}
	}
	if log != nil {
		was := stateOf(f, *log, a.now)
		with := log.Copy()
		with.Add(r)
		a.noteClosed(&log.Machine, k.When(r), s)
		a.sayEffect(with, r, s)
		a.sayState(machine, was, stateOf(f, *with, a.now), r)
	}
	return nil
}

// sureHint goes with what is refused only because it is unlikely.
const sureHint = "if it is right, add --sure"

// doubt asks whether an unlikely record stands; where nobody can be asked it is
// refused.
func (a *app) doubt(slips []string) error {
	const most = 3
	switch n := len(slips); {
	case n == 0:
		return nil
	case n > most:
		slips = append(slips[:most:most], fmt.Sprintf("and %d more like that", n-most))
	}
	if !a.inTerminal {
		return usage(sureHint, "%s", strings.Join(slips, "; "))
	}
	for _, says := range slips {
		a.say(0, "%s", render.Safe(says))
	}
	if yes, ok := a.ask("Record it anyway (y/n)? "); ok && strings.HasPrefix(strings.ToLower(yes), "y") {
		return nil
	}
	return usage("", "nothing was recorded")
}
