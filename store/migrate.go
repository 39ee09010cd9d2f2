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

// migrations returns the SQL texts; index 0 leads to version 1.
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

// migrate brings the book to the newest version, one transaction for each step.
// Each step reads the version again once it holds the lock, since another
// program may have done the step meanwhile.
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
	tx, err := db.BeginTx(ctx, nil) // BEGIN IMMEDIATE, set in the data source name
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
		return false, trouble(BadBook, "name another with --book",
			"%s is not a book: it is another program's SQLite file", path)
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
	if version+1 == len(steps) { // the tables are now those that the program knows
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

// Upgrading returns a context under which say is called when an older book has
// to be migrated, which takes a while for a large one.
func Upgrading(ctx context.Context, say func(version int)) context.Context {
	return context.WithValue(ctx, upgrading{}, say)
}

// migrateOlder makes a copy of an older book beside it, then migrates it.
func (b *Book) migrateOlder(ctx context.Context, version int) error {
	beside := fmt.Sprintf("%s.version%d", b.path, version)
	if _, err := os.Stat(beside); err != nil {
		// The copy takes its name once it is complete.
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
	// Other programs may read the version from the file's own header, so it must
	// not stay in the log.
	_, err := b.db.ExecContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)")
	return err
}

// copyInto writes a consistent copy of the book to a new file that only its
// owner may read, while others may write.
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
