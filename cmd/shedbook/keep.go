package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"io"
	"iter"
	"os"
	"path/filepath"
	"regexp"
	"sync"
	"time"

	"shedbook/report"
	"shedbook/report/coolant"
	"shedbook/report/flags"
	"shedbook/schema"
	"shedbook/store"
)

// overview is what fleet and flags say of the whole fleet.
type overview struct {
	Rows  []report.FleetRow
	Flags flags.Result
}

// everything reads every machine; keep makes what a later request goes on from, beside
// the rows, nil where the log is too short.
func (req *request) everything(s report.Source) (g overview, keep func() *flags.Kept) {
	g.Flags, keep = flags.FindIn(req.fleet, req.at, s.Index, s.Rows(&g.Rows), req.reread)
	req.quote(&g)
	return g, keep
}

// quote lets the flags tell the loss of coolant that the rows do.
func (req *request) quote(g *overview) {
	rows := map[string]*report.FleetRow{}
	for i := range g.Rows {
		rows[g.Rows[i].Machine] = &g.Rows[i]
	}
	g.Flags.Quote(func(machine string) string {
		if row := rows[machine]; row != nil {
			return coolant.LossWords(row.CoolantRate, row.RateSince, req.fleet.Settings.Units())
		}
		return ""
	})
}

// reread reads the logs of some machines once more.
func (req *request) reread(machines ...string) iter.Seq[*schema.Log] {
	return func(yield func(*schema.Log) bool) {
		for sealed, err := range req.book.SealedLogs(req.ctx, machines...) {
			var log schema.Log
			if err == nil {
				log, err = sealed.Open()
			}
			if err != nil {
				req.reading.set(err)
				return
			}
			if !yield(&log) {
				return
			}
		}
	}
}

// baseOf is what a later request goes on from, written down: the rows, and where the
// flags' pass stood; beside it what a flag raised later takes.
func baseOf(rows []report.FleetRow, k *flags.Kept) (base, beside []byte) {
	b, err := json.Marshal(rows)
	if k == nil || err != nil {
		return nil, nil
	}
	return k.Bytes(append(b, '\n')), k.Beside()
}

// overviewWhole and overviewSince are everything and everythingSince where what is gone
// on from is written down.
func (req *request) overviewWhole(s report.Source) (overview, baseMaker, error) {
	g, keep := req.everything(s)
	return g, func() ([]byte, []byte) { return baseOf(g.Rows, keep()) }, nil
}

func (req *request) overviewSince(s report.Source, base keptBase) (overview, baseMaker, bool) {
	head, tail, _ := bytes.Cut(base.b, []byte{'\n'})
	var were []report.FleetRow
	k, ok := flags.ReadKept(tail, base.beside)
	if !ok || json.Unmarshal(head, &were) != nil {
		return overview{}, nil, false
	}
	g, now, worn, ok := req.everythingSince(s, were, k)
	if !worn && !base.worn {
		return g, nil, ok
	}
	return g, func() ([]byte, []byte) { return baseOf(g.Rows, now) }, ok
}

// everythingSince is everything from what was kept, with s the machines written to since.
func (req *request) everythingSince(s report.Source, were []report.FleetRow, k *flags.Kept) (g overview,
	now *flags.Kept, worn, ok bool) {
	var are []report.FleetRow
	if g.Flags, now, worn, ok = flags.Resume(req.fleet, req.at, s.Index, k, req.known.Machines, s.Rows(&are),
		req.reread); !ok {
		return g, nil, false, false
	}
	g.Rows, ok = together(req.known.Machines, were, are, func(r *report.FleetRow) string { return r.Machine })
	req.quote(&g)
	return g, now, worn, ok
}

// together merges what was known of the machines with what is known anew, in the
// fleet's order. It is not ok where a machine is in neither.
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

// overview is everything, or what was kept of it, without the curves of the
// machines that bear no flag.
func (req *request) overview() overview {
	if req.held != nil {
		return *req.held
	}
	g, _ := kept(req, "fleet", "", question[overview]{req.overviewWhole, req.overviewSince})
	g.Flags.AsOf = req.at
	return g
}

// question is how something is worked out for a fleet: from all its logs, or from a
// base that was kept and the logs of the machines written to since. With the
// answer comes what makes the next base, nil where the old one serves on. since is not
// ok where all must be read.
type question[T any] struct {
	whole func(report.Source) (T, baseMaker, error)
	since func(s report.Source, base keptBase) (T, baseMaker, bool)
}

// keptBase is a base that was kept, what is beside it, and whether so many machines were
// written to since that the next is to be kept.
type keptBase struct {
	b      []byte
	beside func() []byte
	worn   bool
}

// baseMaker makes a base and, beside it, what only a question about one machine
// takes; nil where there is no such thing, or what was kept with the last base goes
// with this one, too.
type baseMaker func() (base, beside []byte)

// keepFrom is how long an answer must have taken to be worth keeping.
var keepFrom = 500 * time.Millisecond

// header says what something kept was made of, and until when it holds.
type header struct {
	Asked  string `json:",omitempty"` // of an answer: its change of the book, and the question
	Common string `json:",omitempty"` // of a base: the digest of what is no machine's
	State  store.State
	Made   store.Change // of a base and what is beside it: by which they know each other
	AsOf   time.Time
	// Until is when it ends by itself: what was dated too late to count does from
	// then on. Zero where nothing was.
	Until time.Time
}

// holds reports whether what was kept holds at the time asked for.
func (h *header) holds(at time.Time) bool {
	return !h.AsOf.After(at) && (h.Until.IsZero() || at.Before(h.Until))
}

// kept answers a question from what was kept of it, or works it out. To answer for
// a very large fleet every record is read, which takes seconds. So two things are
// kept, in the user's cache and not in the book (a report writes nothing there):
// the answer, which holds until the book's next change; and a base, from which
// after a few records only the machines written to are read. Of a verb's questions
// the last is kept.
func kept[T any](req *request, verb, asked string, q question[T]) (T, error) {
	file := req.keptAs(verb)
	if file == "" {
		seen, _, err := q.whole(req.source())
		return seen, err
	}
	asked = fmt.Sprint(req.change, " ", asked)
	h, b, ok := readKept(file)
	var seen T
	if ok && h.Asked == asked && h.holds(req.at) && json.Unmarshal(b, &seen) == nil {
		return seen, nil
	}
	began := time.Now()
	now, err := req.book.State(req.ctx)
	if err != nil {
		return seen, err
	}
	var s report.Source
	var base baseMaker
	h, b, written, ok := req.base(file, now)
	if ok {
		s = req.sourceOf(written)
		beside := func() []byte { return readBeside(file, &h) }
		seen, base, ok = q.since(s, keptBase{b, beside, 50*len(written) > len(req.known.Machines)})
		ok = ok && req.still(now) // else a machine that was not read may have been written to
	}
	worth := ok
	if !ok {
		h.Until = time.Time{}
		s = req.source()
		seen, base, err = q.whole(s)
		worth = time.Since(began) >= keepFrom
	}
	if !worth || err != nil || !req.still(now) {
		return seen, err // what was written meanwhile would be kept under the state before it
	}
	if later := s.Later.First(); h.Until.IsZero() || !later.IsZero() && later.Before(h.Until) {
		h.Until = later
	}
	h.AsOf, h.State = req.at, store.State{}
	// Where it can't be kept it will be worked out anew.
	h.Asked, h.Common = asked, ""
	if b, err = json.Marshal(seen); err == nil && os.MkdirAll(filepath.Dir(file), 0o700) == nil {
		writeKept(file, h, b)
		if base != nil {
			b, beside := base()
			h.Asked, h.Common, h.State = "", req.common(), now
			if beside != nil {
				h.Made = now.Change
				writeKept(file+".beside", header{Made: h.Made}, beside)
			}
			writeKept(file+".base", h, b)
		}
		clearKept(filepath.Dir(file), filepath.Base(file))
	}
	return seen, nil
}

// base reads what can be gone on from, and which machines were written to since. It
// is not ok where there is nothing, it no longer holds, or most would be read anyway.
func (req *request) base(file string, now store.State) (h header, b []byte, written []string, ok bool) {
	h, b, ok = readKept(file + ".base")
	written, same := now.Since(h.State)
	return h, b, written, ok && same && h.Common == req.common() && h.holds(req.at) &&
		2*len(written) <= len(req.known.Machines)
}

// still reports whether nothing was written since the request began, and all that
// was asked for could be read.
func (req *request) still(now store.State) bool {
	c, err := req.book.Change(req.ctx)
	return err == nil && c == req.change && c == now.Change && req.reading.get() == nil
}

// curve is the whole curve of a machine that bears no flag, out of what overview
// kept; not ok where it has to be worked out anew.
func (req *request) curve(machine string) (curve []flags.Point, ok bool) {
	file := req.keptAs("fleet")
	now, err := req.book.State(req.ctx)
	if file == "" || err != nil {
		return nil, false
	}
	h, b, written, ok := req.base(file, now)
	if !ok {
		return nil, false
	}
	_, b, _ = bytes.Cut(b, []byte{'\n'})
	k, ok := flags.ReadKept(b, func() []byte { return readBeside(file, &h) })
	if !ok {
		return nil, false
	}
	s := req.sourceOf(written)
	curve, ok = flags.Curve(req.fleet, req.at, s.Index, k, req.known.Machines, s.Lives, machine)
	return curve, ok && req.still(now)
}

// keptAs is the file for a verb's answer, named by the program and the book, since
// no program reads what another kept; "" where none is kept: as of a time named,
// the whole would be another.
func (req *request) keptAs(verb string) string {
	cache, err := os.UserCacheDir()
	program := programID()
	if err != nil || program == "" || req.asOf != "" {
		return ""
	}
	book := sha256.Sum256([]byte(req.book.Path()))
	return filepath.Join(cache, "shedbook", fmt.Sprintf("%s-%x.%s", program, book[:8], verb))
}

// keptName is what a kept file of this or an earlier program is called.
var keptName = regexp.MustCompile(`^([0-9a-f]{16}-)?[0-9a-f]{16}\.(fleet|rates|coolant|cleaning|next)(\.[a-z]+)?$`)

// keptDays is how long a kept answer is left where nobody asks again.
const keptDays = 90

// clearKept takes away what other programs kept, and what has not been written
// for a long time.
func clearKept(dir, file string) {
	entries, _ := os.ReadDir(dir)
	for _, e := range entries {
		info, err := e.Info()
		if err != nil || !keptName.MatchString(e.Name()) {
			continue
		}
		if e.Name()[:17] != file[:17] || time.Since(info.ModTime()) > keptDays*24*time.Hour {
			_ = os.Remove(filepath.Join(dir, e.Name()))
		}
	}
}

// programID tells this program from any other by its content: by the build ID that
// the linker made of it or, in a program without one, by its digest. It is ""
// where the program can't read itself.
var programID = sync.OnceValue(func() string {
	exe, err := os.Executable()
	if err != nil {
		return ""
	}
	f, err := os.Open(exe)
	if err != nil {
		return ""
	}
	defer f.Close()
	return identityOf(f)
})

// goNote begins the note in which a program has its build ID, behind the lengths of
// its name and of the ID (ELF, notes; type 4 and the name are the Go linker's).
var goNote = []byte("\x04\x00\x00\x00Go\x00\x00")

func identityOf(program io.Reader) string {
	start := make([]byte, 64<<10)
	n, _ := io.ReadFull(program, start)
	start = start[:n]
	digest := sha256.New()
	if at := bytes.Index(start, goNote); at >= 8 {
		id := start[at+len(goNote):]
		if size := binary.LittleEndian.Uint32(start[at-4:]); size > 0 && int(size) <= len(id) {
			digest.Write(id[:size])
			return fmt.Sprintf("%x", digest.Sum(nil)[:8])
		}
	}
	digest.Write(start)
	if _, err := io.Copy(digest, program); err != nil {
		return ""
	}
	return fmt.Sprintf("%x", digest.Sum(nil)[:8])
}

// common is a digest of what is no machine's.
func (req *request) common() string {
	b, err := json.Marshal(req.fleet)
	if err != nil {
		return ""
	}
	return fmt.Sprintf("%x", sha256.Sum256(b))
}

// writeKept writes a header, a line, and what it is of to a file, with the checksum
// of both before them: where a bit is another by the time it is read, it is as
// good as not there. Nothing is kept of nil.
func writeKept(file string, h header, b []byte) {
	head, err := json.Marshal(h)
	if b == nil || err != nil {
		_ = os.Remove(file)
		return
	}
	head = append(head, '\n')
	_ = toFile(file, func(w io.Writer) error {
		sum := crc32.Update(crc32.Checksum(head, castagnoli), castagnoli, b)
		_, err := fmt.Fprintf(w, "%08x\n%s%s", sum, head, b)
		return err
	})
}

// readKept reads what writeKept wrote.
func readKept(file string) (h header, b []byte, ok bool) {
	b, err := os.ReadFile(file)
	sum, b, _ := bytes.Cut(b, []byte{'\n'})
	if err != nil || string(sum) != fmt.Sprintf("%08x", crc32.Checksum(b, castagnoli)) {
		return h, nil, false
	}
	head, b, _ := bytes.Cut(b, []byte{'\n'})
	return h, b, json.Unmarshal(head, &h) == nil
}

// readBeside reads what is beside a base; nil where there is nothing.
func readBeside(file string, base *header) []byte {
	h, b, ok := readKept(file + ".beside")
	if !ok || h.Made != base.Made {
		return nil
	}
	return b
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)
