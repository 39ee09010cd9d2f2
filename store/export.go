package store

import (
	"cmp"
	"context"
	"database/sql"
	"io"
	"maps"
	"slices"

	"shedbook/schema"
	"shedbook/store/sheet"
)

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }

// Export writes every sheet of the book as it is at one moment. It calls to for
// a writer of each sheet that has records, in an order in which references
// resolve.
func (b *Book) Export(ctx context.Context, to func(*schema.Kind) (io.WriteCloser, error)) error {
	return b.whole(ctx, func(tx *sql.Tx, n *names) error {
		for _, k := range schema.Kinds {
			var file io.WriteCloser
			var w *sheet.Writer
			err := everyRecord(ctx, tx, n, k, func(r schema.Record) error {
				if w == nil {
					var err error
					if file, err = to(k); err != nil {
						return err
					}
					w = sheet.NewWriter(file, k, n.settings.Zone())
				}
				w.Write(r)
				return nil
			})
			if file != nil {
				err = cmp.Or(err, w.Flush(), file.Close())
			}
			if err != nil {
				return err
			}
		}
		return nil
	})
}

// ExportWorkbook writes the whole book, as it is at one moment, as a workbook.
func (b *Book) ExportWorkbook(ctx context.Context, to io.Writer) error {
	return b.whole(ctx, func(tx *sql.Tx, n *names) error {
		w, err := sheet.NewWorkbookWriter(to, schema.Kinds, n.known())
		if err != nil {
			return err
		}
		for _, k := range schema.Kinds {
			if err := everyRecord(ctx, tx, n, k, w.Write); err != nil {
				return err
			}
		}
		return w.Close()
	})
}

// whole lets read see the whole book as it is at one moment.
func (b *Book) whole(ctx context.Context, read func(*sql.Tx, *names) error) error {
	tx, err := b.db.BeginTx(ctx, nil)
	if err != nil {
		return explain(b.path, err)
	}
	defer tx.Rollback()
	n, err := readNames(ctx, tx)
	if err == nil {
		err = read(tx, n)
	}
	return explain(b.path, err)
}

// everyRecord calls each for the records of a kind, dated ones by machine and
// time.
func everyRecord(ctx context.Context, q querier, n *names, k *schema.Kind, each func(schema.Record) error) error {
	switch k.Name {
	case "word":
		for i := range n.added {
			if err := each(&n.added[i]); err != nil {
				return err
			}
		}
		return nil
	case "setting":
		for _, key := range sortedKeys(n.settings) {
			if err := each(&schema.Setting{Key: key, Value: n.settings[key]}); err != nil {
				return err
			}
		}
		return nil
	}
	p, err := openPacks(ctx, q, n)
	if err != nil {
		return err
	}
	if p.upto[k.Sheet] == 0 { // none is in a pack
		order := "number"
		if k.Dated {
			order = "machine, " + k.TimeColumn() + ", number"
		}
		return tables()[k].query(ctx, q, n, "ORDER BY "+order, nil, each)
	}
	if err := p.readLoose(ctx, k); err != nil {
		return err
	}
	machines := slices.Clone(n.machines)
	slices.SortFunc(machines, func(a, b string) int { return cmp.Compare(n.machine[a], n.machine[b]) })
	// The next machine's packs are decoded while this one's records are written.
	quiet := quiet(ctx)
	type opened struct {
		log *schema.Log
		err error
	}
	logs, stop := make(chan opened, 2), make(chan struct{})
	go func() {
		defer close(logs)
		for _, name := range machines {
			var l schema.Log
			s, err := p.sealedOf(quiet, name, k)
			if err == nil {
				l, err = s.Open()
			}
			select {
			case logs <- opened{&l, cmp.Or(err, ctx.Err())}:
			case <-stop:
				return
			}
			if err != nil {
				return
			}
		}
	}()
	defer func() {
		close(stop)
		for range logs { // drain it: the book is read until its reader has stopped
		}
	}()
	for o := range logs {
		if o.err != nil {
			return o.err
		}
		for r := range o.log.Records() {
			if err := each(r); err != nil {
				return err
			}
		}
	}
	return nil
}
