package main

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/cooling"
	"shedbook/report/exposure"
	"shedbook/report/next"
	"shedbook/report/render"
	"shedbook/schema"
	"shedbook/store"
)

func (a *app) nextVerb() *cobra.Command {
	var walk, all bool
	c := a.reportVerb("next MACHINE", "the likely causes, and the best check to do next", "", args(1, 1, "a machine"),
		func(ctx context.Context, req *request, words []string) error {
			machine, err := req.known.Machine(words[0])
			if err != nil {
				return err
			}
			if walk && (req.asJSON || req.asCSV || req.asOf != "") {
				return usage("shedbook next "+schema.Quote(machine)+" --walk",
					"--walk asks and records: leave out --json, --csv and --as-of")
			}
			if walk {
				return a.walk(ctx, machine)
			}
			fleet, others, err := req.among(machine)
			if err != nil {
				return err
			}
			r, err := next.RankAmong(fleet, others, machine, req.at)
			if err != nil {
				return err
			}
			r.State = r.With(machine, report.Standing(machine, open(req.overview().Flags)))
			if all {
				return render.NextInFull(a.out, r, req.options())
			}
			return render.Next(a.out, r, req.options())
		})
	c.Flags().BoolVar(&all, "all", false, "every cause and every check, not only the best three")
	c.Flags().BoolVar(&walk, "walk", false, "do the checks one by one, and record each")
	return c
}

// other is what of a machine counts in another's ranking: next.Other.
type other struct {
	Log  schema.Log
	Part []byte
}

func otherOf(settings schema.Settings, life *exposure.Life) other {
	log, part := next.Other(settings, life.Log)
	return other{log, part}
}

// among reads a machine's log, and of the others what counts beside it, by what was
// kept of them.
func (req *request) among(machine string) (fleet schema.Fleet, others map[string][]byte, err error) {
	read := func(s report.Source) (all []other) {
		for life := range s.Lives {
			all = append(all, otherOf(req.fleet.Settings, life))
		}
		return all
	}
	baseOf := func(all []other) baseMaker {
		return func() ([]byte, []byte) {
			b, _ := json.Marshal(all)
			return b, nil
		}
	}
	all, err := kept(req, "next", "", question[[]other]{
		func(s report.Source) ([]other, baseMaker, error) {
			all := read(s)
			return all, baseOf(all), nil
		},
		func(s report.Source, base keptBase) (all []other, keep baseMaker, ok bool) {
			var were []other
			if json.Unmarshal(base.b, &were) != nil {
				return nil, nil, false
			}
			all, ok = together(req.known.Machines, were, read(s), func(o *other) string { return o.Log.Machine.Name })
			if base.worn {
				keep = baseOf(all)
			}
			return all, keep, ok
		},
	})
	fleet, others = req.fleet, map[string][]byte{}
	for _, o := range all {
		if o.Log.Machine.Name != machine {
			fleet.Logs, others[o.Log.Machine.Name] = append(fleet.Logs, o.Log), o.Part
			continue
		}
		for log, readErr := range req.book.Logs(req.ctx, machine) {
			fleet.Logs, err = append(fleet.Logs, log), cmp.Or(err, readErr)
		}
	}
	return fleet, others, cmp.Or(req.reading.get(), err)
}

// fleetAround reads a machine's log, and of the others what counts beside it.
func fleetAround(ctx context.Context, b *store.Book, machine string, at time.Time) (schema.Fleet, map[string][]byte,
	error) {
	fleet, err := b.Common(ctx)
	others := map[string][]byte{}
	if err != nil {
		return fleet, nil, err
	}
	for log, err := range b.Logs(ctx) {
		if err != nil {
			return fleet, nil, err
		}
		if log.Machine.Name != machine {
			cut := log.AsOf(at)
			log, others[log.Machine.Name] = next.Other(fleet.Settings, &cut)
		}
		fleet.Logs = append(fleet.Logs, log)
	}
	return fleet, others, nil
}

// walk guides somebody through the checks, a line an answer, on a terminal or
// through a pipe. Every answer is recorded before the next check is proposed,
// so a walk that is left goes on from where it was.
func (a *app) walk(ctx context.Context, machine string) error {
	return a.recordIn(ctx, func(b *store.Book) error {
		fleet, others, err := fleetAround(ctx, b, machine, a.now)
		if err != nil {
			return err
		}
		s, err := next.StartAmong(fleet, others, machine, a.now)
		if err != nil {
			return err
		}
		var spec cooling.Spec
		for i := range fleet.Logs {
			if fleet.Logs[i].Machine.Name == machine {
				spec = next.SpecOf(&fleet, &fleet.Logs[i])
			}
		}
		for {
			step := s.Next()
			if step.Check == nil {
				a.say(0, "%s", step.Says)
				return nil
			}
			a.propose(step)
			for {
				answer, more := a.ask("Pass, fail, unsure, what you measured, skip or stop? ")
				if !more || strings.EqualFold(answer, "stop") {
					a.say(0, "stopped; to go on from here: shedbook next %s --walk", schema.Quote(machine))
					return nil
				}
				// All at one time: they count in the order in which they are entered.
				err := a.walkAnswer(ctx, b, s, step, spec, machine, answer,
					schema.Base{Machine: machine, At: a.now.UTC()})
				if err != nil {
					if code, _, _ := judge(err); code != exitWords {
						return err
					}
					a.say(2, "  %s", err)
					continue
				}
				break
			}
		}
	})
}

func (a *app) propose(step next.Step) {
	c := step.Check
	fmt.Fprintln(a.out)
	a.say(0, "%s", step.Says)
	if c.How != "" {
		a.say(11, "  how:     %s", c.How)
	}
	if c.Caution != "" {
		a.say(11, "  caution: %s", c.Caution)
	}
	if figures, err := cooling.Figures(c.Check); err == nil {
		var names []string
		for _, f := range figures {
			names = append(names, f.Name)
		}
		a.say(11, "  measure: %s (write name=value, or just pass or fail)", strings.Join(names, ", "))
	}
	if step.PassMeans != "" {
		a.say(11, "  pass:    %s", step.PassMeans)
		a.say(11, "  fail:    %s", step.FailMeans)
	}
}

// walkAnswer takes one answer: a result, a value measured, or skip.
func (a *app) walkAnswer(ctx context.Context, b *store.Book, s *next.Session, step next.Step, spec cooling.Spec,
	machine, answer string, base schema.Base) error {
	settings, err := b.Settings(ctx)
	if err != nil {
		return err
	}
	record, ok, err := s.Answer(answer, base.At)
	if err == nil && !ok {
		return nil
	}
	if err != nil {
		figures, figureErr := figuresTyped(step.Check.Check, answer, settings.Units())
		if answer == "" || figureErr != nil {
			if strings.ContainsAny(answer, "=0123456789") {
				err = figureErr
			}
			return usage("", "%s", err)
		}
		record = schema.Check{Head: schema.Head{Base: base}, Check: step.Check.Check}
		v, err := a.judge(&record, cooling.Measurement{Figures: figures}, spec)
		if err != nil {
			return err
		}
		if err := a.keep(ctx, b, schema.KindNamed("check"), &record); err != nil {
			return err
		}
		a.sayVerdict(v, machine)
		return s.Add(record)
	}
	return a.keep(ctx, b, schema.KindNamed("check"), &record)
}
