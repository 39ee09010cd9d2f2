package store

import (
	"context"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math"
	"slices"
	"strings"

	"shedbook/schema"
)

// summed returns the tables whose rows have a checksum in their last column.
// Files have digests and packs their own checksum; other rows tell nothing by
// themselves.
func summed() []string {
	var out []string
	for _, k := range schema.Kinds {
		out = append(out, k.Sheet)
	}
	return append(out, "past", "attachments", "entered_by")
}

// rowSum returns the checksum of a row: the Castagnoli CRC-32 of its values,
// each after a byte for its type, and texts and blobs after their length. It
// finds every change that lies within 32 neighbouring bits (Peterson and Brown,
// Cyclic codes for error detection, 1961).
func rowSum(values ...any) int64 {
	var room [256]byte
	b := room[:0]
	for _, v := range values {
		switch v := v.(type) {
		case nil:
			b = append(b, 0)
		case int:
			b = sumInt(b, int64(v))
		case int64:
			b = sumInt(b, v)
		case float64:
			b = sumFloat(b, v)
		case string:
			b = sumText(b, v)
		case []byte: // no table has blobs here, so it is a damaged text
			b = binary.AppendUvarint(append(b, 4), uint64(len(v)))
			b = append(b, v...)
		default:
			panic(fmt.Sprintf("store: a %T in a row", v))
		}
	}
	return int64(crc32.Checksum(b, castagnoli))
}

func sumInt(b []byte, v int64) []byte {
	return binary.LittleEndian.AppendUint64(append(b, 1), uint64(v))
}

func sumFloat(b []byte, v float64) []byte {
	if v == 0 {
		v = 0 // SQLite stores no negative zero
	}
	return binary.LittleEndian.AppendUint64(append(b, 2), math.Float64bits(v))
}

func sumText(b []byte, v string) []byte {
	return append(binary.AppendUvarint(append(b, 3), uint64(len(v))), v...)
}

// eachRow calls each for every row of a summed table, with its columns and its
// values, the sum last.
func eachRow(ctx context.Context, q querier, table, where string,
	each func(columns []string, values []any) error) error {
	rows, err := q.QueryContext(ctx, "SELECT * FROM "+table+where)
	if err != nil {
		return err
	}
	defer rows.Close()
	columns, err := rows.Columns()
	if err != nil {
		return err
	}
	values, into := make([]any, len(columns)), make([]any, len(columns))
	for i := range values {
		into[i] = &values[i]
	}
	for rows.Next() {
		if err := rows.Scan(into...); err != nil {
			return err
		}
		if err := each(columns, values); err != nil {
			return err
		}
	}
	return rows.Err()
}

// sumsSince is the first version whose rows have checksums.
const sumsSince = 5

// damagedRow is a row that does not match its checksum.
type damagedRow struct {
	table string
	where string // the values of its key columns
	key   []any
}

// keyColumns returns how many of a table's first columns identify a row.
func keyColumns(table string) int {
	if table == "past" || table == "attachments" || table == "entered_by" {
		return 2
	}
	return 1
}

// damagedRows finds the damaged rows in the tables of the book's own version.
func damagedRows(ctx context.Context, q querier) ([]damagedRow, error) {
	var out []damagedRow
	for _, table := range summed() {
		var there int
		if err := q.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_master WHERE type = 'table' AND name = ?",
			table).Scan(&there); err != nil {
			return nil, err
		}
		if there == 0 {
			continue // the table is newer
		}
		// A book being migrated from before version 5 has no sums yet.
		err := eachRow(ctx, q, table, " WHERE sum IS NOT NULL", func(columns []string, values []any) error {
			if last := len(values) - 1; values[last] != any(rowSum(values[:last]...)) {
				keys := keyColumns(table)
				out = append(out, damagedRow{table, strings.Join(columns[:keys], " = ? AND ") + " = ?",
					slices.Clone(values[:keys])})
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}

// noSum matches no row: a sum has 32 bits.
const noSum = -1

// keepDamaged keeps a migration from hiding damage: rows that were damaged
// before it get a sum that does not match.
func keepDamaged(ctx context.Context, q querier, rows []damagedRow) error {
	for _, r := range rows {
		triggers, err := without(ctx, q, "trigger", r.table)
		if err != nil {
			return err
		}
		if _, err := q.ExecContext(ctx, "UPDATE "+r.table+" SET sum = ? WHERE "+r.where,
			append([]any{noSum}, r.key...)...); err != nil {
			return err
		}
		for _, trigger := range triggers {
			if _, err := q.ExecContext(ctx, trigger); err != nil {
				return err
			}
		}
	}
	return nil
}

// sumRows fills in the checksum of every row that has none.
func sumRows(ctx context.Context, q querier) error {
	for _, table := range summed() {
		var missing bool
		if err := q.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM "+table+
			" WHERE sum IS NULL)").Scan(&missing); err != nil {
			return err
		}
		if !missing {
			continue
		}
		triggers, err := without(ctx, q, "trigger", table) // this changes nothing that a report reads
		if err != nil {
			return err
		}
		keys := keyColumns(table)
		err = eachRow(ctx, q, table, " WHERE sum IS NULL", func(columns []string, values []any) error {
			last := len(values) - 1
			update := "UPDATE " + table + " SET sum = ? WHERE " + strings.Join(columns[:keys], " = ? AND ") + " = ?"
			_, err := q.ExecContext(ctx, update, append([]any{rowSum(values[:last]...)}, values[:keys]...)...)
			return err
		})
		if err != nil {
			return err
		}
		for _, trigger := range triggers {
			if _, err := q.ExecContext(ctx, trigger); err != nil {
				return err
			}
		}
	}
	return nil
}

// sums checks every row against its checksum.
func sums(ctx context.Context, q querier) (Finding, error) {
	f := Finding{Check: "sums"}
	count := 0
	for _, table := range summed() {
		err := eachRow(ctx, q, table, "", func(columns []string, values []any) error {
			last := len(values) - 1
			if count++; values[last] != any(rowSum(values[:last]...)) {
				f.wrong("%s %v is not as it was written", table, values[0])
			}
			return ctx.Err()
		})
		if err != nil {
			return f, err
		}
	}
	f.Says = fmt.Sprintf("%d rows, each by its checksum", count)
	return f, nil
}
