package main

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"shedbook/report"
	"shedbook/report/flags"
	"shedbook/report/render"
	"shedbook/schema"
)

func (a *app) flagsVerb() *cobra.Command {
	var alarm bool
	var since string
	c := a.reportVerb("flags [MACHINE|DRIVER]",
		"faults that the log points to, worst first; with a machine or driver, all the reasons", "",
		args(0, 1, "a machine, a driver or nothing"),
		func(_ context.Context, req *request, words []string) error {
			if since != "" && !alarm {
				return usage("for instance: shedbook flags --alarm --raised-after yesterday",
					"--raised-after goes with --alarm")
			}
			var err error
			from := req.at.AddDate(0, 0, -1)
			if since != "" {
				if from, err = a.parseTime("--raised-after", since, req.fleet.Settings); err != nil {
					return err
				}
			}
			who := ""
			if len(words) > 0 {
				machine, driver, err := req.known.Bearer(words[0])
				if err != nil {
					return err
				}
				who = machine + driver
			}
			r := req.seen()
			if who == "" {
				err = render.Flags(a.out, r, req.options())
			} else {
				if !req.asJSON && !req.asCSV { // which have no curves
					req.addCurve(&r, who)
				}
				err = render.FlagsOf(a.out, r, who, req.options())
			}
			if err != nil || !alarm {
				return err
			}
			for _, f := range r.Flags {
				if f.Raised.After(from) && (who == "" || who == f.Machine || who == f.Driver) {
					return exitError(exitRaised)
				}
			}
			return nil
		})
	c.Flags().BoolVar(&alarm, "alarm", false, fmt.Sprintf("exit with code %d if a flag was raised after --raised-after",
		exitRaised))
	c.Flags().StringVar(&since, "raised-after", "", "with --alarm: this time (default: a day ago)")
	c.Flags().SetNormalizeFunc(func(_ *pflag.FlagSet, name string) pflag.NormalizedName {
		switch name { // what they were called before
		case "exit-code":
			name = "alarm"
		case "since":
			name = "raised-after"
		}
		return pflag.NormalizedName(name)
	})
	return c
}

// addCurve adds the curve of a machine that bears no flag, which is not kept with
// the others' answers.
func (req *request) addCurve(r *flags.Result, machine string) {
	if slices.ContainsFunc(r.Flags, func(f flags.Flag) bool { return f.Machine == machine }) {
		return
	}
	for i := range r.Standing {
		s := &r.Standing[i]
		if s.Machine != machine || s.Curve != nil {
			continue
		}
		var ok bool
		if s.Curve, ok = req.curve(machine); !ok {
			g, _ := req.everything(req.source())
			for _, of := range g.Flags.Standing {
				if of.Machine == machine {
					s.Curve = of.Curve
				}
			}
		}
	}
}

// seen is the flags with the machines that are not ready.
func (req *request) seen() flags.Result {
	g := req.overview()
	fleet := report.FleetOf(req.at, g.Rows, open(g.Flags))
	g.Flags.Machines, g.Flags.Doubts = fleet.NotReady(), fleet.Doubts()
	return g.Flags
}

// flagged finds whose flag is answered: a machine's, a driver's, or a factor's
// level (terrain=mud).
func flagged(word string, known *schema.Known, r *schema.Answer) error {
	if factor, level, ok := strings.Cut(word, "="); ok && slices.Contains(schema.Words("flag"), factor) {
		r.Factor = factor + "=" + level
		return nil
	}
	var err error
	r.Machine, r.Driver, err = known.Bearer(word)
	return err
}
