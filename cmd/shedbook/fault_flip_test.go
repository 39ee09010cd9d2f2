package main

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A damaged book is no reason to fall over: every verb ends with one of its
// exit codes, and what was refused wrote nothing.
func TestVerbsOnADamagedBook(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	book := yardBook(t, dir)
	for _, words := range []string{
		"log run R4 --hours 1.5 --driver Ada --terrain mud --at 2026-03-01 --note first",
		"log topup R4 150 --at 2026-03-02", "log clean R4 hose --sides both --at 2026-03-03",
		"log overheat R4 --at 2026-03-04",
		"log refill R4 --at 2026-03-05", "log service R4 seal --at 2026-03-06", "plan add oil --machine R4 --every 50h",
		"amend 3 --hours 2 --why misread", "void 4 --why never", "import " + runsSheet(t, dir, "l", 2100),
		"attach 3 ../../testdata/photo/o1.jpg",
	} {
		code, out := inside(book, strings.Fields(words)...)
		require.Zero(t, code, "%s: %s", words, out)
	}
	whole, err := os.ReadFile(book)
	require.NoError(t, err)
	writing := []string{"log run R4 --hours 1", "amend 3 --hours 3 --why again", "import " + runsSheet(t, dir, "m", 20),
		"set units us", "machine add R5"}
	looking := []string{"verify", "fleet", "flags", "coolant", "cleaning", "rates --by terrain", "recurrence", "due",
		"doubts", "history R4", "next R4",
		"show 3", "list runs", "export " + filepath.Join(dir, "out"), "backup " + filepath.Join(dir, "copy.db"),
		"photo 3 --out " + filepath.Join(dir, "photos"),
		"handover R4 --out " + filepath.Join(dir, "R4.book")}
	const size = 8192
	rng := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 6))
	damaged := filepath.Join(dir, "damaged.db")
	pages, refused := len(whole)/size, 0
	step, each := max(pages/20, 1), 3
	if everyFault() {
		step, each = 1, len(writing)+len(looking)
	} else if testing.Short() {
		step = max(pages/6, 1)
	}
	for page := rng.IntN(step); page < pages; page += step {
		bad := append([]byte(nil), whole...)
		at := page*size + rng.IntN(size)
		if rng.IntN(3) > 0 { // the head of a page hurts most
			at = page*size + rng.IntN(64)
		}
		bad[at] ^= byte(1 + rng.IntN(255))
		verbs := append(append([]string{}, writing...), looking...)
		rng.Shuffle(len(verbs), func(i, j int) { verbs[i], verbs[j] = verbs[j], verbs[i] })
		for _, words := range verbs[:each] {
			for _, left := range []string{"out", "copy.db", "photos", "R4.book", "damaged.db-wal", "damaged.db-shm",
				"damaged.db-journal"} {
				require.NoError(t, os.RemoveAll(filepath.Join(dir, left)))
			}
			require.NoError(t, os.WriteFile(damaged, bad, 0o600))
			says := fmt.Sprintf("%s, with byte %d of page %d %#x for %#x", words, at%size, page+1, bad[at], whole[at])
			code, out := insideUnharmed(t, says, damaged, strings.Fields(words)...)
			require.Contains(t, []int{exitDone, exitFailed, exitWords, exitNotFound, exitBadBook}, code, "%s: %s", says,
				out)
			// else what was to be said of it met the damage
			if done := slices.ContainsFunc([]string{"recorded as ", "corrected 3", "rows added"},
				func(s string) bool { return strings.Contains(out, s) }); code != exitDone && !done {
				refused++
				after, err := os.ReadFile(damaged)
				require.NoError(t, err)
				require.True(t, string(after) == string(bad), "%s: it was refused, and yet written (%s)", says, out)
			}
		}
	}
	t.Logf("%d verbs were refused", refused)
}

// insideUnharmed is inside, where a panic is told with what brought it about.
func insideUnharmed(t *testing.T, says, book string, words ...string) (code int, out string) {
	defer func() {
		if p := recover(); p != nil {
			t.Fatalf("%s: panic: %v", says, p)
		}
	}()
	return inside(book, words...)
}
