package main

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
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

// yard is the demo's book, of which every look is kept.
type yard struct {
	t         *testing.T
	dir, book string
	now       time.Time
}

func newYard(t *testing.T) *yard {
	was := keepFrom
	keepFrom = 0
	t.Cleanup(func() { keepFrom = was })
	dir := t.TempDir()
	y := &yard{t: t, dir: dir, book: filepath.Join(dir, "yard.db"), now: demoEnd}
	require.NoError(t, fillDemo(context.Background(), y.book, system()))
	return y
}

func (y *yard) try(args ...string) (string, int) {
	var out bytes.Buffer
	a := &app{in: strings.NewReader(""), out: &out, errOut: &out, now: y.now, width: 80,
		getenv: func(string) string { return "" }}
	code := run(context.Background(), a, append([]string{"--book", y.book}, args...))
	return out.String(), code
}

func (y *yard) do(args ...string) string {
	out, code := y.try(args...)
	require.Zero(y.t, code, out)
	return out
}

// Whatever is written, by whichever verb and however late, what is kept is never
// shown beyond it: every answer equals one that had nothing kept.
func TestAKeptAnswerEqualsAFreshOne(t *testing.T) {
	y := newYard(t)
	page := filepath.Join(y.dir, "page.html")
	short := [][]string{
		{"fleet --json", "flags --json", "flags B3"}, {"rates --by driver --adjust speed,terrain --json"},
		{"coolant --json"}, {"cleaning --json"}, {"next B3 --json"},
	}
	questions := [][]string{
		{"fleet", "fleet --json", "fleet --csv", "flags", "flags --json", "flags B3", "flags W2", "flags B5",
			"fleet --html " + page},
		{"rates --by driver --adjust speed,terrain", "rates --by driver --adjust speed,terrain --json"},
		{"rates --by terrain --json", "rates --by terrain"}, {"rates --by model --json"},
		{"coolant", "coolant --json", "coolant --csv"}, {"cleaning", "cleaning B3", "cleaning --json", "due --json"},
		{"next B3 --json", "next B5"},
	}
	all := questions
	turn := 0 // by turns each is the first that is asked with nothing kept
	look := func(cache string) string {
		said := map[string]string{}
		for _, of := range questions {
			t.Setenv("XDG_CACHE_HOME", cache)
			if cache == "" {
				t.Setenv("XDG_CACHE_HOME", t.TempDir())
			}
			for i := range of {
				words := of[(i+turn)%len(of)]
				said[words] = y.do(strings.Fields(words)...)
			}
		}
		turn++
		if len(questions) == len(all) {
			html, err := os.ReadFile(page)
			require.NoError(t, err)
			said[page] = string(html)
		}
		b, err := json.Marshal(said)
		require.NoError(t, err)
		return string(b)
	}
	kept := func() []string {
		files, err := filepath.Glob(filepath.Join(y.dir, "kept", "shedbook", "*"))
		require.NoError(t, err)
		return files
	}
	same := func(what string) {
		look(filepath.Join(y.dir, "kept")) // keeps it
		y.now = y.now.Add(time.Hour)
		fresh := look("")
		require.Equal(t, fresh, look(filepath.Join(y.dir, "kept")), "after %s", what)
	}
	for i, m := range []string{"B2", "B5", "W1", "W3"} { // models beside the two there are
		y.do("machine", "set", m, "--model", fmt.Sprint("Model ", i%3), "--why", "as the plate says")
	}
	same("nothing")
	require.Len(t, kept(), 11) // cleaning, coolant, fleet, next and rates, the base of each, and the curves of fleet's

	// It is what is shown, as long as nothing is written.
	var g overview
	answer := kept()[slices.IndexFunc(kept(), func(f string) bool { return strings.HasSuffix(f, ".fleet") })]
	h, b, whole := readKept(answer)
	require.True(t, whole)
	require.NoError(t, json.Unmarshal(b, &g))
	g.Rows[0].Model = "marked"
	b, err := json.Marshal(g)
	require.NoError(t, err)
	writeKept(answer, h, b)
	require.Contains(t, y.do("fleet", "--json"), "marked")
	// As of a time named, the book itself is read.
	require.NotContains(t, y.do("fleet", "--json", "--as-of", y.now.Format(time.RFC3339)), "marked")

	rng := rand.New(rand.NewPCG(7, 25))
	machines := []string{"B1", "B3", "B6", "W2"}
	writes := []int{0, 2, 4, 7, 8, 10}
	for i := 0; everyFault() && i < 44; i++ {
		writes = append(writes, i)
	}
	for _, i := range writes {
		if questions = short; everyFault() {
			questions = all
		}
		m := machines[rng.IntN(len(machines))]
		days := 20 // of every four two are so late that all must be read
		if i%4 > 1 {
			days = 200
		}
		at := y.now.Add(-time.Duration(rng.IntN(days*24)) * time.Hour).Format(time.RFC3339)
		number := fmt.Sprint(50 + rng.IntN(800))
		args := [][]string{
			{"log", "run", m, "--hours", "1.5", "--at", at, "--terrain", "mud"},
			{"log", "overheat", m, "--sign", "lamp", "--at", at},
			{"log", "overheat", m, "--sign", "steam", "--lost", "600ml", "--at", at},
			{"log", "topup", m, "250ml", "--at", at},
			{"log", "level", m, "700ml", "--engine", "cold", "--at", at},
			{"log", "check", m, "combustion-gas", "fail", "--at", at},
			{"log", "clean", m, "--method", "air", "--sides", "both", "--at", at},
			{"amend", number, "--note", "looked up again", "--why", "misread"},
			{"void", number, "--why", "typed twice"},
			{"machine", "retire", m, "--at", y.now.Add(30 * time.Minute).Format(time.RFC3339)}, // between two looks
			{"log", "topup", m, "900ml", "--at", y.now.Add(45 * time.Minute).Format(time.RFC3339)},
		}[i%11]
		out, code := y.try(args...)
		if code != 0 { // as for a record that is voided already
			t.Logf("%v: %s", args, out)
		}
		same(strings.Join(args, " "))
	}
	require.NotContains(t, y.do("fleet", "--json"), "marked")
}

// What another SQLite program writes between two looks is in the second, exactly:
// it equals one that had nothing kept, or the row is refused. So it is after a copy
// from before is put back, and written to.
func TestAnotherProgramBetweenTwoLooks(t *testing.T) {
	y := newYard(t)
	other := func(statement string) {
		db, err := sql.Open("sqlite", "file:"+y.book)
		require.NoError(t, err)
		defer db.Close()
		done, err := db.Exec(statement)
		require.NoError(t, err)
		n, err := done.RowsAffected()
		require.NoError(t, err)
		require.EqualValues(t, 1, n, statement)
	}
	look := func(cache string) (said []string) {
		t.Setenv("XDG_CACHE_HOME", cache)
		for _, words := range []string{"fleet --json", "flags B1", "coolant --json", "rates --by driver --json",
			"cleaning --json", "next B1 --json"} {
			out, code := y.try(strings.Fields(words)...)
			said = append(said, out, fmt.Sprint(code))
		}
		return said
	}
	kept := filepath.Join(y.dir, "kept")
	before := look(kept)
	copied, err := os.ReadFile(y.book)
	require.NoError(t, err)
	newest := func(table string) string {
		return " WHERE number = (SELECT max(number) FROM " + table +
			" WHERE machine = (SELECT number FROM machines WHERE machine = 'B1'))"
	}
	for _, statement := range []string{
		"DELETE FROM runs" + newest("runs"),
		"DELETE FROM topups" + newest("topups"),
		"UPDATE runs SET hours = hours + 7" + newest("runs"),
		"UPDATE runs SET hours = hours - 7" + newest("runs"),
		"INSERT INTO settings (setting, value) VALUES ('settling-cycles', '6')",
		"DELETE FROM settings WHERE setting = 'settling-cycles'",
	} {
		other(statement)
		is := look(kept)
		require.Equal(t, look(t.TempDir()), is, statement)
		if strings.Contains(statement, "+ 7") {
			require.Equal(t, fmt.Sprint(exitBadBook), is[1], "a row that is not as it was written is refused")
		} else if strings.HasPrefix(statement, "DELETE FROM runs") {
			require.NotEqual(t, before[0], is[0], "another run is the last")
		}
	}
	require.NoError(t, os.WriteFile(y.book, copied, 0o600))
	require.Equal(t, before, look(kept), "a copy put back")
	y.do("log", "run", "W2", "--hours", "1.5", "--at", y.now.Add(-time.Hour).Format(time.RFC3339))
	is := look(kept)
	require.Equal(t, look(t.TempDir()), is, "written to since")
}

// After a record of one machine the others are not read again: what was kept of
// them is what is shown. A base of other drivers, another copy or a later time is
// not gone on from, nor one of which most was written to since.
func TestAnAnswerGoesOnFromTheLastBase(t *testing.T) {
	y := newYard(t)
	t.Setenv("XDG_CACHE_HOME", y.dir)
	n := 0
	record := func(machine string) {
		n++
		y.do("log", "run", machine, "--hours", "1.5", "--at",
			demoEnd.Add(-time.Duration(n)*3*time.Hour).Format(time.RFC3339))
	}
	y.do("fleet")
	files, err := filepath.Glob(filepath.Join(y.dir, "shedbook", "*.fleet.base"))
	require.NoError(t, err)
	require.Len(t, files, 1)
	change := func(alter func(*header)) {
		h, b, whole := readKept(files[0])
		require.True(t, whole)
		b = bytes.Replace(b, []byte(`"machine":"W2","model":"Wren 5"`), []byte(`"machine":"W2","model":"Elsewhere"`), 1)
		alter(&h)
		writeKept(files[0], h, b)
	}
	change(func(*header) {})
	record("B1")
	require.Contains(t, y.do("fleet", "--json"), "Elsewhere", "the other machines are read again")
	y.do("machine", "set", "B2", "--note", "painted", "--why", "it was")
	require.Contains(t, y.do("fleet", "--json"), "Elsewhere", "the other machines are read again")
	record("W2")
	require.NotContains(t, y.do("fleet", "--json"), "Elsewhere")
	for what, alter := range map[string]func(*header){
		"of other drivers":  func(h *header) { h.Common = "" },
		"from later":        func(h *header) { h.AsOf = demoEnd.Add(time.Hour) },
		"of another copy":   func(h *header) { h.State.Machines["W2"]++ },
		"of a machine more": func(h *header) { h.State.Machines["W9"] = 1 },
	} {
		change(alter)
		record("B1")
		require.NotContains(t, y.do("fleet", "--json"), "Elsewhere", what)
	}
	change(func(*header) {})
	for _, m := range []string{"B1", "B2", "B3", "B4", "B5", "B6", "W1"} {
		record(m)
	}
	require.NotContains(t, y.do("fleet", "--json"), "Elsewhere", "most of the fleet was written to")
}

// A bit of what is kept that is another: the look is made anew. (Of 100 bits of a
// kept answer 32 were once shown as they stood.)
func TestAFlippedBitOfWhatIsKept(t *testing.T) {
	y := newYard(t)
	t.Setenv("XDG_CACHE_HOME", y.dir)
	want := y.do("fleet", "--json")
	require.Equal(t, want, y.do("fleet", "--json"))
	rng := rand.New(rand.NewPCG(18, 6))
	for _, name := range []string{"*.fleet", "*.fleet.base"} {
		files, err := filepath.Glob(filepath.Join(y.dir, "shedbook", name))
		require.NoError(t, err)
		require.Len(t, files, 1)
		b, err := os.ReadFile(files[0])
		require.NoError(t, err)
		for range 50 {
			bad := append([]byte(nil), b...)
			bad[rng.IntN(len(bad))] ^= 1 << rng.IntN(8)
			require.NoError(t, os.WriteFile(files[0], bad, 0o600))
			_, _, whole := readKept(files[0])
			require.False(t, whole)
		}
		require.NoError(t, os.WriteFile(files[0], b[:len(b)/2], 0o600))
		_, _, whole := readKept(files[0])
		require.False(t, whole)
		// One that would still be read: a figure in it.
		bad := bytes.Replace(b, []byte(`"machine":"W2"`), []byte(`"machine":"W3"`), 1)
		require.NotEqual(t, b, bad)
		require.NoError(t, os.WriteFile(files[0], bad, 0o600))
		if name == "*.fleet.base" {
			y.do("log", "run", "B1", "--hours", "1.5", "--at", demoEnd.Add(-3*time.Hour).Format(time.RFC3339))
			is := y.do("fleet", "--json")
			t.Setenv("XDG_CACHE_HOME", t.TempDir())
			require.Equal(t, y.do("fleet", "--json"), is)
		} else {
			require.Equal(t, want, y.do("fleet", "--json"))
		}
	}
}

// The last record voided, the log ends before the week that was kept.
func TestALookAfterTheLastRunIsVoided(t *testing.T) {
	y := newYard(t)
	y.now = demoEnd.AddDate(0, 0, 70)
	out := y.do("log", "run", "B1", "--hours", "2", "--at", y.now.Add(-5*time.Hour).Format(time.RFC3339))
	t.Setenv("XDG_CACHE_HOME", y.dir)
	y.do("flags", "--json")
	y.now = y.now.Add(time.Hour)
	y.do("void", strings.TrimSuffix(strings.Fields(out)[2], ":"), "--why", "typed into the wrong year")
	kept := y.do("flags", "--json")
	t.Setenv("XDG_CACHE_HOME", t.TempDir())
	require.Equal(t, y.do("flags", "--json"), kept)
}

// What is dated in the future does not stop a look from being kept: it holds until
// the first such date, and so does its base.
func TestAKeptAnswerHoldsUntilTheNextDate(t *testing.T) {
	dated := [][]string{
		{"log", "topup", "B2", "900ml", "--at"}, {"log", "overheat", "B2", "--sign", "lamp", "--at"},
		{"machine", "retire", "B2", "--at"},
	}
	if !everyFault() {
		dated = dated[:1]
	}
	for _, words := range dated {
		y := newYard(t)
		kept := filepath.Join(y.dir, "kept")
		look := func(cache string) string {
			t.Setenv("XDG_CACHE_HOME", cache)
			return y.do("fleet", "--json")
		}
		first, second := y.now.Add(3*time.Hour), y.now.Add(10*24*time.Hour)
		y.do(append(words, second.Format(time.RFC3339))...)
		y.do("log", "topup", "W1", "700ml", "--at", first.Format(time.RFC3339))
		mark := func() {
			files, err := filepath.Glob(filepath.Join(kept, "shedbook", "*.fleet"))
			require.NoError(t, err)
			bases, err := filepath.Glob(filepath.Join(kept, "shedbook", "*.fleet.base"))
			require.NoError(t, err)
			files = append(files, bases...)
			require.Len(t, files, 2, "the answer and its base")
			for _, f := range files {
				h, b, whole := readKept(f)
				require.True(t, whole)
				writeKept(f, h, bytes.Replace(b, []byte(`"Wren 5"`), []byte(`"marked"`), 1))
			}
		}
		for _, date := range []time.Time{first, second} {
			look(kept)
			mark()
			y.now = date.Add(-time.Second)
			require.Contains(t, look(kept), "marked", "nothing was written, and no date came")
			y.do("log", "run", "B1", "--hours", "1.5", "--at", y.now.Add(-3*time.Hour).Format(time.RFC3339))
			require.Contains(t, look(kept), "marked", "the base holds")
			y.now = date
			require.Equal(t, look(t.TempDir()), look(kept), "%v, at %s", words, date)
			y.now = date.Add(time.Hour)
			y.do("log", "run", "B1", "--hours", "1.5", "--at", y.now.Add(-time.Hour).Format(time.RFC3339))
			require.Equal(t, look(t.TempDir()), look(kept), "%v, after %s", words, date)
		}
	}
}
