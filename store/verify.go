package store

import (
	"context"
	"database/sql"
	"fmt"
	"strings"

	"shedbook/schema"
)

// Finding is what one part of Verify looked at, and what was wrong with it.
type Finding struct {
	Check string   `json:"check"`
	Says  string   `json:"says"` // what was looked at
	Wrong []string `json:"wrong"`
}

// maxWrong is how many wrongs of a sort are told; the rest are counted.
const maxWrong = 20

func (f *Finding) wrong(format string, args ...any) {
	if len(f.Wrong) < maxWrong {
		f.Wrong = append(f.Wrong, fmt.Sprintf(format, args...))
	} else if len(f.Wrong) == maxWrong {
		f.Wrong = append(f.Wrong, "... and more")
	}
}

// Verify looks through the whole book as it was at one moment: SQLite's own
// check of every page and index, references, the tables as the migrations make
// them, every row by its checksum, every record by its description, the packs that repeat them, what
// records were before, and the digests of attached files. A book is sound where no finding is wrong.
func (b *Book) Verify(ctx context.Context) ([]Finding, error) {
	tx, err := b.db.BeginTx(ctx, nil)
	if err != nil {
		return nil, explain(b.path, err)
	}
	defer tx.Rollback()
	var out []Finding
	for _, look := range []func(context.Context, querier) (Finding, error){pages, references, tablesAreOurs, sums, records, packsAreRight, versions, files} {
		f, err := look(ctx, tx)
		if err != nil {
			if ctx.Err() != nil {
				return nil, ctx.Err()
			}
			// What can't be read to its end is a finding, not a failure.
			f.wrong("can't be read: %s", explain(b.path, err))
		}
		if f.Wrong == nil {
			f.Wrong = []string{}
		}
		out = append(out, f)
		if f.Check == "pages" && len(f.Wrong) > 0 {
			break // what broken pages say is worth nothing
		}
	}
	return out, nil
}

func pages(ctx context.Context, q querier) (Finding, error) {
	f := Finding{Check: "pages"}
	var count, size int64
	if err := q.QueryRowContext(ctx, "SELECT page_count, page_size FROM pragma_page_count, pragma_page_size").Scan(&count, &size); err != nil {
		return f, err
	}
	f.Says = fmt.Sprintf("%d pages of %d bytes", count, size)
	return f, eachLine(ctx, q, "PRAGMA integrity_check", func(s string) {
		if s != "ok" {
			f.wrong("%s", s)
		}
	})
}

// eachLine reads the first column of every row.
func eachLine(ctx context.Context, q querier, query string, each func(string)) error {
	rows, err := q.QueryContext(ctx, query)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			return err
		}
		each(s)
	}
	return rows.Err()
}

func references(ctx context.Context, q querier) (Finding, error) {
	f := Finding{Check: "references", Says: "machines, drivers, words and files that rows refer to"}
	rows, err := q.QueryContext(ctx, "PRAGMA foreign_key_check")
	if err != nil {
		return f, err
	}
	defer rows.Close()
	for rows.Next() {
		var table, parent string
		var row sql.NullInt64
		var id int
		if err := rows.Scan(&table, &row, &parent, &id); err != nil {
			return f, err
		}
		f.wrong("%s %d refers to a row of %s that is not there", table, row.Int64, parent)
	}
	return f, rows.Err()
}

func tablesAreOurs(ctx context.Context, q querier) (Finding, error) {
	f := Finding{Check: "tables"}
	want, err := newTables(ctx)
	if err != nil {
		return f, err
	}
	got, err := tableSQL(ctx, q)
	if err != nil {
		return f, err
	}
	f.Says = fmt.Sprintf("%d tables and indexes, as version %d has them", len(want), newestVersion())
	for _, name := range sortedKeys(want) {
		if got[name] == "" {
			f.wrong("%s is not there", name)
		} else if got[name] != want[name] {
			f.wrong("%s is not as it was made", name)
		}
	}
	for _, name := range sortedKeys(got) {
		if want[name] == "" {
			f.wrong("%s is none of ours", name)
		}
	}
	return f, nil
}

// likeMigrations is an error where the tables are not as the migrations make
// them.
func likeMigrations(ctx context.Context, q querier) error {
	f, err := tablesAreOurs(ctx, q)
	if err == nil && len(f.Wrong) > 0 {
		err = fmt.Errorf("%s", strings.Join(f.Wrong, ", "))
	}
	return err
}

// newTables are the tables of a new book, by name.
func newTables(ctx context.Context) (map[string]string, error) {
	db, err := sql.Open("sqlite", ":memory:")
	if err != nil {
		return nil, err
	}
	defer db.Close()
	db.SetMaxOpenConns(1) // each connection would have a memory of its own
	for _, step := range migrations() {
		if _, err := db.ExecContext(ctx, step); err != nil {
			return nil, err
		}
	}
	return tableSQL(ctx, db)
}

// tableSQL is what made each table, index, trigger and view, by its name.
func tableSQL(ctx context.Context, q querier) (map[string]string, error) {
	rows, err := q.QueryContext(ctx, "SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL AND name NOT LIKE 'sqlite@_%' ESCAPE '@'")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := map[string]string{}
	for rows.Next() {
		var kind, name, text string
		if err := rows.Scan(&kind, &name, &text); err != nil {
			return nil, err
		}
		out[kind+" "+name] = text
	}
	return out, rows.Err()
}

func records(ctx context.Context, q querier) (Finding, error) {
	f := Finding{Check: "records"}
	n, err := readNames(ctx, q)
	if err != nil {
		return f, err
	}
	known := n.known()
	count, highest := 0, int64(0)
	for _, k := range schema.Kinds {
		t := tables()[k]
		if t == nil {
			continue
		}
		err := t.query(ctx, q, n, "ORDER BY number", nil, func(r schema.Record) error {
			count++
			highest = max(highest, k.Meta(r).Number)
			if err := sound(r, known); err != nil {
				f.wrong("%s %d: %s", k.Name, k.Meta(r).Number, err)
			}
			return ctx.Err()
		})
		if err != nil {
			return f, err
		}
	}
	for _, key := range sortedKeys(n.settings) {
		if err := (&schema.Setting{Key: key, Value: n.settings[key]}).Validate(); err != nil {
			f.wrong("setting %s: %s", key, err)
		}
	}
	var next int64
	if err := q.QueryRowContext(ctx, "SELECT next FROM counter").Scan(&next); err != nil {
		return f, err
	}
	if next <= highest {
		f.wrong("the next number would be %d, but there is a record %d", next, highest)
	}
	f.Says = fmt.Sprintf("%d records, each by its kind's description", count)
	return f, nil
}

// versions looks through what records were, and whether a record knows how
// often it was amended.
func versions(ctx context.Context, q querier) (Finding, error) {
	f := Finding{Check: "earlier versions"}
	n, err := readNames(ctx, q)
	if err != nil {
		return f, err
	}
	if err := n.readGone(ctx, q); err != nil {
		return f, err
	}
	rows, err := q.QueryContext(ctx, "SELECT number, version, kind, content FROM past ORDER BY number, version")
	if err != nil {
		return f, err
	}
	defer rows.Close()
	of := map[int64]int{}
	count := 0
	for rows.Next() {
		var number int64
		var version int
		var kind, content string
		if err := rows.Scan(&number, &version, &kind, &content); err != nil {
			return f, err
		}
		count++
		of[number]++
		if version != of[number] {
			f.wrong("record %d: version %d is missing", number, of[number])
		}
		k := schema.KindNamed(kind)
		if k == nil {
			f.wrong("record %d, version %d: %q is no kind of record", number, version, kind)
			continue
		}
		if _, err := n.was(ctx, q, k, content); err != nil {
			f.wrong("record %d, version %d: %v", number, version, err)
		}
	}
	if err := rows.Err(); err != nil {
		return f, err
	}
	for _, k := range schema.Kinds {
		if tables()[k] == nil {
			continue
		}
		amended, err := q.QueryContext(ctx, "SELECT number, versions FROM "+k.Sheet+" WHERE versions > 0 ORDER BY number")
		if err != nil {
			return f, err
		}
		defer amended.Close()
		for amended.Next() {
			var number int64
			var versions int
			if err := amended.Scan(&number, &versions); err != nil {
				return f, err
			}
			if of[number] != versions {
				f.wrong("%s %d was amended %d times, and %d earlier versions are there", k.Name, number, versions, of[number])
			}
		}
		if err := amended.Err(); err != nil {
			return f, err
		}
	}
	f.Says = fmt.Sprintf("%d versions that were amended or voided", count)
	return f, nil
}

// files looks whether every attached file has its digest, and every attachment
// its record.
func files(ctx context.Context, q querier) (Finding, error) {
	f := Finding{Check: "attachments"}
	var sums []string
	if err := eachLine(ctx, q, "SELECT sha256 FROM files ORDER BY number", func(s string) { sums = append(sums, s) }); err != nil {
		return f, err
	}
	bytes := 0
	for _, sum := range sums { // one at a time: they may be large
		data, err := content(ctx, q, sum)
		if err != nil {
			return f, err
		}
		if data == nil {
			f.wrong("the file %s does not have its digest", sum)
		}
		bytes += len(data)
	}
	f.Says = fmt.Sprintf("%d files, %d bytes, by their digests", len(sums), bytes)
	there := []string{"SELECT number FROM past"}
	for _, k := range schema.Kinds {
		if tables()[k] != nil {
			there = append(there, "SELECT number FROM "+k.Sheet)
		}
	}
	err := eachLine(ctx, q, "SELECT DISTINCT record FROM attachments WHERE record NOT IN ("+strings.Join(there, " UNION ALL ")+") ORDER BY record", func(s string) {
		f.wrong("something is attached to record %s, which is not there", s)
	})
	return f, err
}
