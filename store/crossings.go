package store

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"shedbook/schema"
)

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
