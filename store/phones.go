package store

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"database/sql"
	"encoding/base64"
	"errors"
	"strings"
	"time"

	"shedbook/schema"
)

// Phone is a phone, or another browser, that may open the book's pages.
type Phone struct {
	Number  int64
	Name    string
	May     string    // "record", or "keep": may also correct, void and manage
	Added   time.Time // when its name was put in
	Paired  time.Time // zero until its code is typed
	Removed time.Time // zero while it may come in
}

// Keep reports whether the phone may correct, void and manage.
func (p Phone) Keep() bool { return p.May == "keep" }

const (
	codeLife   = 10 * time.Minute
	maxGuesses = 10
	// codeLetters are 32 characters that are not mistaken for each other, 5 bits
	// each.
	codeLetters = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"
	codeLength  = 8 // 40 bits: ten guesses hit one in 100 thousand million
)

// AddPhone adds a phone and returns its pairing code, which serves once, within
// ten minutes.
func (b *Book) AddPhone(ctx context.Context, name, may string) (code string, err error) {
	if name = schema.CleanName(name); name == "" || len(name) > 100 {
		return "", trouble(Refused, "", "a phone's name has 1 to 100 characters")
	}
	raw := make([]byte, codeLength)
	rand.Read(raw)
	for i, c := range raw {
		raw[i] = codeLetters[int(c)%len(codeLetters)] // 256 is a multiple of 32, so all are equally likely
	}
	code = string(raw)
	err = b.write(ctx, func(tx *sql.Tx) error {
		var there int
		if err := tx.QueryRowContext(ctx,
			"SELECT count(*) FROM phones WHERE lower(name) = lower(?) AND removed IS NULL",
			name).Scan(&there); err != nil {
			return err
		}
		if there > 0 {
			return trouble(Refused, "shedbook phone remove "+schema.Quote(name)+", then add it again",
				"there is a phone %s already", schema.Quote(name))
		}
		if _, err := tx.ExecContext(ctx, "UPDATE guesses SET wrong = 0"); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, "INSERT INTO phones (name, may, code, until, added) VALUES (?, ?, ?, ?, ?)",
			name, may, digest(code), formatTime(b.now().Add(codeLife)), formatTime(b.now()))
		return err
	})
	return code[:4] + "-" + code[4:], err
}

func digest(s string) []byte {
	sum := sha256.Sum256([]byte(s))
	return sum[:]
}

// Pair exchanges a phone's code for the cookie that it sends from then on. A
// wrong or old code is Refused; after ten wrong ones no code is valid until
// another is made.
func (b *Book) Pair(ctx context.Context, code string) (cookie string, p Phone, err error) {
	code = strings.Map(func(r rune) rune {
		if !strings.ContainsRune(codeLetters, r) {
			return -1
		}
		return r
	}, strings.ToUpper(code))
	raw := make([]byte, 32)
	rand.Read(raw)
	cookie = base64.RawURLEncoding.EncodeToString(raw)
	right := false
	// A guesser must not cause writes: if no code is waiting there is none to
	// guess.
	var waiting int
	if err := b.db.QueryRowContext(ctx,
		"SELECT count(*) FROM phones, guesses WHERE wrong < ? AND until > ? AND removed IS NULL", maxGuesses,
		formatTime(b.now())).Scan(&waiting); err != nil {
		return "", p, explain(b.path, err)
	}
	if waiting > 0 {
		err = b.write(ctx, func(tx *sql.Tx) error {
			var wrong int
			if err := tx.QueryRowContext(ctx,
				"UPDATE guesses SET wrong = wrong + 1 RETURNING wrong").Scan(&wrong); err != nil || wrong > maxGuesses {
				return err
			}
			p, right, err = onePhone(ctx, tx, "code = ? AND until > ? AND removed IS NULL", digest(code),
				formatTime(b.now()))
			if err != nil || !right {
				return err
			}
			if _, err := tx.ExecContext(ctx, "UPDATE guesses SET wrong = wrong - 1"); err != nil {
				return err
			}
			p.Paired = b.now()
			_, err = tx.ExecContext(ctx,
				"UPDATE phones SET code = NULL, until = NULL, cookie = ?, paired = ? WHERE number = ?", digest(cookie),
				formatTime(p.Paired), p.Number)
			return err
		})
	}
	if err == nil && !right {
		err = trouble(Refused, "make a new one: shedbook phone add NAME", "that code is wrong, used or too old")
	}
	if err != nil {
		return "", Phone{}, err
	}
	return cookie, p, nil
}

// PhoneOf finds the phone with this cookie; ok is false if it may not come in.
func (b *Book) PhoneOf(ctx context.Context, cookie string) (p Phone, ok bool, err error) {
	p, ok, err = onePhone(ctx, b.db, "cookie = ? AND removed IS NULL", digest(cookie))
	return p, ok, explain(b.path, err)
}

// Phones returns all phones, removed ones too, in the order in which they were
// added.
func (b *Book) Phones(ctx context.Context) ([]Phone, error) {
	out, err := phones(ctx, b.db, "1 ORDER BY number")
	return out, explain(b.path, err)
}

// AnyPhone reports whether there is a phone that was not removed.
func (b *Book) AnyPhone(ctx context.Context) (bool, error) {
	_, ok, err := onePhone(ctx, b.db, "removed IS NULL")
	return ok, explain(b.path, err)
}

// RemovePhone takes away a phone's access at once. What it entered stays.
func (b *Book) RemovePhone(ctx context.Context, name string) error {
	return b.write(ctx, func(tx *sql.Tx) error {
		done, err := tx.ExecContext(ctx, "UPDATE phones SET removed = ?, code = NULL, until = NULL, cookie = NULL "+
			"WHERE lower(name) = lower(?) AND removed IS NULL",
			formatTime(b.now()), schema.CleanName(name))
		if err != nil {
			return err
		}
		if n, err := done.RowsAffected(); err != nil || n > 0 {
			return err
		}
		return trouble(NotFound, "shedbook phone list shows them", "there is no phone %s", schema.Quote(name))
	})
}

func onePhone(ctx context.Context, q querier, where string, args ...any) (Phone, bool, error) {
	found, err := phones(ctx, q, where+" LIMIT 1", args...)
	if err != nil || len(found) == 0 {
		return Phone{}, false, err
	}
	return found[0], true, nil
}

func phones(ctx context.Context, q querier, where string, args ...any) ([]Phone, error) {
	rows, err := q.QueryContext(ctx,
		"SELECT number, name, may, added, coalesce(paired, ''), coalesce(removed, '') FROM phones WHERE "+where,
		args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []Phone
	for rows.Next() {
		var p Phone
		var added, paired, removed string
		if err := rows.Scan(&p.Number, &p.Name, &p.May, &added, &paired, &removed); err != nil {
			return nil, err
		}
		for _, t := range []struct {
			text string
			into *time.Time
		}{{added, &p.Added}, {paired, &p.Paired}, {removed, &p.Removed}} {
			if t.text != "" {
				if *t.into, err = parseTime(t.text); err != nil {
					return nil, err
				}
			}
		}
		out = append(out, p)
	}
	return out, rows.Err()
}

// Form is a form that a page sent.
type Form struct {
	Ref     string // the form's own id, which shows that it is sent again
	Content []byte // SHA-256 of what was sent
	Record  int64  // the record made; 0 if it was not exactly one
	Answer  string // the answer shown; "" if the program ended before
}

// entry is who writes to the book, and by which form.
type entry struct {
	phone int64
	form  Form
	sent  bool // stored in this transaction already, which may make several records
}

// By returns the book as written to by a phone through one form, with now as
// the clock: each record is stored as the phone's, in one transaction with the
// form. Sending a form again gives ErrSent. phone is 0 for the computer that
// serves.
func (b *Book) By(phone int64, form Form, now func() time.Time) *Book {
	by := *b
	by.now, by.by = now, &entry{phone: phone, form: form}
	return &by
}

// ErrSent is returned for a form whose ref was recorded already.
var ErrSent = errors.New("this form was recorded already")

// wrote stores who made a version of a record, in the transaction of that
// version.
func (b *Book) wrote(ctx context.Context, q querier, record, version int64) error {
	if b.by == nil {
		return nil
	}
	if b.by.phone != 0 {
		row := []any{record, version, b.by.phone}
		if _, err := q.ExecContext(ctx, "INSERT INTO entered_by (record, version, phone, sum) VALUES (?, ?, ?, ?)",
			append(row, rowSum(row...))...); err != nil {
			return err
		}
	}
	return b.sent(ctx, q, record)
}

// sent stores the current form.
func (b *Book) sent(ctx context.Context, q querier, record any) error {
	f := b.by.form
	if f.Ref == "" || b.by.sent {
		return nil
	}
	done, err := q.ExecContext(ctx,
		"INSERT INTO forms (form, content, at, record) VALUES (?, ?, ?, ?) ON CONFLICT (form) DO NOTHING", f.Ref,
		f.Content, formatTime(b.now()), record)
	if err != nil {
		return err
	}
	if n, err := done.RowsAffected(); err != nil || n == 0 {
		return cmp.Or(err, ErrSent)
	}
	b.by.sent = true
	return nil
}

// FormSent finds a form by its ref; ok is false if none was recorded.
func (b *Book) FormSent(ctx context.Context, ref string) (f Form, ok bool, err error) {
	f.Ref = ref
	err = b.db.QueryRowContext(ctx,
		"SELECT content, coalesce(record, 0), coalesce(answer, '') FROM forms WHERE form = ?", ref).Scan(&f.Content,
		&f.Record, &f.Answer)
	if errors.Is(err, sql.ErrNoRows) {
		return f, false, nil
	}
	if answer, ok := b.answers.Load(ref); ok {
		f.Answer = answer.(string)
	}
	return f, err == nil, explain(b.path, err)
}

// Answered stores the answer to a form. It goes into the file with the next write,
// since a transaction of its own would take as long as the record's. If the program
// is killed before that, the form is answered in fewer words.
func (b *Book) Answered(ref, answer string) { b.answers.Store(ref, answer) }

// putAnswers writes the answers; call wrote once they are committed.
func (b *Book) putAnswers(ctx context.Context, q querier) (wrote func(), err error) {
	var refs []any
	b.answers.Range(func(ref, answer any) bool {
		refs = append(refs, ref)
		_, err = q.ExecContext(ctx, "UPDATE forms SET answer = ? WHERE form = ?", answer, ref)
		return err == nil
	})
	return func() {
		for _, ref := range refs {
			b.answers.Delete(ref)
		}
	}, err
}

// formsKept is how long forms are remembered: longer than a phone goes without
// a network.
const formsKept = 60 * 24 * time.Hour

// ForgetForms removes forms older than that.
func (b *Book) ForgetForms(ctx context.Context) error {
	return b.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, "DELETE FROM forms WHERE at < ?", formatTime(b.now().Add(-formsKept)))
		return err
	})
}

// EnteredBy returns the names of the phones that made each version of a record,
// by version; versions not made by a phone are left out.
func (b *Book) EnteredBy(ctx context.Context, record int64) (map[int]string, error) {
	out := map[int]string{}
	err := b.eachEnterer(ctx, "WHERE record = ?", []any{record},
		func(_ int64, version int, name string) { out[version] = name })
	return out, err
}

// Enterers returns the names of the phones that entered records, by record;
// records not entered by a phone are left out.
func (b *Book) Enterers(ctx context.Context) (map[int64]string, error) {
	out := map[int64]string{}
	err := b.eachEnterer(ctx, "WHERE version = 0", nil, func(record int64, _ int, name string) { out[record] = name })
	return out, err
}

func (b *Book) eachEnterer(ctx context.Context, where string, args []any,
	each func(record int64, version int, name string)) error {
	rows, err := b.db.QueryContext(ctx, "SELECT record, version, name FROM entered_by JOIN phones ON number = phone "+
		where, args...)
	if err != nil {
		return explain(b.path, err)
	}
	defer rows.Close()
	for rows.Next() {
		var record int64
		var version int
		var name string
		if err := rows.Scan(&record, &version, &name); err != nil {
			return explain(b.path, err)
		}
		each(record, version, name)
	}
	return explain(b.path, rows.Err())
}
