package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"shedbook/report/flags"
	"shedbook/schema"
	"shedbook/store"
)

func (a *app) answerVerb() *cobra.Command {
	k := schema.KindNamed("answer")
	c := &cobra.Command{
		Use: "answer MACHINE|DRIVER|FACTOR=LEVEL FLAG", Short: "say what you found when you looked into a flag",
		GroupID: "record",
		Long: "A flag you have answered stays quiet until new evidence comes in. `next` learns from\nwhat you " +
			"found which faults your machines tend to have.",
		Args: args(2, 2, "a machine, driver or FACTOR=LEVEL, and then the flag"),
		ValidArgsFunction: func(cmd *cobra.Command, given []string, typed string) ([]cobra.Completion,
			cobra.ShellCompDirective) {
			if len(given) == 1 {
				return a.candidates(cmd.Context(), k.Field("flag"), typed), cobra.ShellCompDirectiveNoFileComp
			}
			return a.completeMachine(cmd, given, typed)
		},
		RunE: func(cmd *cobra.Command, given []string) error {
			return a.recordIn(cmd.Context(), func(b *store.Book) error {
				known, err := a.known(cmd.Context(), b)
				if err != nil {
					return err
				}
				r := &schema.Answer{}
				if err := flagged(given[0], known, r); err != nil {
					return err
				}
				if err := k.Set(r, k.Field("flag"), given[1], known, a.now); err != nil {
					return err
				}
				if _, err := a.setFields(cmd.Flags(), k, r, known); err != nil {
					return err
				}
				if r.At.IsZero() {
					r.At = a.now.UTC()
				}
				if r.Service.Known {
					found, err := b.Show(cmd.Context(), int64(r.Service.V))
					if err != nil {
						return err
					}
					if s, ok := found.Current.(*schema.Service); !ok || s.Machine != r.Machine {
						return usage("shedbook list services --machine "+given[0]+" shows them",
							"record %d is not a service of %s", int64(r.Service.V), given[0])
					}
				}
				req := &request{a: a}
				if !r.At.Equal(a.now) {
					req.asOf = r.At.Format(time.RFC3339)
				}
				if err := req.read(cmd.Context(), b); err != nil {
					return err
				}
				seen := req.overview()
				if err := req.reading.get(); err != nil {
					return err
				}
				if !raised(seen.Flags, r) {
					fmt.Fprintf(a.errOut,
						"note: %[2]s had no flag %[1]s at that time; your answer is recorded anyway\n", r.Flag,
						given[0])
				}
				return a.keep(cmd.Context(), b, k, r)
			})
		},
	}
	a.addFields(c, k, "ref", "machine", "driver", "factor", "flag", "nothing_found")
	c.Flags().Bool("nothing-found", false, "looked, and found nothing")
	return c
}

// raised says whether the flag that is answered stands.
func raised(r flags.Result, to *schema.Answer) bool {
	for _, f := range append(append([]flags.Flag{}, r.Flags...), r.Resting...) {
		if f.Flag == to.Flag && f.Machine == to.Machine && f.Driver == to.Driver &&
			(to.Factor == "" || to.Factor == f.Factor+"="+f.Level) {
			return true
		}
	}
	return false
}
