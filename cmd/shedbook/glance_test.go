package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Whatever is written, by whichever verb and however late, what is kept of a
// glance is never shown beyond it: every look equals one that had nothing kept.
func TestAKeptGlanceEqualsALook(t *testing.T) {
	was := keepFrom
	keepFrom = 0
	t.Cleanup(func() { keepFrom = was })
	dir := t.TempDir()
	book := filepath.Join(dir, "yard.db")
	require.NoError(t, fillDemo(context.Background(), book, system()))
	now := demoEnd
	do := func(args ...string) (string, int) {
		var out, errOut bytes.Buffer
		a := &app{in: strings.NewReader(""), out: &out, errOut: &errOut, now: now, width: 80, getenv: func(string) string { return "" }}
		code := run(context.Background(), a, append([]string{"--book", book}, args...))
		return out.String() + errOut.String(), code
	}
	// A state is told a twentieth of a second after a write; here the disk's clock is set on.
	tick := time.Now().Add(-time.Hour)
	age := func() {
		tick = tick.Add(time.Second)
		for _, name := range []string{book, book + "-wal"} {
			if _, err := os.Stat(name); err == nil {
				require.NoError(t, os.Chtimes(name, tick, tick))
			}
		}
	}
	look := func(cache string) string {
		t.Setenv("XDG_CACHE_HOME", cache)
		var all strings.Builder
		for _, words := range []string{"fleet", "fleet --json", "fleet --csv", "flags", "flags --json",
			"rates --by driver --adjust speed,terrain", "rates --by driver --adjust speed,terrain --json", "rates --by terrain --json", "rates --by terrain", "rates --by model --json", "coolant", "coolant --json", "coolant --csv"} {
			if cache == "" {
				t.Setenv("XDG_CACHE_HOME", t.TempDir()) // nothing kept of the question before either
			}
			out, code := do(strings.Fields(words)...)
			require.Zero(t, code, out)
			all.WriteString(out)
		}
		return all.String()
	}
	kept := func() []string {
		files, err := filepath.Glob(filepath.Join(dir, "kept", "shedbook", "*"))
		require.NoError(t, err)
		return files
	}
	same := func(what string) {
		age()
		look(filepath.Join(dir, "kept")) // keeps it
		now = now.Add(time.Hour)
		fresh := look("")
		require.Equal(t, fresh, look(filepath.Join(dir, "kept")), "after %s", what)
	}
	for i, m := range []string{"B2", "B5", "W1", "W3"} { // models beside the two there are
		_, code := do("machine", "set", m, "--model", fmt.Sprint("Model ", i%3), "--why", "as the plate says")
		require.Zero(t, code)
	}
	same("nothing")
	require.Len(t, kept(), 6) // coolant, fleet and rates, and the ground of each

	// It is what is shown, as long as nothing is written.
	var g struct {
		Of   string
		AsOf time.Time
		Seen glance
	}
	b, err := os.ReadFile(kept()[2])
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(b, &g))
	g.Seen.Rows[0].Model = "marked"
	b, err = json.Marshal(g)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(kept()[2], b, 0o600))
	out, _ := do("fleet", "--json")
	require.Contains(t, out, "marked")
	// As of a time named, the book itself is read.
	out, _ = do("fleet", "--json", "--as-of", now.Format(time.RFC3339))
	require.NotContains(t, out, "marked")

	rng := rand.New(rand.NewPCG(7, 25))
	machines := []string{"B1", "B3", "B6", "W2"}
	for i := range 16 {
		m := machines[rng.IntN(len(machines))]
		days := 20 // of every four two are so late that all must be read
		if i%4 > 1 {
			days = 200
		}
		at := now.Add(-time.Duration(rng.IntN(days*24)) * time.Hour).Format(time.RFC3339)
		number := fmt.Sprint(50 + rng.IntN(800))
		args := [][]string{
			{"log", "run", m, "--hours", "1.5", "--at", at, "--terrain", "mud"},
			{"log", "overheat", m, "--sign", "lamp", "--at", at},
			{"log", "topup", m, "250ml", "--at", at},
			{"log", "clean", m, "--method", "air", "--sides", "both", "--at", at},
			{"amend", number, "--note", "looked up again", "--why", "misread"},
			{"void", number, "--why", "typed twice"},
			{"machine", "retire", m, "--at", now.Add(30 * time.Minute).Format(time.RFC3339)}, // between two looks
			{"log", "topup", m, "900ml", "--at", now.Add(45 * time.Minute).Format(time.RFC3339)},
		}[i%8]
		out, code := do(args...)
		if code != 0 { // as for a record that is voided already
			t.Logf("%v: %s", args, out)
		}
		same(strings.Join(args, " "))
	}
	out, _ = do("fleet", "--json")
	require.NotContains(t, out, "marked")
}

// After a record of one machine the others are not read again: what was kept of
// them is what is shown. Ground that is torn or of another program is not stood
// on, nor is that of which most was written to since.
func TestALookStandsOnTheLastOnesGround(t *testing.T) {
	was := keepFrom
	keepFrom = 0
	t.Cleanup(func() { keepFrom = was })
	dir := t.TempDir()
	t.Setenv("XDG_CACHE_HOME", dir)
	book := filepath.Join(dir, "yard.db")
	require.NoError(t, fillDemo(context.Background(), book, system()))
	do := func(args ...string) string {
		var out bytes.Buffer
		a := &app{in: strings.NewReader(""), out: &out, errOut: &out, now: demoEnd, width: 80, getenv: func(string) string { return "" }}
		require.Zero(t, run(context.Background(), a, append([]string{"--book", book}, args...)), out.String())
		old := time.Now().Add(-time.Minute)
		require.NoError(t, os.Chtimes(book, old, old))
		return out.String()
	}
	do("list", "machine")
	n := 0
	record := func(machine string) {
		n++
		do("log", "run", machine, "--hours", "1.5", "--at", demoEnd.Add(-time.Duration(n)*3*time.Hour).Format(time.RFC3339))
	}
	do("fleet")
	files, err := filepath.Glob(filepath.Join(dir, "shedbook", "*.fleet.ground"))
	require.NoError(t, err)
	require.Len(t, files, 1)
	change := func(alter func(*ground)) {
		b, err := os.ReadFile(files[0])
		require.NoError(t, err)
		head, laid, _ := bytes.Cut(b, []byte{'\n'})
		var g ground
		require.NoError(t, json.Unmarshal(head, &g))
		laid = bytes.Replace(laid, []byte(`"machine":"W2","model":"Wren 5"`), []byte(`"machine":"W2","model":"Elsewhere"`), 1)
		g.Sum = crc(laid)
		alter(&g)
		head, err = json.Marshal(g)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(files[0], append(append(head, '\n'), laid...), 0o600))
	}
	change(func(*ground) {})
	record("B1")
	require.Contains(t, do("fleet", "--json"), "Elsewhere", "the other machines are read again")
	do("machine", "set", "B2", "--note", "painted", "--why", "it was")
	require.Contains(t, do("fleet", "--json"), "Elsewhere", "the other machines are read again")
	record("W2")
	require.NotContains(t, do("fleet", "--json"), "Elsewhere")
	for what, alter := range map[string]func(*ground){
		"torn":               func(g *ground) { g.Sum++ },
		"of another program": func(g *ground) { g.Program += "2" },
		"of other drivers":   func(g *ground) { g.Common = "" },
		"from later":         func(g *ground) { g.AsOf = demoEnd.Add(time.Hour) },
		"of another book":    func(g *ground) { l := g.Mark.Last["runs"]; l.Sum++; g.Mark.Last["runs"] = l },
	} {
		change(alter)
		record("B1")
		require.NotContains(t, do("fleet", "--json"), "Elsewhere", what)
	}
	change(func(*ground) {})
	for _, m := range []string{"B1", "B2", "B3", "B4", "B5", "B6", "W1"} {
		record(m)
	}
	require.NotContains(t, do("fleet", "--json"), "Elsewhere", "most of the fleet was written to")
}

// The last record voided, the log ends before the week that was kept.
func TestALookAfterTheLastRunIsVoided(t *testing.T) {
	was := keepFrom
	keepFrom = 0
	t.Cleanup(func() { keepFrom = was })
	dir := t.TempDir()
	book := filepath.Join(dir, "yard.db")
	require.NoError(t, fillDemo(context.Background(), book, system()))
	tick := time.Now().Add(-time.Hour)
	now := demoEnd.AddDate(0, 0, 70)
	do := func(args ...string) string {
		now, tick = now.Add(time.Hour), tick.Add(time.Second)
		require.NoError(t, os.Chtimes(book, tick, tick))
		var out bytes.Buffer
		a := &app{in: strings.NewReader(""), out: &out, errOut: &out, now: now, width: 80, getenv: func(string) string { return "" }}
		require.Zero(t, run(context.Background(), a, append([]string{"--book", book}, args...)), out.String())
		return out.String()
	}
	out := do("log", "run", "B1", "--hours", "2", "--at", now.Add(-5*time.Hour).Format(time.RFC3339))
	t.Setenv("XDG_CACHE_HOME", dir)
	do("flags", "--json")
	do("void", strings.TrimSuffix(strings.Fields(out)[2], ":"), "--why", "typed into the wrong year")
	kept := do("flags", "--json")
	t.Setenv("XDG_CACHE_HOME", t.TempDir())
	now = now.Add(-time.Hour)
	require.Equal(t, do("flags", "--json"), kept)
}
