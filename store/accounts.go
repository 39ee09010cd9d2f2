package store

import (
	"cmp"
	"context"
	"database/sql"
	"time"
)

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
