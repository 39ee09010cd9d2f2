package store

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"shedbook/schema"
	"shedbook/store/sheet"
)

// A row without a ref is known by all that it says, so a row that was corrected
// in its sheet is new to the book when the sheet is imported again. What it was
// before is then a record that no row of the sheet takes up, and the two are
// nearly equal: the row is offered as a correction of that record.

// maxDiffer is the most fields in which a row may differ from the record that it
// corrects.
const maxDiffer = 2

// fewAlike is how many records of one machine and time, or of one content, are
// held to a row: of a machine with more of them at once none is the one.
const fewAlike = 50

// correction is a row that the sheet added, and the record that it seems to
// correct.
type correction struct {
	was, is schema.Record
	differ  []*schema.Field // of the sheet's columns; none where the sheet has nothing new to say
}

// refless is what is remembered of a sheet's rows without a ref.
type refless struct {
	from, to time.Time // between which they lie
	starts   int64     // the number of the first that was added
	lines    []int32   // of those added, by number less starts; 0 for a row with a ref
}

// note remembers a row that is good, and on which line one stands that was added.
func (w *rows) note(r schema.Record, did deed, line int) {
	if !w.k.Dated {
		return
	}
	b := schema.BaseOf(r)
	if b.Ref != "" {
		return
	}
	n := &w.refless
	if n.from.IsZero() || b.At.Before(n.from) {
		n.from = b.At
	}
	if b.At.After(n.to) {
		n.to = b.At
	}
	if did != added {
		return
	}
	if n.starts == 0 {
		n.starts = b.Number
	}
	for int64(len(n.lines)) < b.Number-n.starts {
		n.lines = append(n.lines, 0)
	}
	n.lines = append(n.lines, int32(line))
}

// near settles which rows of a sheet that has been taken in one by one correct a
// record.
func (w *rows) near(ctx context.Context, s Source, c *Counts) error {
	if len(w.lines) == 0 {
		return nil
	}
	machines, err := numbers(ctx, w.tx,
		"SELECT DISTINCT machine FROM "+w.k.Sheet+" WHERE number >= ? AND ref IS NULL", w.starts)
	if err != nil {
		return err
	}
	near, err := w.corrections(ctx, machines, func(r schema.Record) (int, error) {
		if n, met := w.alike.left[w.identity(r)]; met {
			return n, nil
		}
		return math.MaxInt, nil // no row of the sheet says this
	})
	if err != nil {
		return err
	}
	return w.correct(ctx, s, c, near)
}

// corrections finds the rows of the sheet that seem to correct a record of these
// machines, each record at most once, in the order of their lines. left tells
// how many records that say what one says, and were never amended, no row has
// taken up.
func (w *rows) corrections(
	ctx context.Context, machines []int64, left func(schema.Record) (int, error),
) ([]correction, error) {
	var all []correction
	for _, machine := range machines {
		olds, err := w.untaken(ctx, machine, left)
		if err != nil {
			return nil, err
		}
		if len(olds) == 0 {
			continue
		}
		at, rest := map[int64][]schema.Record{}, map[string][]schema.Record{}
		for _, old := range olds {
			if t := w.k.When(old).Unix(); len(at[t]) < fewAlike {
				at[t] = append(at[t], old)
			}
			if says := w.timeless(old); len(rest[says]) < fewAlike && w.alike.from[formatTime(w.k.Meta(old).Entered)] {
				rest[says] = append(rest[says], old)
			}
		}
		added := []any{machine, w.starts}
		err = w.t.query(ctx, w.tx, w.n, "WHERE machine = ? AND number >= ? AND ref IS NULL", added,
			func(is schema.Record) error {
				for _, was := range at[w.k.When(is).Unix()] {
					if differ := w.differ(was, is); len(differ) <= maxDiffer && !slices.ContainsFunc(differ, another) {
						all = append(all, correction{was, is, differ})
					}
				}
				if len(rest) > 0 {
					for _, was := range rest[w.timeless(is)] {
						if w.moved(was, is) {
							all = append(all, correction{was, is, w.differ(was, is)})
						}
					}
				}
				return nil
			})
		if err != nil {
			return nil, err
		}
	}
	number := func(r schema.Record) int64 { return w.k.Meta(r).Number }
	apart := func(c correction) time.Duration { return w.k.When(c.was).Sub(w.k.When(c.is)).Abs() }
	// The nearest first, so that they find each other.
	slices.SortFunc(all, func(a, b correction) int {
		return cmp.Or(len(a.differ)-len(b.differ), cmp.Compare(apart(a), apart(b)),
			cmp.Compare(number(a.is), number(b.is)), cmp.Compare(number(a.was), number(b.was)))
	})
	taken := map[int64]bool{}
	all = slices.DeleteFunc(all, func(c correction) bool {
		if taken[number(c.was)] || taken[number(c.is)] {
			return true
		}
		taken[number(c.was)], taken[number(c.is)] = true, true
		return false
	})
	slices.SortFunc(all, func(a, b correction) int { return cmp.Compare(number(a.is), number(b.is)) })
	return all, nil
}

// another reports whether records that differ in this field are of different
// things, of which a machine may well have several at one time.
func another(f *schema.Field) bool { return f.Name == "check" || f.Name == "work" }

// moved reports whether a row that differs from a record in its time alone may
// have been it: the record lies among the rows of the sheet, or within a day of
// this one.
func (w *rows) moved(was, is schema.Record) bool {
	t := w.k.When(was)
	return !t.Before(w.from) && !t.After(w.to) || t.Sub(w.k.When(is)).Abs() < day
}

const day = 24 * time.Hour

// timeless is all that a record says but its time.
func (w *rows) timeless(r schema.Record) string {
	var parts []string
	for i := range w.k.Fields {
		if f := &w.k.Fields[i]; f.Name != w.k.TimeColumn() {
			parts = append(parts, f.Cell(r, time.UTC))
		}
	}
	return strings.Join(parts, "\x00")
}

// untaken reads a machine's records without a ref from before this import, of
// the time that the sheet is about, which no row of it took up.
func (w *rows) untaken(
	ctx context.Context, machine int64, left func(schema.Record) (int, error),
) (out []schema.Record, err error) {
	room := map[string]int{}
	where := "WHERE machine = ? AND " + w.k.TimeColumn() +
		" BETWEEN ? AND ? AND number < ? AND ref IS NULL ORDER BY number"
	old := []any{machine, formatTime(w.from.Add(-day)), formatTime(w.to.Add(day)), w.first}
	err = w.t.query(ctx, w.tx, w.n, where, old, func(r schema.Record) error {
		if w.k.Meta(r).Versions > 0 {
			if _, taken := w.alike.takenBy[w.k.Meta(r).Number]; !taken {
				out = append(out, r)
			}
			return nil
		}
		id := w.identity(r)
		if _, met := room[id]; !met {
			var err error
			if room[id], err = left(r); err != nil {
				return err
			}
		}
		if room[id] > 0 {
			room[id]--
			out = append(out, r)
		}
		return nil
	})
	return out, err
}

// correct takes back the rows that seem to correct a record, and corrects it
// where that was asked for; else the row is bad, and says what differs.
func (w *rows) correct(ctx context.Context, s Source, c *Counts, near []correction) error {
	wrong := map[int][]*schema.Problem{} // by line
	for _, n := range near {
		number := w.k.Meta(n.is).Number
		if _, err := w.tx.ExecContext(ctx, "DELETE FROM "+w.k.Sheet+" WHERE number = ?", number); err != nil {
			return err
		}
		c.Added--
		if w.k.When(n.is).After(w.entered.Add(day)) {
			c.Ahead--
		}
		switch {
		case len(n.differ) == 0:
			c.Repeated++
		case w.o.Update:
			if _, err := w.update(ctx, n.was, n.is, n.differ); err != nil {
				return err
			}
			c.Amended++
		default:
			c.Bad++
			wrong[int(w.lines[number-w.starts])] = w.nearConflict(n)
		}
	}
	return w.tellBad(s, wrong)
}

// nearConflict tells the fields in which a row and a record nearly equal differ.
func (w *rows) nearConflict(n correction) []*schema.Problem {
	var out []*schema.Problem
	for _, f := range n.differ {
		out = append(out, &schema.Problem{Column: f.Name, Says: fmt.Sprintf("conflict: the row is almost record %d: "+
			"the book has %s, the sheet %s; to correct the book use --update, to keep both give the row a ref",
			w.k.Meta(n.was).Number, cellOr(f, n.was, w.known.Zone), cellOr(f, n.is, w.known.Zone))})
	}
	return out
}

// tellBad reads the sheet once more, and tells of its bad rows by their lines.
func (w *rows) tellBad(s Source, wrong map[int][]*schema.Problem) error {
	if len(wrong) == 0 || w.o.Bad == nil {
		return nil
	}
	src, err := s.Open()
	if err != nil {
		return err
	}
	defer src.Close()
	r, err := sheet.NewReader(src, s.Name, s.Kind)
	if err != nil {
		return err
	}
	for len(wrong) > 0 {
		row, err := r.Next()
		if err != nil {
			return fmt.Errorf("%s: the file changed while it was read: %w", s.Name, err)
		}
		var errs []*sheet.Error
		for _, p := range wrong[row.Line] {
			errs = append(errs, r.Wrong(row, p.Column, p.Says))
		}
		if len(errs) > 0 {
			w.bad(r, row, errs)
			delete(wrong, row.Line)
		}
	}
	return nil
}
