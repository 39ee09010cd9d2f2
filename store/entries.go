package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

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

// tell enters whatever the transaction at hand changed in a book that has joined a
// company; changed are the records that were amended or voided, with when they were
// entered.
func (b *Book) tell(ctx context.Context, q querier, changed map[int64]time.Time) error {
	d, err := b.company(ctx, q)
	if err != nil || d == nil {
		return err
	}
	if d.copy {
		if err := d.beginLife(ctx, d.lives[d.me].mark, d.lives[d.me].name); err != nil {
			return err
		}
	}
	return d.tell(ctx, changed)
}

func (d *depots) tell(ctx context.Context, changed map[int64]time.Time) (err error) {
	if d.n, err = readNames(ctx, d.q); err != nil {
		return err
	}
	was := d.lives[d.me].seq
	if err := d.tellWords(ctx); err != nil {
		return err
	}
	if err := d.tellSettings(ctx); err != nil {
		return err
	}
	next, err := d.next(ctx)
	if err != nil {
		return err
	}
	if err := d.tellNew(ctx, next); err != nil {
		return err
	}
	for _, number := range slices.Sorted(maps.Keys(changed)) {
		if number < d.told {
			k, r, err := d.current(ctx, number)
			if err == nil {
				err = d.tellRecord(ctx, k, number, r, changed[number])
			}
			if err != nil {
				return err
			}
		}
	}
	if d.lives[d.me].seq == was && d.told == next {
		return nil // nothing that travels
	}
	d.told = next
	if err := d.settle(ctx); err != nil {
		return err
	}
	return d.keep(ctx, d.lives[d.me])
}

// next is the number of the next record.
func (d *depots) next(ctx context.Context) (next int64, err error) {
	err = d.q.QueryRowContext(ctx, "SELECT next FROM counter WHERE one = 1").Scan(&next)
	return next, err
}

func (d *depots) tellWords(ctx context.Context) error {
	for _, w := range d.n.added {
		number := d.n.word[w.Vocabulary][w.Word]
		if number <= d.joined.words {
			continue
		}
		_, err := d.emit(ctx, &schema.Entry{What: "word", Kind: "word", Entered: d.b.now().Unix(),
			Is: schema.KindNamed("word").Says(&w)})
		if err != nil {
			return err
		}
		d.joined.words = number
	}
	return nil
}

// tellSettings enters the settings that differ from what was settled. Those that a
// book has when it joins stand behind whatever was ever set in its company.
func (d *depots) tellSettings(ctx context.Context) error {
	settled := map[string]string{}
	rows, err := d.q.QueryContext(ctx, "SELECT setting, value FROM settled")
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var key, value string
		if err := rows.Scan(&key, &value); err != nil {
			return err
		}
		settled[key] = value
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return err
	}
	keys := maps.Clone(settled)
	maps.Copy(keys, d.n.settings)
	for _, key := range sortedKeys(keys) {
		value := d.n.settings[key]
		if !schema.Travels(key) || settled[key] == value {
			continue
		}
		e := &schema.Entry{What: "set", Kind: "setting", Entered: d.b.now().Unix(),
			Is: schema.KindNamed("setting").Says(&schema.Setting{Key: key, Value: value})}
		if d.joining {
			e.Clock = 1
		}
		if _, err := d.emit(ctx, e); err != nil {
			return err
		}
		if err := d.settled(ctx, key, value, e.Clock, d.me, d.lives[d.me].seq); err != nil {
			return err
		}
	}
	return nil
}

func (d *depots) settled(ctx context.Context, key, value string, clock, book, seq int64) error {
	_, err := d.q.ExecContext(ctx, `INSERT INTO settled (setting, value, clock, book, seq) VALUES (?, ?, ?, ?, ?) ON
		CONFLICT (setting)
		DO UPDATE SET value = excluded.value, clock = excluded.clock, book = excluded.book, seq =
			excluded.seq`, key, value, clock, book, seq)
	return err
}

// tellNew enters the records that got their numbers since the last entry, in the
// order in which references resolve.
func (d *depots) tellNew(ctx context.Context, next int64) error {
	if d.told == next {
		return nil
	}
	var list []string
	for i, k := range schema.Kinds {
		if tables()[k] != nil {
			list = append(list, fmt.Sprintf("SELECT %d, number FROM %s WHERE number >= ?1", i, k.Sheet),
				fmt.Sprintf("SELECT %d, number FROM past WHERE number >= ?1 AND kind = '%s'", i, k.Name))
		}
	}
	rows, err := d.q.QueryContext(ctx, strings.Join(list, " UNION ")+" ORDER BY 1, 2", d.told)
	if err != nil {
		return err
	}
	defer rows.Close()
	numbers := make([][]int64, len(schema.Kinds))
	for rows.Next() {
		var kind int
		var number int64
		if err := rows.Scan(&kind, &number); err != nil {
			return err
		}
		numbers[kind] = append(numbers[kind], number)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return err
	}
	for i, k := range schema.Kinds {
		for some := range slices.Chunk(numbers[i], bundleEntries) {
			is := map[int64]schema.Record{}
			err := tables()[k].query(ctx, d.q, d.n, "WHERE number BETWEEN ? AND ?", []any{some[0], some[len(some)-1]},
				func(r schema.Record) error {
					is[k.Meta(r).Number] = r
					return nil
				})
			for _, number := range some {
				if err == nil {
					err = d.tellRecord(ctx, k, number, is[number], time.Time{})
				}
			}
			if err != nil {
				return err
			}
		}
	}
	return nil
}

// current is a record as it stands in its table; nil where it was voided or stands
// aside.
func (d *depots) current(ctx context.Context, number int64) (*schema.Kind, schema.Record, error) {
	for _, k := range schema.Kinds {
		if t := tables()[k]; t != nil {
			r, err := t.one(ctx, d.q, d.n, "WHERE number = ?", number)
			if err != nil || r != nil {
				return k, r, err
			}
		}
	}
	var kind string
	err := d.q.QueryRowContext(ctx, "SELECT kind FROM past WHERE number = ? ORDER BY version DESC LIMIT 1",
		number).Scan(&kind)
	return schema.KindNamed(kind), nil, err
}

// tellRecord enters a record that is new, and what was done to it since the last
// entry. current is nil where it was voided; entered may be zero.
func (d *depots) tellRecord(ctx context.Context, k *schema.Kind, number int64, current schema.Record,
	entered time.Time) error {
	name, err := d.name(ctx, number)
	if err != nil {
		return err
	}
	were, err := d.versionsOf(ctx, k, number)
	if err != nil {
		return err
	}
	is, typed := schema.Content(nil), map[string]string(nil)
	if current != nil {
		m := k.Meta(current)
		if is, err = d.said(ctx, k, current); err != nil {
			return err
		}
		typed, entered = m.Typed, m.Entered
	}
	var amends, acts int
	err = d.q.QueryRowContext(ctx, "SELECT count(*), coalesce(sum(what = 'amend'), 0) FROM acts WHERE number = ?",
		number).Scan(&acts, &amends)
	if err != nil {
		return err
	}
	for i := amends; i < len(were); i++ {
		if err := d.asGiven(ctx, k, number, were[i].content); err != nil {
			return err
		}
	}
	content := func(i int) (schema.Content, map[string]string) {
		if i < len(were) {
			return were[i].content, were[i].typed
		}
		return is, typed
	}
	if acts == 0 {
		e := &schema.Entry{Kind: k.Name, Number: name.Number, Entered: entered.Unix()}
		e.Is, e.Typed = content(0)
		if entered.IsZero() { // the past does not tell; when it was voided is near enough
			e.Entered = were[len(were)-1].replaced
		}
		if number >= d.told {
			if _, err := d.emit(ctx, e); err != nil {
				return err
			}
		}
		if len(were) > 0 {
			if err := d.act(ctx, number, e, d.idx[name.Book], 0, nil); err != nil {
				return err
			}
		} else {
			d.changed[d.group(k, e.Is)] = true
		}
	}
	if amends >= len(were) {
		return nil
	}
	of := []schema.Name{name}
	repeats, err := d.repeats(ctx, k, number)
	if err != nil {
		return err
	}
	for _, r := range repeats {
		also, err := d.name(ctx, r)
		if err != nil {
			return err
		}
		of = append(of, also)
	}
	for i := amends; i < len(were); i++ {
		before, typed := content(i)
		d.changed[d.group(k, before)] = true
		e := &schema.Entry{What: "void", Kind: k.Name, Of: of, Entered: were[i].replaced, Why: were[i].why}
		if were[i].what == "amended" {
			e.What = "amend"
			e.Is, e.Typed = content(i + 1)
			e.Was = schema.Content{}
			for _, name := range schema.Changed(before, e.Is, typed, e.Typed) {
				if e.Was[name] = before[name]; before[name] == nil {
					e.Was[name] = json.RawMessage("null")
				}
			}
			d.changed[d.group(k, e.Is)] = true
		}
		if _, err := d.emit(ctx, e); err != nil {
			return err
		}
		var phone any
		err := d.q.QueryRowContext(ctx, "SELECT phone FROM entered_by WHERE record = ? AND version = ?", number,
			i+1).Scan(&phone)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return err
		}
		if err := d.act(ctx, number, e, d.me, d.lives[d.me].seq, phone); err != nil {
			return err
		}
		for _, r := range repeats {
			if err := d.act(ctx, r, e, d.me, d.lives[d.me].seq, nil); err != nil {
				return err
			}
		}
	}
	if err := d.pastAsGiven(ctx, k, number, current); err != nil {
		return err
	}
	for _, r := range repeats {
		if err := d.refold(ctx, r); err != nil {
			return err
		}
	}
	return nil
}

// pastAsGiven writes anew the past of a record that has another name here than it was
// given, since it was written under that name; a name that stood for another is
// forgotten once the record has a new one.
func (d *depots) pastAsGiven(ctx context.Context, k *schema.Kind, number int64, current schema.Record) error {
	var shown string
	err := d.q.QueryRowContext(ctx, "SELECT shown FROM given WHERE number = ?", number).Scan(&shown)
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	var f *folded
	if err == nil {
		f, err = d.fold(ctx, number)
	}
	if err == nil {
		err = d.writePast(ctx, number, f, current == nil)
	}
	if err == nil && current != nil && k.Text(current, ownName(k)) != shown {
		_, err = d.q.ExecContext(ctx, "DELETE FROM given WHERE number = ?", number)
	}
	return err
}

// act keeps what was done to a record.
func (d *depots) act(ctx context.Context, number int64, e *schema.Entry, book, seq int64, phone any) error {
	clock, what := e.Clock, e.What
	if what == "" {
		clock, seq, what = 0, 0, "record"
	}
	_, err := d.q.ExecContext(ctx, "INSERT INTO acts (number, clock, book, seq, kind, what, entry, phone) VALUES (?, "+
		"?, ?, ?, ?, ?, ?, ?)",
		number, clock, book, seq, e.Kind, what, e.Line(), phone)
	return err
}
