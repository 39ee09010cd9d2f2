package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"shedbook/schema"
)

// A book that has joined a company makes an entry of whatever is recorded in it, in
// the same transaction, and sends its entries to the others in bundles. A book's
// entries are numbered without a gap, and chained: the hash of each is the SHA-256
// of the hash before it and its line, and before the first stands that of the book's
// id. So a bundle that was changed, or left out, is found.

// beforeFirst is the hash before the first entry of a book.
func beforeFirst(book string) []byte {
	sum := sha256.Sum256([]byte(book))
	return sum[:]
}

// chain is the hash behind so many entries.
func chain(hash []byte, lines ...string) []byte {
	for _, line := range lines {
		sum := sha256.Sum256(append(slices.Clip(slices.Clone(hash)), line...))
		hash = sum[:]
	}
	return hash
}

// joined is this book within its company.
type joined struct {
	company     string
	me, clock   int64
	copy        bool
	told, words int64
}

// readJoined reads it; nil where this book never joined one.
func readJoined(ctx context.Context, q querier) (*joined, error) {
	j := &joined{}
	err := q.QueryRowContext(ctx, "SELECT company, me, clock, copy, told, words FROM joined").Scan(&j.company, &j.me,
		&j.clock, &j.copy, &j.told, &j.words)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	return j, err
}

// life is a book of the company: another's, or one of this book's own lives.
type life struct {
	idx         int64
	id          string
	mark, name  string
	born        int64
	ownFrom     int64 // of this book's own; else 0
	seq         int64
	hash        []byte
	last        int64
	numberNames map[int64]int64 // foreign records' numbers, by theirs: a cache
}

// depots is what a transaction needs to know of a company.
type depots struct {
	*joined
	b     *Book
	q     querier
	n     *names
	lives map[int64]*life  // by idx
	idx   map[string]int64 // by id
	own   []*life          // this book's lives, the first first

	joining bool
	names   map[int64]schema.Name // of records, by number here: a cache
	changed map[group]bool        // what may have come to be repeated, or no more
}

// group is what records have in common that count once.
type group struct{ kind, says string }

// company reads it; nil where this book never joined one.
func (b *Book) company(ctx context.Context, q querier) (*depots, error) {
	j, err := readJoined(ctx, q)
	if err != nil || j == nil {
		return nil, err
	}
	d := &depots{joined: j, b: b, q: q, lives: map[int64]*life{}, idx: map[string]int64{},
		names: map[int64]schema.Name{}, changed: map[group]bool{}}
	return d, d.readLives(ctx)
}

func (d *depots) readLives(ctx context.Context) error {
	rows, err := d.q.QueryContext(ctx, "SELECT idx, id, mark, name, born, coalesce(own_from, 0), seq, hash, last FROM "+
		"books ORDER BY idx")
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		l := &life{}
		if err := rows.Scan(&l.idx, &l.id, &l.mark, &l.name, &l.born, &l.ownFrom, &l.seq, &l.hash,
			&l.last); err != nil {
			return err
		}
		d.add(l)
	}
	return rows.Err()
}

func (d *depots) add(l *life) {
	d.lives[l.idx], d.idx[l.id] = l, l.idx
	if l.ownFrom > 0 {
		d.own = append(d.own, l)
	}
}

// newLife puts a book in.
func (d *depots) newLife(ctx context.Context, l *life) error {
	l.hash = beforeFirst(l.id)
	var own any
	if l.ownFrom > 0 {
		own = l.ownFrom
	}
	err := d.q.QueryRowContext(ctx, "INSERT INTO books (id, mark, name, born, own_from, seq, hash, last) VALUES (?, "+
		"?, ?, ?, ?, 0, ?, 0) RETURNING idx",
		l.id, l.mark, l.name, l.born, own, l.hash).Scan(&l.idx)
	if err == nil {
		d.add(l)
	}
	return err
}

// keep writes how far the books and the clock are.
func (d *depots) keep(ctx context.Context, lives ...*life) error {
	for _, l := range lives {
		if _, err := d.q.ExecContext(ctx, "UPDATE books SET mark = ?, name = ?, born = ?, seq = ?, hash = ?, last = ? "+
			"WHERE idx = ?",
			l.mark, l.name, l.born, l.seq, l.hash, l.last, l.idx); err != nil {
			return err
		}
	}
	_, err := d.q.ExecContext(ctx, "UPDATE joined SET me = ?, clock = ?, copy = ?, told = ?, words = ?", d.me, d.clock,
		d.copy, d.told, d.joined.words)
	return err
}

// ownLife is the life in which this book gave a number.
func (d *depots) ownLife(number int64) *life {
	for i := len(d.own) - 1; i > 0; i-- {
		if number >= d.own[i].ownFrom {
			return d.own[i]
		}
	}
	return d.own[0]
}

// foreignNumber picks the row that tells of record ?1.
const foreignNumber = "number = (SELECT max(number) FROM foreigns WHERE number <= ?1) AND number + count > ?1"

// name is what a record is called in every book.
func (d *depots) name(ctx context.Context, number int64) (schema.Name, error) {
	if is, ok := d.names[number]; ok {
		return is, nil
	}
	var is schema.Name
	var book int64
	err := d.q.QueryRowContext(ctx, "SELECT book, theirs + ?1 - number FROM foreigns WHERE "+foreignNumber,
		number).Scan(&book, &is.Number)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		is = schema.Name{Book: d.ownLife(number).id, Number: number}
	case err != nil:
		return is, err
	case d.lives[book] == nil:
		return is, fmt.Errorf("record %d is of an unknown book", number)
	default:
		is.Book = d.lives[book].id
	}
	d.names[number] = is
	return is, nil
}

// ours says whether a record was recorded by this book, in the life in which it
// is named.
func (d *depots) ours(is schema.Name) bool {
	l := d.lives[d.idx[is.Book]]
	return l != nil && l.ownFrom > 0 && is.Number >= l.ownFrom && d.ownLife(is.Number) == l
}

// number is a record's number here; 0 where it is not here.
func (d *depots) number(ctx context.Context, is schema.Name) (int64, error) {
	l := d.lives[d.idx[is.Book]]
	if l == nil {
		return 0, nil
	}
	if d.ours(is) { // unless another's record has come to that number since the book was set back
		if here, err := d.name(ctx, is.Number); err != nil || here == is {
			return is.Number, err
		}
	}
	if number, ok := l.numberNames[is.Number]; ok {
		return number, nil
	}
	var number int64
	err := d.q.QueryRowContext(ctx, `SELECT number + ?2 - theirs FROM foreigns
		WHERE book = ?1 AND theirs = (SELECT max(theirs) FROM foreigns WHERE book = ?1 AND theirs <= ?2) AND theirs +
			count > ?2`, l.idx, is.Number).Scan(&number)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, nil
	}
	if err == nil {
		if l.numberNames == nil {
			l.numberNames = map[int64]int64{}
		}
		l.numberNames[is.Number] = number
	}
	return number, err
}

// tick is the next value of the clock.
func (d *depots) tick() int64 {
	d.clock = max(d.clock+1, d.b.now().UnixMilli()<<16)
	return d.clock
}

// emit enters what this book did. An entry that has no clock yet is of now.
func (d *depots) emit(ctx context.Context, e *schema.Entry) (string, error) {
	if e.Clock == 0 {
		e.Clock = d.tick()
	}
	me, line := d.lives[d.me], e.Line()
	me.seq, me.hash, me.last = me.seq+1, chain(me.hash, line), e.Entered
	_, err := d.q.ExecContext(ctx, "INSERT INTO waiting (book, seq, entry, hash) VALUES (?, ?, ?, ?)", me.idx, me.seq,
		line, me.hash)
	return line, err
}

// said is what a record says, in the names of all books.
func (d *depots) said(ctx context.Context, k *schema.Kind, r schema.Record) (schema.Content, error) {
	c, err := d.saidHere(ctx, k, r)
	if err != nil {
		return nil, err
	}
	return c, d.asGiven(ctx, k, k.Meta(r).Number, c)
}

// saidHere is the same, but the record's own name or ref is as it is here.
func (d *depots) saidHere(ctx context.Context, k *schema.Kind, r schema.Record) (schema.Content, error) {
	return k.Content(r, func(f *schema.Field, is string) (string, error) {
		number, err := d.referred(f, is)
		if err != nil || number == 0 {
			return ":" + is, err
		}
		name, err := d.name(ctx, number)
		return name.String(), err
	})
}

// referred is the number of what a field names: a machine or a driver by its name
// here or as #NUMBER, a record by its number; 0 of whoever is not in the book.
func (d *depots) referred(f *schema.Field, is string) (number int64, err error) {
	if rest, ok := strings.CutPrefix(is, "#"); ok || f.Record {
		if _, err := fmt.Sscan(rest, &number); err == nil {
			return number, nil
		}
		if f.Record {
			_, err = fmt.Sscan(is, &number)
			return number, err
		}
	}
	if f.Type == schema.DriverField {
		return d.n.driver[is], nil
	}
	return d.n.machine[is], nil
}

// ownName is the field by which a record is known: what it is called, or its ref.
func ownName(k *schema.Kind) string {
	if k.Name == "machine" || k.Name == "driver" {
		return k.Name
	}
	return "ref"
}

// asGiven puts the name or the ref that a record was given in the place of the one
// that stands for it here.
func (d *depots) asGiven(ctx context.Context, k *schema.Kind, number int64, c schema.Content) error {
	is, ok := c[ownName(k)]
	if !ok {
		return nil
	}
	var shown, given string
	err := d.q.QueryRowContext(ctx, "SELECT shown, given FROM given WHERE number = ?", number).Scan(&shown, &given)
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	if text, _ := json.Marshal(shown); string(text) == string(is) {
		c[ownName(k)], _ = json.Marshal(given)
	}
	return err
}

// version is what the past of a book has of a record.
type version struct {
	what, why string
	replaced  int64
	content   schema.Content
	typed     map[string]string
}

// versionsOf reads what a record was, the oldest first. What was told already has the
// name or the ref that the record was given; what was not, the one it has here.
func (d *depots) versionsOf(ctx context.Context, k *schema.Kind, number int64) ([]version, error) {
	rows, err := d.q.QueryContext(ctx, "SELECT what, replaced, coalesce(why, ''), content FROM past WHERE number = ? "+
		"ORDER BY version", number)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []version
	var texts []string
	for rows.Next() {
		var v version
		var replaced, text string
		if err := rows.Scan(&v.what, &replaced, &v.why, &text); err != nil {
			return nil, err
		}
		at, err := parseTime(replaced)
		if err != nil {
			return nil, err
		}
		v.replaced = at.Unix()
		out, texts = append(out, v), append(texts, text)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return nil, err
	}
	for i := range out {
		r, err := k.Decode([]byte(texts[i]), func(_ *schema.Field, number int64, is string) (string, error) {
			if number != 0 {
				return fmt.Sprintf("#%d", number), nil
			}
			return is, nil
		})
		if err != nil {
			return nil, err
		}
		k.Meta(r).Number, out[i].typed = number, k.Meta(r).Typed
		if out[i].content, err = d.saidHere(ctx, k, r); err != nil {
			return nil, err
		}
	}
	return out, nil
}
