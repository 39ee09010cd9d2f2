package store

import (
	"context"
	"database/sql"
	"encoding/hex"
	"errors"
	"maps"
	"slices"
)

// What goes to the hub: the next bundle of a book, behind the last one that is there.

// Tail is the last bundle of a book that the hub has; its zero value where it has none.
type Tail struct {
	Place uint64
	Seq   int64  // of its last entry
	Last  string // the hash of that, in hexadecimal
}

// TailOf reads a message as the last of its book.
func TailOf(place uint64, content []byte) (Tail, error) {
	all, err := ReadBundles(content)
	if err != nil {
		return Tail{}, err
	}
	return Tail{place, all[0].First + int64(all[0].Count) - 1, all[0].Last}, nil
}

// Sender is a book whose bundles this one sends to the hub.
type Sender struct{ Mark, Book string }

// Senders are this book's own lives and, at the office, all books, of which the hub
// may lack something.
func (b *Book) Senders(ctx context.Context) (out []Sender, err error) {
	d, err := b.company(ctx, b.db)
	if err != nil || d == nil {
		return nil, explain(b.path, err)
	}
	h, err := d.hub(ctx)
	if err != nil || h == nil {
		return nil, explain(b.path, err)
	}
	for _, idx := range slices.Sorted(maps.Keys(d.lives)) {
		l := d.lives[idx]
		if l.ownFrom == 0 && !h.Office() {
			continue
		}
		var lacks bool
		err := d.q.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM waiting WHERE book = ?1) OR EXISTS (SELECT 1 "+
			"FROM bundles WHERE hub = 0 AND book = ?1)", idx).Scan(&lacks)
		if err != nil {
			return nil, explain(b.path, err)
		}
		if lacks {
			out = append(out, Sender{l.mark, l.id})
		}
	}
	return out, nil
}

// ErrBehind: the hub has what this book has not read, or has read and does not hold
// to be its own.
var ErrBehind = errors.New("the hub has other entries of this book")

// Parcel is a bundle on its way to the hub.
type Parcel struct {
	Mark, Book string
	Content    []byte // sealed
	Tail       Tail   // once it is there, but for its place

	first  int64
	count  int
	unsent bool // nobody else can have had it before
}

// NextParcel makes the next bundle of a book for the hub, which has it up to tail; nil
// where it has all.
func (b *Book) NextParcel(ctx context.Context, s Sender, tail Tail) (out *Parcel, err error) {
	err = b.write(ctx, func(tx *sql.Tx) error {
		out = nil
		if err := b.bundle(ctx, tx); err != nil {
			return err
		}
		d, err := b.company(ctx, tx)
		if err != nil {
			return err
		}
		h, err := d.hub(ctx)
		if err != nil {
			return err
		}
		l := d.lives[d.idx[s.Book]]
		if l == nil || h == nil || tail.Seq > l.seq {
			return ErrBehind
		}
		if tail.Seq > 0 {
			hash, err := d.hashAt(ctx, l, tail.Seq)
			if err != nil {
				return err
			}
			if hex.EncodeToString(hash) != tail.Last {
				return ErrBehind
			}
		}
		if _, err := tx.ExecContext(ctx, "UPDATE bundles SET hub = 1 WHERE hub = 0 AND book = ? AND first + count - 1 "+
			"<= ?", l.idx, tail.Seq); err != nil {
			return err
		}
		var content []byte
		p := &Parcel{Mark: l.mark, Book: l.id, first: tail.Seq + 1}
		err = tx.QueryRowContext(ctx, "SELECT content, sent = 0 FROM bundles WHERE book = ? AND first <= ? AND first "+
			"+ count > ?", l.idx, p.first, p.first).Scan(&content, &p.unsent)
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		if err != nil {
			return err
		}
		all, err := ReadBundles(content)
		if err != nil {
			return damaged(b.path, "a bundle of depot "+l.mark+": "+err.Error())
		}
		is, err := all[0].cut(p.first, all[0].Count)
		if err == nil {
			p.count, p.Tail = is.Count, Tail{Seq: is.First + int64(is.Count) - 1, Last: is.Last}
			p.Content, err = is.Sealed(h.Seal)
		}
		if err != nil {
			return err
		}
		out = p
		// Before it goes: if the answer is lost, others have it all the same.
		_, err = tx.ExecContext(ctx, "UPDATE bundles SET sent = 1 WHERE sent = 0 AND book = ? AND first <= ? AND "+
			"first + count > ?", l.idx, p.first, p.first)
		return err
	})
	return out, err
}

// hashAt is the hash behind entry number seq of a book.
func (d *depots) hashAt(ctx context.Context, l *life, seq int64) ([]byte, error) {
	var content, last []byte
	var end int64
	err := d.q.QueryRowContext(ctx, "SELECT content, last, first + count - 1 FROM bundles WHERE book = ? AND first "+
		"<= ? AND first + count > ?", l.idx, seq, seq).Scan(&content, &last, &end)
	if err != nil || end == seq {
		return last, err
	}
	all, err := ReadBundles(content)
	if err != nil {
		return nil, err
	}
	return chain(mustHex(all[0].Prev), all[0].lines[:seq-all[0].First+1]...), nil
}

// Refuse notes that the hub did not take a parcel, so that nobody has it.
func (b *Book) Refuse(ctx context.Context, p *Parcel) error {
	if !p.unsent {
		return nil
	}
	return b.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, "UPDATE bundles SET sent = 0 WHERE book = (SELECT idx FROM books WHERE id = ?) "+
			"AND first = ? AND count = ?", p.Book, p.first, p.count)
		return err
	})
}

// Exchanged notes that all was read and sent.
func (b *Book) Exchanged(ctx context.Context) error {
	return b.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, "UPDATE hub SET exchanged = ?", b.now().Unix())
		return err
	})
}

// Entered is how many entries this book has made, and of which life: it tells whoever
// waits that there is something to send.
func (b *Book) Entered(ctx context.Context) (book string, seq int64, err error) {
	err = b.db.QueryRowContext(ctx, "SELECT id, seq FROM books JOIN joined ON me = idx").Scan(&book, &seq)
	return book, seq, explain(b.path, err)
}
