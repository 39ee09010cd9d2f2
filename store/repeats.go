package store

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"shedbook/schema"
)

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
