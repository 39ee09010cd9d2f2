package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"shedbook/schema"
	"shedbook/schema/unit"
	"shedbook/store/sheet"
)

// Source is one sheet to import.
type Source struct {
	Name string // the file's name, for messages
	Kind *schema.Kind
	Open func() (io.ReadCloser, error)
}

// ImportOptions control an import.
type ImportOptions struct {
	Update  bool // a row that differs from the record with its ref amends it
	SkipBad bool // import the good rows although others are bad
	DryRun  bool // do everything, then roll back
	// Dates is the order of day and month in the sheets; the book's own if empty.
	Dates unit.Order
	// Bad is called for every bad row. The row is valid until Bad returns; r is
	// nil if the sheet itself can't be read.
	Bad func(r *sheet.Reader, row sheet.Row, wrong []*sheet.Error)
	// Progress is called now and then with the number of rows read.
	Progress func(file string, rows int)
}

// Counts tell what an import did with the rows of one sheet.
type Counts struct {
	File     string `json:"file"`
	Sheet    string `json:"sheet"`
	Rows     int    `json:"rows"`
	Added    int    `json:"added"`
	Amended  int    `json:"amended"`
	Repeated int    `json:"repeated"` // known already: nothing to add
	Bad      int    `json:"bad"`
	Ahead    int    `json:"ahead,omitempty"` // of those added: dated more than a day after they were entered
	AheadAt  int    `json:"-"`               // the line of the first of those
}

// Imported tells what an import did, sheet by sheet.
type Imported struct {
	Sheets []Counts `json:"sheets"`
	Bad    int      `json:"bad"`
	Kept   bool     `json:"kept"` // false if nothing was changed: bad rows, or a dry run
	Bare   int      `json:"-"`    // outings that made no records, because sheets of such records, or of machines, came with them
}

// errNothingKept makes the transaction of an import roll back.
var errNothingKept = errors.New("nothing kept")

// Import reads sheets into the book, all or nothing: if a row is bad and
// SkipBad is not set, nothing changes and Kept is false. A row that the book
// has, or had before it was amended or voided, adds nothing.
func (b *Book) Import(ctx context.Context, sources []Source, o ImportOptions) (*Imported, error) {
	sources = slices.Clone(sources)
	slices.SortStableFunc(sources, func(x, y Source) int {
		return slices.Index(schema.Kinds,
			x.Kind) - slices.Index(schema.Kinds, y.Kind)
	})
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
		if err := im.outings(quiet(ctx), out); err != nil {
			return err
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

// importer is an import in progress.
type importer struct {
	b          *Book
	tx         *sql.Tx
	n          *names
	known      *schema.Known
	o          ImportOptions
	entered    time.Time
	cut        bool             // a sheet could not be read to its end: nothing is kept, even with SkipBad
	next, last int64            // reserved record numbers: the next to use, and the end of the block
	first      int64            // the first number reserved; 0 if none is
	went, came []*schema.Outing // outings that were added, and that came back
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

// settle gives back the reserved numbers that were not used.
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
	row := &sheetImport{importer: im, k: s.Kind, header: r.Header()}
	defer row.close()
	if err := row.prepare(ctx); err != nil {
		return nil, err
	}
	quiet := quiet(ctx)
	next := func() readRow {
		cells, err := r.Next()
		if err != nil {
			return readRow{err: err}
		}
		record, wrong := r.Record(cells, im.known)
		return readRow{cells, record, wrong, nil}
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
			if o, ok := is.record.(*schema.Outing); ok {
				im.went = append(im.went, o)
			}
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

// readRow is a row that was read: a record, or what is wrong with it.
type readRow struct {
	row    sheet.Row
	record schema.Record
	wrong  []*sheet.Error
	err    error // the end of the sheet, or why the rest can't be read
}

// ahead calls next in its own goroutine, some rows ahead, until it returns an
// error; the second function returned stops it.
func ahead(next func() readRow) (func() readRow, func()) {
	const rows, bytes = 256, 1 << 20 // read ahead at most this much, whichever is less
	out, quit, ended := make(chan []readRow, 4), make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		for {
			some := make([]readRow, 0, rows)
			for size := 0; len(some) < rows && size < bytes; {
				r := next()
				r.row.Cells = slices.Clone(r.row.Cells) // only valid until the next row is read
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
	var some []readRow
	return func() readRow {
		if len(some) == 0 {
			some = <-out
		}
		r := some[0]
		some = some[1:]
		return r
	}, func() { close(quit); <-ended }
}

// outings makes the records that outings make. A book that was exported has those
// that were not voided in sheets of their own, and all its machines: where such
// sheets came along, none is made.
func (im *importer) outings(ctx context.Context, out *Imported) error {
	if len(im.went)+len(im.came) == 0 {
		return nil
	}
	alone, made := true, map[string]int{}
	for _, c := range out.Sheets {
		alone = alone && (c.Rows == 0 || !slices.Contains([]string{"runs", "levels", "overheats", "machines"}, c.Sheet))
	}
	for _, o := range im.went {
		// A row that corrects a record was taken back.
		there, err := tables()[schema.KindOf(o)].one(ctx, im.tx, im.n, "WHERE number = ?", o.Number)
		if err != nil {
			return err
		}
		if there == nil {
			continue
		}
		records := o.OutRecords()
		if !o.Back.IsZero() {
			records = append(records, o.BackRecords()...)
		}
		if err := im.make(ctx, records, alone, made, out); err != nil {
			return err
		}
	}
	for _, o := range im.came {
		if err := im.make(ctx, o.BackRecords(), alone, made, out); err != nil {
			return err
		}
	}
	for _, k := range schema.Kinds {
		if n := made[k.Sheet]; n > 0 {
			out.Sheets = append(out.Sheets, Counts{File: "outings", Sheet: k.Sheet, Rows: n, Added: n})
		}
	}
	return nil
}

// make puts in what one outing makes, unless a record of that is there already.
func (im *importer) make(ctx context.Context, records []schema.Record, alone bool, made map[string]int,
	out *Imported) error {
	for _, r := range records {
		k := schema.KindOf(r)
		if there, err := tables()[k].one(ctx, im.tx, im.n, "WHERE ref = ?", k.Text(r, "ref")); err != nil ||
			there != nil {
			return err
		}
	}
	if !alone && len(records) > 0 {
		out.Bare++
		return nil
	}
	for _, r := range records {
		k := schema.KindOf(r)
		if err := k.Check(r); err != nil {
			return err
		}
		number, err := im.number(ctx)
		if err != nil {
			return err
		}
		m := k.Meta(r)
		m.Number, m.Entered = number, im.entered
		if err := tables()[k].put(ctx, im.tx, im.n, r); err != nil {
			return err
		}
		made[k.Sheet]++
	}
	return nil
}

func (im *importer) bad(r *sheet.Reader, row sheet.Row, wrong []*sheet.Error) {
	if im.o.Bad != nil {
		im.o.Bad(r, row, wrong)
	}
}
