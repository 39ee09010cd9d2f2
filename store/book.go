// Package store keeps the book: one SQLite file with everything recorded.
//
// A write is one short transaction under BEGIN IMMEDIATE; an acknowledged
// record survives a power cut (write-ahead log, synchronous = FULL). No other
// package uses database/sql. SQL stands beside its method.
package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"time"

	"modernc.org/sqlite" // the driver, under the name "sqlite"
	lib "modernc.org/sqlite/lib"

	"shedbook/schema"
)

// Book is an open book.
type Book struct {
	db       *sql.DB
	path     string
	readOnly bool
	file     os.FileInfo // what stood at path when it was opened for writing
	now      func() time.Time
	shared   *sharedFile // its own file, open as long as the book is
	by       *entry      // the phone that writes; nil for none
	line     *line       // writers in this program: SQLite has no fair queue
	answers  *sync.Map   // to forms, by ref, that are not in the file yet: see Answered
	// Waiting, if set, is called once a write has waited a second for another
	// program, so that the user can be told. It may be called from another
	// goroutine.
	Waiting func()
}

// busyTimeout is how long opening and reading wait for a busy book.
const busyTimeout = 15 * time.Second

// patience is how long a writer waits for another before it gives up: longer
// than any import takes. Waiting is called after sayAfter.
var patience, sayAfter = 10 * time.Minute, time.Second

// dsn returns a data source name. The pragmas are part of it, so that every
// pooled connection has them.
func dsn(path string, query string) string {
	u := url.URL{Scheme: "file", Opaque: (&url.URL{Path: path}).EscapedPath()}
	return u.String() + "?" + query
}

const always = "_pragma=busy_timeout(15000)&_pragma=synchronous(FULL)&_pragma=trusted_schema(0)"

const pragmas = always + "&_pragma=foreign_keys(1)&_pragma=temp_store(memory)"

// Create opens the book at path for recording, and makes it first where there
// is none (file mode 0600, directory 0700). An older book is migrated, after a
// copy of it is made beside it. now is the clock.
func Create(ctx context.Context, path string, now func() time.Time) (*Book, error) {
	return open(ctx, path, now, true)
}

// Open opens the book at path for recording; there must be one.
func Open(ctx context.Context, path string, now func() time.Time) (*Book, error) {
	return open(ctx, path, now, false)
}

func open(ctx context.Context, path string, now func() time.Time, create bool) (book *Book, err error) {
	path, err = itself(path)
	if err != nil {
		return nil, err
	}
	newest := newestVersion()
	if _, statErr := os.Stat(path); create && errors.Is(statErr, fs.ErrNotExist) {
		if err := makeFile(path); err != nil {
			return nil, err
		}
	}
	file, _ := openShared(path) // if it fails, inspect gives the reason
	defer func() {
		if err != nil {
			file.release()
		}
	}()
	empty, err := inspect(path, newest)
	if err != nil {
		return nil, err
	}
	if empty && !create {
		return nil, notThere(path, fs.ErrNotExist)
	}
	if b, err := os.Stat(path); err == nil {
		if err := oneName(path, b); err != nil {
			return nil, err
		}
	}
	if err := ownLeftovers(ctx, path, file); err != nil {
		return nil, err
	}
	b := &Book{path: path, now: now, shared: file, line: new(line), answers: new(sync.Map)}
	if empty {
		// The first tables are written with a rollback journal, so that the file's
		// own header has our application id from the first commit on.
		if err := patiently(ctx, busyTimeout, func() error { return b.prepare(ctx) }); err != nil {
			return nil, explain(path, err)
		}
	}
	keeping, err := keepStatements(dsn(path, "_txlock=immediate&_pragma=journal_mode(WAL)&"+pragmas))
	if err != nil {
		return nil, explain(path, err)
	}
	b.db = sql.OpenDB(keeping)
	b.db.SetMaxIdleConns(8) // the pages of serve read for several people at once
	if b.file, err = os.Stat(path); err != nil {
		b.db.Close()
		return nil, notThere(path, err)
	}
	var version int
	err = patiently(ctx, busyTimeout, func() (err error) {
		version, err = b.version(ctx, b.db)
		return err
	})
	if err == nil && version > newest {
		err = newer(path, version, newest)
	}
	if err == nil {
		err = ours(ctx, b.db, path, version)
	}
	if err == nil && version < newest {
		err = b.migrateOlder(ctx, version)
	}
	if err != nil {
		b.db.Close()
		return nil, explain(path, err)
	}
	return b, nil
}

// oneName returns an error where a book's file has two names (hard links):
// SQLite keeps its log beside the name it was opened by, and a program that
// opens the other name does not see that log.
func oneName(path string, info os.FileInfo) error {
	if hardLinks(info) < 2 {
		return nil
	}
	return trouble(Failed,
		fmt.Sprintf("make a separate file: cp -p %[1]s %[1]s.own && mv %[1]s.own %[1]s; reports still work",
			schema.Quote(path)),
		"the book %s has %d names (hard links): what you record under one is lost under another, so nothing was "+
			"recorded", path, hardLinks(info))
}

// itself returns path without symbolic links, since SQLite keeps its log beside
// the file itself.
func itself(path string) (string, error) {
	path, err := filepath.Abs(path)
	if err != nil {
		return "", err
	}
	if file, err := filepath.EvalSymlinks(path); err == nil {
		path = file
	}
	return path, nil
}

// byTheThousand returns the book on a connection made for writing many rows in
// one transaction: a small cache, since rows are appended and a larger one only
// costs more to clear; temporary files and a second thread for sorting, since
// what is sorted may be larger than memory; and no check of foreign keys, since
// every number comes from a name just read. The function returned closes it.
func (b *Book) byTheThousand() (*Book, func(), error) {
	if err := registerFeeds(); err != nil {
		return nil, nil, err
	}
	db, err := sql.Open("sqlite",
		dsn(b.path, "_txlock=immediate&_pragma=cache_size(-8192)&_pragma=journal_mode(WAL)&_pragma=threads(1)&"+always))
	if err != nil {
		return nil, nil, explain(b.path, err)
	}
	many := *b
	many.db, many.line = db, new(line)
	return &many, func() { db.Close() }, nil
}

// prepare makes the tables of a new book. Two programs may do so at once: the
// second finds the work done.
func (b *Book) prepare(ctx context.Context) error {
	db, err := sql.Open("sqlite", dsn(b.path, "_txlock=immediate&_pragma=page_size(8192)&"+pragmas))
	if err != nil {
		return err
	}
	defer db.Close()
	return migrate(ctx, db, b.path)
}

// patiently repeats do while the book is busy, where SQLite's own timeout does
// not apply: when the journal mode is changed.
func patiently(ctx context.Context, within time.Duration, do func() error) error {
	for give := time.Now().Add(within); ; {
		err := do()
		var se *sqlite.Error
		if err == nil || !errors.As(err, &se) || se.Code()&0xff != lib.SQLITE_BUSY || time.Now().After(give) {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(5 * time.Millisecond):
		}
	}
}

// View opens the book at path for reading only. It works on a read-only disk
// too.
func View(ctx context.Context, path string) (*Book, error) {
	path, err := itself(path)
	if err != nil {
		return nil, err
	}
	newest := newestVersion()
	file, _ := openShared(path) // if it fails, inspect gives the reason
	viewed := false
	defer func() {
		if !viewed {
			file.release()
		}
	}()
	empty, err := inspect(path, newest)
	if err != nil {
		return nil, err
	}
	if empty {
		return nil, notThere(path, fs.ErrNotExist)
	}
	if err := ownLeftovers(ctx, path, file); err != nil {
		return nil, err
	}
	b := &Book{path: path, readOnly: true, now: time.Now, shared: file, answers: new(sync.Map)}
	for _, mode := range []string{"mode=ro", "mode=ro&immutable=1"} {
		if b.db, err = sql.Open("sqlite", dsn(path, mode+"&"+pragmas)); err != nil {
			return nil, explain(path, err)
		}
		var version int
		if version, err = b.version(ctx, b.db); err == nil {
			switch {
			case version > newest:
				err = newer(path, version, newest)
			case version < newest:
				b.db.Close()
				return b.viewOlder(ctx, path, version)
			default:
				if err = ours(ctx, b.db, path, version); err == nil {
					viewed = true
					return b, nil
				}
			}
		}
		b.db.Close()
		// A book in WAL mode can't be read where no index file can be made beside it,
		// unless its log is empty: then the file alone is complete.
		var se *sqlite.Error
		if !errors.As(err, &se) || se.Code()&0xff != lib.SQLITE_CANTOPEN && se.Code()&0xff != lib.SQLITE_READONLY {
			break
		}
		if wal, statErr := os.Stat(path + "-wal"); statErr == nil && wal.Size() > 0 {
			break
		}
	}
	return nil, explain(path, err)
}

// viewOlder migrates an older book and then opens it for reading; the error
// tells if the book can't be written.
func (b *Book) viewOlder(ctx context.Context, path string, version int) (*Book, error) {
	up, err := Open(ctx, path, time.Now)
	if err == nil {
		err = up.Close()
	}
	var e *Error
	if errors.As(err, &e) && e.Trouble == Failed {
		return nil, trouble(Failed, "copy it to a place where you may write, and open the copy",
			"the book %s comes from an older program (version %d, this one has %d) and can't be updated, because it "+
				"can't be written to", path, version, newestVersion())
	} else if err != nil {
		return nil, err
	}
	return View(ctx, path)
}

// Close closes the book.
func (b *Book) Close() error {
	b.answers.Range(func(any, any) bool { // if there are any
		ctx, stop := context.WithTimeout(context.Background(), sayAfter)
		defer stop()
		_ = b.write(ctx, func(*sql.Tx) error { return nil }) // they may be lost
		return false
	})
	err := explain(b.path, b.db.Close())
	b.shared.release()
	b.shared = nil
	return err
}

// Path returns the path of the book.
func (b *Book) Path() string { return b.path }

// makeDir makes the directory of a file that is about to be made.
func makeDir(path string) error {
	dir := filepath.Dir(path)
	if _, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
		// Only the last directory is made: a mistyped path is an error.
		if _, err := os.Stat(filepath.Dir(dir)); err != nil && filepath.Base(dir) != "shedbook" {
			return trouble(Failed, "make the directory first, or check the path", "there is no directory %s", dir)
		}
		if err := os.MkdirAll(dir, 0o700); err != nil {
			return &Error{Failed, "the book's directory can't be made", "check the path, and that you may write there",
				err}
		}
	}
	return nil
}

// makeFile makes an empty file that only its owner may read, and its directory.
func makeFile(path string) error {
	if err := makeDir(path); err != nil {
		return err
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return &Error{Failed, "the book can't be made", "check that its directory may be written", err}
	}
	return f.Close()
}

type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
	ExecContext(ctx context.Context, query string, args ...any) (sql.Result, error)
}

func (b *Book) version(ctx context.Context, q querier) (int, error) {
	var v int
	err := q.QueryRowContext(ctx, "PRAGMA user_version").Scan(&v)
	return v, err
}

// line is the queue of writers.
type line struct {
	turn sync.Mutex
	mu   sync.Mutex
	jobs []*job
	// changed are the records that the job at hand has amended or voided, with when
	// they were entered.
	changed map[int64]time.Time
}

// job is what one writer does in a transaction, and its outcome.
type job struct {
	do   func(tx *sql.Tx) error
	err  error
	done bool
}

// write runs do in a transaction, together with what other writers queued meanwhile,
// each in its own savepoint: a commit waits for the disk, and one wait serves them
// all. Its error tells the next step. do never runs twice.
func (b *Book) write(ctx context.Context, do func(tx *sql.Tx) error) error {
	if b.readOnly {
		return trouble(Failed, "", "the book %s was opened for reading only", b.path)
	}
	mine := &job{do: func(tx *sql.Tx) error {
		b.line.changed = map[int64]time.Time{}
		if err := do(tx); err != nil {
			return err
		}
		return b.tell(quiet(ctx), tx, b.line.changed)
	}}
	b.line.mu.Lock()
	b.line.jobs = append(b.line.jobs, mine)
	b.line.mu.Unlock()
	b.line.turn.Lock()
	defer b.line.turn.Unlock()
	if mine.done {
		return explain(b.path, mine.err)
	}
	b.line.mu.Lock()
	jobs := b.line.jobs
	b.line.jobs = nil
	b.line.mu.Unlock()
	err := errors.New("what was written at the same time failed: nothing was recorded")
	defer func() {
		for _, j := range jobs {
			j.err, j.done = cmp.Or(j.err, err), true
		}
	}()
	if len(jobs) > 1 {
		ctx = quiet(ctx) // who goes takes nobody along
	}
	err = b.commit(ctx, jobs)
	return explain(b.path, cmp.Or(mine.err, err))
}

// commit does jobs in one transaction. An error is of them all; that of one alone is
// left with it.
func (b *Book) commit(ctx context.Context, jobs []*job) error {
	tx, err := b.begin(ctx)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	for _, j := range jobs {
		if len(jobs) == 1 {
			if err := j.do(tx); err != nil {
				return err
			}
			break
		}
		if _, err := tx.ExecContext(ctx, "SAVEPOINT one"); err != nil {
			return err
		}
		if j.err = j.do(tx); j.err != nil {
			if _, err := tx.ExecContext(ctx, "ROLLBACK TO one"); err != nil { // it ended the transaction
				return err
			}
		}
		if _, err := tx.ExecContext(ctx, "RELEASE one"); err != nil {
			return err
		}
	}
	wrote, err := b.putAnswers(quiet(ctx), tx)
	if err != nil {
		return err
	}
	if err := b.stillThere(); err != nil {
		return err
	}
	if err := tx.Commit(); err != nil {
		return err
	}
	wrote()
	return nil
}

// There reports whether the file that was opened still stands in its place.
func (b *Book) There() bool {
	is, err := os.Stat(b.path)
	return err == nil && os.SameFile(is, b.file)
}

// stillThere returns an error where the book's file was moved or replaced since
// it was opened: SQLite would go on writing into a file that nobody can open
// again.
func (b *Book) stillThere() error {
	is, err := os.Stat(b.path)
	if err == nil && os.SameFile(is, b.file) {
		return oneName(b.path, is)
	}
	return trouble(Failed, "put it back, or name the book's new place, and record it again",
		"the book %s was moved or removed in the meantime: nothing was recorded", b.path)
}

// begin begins a write transaction, and waits for other programs first.
func (b *Book) begin(ctx context.Context) (tx *sql.Tx, err error) {
	if b.Waiting != nil {
		defer time.AfterFunc(sayAfter, b.Waiting).Stop()
	}
	err = patiently(ctx, patience, func() error {
		tx, err = b.db.BeginTx(ctx, nil)
		return err
	})
	return tx, err
}

// Empty reports whether no record was ever put into the book.
func (b *Book) Empty(ctx context.Context) (bool, error) {
	var next int64
	err := b.db.QueryRowContext(ctx, "SELECT next FROM counter WHERE one = 1").Scan(&next)
	return next == 1, explain(b.path, err)
}

// take reserves n record numbers and returns the first.
func take(ctx context.Context, q querier, n int) (int64, error) {
	var next int64
	err := q.QueryRowContext(ctx, "UPDATE counter SET next = next + ? WHERE one = 1 RETURNING next", n).Scan(&next)
	return next - int64(n), err
}

// stamp is the only format of a time in the book.
const stamp = "2006-01-02T15:04:05Z"

func formatTime(t time.Time) string {
	t = t.UTC()
	y, mo, d := t.Date()
	if y < 1000 || y > 9999 {
		return t.Format(stamp)
	}
	h, mi, s := t.Clock()
	b := [len(stamp)]byte{4: '-', 7: '-', 10: 'T', 13: ':', 16: ':', 19: 'Z'}
	for _, part := range [...]struct{ at, v int }{{0, y / 100}, {2, y % 100}, {5, int(mo)}, {8, d}, {11, h}, {14, mi},
		{17, s}} {
		b[part.at], b[part.at+1] = byte('0'+part.v/10), byte('0'+part.v%10)
	}
	return string(b[:])
}

// parseTime reads what formatTime wrote.
func parseTime(s string) (time.Time, error) {
	if len(s) == len(stamp) {
		y, e1 := strconv.Atoi(s[0:4])
		mo, e2 := strconv.Atoi(s[5:7])
		d, e3 := strconv.Atoi(s[8:10])
		h, e4 := strconv.Atoi(s[11:13])
		mi, e5 := strconv.Atoi(s[14:16])
		sec, e6 := strconv.Atoi(s[17:19])
		if errors.Join(e1, e2, e3, e4, e5, e6) == nil {
			t := time.Date(y, time.Month(mo), d, h, mi, sec, 0, time.UTC)
			if mo >= 1 && mo <= 12 && h < 24 && mi < 60 && sec < 60 && t.Day() == d {
				return t, nil
			}
		}
	}
	return time.Time{}, fmt.Errorf("the book has %q in place of a time", s)
}

// DefaultPath returns the book's usual path: SHEDBOOK_BOOK, or a file in the
// user's data directory (XDG Base Directory Specification, section 3).
func DefaultPath(getenv func(string) string) (string, error) {
	if p := getenv("SHEDBOOK_BOOK"); p != "" {
		return p, nil
	}
	if d := getenv("XDG_DATA_HOME"); filepath.IsAbs(d) {
		return filepath.Join(d, "shedbook", "shedbook.db"), nil
	}
	home := getenv("HOME")
	if home == "" {
		return "", trouble(Failed, "name one with --book FILE, or set SHEDBOOK_BOOK",
			"no home directory was found to look for the book in")
	}
	return filepath.Join(home, ".local", "share", "shedbook", "shedbook.db"), nil
}
