package store

import (
	"context"
	"crypto/sha256"
	"errors"
	"slices"
	"strconv"
	"time"

	"shedbook/schema"
)

// What comes from the hub is judged and taken in.

// StoodThere is the digest of what stands at a place of the hub's log.
func StoodThere(mark, book string, content []byte) []byte {
	sum := sha256.Sum256(slices.Concat([]byte(mark+"."+book+"\n"), content))
	return sum[:]
}

// Arrival is a message of the hub's log.
type Arrival struct {
	Place      uint64
	Mark, Book string // of its subject: who alone can have written it
	Content    []byte
}

// arrived is where a bundle stood in the hub's log.
type arrived struct {
	place   uint64
	stood   []byte
	refused string // why it is passed over
}

// partEntries is how many entries are taken in in one transaction: whoever records at
// the same time waits so long.
const partEntries = 100

// TakeArrivals takes in what was read from the hub, in its order. Between transactions
// it rests for as long as the last one took, since SQLite's waiting is not fair.
func (b *Book) TakeArrivals(ctx context.Context, all []Arrival, more bool) (*TookBundles, error) {
	out := &TookBundles{Entries: map[string]int64{}}
	h, err := b.Hub(ctx)
	if err != nil {
		return out, err
	}
	if h == nil {
		return out, trouble(Refused, "shedbook depot join TICKET", "this book knows no hub")
	}
	var some []*Bundle
	entries := 0
	take := func(last bool) error {
		if len(some) == 0 {
			return nil
		}
		began := time.Now()
		_, err := b.takeSome(ctx, out, some...)
		some, entries = nil, 0
		if err == nil && (more || !last) {
			rest(ctx, time.Since(began))
		}
		return err
	}
	for i, a := range all {
		in := b.arrival(ctx, h, a)
		if entries+in.Count > partEntries {
			if err := take(false); err != nil {
				return out, err
			}
		}
		if in.arrived.refused == "" && in.Count > partEntries && in.Seal == "none" {
			for n := partEntries; n < in.Count; n += partEntries {
				part, err := in.cut(in.First, n)
				if err != nil {
					return out, err
				}
				is := *part
				is.part, is.arrived = true, nil
				some = append(some, &is)
				if err := take(false); err != nil {
					return out, err
				}
			}
		}
		some, entries = append(some, in), entries+in.Count
		if entries >= partEntries {
			if err := take(i == len(all)-1); err != nil {
				return out, err
			}
		}
	}
	if err := take(true); err != nil {
		return out, err
	}
	return out, b.tryHeld(ctx, out)
}

func rest(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
}

// arrival judges a message. What is no bundle of the book in whose name it came is
// passed over.
func (b *Book) arrival(ctx context.Context, h *Hub, a Arrival) *Bundle {
	at := &arrived{place: a.Place, stood: StoodThere(a.Mark, a.Book, a.Content)}
	refused := func(why string) *Bundle {
		at.refused = "message " + strconv.FormatUint(a.Place, 10) + " of depot " + a.Mark + " was passed over: " + why
		return &Bundle{Mark: a.Mark, Book: a.Book, arrived: at}
	}
	all, err := ReadBundles(a.Content)
	switch {
	case err != nil:
		return refused(err.Error())
	case len(all) != 1:
		return refused("it is more than one bundle")
	}
	in := all[0]
	switch {
	case in.Mark != a.Mark || in.Book != a.Book:
		return refused("it says that it is of book " + in.Book + " of depot " + in.Mark)
	case in.Company != h.Company:
		return refused("it is of another company")
	case in.Seal == "none" && in.Version <= schema.EntryVersion:
		return refused("it is not sealed")
	}
	open, err := in.opened(h.Seal)
	var why *notYet
	switch {
	case errors.As(err, &why): // sealed otherwise, for another program
		in.arrived = at
		return in
	case err != nil:
		return refused(err.Error())
	}
	open.arrived = at
	return open
}

// opened is a bundle that was held back sealed.
func (d *depots) opened(ctx context.Context, in *Bundle) (*Bundle, error) {
	if in.Seal == "none" {
		return in, nil
	}
	h, err := d.hub(ctx)
	if err != nil {
		return nil, err
	}
	var key []byte
	if h != nil {
		key = h.Seal
	}
	return in.opened(key)
}

// onHub notes which bundles the hub has told of.
func (d *depots) onHub(ctx context.Context, in *Bundle) error {
	_, err := d.q.ExecContext(ctx, "UPDATE bundles SET hub = 1 WHERE hub = 0 AND book = ? AND first >= ? AND first + "+
		"count <= ?", d.idx[in.Book], in.First, in.First+int64(in.Count))
	return err
}

// readTo notes how far the hub's log was read.
func (d *depots) readTo(ctx context.Context, at *arrived) error {
	_, err := d.q.ExecContext(ctx, "UPDATE hub SET place = ?, stood = ?, refused = coalesce(nullif(?, ''), refused)",
		int64(at.place), at.stood, at.refused)
	return err
}
