package store

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/hex"
	"encoding/json"
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

	"shedbook/schema"
)

// three is a company of three yards that have heard of all.
func three(t *testing.T) (n, s, v *site) {
	all := company(t, t.TempDir(), "N", "S", "V")
	t.Cleanup(func() { closeAll(all) })
	exchange(all...)
	return all[0], all[1], all[2]
}

func run(machine string, hour int, hours float64) *schema.Run {
	return &schema.Run{Base: schema.Base{Machine: machine, At: noon.Add(time.Duration(hour) * time.Hour)},
		Hours: schema.N(hours)}
}

// of is the number in a book of the record that another calls by a number.
func (y *site) of(other *site, number int64) int64 {
	ctx := context.Background()
	d, err := other.b.company(ctx, other.b.db)
	require.NoError(y.t, err)
	name, err := d.name(ctx, number)
	require.NoError(y.t, err)
	d, err = y.b.company(ctx, y.b.db)
	require.NoError(y.t, err)
	here, err := d.number(ctx, name)
	require.NoError(y.t, err)
	return here
}

func (y *site) show(number int64) *Found {
	f, err := y.b.Show(context.Background(), number)
	require.NoError(y.t, err)
	return f
}

func (y *site) count(kind string) int {
	list, err := y.b.List(context.Background(), schema.KindNamed(kind), Filter{})
	require.NoError(y.t, err)
	return len(list)
}

// A book on its own has nothing in the tables of depots, whatever is done in it.
func TestABookOnItsOwnHasNoEntries(t *testing.T) {
	ctx := context.Background()
	b := newBook(t)
	stock(t, b)
	number, err := b.Record(ctx, aRun(noon, 2))
	require.NoError(t, err)
	_, err = b.Amend(ctx, number, "misread", func(_ *schema.Kind, r schema.Record) error {
		r.(*schema.Run).Hours = schema.N(3)
		return nil
	})
	require.NoError(t, err)
	_, err = b.Void(ctx, number, "typed twice")
	require.NoError(t, err)
	require.NoError(t, b.AddWord(ctx, schema.Word{Vocabulary: "terrain", Word: "stubble"}))
	require.NoError(t, b.Set(ctx, schema.Setting{Key: "altitude-m", Value: "700"}))
	_, err = b.Import(ctx, []Source{sheetOf("runs", "machine,start,hours\nR4,2026-01-01 08:00,1\n")}, ImportOptions{})
	require.NoError(t, err)
	for _, table := range []string{"joined", "books", "waiting", "bundles", "held", "foreigns", "given", "acts",
		"aside", "settled", "hub", "heard", "accounts"} {
		require.Empty(t, dump(t, b.path, table), table)
	}
	_, err = b.WriteBundles(ctx, 0, &bytes.Buffer{})
	require.ErrorContains(t, err, "on its own")
}

// The hash of each entry is the SHA-256 (FIPS 180-4) of the hash before and its line;
// a bundle is gzip of lines of JSON, which any program can read. Worked here by the
// standard library alone.
func TestEntriesAreChainedWithoutAGap(t *testing.T) {
	n, _, _ := three(t)
	for i := range 4 {
		n.record(run("R1", i, 1))
		if i%2 == 0 {
			n.bundles()
		}
	}
	hash, next := beforeFirst(n.bundles()[0].Book), int64(1)
	for _, b := range n.bundles() {
		if b.Mark != "N" {
			continue
		}
		z, err := gzip.NewReader(bytes.NewReader(b.content))
		require.NoError(t, err)
		var text bytes.Buffer
		_, err = text.ReadFrom(z)
		require.NoError(t, err)
		lines := strings.Split(strings.TrimSuffix(text.String(), "\n"), "\n")
		var head struct {
			First, Count int64
			Prev, Last   string
			Version      int    `json:"v"`
			Seal         string `json:"seal"`
		}
		require.NoError(t, json.Unmarshal([]byte(lines[0]), &head))
		require.Equal(t, []any{9, "none", next, int64(len(lines) - 1)},
			[]any{head.Version, head.Seal, head.First, head.Count})
		require.Equal(t, hex.EncodeToString(hash), head.Prev)
		hash = chain(hash, lines[1:]...)
		require.Equal(t, hex.EncodeToString(hash), head.Last)
		next += head.Count
	}
	require.Greater(t, next, int64(6))
}

// rewrite makes a bundle anew with something changed, its hashes as they would be.
func rewrite(t *testing.T, b *Bundle, change func(*Bundle)) *Bundle {
	other := *b
	other.lines = slices.Clone(b.lines)
	change(&other)
	require.NoError(t, other.pack())
	return &other
}

// What was changed on its way, or made up, is refused or held, and says why; the rest
// goes on.
func TestBundlesThatAreNotAsTheyWere(t *testing.T) {
	ctx := context.Background()
	n, s, v := three(t)
	n.record(run("R1", 1, 1))
	n.bundles()
	n.record(run("R1", 2, 1))
	all := n.bundles()
	var file bytes.Buffer
	_, err := n.b.WriteBundles(ctx, 0, &file)
	require.NoError(t, err)
	read := func(content []byte, says string) {
		t.Helper()
		_, err := ReadBundles(content)
		require.ErrorContains(t, err, says)
	}
	read(nil, "empty")
	read([]byte("ref,machine\n"), "no bundle of entries")
	read(file.Bytes()[:file.Len()-9], "ends too soon")
	spoiled := bytes.Clone(file.Bytes())
	spoiled[len(spoiled)-6] ^= 1 // of its CRC-32
	read(spoiled, "damaged")
	last := all[len(all)-1]
	for i, b := range all {
		if b.Mark == "N" {
			last = all[i]
		}
	}
	changed := rewrite(t, last, func(b *Bundle) {
		b.lines[0] = strings.Replace(b.lines[0], `"hours":1`, `"hours":9`,
			1)
	})
	read(changed.content, "were changed")
	short := rewrite(t, last, func(b *Bundle) { b.lines = append(b.lines, b.lines[0]) })
	read(short.content, "should have 1 entries, and has 2")
	first := rewrite(t, last, func(b *Bundle) { b.First = 1 })
	read(first.content, "do not begin as those of book")

	held := func(y *site, in *Bundle, why string) {
		t.Helper()
		before := y.says()
		y.take(in)
		require.Equal(t, before, y.says())
		depots, err := y.b.Depots(ctx)
		require.NoError(t, err)
		for _, d := range depots {
			for _, h := range d.Held {
				if strings.Contains(h.Why, why) {
					return
				}
			}
		}
		require.Fail(t, "it is not held: "+why)
	}
	held(s, last, "entries 5 to 5 of depot N are not here yet")
	held(s, rewrite(t, last, func(b *Bundle) { b.Version, b.Last = 10, strings.Repeat("1", 64) }),
		"runs a newer program")
	held(s, rewrite(t, last, func(b *Bundle) { b.Seal, b.Last = "aes-gcm", strings.Repeat("2", 64) }),
		"sealed (aes-gcm)")
	// Somebody goes on from an entry that was never made.
	held(v, rewrite(t, all[0], func(b *Bundle) {
		b.lines[3] = strings.Replace(b.lines[3], "Ada", "Bob", 1)
		b.Last = hex.EncodeToString(chain(mustHex(b.Prev), b.lines...))
	}), "are others than those that are here")
	forged := rewrite(t, last, func(b *Bundle) {
		b.First, b.Prev = 5, strings.Repeat("ab", 32)
		b.Last = hex.EncodeToString(chain(mustHex(b.Prev), b.lines...))
	})
	held(v, forged, "do not go on from those that are here")
	// What is right comes in all the same, and what was held with it.
	s.take(all...)
	v.take(all...)
	require.Equal(t, n.says(), v.says())
	require.Equal(t, 2, s.count("run"))

	other := company(t, t.TempDir(), "N")
	defer closeAll(other)
	_, err = n.b.TakeBundles(ctx, other[0].bundles())
	require.ErrorContains(t, err, "of another company")
}

// What is held comes in with what it stands on, in the same book or another, and is
// not asked for again.
func TestWhatIsHeldIsTriedAgain(t *testing.T) {
	n, s, v := three(t)
	number := n.record(run("R1", 1, 1))
	first := n.bundles()
	n.record(run("R1", 2, 1))
	s.take(n.bundles()...)
	s.record(run("R1", 3, 1)) // which names nothing that is new, and yet knows of it
	s.bundles()
	s.amend(s.of(n, number), func(r schema.Record) { r.(*schema.Run).Note = "wet" })
	n.take(s.bundles()...)
	n.record(run("R1", 4, 1))
	s.take(n.bundles()...)
	s.record(run("R1", 5, 1)) // so that whoever is tried first, another round is needed
	for _, b := range s.bundles() {
		had := slices.ContainsFunc(first, func(x *Bundle) bool { return x.Book == b.Book && x.First == b.First })
		if !had {
			v.take(b)
		}
	}
	require.Zero(t, v.count("run"))
	v.take(first...)
	require.Equal(t, 5, v.count("run"))
	require.Equal(t, "wet", v.show(v.of(n, number)).Current.(*schema.Run).Note)
	held, err := v.b.heldBundles(context.Background())
	require.NoError(t, err)
	require.Empty(t, held)
}

// Two who correct one record without knowing of each other: other fields both hold,
// of one field the later, and what makes no sense together holds as the later has it.
func TestCorrectionsThatCross(t *testing.T) {
	n, s, v := three(t)
	number := n.record(run("R1", 1, 2))
	exchange(n, s, v)
	n.amend(number, func(r schema.Record) { r.(*schema.Run).Hours = schema.N(3) })
	s.amend(s.of(n, number), func(r schema.Record) { r.(*schema.Run).Note = "wet" })
	exchange(n, s, v)
	is := v.show(v.of(n, number))
	require.Equal(t, schema.N(3), is.Current.(*schema.Run).Hours)
	require.Equal(t, "wet", is.Current.(*schema.Run).Note)
	require.Len(t, is.Past, 2)

	s.now = n.now.Add(time.Hour)
	n.amend(number, func(r schema.Record) { r.(*schema.Run).Hours = schema.N(4) })
	s.amend(s.of(n, number), func(r schema.Record) { r.(*schema.Run).Hours = schema.N(5) })
	exchange(n, s, v)
	require.Equal(t, schema.N(5), n.show(number).Current.(*schema.Run).Hours)

	s.now = n.now.Add(time.Hour)
	n.amend(number, func(r schema.Record) { r.(*schema.Run).MeterOut = schema.N(10) })
	s.amend(s.of(n, number), func(r schema.Record) { r.(*schema.Run).MeterIn = schema.N(9) })
	exchange(n, s, v)
	both := n.show(number).Current.(*schema.Run)
	require.Equal(t, []schema.Num{{}, schema.N(9)}, []schema.Num{both.MeterOut, both.MeterIn})
	allSayTheSame(t, n, s, v)
}

// Who corrects what he has seen is later than what he saw, whatever the clocks say.
func TestKnowledgeOrdersClocksDoNot(t *testing.T) {
	n, s, v := three(t)
	n.now = noon.AddDate(4, 0, 0)
	number := n.record(run("R1", 1, 2))
	n.amend(number, func(r schema.Record) { r.(*schema.Run).Hours = schema.N(3) })
	exchange(n, s, v)
	s.now = noon.AddDate(-4, 0, 0)
	s.amend(s.of(n, number), func(r schema.Record) { r.(*schema.Run).Hours = schema.N(4) })
	exchange(n, s, v)
	require.Equal(t, schema.N(4), n.show(number).Current.(*schema.Run).Hours)
	allSayTheSame(t, n, s, v)
}

// A void wins, be it earlier or later than what it crosses.
func TestAVoidWins(t *testing.T) {
	n, s, v := three(t)
	for _, later := range []*site{n, s} {
		number := n.record(run("R1", 1, 2))
		exchange(n, s, v)
		later.now = noon.Add(time.Duration(n.now.Sub(noon)+s.now.Sub(noon)) + time.Hour)
		n.void(number)
		s.amend(s.of(n, number), func(r schema.Record) { r.(*schema.Run).Hours = schema.N(3) })
		exchange(n, s, v)
		require.Nil(t, v.show(v.of(n, number)).Current)
		require.Len(t, s.show(s.of(n, number)).Past, 2)
		allSayTheSame(t, n, s, v)
	}
}

// Where the one of two that counted turns out to say something else, the other counts,
// in books that had heard of both as well.
func TestARepeatTakesThePlaceOfOneThatChanged(t *testing.T) {
	n, s, v := three(t)
	for hour, y := range []*site{n, s} { // one of the two rounds changes the one that counts
		mine, theirs := n.record(run("R1", hour, 2)), s.record(run("R1", hour, 2))
		v.take(n.bundles()...)
		v.take(s.bundles()...)
		require.Equal(t, hour*2+1, v.count("run"))
		number := map[*site]int64{n: mine, s: theirs}[y]
		y.amend(number, func(r schema.Record) { r.(*schema.Run).Hours = schema.N(3) })
		v.take(y.bundles()...)
		require.Equal(t, hour*2+2, v.count("run"))
		exchange(n, s, v)
		allSayTheSame(t, n, s, v)
	}
}

// Of two voids the earlier tells why and when.
func TestTwoWhoVoidOneRecord(t *testing.T) {
	n, s, v := three(t)
	number := n.record(run("R1", 1, 2))
	exchange(n, s, v)
	s.now = n.now.Add(time.Hour)
	n.void(number)
	s.void(s.of(n, number))
	voided := n.show(number).Past[0].Replaced
	exchange(n, s, v)
	past := s.show(s.of(n, number)).Past
	require.Len(t, past, 1)
	require.Equal(t, voided, past[0].Replaced)
	allSayTheSame(t, n, s, v)
}

// A word that two added is one, with the runs of both.
func TestAWordThatTwoAdded(t *testing.T) {
	n, s, v := three(t)
	for i, y := range []*site{n, s} {
		require.NoError(t, y.b.AddWord(context.Background(), schema.Word{Vocabulary: "terrain", Word: "peat"}))
		r := run("R1", i, 2)
		r.Terrain = "peat"
		y.record(r)
	}
	exchange(n, s, v)
	allSayTheSame(t, n, s, v)
	known, err := v.b.Known(context.Background())
	require.NoError(t, err)
	words := known.Words["terrain"]
	require.Equal(t, 1, strings.Count(" "+strings.Join(words, " ")+" ", " peat "))
	require.Equal(t, 2, v.count("run"))
	depots, err := v.b.Depots(context.Background())
	require.NoError(t, err)
	for _, d := range depots {
		require.Equal(t, map[string]int64{"N": 6, "S": 3, "V": 1}[d.Mark], d.Entries, "%s tells of it again", d.Mark)
	}
}

// A machine or a driver that was voided here and named there stays as long as it is
// needed.
func TestVoidedOnesThatAreNeeded(t *testing.T) {
	n, s, v := three(t)
	machine := n.record(&schema.Machine{Name: "R9"})
	driver := n.record(&schema.Driver{Name: "Ben"})
	exchange(n, s, v)
	n.void(machine)
	n.void(driver)
	r := run("R9", 1, 2)
	r.Driver = "Ben"
	driven := s.record(r)
	exchange(n, s, v)
	require.NotNil(t, n.show(machine).Current)
	require.NotNil(t, n.show(driver).Current)
	require.Equal(t, 1, n.count("run"))
	allSayTheSame(t, n, s, v) // the void is taken in where it takes nothing yet
	s.void(driven)
	exchange(n, s, v)
	for _, number := range []int64{machine, driver} {
		require.Nil(t, n.show(number).Current)
		require.Nil(t, s.show(s.of(n, number)).Current)
	}
	allSayTheSame(t, n, s, v)
}

// What two recorded alike counts once, as often as one of them has it; corrected, it is
// corrected for both; and where one is told of alone, the other takes its place.
func TestRecordsThatRepeat(t *testing.T) {
	n, s, v := three(t)
	mine := n.record(run("R1", 1, 2))
	s.record(run("R1", 1, 2))
	n.void(mine) // before anybody knows of both
	exchange(n, s, v)
	require.Equal(t, 1, v.count("run"), "theirs takes its place")
	mine = n.record(run("R1", 2, 2))
	theirs := s.record(run("R1", 2, 2))
	exchange(n, s, v)
	require.Equal(t, 2, v.count("run"))
	first, second := n.show(mine), n.show(n.of(s, theirs))
	require.NotEqual(t, first.Same == 0, second.Same == 0, "one of the two stands aside")
	n.amend(mine, func(r schema.Record) { r.(*schema.Run).Hours = schema.N(3) })
	exchange(n, s, v)
	require.Equal(t, 2, v.count("run"))
	require.Equal(t, schema.N(3), s.show(theirs).Current.(*schema.Run).Hours)
	n.void(n.of(s, theirs))
	exchange(n, s, v)
	require.Equal(t, 1, v.count("run"))

	// Three top-ups in one sheet are three, and the same sheet in two books is three.
	sheet := "machine,at,volume_ml\n" + strings.Repeat("R1,2026-03-01 08:00,200\n", 3)
	for _, y := range []*site{n, s} {
		_, err := y.b.Import(context.Background(), []Source{sheetOf("topups", sheet)}, ImportOptions{})
		require.NoError(t, err)
	}
	exchange(n, s, v)
	require.Equal(t, 3, v.count("topup"))
	allSayTheSame(t, n, s, v)
}

// A name that somebody types never comes to mean another by what comes in, nor does a
// ref; of two figures for one thing the later counts.
func TestNamesRefsAndFigures(t *testing.T) {
	ctx := context.Background()
	n, s, v := three(t)
	mine := n.record(&schema.Machine{Name: "R7", Serial: "1"})
	theirs := s.record(&schema.Machine{Name: "r7", Serial: "2"})
	for _, y := range []*site{n, s} {
		r := run("R7", 1, 2)
		if y == s {
			r.Machine = "r7"
		}
		r.Ref = "12"
		y.record(r)
		y.now = y.now.Add(time.Hour)
	}
	figure := func(y *site, figure, value string) {
		n.now = n.now.Add(time.Hour)
		s.now = n.now
		y.record(&schema.Spec{Machine: "R1", Figure: figure, Value: value})
	}
	figure(n, "cap", "1")
	figure(s, "cap", "2")
	figure(s, "gap", "1")
	figure(n, "gap", "2")
	exchange(n, s, v)
	require.Equal(t, "R7", n.show(mine).Current.(*schema.Machine).Name)
	require.Equal(t, "r7 of S", n.show(n.of(s, theirs)).Current.(*schema.Machine).Name)
	require.Equal(t, "r7", s.show(theirs).Current.(*schema.Machine).Name)
	require.Equal(t, "R7 of N", s.show(s.of(n, mine)).Current.(*schema.Machine).Name)
	r, err := s.b.ByRef(ctx, schema.KindNamed("run"), "12")
	require.NoError(t, err)
	require.Equal(t, "r7", r.(*schema.Run).Machine)
	require.Equal(t, 2, s.count("run"))
	list, err := v.b.List(ctx, schema.KindNamed("spec"), Filter{})
	require.NoError(t, err)
	require.Len(t, list, 2)
	for _, r := range list {
		require.Equal(t, "2", r.(*schema.Spec).Value, r.(*schema.Spec).Figure)
	}
	// Renamed, it has its own name everywhere.
	s.amend(theirs, func(r schema.Record) { r.(*schema.Machine).Name = "R8" })
	exchange(n, s, v)
	require.Equal(t, "R8", n.show(n.of(s, theirs)).Current.(*schema.Machine).Name)
	allSayTheSame(t, n, s, v)
}

// What a machine, a driver or a run was called before is what it was given, whatever
// name stood for it where it was amended or voided.
func TestEarlierNamesAreThoseGiven(t *testing.T) {
	n, s, v := three(t)
	mine := n.record(&schema.Machine{Name: "R7"})
	gone := n.record(&schema.Machine{Name: "R8"})
	driver := n.record(&schema.Driver{Name: "Ben"})
	first := run("R7", 1, 2)
	first.Ref = "12"
	ref := n.record(first)
	other := s.record(&schema.Machine{Name: "R7"})
	s.record(&schema.Machine{Name: "R8"})
	s.record(&schema.Driver{Name: "Ben"})
	second := run("R7", 2, 3)
	second.Ref = "12"
	s.record(second)
	exchange(n, s, v)
	require.Equal(t, "R7 of N", s.show(s.of(n, mine)).Current.(*schema.Machine).Name)
	s.amend(s.of(n, mine), func(r schema.Record) { r.(*schema.Machine).Serial = "1" })
	s.amend(s.of(n, mine), func(r schema.Record) { r.(*schema.Machine).Name = "R9" })
	s.void(s.of(n, gone))
	s.amend(s.of(n, driver), func(r schema.Record) { r.(*schema.Driver).Name = "Ben Stoke" })
	s.amend(s.of(n, ref), func(r schema.Record) { r.(*schema.Run).Ref = "13" })
	past := s.show(s.of(n, mine)).Past
	require.Len(t, past, 2)
	for _, was := range past {
		require.Equal(t, "R7", was.Record.(*schema.Machine).Name)
	}
	require.Equal(t, "R8", s.show(s.of(n, gone)).Past[0].Record.(*schema.Machine).Name)
	require.Equal(t, "12", s.show(s.of(n, ref)).Past[0].Record.(*schema.Run).Ref)
	exchange(n, s, v)
	allSayTheSame(t, n, s, v)
	// A name that reads like one that stands for another is a name like any.
	s.amend(other, func(r schema.Record) { r.(*schema.Machine).Name = "R4 of S" })
	exchange(n, s, v)
	n.record(&schema.Machine{Name: "R4"})
	s.amend(other, func(r schema.Record) { r.(*schema.Machine).Name = "R4" })
	exchange(n, s, v)
	require.Equal(t, "R4 of S", n.show(n.of(s, other)).Current.(*schema.Machine).Name)
	n.amend(n.of(s, other), func(r schema.Record) { r.(*schema.Machine).Serial = "2" })
	exchange(n, s, v)
	allSayTheSame(t, n, s, v)
}

// Records of one moment may get each other's numbers where they are handed over; answers
// and papers go with their service.
func TestHandedOverWithTheirService(t *testing.T) {
	ctx := context.Background()
	n, s, v := three(t)
	for _, y := range []*site{n, s} {
		base := schema.Head{Base: schema.Base{Machine: "R1", At: noon}}
		number := y.record(&schema.Service{Head: base, Work: "core", Note: y.mark})
		y.record(&schema.Answer{Machine: "R1", At: noon.Add(time.Hour), Flag: "blocked-core", Found: "mud", Note: y.mark,
			Service: schema.N(float64(number))})
		_, _, err := y.b.Attach(ctx, number, []File{{y.mark + ".pdf", "", paper("seal " + y.mark)}})
		require.NoError(t, err)
	}
	exchange(n, s, v)
	for _, y := range []*site{n, s} { // their orders differ, so in one of the two numbers are exchanged
		path := filepath.Join(t.TempDir(), y.mark+".book")
		_, err := y.b.Handover(ctx, "R1", path, letters)
		require.NoError(t, err)
		b, err := View(ctx, path)
		require.NoError(t, err)
		defer b.Close()
		fleet, err := b.Fleet(ctx)
		require.NoError(t, err)
		services := map[float64]string{}
		for _, is := range fleet.Logs[0].Services {
			services[float64(is.Number)] = is.Note
		}
		require.Len(t, fleet.Logs[0].Answers, 2)
		for _, a := range fleet.Logs[0].Answers {
			require.Equal(t, a.Note, services[a.Service.V])
		}
		files, err := b.Attached(ctx, "R1")
		require.NoError(t, err)
		require.Len(t, files, 1)
		require.Equal(t, services[float64(files[0].Record)]+".pdf", files[0].Name)
	}
}

// A machine that was sold here and driven there: both stand.
func TestARunAfterASaleStands(t *testing.T) {
	n, s, v := three(t)
	list, err := n.b.List(context.Background(), schema.KindNamed("machine"), Filter{})
	require.NoError(t, err)
	n.amend(schema.KindOf(list[0]).Meta(list[0]).Number, func(r schema.Record) {
		r.(*schema.Machine).Retired, r.(*schema.Machine).SoldTo = noon, "Finn"
	})
	s.record(run("R1", 5, 2))
	exchange(n, s, v)
	require.Equal(t, 1, n.count("run"))
	allSayTheSame(t, n, s, v)
}

// The setting that was set last goes for all; how a book shows is its own, and a book
// that joins brings none that the company has.
func TestSettingsOfACompany(t *testing.T) {
	ctx := context.Background()
	n, s, v := three(t)
	set := func(y *site, key, value string) {
		require.NoError(t, y.b.Set(ctx, schema.Setting{Key: key, Value: value}))
	}
	set(n, "altitude-m", "100")
	set(n, "units", "us")
	s.now = n.now.Add(time.Hour)
	set(s, "altitude-m", "200")
	exchange(n, s, v)
	z := &site{t: t, mark: "Z", path: filepath.Join(t.TempDir(), "z.db"), now: noon.AddDate(1, 0, 0)}
	z.open()
	defer z.b.Close()
	set(z, "altitude-m", "900")
	set(z, "warm-up-min", "20")
	_, err := z.b.Join(ctx, n.bundles(), "Z", "late")
	require.NoError(t, err)
	exchange(n, s, v, z)
	for _, y := range []*site{n, s, v, z} {
		is, err := y.b.Settings(ctx)
		require.NoError(t, err)
		require.Equal(t, []string{"200", "20"}, []string{is["altitude-m"], is["warm-up-min"]}, y.mark)
		require.Equal(t, y == n, is["units"] == "us")
	}
}

// Two books that join with years of their own keep their numbers, and what they say.
func TestABookWithAHistoryJoins(t *testing.T) {
	ctx := context.Background()
	path := older(t, "v8.db")
	b, err := Open(ctx, path, clock)
	require.NoError(t, err)
	sheets := sheetsOut(t, b)
	past := dump(t, path, "past")
	require.NoError(t, b.Close())
	y := &site{t: t, mark: "N", path: path, now: noon.AddDate(1, 0, 0)}
	y.open()
	require.NoError(t, y.b.Found(ctx, "N", "North yard"))
	require.Equal(t, sheets, sheetsOut(t, y.b), "nothing of it changes by that")
	require.Equal(t, past, dump(t, path, "past"))
	z := &site{t: t, mark: "Z", path: filepath.Join(t.TempDir(), "z.db"), now: noon}
	z.open()
	is, err := y.b.Settings(ctx)
	require.NoError(t, err)
	require.NoError(t, z.b.Set(ctx, schema.Setting{Key: "time-zone", Value: is["time-zone"]}))
	_, err = z.b.Join(ctx, y.bundles(), "Z", "empty")
	require.NoError(t, err)
	y.take(z.bundles()...)
	defer closeAll([]*site{y, z})
	allSayTheSame(t, y, z)
	require.Equal(t, sheets["runs"], sheetsOut(t, z.b)["runs"])
	require.Equal(t, len(past), len(dump(t, z.path, "past")))
}

// A backup that is put back is a life of its own once somebody writes to it; no number
// is given twice, and what waited in it is not lost.
func TestABackupIsALifeOfItsOwn(t *testing.T) {
	ctx := context.Background()
	n, s, v := three(t)
	waits := n.record(run("R1", 1, 1))
	back := filepath.Join(t.TempDir(), "back.db")
	_, err := n.b.Backup(ctx, back)
	require.NoError(t, err)
	lost := n.record(run("R1", 2, 1))
	s.take(n.bundles()...) // and then the disk is lost
	require.NoError(t, n.b.Close())
	copyBook(t, back, n.path)
	n.open()
	defer n.b.Close()
	anew := n.record(run("R1", 3, 1))
	require.Equal(t, lost, anew, "the number that is next in it")
	names, err := n.b.Called(ctx, waits, anew)
	require.NoError(t, err)
	require.Equal(t, map[int64]string{waits: "N4", anew: "N2-5"}, names)
	exchange(n, s, v)
	allSayTheSame(t, n, s, v)
	require.Equal(t, 3, n.count("run"))
	number, ok, err := n.b.NumberOf(ctx, "n5")
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, noon.Add(2*time.Hour), n.show(number).Current.(*schema.Run).At)
	number, _, err = s.b.NumberOf(ctx, "N2-5")
	require.NoError(t, err)
	require.Equal(t, noon.Add(3*time.Hour), s.show(number).Current.(*schema.Run).At)
}

// A copy that nobody marked takes back what the others have of its book. What it
// recorded meanwhile becomes a life of its own, and no number is given twice.
func TestACopyThatNobodyMarked(t *testing.T) {
	for _, meanwhile := range []bool{false, true} {
		t.Run(fmt.Sprint(meanwhile), func(t *testing.T) {
			ctx := context.Background()
			n, s, v := three(t)
			require.NoError(t, n.b.Close())
			data, err := os.ReadFile(n.path)
			require.NoError(t, err)
			n.open()
			for hour := range 3 {
				n.record(run("R1", hour, 1))
			}
			n.amend(4, func(r schema.Record) { r.(*schema.Run).Note = "wet" })
			s.take(n.bundles()...)
			require.NoError(t, n.b.Close())
			for _, end := range beside {
				_ = os.Remove(n.path + end)
			}
			require.NoError(t, os.WriteFile(n.path, data, 0o600))
			n.open()
			defer n.b.Close()
			if meanwhile {
				n.record(&schema.Machine{Name: "R5"})
				n.record(run("R5", 9, 1))
				n.amend(5, func(r schema.Record) { r.(*schema.Run).Hours = schema.N(2) })
				require.NoError(t, n.b.Set(ctx, schema.Setting{Key: "altitude-m", Value: "9"}))
			}
			n.take(s.bundles()...)
			after := n.record(run("R1", 11, 1))
			exchange(n, s, v)
			allSayTheSame(t, n, s, v)
			require.Equal(t, map[bool]int{false: 4, true: 5}[meanwhile], v.count("run"))
			if !meanwhile {
				require.EqualValues(t, 7, after, "the numbers that came back are not given again")
			}
		})
	}
}

// A book whose branch was sent by two copies goes on, and says that it can't take the
// other one in.
func TestAForkIsHeldAndSaid(t *testing.T) {
	ctx := context.Background()
	n, s, v := three(t)
	require.NoError(t, n.b.Close())
	data, err := os.ReadFile(n.path)
	require.NoError(t, err)
	other := &site{t: t, mark: "N", path: n.path + ".copy", now: n.now}
	require.NoError(t, os.WriteFile(other.path, data, 0o600))
	n.open()
	other.open()
	defer closeAll([]*site{n, other})
	n.record(run("R1", 1, 1))
	other.record(run("R1", 2, 1))
	s.take(n.bundles()...)
	s.take(other.bundles()...)
	v.take(other.bundles()...)
	n.take(v.bundles()...)
	for _, y := range []*site{s, n} {
		require.Equal(t, 1, y.count("run"))
		depots, err := y.b.Depots(ctx)
		require.NoError(t, err)
		i := slices.IndexFunc(depots, func(d Depot) bool { return d.Mark == "N" })
		require.Len(t, depots[i].Held, 1, y.mark)
		require.Contains(t, depots[i].Held[0].Why, "are others than those that are here")
	}
}

// Three depots, each of which hears of all before it does anything, are as one book:
// the same is refused, and the same comes of it.
func TestAsInOneBook(t *testing.T) {
	rounds := 2
	if n, err := strconv.Atoi(os.Getenv("DEPOT_HISTORIES")); err == nil {
		rounds = n
	}
	for seed := range rounds {
		rng := rand.New(rand.NewPCG(uint64(seed), 7))
		dir, err := os.MkdirTemp(memory(), "depots")
		require.NoError(t, err)
		all := company(t, dir, "N", "S", "V")
		one := company(t, t.TempDir(), "O")[0]
		one.still = true
		exchange(all...)
		names := map[string]string{} // of records, by the name in either
		alike := func(y *site, number int64) {
			for _, of := range []*site{y, one} {
				d, err := of.b.company(context.Background(), of.b.db)
				require.NoError(t, err)
				name, err := d.name(context.Background(), number)
				require.NoError(t, err)
				names[name.String()] = fmt.Sprint("#", number)
			}
		}
		ids := regexp.MustCompile(`[A-Z0-9]{12}:[0-9]+`)
		same := func(y *site) []string {
			var out []string
			for _, line := range y.says() {
				if !strings.HasPrefix(line, "book ") {
					out = append(out, ids.ReplaceAllStringFunc(line, func(s string) string { return names[s] }))
				}
			}
			slices.Sort(out)
			return out
		}
		entered := regexp.MustCompile(`entered 2[^ ]*Z`)
		for number := int64(1); number < 4; number++ {
			alike(all[0], number)
		}
		for step := range 30 {
			y := all[step%3]
			y.still, y.now = true, noon.Add(time.Duration(step)*time.Minute)
			one.now = y.now
			number := int64(1 + rng.IntN(step+4))
			what, a, b := rng.IntN(8), rng.IntN(3), rng.IntN(3)
			do := func(y *site, number int64) (int64, error) {
				ctx := context.Background()
				switch what {
				case 0, 1, 2:
					return y.b.Record(ctx, run(fmt.Sprint("R", 1+a), b, 1))
				case 3:
					return y.b.Record(ctx, &schema.Machine{Name: fmt.Sprint("R", 3+a)})
				case 4:
					return y.b.Record(ctx, &schema.Spec{Machine: fmt.Sprint("R", 1+a), Figure: "cap", Value: "1"})
				case 5:
					_, err := y.b.Void(ctx, number, "typed twice")
					return 0, err
				}
				_, err := y.b.Amend(ctx, number, "misread", func(k *schema.Kind, r schema.Record) error {
					if m, ok := r.(*schema.Machine); ok {
						m.Name = fmt.Sprint("R", 3+b)
					}
					if r, ok := r.(*schema.Run); ok && a > 0 {
						r.Hours = schema.N(float64(a))
					}
					*k.Field("note").Pointer(r).(*string) = []string{"", "wet", "late"}[b]
					return nil
				})
				return 0, err
			}
			// The numbers are the same: each hears of all, in the order in which it was done.
			got, err := do(y, number)
			want, wantErr := do(one, number)
			require.Equal(t, wantErr == nil, err == nil, "step %d (%d): %v, and in one book: %v", step, what, err,
				wantErr)
			if wantErr != nil {
				require.Equal(t, wantErr.Error(), err.Error())
			}
			require.Equal(t, want, got)
			if got > 0 {
				alike(y, got)
			}
			for _, other := range all {
				if other != y {
					other.take(y.bundles()...)
				}
			}
		}
		want := same(one)
		for i := range want {
			want[i] = entered.ReplaceAllString(want[i], "entered")
		}
		for _, y := range all {
			got := same(y)
			for i := range got {
				got[i] = entered.ReplaceAllString(got[i], "entered")
			}
			require.Equal(t, want, got, y.mark)
		}
		closeAll(append(all, one))
		require.NoError(t, os.RemoveAll(dir))
	}
}
