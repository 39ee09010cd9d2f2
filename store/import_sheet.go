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

type outcome int

const (
	repeated outcome = iota
	added
	amended
)

// sheetImport imports the rows of one sheet.
type sheetImport struct {
	*importer
	k      *schema.Kind
	header []string
	t      *table
	insert *sql.Stmt
	there  *sql.Stmt                  // looks for a ref; nil for a kind without refs
	past   map[string][]schema.Record // earlier versions, by ref or else by content
	alike  *alike                     // matches rows without a ref; nil for kinds where no two records are alike
	refless
	bulk *bulk // once the sheet proves long
}

func (w *sheetImport) close() {
	if w.bulk != nil {
		w.bulk.stop()
	}
	for _, s := range []*sql.Stmt{w.insert, w.there} {
		if s != nil {
			s.Close()
		}
	}
}

func (w *sheetImport) prepare(ctx context.Context) error {
	if w.t = tables()[w.k]; w.t == nil {
		return nil
	}
	var err error
	if w.insert, err = w.tx.PrepareContext(ctx, w.t.insert); err != nil {
		return err
	}
	if w.k.Field("ref") != nil {
		if w.there, err = w.tx.PrepareContext(ctx, "SELECT EXISTS (SELECT 1 FROM "+w.k.Sheet+
			" WHERE ref = ?)"); err != nil {
			return err
		}
	}
	if w.k.TimeColumn() != "" {
		w.alike = newAlike()
		// First, since what a record says now is matched before what it said.
		err := w.amended(ctx, func(r schema.Record) error {
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

// amended calls each for the records without a ref that were amended.
func (w *sheetImport) amended(ctx context.Context, each func(schema.Record) error) error {
	return w.t.query(ctx, w.tx, w.n, "WHERE number IN (SELECT number FROM past WHERE kind = ?) AND ref IS NULL",
		[]any{w.k.Name}, each)
}

// identity returns what identifies a row: its ref, or else its whole content.
func (w *sheetImport) identity(r schema.Record) string {
	if ref := w.k.Text(r, "ref"); ref != "" {
		return "ref " + ref
	}
	var parts []string
	for i := range w.k.Fields {
		parts = append(parts, w.k.Fields[i].Cell(r, time.UTC))
	}
	return strings.Join(parts, "\x00")
}

// take imports one record, and returns what was done. A conflict is a list of
// the values that differ.
func (w *sheetImport) take(ctx context.Context, r schema.Record) (outcome, []*schema.Problem, error) {
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

// takeAlike imports a row without a ref, which is identified by its content:
// the book is to have as many records of a content as the sheet has rows of it,
// and those amended or voided since count too. So each row of the sheet matches
// one record.
func (w *sheetImport) takeAlike(ctx context.Context, r schema.Record) (outcome, []*schema.Problem, error) {
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

// unamended returns how many records have the content of r and were never
// amended, and when the last of them was entered.
func (w *sheetImport) unamended(ctx context.Context, r schema.Record) (n int, entered string, err error) {
	where, args, err := w.t.content(r, w.n)
	if err != nil {
		return 0, "", err
	}
	err = w.tx.QueryRowContext(ctx, "SELECT count(*), coalesce(max(entered), '') FROM "+w.k.Sheet+" "+where+
		" AND versions = 0", args...).Scan(&n, &entered)
	return n, entered, err
}

// alike counts records of the same content, so that each row of a sheet matches
// one of them.
type alike struct {
	left    map[string]int     // by content: records never amended that no row has matched
	met     []schema.Record    // one record of each content in left
	saying  map[string][]int64 // by content: amended or voided records that have, or had, it
	takenBy map[int64]string   // for those: the content of the row that matched it
	from    map[string]bool    // when the matched records were entered
}

func newAlike() *alike {
	return &alike{left: map[string]int{}, saying: map[string][]int64{}, takenBy: map[int64]string{},
		from: map[string]bool{}}
}

func (a *alike) says(content string, number int64) {
	if !slices.Contains(a.saying[content], number) {
		a.saying[content] = append(a.saying[content], number)
	}
}

// match finds a record that has, or had, this content for a row; if all are
// matched, one whose row can move to another (Kuhn's algorithm for a largest matching).
// tried are the records asked already.
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

// conflict returns a problem for each field in which the book and a sheet
// differ.
func (w *sheetImport) conflict(book, r schema.Record, differ []*schema.Field) []*schema.Problem {
	var out []*schema.Problem
	for _, f := range differ {
		if number := w.k.Meta(book).Number; w.first > 0 && number >= w.first {
			out = append(out, &schema.Problem{Column: f.Name,
				Says: fmt.Sprintf("conflict: an earlier row has the same ref and %s, this one %s; give each record "+
					"its own ref", cellOr(f, book, w.known.Zone), cellOr(f, r, w.known.Zone))})
			continue
		}
		out = append(out, &schema.Problem{Column: f.Name,
			Says: fmt.Sprintf("conflict: the book has %s (record %d), the sheet %s; to correct the book use --update",
				cellOr(f, book, w.known.Zone), w.k.Meta(book).Number, cellOr(f, r, w.known.Zone))})
	}
	return out
}

func cellOr(f *schema.Field, r schema.Record, zone *time.Location) string {
	if s := f.Cell(r, zone); s != "" {
		return unit.Quote(s)
	}
	return "nothing"
}

// differ returns the fields of the sheet in which it differs from the book's
// record. A column that the sheet does not have counts as equal.
func (w *sheetImport) differ(book, r schema.Record) []*schema.Field {
	return slices.DeleteFunc(w.k.Differ(book, r), func(f *schema.Field) bool {
		return !slices.Contains(w.header,
			f.Name)
	})
}

// changes reports whether r differs from all earlier versions of its record.
func (w *sheetImport) changes(old []schema.Record, r schema.Record) bool {
	for _, v := range old {
		if len(w.differ(v, r)) == 0 {
			return false
		}
	}
	return true
}

// add inserts the record.
func (w *sheetImport) add(ctx context.Context, r schema.Record) error {
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
func (w *sheetImport) update(ctx context.Context, was, r schema.Record, differ []*schema.Field) (schema.Record, error) {
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
	if o, ok := is.(*schema.Outing); ok && was.(*schema.Outing).Back.IsZero() && !o.Back.IsZero() {
		w.came = append(w.came, o)
	}
	return is, w.b.amend(ctx, w.tx, w.n, w.k, was, is, "imported again with --update")
}
