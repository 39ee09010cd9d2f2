package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/store"
)

// A power cut is played out on paper: strace writes down what the program asks
// of the book's files; from that, a disk is made as a cut at any moment may
// leave it. What was synced is there. Of what was not, each write may be there,
// or not, or sector by sector in part, whatever came after it; of files made
// and removed, those up to some moment since there is no directory was last synced.

// disk is what stands on it for certain, and what may.
type disk struct {
	names   map[string]*inode // as the program sees them
	durable map[string]*inode // as they stand for certain
	changes []change          // of names, since there is no directory was synced
}

type change struct {
	path string
	is   *inode // nil: removed
}

type inode struct {
	synced  []byte
	pending []write
}

// write is bytes at a place, or, with none, the end of the file moved there.
type write struct {
	at   int
	data []byte
}

const sector = 512

func (w write) on(content []byte, kept func() bool) []byte {
	if w.data == nil {
		return slices.Concat(content[:min(w.at, len(content))], make([]byte, max(w.at-len(content), 0)))
	}
	for from := 0; from < len(w.data); {
		to := min(from+sector-(w.at+from)%sector, len(w.data))
		if kept() {
			content = slices.Concat(content, make([]byte, max(w.at+to-len(content), 0)))
			copy(content[w.at+from:], w.data[from:to])
		}
		from = to
	}
	return content
}

func always() bool { return true }

// cut is the disk after a power cut: its files by their names.
func (d *disk) cut(rng *rand.Rand) map[string][]byte {
	names := map[string]*inode{}
	for path, n := range d.durable {
		names[path] = n
	}
	for _, c := range d.changes[:rng.IntN(len(d.changes)+1)] {
		if names[c.path] = c.is; c.is == nil {
			delete(names, c.path)
		}
	}
	how := rng.IntN(4) // nothing of what was not synced, all of it, some, some in part
	out := map[string][]byte{}
	for path, n := range names {
		content := slices.Clone(n.synced)
		for _, w := range n.pending {
			switch kept := rng.IntN(2) == 0; {
			case how == 1, how == 2 && kept:
				content = w.on(content, always)
			case how == 3:
				content = w.on(content, func() bool { return rng.IntN(2) == 0 })
			}
		}
		out[path] = content
	}
	return out
}

// do plays one call on the disk.
func (d *disk) do(c call) {
	n := d.names[c.path]
	switch {
	case strings.HasPrefix(c.name, "open"):
		if n == nil {
			n = &inode{}
			d.names[c.path] = n
			d.changes = append(d.changes, change{c.path, n})
		}
	case n == nil && !strings.Contains(c.name, "sync"):
	case c.name == "pwrite64":
		n.pending = append(n.pending, write{c.at, c.data})
	case c.name == "ftruncate":
		n.pending = append(n.pending, write{c.at, nil})
	case strings.HasPrefix(c.name, "unlink"):
		delete(d.names, c.path)
		d.changes = append(d.changes, change{c.path, nil})
	case n != nil: // a file is synced
		for _, w := range n.pending {
			n.synced = w.on(n.synced, always)
		}
		n.pending = nil
	default: // there is no directory is
		for _, c := range d.changes {
			if d.durable[c.path] = c.is; c.is == nil {
				delete(d.durable, c.path)
			}
		}
		d.changes = nil
	}
}

type call struct {
	name, path string
	at         int
	data       []byte
}

var (
	callLine  = regexp.MustCompile(`^(\d+) +(\w+)\((.*)$`)
	resumed   = regexp.MustCompile(`^(\d+) +<\.\.\. (\w+) resumed>(.*)$`)
	firstPath = regexp.MustCompile(`^\d+<([^>]*)>`)
	text      = regexp.MustCompile(`"((?:\\x[0-9a-f]{2})*)"`)
	result    = regexp.MustCompile(`\) += (-?\d+)`)
	creates   = "O_CREAT"
)

func unhex(t *testing.T, s string) []byte {
	out := make([]byte, len(s)/4)
	for i := range out {
		b, err := strconv.ParseUint(s[4*i+2:4*i+4], 16, 8)
		require.NoError(t, err)
		out[i] = byte(b)
	}
	return out
}

// calls reads what strace wrote.
func calls(t *testing.T, trace string) []call {
	t.Helper()
	begun := map[string]string{} // by process: a call that is not done yet
	var out []call
	for _, line := range strings.Split(trace, "\n") {
		if m := resumed.FindStringSubmatch(line); m != nil {
			line = begun[m[1]] + m[3]
			delete(begun, m[1])
		}
		m := callLine.FindStringSubmatch(line)
		if m == nil {
			continue
		}
		if head, ok := strings.CutSuffix(line, "<unfinished ...>"); ok {
			begun[m[1]] = strings.TrimSuffix(head, " ")
			continue
		}
		c, args := call{name: m[2]}, m[3]
		ends := result.FindStringSubmatch(args)
		require.NotNil(t, ends, line[:min(200, len(line))])
		if strings.HasPrefix(ends[1], "-") {
			continue // it failed, and did nothing
		}
		if p := firstPath.FindStringSubmatch(args); p != nil && !strings.HasPrefix(c.name, "open") &&
			!strings.HasPrefix(c.name, "unlink") {
			c.path = string(unhex(t, p[1]))
		} else {
			texts := text.FindStringSubmatch(args)
			require.NotNil(t, texts, line)
			c.path = string(unhex(t, texts[1]))
		}
		switch c.name {
		case "open", "openat":
			if !strings.Contains(args, creates) {
				continue
			}
		case "pwrite64":
			c.data = unhex(t, text.FindStringSubmatch(args)[1])
			at, err := strconv.Atoi(regexp.MustCompile(`, (\d+)\) +=`).FindStringSubmatch(args)[1])
			require.NoError(t, err)
			n, err := strconv.Atoi(ends[1])
			require.NoError(t, err)
			require.Len(t, c.data, n)
			c.at = at
		case "ftruncate":
			var err error
			c.at, err = strconv.Atoi(regexp.MustCompile(`, (\d+)\) +=`).FindStringSubmatch(args)[1])
			require.NoError(t, err)
		}
		out = append(out, c)
	}
	require.Empty(t, begun)
	return out
}

// What ended with exit code 0 survives a power cut at any moment after it, and
// nothing is half in.
func TestPowerCut(t *testing.T) {
	t.Parallel()
	yard := filepath.Join(t.TempDir(), "yard")
	require.NoError(t, os.Mkdir(yard, 0o700))
	book := filepath.Join(yard, "shedbook.db")
	wal, journal := book+"-wal", book+"-journal"
	photo, err := filepath.Abs("../../testdata/photo/o1.jpg")
	require.NoError(t, err)
	rows := 2100
	if testing.Short() {
		rows = 150
	}
	dir := t.TempDir()
	short, long := filepath.Join(dir, "short"), filepath.Join(dir, "long")
	for _, d := range []string{short, long} {
		require.NoError(t, os.Mkdir(d, 0o700))
	}
	deeds := [][]string{
		{"init", "--time-zone", "UTC"}, {"machine", "add", "R4"},
		{"log", "run", "R4", "--hours", "1", "--at", "2026-03-01"},
		{"import", runsSheet(t, short, "s", 60)}, {"amend", "2", "--hours", "2", "--why", "misread"},
		{"import", runsSheet(t, long, "l", rows)}, {"log", "topup", "R4", "150"}, {"attach", "1", photo},
		{"void", "2", "--why", "never"},
		{"log", "run", "R4", "--hours", "1", "--at", "2026-03-02"},
	}
	var happened []call
	var held *store.Book
	var ends []int         // of each deed, in calls
	states := []string{""} // what the book tells before the first deed and after each
	for _, words := range deeds {
		code, out, trace := traced(t, book, program(book, words...), "-y", "-xx", "-s", "100000000", "-P", yard, "-e",
			"trace=open,openat,pwrite64,fsync,fdatasync,ftruncate,unlink,unlinkat")
		require.Zero(t, code, out)
		for _, c := range calls(t, trace) {
			if slices.Contains([]string{yard, book, wal, journal}, c.path) {
				happened = append(happened, c)
			}
		}
		ends = append(ends, len(happened))
		// Another program has the book open all the while, so that none is the
		// last to close it, which would sync everything once more. (Its locks are
		// this process's, so that the book is read as a copy.)
		if held == nil {
			var err error
			held, err = store.View(context.Background(), book)
			require.NoError(t, err)
			defer held.Close()
		}
		aside := filepath.Join(t.TempDir(), "copy.db")
		for _, more := range []string{"", "-wal"} {
			if data, err := os.ReadFile(book + more); err == nil {
				require.NoError(t, os.WriteFile(aside+more, data, 0o600))
			}
		}
		states = append(states, all(t, aside))
	}
	syncs := 0
	for _, c := range happened {
		if strings.Contains(c.name, "sync") {
			syncs++
		}
	}
	require.Greater(t, syncs, 2*len(deeds))

	cuts := faults(t, 30, 60)
	seed := uint64(time.Now().UnixNano())
	rng := rand.New(rand.NewPCG(seed, 2))
	moments := make([]int, cuts)
	for i := range moments {
		// Half of them in the calls of short deeds, which are few.
		if d := rng.IntN(len(deeds)); i%2 == 0 {
			from := 0
			if d > 0 {
				from = ends[d-1]
			}
			moments[i] = from + rng.IntN(ends[d]-from+1)
		} else {
			moments[i] = rng.IntN(len(happened) + 1)
		}
	}
	slices.Sort(moments)
	d := &disk{names: map[string]*inode{}, durable: map[string]*inode{}}
	at, lost, there := 0, 0, 0
	again := filepath.Join(t.TempDir(), "again")
	for _, m := range moments {
		for ; at < m; at++ {
			d.do(happened[at])
		}
		deed := 0 // how many were done
		for deed < len(ends) && ends[deed] <= m {
			deed++
		}
		require.NoError(t, os.RemoveAll(again))
		require.NoError(t, os.Mkdir(again, 0o700))
		left := ""
		for path, content := range d.cut(rng) {
			left += fmt.Sprintf(" %s %d", filepath.Base(path), len(content))
			require.NoError(t, os.WriteFile(filepath.Join(again, filepath.Base(path)), content, 0o600))
		}
		says := fmt.Sprintf("cut after call %d of %d, with %d deeds done (seed %d; left:%s)", m, len(happened), deed,
			seed, left)
		is := afterwards(t, filepath.Join(again, "shedbook.db"), deed == 0, says)
		switch {
		case deed == 0: // while the book was made there is nothing to lose
		case is == states[deed]:
			lost++
		case deed < len(deeds) && is == states[deed+1]:
			there++
		default:
			t.Fatalf("%s: the book tells neither what it told before nor after", says)
		}
	}
	t.Logf("%d calls, %d syncs; %d cuts: %d left what was done, %d also what was under way", len(happened), syncs, cuts,
		lost, there)
}

// afterwards opens the book after a cut, and is all it tells. While it was made,
// it may be anything that can be made again.
func afterwards(t *testing.T, book string, made bool, says string) string {
	t.Helper()
	ctx := context.Background()
	open := store.Open
	if made {
		open = store.Create
	}
	b, err := open(ctx, book, func() time.Time { return time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC) })
	require.NoError(t, err, says)
	found, err := b.Verify(ctx)
	require.NoError(t, err, says)
	for _, f := range found {
		require.Empty(t, f.Wrong, says)
	}
	require.NoError(t, b.Close())
	if made {
		return ""
	}
	return all(t, book)
}
