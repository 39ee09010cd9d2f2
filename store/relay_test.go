package store

import (
	"bytes"
	"context"
	"encoding/hex"
	"errors"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

// relay is a hub that is only a list.
type relay struct {
	made int64
	log  []Arrival
}

// onHub lets books know a hub; the first is the office.
func onHub(t *testing.T, seal []byte, all ...*site) {
	t.Helper()
	for i, y := range all {
		h := &Hub{Addresses: "tls://hub.example:4222", Authority: "none", Seed: "none", Seal: seal}
		if i == 0 {
			h.Directory = "hub"
		}
		require.NoError(t, y.b.SetHub(context.Background(), h))
	}
}

func (r *relay) tail(t *testing.T, book string) (out Tail) {
	for i, a := range r.log {
		if a.Book == book {
			var err error
			out, err = TailOf(uint64(i+1), a.Content)
			require.NoError(t, err)
		}
	}
	return out
}

// exchange reads all and sends all, as store/hub does.
func (r *relay) exchange(t *testing.T, y *site) *TookBundles {
	t.Helper()
	ctx := context.Background()
	h, err := y.b.Hub(ctx)
	require.NoError(t, err)
	if h.Made != r.made {
		require.NoError(t, y.b.FirstSight(ctx, r.made))
		h.Place = 0
	}
	took, err := y.b.TakeArrivals(ctx, r.log[h.Place:], false)
	require.NoError(t, err)
	senders, err := y.b.Senders(ctx)
	require.NoError(t, err)
	for _, s := range senders {
		for {
			p, err := y.b.NextParcel(ctx, s, r.tail(t, s.Book))
			if errors.Is(err, ErrBehind) { // it rests
				break
			}
			require.NoError(t, err)
			if p == nil {
				break
			}
			r.log = append(r.log, Arrival{uint64(len(r.log) + 1), p.Mark, p.Book, p.Content})
		}
	}
	return took
}

// What a bundle says is to be read with the company's key alone, and what is not as it
// was sealed is passed over.
func TestSealedBundles(t *testing.T) {
	ctx := context.Background()
	all := company(t, t.TempDir(), "N", "S")
	defer closeAll(all)
	n, s := all[0], all[1]
	key := NewSeal()
	onHub(t, key, n, s)
	n.record(run("R1", 1, 1))
	bundles := n.bundles()
	last := bundles[len(bundles)-1]
	sealed, err := last.Sealed(key)
	require.NoError(t, err)
	got, err := ReadBundles(sealed)
	require.NoError(t, err)
	require.Equal(t, "aes-256-gcm", got[0].Seal)
	require.NotContains(t, strings.Join(got[0].lines, ""), `"hours"`)
	open, err := got[0].opened(key)
	require.NoError(t, err)
	require.Equal(t, last.lines, open.lines)
	_, err = got[0].opened(NewSeal())
	require.ErrorContains(t, err, "not sealed with this company's key")

	changed := *got[0] // by whoever owns the hub
	changed.After = map[string]int64{"K7Q2ZVAE": 1}
	require.NoError(t, changed.pack())
	plain := last.content
	at := uint64(0)
	for _, c := range []struct {
		mark, book string
		content    []byte
		why        string
	}{
		{"N", last.Book, changed.content, "or was changed since"},
		{"N", last.Book, plain, "it is not sealed"},
		{"N", last.Book, []byte("a text that nobody packed"), "no bundle of entries"},
		{"N", last.Book, append(bytes.Clone(sealed), sealed...), "more than one bundle"},
		{"S", last.Book, sealed, "of book " + last.Book + " of depot N"},
	} {
		before := s.says()
		at++
		_, err := s.b.TakeArrivals(ctx, []Arrival{{at, c.mark, c.book, c.content}}, false)
		require.NoError(t, err)
		h, err := s.b.Hub(ctx)
		require.NoError(t, err)
		require.Contains(t, h.Refused, c.why)
		require.Equal(t, at, h.Place, "it goes on behind what it passed over")
		require.Equal(t, before, s.says())
	}

	// A newer program's is held back, and what it is sealed with need not be known.
	newer := *last
	newer.Version = schema.EntryVersion + 1
	content, err := newer.Sealed(key)
	require.NoError(t, err)
	at++
	_, err = s.b.TakeArrivals(ctx, []Arrival{{at, "N", last.Book, content}}, false)
	require.NoError(t, err)
	held, err := s.b.heldBundles(ctx)
	require.NoError(t, err)
	require.Len(t, held, 1)
	require.Contains(t, held[0].why, "depot N runs a newer program")
	_, err = s.b.db.Exec("DELETE FROM held")
	require.NoError(t, err)

	// Another depot that has the key goes on under this one's book id.
	forged, err := last.cut(last.First, last.Count)
	require.NoError(t, err)
	is := *forged
	is.Mark, is.First, is.Prev = "V", last.First+int64(last.Count), last.Last
	is.Last = hex.EncodeToString(chain(mustHex(is.Prev), is.lines...))
	require.NoError(t, is.pack())
	content, err = is.Sealed(key)
	require.NoError(t, err)
	s.take(n.bundles()...)
	before := s.says()
	_, err = s.b.TakeArrivals(ctx, []Arrival{{at + 1, "V", last.Book, content}}, false)
	require.NoError(t, err)
	require.Equal(t, before, s.says())
}

// Books come together over a hub that forgets all, and one that stands at the same
// bundle twice; each bundle is there once.
func TestBooksOverAHub(t *testing.T) {
	all := company(t, t.TempDir(), "N", "S", "V")
	defer closeAll(all)
	onHub(t, NewSeal(), all...)
	r := &relay{made: 1}
	for i, y := range all {
		y.record(run("R1", i+1, 1))
	}
	for range 2 {
		for _, y := range all {
			r.exchange(t, y)
		}
	}
	allSayTheSame(t, all...)
	var had int
	require.NoError(t, all[1].b.db.QueryRow("SELECT count(*) FROM bundles").Scan(&had))
	require.Len(t, r.log, had, "a message for each bundle")

	*r = relay{made: 2} // its disks are lost
	all[2].record(run("R2", 7, 1))
	for range 2 {
		for _, y := range all {
			r.exchange(t, y)
		}
	}
	allSayTheSame(t, all...)
	require.Len(t, r.log, had+1)
	require.NoError(t, all[2].b.Exchanged(context.Background()))
	all[2].record(run("R2", 8, 1))
	waits, _, ever, err := all[2].b.WaitForHub(context.Background())
	require.NoError(t, err)
	require.True(t, ever)
	require.EqualValues(t, 1, waits)
	r.exchange(t, all[2])
	r.exchange(t, all[2]) // hears of its own
	senders, err := all[2].b.Senders(context.Background())
	require.NoError(t, err)
	require.Empty(t, senders)
}

// Three hundred entries in one bundle come in by parts, and are one bundle in the end.
func TestLargeBundlesComeInByParts(t *testing.T) {
	all := company(t, t.TempDir(), "N", "S")
	defer closeAll(all)
	onHub(t, NewSeal(), all...)
	r := &relay{made: 1}
	r.exchange(t, all[0])
	r.exchange(t, all[1])
	for i := range 250 {
		all[0].record(run("R1", i+1, 1))
	}
	r.exchange(t, all[0])
	took := r.exchange(t, all[1])
	require.EqualValues(t, 250, took.Entries["N"])
	r.exchange(t, all[0])
	allSayTheSame(t, all...)
	var count int
	require.NoError(t, all[1].b.db.QueryRow("SELECT max(count) FROM bundles WHERE hub = 1").Scan(&count))
	require.Equal(t, 250, count)
}

// aCopySends is a company of N, S and a copy of N that nobody marked. The copy has sent
// a run; N, which did not hear of it, has recorded another.
func aCopySends(t *testing.T) (r *relay, n *site, all []*site) {
	t.Helper()
	all = company(t, t.TempDir(), "N", "S")
	onHub(t, NewSeal(), all...)
	r = &relay{made: 1}
	for range 2 {
		r.exchange(t, all[0])
		r.exchange(t, all[1])
	}
	n = all[0]
	n.b.Close()
	other := &site{t: t, mark: "N", path: n.path + ".copy", now: n.now}
	copyBook(t, n.path, other.path)
	n.open()
	other.open()
	all = append(all, other)
	t.Cleanup(func() { closeAll(all) })
	other.record(run("R1", 2, 1))
	r.exchange(t, other)
	n.record(run("R1", 3, 2))
	return r, n, all
}

// A copy of a book that nobody marked sends first; this one hears of it before it has
// sent anything, and goes on under an id of its own.
func TestACopySendsFirst(t *testing.T) {
	ctx := context.Background()
	r, n, all := aCopySends(t)
	s, err := n.b.Hub(ctx)
	require.NoError(t, err)
	// It tries to send before it has read on: the hub has another tail than it thinks.
	_, err = n.b.NextParcel(ctx, Sender{"N", s.Book}, r.tail(t, s.Book))
	require.ErrorIs(t, err, ErrBehind)
	for range 2 {
		for _, y := range all {
			r.exchange(t, y)
		}
	}
	allSayTheSame(t, all...)
	require.Equal(t, 2, all[1].count("run"))

	// Both send at once, and the hub takes the other's: what it refused nobody has.
	h, err := n.b.Hub(ctx)
	require.NoError(t, err)
	n.record(run("R1", 5, 1))
	p, err := n.b.NextParcel(ctx, Sender{"N", h.Book}, r.tail(t, h.Book))
	require.NoError(t, err)
	require.NoError(t, n.b.Refuse(ctx, p))
	var sent int
	require.NoError(t, n.b.db.QueryRow("SELECT sent FROM bundles ORDER BY rowid DESC LIMIT 1").Scan(&sent))
	require.Zero(t, sent)
}

// A copy that nobody marked and the book itself both sent something before they heard of
// each other. What the one sent is held back everywhere, until it is renewed.
func TestRenewedBook(t *testing.T) {
	ctx := context.Background()
	r, n, all := aCopySends(t)
	n.bundles() // to a stick
	r.exchange(t, n)
	depots, err := n.b.Depots(ctx)
	require.NoError(t, err)
	require.NotEmpty(t, depots[0].Held)
	require.Contains(t, depots[0].Held[0].Why, "the book was set back")
	require.Equal(t, 1, n.count("run"))
	name, _, err := n.b.RenewLife(ctx)
	require.NoError(t, err)
	require.Equal(t, "N2", name)
	for range 2 {
		for _, y := range all {
			r.exchange(t, y)
		}
	}
	allSayTheSame(t, all...)
	require.Equal(t, 2, all[1].count("run"))
}
