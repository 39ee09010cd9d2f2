package store

import (
	"bytes"
	"cmp"
	"context"
	"encoding/binary"
	"fmt"
	"hash/maphash"
	"maps"
	"math"
	"slices"

	"shedbook/schema"
)

// A long sheet of dated records is imported in batches. The records that the
// book has of its kind are held in memory in packed form, so that no row is
// looked up in a table. New rows are inserted in batches while the next are
// read. At the end the indexes are made again, and the new records are packed
// too.

var (
	// fewRows rows are imported one by one before a sheet counts as long.
	fewRows = 2000
	// batchRows are inserted at once.
	batchRows = 10_000
)

// shelf holds the records of one kind in packed form, some 80 bytes each, and
// finds one by its ref or, without a ref, by its content. Of records with the
// same content it keeps one and counts the others.
type shelf struct {
	t       *table
	n       *names
	u       *unpacker
	entered int64
	seed    maphash.Seed
	slots   []slot // a hash table: a power of two, at most half of it used
	used    int
	chunks  []chunk
	fresh   map[int64]int // by machine: its chunk of records that are in no pack yet
	more    map[slot]int  // by the record kept: how many more of the same content no row of the sheet has matched yet
}

// chunk is a pack, with its checksum or still being written.
type chunk struct {
	machine, entered int64
	content          []byte
}

// slot is where a record begins; hash 0 means a free slot. The lowest bit of
// the hash is always set, and the next one once a row of the sheet has matched
// the record.
type slot struct {
	hash      uint64
	chunk, at uint32
}

const matchedBit = 2

func newShelf(t *table, n *names, entered int64) *shelf {
	return &shelf{t: t, n: n, u: t.unpacker(n), entered: entered, seed: maphash.MakeSeed(), slots: make([]slot, 1<<12),
		fresh: map[int64]int{}, more: map[slot]int{}}
}

// knownBy returns what identifies a record: its ref, which comes first in its
// content, or all of its content.
func knownBy(content []byte) []byte {
	known, n := binary.Uvarint(content)
	if known&1 == 0 {
		return content
	}
	size, m := binary.Uvarint(content[n:])
	return content[:n+m+int(size)][n:]
}

// content returns the content of the slot's record.
func (s *shelf) content(p slot) []byte {
	b := s.chunks[p.chunk].content[p.at:]
	size, n := binary.Uvarint(b)
	return b[n : n+int(size)]
}

// find returns the slot of the record with this identity, or the free slot
// where it would go.
func (s *shelf) find(id []byte) (at int, hash uint64, found bool) {
	hash = maphash.Bytes(s.seed, id)&^matchedBit | 1
	mask := len(s.slots) - 1
	for at = int(hash>>2) & mask; s.slots[at].hash != 0; at = (at + 1) & mask {
		if s.slots[at].hash&^matchedBit == hash && bytes.Equal(knownBy(s.content(s.slots[at])), id) {
			return at, hash, true
		}
	}
	return at, hash, false
}

// take matches a record of the slot's identity to a row; false if all of them
// have a row already.
func (s *shelf) take(at int) bool {
	p := &s.slots[at]
	if p.hash&matchedBit == 0 {
		p.hash |= matchedBit
		return true
	}
	key := slot{chunk: p.chunk, at: p.at}
	if s.more[key] == 0 {
		return false
	}
	s.more[key]--
	return true
}

// left returns how many records of the slot's identity have no row yet.
func (s *shelf) left(at int) int {
	p := s.slots[at]
	n := s.more[slot{chunk: p.chunk, at: p.at}]
	if p.hash&matchedBit == 0 {
		n++
	}
	return n
}

// keep enters the record that begins at this offset of a chunk; taken tells
// whether it comes from a row of the sheet. It replaces an earlier record with
// its ref.
func (s *shelf) keep(chunk, begins int, taken bool) {
	if 2*s.used >= len(s.slots) {
		old := s.slots
		s.slots = make([]slot, 2*len(old))
		for _, p := range old {
			if p.hash != 0 {
				at := int(p.hash>>2) & (len(s.slots) - 1)
				for s.slots[at].hash != 0 {
					at = (at + 1) & (len(s.slots) - 1)
				}
				s.slots[at] = p
			}
		}
	}
	p := slot{chunk: uint32(chunk), at: uint32(begins)}
	content := s.content(p)
	known := knownBy(content)
	at, hash, found := s.find(known)
	if found && len(known) == len(content) { // without a ref, so their contents are equal
		if !taken {
			s.more[slot{chunk: s.slots[at].chunk, at: s.slots[at].at}]++
		}
		return
	}
	if !found {
		s.used++
	}
	if p.hash = hash; taken {
		p.hash |= matchedBit
	}
	s.slots[at] = p
}

// put adds a record that is in no pack; taken is as for keep.
func (s *shelf) put(content []byte, machine int64, m *schema.Meta, taken bool) error {
	c, ok := s.fresh[machine]
	if !ok {
		c = len(s.chunks)
		s.fresh[machine] = c
		s.chunks = append(s.chunks, chunk{machine, s.entered, beginPack(s.entered)})
	}
	begins := len(s.chunks[c].content)
	if begins > math.MaxUint32 {
		return fmt.Errorf("too many records of one machine for one import")
	}
	var err error
	if s.chunks[c].content, err = appendRecord(s.chunks[c].content, content, m, s.entered); err != nil {
		return err
	}
	s.keep(c, begins, taken)
	return nil
}

// putPack adds the records of a pack.
func (s *shelf) putPack(machine int64, content []byte) error {
	entered, at, err := openPack(content)
	if err != nil {
		return err
	}
	s.chunks = append(s.chunks, chunk{machine, entered, content})
	for at < len(content) {
		n, err := recordLen(content[at:])
		if err != nil {
			return err
		}
		s.keep(len(s.chunks)-1, at, false)
		at += n
	}
	return nil
}

// when returns the machine and the time (seconds since 1970) of the slot's
// record; ok is false if the record has a ref. These fields come first in a
// content: see schema.Base.
func (s *shelf) when(p slot) (machine, at int64, ok bool) {
	b := s.content(p)
	known, n := binary.Uvarint(b)
	if known&1 != 0 {
		return 0, 0, false
	}
	_, m := binary.Uvarint(b[n:])
	at, _ = binary.Varint(b[n+m:])
	return s.chunks[p.chunk].machine, at, true
}

// record decodes the record of a slot.
func (s *shelf) record(p slot) (schema.Record, error) {
	c := &s.chunks[p.chunk]
	n, err := recordLen(c.content[p.at:])
	if err != nil {
		return nil, err
	}
	s.u.content, s.u.at, s.u.entered = string(c.content[p.at:int(p.at)+n]), 0, c.entered
	r := s.t.kind.New()
	return r, s.u.next(r)
}

// load puts all records of a kind on the shelf.
func (s *shelf) load(ctx context.Context, q querier) error {
	rows, err := q.QueryContext(ctx, "SELECT machine, content FROM packs WHERE kind = ? AND machine NOT IN (SELECT "+
		"machine FROM unpacked WHERE unpacked.kind = packs.kind) ORDER BY number", s.t.kind.Sheet)
	if err != nil {
		return err
	}
	defer rows.Close()
	// The next packs are read while this one is put.
	packs, put := make(chan chunk, 16), make(chan error, 1)
	go func() {
		var err error
		for c := range packs {
			if err == nil {
				err = s.putPack(c.machine, c.content)
			}
		}
		put <- err
	}()
	for rows.Next() && err == nil {
		var c chunk
		if err = rows.Scan(&c.machine, &c.content); err == nil {
			packs <- c
		}
	}
	close(packs)
	if err := cmp.Or(<-put, err, rows.Err()); err != nil {
		return err
	}
	// Records in no pack: the newest, and those of machines with a changed packed
	// record.
	return s.t.query(ctx, q, s.n, `WHERE number > coalesce((SELECT upto FROM packed WHERE kind = ?), 0)
		OR machine IN (SELECT machine FROM unpacked WHERE kind = ?) ORDER BY number`,
		[]any{s.t.kind.Sheet, s.t.kind.Sheet}, func(r schema.Record) error {
			content, err := s.t.encoded(r, s.n)
			if err != nil {
				return err
			}
			return s.put(content, s.n.machine[schema.BaseOf(r).Machine], &schema.BaseOf(r).Meta, false)
		})
}

// bulk imports the rest of a long sheet.
type bulk struct {
	*sheetImport
	shelf   *shelf
	feed    *feed
	content []byte         // of the current record
	batch   []any          // rows not yet handed over
	stamp   any            // the time of entry, as tables hold it
	changed map[int64]bool // machines with a changed record that is in no pack
	written map[int64]bool // machines with any change
	again   []string       // SQL that makes the table's triggers again
	work    chan work
	free    chan []any // batches to use again
	ended   chan struct{}

	// Only the goroutine that inserts rows uses these while it runs.
	had, added int      // rows of the table before the import, and inserted since
	indexes    []string // SQL that makes the table's indexes again; nil while they exist
}

// work is rows to insert or, if done is set, a request for the error of all
// rows before it.
type work struct {
	rows []any
	done chan<- error
}

// goLong begins to import the rest of a sheet in batches.
func (w *sheetImport) goLong(ctx context.Context) error {
	b := &bulk{sheetImport: w, shelf: newShelf(w.t, w.n, w.entered.Unix()), stamp: formatTime(w.entered),
		changed: map[int64]bool{}, written: map[int64]bool{},
		work: make(chan work), free: make(chan []any, 2), ended: make(chan struct{})}
	err := b.shelf.load(ctx, w.tx)
	if err != nil {
		return err
	}
	b.had = b.shelf.used
	if err := b.matchKnown(ctx); err != nil {
		return err
	}
	// All numbers it may need are reserved now, since the connection is busy from
	// here on; settle gives the rest back at the end.
	if err := w.reserve(ctx, 1<<40); err != nil {
		return err
	}
	// The ledger is written once for each machine at the end, not once for each
	// row.
	if b.again, err = without(ctx, w.tx, "trigger", w.k.Sheet); err != nil {
		return err
	}
	if b.feed, err = newFeed(ctx, w.tx, w.t); err != nil {
		return err
	}
	// CHECK constraints repeat what the kind's own description has checked
	// already; they guard against rows written by hand.
	if _, err := w.tx.ExecContext(ctx, "PRAGMA ignore_check_constraints = 1"); err != nil {
		return err
	}
	b.batch = b.empty()
	for range cap(b.free) {
		b.free <- b.empty()
	}
	w.bulk = b
	go b.insert(ctx)
	return nil
}

// matchKnown marks as matched the amended records (see alike) and those that
// earlier rows of the sheet matched.
func (b *bulk) matchKnown(ctx context.Context) error {
	upTo := func(r schema.Record, left func(now int) int) error {
		content, err := b.t.encoded(r, b.n)
		if err != nil {
			return err
		}
		at, _, found := b.shelf.find(knownBy(content))
		if !found {
			return nil
		}
		now := b.shelf.left(at)
		for to := left(now); now > to; now-- {
			b.shelf.take(at)
		}
		return nil
	}
	err := b.amended(ctx, func(r schema.Record) error {
		return upTo(r, func(now int) int { return now - 1 })
	})
	for _, r := range b.alike.met {
		err = cmp.Or(err, upTo(r, func(int) int { return b.alike.left[b.identity(r)] }))
	}
	return err
}

func (b *bulk) empty() []any { return make([]any, 0, batchRows*len(b.t.columns)) }

// insert runs in its own goroutine and inserts the batches it is handed.
func (b *bulk) insert(ctx context.Context) {
	defer close(b.ended)
	var err error
	for w := range b.work {
		if w.done != nil {
			w.done <- err
			continue
		}
		if err == nil {
			err = b.put(ctx, w.rows)
		}
		clear(w.rows)
		b.free <- w.rows[:0]
	}
}

func (b *bulk) put(ctx context.Context, rows []any) (err error) {
	// Keeping the indexes up to date costs as much as the rows do; making them
	// anew costs in proportion to all rows of the table.
	b.added += len(rows) / len(b.t.columns)
	if b.indexes == nil && 4*b.added >= b.had {
		if b.indexes, err = without(ctx, b.tx, "index", b.k.Sheet); err != nil {
			return err
		}
	}
	return b.feed.put(ctx, b.tx, rows)
}

func (b *bulk) flush() {
	if len(b.batch) > 0 {
		b.work <- work{rows: b.batch}
		b.batch = <-b.free
	}
}

// rest waits until all rows handed over are in the table.
func (b *bulk) rest() error {
	b.flush()
	done := make(chan error, 1)
	b.work <- work{done: done}
	return <-done
}

// stop ends the inserting goroutine.
func (b *bulk) stop() {
	close(b.work)
	<-b.ended
}

// take is sheetImport.take for a long sheet.
func (b *bulk) take(ctx context.Context, r schema.Record) (outcome, []*schema.Problem, error) {
	if len(b.past) > 0 {
		if old := b.past[b.identity(r)]; len(old) > 0 && !b.changes(old, r) {
			return repeated, nil, nil
		}
	}
	begins := len(b.batch)
	row, err := b.t.appendFields(append(b.batch, nil), r, b.n)
	if err != nil {
		return 0, nil, err
	}
	b.content = b.t.appendContent(b.content[:0], r, row[begins+1:])
	known := knownBy(b.content)
	at, _, found := b.shelf.find(known)
	if len(known) == len(b.content) { // without a ref
		if found && b.shelf.take(at) || len(b.alike.saying) > 0 && b.alike.match(b.identity(r), map[int64]bool{}) {
			return repeated, nil, nil
		}
		found = false
	}
	if !found {
		return added, nil, b.add(ctx, r, row)
	}
	p := b.shelf.slots[at]
	if bytes.Equal(b.shelf.content(p), b.content) {
		return repeated, nil, nil
	}
	same, err := b.shelf.record(p)
	if err != nil {
		return 0, nil, err
	}
	differ := b.differ(same, r)
	if len(differ) == 0 {
		return repeated, nil, nil
	}
	if !b.o.Update {
		return 0, b.conflict(same, r, differ), nil
	}
	return amended, nil, b.update(ctx, same, r, differ)
}

// add adds a record; its row is the last of batch, except for the columns that
// the book fills in itself.
func (b *bulk) add(ctx context.Context, r schema.Record, batch []any) error {
	m := b.k.Meta(r)
	var err error
	if m.Number, err = b.number(ctx); err != nil {
		return err
	}
	m.Entered = b.entered
	machine := b.n.machine[schema.BaseOf(r).Machine]
	b.written[machine] = true
	if err := b.shelf.put(b.content, machine, m, true); err != nil {
		return err
	}
	typed, err := typedJSON(m.Typed)
	if err != nil {
		return err
	}
	begins := len(b.batch)
	batch[begins] = m.Number
	batch = append(batch, typed, b.stamp, int64(0))
	if b.batch = append(batch, rowSum(batch[begins:]...)); len(b.batch) == cap(b.batch) {
		b.flush()
	}
	return nil
}

// update is sheetImport.update; no rows are being inserted meanwhile.
func (b *bulk) update(ctx context.Context, was, r schema.Record, differ []*schema.Field) error {
	if err := b.rest(); err != nil {
		return err
	}
	is, err := b.sheetImport.update(ctx, was, r, differ)
	if err != nil {
		return err
	}
	if b.content, err = b.t.encoded(is, b.n); err != nil {
		return err
	}
	for _, x := range []schema.Record{was, is} {
		machine := b.n.machine[schema.BaseOf(x).Machine]
		b.changed[machine], b.written[machine] = true, true
	}
	return b.shelf.put(b.content, b.n.machine[schema.BaseOf(is).Machine], b.k.Meta(is), true)
}

// near is sheetImport.near for a long sheet: the shelf tells at once for which
// machines no record is left that a row could correct.
func (b *bulk) near(ctx context.Context, s Source, c *Counts) error {
	if len(b.lines) == 0 {
		return nil
	}
	machines, taken := map[int64]bool{}, []slot{}
	from, to := b.from.Add(-day).Unix(), b.to.Add(day).Unix()
	err := b.amended(ctx, func(r schema.Record) error { // the shelf has them as matched: see matchKnown
		of := schema.BaseOf(r)
		if _, is := b.alike.takenBy[of.Number]; !is && from <= of.At.Unix() && of.At.Unix() <= to {
			machines[b.n.machine[of.Machine]] = true
		}
		return nil
	})
	if err != nil {
		return err
	}
	for at, p := range b.shelf.slots {
		if p.hash == 0 {
			continue
		}
		if b.shelf.left(at) == 0 {
			taken = append(taken, p)
			continue
		}
		if machine, when, ok := b.shelf.when(p); ok && from <= when && when <= to {
			machines[machine] = true
		}
	}
	if len(machines) == 0 {
		return nil
	}
	for _, p := range taken {
		r, err := b.shelf.record(p)
		if err != nil {
			return err
		}
		if m := b.k.Meta(r); m.Number < b.first && m.Versions == 0 {
			b.alike.from[formatTime(m.Entered)] = true
		}
	}
	near, err := b.corrections(ctx, slices.Sorted(maps.Keys(machines)), func(r schema.Record) (int, error) {
		content, err := b.t.encoded(r, b.n)
		if err != nil {
			return 0, err
		}
		at, _, found := b.shelf.find(content)
		if !found {
			return 0, nil
		}
		return b.shelf.left(at), nil
	})
	if err != nil {
		return err
	}
	for _, n := range near {
		for _, r := range []schema.Record{n.was, n.is} {
			b.changed[b.n.machine[schema.BaseOf(r).Machine]] = true
		}
	}
	return b.correct(ctx, s, c, near)
}

// finish inserts the last rows, makes the indexes again, and packs the new
// records.
func (b *bulk) finish(ctx context.Context, s Source, c *Counts) error {
	if err := b.rest(); err != nil {
		return err
	}
	if err := b.feed.close(ctx, b.tx); err != nil {
		return err
	}
	for _, again := range append(append(b.indexes, b.again...), "PRAGMA ignore_check_constraints = 0") {
		if _, err := b.tx.ExecContext(ctx, again); err != nil {
			return err
		}
	}
	if err := b.near(ctx, s, c); err != nil {
		return err
	}
	if err := touch(ctx, b.tx, b.written); err != nil {
		return err
	}
	return b.pack(ctx)
}
