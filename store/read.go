package store

import (
	"cmp"
	"context"
	"iter"
	"slices"
	"strings"
	"time"

	"shedbook/schema"
	"shedbook/schema/unit"
)

// Filter picks records; zero values pick all. From and To are inclusive.
type Filter struct {
	Machine, Driver string
	From, To        time.Time
	Last            int // at most so many, the newest
}

// List returns the records of a kind that the filter picks, in time order, ties
// by number; kinds without a time by number.
func (b *Book) List(ctx context.Context, k *schema.Kind, f Filter) ([]schema.Record, error) {
	n, err := readNames(ctx, b.db)
	if err != nil {
		return nil, explain(b.path, err)
	}
	if err := n.readTies(ctx, b.db); err != nil {
		return nil, explain(b.path, err)
	}
	var out []schema.Record
	switch k.Name {
	case "word":
		for i := range n.added {
			out = append(out, &n.added[i])
		}
		return out, nil
	case "setting":
		for _, key := range sortedKeys(n.settings) {
			out = append(out, &schema.Setting{Key: key, Value: n.settings[key]})
		}
		return out, nil
	}
	var where []string
	var args []any
	pick := func(clause string, value any) { where, args = append(where, clause), append(args, value) }
	if f.Machine != "" && k.Field("machine") != nil {
		pick("machine = ?", n.machine[f.Machine])
	}
	if f.Driver != "" && k.Field("driver") != nil {
		pick("driver = ?", n.driver[f.Driver])
	}
	order := "number"
	if c := k.TimeColumn(); c != "" {
		order = c + ", number"
		if !f.From.IsZero() {
			pick(c+" >= ?", formatTime(f.From))
		}
		if !f.To.IsZero() {
			pick(c+" <= ?", formatTime(f.To))
		}
	} else if k.Name == "machine" || k.Name == "driver" {
		order = k.Name
	}
	clause := ""
	if len(where) > 0 {
		clause = "WHERE " + strings.Join(where, " AND ")
	}
	if f.Last > 0 { // the newest first, so that no more are read than needed
		order = strings.ReplaceAll(order, ",", " DESC,") + " DESC LIMIT ?"
		args = append(args, f.Last)
	}
	clause += " ORDER BY " + order
	err = tables()[k].query(ctx, b.db, n, clause, args, func(r schema.Record) error {
		out = append(out, r)
		return nil
	})
	if f.Last > 0 {
		slices.Reverse(out)
	}
	if n.ties != nil {
		slices.SortStableFunc(out, func(a, b schema.Record) int {
			return cmp.Or(k.When(a).Compare(k.When(b)), cmp.Compare(k.Meta(a).Order, k.Meta(b).Order))
		})
	}
	if k.Name == "machine" {
		slices.SortStableFunc(out, func(a, b schema.Record) int {
			return unit.Natural(k.Text(a, k.Name),
				k.Text(b, k.Name))
		})
	}
	return out, explain(b.path, err)
}

// manyMachines is the number of machines from which it is faster to read the
// records in no pack all at once.
const manyMachines = 20

// SealedLogs yields machines' logs in order of name, as of one moment: those of
// the machines named, or all.
func (b *Book) SealedLogs(ctx context.Context, machines ...string) iter.Seq2[*Sealed, error] {
	return func(yield func(*Sealed, error) bool) {
		named := machines
		if len(machines) > manyMachines {
			named = nil // the others' records are read and skipped
		}
		err := b.moment(ctx, named, func(q querier, n *names) error {
			quiet := quiet(ctx)
			p, err := openPacks(quiet, q, n)
			if len(machines) == 0 {
				machines = n.machines
			}
			if err == nil && len(machines) > manyMachines {
				err = p.readLoose(quiet)
			}
			for i := 0; i < len(machines) && err == nil; i++ {
				var s *Sealed
				if s, err = p.sealed(quiet, machines[i]); err == nil {
					if s.path = b.path; !yield(s, nil) {
						return nil
					}
				}
				err = cmp.Or(err, ctx.Err())
			}
			return err
		})
		if err != nil {
			yield(nil, err)
		}
	}
}

// Logs yields the logs of SealedLogs, decoded.
func (b *Book) Logs(ctx context.Context, machines ...string) iter.Seq2[schema.Log, error] {
	return func(yield func(schema.Log, error) bool) {
		for s, err := range b.SealedLogs(ctx, machines...) {
			var l schema.Log
			if err == nil {
				l, err = s.Open()
			}
			if !yield(l, err) {
				return
			}
		}
	}
}

// quiet returns ctx without its cancellation, for short work: the driver starts
// a goroutine at every statement to watch a context that can be cancelled,
// which costs more than most statements do.
func quiet(ctx context.Context) context.Context { return context.WithoutCancel(ctx) }

// moment lets read see the book as it is at one moment, with the names of the
// machines given, or of all.
func (b *Book) moment(ctx context.Context, machines []string, read func(q querier, n *names) error) error {
	c, err := b.db.Conn(ctx)
	if err != nil {
		return explain(b.path, err)
	}
	defer c.Close()
	ctx = quiet(ctx)
	if _, err := c.ExecContext(ctx, "BEGIN"); err != nil { // for reading, so it waits for nobody
		return explain(b.path, err)
	}
	defer c.ExecContext(ctx, "ROLLBACK")
	n, err := readNames(ctx, c, machines...)
	if err == nil {
		err = read(c, n)
	}
	return explain(b.path, err)
}

// Fleet returns the whole book, or of the logs only those of the machines
// named.
func (b *Book) Fleet(ctx context.Context, machines ...string) (schema.Fleet, error) {
	f, err := b.common(ctx, machines)
	if err != nil {
		return f, err
	}
	for l, err := range b.Logs(ctx, machines...) {
		if err != nil {
			return f, err
		}
		f.Logs = append(f.Logs, l)
	}
	return f, nil
}

// Common returns what belongs to no single machine: a fleet without its logs.
func (b *Book) Common(ctx context.Context) (schema.Fleet, error) { return b.common(ctx, nil) }

// common reads only the specs and plans of the machines given, or all.
func (b *Book) common(ctx context.Context, machines []string) (schema.Fleet, error) {
	var f schema.Fleet
	ctx = quiet(ctx)
	err := b.moment(ctx, machines, func(q querier, n *names) (err error) {
		f.Words, f.Settings = n.added, n.settings
		if err := n.readTies(ctx, q); err != nil {
			return err
		}
		if f.Drivers, f.Gone, err = readDrivers(ctx, q, n); err != nil {
			return err
		}
		for _, k := range schema.Kinds {
			where, args := "ORDER BY number", []any(nil)
			switch k.Name {
			case "spec", "plan":
				if len(machines) > 0 {
					where = "WHERE machine IS NULL OR machine IN (?" + strings.Repeat(", ?", len(machines)-1) +
						") ORDER BY number"
					for _, m := range machines {
						args = append(args, n.machine[m])
					}
				}
			case "answer":
				where = "WHERE machine IS NULL ORDER BY at, number"
			default:
				continue
			}
			err = cmp.Or(err, tables()[k].query(ctx, q, n, where, args, func(r schema.Record) error {
				switch r := r.(type) {
				case *schema.Spec:
					f.Specs = append(f.Specs, *r)
				case *schema.Plan:
					f.Plans = append(f.Plans, *r)
				case *schema.Answer:
					f.Answers = append(f.Answers, *r)
				}
				return nil
			}))
		}
		if n.ties != nil {
			slices.SortStableFunc(f.Specs, func(a, b schema.Spec) int { return cmp.Compare(a.Order, b.Order) })
			slices.SortStableFunc(f.Plans, func(a, b schema.Plan) int { return cmp.Compare(a.Order, b.Order) })
			slices.SortStableFunc(f.Answers, func(a, b schema.Answer) int {
				return cmp.Or(a.At.Compare(b.At),
					cmp.Compare(a.Order, b.Order))
			})
		}
		return err
	})
	return f, err
}
