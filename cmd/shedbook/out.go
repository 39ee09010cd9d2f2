package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/render"
	"shedbook/report/state"
	"shedbook/schema"
	"shedbook/schema/unit"
	"shedbook/store"
)

func (a *app) outVerb() *cobra.Command {
	k := schema.GoesOut
	var sure bool
	var by, why string
	c := &cobra.Command{
		Use: "out MACHINE DRIVER [WORDS]", Short: k.Help, Example: "  shedbook " + lineExamples["out"],
		GroupID: "record",
		Long: upperFirst(k.Help) + ". The level is recorded as well.\n\n" +
			"If the machine is on watch, whoever takes it must accept its state: add accept. A\n" +
			"parked machine stays in the yard until somebody releases it by name.\n\n" + lineHelp(k),
		Args: args(1, -1, "a machine, then the driver, words and options"), ValidArgsFunction: a.completeLine(k),
		RunE: func(cmd *cobra.Command, given []string) error {
			return a.recordIn(cmd.Context(), func(b *store.Book) error {
				known, err := a.known(cmd.Context(), b, given[0])
				if err != nil {
					return err
				}
				o := &schema.Outing{}
				if err := a.setMachine(k, o, given[0], known); err != nil {
					return err
				}
				if err := a.readLine(cmd, k, o, given[1:], known); err != nil {
					return err
				}
				if (by == "") != (why == "") {
					return usage("give both, or neither", "--release-by and --why go together")
				}
				var release *schema.Release
				if by != "" {
					release = o.Release(by, why)
				}
				return a.sendOut(cmd.Context(), b, o, release, sure)
			})
		},
	}
	a.addLine(c, k, &sure)
	c.Flags().StringVar(&by, "release-by", "", "who releases it, if it is parked")
	c.Flags().StringVar(&why, "why", "", "why it may go, if it is parked")
	return c
}

// sendOut records an outing that begins, with what it makes; release is nil unless
// somebody releases the machine for it.
func (a *app) sendOut(ctx context.Context, b *store.Book, o *schema.Outing, release *schema.Release, sure bool) error {
	if err := check(schema.GoesOut, o); err != nil {
		return err
	}
	f, log, err := a.logOf(ctx, b, o.Machine)
	if err != nil {
		return err
	}
	o.Ref = o.Called()
	was := stateOf(f, *log, o.At)
	with := log.Copy()
	var records []schema.Record
	if release != nil {
		if !was.IsParked() {
			return usage("leave --release-by and --why out", "machine %q is not parked: no release is needed",
				o.Machine)
		}
		release.Ref = o.Called() + "-release"
		with.Add(release)
		records = append(records, release)
	}
	if err := a.mayGo(o, stateOf(f, *with, o.At)); err != nil {
		return err
	}
	if !sure {
		if err := a.doubt(report.Slips(f, *with, o, a.now)); err != nil {
			return err
		}
	}
	records = append(append(records, o), o.OutRecords()...)
	if _, err := b.RecordAll(ctx, records...); err != nil {
		return err
	}
	with = log.Copy()
	for _, r := range records {
		a.sayRecorded(ctx, b, schema.KindOf(r), r, f.Settings)
		with.Add(r)
	}
	a.noteClosed(&log.Machine, o.At, f.Settings)
	a.sayState(o.Machine, was, stateOf(f, *with, a.now), nil)
	a.say(0, "%s", render.Safe(fmt.Sprintf("%s is out with %s. When it comes back: shedbook back %s METER",
		o.Machine, o.Driver, schema.Quote(o.Machine))))
	if !o.MeterOut.Known {
		fmt.Fprintln(a.errOut, "note: without the meter reading, the engine hours of this outing will not be known")
	}
	return nil
}

// mayGo is an error where the machine may not go out as it stands.
func (a *app) mayGo(o *schema.Outing, is state.Told) error {
	name := schema.Quote(o.Machine)
	switch {
	case is.IsParked():
		return usage("shedbook next "+name+" says what to do. To let it go all the same: shedbook out "+name+
			" ... accept --release-by NAME --why REASON", "%s", is.Brief(o.Machine))
	case is.State.State != state.Watch || o.Accepted == "yes":
		return nil
	}
	says := is.Says(o.Machine)
	if a.inTerminal {
		a.say(0, "%s", render.Safe(says))
		yes, ok := a.ask("Does " + o.Driver + " accept that (y/n)? ")
		if !ok || !strings.HasPrefix(strings.ToLower(yes), "y") {
			return usage("", "stopped: nothing was recorded")
		}
		o.Accepted = "yes"
		return nil
	}
	return usage("if "+o.Driver+" knows and accepts it, add accept", "%s", says)
}

func (a *app) backVerb() *cobra.Command {
	k := schema.ComesBack
	var sure bool
	c := &cobra.Command{
		Use: "back MACHINE [WORDS]", Short: k.Help, Example: "  shedbook " + lineExamples["back"], GroupID: "record",
		Long: upperFirst(k.Help) + ".\n\n" +
			"It records the run, the coolant level, and an overheat if the lamp came on: records\n" +
			"like any other. The run needs both meter readings, or --hours: the time it was out is\n" +
			"not engine time. The engine counts as hot unless you say cold.\n" +
			"Leave the cap shut until it is hand-warm.\n\n" + lineHelp(k),
		Args: args(1, -1, "a machine, then words and options"), ValidArgsFunction: a.completeLine(k),
		RunE: func(cmd *cobra.Command, given []string) error {
			return a.recordIn(cmd.Context(), func(b *store.Book) error {
				known, err := a.known(cmd.Context(), b, given[0])
				if err != nil {
					return err
				}
				machine, err := known.Machine(given[0])
				if err != nil {
					return err
				}
				f, log, err := a.logOf(cmd.Context(), b, machine)
				if err != nil {
					return err
				}
				out := log.Out()
				if out == nil {
					name := schema.Quote(machine)
					return usage("if it went out: shedbook out "+name+
						" DRIVER --at TIME; else record the run: shedbook run "+name,
						"%s is not out", machine)
				}
				o := *out
				if err := a.readLine(cmd, k, &o, given[1:], known); err != nil {
					return err
				}
				return a.bringBack(cmd.Context(), b, f, log, &o, sure)
			})
		},
	}
	a.addLine(c, k, &sure)
	return c
}

// bringBack records that the machine came back from the outing on which it is, as o
// has it now, and what that makes. log is the machine's before it.
func (a *app) bringBack(ctx context.Context, b *store.Book, f schema.Fleet, log *schema.Log, o *schema.Outing,
	sure bool) error {
	if err := a.askHours(o); err != nil {
		return err
	}
	if err := check(schema.ComesBack, o); err != nil {
		return err
	}
	o.Ref = o.Called()
	made := o.BackRecords()
	with := log.Copy()
	*with.Out() = *o
	doubted, from := made, with
	if _, ok := o.Driven(); !ok { // else the run has the same readings
		yard := log.Without(func(n int64) bool { return n == o.Number })
		doubted, from = []schema.Record{o}, &yard
	}
	var slips []string
	for _, r := range doubted {
		if err := check(schema.KindOf(r), r); err != nil {
			return err
		}
		slips = append(slips, report.Slips(f, *from, r, a.now)...)
	}
	if !sure {
		if err := a.doubt(slips); err != nil {
			return err
		}
	}
	was := stateOf(f, *log, a.now)
	_, err := b.AmendWith(ctx, o.Number, "it came back", func(_ *schema.Kind, r schema.Record) error {
		is := r.(*schema.Outing)
		if !is.Back.IsZero() { // somebody else was faster
			return usage("shedbook show "+fmt.Sprint(o.Number), "%s is back already", o.Machine)
		}
		meta := is.Meta
		*is = *o
		is.Number, is.Entered, is.Versions = meta.Number, meta.Entered, meta.Versions
		return nil
	}, func(schema.Record) []schema.Record { return made })
	if err != nil {
		return err
	}
	a.notMine(b)
	since := unit.FormatTime(o.At, f.Settings.Zone())
	a.say(0, "%s", render.Safe(o.Machine+" is back from "+o.Driver+", out since "+since))
	var run schema.Record
	for _, r := range made {
		a.sayRecorded(ctx, b, schema.KindOf(r), r, f.Settings)
		with.Add(r)
		a.sayEffect(with, r, f.Settings)
		if schema.KindOf(r).Name == "run" {
			run = r
		}
	}
	a.notMine(b) // undo would leave half of it
	if run == nil {
		fmt.Fprintf(a.errOut, "note: no run was recorded, since the engine hours are not known; when you know them: "+
			"shedbook run %s --hours HOURS --driver %s --at %s\n",
			schema.Quote(o.Machine), schema.Quote(o.Driver), schema.Quote(since))
	}
	a.noteClosed(&log.Machine, o.Back, f.Settings)
	a.sayState(o.Machine, was, stateOf(f, *with, a.now), run)
	return nil
}

// askHours asks for the engine hours of an outing that does not say them, where
// somebody types.
func (a *app) askHours(o *schema.Outing) error {
	if _, ok := o.Driven(); ok || !a.inTerminal {
		return nil
	}
	k, known := schema.ComesBack, schema.NewKnown(nil, nil, nil, nil)
	for {
		answer, ok := a.ask("engine hours driven (Enter: not known)? ")
		if !ok {
			return usage("", "stopped: nothing was recorded")
		}
		err := k.Set(o, k.Field("hours"), answer, known, a.now)
		if err == nil {
			return nil
		}
		fmt.Fprintf(a.out, "  %s\n", render.Safe(strings.TrimPrefix(err.Error(), "hours ")))
	}
}

// logOf reads a machine's log, and of the book what its state takes.
func (a *app) logOf(ctx context.Context, b *store.Book, machine string) (schema.Fleet, *schema.Log, error) {
	f, err := common(ctx, b)
	if err != nil {
		return f, nil, err
	}
	for log, err := range b.Logs(ctx, machine) {
		return f, &log, err
	}
	return f, nil, fmt.Errorf("machine %s can't be read", machine)
}

// sayMade says which records an outing made, since they stay as they are.
func (a *app) sayMade(ctx context.Context, b *store.Book, r schema.Record) error {
	o, ok := r.(*schema.Outing)
	if !ok {
		return nil
	}
	var made []string
	for _, m := range o.Makes() {
		k := schema.KindNamed(m.Kind)
		r, err := b.ByRef(ctx, k, m.Ref)
		if err != nil {
			return err
		}
		if r != nil {
			made = append(made, fmt.Sprintf("%s %d", k.Name, k.Meta(r).Number))
		}
	}
	if len(made) > 0 {
		a.say(0, "the records made from it stay as they are: %s; correct or void those that are wrong",
			strings.Join(made, ", "))
	}
	return nil
}
