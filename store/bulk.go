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

// A sheet of dated records that turns out long is taken in by the thousand:
// what the book knows of its kind is held in memory, written small, so that no
// row need be looked up in a table; new rows go in by batches, while the next
// ones are read; the indexes are made at the end; and what went in is kept as
// packs, written small as it is.

var (
	// fewRows are taken one by one before a sheet counts as long.
	fewRows = 2000
	// batchRows go in at once.
	batchRows = 10_000
)

// shelf holds records of one kind, written small, and finds one by its ref or,
// where it has none, its content. It takes some 80 bytes a record. Of records
// that say the same it keeps one and counts the others.
type shelf struct {
	t       *table
	n       *names
	u       *unpacker
	entered int64
	seed    maphash.Seed
	slots   []slot // a power of two of them, at most half of them used
	used    int
	chunks  []chunk
	fresh   map[int64]int // by machine: its chunk of records that are in no pack yet
	more    map[slot]int  // of records that say the same: how many beside the one kept no row has taken up
}

// chunk is a pack, sealed or not.
type chunk struct {
	machine, entered int64
	content          []byte
}

// slot is where a record begins; one of hash 0 is free. The hash's last bit is
// set, and the one before where a row of the sheet has taken the record up.
type slot struct {
	hash      uint64
	chunk, at uint32
}

const takenUp = 2

func newShelf(t *table, n *names, entered int64) *shelf {
	return &shelf{t: t, n: n, u: t.unpacker(n), entered: entered, seed: maphash.MakeSeed(), slots: make([]slot, 1<<12), fresh: map[int64]int{}, more: map[slot]int{}}
}

// knownBy is what a record of this content is known by: its ref, which comes
// first, or all of it.
func knownBy(content []byte) []byte {
	known, n := binary.Uvarint(content)
	if known&1 == 0 {
		return content
	}
	size, m := binary.Uvarint(content[n:])
	return content[:n+m+int(size)][n:]
}

// content is that of a slot's record.
func (s *shelf) content(p slot) []byte {
	b := s.chunks[p.chunk].content[p.at:]
	size, n := binary.Uvarint(b)
	return b[n : n+int(size)]
}

// find finds the record of an identity, or the free slot where it would go.
func (s *shelf) find(id []byte) (at int, hash uint64, found bool) {
	hash = maphash.Bytes(s.seed, id)&^takenUp | 1
	mask := len(s.slots) - 1
	for at = int(hash>>2) & mask; s.slots[at].hash != 0; at = (at + 1) & mask {
		if s.slots[at].hash&^takenUp == hash && bytes.Equal(knownBy(s.content(s.slots[at])), id) {
			return at, hash, true
		}
	}
	return at, hash, false
}

// take takes up a record that is known by what the slot's is; false where none
// is left.
func (s *shelf) take(at int) bool {
	p := &s.slots[at]
	if p.hash&takenUp == 0 {
		p.hash |= takenUp
		return true
	}
	key := slot{chunk: p.chunk, at: p.at}
	if s.more[key] == 0 {
		return false
	}
	s.more[key]--
	return true
}

// left is how many are left to take up.
func (s *shelf) left(at int) int {
	p := s.slots[at]
	n := s.more[slot{chunk: p.chunk, at: p.at}]
	if p.hash&takenUp == 0 {
		n++
	}
	return n
}

// keep finds a place for the record that begins at a place in a chunk; taken
// says whether it is of a row of the sheet. Where another has its ref, it takes
// its place.
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
	if found && len(known) == len(content) { // it has no ref: they say the same
		if !taken {
			s.more[slot{chunk: s.slots[at].chunk, at: s.slots[at].at}]++
		}
		return
	}
	if !found {
		s.used++
	}
	if p.hash = hash; taken {
		p.hash |= takenUp
	}
	s.slots[at] = p
}

// put keeps a record that is in no pack; taken as for keep.
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

// putPack keeps the records of a pack.
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

// when is the machine and the time, in seconds since 1970, of a slot's record
// without a ref; false of one with a ref. They come first: see schema.Base.
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

// record is the record of a slot.
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

// load puts all records of a kind on a shelf.
func (s *shelf) load(ctx context.Context, q querier) error {
	rows, err := q.QueryContext(ctx, "SELECT machine, content FROM packs WHERE kind = ? AND machine NOT IN (SELECT machine FROM unpacked WHERE unpacked.kind = packs.kind) ORDER BY number", s.t.kind.Sheet)
	if err != nil {
		return err
	}
	defer rows.Close()
	// While one pack is put, the next are read.
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
	// Those in no pack: the latest, and the unpacked.
	return s.t.query(ctx, q, s.n, `WHERE number > coalesce((SELECT upto FROM packed WHERE kind = ?), 0)
		OR machine IN (SELECT machine FROM unpacked WHERE kind = ?) ORDER BY number`, []any{s.t.kind.Sheet, s.t.kind.Sheet}, func(r schema.Record) error {
		content, err := s.t.written(r, s.n)
		if err != nil {
			return err
		}
		return s.put(content, s.n.machine[schema.BaseOf(r).Machine], &schema.BaseOf(r).Meta, false)
	})
}

// bulk is a long sheet being taken in.
type bulk struct {
	*rows
	shelf   *shelf
	feed    *feed
	content []byte         // of the record at hand
	batch   []any          // rows to be handed over
	stamp   any            // when it is entered, as tables have it
	changed map[int64]bool // machines of which a record that is in no pack was changed
	written map[int64]bool // machines that were written to
	again   []string       // what makes the table's triggers again
	work    chan work
	free    chan []any // batches done with
	ended   chan struct{}

	// Only the goroutine that puts rows in touches these while it runs.
	had, added int      // rows of the table, before and since
	indexes    []string // what makes the table's indexes again; nil while they stand
}

// work is rows to put in or, where done is set, a question: what came of those
// before?
type work struct {
	rows []any
	done chan<- error
}

// goLong begins to take the rest of a sheet in by the thousand.
func (w *rows) goLong(ctx context.Context) error {
	b := &bulk{rows: w, shelf: newShelf(w.t, w.n, w.entered.Unix()), stamp: formatTime(w.entered), changed: map[int64]bool{}, written: map[int64]bool{},
		work: make(chan work), free: make(chan []any, 2), ended: make(chan struct{})}
	err := b.shelf.load(ctx, w.tx)
	if err != nil {
		return err
	}
	b.had = b.shelf.used
	if err := b.takeUp(ctx); err != nil {
		return err
	}
	// All numbers that it may need are taken now, since the connection is busy
	// from here on; what is left over is given back at the end (see settle).
	if err := w.reserve(ctx, 1<<40); err != nil {
		return err
	}
	// The ledger is written once a machine, at the end, and not once a row.
	if b.again, err = without(ctx, w.tx, "trigger", w.k.Sheet); err != nil {
		return err
	}
	if b.feed, err = newFeed(ctx, w.tx, w.t); err != nil {
		return err
	}
	// The connection's own checks repeat what the kind's description has judged
	// already; they are for what is written by hand.
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

// takeUp takes up what was amended, which is counted with what it was (see
// alike), and what the rows before have taken up.
func (b *bulk) takeUp(ctx context.Context) error {
	upTo := func(r schema.Record, left func(now int) int) error {
		content, err := b.t.written(r, b.n)
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

// insert puts in what it is handed.
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
	// To keep the indexes up costs as much as the rows do; to make them anew
	// costs by all the rows that the table then has.
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

// rest waits until all that was handed over is in the table.
func (b *bulk) rest() error {
	b.flush()
	done := make(chan error, 1)
	b.work <- work{done: done}
	return <-done
}

// stop ends the goroutine.
func (b *bulk) stop() {
	close(b.work)
	<-b.ended
}

// take is rows.take for a long sheet.
func (b *bulk) take(ctx context.Context, r schema.Record) (deed, []*schema.Problem, error) {
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

// add adds a record, whose row is the last of batch but for what the book keeps
// beside its fields.
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

// update is rows.update, while the table is not being written to.
func (b *bulk) update(ctx context.Context, was, r schema.Record, differ []*schema.Field) error {
	if err := b.rest(); err != nil {
		return err
	}
	is, err := b.rows.update(ctx, was, r, differ)
	if err != nil {
		return err
	}
	if b.content, err = b.t.written(is, b.n); err != nil {
		return err
	}
	for _, x := range []schema.Record{was, is} {
		machine := b.n.machine[schema.BaseOf(x).Machine]
		b.changed[machine], b.written[machine] = true, true
	}
	return b.shelf.put(b.content, b.n.machine[schema.BaseOf(is).Machine], b.k.Meta(is), true)
}

// near is rows.near for a long sheet: it goes by the shelf, which knows at once
// where no record is left that a row could correct.
func (b *bulk) near(ctx context.Context, s Source, c *Counts) error {
	if len(b.lines) == 0 {
		return nil
	}
	machines, taken := map[int64]bool{}, []slot{}
	from, to := b.from.Add(-day).Unix(), b.to.Add(day).Unix()
	err := b.amended(ctx, func(r schema.Record) error { // the shelf holds these taken up: see takeUp
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
		content, err := b.t.written(r, b.n)
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

// finish puts the last rows in, makes the indexes again, and packs what is in
// no pack.
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
