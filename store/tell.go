package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"shedbook/schema"
)

// A book that has joined a company enters what its transactions change.

// tell enters whatever the transaction at hand changed in a book that has joined a
// company; changed are the records that were amended or voided, with when they were
// entered.
func (b *Book) tell(ctx context.Context, q querier, changed map[int64]time.Time) error {
	d, err := b.company(ctx, q)
	if err != nil || d == nil {
		return err
	}
	if d.copy {
		if err := d.beginLife(ctx, d.lives[d.me].mark, d.lives[d.me].name); err != nil {
			return err
		}
	}
	return d.tell(ctx, changed)
}

func (d *depots) tell(ctx context.Context, changed map[int64]time.Time) (err error) {
	if d.n, err = readNames(ctx, d.q); err != nil {
		return err
	}
	was := d.lives[d.me].seq
	if err := d.tellWords(ctx); err != nil {
		return err
	}
	if err := d.tellSettings(ctx); err != nil {
		return err
	}
	next, err := d.next(ctx)
	if err != nil {
		return err
	}
	if err := d.tellNew(ctx, next); err != nil {
		return err
	}
	for _, number := range slices.Sorted(maps.Keys(changed)) {
		if number < d.told {
			k, r, err := d.current(ctx, number)
			if err == nil {
				err = d.tellRecord(ctx, k, number, r, changed[number])
			}
			if err != nil {
				return err
			}
		}
	}
	if d.lives[d.me].seq == was && d.told == next {
		return nil // nothing that travels
	}
	d.told = next
	if err := d.settle(ctx); err != nil {
		return err
	}
	return d.keep(ctx, d.lives[d.me])
}

// next is the number of the next record.
func (d *depots) next(ctx context.Context) (next int64, err error) {
	err = d.q.QueryRowContext(ctx, "SELECT next FROM counter WHERE one = 1").Scan(&next)
	return next, err
}

func (d *depots) tellWords(ctx context.Context) error {
	for _, w := range d.n.added {
		number := d.n.word[w.Vocabulary][w.Word]
		if number <= d.joined.words {
			continue
		}
		_, err := d.emit(ctx, &schema.Entry{What: "word", Kind: "word", Entered: d.b.now().Unix(),
			Is: schema.KindNamed("word").Says(&w)})
		if err != nil {
			return err
		}
		d.joined.words = number
	}
	return nil
}

// tellSettings enters the settings that differ from what was settled. Those that a
// book has when it joins stand behind whatever was ever set in its company.
func (d *depots) tellSettings(ctx context.Context) error {
	settled := map[string]string{}
	rows, err := d.q.QueryContext(ctx, "SELECT setting, value FROM settled")
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var key, value string
		if err := rows.Scan(&key, &value); err != nil {
			return err
		}
		settled[key] = value
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return err
	}
	keys := maps.Clone(settled)
	maps.Copy(keys, d.n.settings)
	for _, key := range sortedKeys(keys) {
		value := d.n.settings[key]
		if !schema.Travels(key) || settled[key] == value {
			continue
		}
		e := &schema.Entry{What: "set", Kind: "setting", Entered: d.b.now().Unix(),
			Is: schema.KindNamed("setting").Says(&schema.Setting{Key: key, Value: value})}
		if d.joining {
			e.Clock = 1
		}
		if _, err := d.emit(ctx, e); err != nil {
			return err
		}
		if err := d.settled(ctx, key, value, e.Clock, d.me, d.lives[d.me].seq); err != nil {
			return err
		}
	}
	return nil
}

func (d *depots) settled(ctx context.Context, key, value string, clock, book, seq int64) error {
	_, err := d.q.ExecContext(ctx, `INSERT INTO settled (setting, value, clock, book, seq) VALUES (?, ?, ?, ?, ?) ON
		CONFLICT (setting)
		DO UPDATE SET value = excluded.value, clock = excluded.clock, book = excluded.book, seq =
			excluded.seq`, key, value, clock, book, seq)
	return err
}

// tellNew enters the records that got their numbers since the last entry, in the
// order in which references resolve.
func (d *depots) tellNew(ctx context.Context, next int64) error {
	if d.told == next {
		return nil
	}
	var list []string
	for i, k := range schema.Kinds {
		if tables()[k] != nil {
			list = append(list, fmt.Sprintf("SELECT %d, number FROM %s WHERE number >= ?1", i, k.Sheet),
				fmt.Sprintf("SELECT %d, number FROM past WHERE number >= ?1 AND kind = '%s'", i, k.Name))
		}
	}
	rows, err := d.q.QueryContext(ctx, strings.Join(list, " UNION ")+" ORDER BY 1, 2", d.told)
	if err != nil {
		return err
	}
	defer rows.Close()
	numbers := make([][]int64, len(schema.Kinds))
	for rows.Next() {
		var kind int
		var number int64
		if err := rows.Scan(&kind, &number); err != nil {
			return err
		}
		numbers[kind] = append(numbers[kind], number)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return err
	}
	for i, k := range schema.Kinds {
		for some := range slices.Chunk(numbers[i], bundleEntries) {
			is := map[int64]schema.Record{}
			err := tables()[k].query(ctx, d.q, d.n, "WHERE number BETWEEN ? AND ?", []any{some[0], some[len(some)-1]},
				func(r schema.Record) error {
					is[k.Meta(r).Number] = r
					return nil
				})
			for _, number := range some {
				if err == nil {
					err = d.tellRecord(ctx, k, number, is[number], time.Time{})
				}
			}
			if err != nil {
				return err
			}
		}
	}
	return nil
}

// current is a record as it stands in its table; nil where it was voided or stands
// aside.
func (d *depots) current(ctx context.Context, number int64) (*schema.Kind, schema.Record, error) {
	for _, k := range schema.Kinds {
		if t := tables()[k]; t != nil {
			r, err := t.one(ctx, d.q, d.n, "WHERE number = ?", number)
			if err != nil || r != nil {
				return k, r, err
			}
		}
	}
	var kind string
	err := d.q.QueryRowContext(ctx, "SELECT kind FROM past WHERE number = ? ORDER BY version DESC LIMIT 1",
		number).Scan(&kind)
	return schema.KindNamed(kind), nil, err
}

// tellRecord enters a record that is new, and what was done to it since the last
// entry. current is nil where it was voided; entered may be zero.
func (d *depots) tellRecord(ctx context.Context, k *schema.Kind, number int64, current schema.Record,
	entered time.Time) error {
	name, err := d.name(ctx, number)
	if err != nil {
		return err
	}
	were, err := d.versionsOf(ctx, k, number)
	if err != nil {
		return err
	}
	is, typed := schema.Content(nil), map[string]string(nil)
	if current != nil {
		m := k.Meta(current)
		if is, err = d.said(ctx, k, current); err != nil {
			return err
		}
		typed, entered = m.Typed, m.Entered
	}
	var amends, acts int
	err = d.q.QueryRowContext(ctx, "SELECT count(*), coalesce(sum(what = 'amend'), 0) FROM acts WHERE number = ?",
		number).Scan(&acts, &amends)
	if err != nil {
		return err
	}
	for i := amends; i < len(were); i++ {
		if err := d.asGiven(ctx, k, number, were[i].content); err != nil {
			return err
		}
	}
	content := func(i int) (schema.Content, map[string]string) {
		if i < len(were) {
			return were[i].content, were[i].typed
		}
		return is, typed
	}
	if acts == 0 {
		e := &schema.Entry{Kind: k.Name, Number: name.Number, Entered: entered.Unix()}
		e.Is, e.Typed = content(0)
		if entered.IsZero() { // the past does not tell; when it was voided is near enough
			e.Entered = were[len(were)-1].replaced
		}
		if number >= d.told {
			if _, err := d.emit(ctx, e); err != nil {
				return err
			}
		}
		if len(were) > 0 {
			if err := d.act(ctx, number, e, d.idx[name.Book], 0, nil); err != nil {
				return err
			}
		} else {
			d.changed[d.group(k, e.Is)] = true
		}
	}
	if amends >= len(were) {
		return nil
	}
	of := []schema.Name{name}
	repeats, err := d.repeats(ctx, k, number)
	if err != nil {
		return err
	}
	for _, r := range repeats {
		also, err := d.name(ctx, r)
		if err != nil {
			return err
		}
		of = append(of, also)
	}
	for i := amends; i < len(were); i++ {
		before, typed := content(i)
		d.changed[d.group(k, before)] = true
		e := &schema.Entry{What: "void", Kind: k.Name, Of: of, Entered: were[i].replaced, Why: were[i].why}
		if were[i].what == "amended" {
			e.What = "amend"
			e.Is, e.Typed = content(i + 1)
			e.Was = schema.Content{}
			for _, name := range schema.Changed(before, e.Is, typed, e.Typed) {
				if e.Was[name] = before[name]; before[name] == nil {
					e.Was[name] = json.RawMessage("null")
				}
			}
			d.changed[d.group(k, e.Is)] = true
		}
		if _, err := d.emit(ctx, e); err != nil {
			return err
		}
		var phone any
		err := d.q.QueryRowContext(ctx, "SELECT phone FROM entered_by WHERE record = ? AND version = ?", number,
			i+1).Scan(&phone)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return err
		}
		if err := d.act(ctx, number, e, d.me, d.lives[d.me].seq, phone); err != nil {
			return err
		}
		for _, r := range repeats {
			if err := d.act(ctx, r, e, d.me, d.lives[d.me].seq, nil); err != nil {
				return err
			}
		}
	}
	if err := d.pastAsGiven(ctx, k, number, current); err != nil {
		return err
	}
	for _, r := range repeats {
		if err := d.refold(ctx, r); err != nil {
			return err
		}
	}
	return nil
}

// pastAsGiven writes anew the past of a record that has another name here than it was
// given, since it was written under that name; a name that stood for another is
// forgotten once the record has a new one.
func (d *depots) pastAsGiven(ctx context.Context, k *schema.Kind, number int64, current schema.Record) error {
	var shown string
	err := d.q.QueryRowContext(ctx, "SELECT shown FROM given WHERE number = ?", number).Scan(&shown)
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	var f *folded
	if err == nil {
		f, err = d.fold(ctx, number)
	}
	if err == nil {
		err = d.writePast(ctx, number, f, current == nil)
	}
	if err == nil && current != nil && k.Text(current, ownName(k)) != shown {
		_, err = d.q.ExecContext(ctx, "DELETE FROM given WHERE number = ?", number)
	}
	return err
}

// act keeps what was done to a record.
func (d *depots) act(ctx context.Context, number int64, e *schema.Entry, book, seq int64, phone any) error {
	clock, what := e.Clock, e.What
	if what == "" {
		clock, seq, what = 0, 0, "record"
	}
	_, err := d.q.ExecContext(ctx, "INSERT INTO acts (number, clock, book, seq, kind, what, entry, phone) VALUES (?, "+
		"?, ?, ?, ?, ?, ?, ?)",
		number, clock, book, seq, e.Kind, what, e.Line(), phone)
	return err
}
