package hub

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"time"

	"shedbook/store"
)

// Exchange is a book's exchange with its hub.
type Exchange struct {
	Book *store.Book
	// Took is told what came in, Sent how many entries went out.
	Took func(*store.TookBundles)
	Sent func(entries int64)
	// Lost is told why the hub can't be reached, once until it can be again, and
	// Again that it can.
	Lost  func(error)
	Again func()

	tails map[string]store.Tail // of the books that this one sends, as seen last
	place uint64                // how far the book has read
}

// How often a book that follows does what.
const (
	lookEvery   = 50 * time.Millisecond // whether something was recorded
	sayEvery    = time.Minute           // how far it is, where that changed
	verifyEvery = 30 * time.Minute      // whether the log is still the one that it was
	// so long it waits before it tries to connect again
	shortestWait = time.Second / 2
	longestWait  = 5 * time.Second
)

// Once reads and sends whatever there is.
func (e *Exchange) Once(ctx context.Context) error { return e.session(ctx, nil) }

// Follow does so until the context ends, as soon as there is something.
func (e *Exchange) Follow(ctx context.Context) {
	lost, wait := false, shortestWait
	for ctx.Err() == nil {
		err := e.session(ctx, func() {
			lost, wait = false, shortestWait
			e.Again()
		})
		if ctx.Err() != nil {
			return
		}
		if !lost {
			e.Lost(err)
		}
		lost = true
		pause(ctx, wait)
		wait = min(2*wait, longestWait)
	}
}

func pause(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
}

// session is one connection. Given whole, it is told when all was exchanged, and the
// session follows from there to the connection's end.
func (e *Exchange) session(ctx context.Context, whole func()) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	h, err := e.Book.Hub(ctx)
	if err != nil {
		return err
	}
	r, err := Connect(ctx, h)
	if err != nil {
		return err
	}
	defer r.Close()
	end, err := e.verify(ctx, r)
	if err != nil {
		return err
	}
	e.tails = map[string]store.Tail{}
	var in <-chan store.Arrival
	if whole != nil || e.place < end {
		if in, err = r.From(ctx, e.place); err != nil {
			return err
		}
	}
	book, seq, err := e.Book.Entered(ctx) // what is recorded from here on is sent by following
	if err != nil {
		return err
	}
	if in, err = e.whole(ctx, r, in, end); err != nil {
		return err
	}
	if err := e.tell(ctx, r); err != nil || whole == nil {
		return err
	}
	whole()
	return e.follow(ctx, r, in, book, seq)
}

// verify looks whether the log is the one that the book has read; where it is not, the
// book reads all anew and sends what is missing. It returns how far the log goes.
func (e *Exchange) verify(ctx context.Context, r *Relay) (end uint64, err error) {
	h, err := e.Book.Hub(ctx)
	if err != nil {
		return 0, err
	}
	made, end, err := r.Made(ctx)
	if err != nil {
		return 0, err
	}
	same := made == h.Made
	if same && h.Place > 0 {
		there, err := r.At(ctx, h.Place)
		if err != nil {
			return 0, err
		}
		same = there != nil && bytes.Equal(store.StoodThere(there.Mark, there.Book, there.Content), h.Stood)
	}
	e.place = h.Place
	if !same {
		e.place = 0
		err = e.Book.FirstSight(ctx, made)
	}
	return end, err
}

var errEnded = errors.New("the connection to the hub ended")

// read takes in what came, up to a place.
func (e *Exchange) read(ctx context.Context, r *Relay, in <-chan store.Arrival, end uint64) error {
	for e.place < end {
		select {
		case first, ok := <-in:
			if !ok {
				return errEnded
			}
			if err := e.take(ctx, in, first, end); err != nil {
				return err
			}
		case err := <-r.gone:
			return errors.Join(errEnded, err)
		case <-time.After(4 * patience):
			return errors.New("the hub has more, and does not send it")
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

// take takes in what came, with what stands ready behind it.
func (e *Exchange) take(ctx context.Context, in <-chan store.Arrival, first store.Arrival, end uint64) error {
	some := []store.Arrival{first}
more:
	for len(some) < 64 {
		select {
		case a, ok := <-in:
			if !ok {
				break more
			}
			some = append(some, a)
		default:
			break more
		}
	}
	last := some[len(some)-1].Place
	took, err := e.Book.TakeArrivals(ctx, some, last < end)
	if took != nil && len(took.Entries) > 0 {
		e.Took(took)
	}
	if err == nil {
		e.place = last
	}
	return err
}

// whole reads to the end, and sends. Where the hub has something that this book has not
// read, it reads on and tries again; where that does not help it rests, and sends the
// other books'.
func (e *Exchange) whole(ctx context.Context, r *Relay, in <-chan store.Arrival, end uint64) (<-chan store.Arrival,
	error) {
	for tries := 0; ; tries++ {
		if err := e.read(ctx, r, in, end); err != nil {
			return in, err
		}
		behind, err := e.send(ctx, r)
		if err != nil || !behind {
			return in, err
		}
		clear(e.tails)
		was := e.place
		if _, end, err = r.Made(ctx); err != nil {
			return in, err
		}
		if end <= was && tries > 0 {
			return in, nil
		}
		if in == nil {
			if in, err = r.From(ctx, e.place); err != nil {
				return in, err
			}
		}
	}
}

// send sends what the hub has not. behind says that it has something else.
func (e *Exchange) send(ctx context.Context, r *Relay) (behind bool, err error) {
	senders, err := e.Book.Senders(ctx)
	if err != nil {
		return false, err
	}
	for _, s := range senders {
		for {
			tail, seen := e.tails[s.Book]
			if !seen {
				if tail, err = r.Last(ctx, s); err != nil {
					return false, err
				}
				e.tails[s.Book] = tail
			}
			p, err := e.Book.NextParcel(ctx, s, tail)
			if errors.Is(err, store.ErrBehind) {
				behind = true
				break
			} else if err != nil {
				return false, err
			}
			if p == nil {
				break
			}
			now, err := r.Append(ctx, p, tail)
			if errors.Is(err, errTaken) {
				if err := e.Book.Refuse(ctx, p); err != nil {
					return false, err
				}
				behind = true
				break
			} else if err != nil {
				return false, err
			}
			e.tails[s.Book] = now
			e.Sent(now.Seq - tail.Seq)
		}
	}
	return behind, nil
}

// tell notes that all was exchanged, says how far this book is, and hears what the
// others say.
func (e *Exchange) tell(ctx context.Context, r *Relay) error {
	if err := e.Book.Exchanged(ctx); err != nil {
		return err
	}
	h, err := e.Book.Hub(ctx)
	if err != nil {
		return err
	}
	says, err := e.Book.Says(ctx)
	if err == nil {
		err = r.Say(ctx, h.Mark, says)
	}
	if err != nil {
		return err
	}
	marks, err := e.Book.Marks(ctx)
	if err != nil {
		return err
	}
	for _, mark := range append(slices.DeleteFunc(marks, func(m string) bool { return m == h.Mark }), h.Mark) {
		content, at, err := r.Said(ctx, mark)
		if err == nil && !at.IsZero() {
			err = e.Book.Hear(ctx, mark, at, content)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// follow sends and reads as soon as there is something, until the connection ends. What
// the book had entered up to seq was sent.
func (e *Exchange) follow(ctx context.Context, r *Relay, in <-chan store.Arrival, book string, seq int64) error {
	look, say, verify := time.NewTicker(lookEvery), time.NewTicker(sayEvery), time.NewTicker(verifyEvery)
	defer look.Stop()
	defer say.Stop()
	defer verify.Stop()
	changed := false
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case err := <-r.gone:
			return errors.Join(errEnded, err)
		case first, ok := <-in:
			if !ok {
				return errEnded
			}
			if err := e.take(ctx, in, first, 0); err != nil {
				return err
			}
			changed = true
		case <-look.C:
			nowBook, now, err := e.Book.Entered(ctx)
			if err != nil {
				return err
			}
			if nowBook == book && now == seq {
				continue
			}
			if in, err = e.whole(ctx, r, in, e.place); err != nil {
				return err
			}
			book, seq, changed = nowBook, now, true
		case <-say.C:
			if changed {
				if err := e.tell(ctx, r); err != nil {
					return err
				}
				changed = false
			}
		case <-verify.C:
			was := e.place
			end, err := e.verify(ctx, r)
			if err != nil {
				return err
			}
			if e.place != was {
				return errors.New("the hub's log is another one: reading it anew")
			}
			if in, err = e.whole(ctx, r, in, end); err == nil {
				err = e.tell(ctx, r)
			}
			if err != nil {
				return err
			}
		}
	}
}
