package main

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Killed at any moment, while records are made and a sheet is taken in at once:
// what ended with exit code 0 is there, no sheet is half there, and the book is
// sound.
func TestKilled(t *testing.T) {
	t.Parallel()
	kills := faults(t, 10, 50)
	rng := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 1))
	var struck, acknowledged, unacknowledged int
	var book, dir string
	said := map[string]int{} // by note: how many records were acknowledged under it
	// How long each takes here, unhindered: the moments lie within two and a half times that,
	// so that some of them live.
	trial := yardBook(t, t.TempDir())
	taken := func(args ...string) time.Duration {
		begin := time.Now()
		must(t, program(trial, args...))
		return 5 * time.Since(begin) / 2
	}
	forRecord := taken("log", "run", "R4", "--hours", "1")
	forSheet := map[int]time.Duration{}
	for _, rows := range []int{200, 2500} {
		forSheet[rows] = taken("import", runsSheet(t, t.TempDir(), fmt.Sprint(rows), rows))
	}
	for round := 0; struck < kills; round++ {
		if round%10 == 0 { // another book, so that looking through it stays short
			dir = t.TempDir()
			book = filepath.Join(dir, "shedbook.db")
			said = map[string]int{}
			// It may be killed while the book is made, too.
			if kill(t, book, time.Duration(rng.Int64N(int64(forRecord))), "init", "--time-zone", "UTC") {
				struck++
			}
			code, out := done(t, program(book, "machine", "add", "R4"))
			require.Zero(t, code, "after a kill while the book was made: %s", out)
			must(t, program(book, "driver", "add", "Ada"))
		}
		// Every fourth sheet is a long one, which goes in another way.
		rows := 200
		if round%4 == 3 {
			rows = 2500
		}
		var wg sync.WaitGroup
		var mu sync.Mutex
		start := func(name string, records int, within time.Duration, args ...string) {
			moment := time.Duration(rng.Int64N(int64(within)))
			wg.Go(func() {
				killed, well := killAfter(book, moment, args...)
				mu.Lock()
				defer mu.Unlock()
				if killed {
					struck++
				}
				if well {
					said[name] = records
					acknowledged++
				}
			})
		}
		sheet := fmt.Sprintf("sheet%d", round)
		start(sheet, rows, forSheet[rows], "import", runsSheet(t, dir, sheet, rows))
		for i := range 3 {
			note := fmt.Sprintf("hand%d.%d", round, i)
			at := time.Date(2026, 3, 1, i, round, 0, 0, time.UTC).Format(time.RFC3339)
			start(note, 1, forRecord+forSheet[rows]/2, "log", "run", "R4", "--hours", "1", "--at", at, "--note", note)
		}
		wg.Wait()

		sound(t, book)
		runs := mustSheets(t, book)["runs"]
		got := map[string]int{}
		for _, line := range strings.Split(strings.TrimSpace(runs), "\r\n")[1:] {
			got[line[strings.LastIndex(line, ",")+1:]]++
		}
		for name, n := range said {
			require.Equal(t, n, got[name], "%s was acknowledged", name)
		}
		for name, n := range got {
			if said[name] == 0 {
				unacknowledged++
				said[name] = n // it is there now, and has to stay
			}
			if strings.HasPrefix(name, "sheet") {
				require.Contains(t, []int{200, 2500}, n, "%s is half in", name)
			} else {
				require.Equal(t, 1, n, name)
			}
		}
	}
	t.Logf("killed %d times: %d acknowledged, %d there without that", struck, acknowledged, unacknowledged)
	require.NotZero(t, acknowledged, "some were let live")
}

// killAfter runs the program and kills it after a while, unless it ended
// before; it says whether it was killed, and whether it ended well.
func killAfter(book string, after time.Duration, args ...string) (killed, well bool) {
	cmd := program(book, args...)
	if err := cmd.Start(); err != nil {
		panic(err)
	}
	timer := time.AfterFunc(after, func() { _ = cmd.Process.Signal(os.Kill) })
	err := cmd.Wait()
	timer.Stop()
	return cmd.ProcessState.ExitCode() == -1, err == nil
}

func kill(t *testing.T, book string, after time.Duration, args ...string) bool {
	t.Helper()
	killed, well := killAfter(book, after, args...)
	require.True(t, killed || well, "%v", args)
	return killed
}
