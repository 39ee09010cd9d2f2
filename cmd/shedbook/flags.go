package main

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/flags"
	"shedbook/report/render"
	"shedbook/schema"
)

func (a *app) flagsVerb() *cobra.Command {
	var exitCode bool
	var since string
	c := a.lookVerb("flags [MACHINE|DRIVER]", "patterns in the log, worst first; of one machine with the whole reasoning", "", args(0, 1, "a machine, a driver or nothing"),
		func(_ context.Context, l *look, words []string) error {
			if since != "" && !exitCode {
				return usage("for instance: shedbook flags --exit-code --since yesterday", "--since goes with --exit-code")
			}
			var err error
			from := l.at.AddDate(0, 0, -1)
			if since != "" {
				if from, err = a.parseTime(since, l.fleet.Settings); err != nil {
					return err
				}
			}
			who := ""
			if len(words) > 0 {
				machine, driver, err := bearer(l.known, words[0])
				if err != nil {
					return err
				}
				who = machine + driver
			}
			var r flags.Result
			if who == "" {
				r = l.seen()
				err = render.Flags(a.out, r, l.options())
			} else {
				g, _, _ := l.everything(l.source())
				r = l.withStates(g)
				err = render.FlagsOf(a.out, r, who, l.options())
			}
			if err != nil || !exitCode {
				return err
			}
			for _, f := range r.Flags {
				if f.Raised.After(from) && (who == "" || who == f.Machine || who == f.Driver) {
					return exitError(exitRaised)
				}
			}
			return nil
		})
	c.Flags().BoolVar(&exitCode, "exit-code", false, fmt.Sprintf("exit with %d if anything was raised since --since", exitRaised))
	c.Flags().StringVar(&since, "since", "", "with --exit-code: raised after this time (a day ago unless told)")
	return c
}

// seen is the flags with the machines that are not ready.
func (l *look) seen() flags.Result { return l.withStates(l.glance()) }

func (l *look) withStates(g glance) flags.Result {
	g.Flags.Machines = report.FleetOf(l.at, g.Rows, open(g.Flags)).NotReady()
	return g.Flags
}

// bearer finds the machine or the driver that a word names.
func bearer(known *schema.Known, word string) (machine, driver string, err error) {
	if machine, err = known.Machine(word); err == nil {
		return machine, "", nil
	}
	if d, driverErr := known.Driver(word); driverErr == nil {
		return "", d, nil
	}
	return "", "", err
}

// flagged finds whose flag is answered: a machine's, a driver's, or a factor's
// level (terrain=mud).
func flagged(word string, known *schema.Known, r *schema.Answer) error {
	if factor, level, ok := strings.Cut(word, "="); ok && slices.Contains(schema.Words("flag"), factor) {
		r.Factor = factor + "=" + level
		return nil
	}
	var err error
	r.Machine, r.Driver, err = bearer(known, word)
	return err
}
