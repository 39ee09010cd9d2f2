package main

import (
	"context"
	"maps"
	"slices"
	"strings"
	"time"

	"shedbook/report"
	"shedbook/report/exposure"
	"shedbook/report/next"
	"shedbook/report/render"
	"shedbook/report/say"
	"shedbook/report/state"
	"shedbook/schema"
	"shedbook/store"
)

// stateOf is a machine's state by its own log up to a time. The flags that stand
// are not asked: they park no machine, and take the whole fleet's log.
func stateOf(common schema.Fleet, log schema.Log, at time.Time) state.Told {
	log = log.AsOf(at)
	l := exposure.NewIndex(nil, nil, common.Settings).Life(&log)
	return state.Of(l, common.Settings, at, next.Given(common, l))
}

// common is what a state takes of the book besides the machine's log.
func common(ctx context.Context, b *store.Book) (f schema.Fleet, err error) {
	f.Settings, err = b.Settings(ctx)
	return f, err
}

// states are those of the machines named, or of all.
func (a *app) states(ctx context.Context, b *store.Book, machines ...string) (map[string]state.Told, error) {
	f, err := common(ctx, b)
	if err != nil {
		return nil, err
	}
	out := map[string]state.Told{}
	for log, err := range b.Logs(ctx, machines...) {
		if err != nil {
			return nil, err
		}
		out[log.Machine.Name] = stateOf(f, log, a.now)
	}
	return out, nil
}

// statesOf is the state of the machine that a record is of, before it is changed.
func (a *app) statesOf(ctx context.Context, b *store.Book, number int64) (map[string]state.Told, error) {
	found, err := b.Show(ctx, number)
	if err != nil || found.Current == nil {
		return nil, nil // the change itself says what is wrong
	}
	if m := machineNamed(found.Kind, found.Current); m != "" {
		return a.states(ctx, b, m)
	}
	return nil, nil
}

// machineNamed is the machine that a record is of or that it describes; "" where it
// is none's.
func machineNamed(k *schema.Kind, r schema.Record) string {
	if k.Field("machine") == nil {
		return ""
	}
	return k.Text(r, "machine")
}

// sayStates says what became of the machines whose states were, and of the machine
// of the record as it is now.
func (a *app) sayStates(ctx context.Context, b *store.Book, was map[string]state.Told, k *schema.Kind,
	r schema.Record) error {
	now := machineNamed(k, r)
	if k.Name == "machine" { // which may have another name
		for _, told := range was {
			was = map[string]state.Told{now: told}
		}
	}
	machines := slices.Sorted(maps.Keys(was))
	if _, ok := was[now]; !ok && now != "" {
		machines = append(machines, now)
	}
	if len(machines) == 0 {
		return nil
	}
	is, err := a.states(ctx, b, machines...)
	if err != nil {
		return err
	}
	for _, m := range machines {
		if now, ok := is[m]; ok {
			a.sayState(m, was[m], now, nil)
		}
	}
	return nil
}

// sayState says in a line whether a machine became parked by what was recorded,
// stays parked, or no longer is. r is the record; nil for several.
func (a *app) sayState(machine string, was, is state.Told, r schema.Record) {
	var says string
	switch {
	case is.IsParked() && !was.IsParked():
		says = is.Says(machine)
	case is.IsParked():
		says = is.Stays(machine)
		if run, ok := r.(*schema.Run); ok && drivenParked(is, run) {
			says = machine + " was driven while parked. The run is recorded. " + says
		}
	case was.IsParked():
		says = machine + " is no longer parked: " + strings.Join(is.EndedSince(was), "; ") + "."
		if is.State.State == state.Watch {
			says += " " + is.Says(machine)
		}
	default:
		return
	}
	a.say(0, "%s", render.Safe(says))
}

// drivenParked says whether a run went on after the machine was parked.
func drivenParked(is state.Told, run *schema.Run) bool {
	return slices.ContainsFunc(is.Parking(), func(r state.Reason) bool { return r.At.Before(run.End()) })
}

// maxToldOf is after how many rows an import no longer says machine by machine
// which are parked: all would have to be read again.
const maxToldOf = 20_000

// maxDoubts is how many doubts an import lists; the rest are counted.
const maxDoubts = 10

// before is how the book stands before an import: how far it is written and, where
// rows may be amended, the state of every machine.
func (a *app) before(ctx context.Context, b *store.Book, update bool) (written store.State, was map[string]state.Told,
	err error) {
	if written, err = b.State(ctx); err == nil && update {
		was, err = a.states(ctx, b)
	}
	return written, was, err
}

// sayImportedStates says what is doubtful in the new records of an import, and of
// each machine that it wrote to whether it became parked, stays parked or no longer is. was holds the states before,
// where rows
// may have been amended; else the new records are those from a number on.
func (a *app) sayImportedStates(ctx context.Context, b *store.Book, written store.State, was map[string]state.Told,
	done *store.Imported) error {
	rows := 0
	for _, s := range done.Sheets {
		rows += s.Added + s.Amended
	}
	if rows == 0 {
		return nil
	}
	if rows > maxToldOf {
		a.say(0, "to see which machines are parked now: shedbook flags")
		return nil
	}
	now, err := b.State(ctx)
	if err != nil {
		return err
	}
	machines, ok := now.Since(written)
	if !ok { // a machine was renamed: all
		machines = nil
	} else if len(machines) == 0 {
		return nil
	}
	f, err := common(ctx, b)
	if err != nil {
		return err
	}
	var doubts []string
	for log, err := range b.Logs(ctx, machines...) {
		if err != nil {
			return err
		}
		name := log.Machine.Name
		alone := schema.Fleet{Settings: f.Settings, Logs: []schema.Log{log}}
		for _, d := range report.Doubts(report.Of(alone, a.now)).Doubts {
			if slices.ContainsFunc(d.Records, func(r report.Ref) bool { return r.Number >= written.Next }) {
				doubts = append(doubts, name+": "+d.Says)
			}
		}
		before, told := was[name]
		if !told {
			before = stateOf(f, log.Without(func(n int64) bool { return n >= written.Next }), a.now)
		}
		a.sayState(name, before, stateOf(f, log, a.now), nil)
	}
	if n := len(doubts); n > 0 {
		a.say(0, "%s in what was imported; to see them again: shedbook doubts", say.Count(n, "doubt"))
		for _, says := range doubts[:min(n, maxDoubts)] {
			a.say(4, "  %s", render.Safe(says))
		}
		if n > maxDoubts {
			a.say(2, "  and %d more", n-maxDoubts)
		}
	}
	return nil
}
