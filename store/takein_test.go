package store

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

// lettered masks by hand: Ada is Driver A, Ben is Driver B.
type lettered struct{}

var lettering = strings.NewReplacer("Ada", "Driver A", "Ben", "Driver B")

func (lettered) Driver(s string) string                 { return lettering.Replace(s) }
func (lettered) Field(_ *schema.Field, s string) string { return lettering.Replace(s) }
func (lettered) In(_ schema.Naming, s string) string    { return lettering.Replace(s) }

func letters([]schema.Driver, *schema.Log) Mask { return lettered{} }

func keep(t *testing.T, b *Book, records ...schema.Record) (last int64) {
	t.Helper()
	for _, r := range records {
		n, err := b.Record(context.Background(), r)
		require.NoError(t, err)
		last = n
	}
	return last
}

func at(days int, machine string) schema.Base {
	return schema.Base{Machine: machine, At: noon.AddDate(0, 0, days)}
}

func amendHours(t *testing.T, b *Book, number int64, hours float64, why string) {
	t.Helper()
	_, err := b.Amend(context.Background(), number, why, func(_ *schema.Kind, r schema.Record) error {
		r.(*schema.Run).Hours = schema.N(hours)
		return nil
	})
	require.NoError(t, err)
}

// yard is a book of two machines; R4 is to be sold.
func yard(t *testing.T) *Book {
	t.Helper()
	b, ctx := newBook(t), context.Background()
	require.NoError(t, b.AddWord(ctx, schema.Word{Vocabulary: "terrain", Word: "stubble"}))
	require.NoError(t, b.AddWord(ctx, schema.Word{Vocabulary: "terrain", Word: "slag"}))
	keep(t, b,
		&schema.Machine{Name: "Q2", Model: "Moor 4", Serial: "M4-220"}, // 1
		&schema.Machine{Name: "R4", Model: "Fell 8", Serial: "F8-417"}, // 2
		// 3 4 5
		&schema.Driver{Name: "Ada"}, &schema.Driver{Name: "Ben", Note: "mornings"}, &schema.Driver{Name: "Cleo"},
		// 6 7
		&schema.Spec{Model: "Fell 8", Figure: "coolant-l", Value: "4.2"},
		&schema.Spec{Model: "Moor 4", Figure: "coolant-l", Value: "2.1"},
		// 8
		&schema.Run{Base: at(0, "R4"), Driver: "Ada", Hours: schema.N(2), Terrain: "stubble"},
		// 9
		&schema.Run{Base: at(1, "R4"), Driver: "Ben", Hours: schema.N(1), Note: "Ada took it back"},
		// 10
		&schema.Run{Base: at(1, "Q2"), Driver: "Cleo", Hours: schema.N(7), Terrain: "slag"},
		// 11
		&schema.TopUp{Head: schema.Head{Base: at(2, "R4")}, Volume: schema.N(300)},
		// 12
		&schema.Service{Head: schema.Head{Base: at(3, "R4")}, Work: "pump seal", By: "Ben"},
		// 13
		&schema.Answer{Machine: "R4", At: noon.AddDate(0, 0, 4), Flag: "steady-loss", Cause: "external-leak",
			Service: schema.N(12)},
		// 14
		&schema.Run{Base: at(5, "R4"), Hours: schema.N(9), Note: "typed twice"},
		// 15 16
		&schema.Plan{Model: "Fell 8", Work: "oil", EveryH: schema.N(50)},
		&schema.Plan{Machine: "Q2", Work: "belt", EveryH: schema.N(90)},
		// 17
		&schema.Run{Base: schema.Base{Ref: "row-1", Machine: "R4", At: noon.AddDate(0, 0, 6)}, Hours: schema.N(1)},
	)
	amendHours(t, b, 8, 2.5, "Ada misread")
	_, err := b.Void(ctx, 14, "Ben's mistake")
	require.NoError(t, err)
	_, _, err = b.Attach(ctx, 12, []File{{"Ada seal.pdf", "held by Ben", paper("seal")},
		{"wrong.pdf", "", paper("wrong")}})
	require.NoError(t, err)
	_, err = b.Detach(ctx, 12, 2, "of Q2")
	require.NoError(t, err)
	_, _, err = b.Attach(ctx, 10, []File{{"q.pdf", "", paper("of the other machine")}})
	require.NoError(t, err)
	return b
}

func handOver(t *testing.T, b *Book, machine string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), machine+".book")
	_, err := b.Handover(context.Background(), machine, path, letters)
	require.NoError(t, err)
	return path
}

func takeIn(t *testing.T, b *Book, path string) *TookIn {
	t.Helper()
	done, err := b.TakeIn(context.Background(), path, false, false)
	require.NoError(t, err)
	require.Empty(t, done.Conflicts)
	require.True(t, done.Kept)
	return done
}

func came(done *TookIn) (n int) {
	for _, s := range done.Sheets {
		n += s.Added + s.Amended
	}
	return n
}

func sound1(t *testing.T, b *Book) {
	t.Helper()
	found, err := b.Verify(context.Background())
	require.NoError(t, err)
	for _, f := range found {
		require.Empty(t, f.Wrong, f.Check)
	}
}

func TestHandoverIsABookOfItsOwn(t *testing.T) {
	b, ctx := yard(t), context.Background()
	_, err := b.Amend(ctx, 2, "sold", func(_ *schema.Kind, r schema.Record) error {
		r.(*schema.Machine).Retired, r.(*schema.Machine).SoldTo = noon.AddDate(0, 1, 0), "Dora Pell"
		return nil
	})
	require.NoError(t, err)
	path := handOver(t, b, "R4")
	info, err := os.Stat(path)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	require.NoFileExists(t, path+"-wal")
	_, err = b.Handover(ctx, "R4", path, letters)
	require.ErrorContains(t, err, "already exists")

	h, err := View(ctx, path)
	require.NoError(t, err)
	defer h.Close()
	sound1(t, h)
	f, err := h.Fleet(ctx)
	require.NoError(t, err)
	require.Len(t, f.Logs, 1)
	l := f.Logs[0]
	require.True(t, l.Machine.Retired.IsZero())
	require.Empty(t, l.Machine.SoldTo)
	require.Zero(t, l.Machine.Versions, "that it was sold was all that was amended")
	require.Len(t, f.Drivers, 2)
	require.Equal(t, "drove R4, serial F8-417, under its former owner", f.Drivers[1].Note)
	require.Len(t, l.Runs, 3)
	require.Equal(t, []string{"Driver A", "Driver B", ""},
		[]string{l.Runs[0].Driver, l.Runs[1].Driver, l.Runs[2].Driver})
	require.Equal(t, "Driver A took it back", l.Runs[1].Note)
	require.EqualValues(t, 8, l.Runs[0].Number)
	require.Equal(t, "row-1", l.Runs[2].Ref)
	require.Len(t, f.Specs, 1)
	require.Len(t, f.Plans, 1)
	require.Equal(t, []schema.Word{{Vocabulary: "terrain", Word: "stubble"}}, f.Words)
	past, err := h.Earlier(ctx, "R4")
	require.NoError(t, err)
	require.Len(t, past, 2)
	require.Equal(t, "Driver A misread", past[0].Why)
	require.Equal(t, "Driver B's mistake", past[1].Why)
	got, err := h.Attached(ctx, "R4")
	require.NoError(t, err)
	require.Len(t, got, 1)
	require.Equal(t, "Driver A seal.pdf", got[0].Name)
	require.Equal(t, "held by Driver B", got[0].What)

	data, err := os.ReadFile(path)
	require.NoError(t, err)
	for _, word := range []string{"Ada", "Ben", "Cleo", "Q2", "Moor", "M4-220", "slag", "belt", "Dora", "wrong.pdf",
		"of the other machine", "mornings"} {
		require.NotContains(t, string(data), word)
	}
	require.Contains(t, string(data), "F8-417")

	_, err = b.Handover(ctx, "R5", filepath.Join(t.TempDir(), "x"), letters)
	var unknown *schema.UnknownError
	require.ErrorAs(t, err, &unknown)
}

func TestTakeIn(t *testing.T) {
	path, ctx := handOver(t, yard(t), "R4"), context.Background()
	b := newBook(t)
	keep(t, b, &schema.Machine{Name: "B1"}, &schema.Driver{Name: "Driver A", Note: "of another machine"}, // 1 2
		// 3: a ref that R4's sheet has too
		&schema.Run{Base: schema.Base{Ref: "row-1", Machine: "B1", At: noon}, Hours: schema.N(5)},
		&schema.Spec{Model: "Fell 8", Figure: "coolant-l", Value: "4.4"})
	dry, err := b.TakeIn(ctx, path, false, true)
	require.NoError(t, err)
	require.False(t, dry.Kept)
	done := takeIn(t, b, path)
	require.Equal(t, came(dry), came(done))
	require.Equal(t, []string{"coolant-l of Fell 8 stays 4.4; " + path + " says 4.2"}, done.Notes)
	sound1(t, b)

	f, err := b.Fleet(ctx, "R4")
	require.NoError(t, err)
	l := f.Logs[0]
	require.Equal(t, []string{"Driver A of R4", "Driver B", ""},
		[]string{l.Runs[0].Driver, l.Runs[1].Driver, l.Runs[2].Driver})
	require.Equal(t, "row-1 of R4", l.Runs[2].Ref)
	require.Equal(t, 1, l.Runs[0].Versions)
	require.Equal(t, float64(l.Services[0].Number), l.Answers[0].Service.V, "the answer has its service's new number")
	past, err := b.Earlier(ctx, "R4")
	require.NoError(t, err)
	require.Len(t, past, 2)
	require.Equal(t, l.Runs[0].Number, past[0].Number)
	require.Equal(t, "Driver A of R4", past[0].Record.(*schema.Run).Driver)
	got, err := b.Attachments(ctx, l.Services[0].Number)
	require.NoError(t, err)
	require.Len(t, got, 1)
	content, err := b.Content(ctx, got[0])
	require.NoError(t, err)
	require.Equal(t, paper("seal"), content)

	// Again: nothing to add. Nor after the buyer amended and voided some of it,
	// renamed the machine, sold it and detached the paper.
	require.Zero(t, came(takeIn(t, b, path)))
	amendHours(t, b, l.Runs[0].Number, 3, "the meter says so")
	amendHours(t, b, l.Runs[2].Number, 4, "the meter says so")
	_, err = b.Void(ctx, l.TopUps[0].Number, "it was oil")
	require.NoError(t, err)
	_, err = b.Detach(ctx, l.Services[0].Number, 1, "of no use")
	require.NoError(t, err)
	_, err = b.Amend(ctx, l.Machine.Number, "", func(_ *schema.Kind, r schema.Record) error {
		m := r.(*schema.Machine)
		m.Name, m.CoolantL, m.Retired, m.SoldTo = "Red", schema.N(4.1), noon.AddDate(1, 0, 0), "Eve"
		return nil
	})
	require.NoError(t, err)
	before := sheetsOut(t, b)
	again := takeIn(t, b, path)
	require.Equal(t, "Red", again.Machine)
	require.Zero(t, came(again), "%+v", again.Sheets)
	require.Equal(t, before, sheetsOut(t, b))
	sound1(t, b)
}

// Two records that say the same are two.
func TestTakeInKeepsTwins(t *testing.T) {
	y, ctx := yard(t), context.Background()
	keep(t, y, &schema.Service{Head: schema.Head{Base: at(7, "R4")}, Work: "oil", By: "Ada"},
		&schema.Service{Head: schema.Head{Base: at(7, "R4")}, Work: "oil", By: "Driver A"})
	path := handOver(t, y, "R4")
	b := newBook(t)
	takeIn(t, b, path)
	f, err := b.Fleet(ctx, "R4")
	require.NoError(t, err)
	require.Len(t, f.Logs[0].Services, 3)
	require.Zero(t, came(takeIn(t, b, path)))
}

// A second handover brings what the yard recorded since; what it amended since
// is a conflict that --update settles.
func TestTakeInWhatCameSince(t *testing.T) {
	y, ctx := yard(t), context.Background()
	b := newBook(t)
	takeIn(t, b, handOver(t, y, "R4"))
	keep(t, y, &schema.TopUp{Head: schema.Head{Base: at(9, "R4")}, Volume: schema.N(120)})
	second := handOver(t, y, "R4")
	require.Equal(t, 1, came(takeIn(t, b, second)))

	amendHours(t, y, 9, 1.5, "misread")
	amendHours(t, y, 17, 1.5, "misread")
	third := handOver(t, y, "R4")
	before := sheetsOut(t, b)
	done, err := b.TakeIn(ctx, third, false, false)
	require.NoError(t, err)
	require.False(t, done.Kept)
	require.Len(t, done.Conflicts, 2, "one by its ref, one by what it was")
	require.Contains(t, done.Conflicts[0], `hours: conflict: the book has "1"`)
	require.Contains(t, done.Conflicts[0], `"1.5"`)
	require.Equal(t, before, sheetsOut(t, b))
	done, err = b.TakeIn(ctx, third, true, false)
	require.NoError(t, err)
	require.True(t, done.Kept)
	require.Equal(t, 2, came(done))
	sound1(t, b)
	done, err = b.TakeIn(ctx, third, false, false)
	require.NoError(t, err)
	require.Zero(t, came(done))
}

func TestTakeInOfAMachineThatIsAnother(t *testing.T) {
	path, ctx := handOver(t, yard(t), "R4"), context.Background()
	for name, c := range map[string]struct {
		mine       schema.Machine
		says, hint string
	}{
		"another serial": {schema.Machine{Name: "r4", Model: "Fell 8", Serial: "F8-9"},
			"this book has a machine called r4 (Fell 8, serial F8-9)",
			"rename yours first: shedbook correct 1 --machine 'r4 old'"},
		"no serial": {schema.Machine{Name: "R4", Model: "Fell 8"}, "(Fell 8, no serial number recorded)",
			"if they are the same machine, correct its serial number: shedbook machine set R4 --serial"},
	} {
		b := newBook(t)
		keep(t, b, &c.mine)
		_, err := b.TakeIn(ctx, path, true, false)
		var e *Error
		require.ErrorAs(t, err, &e, name)
		require.Equal(t, Refused, e.Trouble)
		require.ErrorContains(t, err, c.says)
		require.Contains(t, e.Hint, c.hint)
		f, err := b.Fleet(ctx)
		require.NoError(t, err)
		require.Len(t, f.Logs, 1)
		require.Empty(t, f.Logs[0].Runs)
	}
	// The same machine under another name.
	b := newBook(t)
	keep(t, b, &schema.Machine{Name: "Red", Model: "Fell 8", Serial: "f8-417"})
	done, err := b.TakeIn(ctx, path, true, false)
	require.NoError(t, err)
	require.Equal(t, "Red", done.Machine)
}

// A book that another program wrote, or that was damaged on the way, is refused
// and changes nothing.
func TestTakeInRefuses(t *testing.T) {
	path, ctx := handOver(t, yard(t), "R4"), context.Background()
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	for name, c := range map[string]struct{ sql, says string }{
		"a trigger": {"CREATE TRIGGER t AFTER INSERT ON runs BEGIN DELETE FROM past; END",
			"trigger t does not belong to the book"},
		"another picture":  {"UPDATE files SET content = zeroblob(bytes)", "does not have its digest"},
		"a note of blanks": {"UPDATE runs SET note = '  x' WHERE number = 9", "run 9: note"},
		"two machines": {"INSERT INTO machines (number, machine, entered) VALUES (3, 'X', " +
			"'2026-03-14T12:00:00Z')", "has 2 machines"},
		"no machine":            {"PRAGMA foreign_keys = 0; DELETE FROM machines", "references: "},
		"a past of other kinds": {"UPDATE past SET kind = 'ride'", `"ride" is not a kind of record`},
	} {
		bad := filepath.Join(t.TempDir(), "bad.book")
		require.NoError(t, os.WriteFile(bad, data, 0o600))
		o, err := Open(ctx, bad, clock)
		require.NoError(t, err)
		o.db.SetMaxOpenConns(1)
		_, err = o.db.Exec(c.sql)
		require.NoError(t, err, name)
		require.NoError(t, o.Close())
		if name != "a trigger" {
			resum(t, bad)
		}
		b := newBook(t)
		_, err = b.TakeIn(ctx, bad, false, false)
		require.ErrorContains(t, err, c.says, name)
		require.Empty(t, sheetsOut(t, b), name)
	}
	for name, data := range map[string][]byte{"half": data[:len(data)/2],
		"no book": []byte("SQLite format 3\x00" + strings.Repeat("x", 500))} {
		bad := filepath.Join(t.TempDir(), "bad.book")
		require.NoError(t, os.WriteFile(bad, data, 0o600))
		require.True(t, IsBook(bad))
		_, err = newBook(t).TakeIn(ctx, bad, false, false)
		var e *Error
		require.ErrorAs(t, err, &e, name)
		require.Equal(t, BadBook, e.Trouble, name)
	}
}

// A driver who was renamed, and one who was voided, are known by all their
// names; a record's past names who is meant by the name of today.
func TestFormerNames(t *testing.T) {
	b, ctx := yard(t), context.Background()
	_, err := b.Amend(ctx, 8, "it was Ben", func(_ *schema.Kind, r schema.Record) error {
		r.(*schema.Run).Driver = "Ben"
		return nil
	})
	require.NoError(t, err)
	_, err = b.Amend(ctx, 3, "renamed", func(_ *schema.Kind, r schema.Record) error {
		r.(*schema.Driver).Name = "Ada Venn"
		return nil
	})
	require.NoError(t, err)
	gone := keep(t, b, &schema.Driver{Name: "Fay"})
	_, err = b.Void(ctx, gone, "left")
	require.NoError(t, err)
	people, err := b.People(ctx)
	require.NoError(t, err)
	says := ""
	for _, p := range people {
		says += fmt.Sprint(p.Name, p.Former, " ")
	}
	require.Equal(t, "Ada Venn[Ada] Ben[] Cleo[] Fay[] ", says)
	past, err := b.Earlier(ctx, "R4")
	require.NoError(t, err)
	require.Equal(t, "Ada Venn", past[1].Record.(*schema.Run).Driver)
}

// Two people may have one name: only who came into a book at the same second is
// the same, whichever book tells it.
func TestDriversOfOneNameStayTwo(t *testing.T) {
	ctx := context.Background()
	b, err := Create(ctx, filepath.Join(t.TempDir(), "yard.db"), func() time.Time { return noon })
	require.NoError(t, err)
	defer b.Close()
	keep(t, b, &schema.Machine{Name: "R4", Serial: "F8"}, &schema.Driver{Name: "Ada Venn"},
		&schema.Run{Base: schema.Base{Machine: "R4", At: noon}, Driver: "Ada Venn", Hours: schema.N(1)})
	path := filepath.Join(t.TempDir(), "R4.book")
	_, err = b.Handover(ctx, "R4", path, func([]schema.Driver, *schema.Log) Mask { return asItIs{} })
	require.NoError(t, err)
	require.Zero(t, came(takeIn(t, b, path)), "the yard's own, back again")

	buyer, err := Create(ctx, filepath.Join(t.TempDir(), "buyer.db"), func() time.Time { return noon.AddDate(0, 1, 0) })
	require.NoError(t, err)
	defer buyer.Close()
	keep(t, buyer, &schema.Machine{Name: "B1"}, &schema.Driver{Name: "Ada Venn"},
		&schema.Run{Base: schema.Base{Machine: "B1", At: noon}, Driver: "Ada Venn", Hours: schema.N(2)})
	done := takeIn(t, buyer, path)
	require.Len(t, done.Notes, 1)
	require.Contains(t, done.Notes[0], "already has a driver called Ada Venn, so theirs is called Ada Venn of R4 here")
	require.Zero(t, came(takeIn(t, buyer, path)), "the same book again")
	known, err := buyer.Known(ctx)
	require.NoError(t, err)
	require.Equal(t, []string{"Ada Venn", "Ada Venn of R4"}, known.Drivers)
	for _, f := range []struct{ machine, driver string }{{"B1", "Ada Venn"}, {"R4", "Ada Venn of R4"}} {
		fleet, err := buyer.Fleet(ctx, f.machine)
		require.NoError(t, err)
		require.Equal(t, f.driver, fleet.Logs[0].Runs[0].Driver)
	}
}
