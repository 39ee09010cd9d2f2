package store

import (
	"context"
	"database/sql"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sort"

	"shedbook/schema/migration"
)

// migrations are the SQL texts, index 0 leading to version 1.
func migrations() []string {
	names, err := fs.Glob(migration.Files, "*.sql")
	if err != nil {
		panic(err)
	}
	sort.Strings(names)
	out := make([]string, len(names))
	for i, n := range names {
		text, err := migration.Files.ReadFile(n)
		if err != nil {
			panic(err)
		}
		out[i] = string(text)
	}
	return out
}

func newestVersion() int {
	names, _ := fs.Glob(migration.Files, "*.sql")
	return len(names)
}

// migrate brings the book to the newest version, one transaction a step; each
// reads the version again once it holds the lock, since another program may
// have done the step meanwhile.
func migrate(ctx context.Context, db *sql.DB, path string) error {
	steps := migrations()
	for {
		done, err := step(ctx, db, path, steps)
		if err != nil || done {
			return err
		}
	}
}

func step(ctx context.Context, db *sql.DB, path string, steps []string) (done bool, err error) {
	tx, err := db.BeginTx(ctx, nil) // BEGIN IMMEDIATE, by the data source name
	if err != nil {
		return false, err
	}
	defer tx.Rollback()
	var version, id, tables int
	if err := tx.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version); err != nil {
		return false, err
	}
	if err := tx.QueryRowContext(ctx, "PRAGMA application_id").Scan(&id); err != nil {
		return false, err
	}
	if err := tx.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_master").Scan(&tables); err != nil {
		return false, err
	}
	if id != applicationID && (id != 0 || version != 0 || tables != 0) {
		return false, trouble(BadBook, "name another with --book", "%s is not a book: it is another program's SQLite file", path)
	}
	if version > len(steps) {
		return false, newer(path, version, len(steps))
	}
	if version == len(steps) {
		return true, nil
	}
	var damaged []damagedRow
	if version >= sumsSince {
		if damaged, err = damagedRows(ctx, tx); err != nil {
			return false, err
		}
	}
	if _, err := tx.ExecContext(ctx, steps[version]); err != nil {
		return false, fmt.Errorf("migration %d: %w", version+1, err)
	}
	if version+1 == len(steps) { // the tables are as the program knows them
		if err := sumRows(ctx, tx); err != nil {
			return false, err
		}
	}
	if err := keepDamaged(ctx, tx, damaged); err != nil {
		return false, err
	}
	if _, err := tx.ExecContext(ctx, fmt.Sprintf("PRAGMA application_id = %d", applicationID)); err != nil {
		return false, err
	}
	if _, err := tx.ExecContext(ctx, fmt.Sprintf("PRAGMA user_version = %d", version+1)); err != nil {
		return false, err
	}
	return false, tx.Commit()
}

type upgrading struct{}

// Upgrading is a context under which say is told, once it is so, that a book is
// of an older version and is brought up to date, which takes a while if it is
// large.
func Upgrading(ctx context.Context, say func(version int)) context.Context {
	return context.WithValue(ctx, upgrading{}, say)
}

// migrateOlder sets a copy of an older book beside it, then migrates it.
func (b *Book) migrateOlder(ctx context.Context, version int) error {
	beside := fmt.Sprintf("%s.version%d", b.path, version)
	if _, err := os.Stat(beside); err != nil {
		// It takes its name once it is whole.
		dir, done, err := Passing(filepath.Dir(b.path))
		if err == nil {
			defer done()
			part := filepath.Join(dir, copied)
			if err = copyInto(ctx, b.db, part); err == nil {
				err = os.Rename(part, beside)
			}
		}
		if err != nil {
			return fmt.Errorf("the old book could not be copied first, so it was not changed: %w", err)
		}
	}
	if say, ok := ctx.Value(upgrading{}).(func(int)); ok {
		say(version)
	}
	if err := migrate(ctx, b.db, b.path); err != nil {
		return err
	}
	// The header of the file itself must say its version to those who read only that.
	_, err := b.db.ExecContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)")
	return err
}

// copyInto writes a consistent copy of the book to a new file, readable by its
// owner only, while others may write.
func copyInto(ctx context.Context, q querier, to string) error {
	f, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o600)
	if err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	if _, err := q.ExecContext(ctx, "VACUUM INTO ?", to); err != nil {
		os.Remove(to)
		return err
	}
	return nil
}
