package store

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"shedbook/schema"
)

// A bundle is gzip (RFC 1952) of lines of JSON: a header, then the entries. A file
// of bundles is one behind another, which is gzip too.

// Bundle is so many entries of one book on end, with what they stand on.
type Bundle struct {
	Version int    `json:"v"`    // the version of the book that is needed to read its entries
	Seal    string `json:"seal"` // how the lines that follow are sealed: "none", or see seal.go
	Company string `json:"company"`
	Book    string `json:"book"`
	Mark    string `json:"depot"`
	First   int64  `json:"first"` // the number of its first entry
	Count   int    `json:"count"`
	Prev    string `json:"prev"` // the hash of the entry before, in hexadecimal
	Last    string `json:"last"` // and that of its last
	// After is how far the writer had the other books.
	After map[string]int64 `json:"after,omitempty"`

	head    []byte // its header's line
	lines   []string
	content []byte

	why     string   // it is held
	arrived *arrived // it came by the hub
	part    bool     // the whole is taken in next
}

// What a bundle holds at most, of the lines of one entry's more: it travels whole.
const (
	bundleEntries = 500
	bundleBytes   = 256 << 10
	// mostBytes is more than the lines of any bundle take.
	mostBytes = 64 << 20
)

// pack writes the bundle.
func (b *Bundle) pack() error {
	var out bytes.Buffer
	w := gzip.NewWriter(&out)
	var err error
	if b.head, err = json.Marshal(b); err != nil {
		return err
	}
	_, err = fmt.Fprintf(w, "%s\n%s\n", b.head, strings.Join(b.lines, "\n"))
	if err := errors.Join(err, w.Close()); err != nil {
		return err
	}
	b.content = out.Bytes()
	return nil
}

// errBundle says what is wrong with a bundle that nobody can have written so.
func errBundle(format string, args ...any) error { return fmt.Errorf(format, args...) }

// ReadBundles reads a file of bundles, to its end or not at all. The error says
// what is wrong with it.
func ReadBundles(content []byte) ([]*Bundle, error) {
	var out []*Bundle
	in := bytes.NewReader(content)
	for in.Len() > 0 {
		begins := len(content) - in.Len()
		b, err := readBundle(in)
		if err != nil {
			return nil, fmt.Errorf("bundle %d: %w", len(out)+1, err)
		}
		b.content = content[begins : len(content)-in.Len()]
		out = append(out, b)
	}
	if len(out) == 0 {
		return nil, errBundle("it is empty")
	}
	return out, nil
}

func readBundle(in *bytes.Reader) (*Bundle, error) {
	z, err := gzip.NewReader(in)
	if errors.Is(err, gzip.ErrHeader) {
		return nil, errBundle("it is no bundle of entries")
	} else if err != nil {
		return nil, errBundle("it ends too soon")
	}
	z.Multistream(false)
	text, err := io.ReadAll(io.LimitReader(z, mostBytes+1))
	switch {
	case errors.Is(err, io.ErrUnexpectedEOF):
		return nil, errBundle("it ends too soon")
	case err != nil:
		return nil, errBundle("it is damaged (%w)", err)
	case len(text) > mostBytes:
		return nil, errBundle("it holds more than any bundle")
	}
	lines := bufio.NewScanner(bytes.NewReader(text))
	lines.Buffer(nil, mostBytes)
	b := &Bundle{}
	if !lines.Scan() || json.Unmarshal(lines.Bytes(), b) != nil || b.Version < 1 || b.Book == "" || b.Company == "" ||
		!goodMark.MatchString(b.Mark) || b.First < 1 || b.Count < 1 {
		return nil, errBundle("it is no bundle of entries")
	}
	b.head = bytes.Clone(lines.Bytes())
	for lines.Scan() {
		b.lines = append(b.lines, lines.Text())
	}
	if b.Version > schema.EntryVersion || b.Seal != "none" {
		return b, nil // for another program to read, or whoever has the key
	}
	return b, b.check()
}

// check holds the entries to the header.
func (b *Bundle) check() error {
	prev, err := hex.DecodeString(b.Prev)
	switch {
	case err != nil || len(prev) != sha256.Size:
		return errBundle("its header is wrong")
	case len(b.lines) != b.Count:
		return errBundle("it should have %d entries, and has %d", b.Count, len(b.lines))
	case b.First == 1 && !bytes.Equal(prev, beforeFirst(b.Book)):
		return errBundle("its entries were changed: they do not begin as those of book %s", b.Book)
	}
	if last := chain(prev, b.lines...); hex.EncodeToString(last) != b.Last {
		return errBundle("its entries were changed: their hash is not that of its header")
	}
	return nil
}

// cut is a bundle of its entries from number first on, so many of them.
func (b *Bundle) cut(first int64, count int) (*Bundle, error) {
	from := int(first - b.First)
	if count = min(count, b.Count-from); from == 0 && count == b.Count {
		return b, nil
	}
	is := *b
	before := chain(mustHex(b.Prev), b.lines[:from]...)
	is.First, is.Count, is.lines = first, count, b.lines[from:from+count]
	is.Prev, is.Last = hex.EncodeToString(before), hex.EncodeToString(chain(before, is.lines...))
	return &is, is.pack()
}

// bundle puts this book's waiting entries into bundles.
func (b *Book) bundle(ctx context.Context, q querier) error {
	d, err := b.company(ctx, q)
	if err != nil || d == nil {
		return err
	}
	after := map[string]int64{}
	for _, l := range d.lives {
		if l.seq > 0 {
			after[l.id] = l.seq
		}
	}
	for _, l := range d.own {
		for {
			more, err := d.bundleSome(ctx, l, after)
			if err != nil {
				return err
			}
			if !more {
				break
			}
		}
	}
	return nil
}

func (d *depots) bundleSome(ctx context.Context, l *life, after map[string]int64) (more bool, err error) {
	rows, err := d.q.QueryContext(ctx, "SELECT seq, entry, hash FROM waiting WHERE book = ? ORDER BY seq LIMIT ?",
		l.idx, bundleEntries)
	if err != nil {
		return false, err
	}
	defer rows.Close()
	b := &Bundle{Version: schema.EntryVersion, Seal: "none", Company: d.company, Book: l.id, Mark: l.mark,
		After: maps.Clone(after)}
	for _, later := range d.own[slices.Index(d.own, l):] { // what waits of an earlier life knew nothing of those
		delete(b.After, later.id)
	}
	var hash []byte
	for size := 0; rows.Next(); {
		var seq int64
		var line string
		var is []byte
		if err := rows.Scan(&seq, &line, &is); err != nil {
			return false, err
		}
		if size += len(line) + 1; size > bundleBytes && b.Count > 0 {
			break
		}
		if b.Count == 0 {
			b.First = seq
		}
		b.Count, hash = b.Count+1, is
		b.lines = append(b.lines, line)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil || b.Count == 0 {
		return false, err
	}
	prev, err := d.hashBefore(ctx, l, b.First)
	if err != nil {
		return false, err
	}
	b.Prev, b.Last = hex.EncodeToString(prev), hex.EncodeToString(hash)
	if err := b.pack(); err != nil {
		return false, err
	}
	return true, d.keepBundle(ctx, l, b, false)
}

// hashBefore is the hash before an entry that begins a bundle.
func (d *depots) hashBefore(ctx context.Context, l *life, first int64) (hash []byte, err error) {
	if first == 1 {
		return beforeFirst(l.id), nil
	}
	err = d.q.QueryRowContext(ctx, "SELECT last FROM bundles WHERE book = ? AND first + count = ?", l.idx,
		first).Scan(&hash)
	return hash, err
}

// keepBundle keeps a bundle whose entries are here, and need wait no more.
func (d *depots) keepBundle(ctx context.Context, l *life, b *Bundle, sent bool) error {
	last, err := hex.DecodeString(b.Last)
	if err != nil {
		return err
	}
	_, err = d.q.ExecContext(ctx, `INSERT INTO bundles (book, first, count, last, sent, content) VALUES (?, ?, ?, ?, ?,
		?)
		ON CONFLICT (book, first) DO UPDATE SET count = excluded.count, last = excluded.last, sent = 1, content =
			excluded.content WHERE excluded.count > count`,
		l.idx, b.First, b.Count, last, sent, b.content)
	if err == nil {
		_, err = d.q.ExecContext(ctx, "DELETE FROM waiting WHERE book = ? AND seq BETWEEN ? AND ?", l.idx, b.First,
			b.First+int64(b.Count)-1)
	}
	return err
}

// WriteBundles writes all bundles that this book has, and what it has recorded since
// the last: of this book's own only those with entries from number since on. It
// returns how many entries they hold, by depot.
func (b *Book) WriteBundles(ctx context.Context, since int64, w io.Writer) (map[string]int64, error) {
	err := b.write(ctx, func(tx *sql.Tx) error {
		err := b.bundle(ctx, tx)
		if err == nil {
			_, err = tx.ExecContext(ctx, "UPDATE bundles SET sent = 1 WHERE sent = 0")
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	out := map[string]int64{}
	err = b.moment(ctx, nil, func(q querier, _ *names) error {
		d, err := b.company(ctx, q)
		if err != nil {
			return err
		}
		if d == nil {
			return notJoined()
		}
		rows, err := q.QueryContext(ctx, `SELECT book, count, content FROM bundles WHERE first + count > ? OR book NOT
			IN (SELECT idx FROM books WHERE own_from IS NOT NULL)
			ORDER BY (SELECT born FROM books WHERE idx = book), book, first`, since)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var idx, count int64
			var content []byte
			if err := rows.Scan(&idx, &count, &content); err != nil {
				return err
			}
			if _, err := w.Write(content); err != nil {
				return err
			}
			out[d.lives[idx].mark] += count
		}
		return rows.Err()
	})
	return out, err
}

func notJoined() error {
	return trouble(Refused, "shedbook depot start begins a company of several depots, shedbook depot join lets this "+
		"book into one", "this book is on its own: it has joined no other depots")
}
