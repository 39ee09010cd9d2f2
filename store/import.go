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
