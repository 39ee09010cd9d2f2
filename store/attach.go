package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"path"
	"strings"
	"time"
	"unicode"

	"shedbook/schema"
	"shedbook/store/photo"
)

// MaxFile is the most bytes that an attached file may hold.
const MaxFile = 20 << 20

// File is a photograph or a paper to go with a record.
type File struct {
	Name    string // as it was called; not what it is taken by
	What    string // what it shows; "" where not said
	Content []byte
}

// Attachment is a file that goes with a record, without its content.
type Attachment struct {
	Record   int64 // the record's number
	Nth      int   // of the record's attachments, from 1
	Name     string
	What     string
	Format   string // jpeg, png or pdf
	Bytes    int64
	SHA256   string // of the stored content, in hexadecimal
	Entered  time.Time
	Detached time.Time // zero while it is attached
	Why      string    // why it was detached
}

// storedFile is a file ready for the book: checked, without metadata, and
// safely named.
type storedFile struct {
	name, what, format, sum string
	content                 []byte
}

// prepareFile checks a file by its content, takes out the metadata that tells
// of places and people, and makes its name safe for any file system.
func prepareFile(f File) (*storedFile, error) {
	wrong := func(hint, format string, args ...any) error {
		return trouble(Refused, hint, "%s %s", fileName(f.Name), fmt.Sprintf(format, args...))
	}
	switch {
	case len(f.Content) == 0:
		return nil, wrong("check that the whole file was copied", "is empty")
	case len(f.Content) > MaxFile:
		return nil, wrong("save it smaller: 2000 pixels wide is enough", "is larger than %d MiB, which is the limit",
			MaxFile>>20)
	}
	content, format, err := photo.StripMetadata(f.Content)
	if errors.Is(err, photo.ErrFormat) {
		return nil, wrong("", "is %s", err)
	} else if err != nil {
		return nil, wrong("open it in a picture program and save it again", "can't be kept: %s", err)
	}
	sum := sha256.Sum256(content)
	return &storedFile{fileName(f.Name), strings.TrimSpace(f.What), format, hex.EncodeToString(sum[:]), content}, nil
}

// fileName returns the last part of a path, with the characters replaced that a
// terminal or a file system can't take.
func fileName(name string) string {
	name = path.Base(strings.ReplaceAll(name, `\`, "/"))
	name = strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) || strings.ContainsRune(`/:*?"<>|`, r) {
			return '_'
		}
		return r
	}, name)
	if name = strings.TrimLeft(name, ". "); name == "" {
		return "file"
	}
	for len(name) > 120 {
		name = strings.TrimSuffix(name, string([]rune(name)[len([]rune(name))-1]))
	}
	return name
}

// Attach keeps files with a record, all or none. A file that the record has
// already is not attached twice: fresh tells for each file whether it is new.
func (b *Book) Attach(ctx context.Context, record int64, files []File) (out []Attachment, fresh []bool, err error) {
	var list []*storedFile
	for _, f := range files {
		k, err := prepareFile(f)
		if err != nil {
			return nil, nil, err
		}
		list = append(list, k)
	}
	err = b.write(ctx, func(tx *sql.Tx) error {
		record, err := standsFor(ctx, tx, record)
		if err != nil {
			return err
		}
		f, _, err := find(ctx, tx, record)
		if err != nil {
			return err
		}
		if f.Current == nil {
			return trouble(Refused, "attach it to the record that replaced it", "record %d was voided", record)
		}
		for _, k := range list {
			a, added, err := attach(ctx, tx, record, k, b.now())
			if err != nil {
				return err
			}
			out, fresh = append(out, a), append(fresh, added)
		}
		return nil
	})
	if err != nil {
		return nil, nil, err
	}
	return out, fresh, nil
}

func attach(ctx context.Context, q querier, record int64, k *storedFile, now time.Time) (Attachment, bool, error) {
	has, err := attachments(ctx, q, "WHERE record = ? AND sha256 = ? AND detached IS NULL", record, k.sum)
	if err != nil {
		return Attachment{}, false, err
	}
	if len(has) > 0 {
		return has[0], false, nil
	}
	if _, err := q.ExecContext(ctx,
		"INSERT INTO files (sha256, format, bytes, content) VALUES (?, ?, ?, ?) ON CONFLICT (sha256) DO NOTHING",
		k.sum, k.format, len(k.content), k.content); err != nil {
		return Attachment{}, false, err
	}
	var what any
	if k.what != "" {
		what = k.what
	}
	a := Attachment{Record: record, Name: k.name, What: k.what, Format: k.format, Bytes: int64(len(k.content)),
		SHA256: k.sum, Entered: now}
	var file int64
	err = q.QueryRowContext(ctx, "SELECT number, coalesce((SELECT max(nth) FROM attachments WHERE record = ?), 0) + "+
		"1 FROM files WHERE sha256 = ?", record, k.sum).Scan(&file, &a.Nth)
	if err != nil {
		return a, true, err
	}
	row := []any{record, a.Nth, file, k.name, what, formatTime(now), nil, nil}
	_, err = q.ExecContext(ctx, "INSERT INTO attachments (record, nth, file, name, what, entered, detached, why, "+
		"sum) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
		append(row, rowSum(row...))...)
	return a, true, err
}

// Detach takes a file off a record. The book keeps the file itself, and when
// and why it was detached.
func (b *Book) Detach(ctx context.Context, record int64, nth int, why string) (Attachment, error) {
	var out Attachment
	err := b.write(ctx, func(tx *sql.Tx) error {
		a, err := attachment(ctx, tx, record, nth)
		if err != nil {
			return err
		}
		if !a.Detached.IsZero() {
			return trouble(Refused, "", "attachment %d of record %d was detached already", nth, record)
		}
		out = a
		return eachRow(ctx, tx, "attachments", fmt.Sprintf(" WHERE record = %d AND nth = %d", record, nth),
			func(_ []string, row []any) error {
				row[6], row[7] = formatTime(b.now()), why
				_, err := tx.ExecContext(ctx,
					"UPDATE attachments SET detached = ?, why = ?, sum = ? WHERE record = ? AND nth = ?", row[6], why,
					rowSum(row[:8]...), record, nth)
				return err
			})
	})
	return out, err
}

// attachment finds one of a record's attachments; the error tells which ones
// the record has.
func attachment(ctx context.Context, q querier, record int64, nth int) (Attachment, error) {
	all, err := attachments(ctx, q, "WHERE record = ?", record)
	if err != nil {
		return Attachment{}, err
	}
	for _, a := range all {
		if a.Nth == nth {
			return a, nil
		}
	}
	if len(all) == 0 {
		if _, _, err := find(ctx, q, record); err != nil {
			return Attachment{}, err
		}
		return Attachment{}, trouble(NotFound, fmt.Sprintf("shedbook attach %d FILE adds one", record),
			"record %d has no attachments", record)
	}
	return Attachment{}, trouble(NotFound, fmt.Sprintf("shedbook show %d lists them", record),
		"record %d has no attachment %d", record, nth)
}

// Attachments lists a record's attachments in order, those detached too.
func (b *Book) Attachments(ctx context.Context, record int64) ([]Attachment, error) {
	out, err := attachments(ctx, b.db, "WHERE record = ?", record)
	return out, explain(b.path, err)
}

// Attached lists what is attached to a machine and its records, by record.
func (b *Book) Attached(ctx context.Context, machine string) ([]Attachment, error) {
	n, err := readNames(ctx, b.db)
	if err != nil {
		return nil, explain(b.path, err)
	}
	out, err := attachments(ctx, b.db, "WHERE detached IS NULL AND ("+ofMachine()+")", n.machine[machine])
	return out, explain(b.path, err)
}

// ofMachine returns the condition that picks the attachments of a machine's
// records; its one argument is the machine's number.
func ofMachine() string {
	parts := []string{"record = ?1"}
	for _, k := range schema.Kinds {
		if k.Field("machine") != nil && k.Name != "machine" {
			parts = append(parts, "record IN (SELECT number FROM "+k.Sheet+" WHERE machine = ?1)")
		}
	}
	return strings.Join(parts, " OR ")
}

func attachments(ctx context.Context, q querier, where string, args ...any) ([]Attachment, error) {
	rows, err := q.QueryContext(ctx,
		`SELECT record, nth, name, coalesce(what, ''), format, bytes, sha256, entered, coalesce(detached, ''), coalesce(why, '')
		FROM attachments JOIN files ON files.number = attachments.file `+where+` ORDER BY record, nth`, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []Attachment
	for rows.Next() {
		var a Attachment
		var entered, detached string
		if err := rows.Scan(&a.Record, &a.Nth, &a.Name, &a.What, &a.Format, &a.Bytes, &a.SHA256, &entered, &detached,
			&a.Why); err != nil {
			return nil, err
		}
		a.Name = fileName(a.Name) // another program may have written it
		if a.Entered, err = parseTime(entered); err != nil {
			return nil, err
		}
		if detached != "" {
			if a.Detached, err = parseTime(detached); err != nil {
				return nil, err
			}
		}
		out = append(out, a)
	}
	return out, rows.Err()
}

// Content reads the bytes of an attachment. Bytes that do not match their
// digest are an error (BadBook).
func (b *Book) Content(ctx context.Context, a Attachment) ([]byte, error) {
	out, err := content(ctx, b.db, a.SHA256)
	if err == nil && out == nil {
		return nil, damaged(b.path, fmt.Sprintf("attachment %d of record %d does not have its digest", a.Nth, a.Record))
	}
	return out, explain(b.path, err)
}

// content reads a stored file by its digest; nil where the bytes do not match
// it.
func content(ctx context.Context, q querier, sum string) ([]byte, error) {
	var data []byte
	if err := q.QueryRowContext(ctx, "SELECT content FROM files WHERE sha256 = ?", sum).Scan(&data); err != nil {
		return nil, err
	}
	want, err := hex.DecodeString(sum)
	got := sha256.Sum256(data)
	if err != nil || !bytes.Equal(got[:], want) {
		return nil, nil
	}
	return data, nil
}
