package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"io"
	"iter"
	"os"
	"path/filepath"
	"time"

	"shedbook/report"
	"shedbook/report/coolant"
	"shedbook/report/flags"
	"shedbook/schema"
	"shedbook/store"
)

// glance is the whole fleet at a glance.
type glance struct {
	Rows  []report.FleetRow
	Flags flags.Result
}

// everything looks at every machine.
func (l *look) everything(s report.Source) (glance, func() []byte, error) {
	var g glance
	var keep func() *flags.Kept
	g.Flags, keep = flags.FindIn(l.fleet, l.at, s.Index, s.Rows(&g.Rows), l.reread)
	l.quote(&g)
	return g, func() []byte { return groundOf(g.Rows, keep()) }, nil
}

// quote lets the flags tell the loss of coolant that the rows do.
func (l *look) quote(g *glance) {
	rows := map[string]*report.FleetRow{}
	for i := range g.Rows {
		rows[g.Rows[i].Machine] = &g.Rows[i]
	}
	g.Flags.Quote(func(machine string) string {
		if row := rows[machine]; row != nil {
			return coolant.LossWords(row.CoolantRate, row.RateSince, l.fleet.Settings.Units())
		}
		return ""
	})
}

// reread reads the logs of some machines once more.
func (l *look) reread(machines ...string) iter.Seq[*schema.Log] {
	return func(yield func(*schema.Log) bool) {
		for sealed, err := range l.book.SealedLogs(l.ctx, machines...) {
			var log schema.Log
			if err == nil {
				log, err = sealed.Open()
			}
			if err != nil {
				l.reading.set(err)
				return
			}
			if !yield(&log) {
				return
			}
		}
	}
}

// groundOf is what further looks can stand on: the rows, and the flags' pass.
func groundOf(rows []report.FleetRow, k *flags.Kept) []byte {
	b, err := json.Marshal(rows)
	if k == nil || err != nil {
		return nil
	}
	return append(append(b, '\n'), k.Bytes()...)
}

// everythingSince looks at the machines written to since a look, and at the rest
// as they were then.
func (l *look) everythingSince(s report.Source, ground []byte, worn bool) (g glance, keep func() []byte, ok bool) {
	head, tail, _ := bytes.Cut(ground, []byte{'\n'})
	var were, are []report.FleetRow
	k, ok := flags.ReadKept(tail)
	if !ok || json.Unmarshal(head, &were) != nil {
		return g, nil, false
	}
	var now *flags.Kept
	var anew bool
	if g.Flags, now, anew, ok = flags.Resume(l.fleet, l.at, s.Index, k, l.known.Machines, s.Rows(&are), l.reread); !ok {
		return g, nil, false
	}
	g.Rows, ok = together(l.known.Machines, were, are, func(r *report.FleetRow) string { return r.Machine })
	l.quote(&g)
	if !anew && !worn {
		return g, nil, ok
	}
	return g, func() []byte { return groundOf(g.Rows, now) }, ok
}

// together puts what was seen of the machines, and what has been since, in the
// fleet's order; not ok where one is in neither.
func together[T any](machines []string, were, are []T, name func(*T) string) (all []T, ok bool) {
	of := map[string]*T{}
	for _, seen := range [][]T{were, are} {
		for i := range seen {
			of[name(&seen[i])] = &seen[i]
		}
	}
	for _, m := range machines {
		if of[m] == nil {
			return nil, false
		}
		all = append(all, *of[m])
	}
	return all, true
}

// glance is everything, or what was kept of it, which lacks the curves of the
// machines that bear no flag.
func (l *look) glance() glance {
	if l.held != nil {
		return *l.held
	}
	g, _ := kept(l, "fleet", "", question[glance]{l.everything, l.everythingSince})
	g.Flags.AsOf = l.at
	return g
}

// question is how something is seen of a fleet: of all its logs, or of those
// written to since and the ground that a look before laid. With the answer comes
// what lays the ground for the next; nil where the old one serves, as long as it
// is not worn.
type question[T any] struct {
	whole func(report.Source) (T, func() []byte, error)
	since func(s report.Source, ground []byte, worn bool) (T, func() []byte, bool)
}

// keepFrom is how long a look must have taken to be worth keeping.
var keepFrom = 500 * time.Millisecond

// kept finds what was seen when the same question was last asked, or sees. To
// see a very large fleet every record is read, which takes seconds. So two things
// are kept, in the user's cache and not in the book (a look writes nothing
// there): what was seen, for as long as nothing is written into the book; and the
// ground to see from, so that after a few records only the machines written to
// are read. Of a verb's questions the last is kept. What is kept may have been
// seen at an earlier time.
func kept[T any](l *look, verb, asked string, q question[T]) (T, error) {
	var k struct {
		Of   string // the book's state, which program saw it, and what was asked
		AsOf time.Time
		// Until is when it ends by itself: what was dated too late to count does from
		// then on. Zero where nothing was.
		Until time.Time
		Seen  T
	}
	file, program := l.keptAs(verb)
	if file == "" {
		seen, _, err := q.whole(l.source())
		return seen, err
	}
	state := l.book.State()
	if state != "" {
		b, whole := readSealed(file)
		if whole && json.Unmarshal(b, &k) == nil && k.Of == state+program+asked && l.holds(k.AsOf, k.Until) {
			return k.Seen, nil
		}
	}
	began := time.Now()
	// Of a moment after that state, as all that is read from here on.
	if err := l.read(l.ctx, l.book); err != nil {
		l.reading.set(err)
		return k.Seen, err
	}
	mark, err := l.book.Mark(l.ctx, l.a.now)
	if err != nil {
		l.reading.set(err)
		return k.Seen, err
	}
	var s report.Source
	var seen T
	var lay func() []byte
	was, written, until, ok := l.ground(file, program)
	if ok {
		s = l.sourceOf(written)
		seen, lay, ok = q.since(s, was, 50*len(written) > len(l.known.Machines))
		ok = ok && l.book.State() == state // else of the machines not read something may have been written meanwhile
	}
	worth := ok
	if !ok {
		until = time.Time{}
		s = l.source()
		seen, lay, err = q.whole(s)
		worth = time.Since(began) >= keepFrom
	}
	if !worth || err != nil || state == "" || l.reading.get() != nil || l.book.State() != state {
		return seen, err // what was written meanwhile would be kept under the state before it
	}
	if later := s.Later.First(); until.IsZero() || !later.IsZero() && later.Before(until) {
		until = later
	}
	k.Of, k.AsOf, k.Until, k.Seen = state+program+asked, l.at, until, seen
	// Where it can't be kept it will be seen anew.
	if os.MkdirAll(filepath.Dir(file), 0o700) == nil {
		if b, err := json.Marshal(&k); err == nil {
			writeSealed(file, b)
		}
		if lay != nil {
			l.lay(file, ground{Program: program, Common: l.common(), Mark: mark, AsOf: l.at, Until: until}, lay())
		}
	}
	return seen, err
}

// keptAs is the file for what a verb saw, and by which program; "" where none is
// kept: as of a time named, the whole would be another.
func (l *look) keptAs(verb string) (file, program string) {
	cache, err := os.UserCacheDir()
	exe, exeErr := os.Executable()
	if err != nil || exeErr != nil || l.asOf != "" {
		return "", ""
	}
	info, err := os.Stat(exe)
	if err != nil {
		return "", ""
	}
	name := sha256.Sum256([]byte(l.book.Path()))
	return filepath.Join(cache, "shedbook", hex.EncodeToString(name[:8])+"."+verb),
		fmt.Sprint(exe, info.Size(), info.ModTime().UnixNano())
}

// ground is of what that which was laid goes.
type ground struct {
	Program string
	Common  string // what is not one machine's
	Mark    store.Mark
	AsOf    time.Time
	Until   time.Time
}

// holds says whether what was seen, or laid, holds at the time asked for.
func (l *look) holds(asOf, until time.Time) bool {
	return !asOf.After(l.at) && (until.IsZero() || l.at.Before(until))
}

// common is what is not one machine's, in short.
func (l *look) common() string {
	b, err := json.Marshal(l.fleet)
	if err != nil {
		return ""
	}
	return fmt.Sprintf("%x", sha256.Sum256(b))
}

// ground reads what was laid, which machines were written to since, and until
// when it holds of the others; not ok where it can't be stood on, or most of the
// fleet would have to be read anyway.
func (l *look) ground(file, program string) (laid []byte, written []string, until time.Time, ok bool) {
	b, whole := readSealed(file + ".ground")
	head, laid, _ := bytes.Cut(b, []byte{'\n'})
	var g ground
	if !whole || json.Unmarshal(head, &g) != nil || g.Program != program || g.Common != l.common() || !l.holds(g.AsOf, g.Until) {
		return nil, nil, until, false
	}
	written, ok, err := l.book.Since(l.ctx, g.Mark)
	return laid, written, g.Until, ok && err == nil && 2*len(written) <= len(l.known.Machines)
}

func (l *look) lay(file string, g ground, laid []byte) {
	head, err := json.Marshal(g)
	if laid == nil || err != nil {
		_ = os.Remove(file + ".ground")
		return
	}
	writeSealed(file+".ground", head, []byte{'\n'}, laid)
}

// writeSealed keeps a file with the checksum of what is in it before it: where a
// bit of it is another by the time it is read, it is as good as not there.
func writeSealed(file string, parts ...[]byte) {
	_ = toFile(file, func(w io.Writer) error {
		sum := crc32.New(castagnoli)
		for _, p := range parts {
			sum.Write(p)
		}
		_, err := fmt.Fprintf(w, "%08x\n", sum.Sum32())
		for _, p := range parts {
			if err == nil {
				_, err = w.Write(p)
			}
		}
		return err
	})
}

func readSealed(file string) (b []byte, whole bool) {
	b, err := os.ReadFile(file)
	sum, b, _ := bytes.Cut(b, []byte{'\n'})
	return b, err == nil && string(sum) == fmt.Sprintf("%08x", crc32.Checksum(b, castagnoli))
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)
