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

// A row without a ref is identified by its whole content, so a row that was
// corrected in its sheet looks new when the sheet is imported again. The record
// it came from then matches no row of the sheet, and is nearly equal to the
// row: the row is taken for a correction of that record.

// maxDiffer is the largest number of fields in which a row may differ from the
// record it corrects.
const maxDiffer = 2

// fewAlike limits the records of one machine and time, or of one content, that
// a row is compared with: among more than this none can be singled out.
const fewAlike = 50

// correction is a row that the sheet added, and the record that it seems to
// correct.
type correction struct {
	was, is schema.Record
	differ  []*schema.Field // columns of the sheet that differ; none if the sheet says nothing new
}

// refless remembers the sheet's rows without a ref.
type refless struct {
	from, to time.Time // the time they span
	starts   int64     // the number of the first row added
	lines    []int32   // by number less starts: the line of an added row; 0 for a row with a ref
}

// note remembers a good row and, if it was added, its line.
func (w *sheetImport) note(r schema.Record, did outcome, line int) {
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

// near finds the rows of a short sheet that correct a record, and deals with
// them.
func (w *sheetImport) near(ctx context.Context, s Source, c *Counts) error {
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
		return math.MaxInt, nil // no row of the sheet has this content
	})
	if err != nil {
		return err
	}
	return w.correct(ctx, s, c, near)
}

// corrections returns the rows of the sheet that seem to correct a record of
// these machines, each record at most once, in the order of their lines. left
// returns how many records with a content, never amended, no row has matched.
func (w *sheetImport) corrections(
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
	// The nearest pairs first, so that they are matched with each other.
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

// another reports whether records that differ in this field describe different
// things, of which a machine may well have several at one time.
func another(f *schema.Field) bool { return f.Name == "check" || f.Name == "work" }

// moved reports whether a row that differs from a record only in its time may
// be that record: it lies within the time that the sheet spans, or within a day
// of the row.
func (w *sheetImport) moved(was, is schema.Record) bool {
	t := w.k.When(was)
	return !t.Before(w.from) && !t.After(w.to) || t.Sub(w.k.When(is)).Abs() < day
}

const day = 24 * time.Hour

// timeless returns the content of a record without its time.
func (w *sheetImport) timeless(r schema.Record) string {
	var parts []string
	for i := range w.k.Fields {
		if f := &w.k.Fields[i]; f.Name != w.k.TimeColumn() {
			parts = append(parts, f.Cell(r, time.UTC))
		}
	}
	return strings.Join(parts, "\x00")
}

// untaken reads a machine's records without a ref that were entered before this
// import, lie within the time of the sheet, and matched no row of it.
func (w *sheetImport) untaken(
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

// correct takes back the rows that seem to correct a record, and corrects the
// record if Update is set; otherwise the row is bad, with what differs.
func (w *sheetImport) correct(ctx context.Context, s Source, c *Counts, near []correction) error {
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

// nearConflict returns a problem for each field in which a row differs from the
// record.
func (w *sheetImport) nearConflict(n correction) []*schema.Problem {
	var out []*schema.Problem
	for _, f := range n.differ {
		out = append(out, &schema.Problem{Column: f.Name, Says: fmt.Sprintf("conflict: the row is almost record %d: "+
			"the book has %s, the sheet %s; to correct the book use --update, to keep both give the row a ref",
			w.k.Meta(n.was).Number, cellOr(f, n.was, w.known.Zone), cellOr(f, n.is, w.known.Zone))})
	}
	return out
}

// tellBad reads the sheet again, and reports the bad rows by their lines.
func (w *sheetImport) tellBad(s Source, wrong map[int][]*schema.Problem) error {
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
