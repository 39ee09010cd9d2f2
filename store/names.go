package store

import (
	"cmp"
	"context"
	"database/sql"
	"slices"

	"shedbook/schema"
	"shedbook/schema/unit"
)

// names maps names to the numbers by which rows refer to machines, drivers and
// words, and back.
type names struct {
	machine, driver map[string]int64
	machineName     map[int64]string
	driverName      map[int64]string
	word            map[string]map[string]int64 // by vocabulary
	wordName        map[int64]string
	gone            map[int64]string // machines and drivers that were voided: see readGone
	added           []schema.Word
	machines        []string // in order of name
	drivers         []string
	settings        schema.Settings
	ties            *ties // between records of one moment; nil where their numbers settle them
}

// ties settles which of two records of one moment comes first, in a way that all
// books of a company share: by the id of the book in which they were recorded, and
// their number there.
type ties struct {
	own, foreign []tied
}

// tied is records on end, from number on.
type tied struct{ number, count, order int64 }

// readTies reads what settles ties, in a book that has joined a company.
func (n *names) readTies(ctx context.Context, q querier) error {
	rows, err := q.QueryContext(ctx, "SELECT own_from, id, 0, 0 FROM books UNION ALL SELECT number, id, theirs, "+
		"count FROM foreigns, books WHERE idx = book ORDER BY 2, 4, 1")
	if err != nil {
		return err
	}
	defer rows.Close()
	var t ties
	rank, last := int64(0), ""
	for rows.Next() {
		var number sql.NullInt64
		var id string
		var theirs, count int64
		if err := rows.Scan(&number, &id, &theirs, &count); err != nil {
			return err
		}
		if id != last {
			rank, last = rank+1, id
		}
		switch is := (tied{number.Int64, count, rank<<44 + theirs}); {
		case count > 0:
			t.foreign = append(t.foreign, is)
		case number.Valid:
			t.own = append(t.own, is)
		}
	}
	for _, list := range [][]tied{t.own, t.foreign} {
		slices.SortFunc(list, func(a, b tied) int { return cmp.Compare(a.number, b.number) })
	}
	if rank > 0 {
		n.ties = &t
	}
	return rows.Err()
}

// order is greater for a record that comes later among those of one moment.
func (t *ties) order(number int64) int64 {
	at := func(list []tied) int {
		i, found := slices.BinarySearchFunc(list, number,
			func(t tied, number int64) int { return cmp.Compare(t.number, number) })
		if !found {
			i--
		}
		return i
	}
	if i := at(t.foreign); i >= 0 && number < t.foreign[i].number+t.foreign[i].count {
		return t.foreign[i].order + number - t.foreign[i].number
	}
	if i := at(t.own); i >= 0 {
		return t.own[i].order + number
	}
	return number
}

// readNames reads the names of the whole book (a thousand machines and a few
// hundred drivers at most) or, of the machines, only those given.
func readNames(ctx context.Context, q querier, machines ...string) (*names, error) {
	n := &names{machine: map[string]int64{}, driver: map[string]int64{}, machineName: map[int64]string{},
		driverName: map[int64]string{},
		word:       map[string]map[string]int64{}, wordName: map[int64]string{}}
	for _, v := range schema.Vocabularies() {
		low, _ := schema.WordRange(v)
		n.word[v] = map[string]int64{}
		for i, w := range schema.Words(v) {
			n.word[v][w] = low + int64(i)
			n.wordName[low+int64(i)] = w
		}
	}
	read := func(query string, each func(number int64, name string), args ...any) error {
		rows, err := q.QueryContext(ctx, query, args...)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var number int64
			var name string
			if err := rows.Scan(&number, &name); err != nil {
				return err
			}
			each(number, name)
		}
		return rows.Err()
	}
	for _, name := range machines {
		if err := read("SELECT number, machine FROM machines WHERE machine = ?", n.addMachine, name); err != nil {
			return nil, err
		}
	}
	if len(machines) == 0 {
		if err := read("SELECT number, machine FROM machines ORDER BY machine", n.addMachine); err != nil {
			return nil, err
		}
		slices.SortStableFunc(n.machines, unit.Natural)
	}
	if err := read("SELECT number, driver FROM drivers ORDER BY driver", n.addDriver); err != nil {
		return nil, err
	}
	err := read("SELECT number, word FROM words ORDER BY number", func(number int64, w string) {
		if _, builtIn := n.word["terrain"][w]; !builtIn {
			n.addWord("terrain", w, number)
		}
	})
	if err != nil {
		return nil, err
	}
	n.settings, err = readSettings(ctx, q)
	return n, err
}

func readSettings(ctx context.Context, q querier) (schema.Settings, error) {
	rows, err := q.QueryContext(ctx, "SELECT setting, value FROM settings ORDER BY setting")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	s := schema.Settings{}
	for rows.Next() {
		var key, value string
		if err := rows.Scan(&key, &value); err != nil {
			return nil, err
		}
		s[key] = value
	}
	return s, rows.Err()
}

func (n *names) addMachine(number int64, name string) {
	n.machine[name], n.machineName[number] = number, name
	n.machines = append(n.machines, name)
}

func (n *names) addDriver(number int64, name string) {
	n.driver[name], n.driverName[number] = number, name
	n.drivers = append(n.drivers, name)
}

func (n *names) addWord(vocabulary, w string, number int64) {
	n.word[vocabulary][w], n.wordName[number] = number, w
	n.added = append(n.added, schema.Word{Vocabulary: vocabulary, Word: w})
}

func (n *names) known() *schema.Known {
	k := schema.NewKnown(n.machines, n.drivers, n.added, n.settings.Zone())
	k.Units, k.Dates = n.settings.Units(), n.settings.Dates()
	return k
}

// Known returns the names that the book knows. If machines are given only they
// are read at first, and the others once an unknown one is asked for.
func (b *Book) Known(ctx context.Context, machines ...string) (*schema.Known, error) {
	n, err := readNames(quiet(ctx), b.db, machines...)
	if err != nil {
		return nil, explain(b.path, err)
	}
	k := n.known()
	if len(machines) > 0 {
		k.Others = func() ([]string, error) {
			n, err := readNames(quiet(ctx), b.db)
			if err != nil {
				return nil, explain(b.path, err)
			}
			return n.machines, nil
		}
	}
	return k, nil
}

// Settings returns the book's settings.
func (b *Book) Settings(ctx context.Context) (schema.Settings, error) {
	s, err := readSettings(quiet(ctx), b.db)
	return s, explain(b.path, err)
}

// Set changes settings; an empty value resets one to its default.
func (b *Book) Set(ctx context.Context, settings ...schema.Setting) error {
	return b.write(ctx, func(tx *sql.Tx) error {
		for _, s := range settings {
			if s.Value == "" {
				if _, err := tx.ExecContext(ctx, "DELETE FROM settings WHERE setting = ?", s.Key); err != nil {
					return err
				}
				continue
			}
			if err := putSetting(ctx, tx, s); err != nil {
				return err
			}
		}
		return nil
	})
}

func putSetting(ctx context.Context, q querier, s schema.Setting) error {
	if err := s.Validate(); err != nil {
		return err
	}
	if s.Key == "time-zone" { // stored in a form that every program reads the same way
		zone, err := unit.ParseZone(s.Value)
		if err != nil {
			return err
		}
		s.Value = zone.String()
	}
	_, err := q.ExecContext(ctx, `INSERT INTO settings (setting, value, sum) VALUES (?, ?, ?)
		ON CONFLICT (setting) DO UPDATE SET value = excluded.value, sum = excluded.sum`, s.Key, s.Value,
		rowSum(s.Key, s.Value))
	return err
}

// AddWord adds a word to a vocabulary. Adding it again changes nothing.
func (b *Book) AddWord(ctx context.Context, w schema.Word) error {
	if err := w.Validate(); err != nil {
		return err
	}
	return b.write(ctx, func(tx *sql.Tx) error {
		n, err := readNames(ctx, tx)
		if err != nil {
			return err
		}
		if _, err := n.known().Word(w.Vocabulary, w.Word); err == nil {
			return nil
		}
		return putWord(ctx, tx, n, w)
	})
}

func putWord(ctx context.Context, q querier, n *names, w schema.Word) error {
	low, high := schema.WordRange(w.Vocabulary)
	var number int64
	err := q.QueryRowContext(ctx, "SELECT max(number) + 1 FROM words WHERE number BETWEEN ? AND ?", low,
		high).Scan(&number)
	if err == nil {
		_, err = q.ExecContext(ctx, "INSERT INTO words (number, word, sum) VALUES (?, ?, ?)", number, w.Word,
			rowSum(number, w.Word))
	}
	if err != nil {
		return err
	}
	n.addWord(w.Vocabulary, w.Word, number)
	return nil
}
