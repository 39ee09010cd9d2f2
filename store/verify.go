package store

import (
	"context"
	"database/sql"
	"fmt"
	"strings"

	"shedbook/schema"
)

// Finding is what one part of Verify checked, and what was wrong.
type Finding struct {
	Check string   `json:"check"`
	Says  string   `json:"says"` // what was checked
	Wrong []string `json:"wrong"`
}

// maxWrong is how many faults of a kind are listed; the rest are counted.
const maxWrong = 20

func (f *Finding) wrong(format string, args ...any) {
	if len(f.Wrong) < maxWrong {
		f.Wrong = append(f.Wrong, fmt.Sprintf(format, args...))
	} else if len(f.Wrong) == maxWrong {
		f.Wrong = append(f.Wrong, "... and more")
	}
}

// Verify checks the whole book as it is at one moment: the schema against the
// migrations, SQLite's own check of every page and index, references, every row
// against its checksum, every record against its description, the packs against
// their tables, the ledger of changes, earlier versions, and the digests of
// attached files. A book is sound if no finding is wrong.
func (b *Book) Verify(ctx context.Context) ([]Finding, error) {
	tx, err := b.db.BeginTx(ctx, nil)
	if err != nil {
		return nil, explain(b.path, err)
	}
	defer tx.Rollback()
	var out []Finding
	for _, look := range []func(context.Context, querier) (Finding, error){tablesAreOurs, pages, references, sums,
		records, packsAreRight, ledgerIsRight, versions, files} {
		f, err := look(ctx, tx)
		if err != nil {
			if ctx.Err() != nil {
				return nil, ctx.Err()
			}
			// A part that can't be read to its end is a finding, not a failure.
			f.wrong("can't be read: %s", explain(b.path, err))
		}
		if f.Wrong == nil {
			f.Wrong = []string{}
		}
		out = append(out, f)
		if (f.Check == "tables" || f.Check == "pages") && len(f.Wrong) > 0 {
			break // with a strange schema or broken pages the other checks mean nothing
		}
	}
	if d, err := b.company(ctx, tx); err == nil && d != nil && len(out) > 2 {
		f, err := depotsAreRight(ctx, tx, b)
		if err != nil {
			f.wrong("can't be read: %s", explain(b.path, err))
		}
		if f.Wrong == nil {
			f.Wrong = []string{}
		}
		out = append(out, f)
	}
	return out, nil
}

func pages(ctx context.Context, q querier) (Finding, error) {
	f := Finding{Check: "pages"}
	var count, size int64
	if err := q.QueryRowContext(ctx,
		"SELECT page_count, page_size FROM pragma_page_count, pragma_page_size").Scan(&count, &size); err != nil {
		return f, err
	}
	f.Says = fmt.Sprintf("%s of %d bytes", several(count, "page"), size)
	return f, eachLine(ctx, q, "PRAGMA integrity_check", func(s string) {
		if s != "ok" {
			f.wrong("%s", s)
		}
	})
}

// eachLine calls each with the first column of every row.
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
		f.wrong("%s %d refers to a missing row of %s", table, row.Int64, parent)
	}
	return f, rows.Err()
}

func tablesAreOurs(ctx context.Context, q querier) (Finding, error) {
	f := Finding{Check: "tables", Says: fmt.Sprintf("tables, indexes and triggers, compared with version %d",
		newestVersion())}
	wrong, err := strange(ctx, q, newestVersion())
	for _, w := range wrong {
		f.wrong("%s", w)
	}
	return f, err
}

func records(ctx context.Context, q querier) (Finding, error) {
	f := Finding{Check: "records"}
	n, err := readNames(ctx, q)
	if err != nil {
		return f, err
	}
	known := n.known()
	known.Recorded = true
	count, highest := 0, int64(0)
	for _, k := range schema.Kinds {
		t := tables()[k]
		if t == nil {
			continue
		}
		read := t.scanner(n)
		read.unsummed = true // sums lists them all
		err := read.query(ctx, q, "ORDER BY number", nil, func(r schema.Record) error {
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
		f.wrong("the next number would be %d, but there is already a record %d", next, highest)
	}
	f.Says = several(count, "record") + ", each checked by the rules of its kind"
	return f, nil
}

// versions checks the earlier versions, and that every record knows how often
// it was amended.
func versions(ctx context.Context, q querier) (Finding, error) {
	f := Finding{Check: "earlier versions"}
	n, err := readNames(ctx, q)
	if err != nil {
		return f, err
	}
	if err := n.readGone(ctx, q); err != nil {
		return f, err
	}
	rows, err := q.QueryContext(ctx,
		"SELECT number, version, kind, replaced, content FROM past ORDER BY number, version")
	if err != nil {
		return f, err
	}
	defer rows.Close()
	of := map[int64]int{}
	count := 0
	for rows.Next() {
		var number int64
		var version int
		var kind, replaced, content string
		if err := rows.Scan(&number, &version, &kind, &replaced, &content); err != nil {
			return f, err
		}
		count++
		of[number]++
		if version != of[number] {
			f.wrong("record %d: version %d is missing", number, of[number])
		}
		k := schema.KindNamed(kind)
		if tables()[k] == nil {
			f.wrong("record %d, version %d: %q is not a kind of record", number, version, kind)
			continue
		}
		if _, err := parseTime(replaced); err != nil {
			f.wrong("record %d, version %d: %v", number, version, err)
		}
		if _, err := n.decodeVersion(ctx, q, k, content); err != nil {
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
		amended, err := q.QueryContext(ctx, "SELECT number, versions FROM "+k.Sheet+
			" WHERE versions > 0 ORDER BY number")
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
				f.wrong("%s %d has %s, but %d should be there", k.Name, number, several(of[number], "earlier version"),
					versions)
			}
		}
		if err := amended.Err(); err != nil {
			return f, err
		}
	}
	f.Says = several(count, "earlier version") + " of corrected or voided records"
	return f, nil
}

// files checks that every attached file matches its digest, and that every
// attachment has its record.
func files(ctx context.Context, q querier) (Finding, error) {
	f := Finding{Check: "attachments"}
	var sums []string
	if err := eachLine(ctx, q, "SELECT sha256 FROM files ORDER BY number",
		func(s string) { sums = append(sums, s) }); err != nil {
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
	f.Says = fmt.Sprintf("%s, %d bytes, checked by digest", several(len(sums), "file"), bytes)
	there := []string{"SELECT number FROM past", "SELECT number FROM aside"}
	for _, k := range schema.Kinds {
		if tables()[k] != nil {
			there = append(there, "SELECT number FROM "+k.Sheet)
		}
	}
	err := eachLine(ctx, q, "SELECT DISTINCT record FROM attachments WHERE record NOT IN ("+
		strings.Join(there, " UNION ALL ")+") ORDER BY record", func(s string) {
		f.wrong("a file is attached to record %s, which is missing", s)
	})
	return f, err
}

// several returns n and its noun: "1 page", "2 pages".
func several[N int | int64](n N, one string) string {
	if n == 1 {
		return fmt.Sprintf("%d %s", n, one)
	}
	return fmt.Sprintf("%d %ss", n, one)
}
