package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"

	"modernc.org/sqlite/vtab"
)

// feed is a virtual table that hands SQLite thousands of rows for one INSERT
// ... SELECT, at half the cost of a statement for each row. The values of a
// batch lie one row after another.
type feed struct {
	id      int64
	width   int
	values  []any
	at      int // where the current row begins
	columns []string
	table   string
}

// feeds are the open feeds by id, since SQLite passes arguments as text.
var feeds struct {
	once sync.Once
	err  error
	last atomic.Int64
	open sync.Map
}

type feedModule struct{}

func (feedModule) Create(c vtab.Context, args []string) (vtab.Table, error) {
	return feedModule{}.Connect(c, args)
}

func (feedModule) Connect(c vtab.Context, args []string) (vtab.Table, error) {
	id, err := strconv.ParseInt(args[len(args)-1], 10, 64)
	if err != nil {
		return nil, err
	}
	f, ok := feeds.open.Load(id)
	if !ok {
		return nil, errors.New("no such feed")
	}
	return f.(*feed), c.Declare("CREATE TABLE feed (" + quoted(f.(*feed).columns) + ")")
}

func (f *feed) BestIndex(*vtab.IndexInfo) error        { return nil }
func (f *feed) Open() (vtab.Cursor, error)             { return f, nil }
func (f *feed) Disconnect() error                      { return nil }
func (f *feed) Destroy() error                         { return nil }
func (f *feed) Filter(int, string, []vtab.Value) error { f.at = 0; return nil }
func (f *feed) Next() error                            { f.at += f.width; return nil }
func (f *feed) Eof() bool                              { return f.at >= len(f.values) }
func (f *feed) Column(column int) (vtab.Value, error)  { return f.values[f.at+column], nil }
func (f *feed) Rowid() (int64, error)                  { return int64(f.at), nil }
func (f *feed) Close() error                           { return nil }

// registerFeeds registers the virtual table for all connections opened from now
// on.
func registerFeeds() error {
	feeds.once.Do(func() { feeds.err = vtab.RegisterModule(nil, "shedbook_feed", feedModule{}) })
	return feeds.err
}

// newFeed makes a feed for a table within a transaction.
func newFeed(ctx context.Context, tx *sql.Tx, t *table) (*feed, error) {
	f := &feed{id: feeds.last.Add(1), width: len(t.columns), columns: t.columns, table: t.kind.Sheet}
	feeds.open.Store(f.id, f)
	_, err := tx.ExecContext(ctx, fmt.Sprintf("CREATE VIRTUAL TABLE temp.feed USING shedbook_feed (%d)", f.id))
	return f, err
}

// put inserts a batch of rows, their values in the order of the table's
// columns.
func (f *feed) put(ctx context.Context, tx *sql.Tx, values []any) error {
	f.values = values
	var known []string // columns that are empty in the whole batch are left out
	for c, name := range f.columns {
		for i := c; i < len(values); i += f.width {
			if values[i] != nil {
				known = append(known, name)
				break
			}
		}
	}
	list := quoted(known)
	_, err := tx.ExecContext(ctx, "INSERT INTO "+f.table+" ("+list+") SELECT "+list+" FROM temp.feed")
	f.values = nil
	return err
}

func (f *feed) close(ctx context.Context, tx *sql.Tx) error {
	_, err := tx.ExecContext(ctx, "DROP TABLE temp.feed")
	feeds.open.Delete(f.id)
	return err
}

// without drops a table's indexes or triggers, so that many rows can be
// inserted faster, and returns the SQL that makes them again.
func without(ctx context.Context, q querier, what, table string) ([]string, error) {
	rows, err := q.QueryContext(ctx,
		"SELECT name, sql FROM sqlite_master WHERE type = ? AND tbl_name = ? AND sql IS NOT NULL ORDER BY name", what,
		table)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var names, again []string
	for rows.Next() {
		var name, text string
		if err := rows.Scan(&name, &text); err != nil {
			return nil, err
		}
		names, again = append(names, "DROP "+what+" "+name), append(again, text)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return nil, err
	}
	_, err = q.ExecContext(ctx, strings.Join(names, ";"))
	return again, err
}
