package store

import (
	"bytes"
	"cmp"
	"context"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"shedbook/schema"
)

// TookBundles is what came of bundles.
type TookBundles struct {
	Entries map[string]int64 // taken in, by the mark of their depot
	Known   int64            // entries that were here already
	Records int64            // of those taken in
}

// TakeBundles takes in what bundles say, in whatever order they come. What can't be
// taken in yet is held, and tried again with the next.
func (b *Book) TakeBundles(ctx context.Context, bundles []*Bundle) (*TookBundles, error) {
	out := &TookBundles{Entries: map[string]int64{}}
	for _, in := range bundles {
		if _, err := b.takeSome(ctx, out, in); err != nil {
			return out, err
		}
	}
	return out, b.tryHeld(ctx, out)
}

// tryHeld takes in what was held and need be no longer.
func (b *Book) tryHeld(ctx context.Context, out *TookBundles) error {
	for again := true; again; {
		held, err := b.heldBundles(ctx)
		if err != nil {
			return err
		}
		again = false
		for _, in := range held {
			if d, err := b.company(ctx, b.db); err != nil {
				return explain(b.path, err)
			} else if why := d.ready(in); why != nil && why.Error() == in.why {
				continue
			}
			done, err := b.takeSome(ctx, out, in)
			if err != nil {
				return err
			}
			again = again || done
		}
	}
	return nil
}

func (b *Book) heldBundles(ctx context.Context) ([]*Bundle, error) {
	rows, err := b.db.QueryContext(ctx, "SELECT content, why FROM held ORDER BY book, first")
	if err != nil {
		return nil, explain(b.path, err)
	}
	defer rows.Close()
	var out []*Bundle
	for rows.Next() {
		var content []byte
		var why string
		if err := rows.Scan(&content, &why); err != nil {
			return nil, explain(b.path, err)
		}
		in, err := ReadBundles(content)
		if err != nil {
			return nil, damaged(b.path, "a bundle that it holds: "+err.Error())
		}
		in[0].why = why
		out = append(out, in...)
	}
	return out, explain(b.path, rows.Err())
}

// notYet is why a bundle is held.
type notYet struct{ why string }

func (e *notYet) Error() string { return e.why }

func holdBack(format string, args ...any) error { return &notYet{fmt.Sprintf(format, args...)} }

// takeSome takes bundles in, or holds them, in one transaction. done says that they
// told something new.
func (b *Book) takeSome(ctx context.Context, out *TookBundles, some ...*Bundle) (done bool, err error) {
	var sum TookBundles
	err = b.write(ctx, func(tx *sql.Tx) error {
		sum = TookBundles{Entries: map[string]int64{}}
		// What waits here knew nothing of what comes in, and that may stand on it.
		if err := b.bundle(ctx, tx); err != nil {
			return err
		}
		for _, in := range some {
			d, err := b.company(ctx, tx)
			if err != nil {
				return err
			}
			if d == nil {
				return notJoined()
			}
			if d.copy { // before another's record takes a number that the book itself has given
				if err := d.beginLife(ctx, d.lives[d.me].mark, d.lives[d.me].name); err != nil {
					return err
				}
			}
			if in.arrived == nil || in.arrived.refused == "" {
				if err := d.takeOrHold(ctx, in, &sum); err != nil {
					return err
				}
			}
			if in.arrived != nil {
				if err := d.readTo(ctx, in.arrived); err != nil {
					return err
				}
			}
		}
		return nil
	})
	if err != nil {
		return false, err
	}
	for mark, n := range sum.Entries {
		out.Entries[mark] += n
		done = done || n > 0
	}
	out.Known += sum.Known
	out.Records += sum.Records
	return done, nil
}

// takeOrHold takes one bundle in; what it can't take in leaves the book as it was.
func (d *depots) takeOrHold(ctx context.Context, in *Bundle, sum *TookBundles) error {
	if d.company != in.Company {
		return trouble(Refused, "name a file of this company's depots",
			"this is of another company: depot %s there is none of this book's", in.Mark)
	}
	if _, err := d.q.ExecContext(ctx, "SAVEPOINT bundle"); err != nil {
		return err
	}
	took, known, records, err := d.take(ctx, in)
	if err == nil && in.arrived != nil {
		err = d.onHub(ctx, in)
	}
	if err == nil {
		sum.Entries[in.Mark] += took
		sum.Known += known
		sum.Records += records
		_, err = d.q.ExecContext(ctx, "DELETE FROM held WHERE book = ? AND first = ? AND last = ?", in.Book, in.First,
			in.Last)
		if err == nil {
			_, err = d.q.ExecContext(ctx, "RELEASE bundle")
		}
		return err
	}
	var why *notYet
	if !errors.As(err, &why) {
		err = explain(d.b.path, err)
		var own *Error
		if ctx.Err() != nil || errors.As(err, &own) && own.Trouble != NotFound {
			return err
		}
		why = &notYet{"what it says can't stand in this book: " + err.Error()}
	}
	if _, err := d.q.ExecContext(ctx, "ROLLBACK TO bundle"); err != nil {
		return err
	}
	if _, err := d.q.ExecContext(ctx, "RELEASE bundle"); err != nil || in.part {
		return err
	}
	_, err = d.q.ExecContext(ctx, `INSERT INTO held (book, first, last, mark, why, content) VALUES (?, ?, ?, ?, ?, ?)
		ON CONFLICT (book, first, last) DO UPDATE SET why = excluded.why`, in.Book, in.First, in.Last, in.Mark, why.why,
		in.content)
	return err
}

// latest is beyond any clock, and leaves room for those that go on from it.
const latest = 1 << 62

// ready says why a bundle can't be taken in yet, as far as its header tells; nil where
// it can.
func (d *depots) ready(in *Bundle) error {
	if in.Version > schema.EntryVersion {
		return holdBack("depot %s runs a newer program: update this one to see what was recorded there", in.Mark)
	}
	var here int64
	if l := d.lives[d.idx[in.Book]]; l != nil {
		here = l.seq
	}
	if in.First > here+1 {
		return holdBack("entries %d to %d of depot %s are not here yet", here+1, in.First-1, in.Mark)
	}
	for _, id := range sortedKeys(in.After) {
		if of := d.lives[d.idx[id]]; of == nil || of.seq < in.After[id] {
			mark, seq := "a depot that is not known here", int64(0)
			if of != nil {
				mark, seq = "depot "+of.mark, of.seq
			}
			return holdBack("it stands on entries %d to %d of %s, which are not here yet", seq+1, in.After[id], mark)
		}
	}
	return nil
}

// take takes in the entries of a bundle that are not here yet.
func (d *depots) take(ctx context.Context, in *Bundle) (took, known, records int64, err error) {
	if in, err = d.opened(ctx, in); err != nil {
		return 0, 0, 0, err
	}
	if err := d.ready(in); err != nil {
		return 0, 0, 0, err
	}
	if d.n, err = readNames(ctx, d.q); err != nil {
		return 0, 0, 0, err
	}
	l := d.lives[d.idx[in.Book]]
	if l == nil {
		l = &life{id: in.Book, mark: in.Mark}
		if err := d.newLife(ctx, l); err != nil {
			return 0, 0, 0, err
		}
	}
	known = min(l.seq-in.First+1, int64(in.Count))
	same, err := d.sameAsHere(ctx, l, in, known)
	if err == nil && same < known { // this book was set back, and has gone on otherwise since
		err, known = d.part(ctx, l, in.First+same), same
	}
	if err != nil {
		return 0, 0, 0, err
	}
	if known == int64(in.Count) {
		if l.ownFrom > 0 { // a copy of this book has sent them
			err = d.keepBundle(ctx, l, in, true)
		}
		return 0, known, 0, err
	}
	if prev := chain(mustHex(in.Prev), in.lines[:known]...); !bytes.Equal(prev, l.hash) {
		return 0, 0, 0, holdBack("entries from %d on of depot %s do not go on from those that are here: the book was "+
			"set back there, or somebody changed them", in.First, in.Mark)
	}
	for _, line := range in.lines[known:] {
		e, err := schema.ParseEntry(line)
		if err == nil && (e.Clock < 1 || e.Clock > latest) {
			err = errBundle("an entry is of an impossible time")
		}
		if err != nil {
			return 0, 0, 0, err
		}
		l.seq, l.hash, l.last = l.seq+1, chain(l.hash, line), e.Entered
		d.clock = max(d.clock, e.Clock)
		if e.What == "" {
			records++
		}
		if err := d.enter(ctx, l, e); err != nil {
			return 0, 0, 0, fmt.Errorf("entry %d of depot %s: %w", l.seq, in.Mark, err)
		}
	}
	if l.mark != in.Mark {
		return 0, 0, 0, holdBack("it says that it is of depot %s, and is of depot %s", in.Mark, l.mark)
	}
	if err := d.settle(ctx); err != nil {
		return 0, 0, 0, err
	}
	if err := d.keepBundle(ctx, l, in, true); err != nil {
		return 0, 0, 0, err
	}
	if d.told, err = d.next(ctx); err == nil {
		err = d.keep(ctx, l)
	}
	return int64(in.Count) - known, known, records, err
}

func mustHex(s string) []byte {
	b, _ := hex.DecodeString(s) // readBundle has looked
	return b
}

// sameAsHere holds the first entries of a bundle to those that are here, and says how
// many are the same. Those that are not must be this book's, and sent to nobody.
func (d *depots) sameAsHere(ctx context.Context, l *life, in *Bundle, count int64) (same int64, err error) {
	if count <= 0 {
		return count, nil
	}
	here, err := d.linesOf(ctx, l, in.First, in.First+count)
	if err != nil {
		return 0, err
	}
	for same < count && int(same) < len(here) && here[same] == in.lines[same] {
		same++
	}
	if same == count {
		return same, nil
	}
	var sent bool
	err = d.q.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM bundles WHERE sent = 1 AND book = ? AND first + "+
		"count > ?)", l.idx, in.First+same).Scan(&sent)
	if err == nil && (sent || l.idx != d.me) {
		err = holdBack("entries from %d on of depot %s are others than those that are here: the book was set back "+
			"there, or somebody changed them", in.First+same, in.Mark)
	}
	return same, err
}

// linesOf are the entries of a book from number first on, before number until.
func (d *depots) linesOf(ctx context.Context, l *life, first, until int64) ([]string, error) {
	rows, err := d.q.QueryContext(ctx, "SELECT content FROM bundles WHERE book = ? AND first < ? AND first + count > "+
		"? ORDER BY first", l.idx, until, first)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []string
	at := first
	for rows.Next() {
		var content []byte
		if err := rows.Scan(&content); err != nil {
			return nil, err
		}
		all, err := ReadBundles(content)
		if err != nil {
			return nil, err
		}
		for i, line := range all[0].lines {
			if all[0].First+int64(i) == at && at < until {
				out, at = append(out, line), at+1
			}
		}
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return nil, err
	}
	waiting, err := d.q.QueryContext(ctx, "SELECT entry FROM waiting WHERE book = ? AND seq >= ? AND seq < ? ORDER BY "+
		"seq", l.idx, at, until)
	if err != nil {
		return nil, err
	}
	defer waiting.Close()
	for waiting.Next() {
		var line string
		if err := waiting.Scan(&line); err != nil {
			return nil, err
		}
		out = append(out, line)
	}
	return out, waiting.Err()
}

// enter takes in an entry of another book, or of one that this one was.
func (d *depots) enter(ctx context.Context, l *life, e *schema.Entry) error {
	switch e.What {
	case "depot":
		return d.enterDepot(l, e)
	case "word":
		var w schema.Word
		if err := json.Unmarshal(e.Is["word"], &w.Word); err != nil {
			return err
		}
		w.Vocabulary = "terrain"
		if _, known := d.n.word[w.Vocabulary][w.Word]; known {
			return nil
		}
		err := putWord(ctx, d.q, d.n, w)
		d.joined.words = max(d.joined.words, d.n.word[w.Vocabulary][w.Word])
		return err
	case "set":
		return d.enterSetting(ctx, l, e)
	case "":
		return d.enterRecord(ctx, l, e)
	}
	for _, name := range e.Of {
		number, err := d.number(ctx, name)
		if err != nil {
			return err
		}
		if number == 0 {
			return fmt.Errorf("it changes %s, which is not here", name)
		}
		k := schema.KindNamed(e.Kind)
		var aside bool
		err = d.q.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM aside WHERE number = ?)", number).Scan(&aside)
		if err == nil && !aside {
			err = d.ensureActs(ctx, k, number, nil)
		}
		if err == nil {
			err = d.act(ctx, number, e, l.idx, l.seq, nil)
		}
		if err == nil {
			err = d.refold(ctx, number)
		}
		if err != nil {
			return err
		}
		// What comes behind may refer to it, and must find it in its table.
	}
	return nil
}

func (d *depots) enterDepot(l *life, e *schema.Entry) error {
	l.born = e.Clock
	if err := errors.Join(json.Unmarshal(e.Is["mark"], &l.mark), json.Unmarshal(e.Is["name"], &l.name)); err != nil {
		return err
	}
	return checkDepot(l.mark, l.name)
}

func (d *depots) enterSetting(ctx context.Context, l *life, e *schema.Entry) error {
	var s schema.Setting
	if err := json.Unmarshal(e.Is["setting"], &s.Key); err != nil {
		return err
	}
	if is, ok := e.Is["value"]; ok {
		if err := json.Unmarshal(is, &s.Value); err != nil {
			return err
		}
	}
	if !schema.Travels(s.Key) {
		return nil
	}
	var clock, book, seq int64
	err := d.q.QueryRowContext(ctx, "SELECT clock, book, seq FROM settled WHERE setting = ?", s.Key).Scan(&clock, &book,
		&seq)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	if err == nil && cmp.Or(cmp.Compare(clock, e.Clock), strings.Compare(d.lives[book].id, l.id),
		cmp.Compare(seq, l.seq)) > 0 {
		return nil // it was set later elsewhere
	}
	if s.Value == "" {
		_, err = d.q.ExecContext(ctx, "DELETE FROM settings WHERE setting = ?", s.Key)
	} else {
		err = putSetting(ctx, d.q, s)
	}
	if err == nil {
		err = d.settled(ctx, s.Key, s.Value, e.Clock, l.idx, l.seq)
	}
	return err
}

// keepForeign keeps what number a record has in its own book.
func (d *depots) keepForeign(ctx context.Context, l *life, number, theirs int64) error {
	done, err := d.q.ExecContext(ctx, `UPDATE foreigns SET count = count + 1 WHERE number = (SELECT max(number) FROM
		foreigns)
		AND number + count = ? AND book = ? AND theirs + count = ?`, number, l.idx, theirs)
	if err != nil {
		return err
	}
	if n, err := done.RowsAffected(); err != nil || n > 0 {
		return err
	}
	_, err = d.q.ExecContext(ctx, "INSERT INTO foreigns (number, count, book, theirs) VALUES (?, 1, ?, ?)", number,
		l.idx, theirs)
	return err
}

// enterRecord puts in a record of another book, under the next number here.
func (d *depots) enterRecord(ctx context.Context, l *life, e *schema.Entry) error {
	name := schema.Name{Book: l.id, Number: e.Number}
	was, err := d.number(ctx, name)
	if err != nil {
		return err
	}
	next, err := d.next(ctx)
	if err != nil {
		return err
	}
	var number int64
	switch {
	case d.ours(name) && e.Number >= next: // this book was set back, and takes back what it lost
		number = e.Number
		_, err = d.q.ExecContext(ctx, "UPDATE counter SET next = ? WHERE one = 1", number+1)
	case was != 0:
		return fmt.Errorf("there is a record %s already", name)
	default:
		number = next
		_, err = d.q.ExecContext(ctx, "UPDATE counter SET next = ? WHERE one = 1", number+1)
		if err == nil {
			err = d.keepForeign(ctx, l, number, e.Number)
		}
	}
	if err != nil {
		return err
	}
	d.names[number] = name
	k := schema.KindNamed(e.Kind)
	if k.Name == "machine" || k.Name == "driver" {
		return d.putNamed(ctx, &folded{k: k, content: e.Is, typed: e.Typed, entered: e.Entered}, number, false)
	}
	g := d.group(k, e.Is)
	others, err := d.members(ctx, k, g)
	if err != nil {
		return err
	}
	simple := len(others) == 0
	for _, is := range e.Is { // somebody who is only a word stands in no table
		simple = simple && !bytes.HasPrefix(is, []byte(`":`))
	}
	if !simple {
		if err := d.act(ctx, number, e, l.idx, 0, nil); err != nil {
			return err
		}
		d.changed[g] = true
		return d.setAside(ctx, k, number, 0, g)
	}
	r, err := d.record(ctx, k, number, e.Is, e.Typed, e.Entered, 0)
	if err == nil {
		err = d.put(ctx, k, r)
	}
	return err
}

// depotsAreRight holds what this book has of its company to the chains of hashes.
func depotsAreRight(ctx context.Context, q querier, b *Book) (Finding, error) {
	f := Finding{Check: "depots"}
	d, err := b.company(ctx, q)
	if err != nil || d == nil {
		return f, err
	}
	var entries int64
	for _, l := range d.lives {
		lines, err := d.linesOf(ctx, l, 1, l.seq+1)
		if err != nil {
			f.wrong("the entries of depot %s: %s", l.mark, err)
			continue
		}
		entries += int64(len(lines))
		if int64(len(lines)) != l.seq || !bytes.Equal(chain(beforeFirst(l.id), lines...), l.hash) {
			f.wrong("the entries of depot %s are not as they were written", l.mark)
		}
	}
	f.Says = fmt.Sprintf("%d entries of %s, each by the hash before", entries, several(len(d.lives), "book"))
	return f, nil
}
