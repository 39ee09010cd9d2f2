package store

import (
	"context"
	"io"
	"maps"
	"slices"

	"shedbook/schema"
	"shedbook/store/sheet"
)

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }

// Export writes every sheet of the book: to is asked for a writer for each
// sheet that has records, in the order in which references resolve. What is
// read is the book as it was at one moment.
func (b *Book) Export(ctx context.Context, to func(*schema.Kind) (io.WriteCloser, error)) error {
	tx, err := b.db.BeginTx(ctx, nil)
	if err != nil {
		return explain(b.path, err)
	}
	defer tx.Rollback()
	n, err := readNames(ctx, tx)
	if err != nil {
		return explain(b.path, err)
	}
	for _, k := range schema.Kinds {
		if err := exportSheet(ctx, tx, n, k, to); err != nil {
			return explain(b.path, err)
		}
	}
	return nil
}

func exportSheet(ctx context.Context, q querier, n *names, k *schema.Kind, to func(*schema.Kind) (io.WriteCloser, error)) error {
	var file io.WriteCloser
	var w *sheet.Writer
	write := func(r schema.Record) error {
		if w == nil {
			var err error
			if file, err = to(k); err != nil {
				return err
			}
			w = sheet.NewWriter(file, k, n.settings.Zone())
		}
		w.Write(r)
		return nil
	}
	var err error
	switch k.Name {
	case "word":
		for i := range n.added {
			err = firstError(err, write(&n.added[i]))
		}
	case "setting":
		for _, key := range sortedKeys(n.settings) {
			err = firstError(err, write(&schema.Setting{Key: key, Value: n.settings[key]}))
		}
	default:
		order := "number"
		if k.Dated {
			order = "machine, " + k.TimeColumn() + ", number"
		}
		err = tables[k].query(ctx, q, n, "ORDER BY "+order, nil, write)
	}
	if file != nil {
		err = firstError(err, w.Flush())
		err = firstError(err, file.Close())
	}
	return err
}

func firstError(a, b error) error {
	if a != nil {
		return a
	}
	return b
}
