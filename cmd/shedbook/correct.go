package main

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"shedbook/report"
	"shedbook/schema"
	"shedbook/store"
)

// correctVerb takes the options of every kind, since the number alone says which
// kind it is; an option that the record has not is refused by name.
func (a *app) correctVerb() *cobra.Command {
	var why string
	var sure bool
	keptEnd := false
	c := &cobra.Command{
		Use: "correct NUMBER --why REASON", Short: "correct a record; the book keeps the earlier version",
		GroupID: "record", Args: args(1, 1, "a record's number, then options"),
		Long: "Corrects a record. The options are those of its kind; an empty value ('') clears a field.",
		RunE: func(cmd *cobra.Command, given []string) error {
			if err := recordWord(given[0]); err != nil {
				return err
			}
			if strings.TrimSpace(why) == "" {
				return usage("for instance --why misread", "--why is missing: say why you correct the record")
			}
			return a.recordIn(cmd.Context(), func(b *store.Book) error {
				number, err := a.recordNumber(cmd.Context(), b, given[0])
				if err != nil {
					return err
				}
				known, err := a.known(cmd.Context(), b)
				if err != nil {
					return err
				}
				was, err := a.statesOf(cmd.Context(), b, number)
				if err != nil {
					return err
				}
				change := func(k *schema.Kind, r schema.Record) error {
					var wrong error
					cmd.Flags().Visit(func(f *pflag.Flag) {
						if f.Name != "why" && f.Name != "sure" && f.Name != "book" && wrong == nil &&
							!hasFlag(k, f.Name) {
							wrong = usage(fmt.Sprintf("shedbook show %d shows it", number),
								"record %d (%s) has no --%s", number, k.Name, f.Name)
						}
					})
					if wrong != nil {
						return wrong
					}
					for i := range k.Fields { // a value typed again replaces what was typed
						if cmd.Flags().Changed(flagName(k, &k.Fields[i])) {
							delete(k.Meta(r).Typed, k.Fields[i].Name)
						}
					}
					run, isRun := r.(*schema.Run)
					var was schema.Run
					if isRun {
						was = *run
					}
					n, err := a.setFields(cmd.Flags(), k, r, known)
					if err != nil {
						return err
					}
					if isRun && !cmd.Flags().Changed("at") {
						keptEnd = keepEnd(run, &was)
					}
					if n == 0 {
						return usage("for instance --volume 350ml", "say what to change")
					}
					return check(k, r)
				}
				if !sure {
					if err := a.doubtCorrection(cmd.Context(), b, number, change); err != nil {
						return err
					}
				}
				found, err := b.Amend(cmd.Context(), number, why, change)
				if err != nil {
					return err
				}
				a.notMine(b)
				s, err := b.Settings(cmd.Context())
				if err != nil {
					return err
				}
				a.say(0, "corrected %s: %s, %s", nameOf(cmd.Context(), b, number), found.Kind.Name,
					describe(found.Kind, found.Current, s))
				if keptEnd {
					a.say(0, "the run was recorded when it came back, so its end stays and its start moves; change "+
						"the start with --at")
				}
				if err := a.sayMade(cmd.Context(), b, found.Current); err != nil {
					return err
				}
				return a.sayStates(cmd.Context(), b, was, found.Kind, found.Current)
			})
		},
	}
	seen := map[string]bool{"why": true, "sure": true}
	for _, k := range schema.Kinds {
		if k.Name == "word" || k.Name == "setting" {
			continue
		}
		for i := range k.Fields {
			f := &k.Fields[i]
			if name := flagName(k, f); !seen[name] {
				seen[name] = true
				help, _, _ := strings.Cut(f.Help, "; default") // what is not given stays
				c.Flags().String(name, "", help)
				_ = c.RegisterFlagCompletionFunc(name, a.completeField(f))
			}
		}
	}
	c.Flags().StringVar(&why, "why", "", "why you correct it")
	c.Flags().BoolVar(&sure, "sure", false, "record it even if it looks unlikely")
	return c
}

// doubtCorrection asks about what a correction makes unlikely, as of a new record;
// what was unlikely before is not asked again.
func (a *app) doubtCorrection(ctx context.Context, b *store.Book, number int64,
	change func(*schema.Kind, schema.Record) error) error {
	was, err := b.Show(ctx, number)
	if err != nil || was.Current == nil || !was.Kind.Dated {
		return nil // the change itself says what is wrong
	}
	is, err := b.Show(ctx, number)
	if err != nil {
		return err
	}
	if err := change(is.Kind, is.Current); err != nil {
		return err
	}
	f, err := common(ctx, b)
	if err != nil {
		return err
	}
	for log, err := range b.Logs(ctx, machineOf(is.Kind, is.Current)) {
		if err != nil {
			return err
		}
		log = log.Without(func(n int64) bool { return n == number })
		before := report.Slips(f, log, was.Current, a.now)
		slips := slices.DeleteFunc(report.Slips(f, log, is.Current, a.now),
			func(s string) bool { return slices.Contains(before, s) })
		return a.doubt(slips)
	}
	return nil
}

// endSlack is how far a run's end may lie from when it was entered for it to have
// been entered as it came in.
const endSlack = 10 * time.Minute

// keepEnd moves the start of a run whose hours were changed, where its start was
// reckoned back from its coming in.
func keepEnd(run, was *schema.Run) bool {
	h, _ := run.Duration()
	before, _ := was.Duration()
	if h == before || was.Entered.Sub(was.End()).Abs() > endSlack {
		return false
	}
	run.At = was.End().Add(-time.Duration(h * float64(time.Hour))).Truncate(time.Second)
	return true
}

func hasFlag(k *schema.Kind, name string) bool {
	for i := range k.Fields {
		if flagName(k, &k.Fields[i]) == name {
			return true
		}
	}
	return false
}
