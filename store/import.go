package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"shedbook/schema"
	"shedbook/schema/unit"
	"shedbook/store/sheet"
)

// Source is one sheet to be imported.
type Source struct {
	Name string // the file's name, for messages
	Kind *schema.Kind
	Open func() (io.ReadCloser, error)
}

// ImportOptions say how an import goes about it.
type ImportOptions struct {
	Update  bool // a row that differs from the record of its ref amends it
	SkipBad bool // import the good rows all the same
	DryRun  bool // do everything, then undo it
	// Dates is the order of dates such as 3/4/2026 in the sheets; the book's own
	// where empty.
	Dates unit.Order
	// Bad is told every bad row as it is met. The row is good until Bad returns;
	// r is nil where it is the sheet itself that can't be read.
	Bad func(r *sheet.Reader, row sheet.Row, wrong []*sheet.Error)
	// Progress is told now and then how many rows were read.
	Progress func(file string, rows int)
}

// Counts are what an import did with the rows of one sheet.
type Counts struct {
	File     string `json:"file"`
	Sheet    string `json:"sheet"`
	Rows     int    `json:"rows"`
	Added    int    `json:"added"`
	Amended  int    `json:"amended"`
	Repeated int    `json:"repeated"` // known already: nothing to add
	Bad      int    `json:"bad"`
	Ahead    int    `json:"ahead,omitempty"` // of those added: dated more than a day after they were entered
	AheadAt  int    `json:"-"`               // the first line of those
}

// Imported is what an import did, a line a sheet.
type Imported struct {
	Sheets []Counts `json:"sheets"`
	Bad    int      `json:"bad"`
	Kept   bool     `json:"kept"` // false where nothing was changed: bad rows, or a dry run
}

// errNothingKept rolls an import back that is not to be kept.
var errNothingKept = errors.New("nothing kept")

// Import reads sheets into the book, all or nothing: where a row is bad and
// SkipBad is not set, nothing changes and Kept is false. A row that the book
// knows already, or knew before it was amended or voided, adds nothing.
func (b *Book) Import(ctx context.Context, sources []Source, o ImportOptions) (*Imported, error) {
	sources = slices.Clone(sources)
	slices.SortStableFunc(sources, func(x, y Source) int { return slices.Index(schema.Kinds, x.Kind) - slices.Index(schema.Kinds, y.Kind) })
	out := &Imported{}
	b, done, err := b.byTheThousand()
	if err != nil {
		return nil, err
	}
	defer done()
	err = b.write(ctx, func(tx *sql.Tx) error {
		n, err := readNames(ctx, tx)
		if err != nil {
			return err
		}
		im := &importer{b: b, tx: tx, n: n, known: n.known(), o: o, entered: b.now()}
		if o.Dates != "" {
			im.known.Dates = o.Dates
		}
		for _, s := range sources {
			c, err := im.sheet(ctx, s)
			if err != nil {
				return err
			}
			out.Sheets = append(out.Sheets, *c)
			out.Bad += c.Bad
		}
		if out.Bad > 0 && !o.SkipBad || im.cut || o.DryRun {
			return errNothingKept
		}
		return im.settle(ctx)
	})
	if errors.Is(err, errNothingKept) {
		return out, nil
	}
	out.Kept = err == nil
	return out, err
}

// importer is one import under way.
type importer struct {
	b          *Book
	tx         *sql.Tx
	n          *names
	known      *schema.Known
	o          ImportOptions
	entered    time.Time
	cut        bool  // a sheet could not be read to its end: nothing is kept, even with SkipBad
	next, last int64 // record numbers reserved: next to use, end of the block
	first      int64 // of the numbers reserved, the first; 0 before any is
}

// block is how many record numbers are reserved at a time.
const block = 10_000

func (im *importer) number(ctx context.Context) (int64, error) {
	if im.next == im.last {
		if err := im.reserve(ctx, block); err != nil {
			return 0, err
		}
	}
	im.next++
	return im.next - 1, nil
}

// reserve reserves n record numbers.
func (im *importer) reserve(ctx context.Context, n int) error {
	if err := im.settle(ctx); err != nil {
		return err
	}
	first, err := take(ctx, im.tx, n)
	im.next, im.last = first, first+int64(n)
	if im.first == 0 {
		im.first = first
	}
	return err
}

// settle gives back the numbers that were reserved and not used.
func (im *importer) settle(ctx context.Context) error {
	if im.next == im.last {
		return nil
	}
	_, err := im.tx.ExecContext(ctx, "UPDATE counter SET next = ? WHERE one = 1", im.next)
	return err
}

func (im *importer) sheet(ctx context.Context, s Source) (*Counts, error) {
	src, err := s.Open()
	if err != nil {
		return nil, err
	}
	defer src.Close()
	c := &Counts{File: s.Name, Sheet: s.Kind.Sheet}
	r, err := sheet.NewReader(src, s.Name, s.Kind)
	if err != nil {
		var all sheet.Errors
		var one *sheet.Error
		switch {
		case errors.As(err, &all):
		case errors.As(err, &one):
			all = sheet.Errors{one}
		default:
			return nil, err
		}
		im.bad(nil, sheet.Row{}, all)
		c.Bad, im.cut = 1, true
		return c, nil
	}
	row := &rows{importer: im, k: s.Kind, header: r.Header()}
	defer row.close()
	if err := row.prepare(ctx); err != nil {
		return nil, err
	}
	quiet := quiet(ctx)
	next := func() read {
		cells, err := r.Next()
		if err != nil {
			return read{err: err}
		}
		record, wrong := r.Record(cells, im.known)
		return read{cells, record, wrong, nil}
	}
	for {
		is := next()
		cells, err := is.row, is.err
		if errors.Is(err, io.EOF) {
			if row.bulk != nil {
				return c, row.bulk.finish(ctx, s, c)
			}
			return c, row.near(ctx, s, c)
		}
		var broken *sheet.Error
		if errors.As(err, &broken) { // the rest of the sheet can't be read
			im.bad(nil, sheet.Row{}, []*sheet.Error{broken})
			c.Bad++
			im.cut = true
			return c, nil
		}
		if err != nil {
			return nil, err
		}
		c.Rows++
		if c.Rows%2048 == 0 {
			if err := ctx.Err(); err != nil {
				return nil, err
			}
			if im.o.Progress != nil {
				im.o.Progress(s.Name, c.Rows)
			}
		}
		if c.Rows == fewRows && s.Kind.Dated {
			cells.Cells = slices.Clone(cells.Cells) // reading ahead overwrites them
			var stop func()
			next, stop = ahead(next)
			defer stop()
			if err := row.goLong(ctx); err != nil {
				return nil, err
			}
		}
		if len(is.wrong) > 0 {
			im.bad(r, cells, is.wrong)
			c.Bad++
			continue
		}
		did, conflict, err := row.take(quiet, is.record)
		if err != nil {
			return nil, fmt.Errorf("%s:%d: %w", s.Name, cells.Line, err)
		}
		if len(conflict) == 0 {
			row.note(is.record, did, cells.Line)
		}
		switch {
		case len(conflict) > 0:
			var errs []*sheet.Error
			for _, p := range conflict {
				errs = append(errs, r.Wrong(cells, p.Column, p.Says))
			}
			im.bad(r, cells, errs)
			c.Bad++
		case did == added:
			c.Added++
			if s.Kind.When(is.record).After(im.entered.Add(24 * time.Hour)) {
				if c.Ahead++; c.Ahead == 1 {
					c.AheadAt = cells.Line
				}
			}
		case did == amended:
			c.Amended++
		default:
			c.Repeated++
		}
	}
}

// read is a row as it was read: a record, or what is wrong.
type read struct {
	row    sheet.Row
	record schema.Record
	wrong  []*sheet.Error
	err    error // the sheet's end, or why its rest can't be read
}

// ahead lets next read rows ahead, in a goroutine of its own, until it meets an
// error; stop ends it.
func ahead(next func() read) (func() read, func()) {
	const rows, bytes = 256, 1 << 20 // read ahead at a time, whichever is less
	out, quit, ended := make(chan []read, 4), make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		for {
			some := make([]read, 0, rows)
			for size := 0; len(some) < rows && size < bytes; {
				r := next()
				r.row.Cells = slices.Clone(r.row.Cells) // good until the next row is read
				for _, c := range r.row.Cells {
					size += 16 + len(c)
				}
				if some = append(some, r); r.err != nil {
					break
				}
			}
			select {
			case out <- some:
			case <-quit:
				return
			}
			if some[len(some)-1].err != nil {
				return
			}
		}
	}()
	var some []read
	return func() read {
		if len(some) == 0 {
			some = <-out
		}
		r := some[0]
		some = some[1:]
		return r
	}, func() { close(quit); <-ended }
}

func (im *importer) bad(r *sheet.Reader, row sheet.Row, wrong []*sheet.Error) {
	if im.o.Bad != nil {
		im.o.Bad(r, row, wrong)
	}
}

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
