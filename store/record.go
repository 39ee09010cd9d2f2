package store

import (
	"context"
	"database/sql"
	"fmt"
	"strings"
	"time"

	"shedbook/schema"
	"shedbook/schema/unit"
)

// Record puts a new record into the book and returns its number. A record with
// exactly the content of another is refused as typed twice. Words and settings
// have no number (0).
func (b *Book) Record(ctx context.Context, r schema.Record) (int64, error) {
	numbers, err := b.RecordAll(ctx, r)
	if err != nil {
		return 0, err
	}
	return numbers[0], nil
}

// RecordAll records several, all or none of them.
func (b *Book) RecordAll(ctx context.Context, records ...schema.Record) ([]int64, error) {
	var machines []string // whose names are needed; none means all
	for _, r := range records {
		if err := schema.KindOf(r).Check(r); err != nil {
			return nil, err
		}
		if base := schema.BaseOf(r); base != nil {
			machines = append(machines, base.Machine)
		}
	}
	if len(machines) < len(records) {
		machines = nil
	}
	numbers := make([]int64, len(records))
	err := b.write(ctx, func(tx *sql.Tx) error {
		ctx := quiet(ctx)
		n, err := readNames(ctx, tx, machines...)
		if err != nil {
			return err
		}
		for i, r := range records {
			if numbers[i], err = b.enter(ctx, tx, n, r); err != nil {
				return err
			}
		}
		return nil
	})
	return numbers, err
}

// enter inserts one new record.
func (b *Book) enter(ctx context.Context, tx *sql.Tx, n *names, r schema.Record) (int64, error) {
	k := schema.KindOf(r)
	t := tables()[k]
	same, err := t.same(ctx, tx, n, r)
	if err != nil {
		return 0, err
	}
	if same != nil {
		return 0, duplicate(k, k.Meta(same).Number, k.Text(r, k.Fields[0].Name))
	}
	number, err := take(ctx, tx, 1)
	if err != nil {
		return 0, err
	}
	m := k.Meta(r)
	m.Number, m.Entered = number, b.now()
	if err := t.put(ctx, tx, n, r); err != nil {
		return 0, err
	}
	return number, b.wrote(ctx, tx, number, 0)
}

func duplicate(k *schema.Kind, number int64, name string) error {
	switch k.Name {
	case "machine", "driver":
		return trouble(Refused, fmt.Sprintf("to change it: shedbook correct %d", number),
			"%s %s is already in the book", k.Name, unit.Quote(name))
	}
	return trouble(Refused, "if there were two, give them different times or notes",
		"this %s is already in the book, as number %d", k.Name, number)
}

// put inserts a record that has its number already.
func (t *table) put(ctx context.Context, q querier, n *names, r schema.Record) error {
	values, err := t.values(r, n)
	if err != nil {
		return err
	}
	_, err = q.ExecContext(ctx, t.insert, values...)
	return err
}

// same returns the record that r repeats: one of the same name, the same ref
// or, if r has no ref, the same content; nil if there is none.
func (t *table) same(ctx context.Context, q querier, n *names, r schema.Record) (schema.Record, error) {
	k := t.kind
	switch k.Name {
	case "machine":
		return t.one(ctx, q, n, "WHERE lower(machine) = lower(?)", k.Text(r, "machine"))
	case "driver":
		return t.one(ctx, q, n, "WHERE lower(driver) = lower(?)", k.Text(r, "driver"))
	case "spec":
		values, err := t.values(r, n)
		if err != nil {
			return nil, err
		}
		return t.one(ctx, q, n, "WHERE machine IS ? AND model IS ? AND figure IS ?", values[1], values[2], values[3])
	}
	if ref := k.Text(r, "ref"); ref != "" {
		return t.one(ctx, q, n, "WHERE ref = ?", ref)
	}
	where, args, err := t.content(r, n)
	if err != nil {
		return nil, err
	}
	return t.one(ctx, q, n, where, args...)
}

// content returns the WHERE clause, and its arguments, that picks the records
// with the content of r.
func (t *table) content(r schema.Record, n *names) (string, []any, error) {
	values, err := t.values(r, n)
	if err != nil {
		return "", nil, err
	}
	var where []string
	fields := t.kind.Fields
	for i := range fields {
		where = append(where, `"`+fields[i].Name+`" IS ?`)
	}
	return "WHERE " + strings.Join(where, " AND "), values[1 : 1+len(fields)], nil
}

// Version is a record as it was before it was amended or voided.
type Version struct {
	Record   schema.Record
	What     string // "amended" or "voided"
	Replaced time.Time
	Why      string
}

// Found is a record with its earlier versions, oldest first. A voided record is
// the last of its versions, and Current is nil. Same is the number of the record
// that counts in the place of this one, since it says the same; 0 where none does.
type Found struct {
	Kind    *schema.Kind
	Current schema.Record
	Past    []Version
	Same    int64
}

// Show finds a record by its number.
func (b *Book) Show(ctx context.Context, number int64) (*Found, error) {
	f, err := b.aside(ctx, number)
	if err == nil && f == nil {
		f, _, err = find(ctx, b.db, number)
	}
	return f, explain(b.path, err)
}

// find returns the record with this number, and the names of the book.
func find(ctx context.Context, q querier, number int64) (*Found, *names, error) {
	n, err := readNames(ctx, q)
	if err != nil {
		return nil, nil, err
	}
	f := &Found{}
	for _, k := range schema.Kinds {
		t := tables()[k]
		if t == nil {
			continue
		}
		r, err := t.one(ctx, q, n, "WHERE number = ?", number)
		if err != nil {
			return nil, nil, err
		}
		if r != nil {
			f.Kind, f.Current = k, r
			break
		}
	}
	were, err := earlier(ctx, q, n, "WHERE number = ?", number)
	if err != nil {
		return nil, nil, err
	}
	for _, e := range were {
		f.Kind = e.Kind
		f.Past = append(f.Past, e.Version)
	}
	if f.Kind == nil {
		return nil, nil, trouble(NotFound, "shedbook list KIND shows the numbers", "there is no record %d in the book",
			number)
	}
	return f, n, nil
}

// ByRef returns the record of a kind with this ref; nil if there is none.
func (b *Book) ByRef(ctx context.Context, k *schema.Kind, ref string) (schema.Record, error) {
	n, err := readNames(ctx, b.db)
	if err != nil {
		return nil, explain(b.path, err)
	}
	r, err := tables()[k].one(ctx, b.db, n, "WHERE ref = ?", ref)
	return r, explain(b.path, err)
}

// Amend changes a record: change is called with a copy to alter. The earlier
// version stays in the book, with when and why.
func (b *Book) Amend(ctx context.Context, number int64, why string,
	change func(*schema.Kind, schema.Record) error) (*Found, error) {
	return b.AmendWith(ctx, number, why, change, nil)
}

// AmendWith is Amend, and in the same transaction adds the records that makes
// returns for the changed one; makes may be nil.
func (b *Book) AmendWith(ctx context.Context, number int64, why string, change func(*schema.Kind, schema.Record) error,
	makes func(schema.Record) []schema.Record) (*Found, error) {
	var out *Found
	err := b.write(ctx, func(tx *sql.Tx) error {
		number, err := standsFor(ctx, tx, number)
		if err != nil {
			return err
		}
		f, n, err := find(ctx, tx, number)
		if err != nil {
			return err
		}
		if f.Current == nil {
			return trouble(Refused, "record it again", "record %d was voided", number)
		}
		k := f.Kind
		fresh, err := tables()[k].one(ctx, tx, n, "WHERE number = ?", number)
		if err != nil {
			return err
		}
		if err := change(k, fresh); err != nil {
			return err
		}
		if err := k.Check(fresh); err != nil {
			return err
		}
		if k.Equal(f.Current, fresh) {
			return trouble(Refused, "", "record %d says that already", number)
		}
		if same, err := tables()[k].same(ctx, tx, n, fresh); err != nil {
			return err
		} else if same != nil && k.Meta(same).Number != number {
			return duplicate(k, k.Meta(same).Number, k.Text(fresh, k.Fields[0].Name))
		}
		if err := b.amend(ctx, tx, n, k, f.Current, fresh, why); err != nil {
			return err
		}
		out = &Found{Kind: k, Current: fresh, Past: append(f.Past, Version{f.Current, "amended", b.now(), why})}
		if makes == nil {
			return nil
		}
		for _, r := range makes(fresh) {
			if err := schema.KindOf(r).Check(r); err != nil {
				return err
			}
			if _, err := b.enter(quiet(ctx), tx, n, r); err != nil {
				return err
			}
		}
		return nil
	})
	return out, err
}

// amend stores the earlier version of a record, and writes the present one.
func (b *Book) amend(ctx context.Context, q querier, n *names, k *schema.Kind, was, is schema.Record,
	why string) error {
	if err := b.keep(ctx, q, n, k, was, "amended", why); err != nil {
		return err
	}
	m := k.Meta(is)
	m.Versions++
	t := tables()[k]
	values, err := t.values(is, n)
	if err != nil {
		return err
	}
	_, err = q.ExecContext(ctx, `UPDATE `+k.Sheet+` SET ("`+strings.Join(t.columns[1:], `", "`)+`") = (?`+
		strings.Repeat(", ?", len(t.columns)-2)+`) WHERE number = ?`,
		append(values[1:], m.Number)...)
	if err != nil {
		return err
	}
	return b.wrote(ctx, q, m.Number, int64(m.Versions))
}

// keep stores an earlier version.
func (b *Book) keep(ctx context.Context, q querier, n *names, k *schema.Kind, was schema.Record, what,
	why string) error {
	number := k.Meta(was).Number
	b.line.changed[number] = k.Meta(was).Entered
	return putPast(ctx, q, n, number, Earlier{number, k, Version{was, what, b.now(), why}})
}

// Void takes a record out of every report. It stays among the book's earlier
// versions.
func (b *Book) Void(ctx context.Context, number int64, why string) (*Found, error) {
	var out *Found
	err := b.write(ctx, func(tx *sql.Tx) error {
		number, err := standsFor(ctx, tx, number)
		if err != nil {
			return err
		}
		f, n, err := find(ctx, tx, number)
		if err != nil {
			return err
		}
		if f.Current == nil {
			return trouble(Refused, "", "record %d was voided already", number)
		}
		if err := b.keep(ctx, tx, n, f.Kind, f.Current, "voided", why); err != nil {
			return err
		}
		if f.Kind.Name == "machine" || f.Kind.Name == "driver" {
			used, err := countUses(ctx, tx, f.Kind, number)
			if err != nil {
				return err
			}
			if used > 0 {
				return trouble(Refused, "void those first, or retire the machine", "%s %s is used by %d records",
					f.Kind.Name, unit.Quote(f.Kind.Text(f.Current, f.Kind.Name)), used)
			}
		}
		if _, err := tx.ExecContext(ctx, "DELETE FROM "+f.Kind.Sheet+" WHERE number = ?", number); err != nil {
			return err
		}
		if err := b.wrote(ctx, tx, number, int64(f.Kind.Meta(f.Current).Versions)+1); err != nil {
			return err
		}
		out = f
		return nil
	})
	return out, err
}

// countUses counts the records that refer to a machine or a driver.
func countUses(ctx context.Context, q querier, of *schema.Kind, number int64) (int, error) {
	want := schema.MachineField
	if of.Name == "driver" {
		want = schema.DriverField
	}
	total := 0
	for _, k := range schema.Kinds {
		for i := range k.Fields {
			if k.Fields[i].Type != want {
				continue
			}
			var c int
			if err := q.QueryRowContext(ctx, "SELECT count(*) FROM "+k.Sheet+` WHERE "`+k.Fields[i].Name+`" = ?`,
				number).Scan(&c); err != nil {
				return 0, err
			}
			total += c
		}
	}
	return total, nil
}
