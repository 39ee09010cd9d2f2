package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"strings"
	"sync"
	"time"

	"shedbook/schema"
	"shedbook/schema/unit"
)

// table is the SQL of one kind of record, made from its description: the kind's
// columns in their order, then the book's own.
type table struct {
	kind    *schema.Kind
	columns []string // number, the kind's, typed, entered, versions, sum
	list    string   // the columns, quoted
	insert  string
	low     []int64 // by field: the first number of a word's vocabulary
}

// tables makes the tables on first use: not every verb opens a book.
var tables = sync.OnceValue(func() map[*schema.Kind]*table {
	m := map[*schema.Kind]*table{}
	for _, k := range schema.Kinds {
		if k.Name == "word" || k.Name == "setting" {
			continue // identified by name, not by number
		}
		t := &table{kind: k, columns: append(append([]string{"number"}, k.Columns()...), "typed", "entered", "versions",
			"sum")}
		t.list = quoted(t.columns)
		t.low = make([]int64, len(k.Fields))
		for i := range k.Fields {
			if f := &k.Fields[i]; f.Type == schema.WordField {
				t.low[i], _ = schema.WordRange(f.Vocabulary)
			}
		}
		t.insert = "INSERT INTO " + k.Sheet + " (" + quoted(t.columns) + ") VALUES (?" +
			strings.Repeat(", ?", len(t.columns)-1) + ")"
		m[k] = t
	}
	return m
})

// maxFields is more than any kind has.
const maxFields = 32

// quoted puts column names in double quotes, since some are SQL keywords.
func quoted(columns []string) string { return `"` + strings.Join(columns, `", "`) + `"` }

// values returns a record's values in the order of the table's columns.
func (t *table) values(r schema.Record, n *names) ([]any, error) {
	m := t.kind.Meta(r)
	out, err := t.appendFields(append(make([]any, 0, len(t.columns)), m.Number), r, n)
	if err != nil {
		return nil, err
	}
	typed, err := typedJSON(m.Typed)
	out = append(out, typed, formatTime(m.Entered), m.Versions)
	return append(out, rowSum(out...)), err
}

// appendFields appends a record's fields as the table holds them.
func (t *table) appendFields(out []any, r schema.Record, n *names) ([]any, error) {
	var room [maxFields]any
	for i, p := range t.kind.Pointers(room[:0], r) {
		v, err := value(&t.kind.Fields[i], p, n)
		if err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, nil
}

func typedJSON(typed map[string]string) (any, error) {
	if len(typed) == 0 {
		return nil, nil
	}
	s, err := json.Marshal(typed)
	return string(s), err
}

// value returns what the book stores for the field value at p: nil if not
// recorded.
func value(f *schema.Field, p any, n *names) (any, error) {
	switch p := p.(type) {
	case *string:
		if *p == "" {
			return nil, nil
		}
		if f.Type != schema.TextField {
			return n.number(f, *p)
		}
		return *p, nil
	case *schema.Num:
		if !p.Known {
			return nil, nil
		}
		return p.V, nil
	case *time.Time:
		if p.IsZero() {
			return nil, nil
		}
		return formatTime(*p), nil
	case *[]string:
		if len(*p) == 0 {
			return nil, nil
		}
		var bits int64
		low, _ := schema.WordRange(f.Vocabulary)
		for _, w := range *p {
			id, ok := n.word[f.Vocabulary][w]
			if !ok {
				return nil, notInBook(f.Name, w)
			}
			bits |= 1 << (id - low)
		}
		return bits, nil
	}
	panic("store: a field of no known type")
}

// number returns the number that stands for a machine, a driver or a word in
// the book.
func (n *names) number(f *schema.Field, name string) (int64, error) {
	of := n.word[f.Vocabulary]
	what := f.Name
	switch f.Type {
	case schema.MachineField:
		of, what = n.machine, "machine"
	case schema.DriverField:
		of, what = n.driver, "driver"
	}
	if id, ok := of[name]; ok {
		return id, nil
	}
	return 0, notInBook(what, name)
}

func notInBook(what, name string) error {
	return &Error{Trouble: NotFound, Says: fmt.Sprintf("%s %s is not in the book", what, unit.Quote(name))}
}

// scanner reads rows of a table into records.
type scanner struct {
	t     *table
	n     *names
	dest  []any
	ints  []sql.NullInt64
	reals []sql.NullFloat64
	texts []sql.NullString
	bytes []byte // buffer for the bytes that are summed

	unsummed bool // rows are not checked against their checksums
}

func (t *table) scanner(n *names) *scanner {
	size := len(t.columns)
	s := &scanner{t: t, n: n, dest: make([]any, size), ints: make([]sql.NullInt64, size),
		reals: make([]sql.NullFloat64, size), texts: make([]sql.NullString, size)}
	s.dest[0] = &s.ints[0]
	for i := range t.kind.Fields {
		switch t.kind.Fields[i].Type {
		case schema.TextField, schema.TimeField:
			s.dest[i+1] = &s.texts[i+1]
		case schema.NumField:
			s.dest[i+1] = &s.reals[i+1]
		default:
			s.dest[i+1] = &s.ints[i+1]
		}
	}
	s.dest[size-4], s.dest[size-3], s.dest[size-2], s.dest[size-1] = &s.texts[size-4], &s.texts[size-3],
		&s.ints[size-2], &s.ints[size-1]
	return s
}

// sum returns the checksum that the current row should have: see rowSum.
func (s *scanner) sum() int64 {
	b := s.bytes[:0]
	for _, d := range s.dest[:len(s.dest)-1] {
		switch d := d.(type) {
		case *sql.NullInt64:
			if d.Valid {
				b = sumInt(b, d.Int64)
				continue
			}
		case *sql.NullFloat64:
			if d.Valid {
				b = sumFloat(b, d.Float64)
				continue
			}
		case *sql.NullString:
			if d.Valid {
				b = sumText(b, d.String)
				continue
			}
		}
		b = append(b, 0)
	}
	s.bytes = b
	return int64(crc32.Checksum(b, castagnoli))
}

// errBadRow is returned for a row that was not written as it stands.
var errBadRow = errors.New("a row is not as it was written")

// scan reads the current row into r.
func (s *scanner) scan(rows interface{ Scan(...any) error }, r schema.Record) error {
	if err := s.read(rows, r); err != nil {
		return fmt.Errorf("%w: %w", errBadRow, err)
	}
	return nil
}

func (s *scanner) read(rows interface{ Scan(...any) error }, r schema.Record) error {
	if err := rows.Scan(s.dest...); err != nil {
		return err
	}
	if sum := s.ints[len(s.dest)-1]; !s.unsummed && sum.Int64 != s.sum() {
		return fmt.Errorf("%s %d", s.t.kind.Sheet, s.ints[0].Int64)
	}
	k, size := s.t.kind, len(s.dest)-1
	m := k.Meta(r)
	m.Number, m.Versions = s.ints[0].Int64, int(s.ints[size-1].Int64)
	if s.n.ties != nil {
		m.Order = s.n.ties.order(m.Number)
	}
	var err error
	if m.Entered, err = parseTime(s.texts[size-2].String); err != nil {
		return err
	}
	if s.texts[size-3].Valid {
		if err := json.Unmarshal([]byte(s.texts[size-3].String), &m.Typed); err != nil {
			return err
		}
	}
	for i := range k.Fields {
		f := &k.Fields[i]
		switch p := f.Pointer(r).(type) {
		case *string:
			switch f.Type {
			case schema.TextField:
				*p = s.texts[i+1].String
			case schema.MachineField:
				*p = s.n.machineName[s.ints[i+1].Int64]
			case schema.DriverField:
				*p = s.n.driverName[s.ints[i+1].Int64]
			case schema.WordField:
				*p = s.n.wordName[s.ints[i+1].Int64]
			}
		case *schema.Num:
			*p = schema.Num{V: s.reals[i+1].Float64, Known: s.reals[i+1].Valid}
		case *time.Time:
			if s.texts[i+1].Valid {
				if *p, err = parseTime(s.texts[i+1].String); err != nil {
					return err
				}
			}
		case *[]string:
			low, _ := schema.WordRange(f.Vocabulary)
			for bit := range 62 {
				if s.ints[i+1].Int64&(1<<bit) != 0 {
					*p = append(*p, s.n.wordName[low+int64(bit)])
				}
			}
		}
	}
	return nil
}

// query calls each for the records that where picks, in the order of its ORDER
// BY. A row that does not match its checksum is an error.
func (t *table) query(ctx context.Context, q querier, n *names, where string, args []any,
	each func(schema.Record) error) error {
	return t.scanner(n).query(ctx, q, where, args, each)
}

func (s *scanner) query(ctx context.Context, q querier, where string, args []any,
	each func(schema.Record) error) error {
	t := s.t
	rows, err := q.QueryContext(ctx, "SELECT "+t.list+" FROM "+t.kind.Sheet+" "+where, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		r := t.kind.New()
		if err := s.scan(rows, r); err != nil {
			return err
		}
		if err := each(r); err != nil {
			return err
		}
	}
	return rows.Err()
}

// one returns the record that where picks; nil if there is none.
func (t *table) one(ctx context.Context, q querier, n *names, where string, args ...any) (schema.Record, error) {
	var found schema.Record
	err := t.query(ctx, q, n, where+" LIMIT 1", args, func(r schema.Record) error {
		found = r
		return nil
	})
	return found, err
}
