package store

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"maps"
	"slices"

	"shedbook/schema"
)

// packs reads dated records from packs, and those that are in no pack from the
// tables, as of one moment.
type packs struct {
	q        querier
	n        *names
	upto     map[string]int64          // by sheet: the highest number that may be in a pack
	unpacked map[string]map[int64]bool // by sheet: machines with a changed packed record
	// loose are the records in no pack, by sheet and machine, if they were read in
	// advance; machines and answers are among them.
	loose map[string]map[int64][]schema.Record
}

func openPacks(ctx context.Context, q querier, n *names) (*packs, error) {
	if err := n.readTies(ctx, q); err != nil {
		return nil, err
	}
	p := &packs{q: q, n: n, upto: map[string]int64{}, unpacked: map[string]map[int64]bool{},
		loose: map[string]map[int64][]schema.Record{}}
	rows, err := q.QueryContext(ctx, "SELECT kind, upto, machine FROM packed LEFT JOIN unpacked USING (kind)")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var sheet string
		var upto int64
		var machine sql.NullInt64
		if err := rows.Scan(&sheet, &upto, &machine); err != nil {
			return nil, err
		}
		p.upto[sheet] = upto
		if p.unpacked[sheet] == nil {
			p.unpacked[sheet] = map[int64]bool{}
		}
		p.unpacked[sheet][machine.Int64] = machine.Valid
	}
	return p, rows.Err()
}

// fewLoose is the largest number of records of a kind in no pack that are read
// in advance; if there are more, they are looked up machine by machine.
const fewLoose = 50_000

// readLoose reads the records in no pack of all machines in advance, if there
// are few enough: of all kinds, or of those given.
func (p *packs) readLoose(ctx context.Context, only ...*schema.Kind) error {
	kinds := schema.Kinds
	if len(only) > 0 {
		kinds = only
	}
	for _, k := range kinds {
		order := "number"
		switch {
		case k.Name == "answer":
			order = "at, number"
		case k.Name != "machine" && !k.Dated:
			continue
		}
		of, count := map[int64][]schema.Record{}, 0
		err := tables()[k].query(ctx, p.q, p.n, "WHERE number > ? ORDER BY "+order+" LIMIT ?",
			[]any{p.upto[k.Sheet], fewLoose + 1}, func(r schema.Record) error {
				id := p.n.machine[k.Text(r, "machine")]
				of[id] = append(of[id], r)
				count++
				return nil
			})
		if err != nil {
			return err
		}
		if count <= fewLoose {
			p.loose[k.Sheet] = of
		}
	}
	return nil
}

// Sealed is a machine's log in the form that the book stores. Open decodes it,
// which is most of the work, and may be called in any goroutine.
type Sealed struct {
	path  string
	n     *names
	id    int64
	packs map[string][]string        // by sheet
	rows  map[string][]schema.Record // by sheet: the records in no pack
}

// sealed reads a machine's packs and rows.
func (p *packs) sealed(ctx context.Context, name string) (*Sealed, error) {
	s, err := p.packsOf(ctx, name)
	if err != nil {
		return nil, err
	}
	for _, k := range schema.Kinds {
		switch {
		case k.Name == "machine":
			err = p.addRows(ctx, s, k, "number = ?", s.id)
		case k.Name == "answer":
			err = p.addRows(ctx, s, k, "machine = ? ORDER BY at, number", s.id)
		case k.Dated:
			err = p.addLoose(ctx, s, k)
		}
		if err != nil {
			return nil, err
		}
	}
	return s, nil
}

// sealedOf reads a machine's packs and rows of one dated kind.
func (p *packs) sealedOf(ctx context.Context, name string, k *schema.Kind) (*Sealed, error) {
	s, err := p.packsOf(ctx, name, k)
	if err != nil {
		return nil, err
	}
	return s, p.addLoose(ctx, s, k)
}

// addLoose adds a machine's records of a dated kind that are in no pack, or all
// of them if a packed one was changed.
func (p *packs) addLoose(ctx context.Context, s *Sealed, k *schema.Kind) error {
	order := " ORDER BY " + k.TimeColumn() + ", number"
	if p.unpacked[k.Sheet][s.id] {
		rows, err := p.rows(ctx, k, "machine = ?"+order, s.id)
		s.rows[k.Sheet] = rows
		return err
	}
	return p.addRows(ctx, s, k, "machine = ? AND number > ?"+order, s.id, p.upto[k.Sheet])
}

// addRows adds a machine's rows of a kind, unless they were read in advance.
func (p *packs) addRows(ctx context.Context, s *Sealed, k *schema.Kind, where string, args ...any) (err error) {
	if of, ok := p.loose[k.Sheet]; ok {
		s.rows[k.Sheet] = of[s.id]
		return nil
	}
	s.rows[k.Sheet], err = p.rows(ctx, k, where, args...)
	return err
}

// packsOf reads a machine's packs: all, or those of the kinds given.
func (p *packs) packsOf(ctx context.Context, name string, only ...*schema.Kind) (*Sealed, error) {
	id, ok := p.n.machine[name]
	if !ok {
		_, err := p.n.known().Machine(name)
		return nil, err
	}
	s := &Sealed{n: p.n, id: id, packs: map[string][]string{}, rows: map[string][]schema.Record{}}
	where, args := "machine = ?", []any{id}
	for _, k := range only {
		where, args = where+" AND kind = ?", append(args, k.Sheet)
	}
	rows, err := p.q.QueryContext(ctx, "SELECT kind, content FROM packs WHERE "+where+" ORDER BY number", args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var sheet string
		var content sql.RawBytes
		if err := rows.Scan(&sheet, &content); err != nil {
			return nil, err
		}
		if !p.unpacked[sheet][s.id] {
			s.packs[sheet] = append(s.packs[sheet], string(content))
		}
	}
	return s, rows.Err()
}

func (p *packs) rows(ctx context.Context, k *schema.Kind, where string, args ...any) (out []schema.Record, err error) {
	err = tables()[k].query(ctx, p.q, p.n, "WHERE "+where, args, func(r schema.Record) error {
		out = append(out, r)
		return nil
	})
	return out, err
}

// Open decodes the log.
func (s *Sealed) Open() (schema.Log, error) {
	var l schema.Log
	for _, k := range schema.Kinds {
		in := k.In(&l)
		if in == nil {
			for _, r := range s.rows[k.Sheet] {
				l.Add(r) // the machine itself
			}
		} else if len(s.packs[k.Sheet])+len(s.rows[k.Sheet]) > 0 {
			if err := s.fill(in, k); err != nil {
				if s.path != "" { // otherwise the reader of the whole book explains it
					err = explain(s.path, err)
				}
				return l, err
			}
		}
	}
	return l, nil
}

// fill decodes a machine's records of a kind into the log.
func (s *Sealed) fill(in schema.Slot, k *schema.Kind) error {
	size := 0
	for _, c := range s.packs[k.Sheet] {
		size += len(c)
	}
	in.Grow(size/36 + len(s.rows[k.Sheet])) // about the usual size of a packed run, and a little more
	if size > 0 {
		u := tables()[k].unpacker(s.n)
		for _, c := range s.packs[k.Sheet] {
			if err := u.open(c); err != nil {
				return err
			}
			for u.more() {
				if err := u.next(in.New()); err != nil {
					return err
				}
			}
		}
	}
	for _, r := range s.rows[k.Sheet] {
		in.Append(r)
	}
	in.Sort()
	return nil
}

// pack packs the records in no pack once a long sheet has been imported.
func (b *bulk) pack(ctx context.Context) error {
	sheet := b.k.Sheet
	changed, err := numbers(ctx, b.tx, "DELETE FROM unpacked WHERE kind = ? RETURNING machine", sheet)
	if err != nil {
		return err
	}
	for _, id := range changed {
		b.changed[id] = true
	}
	// Machines with changed records are read again.
	for _, id := range slices.Sorted(maps.Keys(b.changed)) {
		if _, err := b.tx.ExecContext(ctx, "DELETE FROM packs WHERE kind = ? AND machine = ?", sheet, id); err != nil {
			return err
		}
		content := beginPack(b.entered.Unix())
		none := len(content)
		err := b.t.query(ctx, b.tx, b.n, "WHERE machine = ? ORDER BY number", []any{id}, func(r schema.Record) error {
			is, err := b.t.encoded(r, b.n)
			if err == nil {
				content, err = appendRecord(content, is, b.k.Meta(r), b.entered.Unix())
			}
			return err
		})
		if err == nil && len(content) > none {
			err = insertPack(ctx, b.tx, sheet, id, content)
		}
		if err != nil {
			return err
		}
	}
	for _, id := range slices.Sorted(maps.Keys(b.shelf.fresh)) {
		if !b.changed[id] {
			if err := insertPack(ctx, b.tx, sheet, id, b.shelf.chunks[b.shelf.fresh[id]].content); err != nil {
				return err
			}
		}
	}
	_, err = b.tx.ExecContext(ctx,
		"INSERT INTO packed (kind, upto) VALUES (?, ?) ON CONFLICT (kind) DO UPDATE SET upto = excluded.upto", sheet,
		b.next-1)
	return err
}

func insertPack(ctx context.Context, q querier, sheet string, machine int64, content []byte) error {
	_, err := q.ExecContext(ctx, "INSERT INTO packs (kind, machine, content) VALUES (?, ?, ?)", sheet, machine,
		sealPack(content))
	return err
}

// numbers reads a column of numbers.
func numbers(ctx context.Context, q querier, query string, args ...any) ([]int64, error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []int64
	for rows.Next() {
		var n int64
		if err := rows.Scan(&n); err != nil {
			return nil, err
		}
		out = append(out, n)
	}
	return out, rows.Err()
}

// packsAreRight checks every pack against its table.
func packsAreRight(ctx context.Context, q querier) (Finding, error) {
	f := Finding{Check: "packs"}
	n, err := readNames(ctx, q)
	if err != nil {
		return f, err
	}
	p, err := openPacks(ctx, q, n)
	if err != nil {
		return f, err
	}
	packs := 0
	for _, name := range n.machines {
		s, err := p.packsOf(ctx, name)
		if err != nil {
			return f, err
		}
		for _, sheet := range sortedKeys(s.packs) {
			k := schema.KindNamed(sheet)
			if k == nil || !k.Dated {
				f.wrong("a pack of %s is of no kind", name)
				continue
			}
			packs += len(s.packs[sheet])
			if err := p.compare(ctx, k, s); err != nil {
				f.wrong("%s of %s: %s", sheet, name, err)
			}
		}
		if ctx.Err() != nil {
			return f, ctx.Err()
		}
	}
	var strays int
	if err := q.QueryRowContext(ctx,
		"SELECT count(*) FROM packs WHERE machine NOT IN (SELECT number FROM machines)").Scan(&strays); err != nil {
		return f, err
	}
	if strays > 0 {
		f.wrong("%d packs are of no machine", strays)
	}
	f.Says = fmt.Sprintf("%d packs of records, against their tables", packs)
	return f, nil
}

// compare checks a machine's packs of a kind against its rows.
func (p *packs) compare(ctx context.Context, k *schema.Kind, s *Sealed) error {
	t := tables()[k]
	rows := map[int64][]byte{}
	read := t.scanner(p.n)
	read.unsummed = true // checksums are checked elsewhere
	err := read.query(ctx, p.q, "WHERE machine = ? AND number <= ?", []any{s.id, p.upto[k.Sheet]},
		func(r schema.Record) error {
			content, err := t.encoded(r, p.n)
			if err == nil {
				content, err = appendRecord(nil, content, k.Meta(r), 0)
			}
			rows[k.Meta(r).Number] = content
			return err
		})
	if err != nil {
		return err
	}
	for _, c := range s.packs[k.Sheet] {
		u := t.unpacker(p.n)
		if err := u.open(c); err != nil {
			return err
		}
		for u.more() {
			r := k.New()
			if err := u.next(r); err != nil {
				return err
			}
			content, err := t.encoded(r, p.n)
			if err == nil {
				content, err = appendRecord(nil, content, k.Meta(r), 0)
			}
			if err != nil {
				return err
			}
			number := k.Meta(r).Number
			if row, ok := rows[number]; !ok || !bytes.Equal(row, content) {
				return fmt.Errorf("record %d differs from what its table says", number)
			}
			delete(rows, number)
		}
	}
	if len(rows) > 0 {
		return fmt.Errorf("record %d is in no pack", slices.Min(slices.Collect(maps.Keys(rows))))
	}
	return nil
}
