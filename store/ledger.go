package store

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
)

// Change is the last change of a book. Two books, or two moments of one, with
// the same last change hold the same records, whatever program wrote them.
type Change struct {
	Number int64 // changes are numbered from 1
	Token  int64 // random, so that two copies that are written to separately differ
}

// State is the last change of a book and of each machine in it. It can be
// stored as JSON, and compared with a later state of the book or of a copy.
type State struct {
	Change
	Next     int64            // number of the next record
	Machines map[string]int64 // by name: the token of the machine's last change
}

// Change returns the last change of the book. It reads one row.
func (b *Book) Change(ctx context.Context) (c Change, err error) {
	row := b.db.QueryRowContext(quiet(ctx), "SELECT change, token FROM ledger ORDER BY change DESC LIMIT 1")
	err = row.Scan(&c.Number, &c.Token)
	return c, explain(b.path, err)
}

// State returns the state of the book. It reads a row for each machine.
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

// Since returns, in order of name, the machines with any difference between two
// states of a book: records added, corrected, voided, or missing in a copy that
// was restored. ok is false if a machine was removed or renamed. Changes that
// belong to no machine are ignored.
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

// touch writes changes of machines into the ledger, where a table's triggers
// were dropped.
func touch(ctx context.Context, q querier, machines map[int64]bool) error {
	ids, err := json.Marshal(slices.Sorted(maps.Keys(machines)))
	if err == nil {
		_, err = q.ExecContext(ctx, "INSERT INTO touched SELECT value, NULL, NULL FROM json_each(?)", string(ids))
	}
	return err
}

// ledgerIsRight checks the ledger against the machines.
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
