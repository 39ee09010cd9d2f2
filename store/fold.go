package store

import (
	"cmp"
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

// What a book says is a function of the entries that it has, not of the order in
// which they came. What was done to a record is folded in the order of clock, book
// and number of entry:
//
//   - an amendment changes the fields that it changed, and leaves the rest as it
//     finds it; where that makes a record that can't be, the amendment holds whole;
//   - a voided record is voided, whatever else was done to it; a machine or a driver
//     once no record refers to it;
//   - of records of several books that say the same as many count as the book with
//     the most of them has, and the others stand aside;
//   - of two figures for one machine and name the one recorded later counts;
//   - a setting is what it was set to last.
//
// What a book calls a machine or a driver is its own affair: whoever was here first
// keeps the name.

// folded is what came of all that was done to a record.
type folded struct {
	k       *schema.Kind
	content schema.Content
	typed   map[string]string
	entered int64
	were    []version
	phones  []sql.NullInt64  // who made each of those here
	voided  *version         // nil while it stands
	phone   sql.NullInt64    // that voided it
	by      map[string]int64 // by field: the book that corrected it last
	crossed map[string]crossing
}

// crossing is a field that two corrected without knowing of each other; "" is the
// whole record.
type crossing struct {
	books [2]int64
	said  [2]json.RawMessage
	why   string // it crossed, where it is no single field
}

// fold folds what was done to a record.
func (d *depots) fold(ctx context.Context, number int64) (*folded, error) {
	rows, err := d.q.QueryContext(ctx, "SELECT book, entry, phone FROM acts WHERE number = ? ORDER BY clock, (SELECT "+
		"id FROM books WHERE idx = book), seq", number)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var f *folded
	for rows.Next() {
		var book int64
		var line string
		var phone sql.NullInt64
		if err := rows.Scan(&book, &line, &phone); err != nil {
			return nil, err
		}
		e, err := schema.ParseEntry(line)
		if err != nil {
			return nil, err
		}
		switch {
		case e.What == "":
			f = &folded{k: schema.KindNamed(e.Kind), content: e.Is, typed: e.Typed, entered: e.Entered,
				by: map[string]int64{}, crossed: map[string]crossing{}}
		case f == nil || e.Kind != f.k.Name:
			return nil, fmt.Errorf("a %s was amended or voided that is not here", e.Kind)
		case e.What == "amend":
			f.were = append(f.were, version{what: "amended", why: e.Why, replaced: e.Entered, content: f.content,
				typed: f.typed})
			f.phones = append(f.phones, phone)
			f.amend(book, e)
			if f.voided != nil {
				f.crossed[""] = crossing{books: [2]int64{f.by[""], book},
					why: "was voided at %s and corrected at %s without knowing of each other; it is voided"}
			}
		case f.voided == nil:
			f.by[""] = book
			f.voided, f.phone = &version{what: "voided", why: e.Why, replaced: e.Entered}, phone
		}
	}
	if f == nil {
		return nil, errors.Join(rows.Err(), fmt.Errorf("record %d is not here", number))
	}
	return f, rows.Err()
}

// amend changes what an amendment changed.
func (f *folded) amend(book int64, e *schema.Entry) {
	is, typed := maps.Clone(f.content), maps.Clone(f.typed)
	knew := true
	for name, was := range e.Was {
		if string(was) == "null" {
			was = nil
		}
		delete(f.crossed, name)
		if string(was) != string(f.content[name]) {
			knew = false
			if string(e.Is[name]) != string(f.content[name]) && f.by[name] != book && f.by[name] != 0 {
				f.crossed[name] = crossing{books: [2]int64{f.by[name], book},
					said: [2]json.RawMessage{f.content[name], e.Is[name]}}
			}
		}
		f.by[name] = book
	}
	for name := range e.Was {
		delete(is, name)
		delete(typed, name)
		if v, ok := e.Is[name]; ok {
			is[name] = v
		}
		if v, ok := e.Typed[name]; ok {
			if typed == nil {
				typed = map[string]string{}
			}
			typed[name] = v
		}
	}
	if knew {
		delete(f.crossed, "")
	}
	if !sensible(f.k, is) {
		for name := range is {
			if string(is[name]) != string(e.Is[name]) && f.by[name] != 0 {
				f.crossed[""] = crossing{books: [2]int64{f.by[name], book},
					why: "was corrected at %s and at %s without knowing of each other, and both together make no " +
						"sense; the latter holds"}
			}
		}
		is, typed = e.Is, e.Typed
	}
	f.content, f.typed = is, typed
}

// sensible says whether a record can say this.
func sensible(k *schema.Kind, c schema.Content) bool {
	r, err := k.FromContent(c, func(f *schema.Field, is string) (string, error) {
		if f.Record {
			return "1", nil
		}
		return is, nil
	})
	return err == nil && k.CheckRecorded(r) == nil
}

// group is what a record has in common with those that it counts as one with; of
// machines and drivers there are none.
func (d *depots) group(k *schema.Kind, c schema.Content) group {
	switch k.Name {
	case "machine", "driver":
		return group{}
	case "spec":
		key := schema.Content{}
		for _, name := range []string{"machine", "model", "figure"} {
			if is, ok := c[name]; ok {
				key[name] = is
			}
		}
		c = key
	}
	return group{k.Name, c.String()}
}

// repeats are the records that say what this one says, and are amended and voided
// with it.
func (d *depots) repeats(ctx context.Context, k *schema.Kind, number int64) ([]int64, error) {
	if k.Name == "spec" {
		return nil, nil
	}
	return numbers(ctx, d.q, "SELECT number FROM aside WHERE of = ? ORDER BY number", number)
}

// ensureActs keeps a record of which nothing but itself was told so far among those
// that are folded.
func (d *depots) ensureActs(ctx context.Context, k *schema.Kind, number int64, r schema.Record) error {
	var acts int
	err := d.q.QueryRowContext(ctx, "SELECT count(*) FROM acts WHERE number = ?", number).Scan(&acts)
	if err != nil || acts > 0 {
		return err
	}
	if r == nil {
		if r, err = tables()[k].one(ctx, d.q, d.n, "WHERE number = ?", number); err != nil || r == nil {
			return cmp.Or(err, fmt.Errorf("record %d is not here", number))
		}
	}
	name, err := d.name(ctx, number)
	if err != nil {
		return err
	}
	e := &schema.Entry{Kind: k.Name, Number: name.Number, Entered: k.Meta(r).Entered.Unix(), Typed: k.Meta(r).Typed}
	if e.Is, err = d.said(ctx, k, r); err != nil {
		return err
	}
	return d.act(ctx, number, e, d.idx[name.Book], 0, nil)
}

// refold writes anew what a record says, and said. Which of those that say the same
// counts is settled afterwards.
func (d *depots) refold(ctx context.Context, number int64) error {
	f, err := d.fold(ctx, number)
	if err != nil {
		return err
	}
	t := tables()[f.k]
	named := f.k.Name == "machine" || f.k.Name == "driver"
	gone := f.voided != nil
	if gone && named {
		if gone, err = d.unused(ctx, f.k, number); err != nil {
			return err
		}
	}
	is, err := t.one(ctx, d.q, d.n, "WHERE number = ?", number)
	if err != nil {
		return err
	}
	if is != nil && !named {
		said, err := d.said(ctx, f.k, is)
		if err != nil {
			return err
		}
		d.changed[d.group(f.k, said)] = true
	}
	var says string
	err = d.q.QueryRowContext(ctx, "SELECT says FROM aside WHERE number = ?", number).Scan(&says)
	switch {
	case err == nil:
		d.changed[group{f.k.Name, says}] = true
	case !errors.Is(err, sql.ErrNoRows):
		return err
	}
	if err := d.writePast(ctx, number, f, gone); err != nil {
		return err
	}
	switch {
	case gone:
		if err := d.remove(ctx, f.k, number); err != nil {
			return err
		}
	case named:
		if err := d.putNamed(ctx, f, number, is != nil); err != nil {
			return err
		}
	default: // aside, until it is settled who counts
		g := d.group(f.k, f.content)
		d.changed[g] = true
		if err := d.remove(ctx, f.k, number); err != nil {
			return err
		}
		return d.setAside(ctx, f.k, number, 0, g)
	}
	return nil
}

// remove takes a record out of its table and from among those that stand aside.
func (d *depots) remove(ctx context.Context, k *schema.Kind, number int64) error {
	_, err := d.q.ExecContext(ctx, "DELETE FROM "+k.Sheet+" WHERE number = ?", number)
	if err == nil {
		_, err = d.q.ExecContext(ctx, "DELETE FROM aside WHERE number = ?", number)
	}
	if err == nil && (k.Name == "machine" || k.Name == "driver") {
		d.n, err = readNames(ctx, d.q)
	}
	return err
}

func (d *depots) setAside(ctx context.Context, k *schema.Kind, number, of int64, g group) error {
	_, err := d.q.ExecContext(ctx, "INSERT INTO aside (number, kind, of, says) VALUES (?, ?, ?, ?) ON CONFLICT "+
		"(number) DO UPDATE SET of = excluded.of, says = excluded.says",
		number, k.Name, of, g.says)
	return err
}

// unused says whether no record refers to a machine or a driver.
func (d *depots) unused(ctx context.Context, of *schema.Kind, number int64) (bool, error) {
	for _, k := range schema.Kinds {
		for i := range k.Fields {
			f := &k.Fields[i]
			if of.Name == "machine" && f.Type != schema.MachineField || of.Name == "driver" &&
				f.Type != schema.DriverField {
				continue
			}
			var used bool
			err := d.q.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM "+k.Sheet+` WHERE "`+f.Name+`" = ?)`,
				number).Scan(&used)
			if err != nil || used {
				return false, err
			}
		}
	}
	return true, nil
}

// writePast writes what a record was, and who of this book's phones made it so.
func (d *depots) writePast(ctx context.Context, number int64, f *folded, gone bool) error {
	were, phones := f.were, f.phones
	if gone {
		v := *f.voided
		v.content, v.typed = f.content, f.typed
		were, phones = append(slices.Clip(were), v), append(slices.Clip(phones), f.phone)
	}
	for _, clear := range []string{"DELETE FROM past WHERE number = ?",
		"DELETE FROM entered_by WHERE record = ? AND version > 0"} {
		if _, err := d.q.ExecContext(ctx, clear, number); err != nil {
			return err
		}
	}
	for i, v := range were {
		text, r, err := d.past(ctx, f.k, number, v)
		if err != nil {
			return err
		}
		var ref, why any
		if s := f.k.Text(r, "ref"); s != "" {
			ref = s
		}
		if v.why != "" {
			why = v.why
		}
		row := []any{number, int64(i + 1), f.k.Name, ref, v.what, formatTime(time.Unix(v.replaced, 0)), why, text}
		_, err = d.q.ExecContext(ctx, "INSERT INTO past (number, version, kind, ref, what, replaced, why, content, "+
			"sum) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
			append(row, rowSum(row...))...)
		if err == nil && phones[i].Valid {
			by := []any{number, int64(i + 1), phones[i].Int64}
			_, err = d.q.ExecContext(ctx, "INSERT INTO entered_by (record, version, phone, sum) VALUES (?, ?, ?, ?)",
				append(by, rowSum(by...))...)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// past is what the past holds of a version: machines and drivers by their numbers.
func (d *depots) past(ctx context.Context, k *schema.Kind, number int64, v version) (string, schema.Record, error) {
	r, err := k.FromContent(v.content, func(f *schema.Field, is string) (string, error) {
		name, ok := strings.CutPrefix(is, ":")
		if ok {
			return name, nil
		}
		n, err := d.refers(ctx, is)
		if f.Record {
			return fmt.Sprint(n), err
		}
		return fmt.Sprintf("#%d", n), err
	})
	if err != nil {
		return "", nil, err
	}
	m := k.Meta(r)
	m.Number, m.Typed = number, v.typed
	return string(k.Encode(r, time.UTC, func(_ *schema.Field, name string) (n int64, ok bool) {
		if rest, is := strings.CutPrefix(name, "#"); is {
			_, err := fmt.Sscan(rest, &n)
			return n, err == nil
		}
		return 0, false
	})), r, nil
}

// refers is the number here of a record that another refers to.
func (d *depots) refers(ctx context.Context, is string) (int64, error) {
	var name schema.Name
	if err := name.UnmarshalText([]byte(is)); err != nil {
		return 0, err
	}
	number, err := d.number(ctx, name)
	if err == nil && number == 0 {
		err = fmt.Errorf("what %s names is not here", is)
	}
	return number, err
}

// record makes the record that is to stand in a table. A machine or a driver that
// it names and that was voided is brought back.
func (d *depots) record(ctx context.Context, k *schema.Kind, number int64, c schema.Content, typed map[string]string,
	entered int64, versions int) (schema.Record, error) {
	r, err := k.FromContent(c, func(f *schema.Field, is string) (string, error) {
		n, err := d.refers(ctx, is)
		if err != nil || f.Record {
			return fmt.Sprint(n), err
		}
		of, called := schema.KindNamed("machine"), d.n.machineName
		if f.Type == schema.DriverField {
			of, called = schema.KindNamed("driver"), d.n.driverName
		}
		if name, ok := called[n]; ok {
			return name, nil
		}
		back, err := d.fold(ctx, n)
		if err == nil && back.k != of {
			err = fmt.Errorf("%s is no %s", is, of.Name)
		}
		if err == nil {
			err = d.writePast(ctx, n, back, false)
		}
		if err == nil {
			err = d.putNamed(ctx, back, n, false)
		}
		if f.Type == schema.DriverField {
			return d.n.driverName[n], err
		}
		return d.n.machineName[n], err
	})
	if err != nil {
		return nil, err
	}
	m := k.Meta(r)
	m.Number, m.Typed, m.Entered, m.Versions = number, typed, time.Unix(entered, 0).UTC(), versions
	return r, k.CheckRecorded(r)
}

// putNamed writes a machine or a driver, under its name or, where another has it
// here, one that stands for it.
func (d *depots) putNamed(ctx context.Context, f *folded, number int64, there bool) error {
	r, err := d.record(ctx, f.k, number, f.content, f.typed, f.entered, len(f.were))
	if err != nil {
		return err
	}
	if err := d.show(ctx, f.k, r, func(name string) (bool, error) {
		of := d.n.machineName
		if f.k.Name == "driver" {
			of = d.n.driverName
		}
		for other, called := range of {
			if other != number && schema.SameName(called, name) {
				return true, nil
			}
		}
		return false, nil
	}); err != nil {
		return err
	}
	t := tables()[f.k]
	if there {
		err = t.change(ctx, d.q, d.n, r)
	} else {
		err = t.put(ctx, d.q, d.n, r)
	}
	if err == nil {
		d.n, err = readNames(ctx, d.q)
	}
	return err
}

// show gives a record what it is called here: what it was given or, where that is
// taken, another name, which stays while it lasts.
func (d *depots) show(ctx context.Context, k *schema.Kind, r schema.Record, taken func(string) (bool, error)) error {
	field := k.Field(ownName(k))
	if field == nil || !field.Known(r) {
		return nil
	}
	number, p := k.Meta(r).Number, field.Pointer(r).(*string)
	var shown, given string
	err := d.q.QueryRowContext(ctx, "SELECT shown, given FROM given WHERE number = ?", number).Scan(&shown, &given)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	given, known := *p, given == *p
	if !known {
		shown = given
	}
	name, err := d.name(ctx, number)
	if err != nil {
		return err
	}
	mark := d.markOf(d.lives[d.idx[name.Book]])
	for try := 0; ; try++ {
		is, err := taken(shown)
		if err != nil {
			return err
		}
		if !is {
			break
		}
		shown = given + " of " + mark
		if try > 0 {
			shown += strings.Repeat("-", try-1) + fmt.Sprint(name.Number)
		}
	}
	*p = shown
	if shown == given {
		_, err = d.q.ExecContext(ctx, "DELETE FROM given WHERE number = ?", number)
	} else {
		_, err = d.q.ExecContext(ctx, "INSERT INTO given (number, shown, given) VALUES (?, ?, ?) ON CONFLICT (number) "+
			"DO UPDATE SET shown = excluded.shown, given = excluded.given",
			number, shown, given)
	}
	return err
}

// put writes a record that counts into its table.
func (d *depots) put(ctx context.Context, k *schema.Kind, r schema.Record) error {
	err := d.show(ctx, k, r, func(ref string) (is bool, err error) {
		err = d.q.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM "+k.Sheet+" WHERE ref = ?)", ref).Scan(&is)
		return is, err
	})
	if err == nil {
		err = tables()[k].put(ctx, d.q, d.n, r)
	}
	return err
}

// change writes anew a record that is in its table.
func (t *table) change(ctx context.Context, q querier, n *names, r schema.Record) error {
	values, err := t.values(r, n)
	if err != nil {
		return err
	}
	_, err = q.ExecContext(ctx, "UPDATE "+t.kind.Sheet+` SET "`+strings.Join(t.columns[1:],
		`" = ?, "`)+`" = ? WHERE number = ?`, append(values[1:], t.kind.Meta(r).Number)...)
	return err
}
