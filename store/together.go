package store

import (
	"bytes"
	"cmp"
	"context"
	"database/sql"
	"encoding/hex"
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

// member is a record of a group.
type member struct {
	number int64
	name   schema.Name
	aside  bool
	last   int64 // when it was recorded or amended last
}

// members are the records of a group, by name.
func (d *depots) members(ctx context.Context, k *schema.Kind, g group) ([]member, error) {
	var out []member
	asides, err := numbers(ctx, d.q, "SELECT number FROM aside WHERE says = ? AND kind = ?", g.says, g.kind)
	if err != nil {
		return nil, err
	}
	for _, number := range asides {
		out = append(out, member{number: number, aside: true})
	}
	live, err := d.saying(ctx, k, g)
	if err != nil {
		return nil, err
	}
	for _, number := range live {
		out = append(out, member{number: number})
	}
	for i := range out {
		if out[i].name, err = d.name(ctx, out[i].number); err != nil {
			return nil, err
		}
		if k.Name == "spec" && len(out) > 1 {
			if err := d.ensureActsOf(ctx, k, out[i]); err != nil {
				return nil, err
			}
			f, err := d.fold(ctx, out[i].number)
			if err != nil {
				return nil, err
			}
			out[i].last = f.entered
			for _, v := range f.were {
				out[i].last = max(out[i].last, v.replaced)
			}
		}
	}
	slices.SortFunc(out, func(a, b member) int {
		return cmp.Or(strings.Compare(a.name.Book, b.name.Book), cmp.Compare(a.name.Number, b.name.Number))
	})
	return out, nil
}

func (d *depots) ensureActsOf(ctx context.Context, k *schema.Kind, m member) error {
	if m.aside {
		return nil // it has them
	}
	return d.ensureActs(ctx, k, m.number, nil)
}

// saying are the records in a table that say what a group says.
func (d *depots) saying(ctx context.Context, k *schema.Kind, g group) ([]int64, error) {
	var c schema.Content
	if err := json.Unmarshal([]byte(g.says), &c); err != nil {
		return nil, err
	}
	r, err := k.FromContent(c, func(f *schema.Field, is string) (string, error) {
		if strings.HasPrefix(is, ":") {
			return "", errNobody
		}
		n, err := d.refers(ctx, is)
		if err != nil || f.Record {
			return fmt.Sprint(n), err
		}
		called := d.n.machineName
		if f.Type == schema.DriverField {
			called = d.n.driverName
		}
		name, ok := called[n]
		if !ok {
			err = errNobody
		}
		return name, err
	})
	if errors.Is(err, errNobody) {
		return nil, nil // who isn't in the book has no records
	}
	if err != nil {
		return nil, err
	}
	values, err := tables()[k].values(r, d.n)
	if err != nil {
		return nil, err
	}
	var where []string
	var args []any
	for i := range k.Fields {
		name := k.Fields[i].Name
		column := `"` + name + `"`
		switch {
		case k.Name == "spec" && name != "machine" && name != "model" && name != "figure":
			continue
		case name == "ref":
			column = "coalesce((SELECT given FROM given WHERE given.number = " + k.Sheet + ".number), ref)"
		}
		where, args = append(where, column+" IS ?"), append(args, values[1+i])
	}
	return numbers(ctx, d.q, "SELECT number FROM "+k.Sheet+" WHERE "+strings.Join(where, " AND "), args...)
}

var errNobody = errors.New("who is named is not in the book")

// counting picks the members of a group that count: each has the number of the one
// that counts in its place, its own where it counts itself.
func counting(k *schema.Kind, all []member) []int64 {
	of := make([]int64, len(all))
	if k.Name == "spec" {
		best := 0
		for i, m := range all {
			if m.last >= all[best].last {
				best = i
			}
		}
		for i := range of {
			of[i] = all[best].number
		}
		return of
	}
	nth, first := map[string]int{}, []int64{} // of each book so far; the nth of any book
	for i, m := range all {
		n := nth[m.name.Book]
		nth[m.name.Book]++
		if n == len(first) {
			first = append(first, m.number)
		}
		of[i] = first[n]
	}
	return of
}

// standsFor is the number of the record that counts in the place of one: its own,
// unless it stands aside for another.
func standsFor(ctx context.Context, q querier, number int64) (int64, error) {
	err := q.QueryRowContext(ctx, "SELECT coalesce((SELECT of FROM aside WHERE number = ?1), ?1)", number).Scan(&number)
	return number, err
}

// aside finds a record that stands aside for another; nil of one that does not.
func (b *Book) aside(ctx context.Context, number int64) (*Found, error) {
	same, err := standsFor(ctx, b.db, number)
	if err != nil || same == number {
		return nil, err
	}
	n, err := readNames(ctx, b.db)
	if err != nil {
		return nil, err
	}
	d, err := b.company(ctx, b.db)
	if err != nil || d == nil {
		return nil, err
	}
	d.n = n
	f, err := d.fold(ctx, number)
	if err != nil {
		return nil, err
	}
	out := &Found{Kind: f.k, Same: same}
	if out.Current, err = d.record(ctx, f.k, number, f.content, f.typed, f.entered, len(f.were)); err != nil {
		return nil, err
	}
	were, err := earlier(ctx, b.db, n, "WHERE number = ?", number)
	for _, e := range were {
		out.Past = append(out.Past, e.Version)
	}
	return out, err
}

// settle settles which records count, wherever that may have changed, and which
// voided machines and drivers are still needed.
func (d *depots) settle(ctx context.Context) error {
	for len(d.changed) > 0 {
		groups := slices.SortedFunc(maps.Keys(d.changed), func(a, b group) int {
			return cmp.Or(strings.Compare(a.kind, b.kind), strings.Compare(a.says, b.says))
		})
		clear(d.changed)
		for _, g := range groups {
			if g.kind == "" {
				continue
			}
			if err := d.settleGroup(ctx, g); err != nil {
				return err
			}
		}
	}
	pending, err := numbers(ctx, d.q, "SELECT DISTINCT number FROM acts WHERE what = 'void' AND (kind = 'machine' OR "+
		"kind = 'driver')")
	if err != nil {
		return err
	}
	for _, number := range pending {
		k, is, err := d.current(ctx, number)
		if err == nil && is != nil {
			var unused bool
			if unused, err = d.unused(ctx, k, number); err == nil && unused {
				err = d.refold(ctx, number)
			}
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (d *depots) settleGroup(ctx context.Context, g group) error {
	k := schema.KindNamed(g.kind)
	all, err := d.members(ctx, k, g)
	if err != nil || len(all) == 0 || len(all) == 1 && !all[0].aside {
		return err
	}
	of := counting(k, all)
	for i, m := range all { // first who stands aside: a table may have room for one only
		if of[i] == m.number {
			continue
		}
		if !m.aside {
			if err := d.ensureActs(ctx, k, m.number, nil); err != nil {
				return err
			}
			if err := d.remove(ctx, k, m.number); err != nil {
				return err
			}
		}
		if err := d.setAside(ctx, k, m.number, of[i], g); err != nil {
			return err
		}
	}
	for i, m := range all {
		if of[i] != m.number || !m.aside {
			continue
		}
		f, err := d.fold(ctx, m.number)
		if err != nil {
			return err
		}
		r, err := d.record(ctx, k, m.number, f.content, f.typed, f.entered, len(f.were))
		if err == nil {
			err = d.remove(ctx, k, m.number)
		}
		if err == nil {
			err = d.put(ctx, k, r)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// TookBundles is what came of bundles.
type TookBundles struct {
	Entries map[string]int64 // taken in, by the mark of their depot
	Known   int64            // entries that were here already
	Records int64            // of those taken in
}

// TakeBundles takes in what bundles say, in whatever order they come. What can't be
// taken in yet is held, and tried again with the next.
func (b *Book) TakeBundles(ctx context.Context, bundles []*Bundle) (*TookBundles, error) {
	out := &TookBundles{Entries: map[string]int64{}}
	for _, in := range bundles {
		if _, err := b.takeBundle(ctx, in, out); err != nil {
			return out, err
		}
	}
	for again := true; again; {
		held, err := b.heldBundles(ctx)
		if err != nil {
			return out, err
		}
		again = false
		for _, in := range held {
			done, err := b.takeBundle(ctx, in, out)
			if err != nil {
				return out, err
			}
			again = again || done
		}
	}
	return out, nil
}

func (b *Book) heldBundles(ctx context.Context) ([]*Bundle, error) {
	rows, err := b.db.QueryContext(ctx, "SELECT content FROM held ORDER BY book, first")
	if err != nil {
		return nil, explain(b.path, err)
	}
	defer rows.Close()
	var out []*Bundle
	for rows.Next() {
		var content []byte
		if err := rows.Scan(&content); err != nil {
			return nil, explain(b.path, err)
		}
		in, err := ReadBundles(content)
		if err != nil {
			return nil, damaged(b.path, "a bundle that it holds: "+err.Error())
		}
		out = append(out, in...)
	}
	return out, explain(b.path, rows.Err())
}

// notYet is why a bundle is held.
type notYet struct{ why string }

func (e *notYet) Error() string { return e.why }

func holdBack(format string, args ...any) error { return &notYet{fmt.Sprintf(format, args...)} }

// takeBundle takes one bundle in, or holds it. done says that it told something new.
func (b *Book) takeBundle(ctx context.Context, in *Bundle, out *TookBundles) (done bool, err error) {
	var took, known, records int64
	err = b.write(ctx, func(tx *sql.Tx) error {
		// What waits here knew nothing of what comes in, and that may stand on it.
		if err := b.bundle(ctx, tx); err != nil {
			return err
		}
		d, err := b.company(ctx, tx)
		if err != nil {
			return err
		}
		if d == nil {
			return notJoined()
		}
		if d.copy { // before another's record takes a number that the book itself has given
			if err := d.beginLife(ctx, d.lives[d.me].mark, d.lives[d.me].name); err != nil {
				return err
			}
		}
		if d.company != in.Company {
			return trouble(Refused, "name a file of this company's depots",
				"this is of another company: depot %s there is none of this book's", in.Mark)
		}
		took, known, records, err = d.take(ctx, in)
		if err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, "DELETE FROM held WHERE book = ? AND first = ? AND last = ?", in.Book, in.First,
			in.Last)
		return err
	})
	var why *notYet
	if err != nil && !errors.As(err, &why) {
		var own *Error
		if ctx.Err() != nil || errors.As(err, &own) && own.Trouble != NotFound {
			return false, err
		}
		why = &notYet{"what it says can't stand in this book: " + err.Error()}
	}
	if why != nil {
		return false, b.write(ctx, func(tx *sql.Tx) error {
			_, err := tx.ExecContext(ctx, `INSERT INTO held (book, first, last, mark, why, content) VALUES (?, ?, ?, ?,
				?, ?)
				ON CONFLICT (book, first, last) DO UPDATE SET why =
					excluded.why`, in.Book, in.First, in.Last, in.Mark, why.why, in.content)
			return err
		})
	}
	out.Entries[in.Mark] += took
	out.Known += known
	out.Records += records
	return took > 0, nil
}

// latest is beyond any clock, and leaves room for those that go on from it.
const latest = 1 << 62

// take takes in the entries of a bundle that are not here yet.
func (d *depots) take(ctx context.Context, in *Bundle) (took, known, records int64, err error) {
	if in.Version > schema.EntryVersion {
		return 0, 0, 0, holdBack("depot %s runs a newer program: update this one to see what was recorded there",
			in.Mark)
	}
	if in.Seal != "none" {
		return 0, 0, 0, holdBack("it is sealed (%s), and this program has no key to it", in.Seal)
	}
	if d.n, err = readNames(ctx, d.q); err != nil {
		return 0, 0, 0, err
	}
	l := d.lives[d.idx[in.Book]]
	if l == nil {
		if in.First > 1 {
			return 0, 0, 0, holdBack("entries 1 to %d of depot %s are not here yet", in.First-1, in.Mark)
		}
		l = &life{id: in.Book, mark: in.Mark}
		if err := d.newLife(ctx, l); err != nil {
			return 0, 0, 0, err
		}
	}
	if in.First > l.seq+1 {
		return 0, 0, 0, holdBack("entries %d to %d of depot %s are not here yet", l.seq+1, in.First-1, in.Mark)
	}
	for _, id := range sortedKeys(in.After) {
		if of := d.lives[d.idx[id]]; of == nil || of.seq < in.After[id] {
			mark, seq := "a depot that is not known here", int64(0)
			if of != nil {
				mark, seq = "depot "+of.mark, of.seq
			}
			return 0, 0, 0, holdBack("it stands on entries %d to %d of %s, which are not here yet", seq+1, in.After[id],
				mark)
		}
	}
	known = min(l.seq-in.First+1, int64(in.Count))
	same, err := d.sameAsHere(ctx, l, in, known)
	if err == nil && same < known { // this book was set back, and has gone on otherwise since
		err, known = d.part(ctx, l, in.First+same), same
	}
	if err != nil {
		return 0, 0, 0, err
	}
	if known == int64(in.Count) {
		if l.ownFrom > 0 { // a copy of this book has sent them
			err = d.keepBundle(ctx, l, in, true)
		}
		return 0, known, 0, err
	}
	if prev := chain(mustHex(in.Prev), in.lines[:known]...); !bytes.Equal(prev, l.hash) {
		return 0, 0, 0, holdBack("entries from %d on of depot %s do not go on from those that are here: the book was "+
			"set back there, or somebody changed them", in.First, in.Mark)
	}
	for _, line := range in.lines[known:] {
		e, err := schema.ParseEntry(line)
		if err == nil && (e.Clock < 1 || e.Clock > latest) {
			err = errBundle("an entry is of an impossible time")
		}
		if err != nil {
			return 0, 0, 0, err
		}
		l.seq, l.hash, l.last = l.seq+1, chain(l.hash, line), e.Entered
		d.clock = max(d.clock, e.Clock)
		if e.What == "" {
			records++
		}
		if err := d.enter(ctx, l, e); err != nil {
			return 0, 0, 0, fmt.Errorf("entry %d of depot %s: %w", l.seq, in.Mark, err)
		}
	}
	if err := d.settle(ctx); err != nil {
		return 0, 0, 0, err
	}
	if err := d.keepBundle(ctx, l, in, true); err != nil {
		return 0, 0, 0, err
	}
	if d.told, err = d.next(ctx); err == nil {
		err = d.keep(ctx, l)
	}
	return int64(in.Count) - known, known, records, err
}

func mustHex(s string) []byte {
	b, _ := hex.DecodeString(s) // readBundle has looked
	return b
}

// sameAsHere holds the first entries of a bundle to those that are here, and says how
// many are the same. Those that are not must be this book's, and sent to nobody.
func (d *depots) sameAsHere(ctx context.Context, l *life, in *Bundle, count int64) (same int64, err error) {
	if count <= 0 {
		return count, nil
	}
	here, err := d.linesOf(ctx, l, in.First, in.First+count)
	if err != nil {
		return 0, err
	}
	for same < count && int(same) < len(here) && here[same] == in.lines[same] {
		same++
	}
	if same == count {
		return same, nil
	}
	var sent bool
	err = d.q.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM bundles WHERE sent = 1 AND book = ? AND first + "+
		"count > ?)", l.idx, in.First+same).Scan(&sent)
	if err == nil && (sent || l.idx != d.me) {
		err = holdBack("entries from %d on of depot %s are others than those that are here: the book was set back "+
			"there, or somebody changed them", in.First+same, in.Mark)
	}
	return same, err
}

// linesOf are the entries of a book from number first on, before number until.
func (d *depots) linesOf(ctx context.Context, l *life, first, until int64) ([]string, error) {
	rows, err := d.q.QueryContext(ctx, "SELECT content FROM bundles WHERE book = ? AND first < ? AND first + count > "+
		"? ORDER BY first", l.idx, until, first)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []string
	at := first
	for rows.Next() {
		var content []byte
		if err := rows.Scan(&content); err != nil {
			return nil, err
		}
		all, err := ReadBundles(content)
		if err != nil {
			return nil, err
		}
		for i, line := range all[0].lines {
			if all[0].First+int64(i) == at && at < until {
				out, at = append(out, line), at+1
			}
		}
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return nil, err
	}
	waiting, err := d.q.QueryContext(ctx, "SELECT entry FROM waiting WHERE book = ? AND seq >= ? AND seq < ? ORDER BY "+
		"seq", l.idx, at, until)
	if err != nil {
		return nil, err
	}
	defer waiting.Close()
	for waiting.Next() {
		var line string
		if err := waiting.Scan(&line); err != nil {
			return nil, err
		}
		out = append(out, line)
	}
	return out, waiting.Err()
}

// enter takes in an entry of another book, or of one that this one was.
func (d *depots) enter(ctx context.Context, l *life, e *schema.Entry) error {
	switch e.What {
	case "depot":
		return d.enterDepot(l, e)
	case "word":
		var w schema.Word
		if err := json.Unmarshal(e.Is["word"], &w.Word); err != nil {
			return err
		}
		w.Vocabulary = "terrain"
		if _, known := d.n.word[w.Vocabulary][w.Word]; known {
			return nil
		}
		err := putWord(ctx, d.q, d.n, w)
		d.joined.words = max(d.joined.words, d.n.word[w.Vocabulary][w.Word])
		return err
	case "set":
		return d.enterSetting(ctx, l, e)
	case "":
		return d.enterRecord(ctx, l, e)
	}
	for _, name := range e.Of {
		number, err := d.number(ctx, name)
		if err != nil {
			return err
		}
		if number == 0 {
			return fmt.Errorf("it changes %s, which is not here", name)
		}
		k := schema.KindNamed(e.Kind)
		var aside bool
		err = d.q.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM aside WHERE number = ?)", number).Scan(&aside)
		if err == nil && !aside {
			err = d.ensureActs(ctx, k, number, nil)
		}
		if err == nil {
			err = d.act(ctx, number, e, l.idx, l.seq, nil)
		}
		if err == nil {
			err = d.refold(ctx, number)
		}
		if err != nil {
			return err
		}
		// What comes behind may refer to it, and must find it in its table.
	}
	return nil
}

func (d *depots) enterDepot(l *life, e *schema.Entry) error {
	l.born = e.Clock
	if err := errors.Join(json.Unmarshal(e.Is["mark"], &l.mark), json.Unmarshal(e.Is["name"], &l.name)); err != nil {
		return err
	}
	return checkDepot(l.mark, l.name)
}

func (d *depots) enterSetting(ctx context.Context, l *life, e *schema.Entry) error {
	var s schema.Setting
	if err := json.Unmarshal(e.Is["setting"], &s.Key); err != nil {
		return err
	}
	if is, ok := e.Is["value"]; ok {
		if err := json.Unmarshal(is, &s.Value); err != nil {
			return err
		}
	}
	if !schema.Travels(s.Key) {
		return nil
	}
	var clock, book, seq int64
	err := d.q.QueryRowContext(ctx, "SELECT clock, book, seq FROM settled WHERE setting = ?", s.Key).Scan(&clock, &book,
		&seq)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	if err == nil && cmp.Or(cmp.Compare(clock, e.Clock), strings.Compare(d.lives[book].id, l.id),
		cmp.Compare(seq, l.seq)) > 0 {
		return nil // it was set later elsewhere
	}
	if s.Value == "" {
		_, err = d.q.ExecContext(ctx, "DELETE FROM settings WHERE setting = ?", s.Key)
	} else {
		err = putSetting(ctx, d.q, s)
	}
	if err == nil {
		err = d.settled(ctx, s.Key, s.Value, e.Clock, l.idx, l.seq)
	}
	return err
}

// keepForeign keeps what number a record has in its own book.
func (d *depots) keepForeign(ctx context.Context, l *life, number, theirs int64) error {
	done, err := d.q.ExecContext(ctx, `UPDATE foreigns SET count = count + 1 WHERE number = (SELECT max(number) FROM
		foreigns)
		AND number + count = ? AND book = ? AND theirs + count = ?`, number, l.idx, theirs)
	if err != nil {
		return err
	}
	if n, err := done.RowsAffected(); err != nil || n > 0 {
		return err
	}
	_, err = d.q.ExecContext(ctx, "INSERT INTO foreigns (number, count, book, theirs) VALUES (?, 1, ?, ?)", number,
		l.idx, theirs)
	return err
}

// enterRecord puts in a record of another book, under the next number here.
func (d *depots) enterRecord(ctx context.Context, l *life, e *schema.Entry) error {
	name := schema.Name{Book: l.id, Number: e.Number}
	was, err := d.number(ctx, name)
	if err != nil {
		return err
	}
	next, err := d.next(ctx)
	if err != nil {
		return err
	}
	var number int64
	switch {
	case d.ours(name) && e.Number >= next: // this book was set back, and takes back what it lost
		number = e.Number
		_, err = d.q.ExecContext(ctx, "UPDATE counter SET next = ? WHERE one = 1", number+1)
	case was != 0:
		return fmt.Errorf("there is a record %s already", name)
	default:
		number = next
		_, err = d.q.ExecContext(ctx, "UPDATE counter SET next = ? WHERE one = 1", number+1)
		if err == nil {
			err = d.keepForeign(ctx, l, number, e.Number)
		}
	}
	if err != nil {
		return err
	}
	d.names[number] = name
	k := schema.KindNamed(e.Kind)
	if k.Name == "machine" || k.Name == "driver" {
		return d.putNamed(ctx, &folded{k: k, content: e.Is, typed: e.Typed, entered: e.Entered}, number, false)
	}
	g := d.group(k, e.Is)
	others, err := d.members(ctx, k, g)
	if err != nil {
		return err
	}
	simple := len(others) == 0
	for _, is := range e.Is { // somebody who is only a word stands in no table
		simple = simple && !bytes.HasPrefix(is, []byte(`":`))
	}
	if !simple {
		if err := d.act(ctx, number, e, l.idx, 0, nil); err != nil {
			return err
		}
		d.changed[g] = true
		return d.setAside(ctx, k, number, 0, g)
	}
	r, err := d.record(ctx, k, number, e.Is, e.Typed, e.Entered, 0)
	if err == nil {
		err = d.put(ctx, k, r)
	}
	return err
}

// Crossing is a record that two depots changed without knowing of each other, of which
// nobody has seen both since.
type Crossing struct {
	Record  int64
	Kind    *schema.Kind
	Machine string // that it is of; "" where it is of none
	At      time.Time
	Says    string
}

// Crossings are the records that were changed so.
func (b *Book) Crossings(ctx context.Context) (out []Crossing, err error) {
	err = b.moment(ctx, nil, func(q querier, n *names) error {
		d, err := b.company(ctx, q)
		if err != nil || d == nil {
			return err
		}
		d.n = n
		all, err := numbers(ctx, q, "SELECT number FROM acts WHERE what <> 'record' GROUP BY number HAVING count(*) > "+
			"1 ORDER BY number")
		if err != nil {
			return err
		}
		for _, number := range all {
			f, err := d.fold(ctx, number)
			if err != nil {
				return err
			}
			name, err := d.name(ctx, number)
			if err != nil {
				return err
			}
			for _, field := range sortedKeys(f.crossed) {
				c := f.crossed[field]
				at := [2]string{d.markOf(d.lives[c.books[0]]), d.markOf(d.lives[c.books[1]])}
				is := Crossing{Record: number, Kind: f.k, Says: d.called(name) + " " + fmt.Sprintf(c.why, at[0], at[1])}
				if field != "" {
					said := [2]string{d.sayField(ctx, c.said[0]), d.sayField(ctx, c.said[1])}
					is.Says = fmt.Sprintf("%s: %s was corrected to %s at %s and to %s at %s without knowing of each "+
						"other; %s holds",
						d.called(name), field, said[0], at[0], said[1], at[1], said[1])
				}
				if machine, ok := f.content["machine"]; ok && f.k.Name != "machine" {
					is.Machine = d.sayField(ctx, machine)
				} else if f.k.Name == "machine" {
					is.Machine = n.machineName[number]
				}
				if c := f.k.TimeColumn(); c != "" {
					_ = json.Unmarshal(f.content[c], &is.At)
				}
				out = append(out, is)
			}
		}
		return nil
	})
	return out, err
}

// sayField is what a field says, for people.
func (d *depots) sayField(ctx context.Context, is json.RawMessage) string {
	var text string
	switch {
	case is == nil:
		return "nothing"
	case json.Unmarshal(is, &text) != nil:
		return string(is)
	}
	if number, err := d.refers(ctx, text); err == nil {
		return cmp.Or(d.n.machineName[number], d.n.driverName[number], text)
	}
	return strings.TrimPrefix(text, ":")
}

// depotsAreRight holds what this book has of its company to the chains of hashes.
func depotsAreRight(ctx context.Context, q querier, b *Book) (Finding, error) {
	f := Finding{Check: "depots"}
	d, err := b.company(ctx, q)
	if err != nil || d == nil {
		return f, err
	}
	var entries int64
	for _, l := range d.lives {
		lines, err := d.linesOf(ctx, l, 1, l.seq+1)
		if err != nil {
			f.wrong("the entries of depot %s: %s", l.mark, err)
			continue
		}
		entries += int64(len(lines))
		if int64(len(lines)) != l.seq || !bytes.Equal(chain(beforeFirst(l.id), lines...), l.hash) {
			f.wrong("the entries of depot %s are not as they were written", l.mark)
		}
	}
	f.Says = fmt.Sprintf("%d entries of %s, each by the hash before", entries, several(len(d.lives), "book"))
	return f, nil
}
