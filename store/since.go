package store

import (
	"context"
	"database/sql"
	"errors"
	"maps"
	"slices"
	"time"

	"shedbook/schema"
)

// Mark is how far a book had been written, for Since.
type Mark struct {
	Next int64           // number that the next record would have had
	At   string          // when it was marked, later than any version was replaced
	Past int64           // earlier versions that the book kept
	Sum  int64           // of their checksums
	Pack int64           // number of the last pack
	Last map[string]last // by sheet: the last record
}

type last struct{ Number, Sum int64 }

// Mark marks how far the book is written. now is the clock that the writers go by.
func (b *Book) Mark(ctx context.Context, now time.Time) (m Mark, err error) {
	ctx = quiet(ctx)
	err = b.moment(ctx, []string{""}, func(q querier, _ *names) error { // of nobody's name: none is needed
		var replaced string
		if err := q.QueryRowContext(ctx, "SELECT coalesce(max(replaced), '') FROM past").Scan(&replaced); err != nil {
			return err
		}
		if was, err := parseTime(replaced); err == nil && !was.Before(now) {
			now = was.Add(time.Second)
		}
		m = Mark{At: formatTime(now), Last: map[string]last{}}
		if err := m.count(ctx, q); err != nil {
			return err
		}
		if err := q.QueryRowContext(ctx, "SELECT coalesce(max(number), 0) FROM packs").Scan(&m.Pack); err != nil {
			return err
		}
		for _, k := range schema.Kinds {
			if k.Field("machine") == nil {
				continue
			}
			var l last
			err := q.QueryRowContext(ctx, "SELECT number, coalesce(sum, 0) FROM "+k.Sheet+" ORDER BY number DESC LIMIT 1").Scan(&l.Number, &l.Sum)
			if err == nil {
				m.Last[k.Sheet] = l
			} else if !errors.Is(err, sql.ErrNoRows) {
				return err
			}
		}
		return nil
	})
	return m, err
}

// count counts what was recorded by now, and replaced before m.At.
func (m *Mark) count(ctx context.Context, q querier) error {
	if err := q.QueryRowContext(ctx, "SELECT next FROM counter").Scan(&m.Next); err != nil {
		return err
	}
	return q.QueryRowContext(ctx, "SELECT count(*), coalesce(sum(sum), 0) FROM past WHERE replaced < ?", m.At).Scan(&m.Past, &m.Sum)
}

// Since lists the machines of which anything was recorded, amended or voided
// since a mark, in the order of their names. It is not ok where that can't be
// told: where the book is not the one that was marked (as after a copy from
// before was put back), or a machine has another name. What the book has that is
// no machine's is not looked at.
func (b *Book) Since(ctx context.Context, was Mark) (machines []string, ok bool, err error) {
	ctx = quiet(ctx)
	err = b.moment(ctx, nil, func(q querier, n *names) error {
		now := Mark{At: was.At}
		if err := now.count(ctx, q); err != nil || now.Next < was.Next || now.Past != was.Past || now.Sum != was.Sum {
			return err
		}
		written := map[string]bool{}
		replaced := map[int64]bool{}
		were, err := earlier(ctx, q, n, "WHERE replaced >= ?", was.At)
		if err != nil {
			return err
		}
		for _, e := range were {
			replaced[e.Number] = true
			if e.Kind.Field("machine") == nil {
				continue
			}
			is, err := tables()[e.Kind].one(ctx, q, n, "WHERE number = ?", e.Number)
			if err != nil {
				return err
			}
			name := e.Kind.Text(e.Record, "machine")
			if e.Kind.Name == "machine" && (is == nil || e.Kind.Text(is, "machine") != name) {
				return nil
			}
			written[name] = true
			if is != nil {
				written[e.Kind.Text(is, "machine")] = true
			}
		}
		for sheet, last := range was.Last {
			var sum int64
			err := q.QueryRowContext(ctx, "SELECT coalesce(sum, 0) FROM "+sheet+" WHERE number = ?", last.Number).Scan(&sum)
			if err != nil && !errors.Is(err, sql.ErrNoRows) {
				return err
			}
			if (err != nil || sum != last.Sum) && !replaced[last.Number] {
				return nil
			}
		}
		for _, k := range schema.Kinds {
			if k.Field("machine") == nil {
				continue
			}
			column := "machine"
			if k.Name == "machine" {
				column = "number"
			}
			// By the numbers alone: an index over machines would be gone through whole.
			ids, err := numbers(ctx, q, "SELECT DISTINCT "+column+" FROM "+k.Sheet+" NOT INDEXED WHERE number > ? AND "+column+" IS NOT NULL", was.Last[k.Sheet].Number)
			if err != nil {
				return err
			}
			for _, id := range ids {
				written[n.machineName[id]] = true
			}
		}
		// A packed record changed by whatever program leaves an empty pack, the last
		// or in the last one's place.
		ids, err := numbers(ctx, q, "SELECT DISTINCT machine FROM packs NOT INDEXED WHERE number >= ? AND length(content) = 0", was.Pack)
		if err != nil {
			return err
		}
		for _, id := range ids {
			written[n.machineName[id]] = true
		}
		delete(written, "")
		for name := range written {
			if _, known := n.machine[name]; !known {
				return nil
			}
		}
		machines, ok = slices.Sorted(maps.Keys(written)), true
		return nil
	})
	return machines, ok, err
}
