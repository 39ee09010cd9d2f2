package store

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
)

// Change is the last change of a book. Two books, or two moments of one, that have
// the same last change hold the same records, whichever program wrote them.
type Change struct {
	Number int64 // every change of a book has one, the first 1
	Token  int64 // drawn at random by the change, so that copies that are written to apart are told apart
}

// State tells how far a book is written, as a whole and machine by machine. It can
// be kept, as JSON, and held against a later state of the book or of a copy.
type State struct {
	Change
	Next     int64            // the number that the next record gets
	Machines map[string]int64 // by name: the token of its last change
}

// Change reads the last change of the book: one row, whatever the book's size.
func (b *Book) Change(ctx context.Context) (c Change, err error) {
	row := b.db.QueryRowContext(quiet(ctx), "SELECT change, token FROM ledger ORDER BY change DESC LIMIT 1")
	err = row.Scan(&c.Number, &c.Token)
	return c, explain(b.path, err)
}

// State reads how far the book is written: a row a machine.
func (b *Book) State(ctx context.Context) (s State, err error) {
	rows, err := b.db.QueryContext(quiet(ctx), `SELECT change, token, coalesce(machines.machine, ''), next
		FROM ledger LEFT JOIN machines ON number = ledger.machine, counter ORDER BY change`)
	if err != nil {
		return s, explain(b.path, err)
	}
	defer rows.Close()
	s.Machines = map[string]int64{}
	for rows.Next() {
		var name string
		if err := rows.Scan(&s.Number, &s.Token, &name, &s.Next); err != nil {
			return s, explain(b.path, err)
		}
		if name != "" {
			s.Machines[name] = s.Token
		}
	}
	return s, explain(b.path, rows.Err())
}

// Since lists in the order of their names the machines of which anything differs
// between two states of a book: recorded, corrected or voided, or not there yet
// in a copy that was put back. It is not ok where a machine is no more, or has
// another name. What is no machine's is not looked at.
func (s State) Since(was State) (machines []string, ok bool) {
	for name, token := range s.Machines {
		if before, known := was.Machines[name]; !known || before != token {
			machines = append(machines, name)
		}
	}
	slices.Sort(machines)
	for name := range was.Machines {
		if _, known := s.Machines[name]; !known {
			return nil, false
		}
	}
	return machines, true
}

// touch writes changes of machines into the ledger, in place of a table's triggers.
func touch(ctx context.Context, q querier, machines map[int64]bool) error {
	ids, err := json.Marshal(slices.Sorted(maps.Keys(machines)))
	if err == nil {
		_, err = q.ExecContext(ctx, "INSERT INTO touched SELECT value, NULL, NULL FROM json_each(?)", string(ids))
	}
	return err
}

// ledgerIsRight holds the ledger to the machines.
func ledgerIsRight(ctx context.Context, q querier) (Finding, error) {
	f := Finding{Check: "ledger"}
	var rows, last int64
	row := q.QueryRowContext(ctx, "SELECT count(*), coalesce(max(change), 0) FROM ledger")
	if err := row.Scan(&rows, &last); err != nil {
		return f, err
	}
	err := eachLine(ctx, q, `SELECT 0 WHERE 0 NOT IN (SELECT machine FROM ledger)
		UNION SELECT number FROM machines WHERE number NOT IN (SELECT machine FROM ledger)`, func(s string) {
		f.wrong("it has no row for machine %s", s)
	})
	f.Says = fmt.Sprintf("%d rows, of %d changes", rows, last)
	return f, err
}
