package store

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"shedbook/schema"
)

// site is a book of a company in a test, with a clock of its own.
type site struct {
	t    require.TestingT
	mark string
	path string
	now  time.Time
	back string // its last backup
	// still: its clock goes on only where somebody sets it
	still bool
	b     *Book
}

func (y *site) clock() time.Time {
	if !y.still {
		y.now = y.now.Add(time.Second)
	}
	return y.now
}

func (y *site) open() {
	b, err := Create(context.Background(), y.path, y.clock)
	require.NoError(y.t, err)
	y.b = b
}

func (y *site) bundles() []*Bundle {
	var file bytes.Buffer
	_, err := y.b.WriteBundles(context.Background(), 0, &file)
	require.NoError(y.t, err)
	all, err := ReadBundles(file.Bytes())
	require.NoError(y.t, err)
	return all
}

func (y *site) take(all ...*Bundle) {
	_, err := y.b.TakeBundles(context.Background(), all)
	require.NoError(y.t, err)
}

func (y *site) record(r schema.Record) int64 {
	number, err := y.b.Record(context.Background(), r)
	require.NoError(y.t, err)
	return number
}

func (y *site) amend(number int64, change func(r schema.Record)) {
	_, err := y.b.Amend(context.Background(), number, "misread", func(_ *schema.Kind, r schema.Record) error {
		change(r)
		return nil
	})
	require.NoError(y.t, err)
}

func (y *site) void(number int64) {
	_, err := y.b.Void(context.Background(), number, "typed twice")
	require.NoError(y.t, err)
}

// company makes a company of so many yards; the first has a machine and a driver,
// and all have heard of them.
func company(t require.TestingT, dir string, marks ...string) []*site {
	ctx := context.Background()
	var out []*site
	for _, mark := range marks {
		y := &site{t: t, mark: mark, path: filepath.Join(dir, mark+".db"), now: noon}
		y.open()
		out = append(out, y)
		if len(out) > 1 {
			_, err := y.b.Join(ctx, out[0].bundles(), mark, mark+" yard")
			require.NoError(t, err)
			continue
		}
		require.NoError(t, y.b.Found(ctx, mark, mark+" yard"))
		y.record(&schema.Machine{Name: "R1"})
		y.record(&schema.Machine{Name: "R2"})
		y.record(&schema.Driver{Name: "Ada"})
	}
	return out
}

// copyBook copies a book that nobody has open.
func copyBook(t require.TestingT, from, to string) {
	for _, end := range beside {
		_ = os.Remove(to + end)
	}
	data, err := os.ReadFile(from)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(to, data, 0o600))
}

func closeAll(all []*site) {
	for _, y := range all {
		y.b.Close()
	}
}

// exchange brings everything to everybody.
func exchange(all ...*site) {
	for range 2 {
		for _, from := range all {
			for _, to := range all {
				if to != from {
					to.take(from.bundles()...)
				}
			}
		}
	}
}

// says is all that a book says which all books of its company are to say alike, a
// line each.
func (y *site) says() []string {
	ctx := context.Background()
	var out []string
	line := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	err := y.b.moment(ctx, nil, func(q querier, n *names) error {
		d, err := y.b.company(ctx, q)
		require.NoError(y.t, err)
		d.n = n
		for _, l := range d.lives {
			line("book %s %s %s: %d entries, %x", l.id, l.mark, l.name, l.seq, l.hash)
		}
		for _, w := range n.added {
			line("word %s", w.Word)
		}
		for key, value := range n.settings {
			if schema.Travels(key) {
				line("setting %s %s", key, value)
			}
		}
		for _, k := range schema.Kinds {
			if tables()[k] == nil {
				continue
			}
			require.NoError(y.t, tables()[k].query(ctx, q, n, "", nil, func(r schema.Record) error {
				m := k.Meta(r)
				name, err := d.name(ctx, m.Number)
				require.NoError(y.t, err)
				is, err := d.said(ctx, k, r)
				require.NoError(y.t, err)
				line("%s %s says %s, typed %v, entered %s, after %d versions", k.Name, name, is, m.Typed,
					formatTime(m.Entered), m.Versions)
				return nil
			}))
			were, err := numbers(ctx, q, "SELECT DISTINCT number FROM past WHERE kind = ?", k.Name)
			require.NoError(y.t, err)
			for _, number := range were {
				name, err := d.name(ctx, number)
				require.NoError(y.t, err)
				versions, err := d.versionsOf(ctx, k, number)
				require.NoError(y.t, err)
				for i, v := range versions {
					line("%s %s version %d: %s %d %s %s, typed %v", k.Name, name, i, v.what, v.replaced, v.why,
						v.content, v.typed)
				}
			}
		}
		rows, err := q.QueryContext(ctx, "SELECT number, of, says FROM aside")
		require.NoError(y.t, err)
		defer rows.Close()
		type asides struct {
			number, of int64
			says       string
		}
		var all []asides
		for rows.Next() {
			var a asides
			require.NoError(y.t, rows.Scan(&a.number, &a.of, &a.says))
			all = append(all, a)
		}
		rows.Close()
		for _, a := range all {
			name, err := d.name(ctx, a.number)
			require.NoError(y.t, err)
			of, err := d.name(ctx, a.of)
			require.NoError(y.t, err)
			line("%s stands aside for %s: %s", name, of, a.says)
		}
		return nil
	})
	require.NoError(y.t, err)
	slices.Sort(out)
	return out
}

// allSayTheSame holds books to each other, and each to itself.
func allSayTheSame(t require.TestingT, all ...*site) {
	here := map[string]int64{} // how far anybody has each book
	for _, y := range all {
		depots, err := y.b.Depots(context.Background())
		require.NoError(t, err)
		for _, d := range depots {
			here[d.Book] = max(here[d.Book], d.Entries)
		}
	}
	for _, y := range all {
		held, err := y.b.heldBundles(context.Background())
		require.NoError(t, err)
		for _, in := range held { // it must stand on what is lost for good, with the only books that had it
			lost := here[in.Book] < in.First-1
			for id, seq := range in.After {
				lost = lost || here[id] < seq
			}
			depots, err := y.b.Depots(context.Background())
			require.NoError(t, err)
			require.True(t, lost, "%s holds entries of %s from %d on: %+v", y.mark, in.Mark, in.First, depots)
		}
	}
	want := all[0].says()
	for _, y := range all[1:] {
		require.Equal(t, want, y.says(), "%s says other than %s", y.mark, all[0].mark)
	}
	for _, y := range all {
		found, err := y.b.Verify(context.Background())
		require.NoError(t, err)
		for _, f := range found {
			require.Empty(t, f.Wrong, "%s: %s", y.mark, f.Check)
		}
	}
}

// drawHistories sets how many random histories are tried, and from what seed: as a rule a
// few new ones each time. What fails prints its seed.
func drawHistories(t *testing.T) {
	t.Helper()
	require.NoError(t, flag.Set("rapid.checks", cmp.Or(os.Getenv("DEPOT_HISTORIES"), "10")))
	require.NoError(t, flag.Set("rapid.seed", cmp.Or(os.Getenv("DEPOT_SEED"), "0")))
	t.Cleanup(func() { _ = flag.Set("rapid.seed", "0") })
}

// memory is a directory that is kept in memory, where there is one: what these tests
// hold does not hang on the disk.
func memory() string {
	if _, err := os.Stat("/dev/shm"); err == nil {
		return "/dev/shm"
	}
	return ""
}

// Whatever is done in three books, whenever and however they hear of each other, in
// the end they say the same, and so does one who hears of it all in any order. No
// entry is lost, and none is there twice.
func TestBooksComeTogether(t *testing.T) {
	drawHistories(t)
	wasID := newID
	defer func() { newID = wasID }()
	rapid.Check(t, func(t *rapid.T) {
		dir, err := os.MkdirTemp(memory(), "depots")
		require.NoError(t, err)
		defer os.RemoveAll(dir)
		ids := 0
		newID = func() string {
			ids++
			return fmt.Sprintf("%c%d", rapid.SampledFrom([]rune("ABCDEF")).Draw(t, "id"), ids)
		}
		all := company(t, dir, "N", "S", "V")
		w := &labour{t: t, all: all, rng: rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))}
		defer func() { closeAll(w.all) }()
		for i, y := range all { // clocks off by years
			y.now = noon.AddDate(rapid.IntRange(-4, 4).Draw(t, "years"), 0, i)
		}
		for range rapid.IntRange(10, 60).Draw(t, "steps") {
			w.step()
		}
		all = w.all
		exchange(all...)
		z := &site{t: t, mark: "Z", path: filepath.Join(dir, "Z.db"), now: noon}
		z.open()
		heard := all[0].bundles()
		w.rng.Shuffle(len(heard), func(i, j int) { heard[i], heard[j] = heard[j], heard[i] })
		_, err = z.b.Join(context.Background(), heard[:1], "Z", "hears all")
		require.NoError(t, err)
		for _, in := range heard {
			z.take(in)
		}
		for _, y := range all {
			y.take(z.bundles()...)
		}
		defer z.b.Close()
		all = append(all, z)
		allSayTheSame(t, all...)
	})
}

// labour is what is done in random histories.
type labour struct {
	t     *rapid.T
	all   []*site
	rng   *rand.Rand
	words int
}

func pick[T any](rng *rand.Rand, from []T) T { return from[rng.IntN(len(from))] }

// refused lets pass what a book refuses to whoever types it.
func (w *labour) refused(err error) {
	var own *Error
	if err == nil || errors.As(err, &own) && (own.Trouble == Refused || own.Trouble == NotFound) ||
		schema.AsProblem(err) != nil {
		return
	}
	require.NoError(w.t, err)
}

func (w *labour) step() {
	y := pick(w.rng, w.all)
	ctx := context.Background()
	y.now = y.now.Add(time.Duration(w.rng.IntN(3)) * time.Hour)
	known, err := y.b.Known(ctx)
	require.NoError(w.t, err)
	when := noon.Add(time.Duration(w.rng.IntN(4)) * time.Hour)
	var records []int64
	for _, k := range schema.Kinds {
		if tables()[k] != nil {
			some, err := numbers(ctx, y.b.db, "SELECT number FROM "+k.Sheet)
			require.NoError(w.t, err)
			records = append(records, some...)
		}
	}
	aside, err := numbers(ctx, y.b.db, "SELECT number FROM aside")
	require.NoError(w.t, err)
	number := pick(w.rng, append(append(records, aside...), 1))
	var machine, driver string
	if len(known.Machines) > 0 {
		machine = pick(w.rng, known.Machines)
	}
	if len(known.Drivers) > 0 {
		driver = pick(w.rng, known.Drivers)
	}
	few := func() schema.Num { return schema.N(float64(1 + w.rng.IntN(3))) }
	note := pick(w.rng, []string{"", "", "wet", "late"})
	switch what := w.rng.IntN(29); {
	case what < 5:
		r := &schema.Run{Base: schema.Base{Machine: machine, At: when}, Driver: driver, Hours: few(), Note: note}
		if w.rng.IntN(2) == 0 {
			r.Driver = ""
		}
		if w.rng.IntN(3) == 0 {
			r.MeterOut, r.MeterIn = schema.N(5), schema.N(9)
		}
		if w.rng.IntN(4) == 0 {
			r.Ref = pick(w.rng, []string{"1", "2", "3"})
		}
		if words := known.Words["terrain"]; w.rng.IntN(2) == 0 {
			r.Terrain = words[len(words)-1]
		}
		_, err = y.b.Record(ctx, r)
	case what == 5:
		_, err = y.b.Record(ctx, &schema.TopUp{Head: schema.Head{Base: schema.Base{Machine: machine, At: when}},
			Volume: few(), Note: note})
	case what == 6:
		_, err = y.b.Record(ctx, &schema.Spec{Machine: machine, Figure: pick(w.rng, []string{"cap", "gap"}),
			Value: pick(w.rng, []string{"1", "2", "3"})})
	case what == 7:
		r := &schema.Answer{Machine: machine, At: when, Flag: "blocked-core", Found: "mud"}
		if services, _ := numbers(ctx, y.b.db, "SELECT number FROM services"); len(services) > 0 {
			r.Service = schema.N(float64(pick(w.rng, services)))
		}
		_, err = y.b.Record(ctx, r)
	case what == 8:
		_, err = y.b.Record(ctx, &schema.Service{Head: schema.Head{Base: schema.Base{Machine: machine, At: when}},
			Work: "core"})
	case what == 9:
		_, err = y.b.Record(ctx, &schema.Machine{Name: pick(w.rng, []string{"R1", "R2", "R3", "r3"}), Serial: note})
	case what == 10:
		_, err = y.b.Record(ctx, &schema.Driver{Name: pick(w.rng, []string{"Ada", "Ben", "Cy"})})
	case what == 11:
		w.words++
		err = y.b.AddWord(ctx, schema.Word{Vocabulary: "terrain",
			Word: pick(w.rng, []string{"stubble", "ice", "peat"})})
	case what == 12:
		err = y.b.Set(ctx, schema.Setting{Key: "altitude-m", Value: pick(w.rng, []string{"", "10", "20", "30"})},
			schema.Setting{Key: "units", Value: pick(w.rng, []string{"us", "metric"})})
	case what < 17:
		_, err = y.b.Amend(ctx, number, pick(w.rng, []string{"misread", "renamed"}),
			func(k *schema.Kind, r schema.Record) error {
				switch r := r.(type) {
				case *schema.Run:
					switch w.rng.IntN(6) {
					case 0:
						r.Hours = few()
					case 1:
						r.MeterOut = schema.N(float64(w.rng.IntN(12)))
					case 2:
						r.MeterIn = schema.N(float64(w.rng.IntN(12)))
					case 3:
						r.Machine = machine
					case 4:
						r.Driver = driver
					case 5:
						r.Note = note
					}
					k.Meta(r).Typed = map[string]string{"hours": pick(w.rng, []string{"1 h", "60 min"})}
				case *schema.TopUp:
					r.Volume, r.Note = few(), note
				case *schema.Machine:
					if w.rng.IntN(2) == 0 {
						r.Name = pick(w.rng, []string{"R1", "R2", "R4", "R5"})
					} else if r.Retired = when; w.rng.IntN(2) == 0 {
						r.SoldTo = pick(w.rng, []string{"Finn", "Gale"})
					} else {
						r.Retired, r.SoldTo = time.Time{}, ""
					}
				case *schema.Driver:
					r.Name = pick(w.rng, []string{"Ada", "Dov", "Eir"})
				case *schema.Spec:
					r.Value, r.Figure = pick(w.rng, []string{"4", "5"}), pick(w.rng, []string{"cap", "gap"})
				default:
					*k.Field("note").Pointer(r).(*string) = note
				}
				return nil
			})
	case what < 20:
		_, err = y.b.Void(ctx, number, "typed twice")
	case what == 20: // a backup
		y.back = filepath.Join(filepath.Dir(y.path), fmt.Sprintf("%s-%d.back", y.mark, w.rng.Int64()))
		_, err = y.b.Backup(ctx, y.back)
	case what == 21 && y.back != "": // the disk is lost, and the backup put back
		require.NoError(w.t, y.b.Close())
		copyBook(w.t, y.back, y.path)
		y.open()
	case what == 22 && y.back != "" && len(w.all) < 5: // somebody goes on with the backup, beside the book
		other := &site{t: w.t, mark: y.mark, path: fmt.Sprintf("%s.%d", y.path, w.rng.Int64()), now: y.now}
		copyBook(w.t, y.back, other.path)
		other.open()
		w.all = append(w.all, other)
	default:
		from := pick(w.rng, w.all)
		if from == y {
			return
		}
		in := from.bundles()
		switch w.rng.IntN(4) {
		case 0: // cut short
			in = in[:w.rng.IntN(len(in)+1)]
		case 1: // out of order
			w.rng.Shuffle(len(in), func(i, j int) { in[i], in[j] = in[j], in[i] })
		case 2: // some of them, some twice
			for i := range in {
				in[i] = pick(w.rng, in)
			}
		}
		y.take(in...)
	}
	w.refused(err)
}
