package store

import (
	"cmp"
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/json"
	"errors"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"shedbook/schema"
)

// A book has an id in its company from when it joined it. A copy that somebody goes
// on with is another book, which begins a life of its own under a new id: so no two
// records ever have one name. A copy that backup made knows that it is one.

// newID draws an id, of a book or a company: 60 bits, so that no two are alike.
var newID = func() string {
	raw := make([]byte, 12)
	rand.Read(raw)
	for i, c := range raw {
		raw[i] = codeLetters[int(c)%len(codeLetters)]
	}
	return string(raw)
}

var goodMark = regexp.MustCompile(`^[A-Z]{1,3}$`)

// checkDepot judges a depot's mark and name.
func checkDepot(mark, name string) error {
	if !goodMark.MatchString(mark) {
		return trouble(Refused, "for instance --mark N", "a depot's mark is one to three capital letters, and not %q",
			mark)
	}
	if name == "" || len(name) > 100 {
		return trouble(Refused, "for instance --name 'North yard'", "a depot's name has 1 to 100 characters")
	}
	return nil
}

// Found makes this book the first of a new company: all that it holds is entered.
func (b *Book) Found(ctx context.Context, mark, name string) error {
	return b.enterCompany(ctx, newID(), mark, schema.CleanName(name))
}

// Join lets this book into the company whose bundles these are, with all that it
// holds, and takes them in.
func (b *Book) Join(ctx context.Context, bundles []*Bundle, mark, name string) (*TookBundles, error) {
	for _, in := range bundles {
		switch {
		case in.Company != bundles[0].Company:
			return nil, trouble(Refused, "name a file that shedbook exchange --out wrote",
				"these are bundles of two companies")
		case in.Mark == mark:
			return nil, trouble(Refused, "choose another mark", "another depot has the mark %s already", mark)
		}
	}
	if err := b.enterCompany(ctx, bundles[0].Company, mark, schema.CleanName(name)); err != nil {
		return nil, err
	}
	return b.TakeBundles(ctx, bundles)
}

func (b *Book) enterCompany(ctx context.Context, company, mark, name string) error {
	if err := checkDepot(mark, name); err != nil {
		return err
	}
	return b.write(ctx, func(tx *sql.Tx) error {
		d, err := b.company(ctx, tx)
		if err != nil {
			return err
		}
		switch {
		case d == nil:
		case d.copy && d.company == company:
			return d.beginLife(ctx, mark, name)
		default:
			return trouble(Refused, "shedbook depot shows it", "this book has joined a company already, as depot %s",
				d.lives[d.me].mark)
		}
		low, _ := schema.WordRange("terrain")
		_, err = tx.ExecContext(ctx, "INSERT INTO joined (one, company, me, clock, copy, told, words) VALUES (1, ?, "+
			"0, 0, 0, 1, ?)",
			company, low+int64(len(schema.Words("terrain")))-1)
		if err != nil {
			return err
		}
		if d, err = b.company(ctx, tx); err != nil {
			return err
		}
		d.joining = true
		if err := d.begin(ctx, &life{id: newID(), mark: mark, name: name, ownFrom: 1}, ""); err != nil {
			return err
		}
		return d.tell(ctx, nil)
	})
}

// begin begins a life of this book.
func (d *depots) begin(ctx context.Context, l *life, before string) error {
	l.born = d.tick()
	if err := d.newLife(ctx, l); err != nil {
		return err
	}
	d.me = l.idx
	text := func(s string) json.RawMessage { is, _ := json.Marshal(s); return is }
	e := &schema.Entry{Clock: l.born, What: "depot", Entered: d.b.now().Unix(),
		Is: schema.Content{"mark": text(l.mark), "name": text(l.name)}}
	if before != "" {
		e.Is["before"] = text(before)
	}
	if _, err := d.emit(ctx, e); err != nil {
		return err
	}
	return d.keep(ctx, l)
}

// beginLife makes a book of a copy: what it records from now on, or recorded in the
// transaction at hand, is under an id of its own.
func (d *depots) beginLife(ctx context.Context, mark, name string) error {
	d.copy = false
	clear(d.names)
	return d.begin(ctx, &life{id: newID(), mark: mark, name: name, ownFrom: d.told}, d.lives[d.me].id)
}

// markOf is what people call a book: the mark of its depot and, from its second life
// on, which it is.
func (d *depots) markOf(l *life) string {
	if n := d.nth(l); n > 1 {
		return l.mark + strconv.Itoa(n)
	}
	return l.mark
}

// nth counts the books of a mark, the oldest first.
func (d *depots) nth(l *life) int {
	n := 1
	for _, other := range d.lives {
		if other.mark == l.mark && cmp.Or(cmp.Compare(other.born, l.born), strings.Compare(other.id, l.id)) < 0 {
			n++
		}
	}
	return n
}

// called is a record's name as people say it: N311, or N2-311.
func (d *depots) called(is schema.Name) string {
	l := d.lives[d.idx[is.Book]]
	if l == nil {
		return is.String()
	}
	dash := ""
	if d.nth(l) > 1 {
		dash = "-"
	}
	return d.markOf(l) + dash + strconv.FormatInt(is.Number, 10)
}

// Called are the names by which all depots know records, by their numbers here; none
// in a book that has not joined any.
func (b *Book) Called(ctx context.Context, records ...int64) (map[int64]string, error) {
	d, err := b.company(quiet(ctx), b.db)
	if err != nil || d == nil {
		return nil, explain(b.path, err)
	}
	out := map[int64]string{}
	for _, number := range records {
		is, err := d.name(quiet(ctx), number)
		if err != nil {
			return nil, explain(b.path, err)
		}
		out[number] = d.called(is)
	}
	return out, nil
}

var calledSo = regexp.MustCompile(`^([A-Z]{1,3})(?:([0-9]+)-)?([0-9]+)$`)

// Foreign says whether a record was recorded in another book.
func (b *Book) Foreign(ctx context.Context, number int64) (is bool, err error) {
	err = b.db.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM foreigns WHERE "+foreignNumber+")", number).Scan(&is)
	return is, explain(b.path, err)
}

// IsName says whether a text may be what people call a record of a depot: N311.
func IsName(s string) bool { return calledSo.MatchString(strings.ToUpper(s)) }

// NumberOf is the number here of the record that people call N311; not ok of what is
// no such name.
func (b *Book) NumberOf(ctx context.Context, called string) (number int64, ok bool, err error) {
	parts := calledSo.FindStringSubmatch(strings.ToUpper(called))
	if parts == nil {
		return 0, false, nil
	}
	d, err := b.company(ctx, b.db)
	if err != nil {
		return 0, false, explain(b.path, err)
	}
	if d == nil {
		return 0, false, nil
	}
	theirs, err := strconv.ParseInt(parts[3], 10, 64)
	if err != nil {
		return 0, false, nil
	}
	for _, l := range d.lives {
		if l.mark == parts[1] && (parts[2] == "" && d.nth(l) == 1 || parts[2] == strconv.Itoa(d.nth(l))) {
			number, err := d.number(ctx, schema.Name{Book: l.id, Number: theirs})
			if err == nil && number == 0 {
				err = trouble(NotFound, "shedbook list KIND shows the numbers", "there is no record %s in the book",
					called)
			}
			return number, true, explain(b.path, err)
		}
	}
	return 0, false, trouble(NotFound, "shedbook depot shows the marks", "no depot that is known here has the mark %s",
		parts[1])
}

// Depot is a depot of the company, as far as it is known here.
type Depot struct {
	Mark, Name string
	Book       string    // its id
	This       bool      // this book
	Entries    int64     // that are here
	Last       time.Time // when the last of them was made; zero before any is
	Waiting    int64     // of this book: entries that are in no bundle yet, or that the hub has not
	Heard      time.Time // when it spoke at the hub last, by the hub's clock; zero before it did
	Ahead      time.Duration
	Missing    int64  // entries that it had then, and that are not here yet
	Held       []Held // bundles that can't be taken in yet
}

// Held is a bundle that can't be taken in yet.
type Held struct {
	First, Entries int64
	Why            string
}

// Depots are the depots of the company by mark, this book's own first; none where it
// has not joined any.
func (b *Book) Depots(ctx context.Context) ([]Depot, error) {
	var out []Depot
	err := b.moment(ctx, nil, func(q querier, _ *names) error {
		d, err := b.company(ctx, q)
		if err != nil || d == nil {
			return err
		}
		at := map[string]int{}
		for _, l := range d.lives {
			is := Depot{Mark: d.markOf(l), Name: l.name, Book: l.id, This: l.idx == d.me, Entries: l.seq}
			if l.last > 0 {
				is.Last = time.Unix(l.last, 0).UTC()
			}
			if err := q.QueryRowContext(ctx, `SELECT (SELECT count(*) FROM waiting WHERE book = ?1) +
				(SELECT coalesce(sum(count), 0) FROM bundles WHERE hub = 0 AND book = ?1 AND ?2 AND EXISTS
				(SELECT 1 FROM hub))`, l.idx, l.ownFrom > 0).Scan(&is.Waiting); err != nil {
				return err
			}
			var at, ahead, seq int64
			err := q.QueryRowContext(ctx, "SELECT at, ahead, seq FROM heard WHERE mark = ? AND book = ?", l.mark,
				l.id).Scan(&at, &ahead, &seq)
			if err == nil {
				is.Heard, is.Ahead = time.Unix(at, 0).UTC(), time.Duration(ahead)*time.Second
				is.Missing = max(0, seq-l.seq)
			} else if !errors.Is(err, sql.ErrNoRows) {
				return err
			}
			out = append(out, is)
		}
		slices.SortFunc(out, func(x, y Depot) int {
			if x.This != y.This {
				return map[bool]int{true: -1, false: 1}[x.This]
			}
			return cmp.Or(strings.Compare(x.Mark, y.Mark), strings.Compare(x.Book, y.Book))
		})
		for i := range out {
			at[out[i].Book] = i
		}
		rows, err := q.QueryContext(ctx, "SELECT book, mark, first, why, content FROM held ORDER BY book, first")
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var book, mark string
			var h Held
			var content []byte
			if err := rows.Scan(&book, &mark, &h.First, &h.Why, &content); err != nil {
				return err
			}
			if in, err := ReadBundles(content); err == nil {
				h.Entries = int64(in[0].Count)
			}
			i, ok := at[book]
			if !ok {
				i, at[book] = len(out), len(out)
				out = append(out, Depot{Mark: mark, Book: book})
			}
			out[i].Held = append(out[i].Held, h)
		}
		return rows.Err()
	})
	return out, err
}

// markCopy marks a copy of a book as such, where the book has joined a company.
func markCopy(ctx context.Context, q querier) error {
	_, err := q.ExecContext(ctx, "UPDATE joined SET copy = 1")
	return err
}

// part makes a life of its own of what this book entered from number first on, which
// it has sent to nobody: another copy of the book went on otherwise, and was heard of
// first.
func (d *depots) part(ctx context.Context, l *life, first int64) error {
	if err := d.unbundle(ctx, l, first); err != nil {
		return err
	}
	rows, err := d.q.QueryContext(ctx, "SELECT seq, entry FROM waiting WHERE book = ? AND seq >= ? ORDER BY seq", l.idx,
		first)
	if err != nil {
		return err
	}
	defer rows.Close()
	var entries []*schema.Entry
	from := d.told
	for rows.Next() {
		var seq int64
		var line string
		if err := rows.Scan(&seq, &line); err != nil {
			return err
		}
		e, err := schema.ParseEntry(line)
		if err != nil {
			return err
		}
		if entries = append(entries, e); e.What == "" {
			from = min(from, e.Number)
		}
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return err
	}
	before, err := d.hashBefore(ctx, l, first)
	if errors.Is(err, sql.ErrNoRows) {
		err = d.q.QueryRowContext(ctx, "SELECT hash FROM waiting WHERE book = ? AND seq = ?", l.idx,
			first-1).Scan(&before)
	}
	if err != nil {
		return err
	}
	if _, err := d.q.ExecContext(ctx, "DELETE FROM waiting WHERE book = ? AND seq >= ?", l.idx, first); err != nil {
		return err
	}
	l.seq, l.hash = first-1, before
	if err := d.keep(ctx, l); err != nil {
		return err
	}
	is := &life{id: newID(), mark: l.mark, name: l.name, ownFrom: from}
	if err := d.begin(ctx, is, l.id); err != nil {
		return err
	}
	rename := func(e *schema.Entry) { e.Rename(schema.Name{Book: l.id, Number: from}, is.id) }
	if err := d.renameActs(ctx, l, is, from, rename); err != nil {
		return err
	}
	for i, e := range entries {
		was := first + int64(i)
		rename(e)
		line, err := d.emit(ctx, e)
		if err != nil {
			return err
		}
		_, err = d.q.ExecContext(ctx, "UPDATE acts SET book = ?, seq = ?, entry = ? WHERE book = ? AND seq = ? AND "+
			"clock = ?", is.idx, is.seq, line, l.idx, was, e.Clock)
		if err == nil {
			_, err = d.q.ExecContext(ctx, "UPDATE settled SET book = ?, seq = ? WHERE book = ? AND seq = ?", is.idx,
				is.seq, l.idx, was)
		}
		if err != nil {
			return err
		}
	}
	clear(d.names)
	return d.keep(ctx, is)
}

// unbundle takes bundles apart that were sent to nobody, those with entries from number
// first on.
func (d *depots) unbundle(ctx context.Context, l *life, first int64) error {
	rows, err := d.q.QueryContext(ctx, "SELECT content FROM bundles WHERE book = ? AND first + count > ?", l.idx, first)
	if err != nil {
		return err
	}
	defer rows.Close()
	var all []*Bundle
	for rows.Next() {
		var content []byte
		if err := rows.Scan(&content); err != nil {
			return err
		}
		some, err := ReadBundles(content)
		if err != nil {
			return err
		}
		all = append(all, some...)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return err
	}
	for _, b := range all {
		hash := mustHex(b.Prev)
		for i, line := range b.lines {
			hash = chain(hash, line)
			if _, err := d.q.ExecContext(ctx, "INSERT INTO waiting (book, seq, entry, hash) VALUES (?, ?, ?, ?)", l.idx,
				b.First+int64(i), line, hash); err != nil {
				return err
			}
		}
		if _, err := d.q.ExecContext(ctx, "DELETE FROM bundles WHERE book = ? AND first = ?", l.idx,
			b.First); err != nil {
			return err
		}
	}
	return nil
}

// renameActs renames in what is kept of records those that are of another life now.
func (d *depots) renameActs(ctx context.Context, l, is *life, from int64, rename func(*schema.Entry)) error {
	_, err := d.q.ExecContext(ctx, `UPDATE acts SET book = ? WHERE what = 'record' AND book = ? AND number >= ?
		AND NOT EXISTS (SELECT 1 FROM foreigns WHERE acts.number >= foreigns.number AND acts.number < foreigns.number +
			count)`, is.idx, l.idx, from)
	if err != nil {
		return err
	}
	type act struct {
		number, clock, book, seq int64
		line                     string
	}
	rows, err := d.q.QueryContext(ctx, "SELECT number, clock, book, seq, entry FROM acts WHERE instr(entry, ?) > 0",
		l.id+":")
	if err != nil {
		return err
	}
	defer rows.Close()
	var all []act
	for rows.Next() {
		var a act
		if err := rows.Scan(&a.number, &a.clock, &a.book, &a.seq, &a.line); err != nil {
			return err
		}
		all = append(all, a)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return err
	}
	for _, a := range all {
		e, err := schema.ParseEntry(a.line)
		if err != nil {
			return err
		}
		rename(e)
		_, err = d.q.ExecContext(ctx, "UPDATE acts SET entry = ? WHERE number = ? AND clock = ? AND book = ? AND seq "+
			"= ?", e.Line(), a.number, a.clock, a.book, a.seq)
		if err != nil {
			return err
		}
	}
	asides, err := d.q.QueryContext(ctx, "SELECT number, kind, says FROM aside WHERE instr(says, ?) > 0", l.id+":")
	if err != nil {
		return err
	}
	defer asides.Close()
	type aside struct {
		number int64
		e      schema.Entry
	}
	var some []aside
	for asides.Next() {
		var a aside
		var says string
		if err := asides.Scan(&a.number, &a.e.Kind, &says); err != nil {
			return err
		}
		if err := json.Unmarshal([]byte(says), &a.e.Is); err != nil {
			return err
		}
		some = append(some, a)
	}
	if err := errors.Join(asides.Err(), asides.Close()); err != nil {
		return err
	}
	for _, a := range some {
		rename(&a.e)
		if _, err := d.q.ExecContext(ctx, "UPDATE aside SET says = ? WHERE number = ?", a.e.Is.String(),
			a.number); err != nil {
			return err
		}
	}
	return nil
}

// RenewLife begins a new life of this book, which was put back from a copy. Where
// others heard of another copy of it, what this one entered since they parted is the
// new life's.
func (b *Book) RenewLife(ctx context.Context) (name string, took *TookBundles, err error) {
	held, err := b.heldBundles(ctx)
	if err != nil {
		return "", nil, err
	}
	err = b.write(ctx, func(tx *sql.Tx) error {
		if err := b.bundle(ctx, tx); err != nil {
			return err
		}
		d, err := b.company(ctx, tx)
		if err != nil {
			return err
		}
		if d == nil {
			return notJoined()
		}
		l := d.lives[d.me]
		first := int64(0)
		for _, in := range held {
			if in.Book != l.id || in.Version > schema.EntryVersion || in.Seal != "none" {
				continue
			}
			here, err := d.linesOf(ctx, l, in.First, in.First+int64(in.Count))
			if err != nil {
				return err
			}
			for i := range min(len(here), len(in.lines)) {
				if at := in.First + int64(i); here[i] != in.lines[i] && (first == 0 || at < first) {
					first = at
				}
			}
		}
		if first > 0 {
			if d.n, err = readNames(ctx, tx); err == nil {
				err = d.part(ctx, l, first)
			}
		} else {
			err = d.beginLife(ctx, l.mark, l.name)
		}
		name = d.markOf(d.lives[d.me])
		return err
	})
	if err != nil {
		return "", nil, err
	}
	took = &TookBundles{Entries: map[string]int64{}}
	return name, took, b.tryHeld(ctx, took)
}
