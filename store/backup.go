package store

import (
	"context"
	"database/sql"
	"fmt"
	"maps"

	"modernc.org/sqlite"
)

// Backup copies the book as it is at one moment to a new file, while others may
// go on writing. The copy is read back before it takes its name: every page is
// checked, and every table must have as many rows as it had at that moment. It
// returns these counts by table.
func (b *Book) Backup(ctx context.Context, to string) (map[string]int64, error) {
	conn, err := b.db.Conn(ctx)
	if err != nil {
		return nil, explain(b.path, err)
	}
	defer conn.Close()
	// The read transaction pins the moment: the rows counted in it are the rows
	// that the copy, made on the same connection, gets.
	if _, err := conn.ExecContext(ctx, "BEGIN"); err != nil {
		return nil, explain(b.path, err)
	}
	defer conn.ExecContext(context.WithoutCancel(ctx), "ROLLBACK")
	counts, err := countRows(ctx, conn)
	if err != nil {
		return nil, explain(b.path, err)
	}
	return counts, newFile(to, func(path string) error {
		if err := conn.Raw(func(driver any) error { return copyPages(ctx, driver, path) }); err != nil {
			return explain(to, err)
		}
		return readBack(ctx, path, to, counts)
	})
}

// copyPages copies the database in pieces, so that ctx can stop it.
func copyPages(ctx context.Context, conn any, path string) error {
	if c, ok := conn.(*keeper); ok {
		conn = c.connection
	}
	src, ok := conn.(interface {
		NewBackup(string) (*sqlite.Backup, error)
	})
	if !ok {
		return fmt.Errorf("this SQLite driver can't make backups")
	}
	copying, err := src.NewBackup(dsn(path, "_pragma=synchronous(FULL)"))
	if err != nil {
		return err
	}
	for more := true; more; {
		if err = ctx.Err(); err == nil {
			more, err = copying.Step(4096)
		}
		if err != nil {
			copying.Finish()
			return err
		}
	}
	return copying.Finish()
}

// readBack checks a copy, and turns it into a single file without a log beside
// it.
func readBack(ctx context.Context, path, to string, counts map[string]int64) error {
	db, err := sql.Open("sqlite", dsn(path, pragmas))
	if err != nil {
		return explain(to, err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	if _, err := db.ExecContext(ctx, "PRAGMA journal_mode = DELETE"); err != nil {
		return explain(to, err)
	}
	if err := markCopy(ctx, db); err != nil {
		return explain(to, err)
	}
	f, err := pages(ctx, db)
	if err != nil {
		return explain(to, err)
	}
	if len(f.Wrong) > 0 {
		return trouble(BadBook, "check the book with shedbook verify; if it is damaged, go back to an older backup",
			"the copy is damaged and was deleted: %s", f.Wrong[0])
	}
	got, err := countRows(ctx, db)
	if err != nil {
		return explain(to, err)
	}
	if !maps.Equal(got, counts) {
		return trouble(Failed, "try again, on another disk", "the copy differs from the book and was deleted")
	}
	return db.Close()
}

// countRows counts the rows of every table.
func countRows(ctx context.Context, q querier) (map[string]int64, error) {
	var names []string
	err := eachLine(ctx, q,
		"SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite@_%' ESCAPE '@' ORDER BY name",
		func(s string) { names = append(names, s) })
	if err != nil {
		return nil, err
	}
	out := map[string]int64{}
	for _, name := range names {
		var n int64
		if err := q.QueryRowContext(ctx, "SELECT count(*) FROM "+quoted([]string{name})).Scan(&n); err != nil {
			return nil, err
		}
		out[name] = n
	}
	return out, nil
}
