package store

import (
	"cmp"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"maps"
	"os"
	"slices"
	"strconv"
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

// Tail is the last bundle of a book that the hub has; its zero value where it has none.
type Tail struct {
	Place uint64
	Seq   int64  // of its last entry
	Last  string // the hash of that, in hexadecimal
}

// TailOf reads a message as the last of its book.
func TailOf(place uint64, content []byte) (Tail, error) {
	all, err := ReadBundles(content)
	if err != nil {
		return Tail{}, err
	}
	return Tail{place, all[0].First + int64(all[0].Count) - 1, all[0].Last}, nil
}

// Sender is a book whose bundles this one sends to the hub.
type Sender struct{ Mark, Book string }

// Senders are this book's own lives and, at the office, all books, of which the hub
// may lack something.
func (b *Book) Senders(ctx context.Context) (out []Sender, err error) {
	d, err := b.company(ctx, b.db)
	if err != nil || d == nil {
		return nil, explain(b.path, err)
	}
	h, err := d.hub(ctx)
	if err != nil || h == nil {
		return nil, explain(b.path, err)
	}
	for _, idx := range slices.Sorted(maps.Keys(d.lives)) {
		l := d.lives[idx]
		if l.ownFrom == 0 && !h.Office() {
			continue
		}
		var lacks bool
		err := d.q.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM waiting WHERE book = ?1) OR EXISTS (SELECT 1 "+
			"FROM bundles WHERE hub = 0 AND book = ?1)", idx).Scan(&lacks)
		if err != nil {
			return nil, explain(b.path, err)
		}
		if lacks {
			out = append(out, Sender{l.mark, l.id})
		}
	}
	return out, nil
}

// ErrBehind: the hub has what this book has not read, or has read and does not hold
// to be its own.
var ErrBehind = errors.New("the hub has other entries of this book")

// Parcel is a bundle on its way to the hub.
type Parcel struct {
	Mark, Book string
	Content    []byte // sealed
	Tail       Tail   // once it is there, but for its place

	first  int64
	count  int
	unsent bool // nobody else can have had it before
}

// NextParcel makes the next bundle of a book for the hub, which has it up to tail; nil
// where it has all.
func (b *Book) NextParcel(ctx context.Context, s Sender, tail Tail) (out *Parcel, err error) {
	err = b.write(ctx, func(tx *sql.Tx) error {
		out = nil
		if err := b.bundle(ctx, tx); err != nil {
			return err
		}
		d, err := b.company(ctx, tx)
		if err != nil {
			return err
		}
		h, err := d.hub(ctx)
		if err != nil {
			return err
		}
		l := d.lives[d.idx[s.Book]]
		if l == nil || h == nil || tail.Seq > l.seq {
			return ErrBehind
		}
		if tail.Seq > 0 {
			hash, err := d.hashAt(ctx, l, tail.Seq)
			if err != nil {
				return err
			}
			if hex.EncodeToString(hash) != tail.Last {
				return ErrBehind
			}
		}
		if _, err := tx.ExecContext(ctx, "UPDATE bundles SET hub = 1 WHERE hub = 0 AND book = ? AND first + count - 1 "+
			"<= ?", l.idx, tail.Seq); err != nil {
			return err
		}
		var content []byte
		p := &Parcel{Mark: l.mark, Book: l.id, first: tail.Seq + 1}
		err = tx.QueryRowContext(ctx, "SELECT content, sent = 0 FROM bundles WHERE book = ? AND first <= ? AND first "+
			"+ count > ?", l.idx, p.first, p.first).Scan(&content, &p.unsent)
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		if err != nil {
			return err
		}
		all, err := ReadBundles(content)
		if err != nil {
			return damaged(b.path, "a bundle of depot "+l.mark+": "+err.Error())
		}
		is, err := all[0].cut(p.first, all[0].Count)
		if err == nil {
			p.count, p.Tail = is.Count, Tail{Seq: is.First + int64(is.Count) - 1, Last: is.Last}
			p.Content, err = is.Sealed(h.Seal)
		}
		if err != nil {
			return err
		}
		out = p
		// Before it goes: if the answer is lost, others have it all the same.
		_, err = tx.ExecContext(ctx, "UPDATE bundles SET sent = 1 WHERE sent = 0 AND book = ? AND first <= ? AND "+
			"first + count > ?", l.idx, p.first, p.first)
		return err
	})
	return out, err
}

// hashAt is the hash behind entry number seq of a book.
func (d *depots) hashAt(ctx context.Context, l *life, seq int64) ([]byte, error) {
	var content, last []byte
	var end int64
	err := d.q.QueryRowContext(ctx, "SELECT content, last, first + count - 1 FROM bundles WHERE book = ? AND first "+
		"<= ? AND first + count > ?", l.idx, seq, seq).Scan(&content, &last, &end)
	if err != nil || end == seq {
		return last, err
	}
	all, err := ReadBundles(content)
	if err != nil {
		return nil, err
	}
	return chain(mustHex(all[0].Prev), all[0].lines[:seq-all[0].First+1]...), nil
}

// Refuse notes that the hub did not take a parcel, so that nobody has it.
func (b *Book) Refuse(ctx context.Context, p *Parcel) error {
	if !p.unsent {
		return nil
	}
	return b.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, "UPDATE bundles SET sent = 0 WHERE book = (SELECT idx FROM books WHERE id = ?) "+
			"AND first = ? AND count = ?", p.Book, p.first, p.count)
		return err
	})
}

// Exchanged notes that all was read and sent.
func (b *Book) Exchanged(ctx context.Context) error {
	return b.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, "UPDATE hub SET exchanged = ?", b.now().Unix())
		return err
	})
}

// Entered is how many entries this book has made, and of which life: it tells whoever
// waits that there is something to send.
func (b *Book) Entered(ctx context.Context) (book string, seq int64, err error) {
	err = b.db.QueryRowContext(ctx, "SELECT id, seq FROM books JOIN joined ON me = idx").Scan(&book, &seq)
	return book, seq, explain(b.path, err)
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

// Account is a depot that may come to the hub.
type Account struct {
	Mark, Name string
	Public     string    // the public half of its key
	Until      time.Time // when its ticket runs out; zero for never
	Closed     string    // why it may come no more
	Joined     bool      // something of it was heard
}

// May says whether the depot may come to the hub at a time.
func (a *Account) May(now time.Time) bool {
	return a.Closed == "" && (a.Joined || a.Until.IsZero() || now.Before(a.Until))
}

// Accounts are those that this office has given, by mark.
func (b *Book) Accounts(ctx context.Context) (out []Account, err error) {
	rows, err := b.db.QueryContext(ctx, `SELECT mark, name, public, until, closed, EXISTS (SELECT 1 FROM heard WHERE
		heard.mark = accounts.mark) FROM accounts ORDER BY mark`)
	if err != nil {
		return nil, explain(b.path, err)
	}
	defer rows.Close()
	for rows.Next() {
		var a Account
		var until int64
		if err := rows.Scan(&a.Mark, &a.Name, &a.Public, &until, &a.Closed, &a.Joined); err != nil {
			return nil, explain(b.path, err)
		}
		if until > 0 {
			a.Until = time.Unix(until, 0).UTC()
		}
		out = append(out, a)
	}
	return out, explain(b.path, rows.Err())
}

// SetAccount gives a depot a key to the hub, instead of one that it had.
func (b *Book) SetAccount(ctx context.Context, a Account) error {
	if err := checkDepot(a.Mark, cmp.Or(a.Name, a.Mark)); err != nil {
		return err
	}
	var until int64
	if !a.Until.IsZero() {
		until = a.Until.Unix()
	}
	return b.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `INSERT INTO accounts (mark, name, public, until, closed) VALUES (?, ?, ?, ?, ?)
			ON CONFLICT (mark) DO UPDATE SET name = excluded.name, public = excluded.public, until = excluded.until,
				closed = excluded.closed`, a.Mark, a.Name, a.Public, until, a.Closed)
		if err == nil { // the new key was not used yet
			_, err = tx.ExecContext(ctx, "DELETE FROM heard WHERE mark = ? AND ? > 0", a.Mark, until)
		}
		return err
	})
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

// RenewLife begins a new life of this book, which was put back from a copy. Where
// others heard of another copy of it, what this one entered since they parted is the
// new life's.
func (b *Book) RenewLife(ctx context.Context) (name string, took *TookBundles, err error) {
	held, err := b.heldBundles(ctx)
	if err != nil {
		return "", nil, err
	}
	err = b.write(ctx, func(tx *sql.Tx) error {
		if err := b.bundle(ctx, tx); err != nil {
			return err
		}
		d, err := b.company(ctx, tx)
		if err != nil {
			return err
		}
		if d == nil {
			return notJoined()
		}
		l := d.lives[d.me]
		first := int64(0)
		for _, in := range held {
			if in.Book != l.id || in.Version > schema.EntryVersion || in.Seal != "none" {
				continue
			}
			here, err := d.linesOf(ctx, l, in.First, in.First+int64(in.Count))
			if err != nil {
				return err
			}
			for i := range min(len(here), len(in.lines)) {
				if at := in.First + int64(i); here[i] != in.lines[i] && (first == 0 || at < first) {
					first = at
				}
			}
		}
		if first > 0 {
			if d.n, err = readNames(ctx, tx); err == nil {
				err = d.part(ctx, l, first)
			}
		} else {
			err = d.beginLife(ctx, l.mark, l.name)
		}
		name = d.markOf(d.lives[d.me])
		return err
	})
	if err != nil {
		return "", nil, err
	}
	took = &TookBundles{Entries: map[string]int64{}}
	return name, took, b.tryHeld(ctx, took)
}
