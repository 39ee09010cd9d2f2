package store

import (
	"context"
	"database/sql"
	"fmt"
	"slices"
	"strings"
	"time"

	"shedbook/schema"
	"shedbook/schema/unit"
)

type deed int

const (
	repeated deed = iota
	added
	amended
)

// rows takes the records of one sheet into the book.
type rows struct {
	*importer
	k      *schema.Kind
	header []string
	t      *table
	insert *sql.Stmt
	there  *sql.Stmt                  // whether a ref is in the book; nil for a kind without
	past   map[string][]schema.Record // earlier versions, by ref or, without, by content
	alike  *alike                     // of rows without a ref; nil where no two records say the same
	refless
	bulk *bulk // once the sheet is a long one
}

func (w *rows) close() {
	if w.bulk != nil {
		w.bulk.stop()
	}
	for _, s := range []*sql.Stmt{w.insert, w.there} {
		if s != nil {
			s.Close()
		}
	}
}

func (w *rows) prepare(ctx context.Context) error {
	if w.t = tables()[w.k]; w.t == nil {
		return nil
	}
	var err error
	if w.insert, err = w.tx.PrepareContext(ctx, w.t.insert); err != nil {
		return err
	}
	if w.k.Field("ref") != nil {
		if w.there, err = w.tx.PrepareContext(ctx, "SELECT EXISTS (SELECT 1 FROM "+w.k.Sheet+" WHERE ref = ?)"); err != nil {
			return err
		}
	}
	if w.k.TimeColumn() != "" {
		w.alike = newAlike()
		err := w.amended(ctx, func(r schema.Record) error { // first, for what a record says now comes before what it said
			w.alike.says(w.identity(r), w.k.Meta(r).Number)
			return nil
		})
		if err != nil {
			return err
		}
	}
	were, err := earlier(ctx, w.tx, w.n, "WHERE kind = ?", w.k.Name)
	if err != nil {
		return err
	}
	w.past = map[string][]schema.Record{}
	for _, e := range were {
		id := w.identity(e.Record)
		if w.alike != nil && w.k.Text(e.Record, "ref") == "" {
			w.alike.says(id, e.Number)
		} else {
			w.past[id] = append(w.past[id], e.Record)
		}
	}
	return nil
}

// amended reads the records without a ref that were amended.
func (w *rows) amended(ctx context.Context, each func(schema.Record) error) error {
	return w.t.query(ctx, w.tx, w.n, "WHERE number IN (SELECT number FROM past WHERE kind = ?) AND ref IS NULL", []any{w.k.Name}, each)
}

// identity is what a row is known by: its ref, or its whole content.
func (w *rows) identity(r schema.Record) string {
	if ref := w.k.Text(r, "ref"); ref != "" {
		return "ref " + ref
	}
	var parts []string
	for i := range w.k.Fields {
		parts = append(parts, w.k.Fields[i].Cell(r, time.UTC))
	}
	return strings.Join(parts, "\x00")
}

// take takes one record into the book, and says what came of it. A conflict is
// a list of the values that differ.
func (w *rows) take(ctx context.Context, r schema.Record) (deed, []*schema.Problem, error) {
	switch r := r.(type) {
	case *schema.Setting:
		if w.n.settings[r.Key] == r.Value {
			return repeated, nil, nil
		}
		w.n.settings[r.Key] = r.Value
		w.known.Zone = w.n.settings.Zone()
		if w.o.Dates == "" {
			w.known.Dates = w.n.settings.Dates()
		}
		return added, nil, putSetting(ctx, w.tx, *r)
	case *schema.Word:
		if _, err := w.known.Word(r.Vocabulary, r.Word); err == nil {
			return repeated, nil, nil
		}
		w.known.AddWord(*r)
		return added, nil, putWord(ctx, w.tx, w.n, *r)
	}
	if w.bulk != nil {
		return w.bulk.take(ctx, r)
	}
	if w.alike != nil && w.k.Text(r, "ref") == "" {
		return w.takeAlike(ctx, r)
	}
	if old := w.past[w.identity(r)]; len(old) > 0 && !w.changes(old, r) {
		return repeated, nil, nil
	}
	if w.there != nil && w.k.Text(r, "ref") != "" {
		var there bool
		if err := w.there.QueryRowContext(ctx, w.k.Text(r, "ref")).Scan(&there); err != nil {
			return 0, nil, err
		}
		if !there {
			return added, nil, w.add(ctx, r)
		}
	}
	same, err := w.t.same(ctx, w.tx, w.n, r)
	if err != nil {
		return 0, nil, err
	}
	if same == nil {
		return added, nil, w.add(ctx, r)
	}
	differ := w.differ(same, r)
	if len(differ) == 0 {
		return repeated, nil, nil
	}
	if w.o.Update {
		_, err := w.update(ctx, same, r, differ)
		return amended, nil, err
	}
	return 0, w.conflict(same, r, differ), nil
}

// takeAlike takes a row without a ref, which is known by its whole content: as
// many as the sheet has of it, the book is to have, those counted that were
// amended or voided since. So each row of the sheet takes up one record.
func (w *rows) takeAlike(ctx context.Context, r schema.Record) (deed, []*schema.Problem, error) {
	id := w.identity(r)
	if _, met := w.alike.left[id]; !met {
		n, entered, err := w.unamended(ctx, r)
		if err != nil {
			return 0, nil, err
		}
		if n > 0 {
			w.alike.from[entered] = true
		}
		w.alike.left[id] = n
		w.alike.met = append(w.alike.met, r)
	}
	if w.alike.left[id] > 0 {
		w.alike.left[id]--
		return repeated, nil, nil
	}
	if w.alike.match(id, map[int64]bool{}) {
		return repeated, nil, nil
	}
	return added, nil, w.add(ctx, r)
}

// unamended counts the records that say what r says and were never amended, and
// tells when the last of them was entered.
func (w *rows) unamended(ctx context.Context, r schema.Record) (n int, entered string, err error) {
	where, args, err := w.t.content(r, w.n)
	if err != nil {
		return 0, "", err
	}
	err = w.tx.QueryRowContext(ctx, "SELECT count(*), coalesce(max(entered), '') FROM "+w.k.Sheet+" "+where+" AND versions = 0", args...).Scan(&n, &entered)
	return n, entered, err
}

// alike counts records that say the same, so that each row of a sheet takes up
// one of them.
type alike struct {
	left    map[string]int     // by content: records never amended that no row has taken up
	met     []schema.Record    // one of each content in left
	saying  map[string][]int64 // by content: records amended or voided that say, or said, this
	takenBy map[int64]string   // of those: what the row says that took it up
	from    map[string]bool    // when the records were entered that rows took up
}

func newAlike() *alike {
	return &alike{left: map[string]int{}, saying: map[string][]int64{}, takenBy: map[int64]string{}, from: map[string]bool{}}
}

func (a *alike) says(content string, number int64) {
	if !slices.Contains(a.saying[content], number) {
		a.saying[content] = append(a.saying[content], number)
	}
}

// match takes up a record that says, or said, this; where all are taken, one
// whose row can take up another (Kuhn's way to a largest matching). tried are
// the records asked already.
func (a *alike) match(content string, tried map[int64]bool) bool {
	for _, number := range a.saying[content] {
		if tried[number] {
			continue
		}
		tried[number] = true
		if by, taken := a.takenBy[number]; !taken || a.match(by, tried) {
			a.takenBy[number] = content
			return true
		}
	}
	return false
}

// conflict tells the fields in which the book and a sheet differ.
func (w *rows) conflict(book, r schema.Record, differ []*schema.Field) []*schema.Problem {
	var out []*schema.Problem
	for _, f := range differ {
		if number := w.k.Meta(book).Number; w.first > 0 && number >= w.first {
			out = append(out, &schema.Problem{Column: f.Name,
				Says: fmt.Sprintf("conflict: an earlier row has the same ref and %s, this one %s; give each record its own ref", cellOr(f, book, w.known.Zone), cellOr(f, r, w.known.Zone))})
			continue
		}
		out = append(out, &schema.Problem{Column: f.Name,
			Says: fmt.Sprintf("conflict: the book has %s (record %d), the sheet %s; to correct the book use --update", cellOr(f, book, w.known.Zone), w.k.Meta(book).Number, cellOr(f, r, w.known.Zone))})
	}
	return out
}

func cellOr(f *schema.Field, r schema.Record, zone *time.Location) string {
	if s := f.Cell(r, zone); s != "" {
		return unit.Quote(s)
	}
	return "nothing"
}

// differ lists the fields of the sheet in which a record of the book differs
// from the sheet's. A column that the sheet does not have says nothing.
func (w *rows) differ(book, r schema.Record) []*schema.Field {
	return slices.DeleteFunc(w.k.Differ(book, r), func(f *schema.Field) bool { return !slices.Contains(w.header, f.Name) })
}

// changes says whether r differs from all earlier versions of its record.
func (w *rows) changes(old []schema.Record, r schema.Record) bool {
	for _, v := range old {
		if len(w.differ(v, r)) == 0 {
			return false
		}
	}
	return true
}

// add inserts the record.
func (w *rows) add(ctx context.Context, r schema.Record) error {
	number, err := w.number(ctx)
	if err != nil {
		return err
	}
	m := w.k.Meta(r)
	m.Number, m.Entered = number, w.entered
	values, err := w.t.values(r, w.n)
	if err != nil {
		return err
	}
	if _, err := w.insert.ExecContext(ctx, values...); err != nil {
		return err
	}
	switch r := r.(type) {
	case *schema.Machine:
		w.n.addMachine(number, r.Name)
		w.known.AddMachine(r.Name)
	case *schema.Driver:
		w.n.addDriver(number, r.Name)
		w.known.AddDriver(r.Name)
	}
	return nil
}

// update amends the book's record to what the sheet says.
func (w *rows) update(ctx context.Context, was, r schema.Record, differ []*schema.Field) (schema.Record, error) {
	is, err := w.t.one(ctx, w.tx, w.n, "WHERE number = ?", w.k.Meta(was).Number)
	if err != nil {
		return nil, err
	}
	for _, f := range differ {
		switch p := f.Pointer(is).(type) {
		case *string:
			*p = *f.Pointer(r).(*string)
		case *schema.Num:
			*p = *f.Pointer(r).(*schema.Num)
		case *time.Time:
			*p = *f.Pointer(r).(*time.Time)
		case *[]string:
			*p = *f.Pointer(r).(*[]string)
		}
	}
	return is, w.b.amend(ctx, w.tx, w.n, w.k, was, is, "imported again with --update")
}
