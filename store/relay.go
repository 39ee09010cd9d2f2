package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"os"
	"time"

	"shedbook/schema"
)

// What a book has to do with a hub, which brings bundles from depot to depot. The hub
// is asked nothing that a book must believe: each book keeps all bundles, knows which
// of them the hub has told back, and sends the others again.

// Hub is what a book knows of its company's hub.
type Hub struct {
	Addresses string // of its servers, with commas
	Authority string // who signs their certificates, in PEM
	Seed      string // this depot's key to it
	Seal      []byte // the company's key, by which bundles are sealed
	Directory string // at the office: where the servers' files are; "" elsewhere

	Made      int64     // when its log was made, in nanoseconds since 1970; 0 before it was seen
	Place     uint64    // how far this book has read it
	Stood     []byte    // the digest of what stood there
	Exchanged time.Time // when all was read and sent; zero before it was
	Refused   string    // what was passed over last, since it is no bundle of its depot

	Company string
	Mark    string // of this depot
	Book    string // its id
	Version int    // the newest entries that this program reads
}

// Office says whether this is the depot that issues tickets.
func (h *Hub) Office() bool { return h.Directory != "" }

// Hub is the company's hub; nil where the book knows none.
func (b *Book) Hub(ctx context.Context) (*Hub, error) {
	d, err := b.company(ctx, b.db)
	if err != nil || d == nil {
		return nil, explain(b.path, err)
	}
	h, err := d.hub(ctx)
	return h, explain(b.path, err)
}

func (d *depots) hub(ctx context.Context) (*Hub, error) {
	me := d.lives[d.me]
	h := &Hub{Company: d.company, Mark: me.mark, Book: me.id, Version: schema.EntryVersion}
	var exchanged int64
	err := d.q.QueryRowContext(ctx, "SELECT addresses, authority, seed, seal, directory, made, place, stood, "+
		"exchanged, refused FROM hub").Scan(&h.Addresses, &h.Authority, &h.Seed, &h.Seal, &h.Directory, &h.Made,
		&h.Place, &h.Stood, &exchanged, &h.Refused)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if exchanged > 0 {
		h.Exchanged = time.Unix(exchanged, 0).UTC()
	}
	return h, err
}

// SetHub tells this book of its company's hub, or of where it stands now. A hub at
// another address is read from its beginning.
func (b *Book) SetHub(ctx context.Context, h *Hub) error {
	return b.write(ctx, func(tx *sql.Tx) error { return setHub(ctx, tx, h) })
}

func setHub(ctx context.Context, q querier, h *Hub) error {
	_, err := q.ExecContext(ctx, `INSERT INTO hub (one, addresses, authority, seed, seal, directory, made, place, stood,
			exchanged, refused)
		VALUES (1, ?, ?, ?, ?, ?, 0, 0, x'', 0, '')
		ON CONFLICT (one) DO UPDATE SET addresses = excluded.addresses, authority = excluded.authority,
			seed = excluded.seed, seal = excluded.seal, directory = excluded.directory, made = 0, place = 0`,
		h.Addresses, h.Authority, h.Seed, h.Seal, h.Directory)
	return err
}

// JoinHub lets this book, empty or with records of its own, into a company that has a
// hub. A book that is of the company already hears of the hub.
func (b *Book) JoinHub(ctx context.Context, h *Hub, name string) error {
	d, err := b.company(ctx, b.db)
	if err != nil {
		return explain(b.path, err)
	}
	if d == nil || d.copy || d.company != h.Company || d.lives[d.me].mark != h.Mark {
		if err := b.enterCompany(ctx, h.Company, h.Mark, schema.CleanName(name)); err != nil {
			return err
		}
	}
	return b.write(ctx, func(tx *sql.Tx) error {
		// A copy of the office's book has its accounts, and is not the office.
		if _, err := tx.ExecContext(ctx, "DELETE FROM accounts"); err != nil {
			return err
		}
		return setHub(ctx, tx, h)
	})
}

// FirstSight is for a hub whose log this book has not seen yet, or that was made anew:
// it is read from the beginning, and gets what it has not.
func (b *Book) FirstSight(ctx context.Context, made int64) error {
	return b.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, "UPDATE hub SET made = ?, place = 0, stood = x''", made)
		if err == nil {
			_, err = tx.ExecContext(ctx, "UPDATE bundles SET hub = 0 WHERE hub = 1")
		}
		return err
	})
}

// Have is what a depot says of itself to the others.
type Have struct {
	Book    string           `json:"book"` // that it writes now
	Seq     int64            `json:"seq"`  // the entries of that, those that wait included
	Have    map[string]int64 `json:"have"` // how far the entries of others are there
	Version int              `json:"v"`    // the newest entries that its program reads
	Clock   int64            `json:"clock"`
}

// Says is what this depot says of itself.
func (b *Book) Says(ctx context.Context) ([]byte, error) {
	d, err := b.company(ctx, b.db)
	if err != nil {
		return nil, explain(b.path, err)
	}
	me := d.lives[d.me]
	h := Have{Book: me.id, Seq: me.seq, Have: map[string]int64{}, Version: schema.EntryVersion, Clock: b.now().Unix()}
	for _, l := range d.lives {
		if l.idx != d.me {
			h.Have[l.id] = l.seq
		}
	}
	return json.Marshal(h)
}

// Hear keeps what a depot said of itself at a time by the hub's clock. What is no such
// thing tells nothing.
func (b *Book) Hear(ctx context.Context, mark string, at time.Time, content []byte) error {
	var h Have
	if json.Unmarshal(content, &h) != nil || !goodMark.MatchString(mark) {
		return nil
	}
	var was int64
	err := b.db.QueryRowContext(ctx, "SELECT at FROM heard WHERE mark = ?", mark).Scan(&was)
	if err == nil && was == at.Unix() {
		return nil
	}
	return b.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `INSERT INTO heard (mark, at, ahead, book, seq, version) VALUES (?, ?, ?, ?, ?, ?)
			ON CONFLICT (mark) DO UPDATE SET at = excluded.at, ahead = excluded.ahead, book = excluded.book,
				seq = excluded.seq, version = excluded.version`, mark, at.Unix(), h.Clock-at.Unix(), h.Book,
			h.Seq, h.Version)
		return err
	})
}

// Marks are those of the depots that are known here.
func (b *Book) Marks(ctx context.Context) ([]string, error) {
	d, err := b.company(ctx, b.db)
	if err != nil || d == nil {
		return nil, explain(b.path, err)
	}
	marks := map[string]bool{}
	for _, l := range d.lives {
		marks[l.mark] = true
	}
	return sortedKeys(marks), nil
}

// WaitForHub is how many entries of this book wait to be sent, since when nothing was
// exchanged, and whether anything ever was; none in a book that knows no hub.
func (b *Book) WaitForHub(ctx context.Context) (entries int64, since time.Time, ever bool, err error) {
	var at, born int64
	err = b.db.QueryRowContext(ctx, `SELECT exchanged, (SELECT born FROM books JOIN joined ON me = idx),
		(SELECT count(*) FROM waiting) + (SELECT coalesce(sum(count), 0) FROM bundles WHERE hub = 0 AND book IN
		(SELECT idx FROM books WHERE own_from IS NOT NULL)) FROM hub`).Scan(&at, &born, &entries)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, time.Time{}, false, nil
	}
	if at > 0 {
		return entries, time.Unix(at, 0).UTC(), true, explain(b.path, err)
	}
	return entries, time.UnixMilli(born >> 16).UTC(), false, explain(b.path, err)
}

// LockExchange is held by the one program that exchanges for a book; Busy where
// another does.
func LockExchange(path string) (release func(), err error) {
	f, err := os.OpenFile(path+".exchange", os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, err
	}
	if err := lockDir(f); errors.Is(err, errHeld) {
		f.Close()
		return nil, trouble(Busy, "that one sends and reads whatever there is", "another exchange runs for this book")
	} else if err != nil && !errors.Is(err, errors.ErrUnsupported) {
		f.Close()
		return nil, err
	}
	return func() { f.Close() }, nil
}
