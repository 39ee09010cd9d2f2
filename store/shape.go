package store

import (
	"bufio"
	"context"
	"crypto/sha256"
	"database/sql"
	_ "embed"
	"encoding/hex"
	"fmt"
	"strings"
)

// shapes.txt has the digest of every version's schema, so that a book can be
// checked at every opening without making another one to compare it with.
//
//go:embed shapes.txt
var shapes string

// counted is the condition for the rows of the schema that are compared: all
// but the tables of ANALYZE, exactly as ANALYZE makes them. An owner may run
// it, and they only tell SQLite which way to look for rows.
const counted = ` NOT (type = 'table' AND tbl_name = name AND
	(name = 'sqlite_stat1' AND sql IS 'CREATE TABLE sqlite_stat1(tbl,idx,stat)' OR
	name = 'sqlite_stat4' AND sql IS 'CREATE TABLE sqlite_stat4(tbl,idx,neq,nlt,ndlt,sample)'))`

// schemaOf returns every row of the schema by its type and name: tables,
// indexes, triggers and views, SQLite's own among them, each with its table and
// the text that made it.
func schemaOf(ctx context.Context, q querier) (map[string]string, error) {
	rows, err := q.QueryContext(ctx, "SELECT type, name, tbl_name, sql FROM sqlite_master WHERE"+counted)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := map[string]string{}
	for rows.Next() {
		var kind, name, table string
		var text sql.NullString
		if err := rows.Scan(&kind, &name, &table, &text); err != nil {
			return nil, err
		}
		key := kind + " " + name
		for out[key] != "" { // the program's own names are unique; others' may not be
			key += " again"
		}
		out[key] = "of " + table + ": " + text.String
	}
	return out, rows.Err()
}

// emptyBook makes an empty book of a version, in memory.
func emptyBook(ctx context.Context, version int) (*sql.DB, error) {
	db, err := sql.Open("sqlite", ":memory:")
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1) // each connection would have a memory of its own
	for _, step := range migrations()[:version] {
		if _, err := db.ExecContext(ctx, step); err != nil {
			db.Close()
			return nil, err
		}
	}
	return db, nil
}

// shapeOf returns the digest of the whole schema.
func shapeOf(ctx context.Context, q querier) (string, error) {
	var all []byte
	err := q.QueryRowContext(ctx,
		`SELECT group_concat(type || char(0) || name || char(0) || tbl_name || char(0) || coalesce(sql, ''), char(0))
		FROM (SELECT * FROM sqlite_master WHERE`+counted+` ORDER BY type, name)`).Scan(&all)
	sum := sha256.Sum256(all)
	return hex.EncodeToString(sum[:]), err
}

// knownShape returns the digest of a version's schema; "" if the version is not
// known.
func knownShape(version int) string {
	lines := bufio.NewScanner(strings.NewReader(shapes))
	for lines.Scan() {
		if v, shape, _ := strings.Cut(lines.Text(), " "); v == fmt.Sprint(version) {
			return shape
		}
	}
	return ""
}

// strange returns the differences between a book's schema and, byte by byte,
// the one that the migrations of its version make. A trigger or a view that
// somebody added would act unseen on whoever opens the book.
func strange(ctx context.Context, q querier, version int) ([]string, error) {
	shape, err := shapeOf(ctx, q)
	if err != nil || shape == knownShape(version) {
		return nil, err
	}
	got, err := schemaOf(ctx, q)
	if err != nil {
		return nil, err
	}
	made, err := emptyBook(ctx, version)
	if err != nil {
		return nil, err
	}
	defer made.Close()
	want, err := schemaOf(ctx, made)
	if err != nil {
		return nil, err
	}
	var out []string
	for _, name := range sortedKeys(want) {
		if got[name] == "" {
			out = append(out, name+" is not there")
		} else if got[name] != want[name] {
			out = append(out, name+" was changed")
		}
	}
	for _, name := range sortedKeys(got) {
		if want[name] == "" {
			out = append(out, name+" does not belong to the book")
		}
	}
	return out, nil
}

// ours returns an error if the schema is not the one that the migrations make.
func ours(ctx context.Context, q querier, path string, version int) error {
	wrong, err := strange(ctx, q, version)
	if err == nil && len(wrong) > 0 {
		err = damaged(path, strings.Join(wrong, ", "))
	}
	return err
}
