package store

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"shedbook/schema"
)

// Earlier is a record of a machine as it was before it was amended or voided,
// with machines and drivers under their present names.
type Earlier struct {
	Number int64
	Kind   *schema.Kind
	Version
}

// Earlier returns the earlier versions of a machine's records, those of the
// machine itself included, by number and oldest first. A record belongs to the
// machine that it names now or, if voided, that it named last.
func (b *Book) Earlier(ctx context.Context, machine string) ([]Earlier, error) {
	n, err := readNames(ctx, b.db)
	if err == nil {
		err = n.readTies(ctx, b.db)
	}
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

// People returns everybody a text may name: drivers by name with their former
// names, then the voided ones.
func (b *Book) People(ctx context.Context) ([]schema.Driver, error) {
	n, err := readNames(ctx, b.db)
	if err != nil {
		return nil, explain(b.path, err)
	}
	drivers, gone, err := readDrivers(ctx, b.db, n)
	return append(drivers, gone...), explain(b.path, err)
}

// past holds all earlier versions in the book, which is a small part of it.
type past struct{ versions []Earlier }

// earlier reads earlier versions, by number and oldest first, under present
// names.
func earlier(ctx context.Context, q querier, n *names, where string, args ...any) ([]Earlier, error) {
	rows, err := q.QueryContext(ctx, "SELECT number, kind, what, replaced, coalesce(why, ''), content FROM past "+where+
		" ORDER BY number, version", args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []Earlier
	var contents []string
	for rows.Next() {
		var e Earlier
		var kind, replaced, content string
		if err := rows.Scan(&e.Number, &kind, &e.What, &replaced, &e.Why, &content); err != nil {
			return nil, err
		}
		if e.Kind = schema.KindNamed(kind); tables()[e.Kind] == nil {
			return nil, trouble(BadBook, "shedbook verify looks into it",
				"the book's past holds a record of the unknown kind %q", kind)
		}
		if e.Replaced, err = parseTime(replaced); err != nil {
			return nil, err
		}
		out, contents = append(out, e), append(contents, content)
	}
	if err := rows.Err(); err != nil {
		return nil, err
	}
	rows.Close()
	for i := range out {
		if out[i].Record, err = n.decodeVersion(ctx, q, out[i].Kind, contents[i]); err != nil {
			return nil, err
		}
		if n.ties != nil {
			out[i].Kind.Meta(out[i].Record).Order = n.ties.order(out[i].Number)
		}
	}
	return out, nil
}

// decodeVersion reads an earlier version from its JSON. Machines and drivers
// stand in it by number; by name only if they are not in this book, as the
// drivers of a handed-over machine who only occur in earlier versions.
func (n *names) decodeVersion(ctx context.Context, q querier, k *schema.Kind, content string) (schema.Record, error) {
	return k.Decode([]byte(content), func(f *schema.Field, number int64, is string) (string, error) {
		what, today, others := "machine", n.machineName, n.machine
		if f.Type == schema.DriverField {
			what, today, others = "driver", n.driverName, n.driver
		}
		if number != 0 {
			if name, ok := today[number]; ok {
				return name, nil
			}
			if err := n.readGone(ctx, q); err != nil {
				return "", err
			}
			var ok bool
			if is, ok = n.gone[number]; !ok {
				return "", fmt.Errorf("%s %d was never in the book", what, number)
			}
		}
		if _, taken := others[is]; taken { // somebody else has that name here
			is += " (another)"
		}
		return is, nil
	})
}

// encodeVersion returns an earlier version as JSON: see decodeVersion.
func (n *names) encodeVersion(k *schema.Kind, r schema.Record) string {
	return string(k.Encode(r, time.UTC, func(f *schema.Field, name string) (int64, bool) {
		of := n.machine
		if f.Type == schema.DriverField {
			of = n.driver
		}
		number, ok := of[name]
		return number, ok
	}))
}

// readGone reads, once, the last names of the voided machines and drivers.
func (n *names) readGone(ctx context.Context, q querier) error {
	if n.gone != nil {
		return nil
	}
	rows, err := q.QueryContext(ctx, `SELECT number, json_extract(content, '$.' || kind) FROM past
		WHERE what = 'voided' AND kind IN ('machine', 'driver')`)
	if err != nil {
		return err
	}
	defer rows.Close()
	n.gone = map[int64]string{}
	for rows.Next() {
		var number int64
		var name string
		if err := rows.Scan(&number, &name); err != nil {
			return err
		}
		n.gone[number] = name
	}
	return rows.Err()
}

// readPast reads all earlier versions.
func readPast(ctx context.Context, q querier, n *names) (*past, error) {
	versions, err := earlier(ctx, q, n, "")
	return &past{versions}, err
}

// of returns the versions of one machine's records.
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

// readDrivers reads the drivers by name, with their former names and those that they
// were given, and the voided ones.
func readDrivers(ctx context.Context, q querier, n *names) (drivers, gone []schema.Driver, err error) {
	former := map[int64][]string{}
	were, err := earlier(ctx, q, n, "WHERE kind = 'driver'")
	if err != nil {
		return nil, nil, err
	}
	for _, e := range were {
		former[e.Number] = append(former[e.Number], e.Record.(*schema.Driver).Name)
	}
	given, err := readGiven(ctx, q)
	if err != nil {
		return nil, nil, err
	}
	err = tables()[schema.KindNamed("driver")].query(ctx, q, n, "ORDER BY driver", nil, func(r schema.Record) error {
		d := *r.(*schema.Driver)
		d.Given = given[d.Number]
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

// readGiven reads, by number, what those were given whose names stand for another
// here.
func readGiven(ctx context.Context, q querier) (map[int64]string, error) {
	rows, err := q.QueryContext(ctx, "SELECT number, given FROM given")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := map[int64]string{}
	for rows.Next() {
		var number int64
		var name string
		if err := rows.Scan(&number, &name); err != nil {
			return nil, err
		}
		out[number] = name
	}
	return out, rows.Err()
}
