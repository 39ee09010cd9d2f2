package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

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
	return a.group("log", "record what happened to a machine", "record", a.under("log", kinds)...)
}

// wordFields are the fields that may be given as plain words after the
// machine, in this order: what the kind cannot do without, and a volume.
func wordFields(k *schema.Kind) []*schema.Field {
	var out []*schema.Field
	for i := range k.Fields {
		f := &k.Fields[i]
		if (f.Required || f.Name == "volume_ml") && f.Type != schema.MachineField && f.Type != schema.TimeField {
			out = append(out, f)
		}
	}
	return out
}

func (a *app) logKind(k *schema.Kind) *cobra.Command {
	words := wordFields(k)
	use, takes := k.Name+" MACHINE", "a machine"
	for _, f := range words {
		use += " [" + strings.ToUpper(strings.ReplaceAll(f.Flag(), "-", "_")) + "]"
		takes += ", its " + strings.ReplaceAll(f.Flag(), "-", " ")
	}
	c := &cobra.Command{
		Use: use, Short: k.Help,
		Args: args(1, 1+len(words), takes+", then options; a value with spaces goes in quotes"),
		ValidArgsFunction: func(cmd *cobra.Command, given []string, typed string) ([]cobra.Completion, cobra.ShellCompDirective) {
			if len(given) == 0 {
				return a.completeMachine(cmd, given, typed)
			}
			if len(given) <= len(words) {
				return a.candidates(cmd.Context(), words[len(given)-1], typed), cobra.ShellCompDirectiveNoFileComp
			}
			return nil, cobra.ShellCompDirectiveNoFileComp
		},
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
				for i, word := range given[1:] {
					if flag := flagName(k, words[i]); cmd.Flags().Changed(flag) {
						return usage("", "its %s is given twice: %s and --%s %s", strings.ReplaceAll(flag, "-", " "), word, flag, cmd.Flags().Lookup(flag).Value)
					}
					if err := a.setField(k, r, words[i], word, known); err != nil {
						return err
					}
				}
				if _, err := a.setFields(cmd.Flags(), k, r, known); err != nil {
					return err
				}
				if k.When(r).IsZero() {
					if err := k.Set(r, k.Field(k.TimeColumn()), "now", known, a.now); err != nil {
						return err
					}
				}
				if run, ok := r.(*schema.Run); ok && !cmd.Flags().Changed("at") {
					// It came in just now: it began its hours ago.
					h, _ := run.Duration()
					run.At = run.At.Add(-time.Duration(h * float64(time.Hour))).Truncate(time.Second)
				}
				if o, ok := r.(*schema.Overheat); ok && unasked(o) && a.inTerminal {
					if err := a.askOverheat(o, known); err != nil {
						return err
					}
				}
				return a.keep(cmd.Context(), b, k, r)
			})
		},
	}
	a.addFields(c, k, "machine", "ref")
	if k.Name == "run" {
		c.Flags().Lookup("at").Usage = "when it started; unless told, it came in just now"
	}
	return c
}

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

// keep records r and says in a line what was recorded and what it changed.
func (a *app) keep(ctx context.Context, b *store.Book, k *schema.Kind, r schema.Record) error {
	if err := check(k, r); err != nil {
		return err
	}
	number, err := b.Record(ctx, r)
	if err != nil {
		return err
	}
	s, err := b.Settings(ctx)
	if err != nil {
		return err
	}
	a.say(0, "recorded as %d: %s, %s", number, k.Name, describe(k, r, s))
	if at := k.When(r); at.After(a.now) {
		fmt.Fprintf(a.errOut, "note: that lies ahead: until %s no report counts it; shedbook amend %d --at TIME --why REASON puts it right\n", unit.FormatTime(at, s.Zone()), number)
	}
	if m := machineOf(k, r); m != "" && (k.Dated || k.Name == "answer") {
		for log, err := range b.Logs(ctx, m) {
			if err != nil {
				return err
			}
			a.noteClosed(&log.Machine, k.When(r), s)
			if says := effect(&log, r, s); says != "" {
				a.say(0, "%s", render.Safe(says))
			}
			f := schema.Fleet{Settings: s}
			was := stateOf(f, without(log, func(n int64) bool { return n == number }), a.now)
			a.sayState(m, was, stateOf(f, log, a.now), r)
		}
	}
	return nil
}
