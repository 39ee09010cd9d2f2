package store

import (
	"context"
	"maps"
	"slices"

	"shedbook/schema"
)

// Earlier is a record of a machine as it was before it was amended or voided.
// Machines and drivers stand in it by the names they have today.
type Earlier struct {
	Number int64
	Kind   *schema.Kind
	Version
}

// Earlier reads the earlier versions of a machine's records, its own included,
// by number and oldest first. A record belongs to the machine that it names
// today or, voided, that it named last.
func (b *Book) Earlier(ctx context.Context, machine string) ([]Earlier, error) {
	n, err := readNames(ctx, b.db)
	if err != nil {
		return nil, explain(b.path, err)
	}
	all, err := readPast(ctx, b.db, n)
	if err != nil {
		return nil, explain(b.path, err)
	}
	out, err := all.of(ctx, b.db, n, machine)
	return out, explain(b.path, err)
}

// People are the drivers by name with the names they had before, then those
// that were voided: whoever a text may name.
func (b *Book) People(ctx context.Context) ([]schema.Driver, error) {
	n, err := readNames(ctx, b.db)
	if err != nil {
		return nil, explain(b.path, err)
	}
	drivers, gone, err := readDrivers(ctx, b.db, n)
	return append(drivers, gone...), explain(b.path, err)
}

// past is the whole of the book's past: a small part of the book.
type past struct {
	versions  []Earlier
	machineOf map[string]int64 // whose name it was, the last to have it
	driverOf  map[string]int64
}

// earlier reads versions, by number and oldest first, with names as they were.
func earlier(ctx context.Context, q querier, where string, args ...any) ([]Earlier, error) {
	rows, err := q.QueryContext(ctx, "SELECT number, kind, what, replaced, coalesce(why, ''), content FROM past "+where+" ORDER BY number, version", args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []Earlier
	for rows.Next() {
		var e Earlier
		var kind, replaced, content string
		if err := rows.Scan(&e.Number, &kind, &e.What, &replaced, &e.Why, &content); err != nil {
			return nil, err
		}
		if e.Kind = schema.KindNamed(kind); tables()[e.Kind] == nil {
			return nil, trouble(BadBook, "shedbook verify looks into it", "the book's past holds a record of the unknown kind %q", kind)
		}
		if e.Replaced, err = parseTime(replaced); err != nil {
			return nil, err
		}
		if e.Record, err = e.Kind.FromJSON([]byte(content)); err != nil {
			return nil, err
		}
		out = append(out, e)
	}
	return out, rows.Err()
}

// readPast reads it, with names as they are today.
func readPast(ctx context.Context, q querier, n *names) (*past, error) {
	p := &past{machineOf: map[string]int64{}, driverOf: map[string]int64{}}
	var err error
	if p.versions, err = earlier(ctx, q, ""); err != nil {
		return nil, err
	}
	for _, e := range p.versions {
		switch r := e.Record.(type) {
		case *schema.Machine:
			p.machineOf[r.Name] = e.Number
		case *schema.Driver:
			p.driverOf[r.Name] = e.Number
		}
	}
	for _, e := range p.versions {
		for i := range e.Kind.Fields {
			f := &e.Kind.Fields[i]
			switch f.Type {
			case schema.MachineField:
				today(f.Pointer(e.Record).(*string), n.machine, p.machineOf, n.machineName)
			case schema.DriverField:
				today(f.Pointer(e.Record).(*string), n.driver, p.driverOf, n.driverName)
			}
		}
	}
	return p, nil
}

// today replaces a former name by what its bearer is called today; a name that
// somebody has today is theirs.
func today(name *string, now, before map[string]int64, nameOf map[int64]string) {
	if _, ok := now[*name]; ok {
		return
	}
	if id, ok := before[*name]; ok && nameOf[id] != "" {
		*name = nameOf[id]
	}
}

// of picks the versions of one machine's records.
func (p *past) of(ctx context.Context, q querier, n *names, machine string) ([]Earlier, error) {
	id := n.machine[machine]
	var out []Earlier
	for from := 0; from < len(p.versions); {
		to := from + 1
		for to < len(p.versions) && p.versions[to].Number == p.versions[from].Number {
			to++
		}
		last := &p.versions[to-1]
		mine := last.Number == id
		if last.Kind.Field("machine") != nil && last.Kind.Name != "machine" {
			named := last.Kind.Text(last.Record, "machine")
			if last.What != "voided" {
				is, err := tables()[last.Kind].one(ctx, q, n, "WHERE number = ?", last.Number)
				if err != nil {
					return nil, err
				}
				if is != nil {
					named = last.Kind.Text(is, "machine")
				}
			}
			mine = named == machine
		}
		if mine {
			out = append(out, p.versions[from:to]...)
		}
		from = to
	}
	return out, nil
}

// readDrivers reads the drivers by name, with their former names, and those
// that were voided.
func readDrivers(ctx context.Context, q querier, n *names) (drivers, gone []schema.Driver, err error) {
	former := map[int64][]string{}
	were, err := earlier(ctx, q, "WHERE kind = 'driver'")
	if err != nil {
		return nil, nil, err
	}
	for _, e := range were {
		former[e.Number] = append(former[e.Number], e.Record.(*schema.Driver).Name)
	}
	err = tables()[schema.KindNamed("driver")].query(ctx, q, n, "ORDER BY driver", nil, func(r schema.Record) error {
		d := *r.(*schema.Driver)
		for _, name := range former[d.Number] {
			if name != d.Name && !slices.Contains(d.Former, name) {
				d.Former = append(d.Former, name)
			}
		}
		delete(former, d.Number)
		drivers = append(drivers, d)
		return nil
	})
	for _, number := range slices.Sorted(maps.Keys(former)) {
		for _, name := range former[number] {
			gone = append(gone, schema.Driver{Name: name})
		}
	}
	return drivers, gone, err
}
