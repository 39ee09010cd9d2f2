package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode"

	"shedbook/schema"
	"shedbook/schema/unit"
)

// Mask replaces drivers' names in a book that is handed over.
type Mask interface {
	Driver(name string) string          // returns what stands for a driver
	Field(*schema.Field, string) string // masks the text of a field
	In(schema.Naming, string) string    // masks any other text
}

// HandedOver is what went into a machine's own book.
type HandedOver struct {
	Machine     string
	Records     int
	Earlier     int // number of earlier versions
	Attachments int
	Bytes       int64 // of the attachments
	Drivers     []string
	Relabelled  []string // the machine's other names that were masked, since a person has that name
	Texts       []FreeText
}

// FreeText is a text in a machine's own book that may still name people in a
// way only a reader would notice.
type FreeText struct {
	Text   string
	Record int64  // the first record with this text
	Field  string // its column there
	Times  int    // how many fields have it
}

// Handover writes a machine's own book to a new file: its records with their
// earlier versions and attachments, the figures and plans of its model, the
// words it uses and the book's settings, and nothing of any other machine.
// Names of drivers and texts are masked; mask is called with all the people of
// the book and the machine's log, and returns the mask. Who bought the machine
// and when it left this fleet are left out. Records keep their numbers and
// refs.
func (b *Book) Handover(ctx context.Context, machine, to string,
	mask func(people []schema.Driver, log *schema.Log) Mask) (*HandedOver, error) {
	tx, err := b.db.BeginTx(ctx, nil)
	if err != nil {
		return nil, explain(b.path, err)
	}
	defer tx.Rollback()
	g, err := b.gather(ctx, tx, machine, mask)
	if err != nil {
		return nil, explain(b.path, err)
	}
	return g.done, newFile(to, func(path string) error { return g.write(ctx, tx, path, b.now) })
}

// newFile calls make with a temporary path beside to, and gives the finished
// file its name. It never replaces an existing file.
func newFile(to string, make func(path string) error) error {
	if _, err := os.Lstat(to); err == nil {
		return trouble(Refused, "name a new file, or move the old one away", "%s already exists", to)
	} else if !errors.Is(err, fs.ErrNotExist) {
		return &Error{Failed, to + " can't be written", "check the path, and that you may write there", err}
	}
	in, done, err := Passing(filepath.Dir(to))
	if err != nil {
		return &Error{Failed, to + " can't be written", "check that its directory exists and that you may write to it",
			err}
	}
	defer done()
	part := filepath.Join(in, filepath.Base(to))
	f, err := os.OpenFile(part, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return &Error{Failed, to + " can't be written", "check that the disk has space and that you may write to it",
			err}
	}
	f.Close()
	if err := make(part); err != nil {
		return err
	}
	if err := syncFile(part); err != nil {
		return &Error{Failed, to + " can't be written completely", "check that the disk is sound and has space", err}
	}
	// The link fails if somebody made the file meanwhile; some disks have no
	// links.
	if err := os.Link(part, to); errors.Is(err, fs.ErrExist) {
		return trouble(Refused, "name a new file, or move the old one away", "%s already exists", to)
	} else if err != nil {
		if err := os.Rename(part, to); err != nil {
			return &Error{Failed, to + " can't be written", "check the path, and that you may write there", err}
		}
	}
	_ = syncFile(filepath.Dir(to)) // not every system can do this
	return nil
}

func syncFile(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	return f.Sync()
}

// gathered is the part of a book that belongs to one machine.
type gathered struct {
	n       *names
	mask    Mask
	machine string
	log     schema.Log
	// The machine first, then drivers, then the others in an order in which
	// references resolve.
	records     []schema.Record
	words       []schema.Word
	earlier     []Earlier
	attachments []Attachment
	done        *HandedOver
}

func (b *Book) gather(ctx context.Context, q querier, machine string,
	makeMask func([]schema.Driver, *schema.Log) Mask) (*gathered, error) {
	n, err := readNames(ctx, q)
	if err == nil {
		err = n.readTies(ctx, q)
	}
	if err != nil {
		return nil, err
	}
	name, err := n.known().Machine(machine)
	if err != nil {
		return nil, err
	}
	id := n.machine[name]
	g := &gathered{n: n, machine: name, done: &HandedOver{Machine: name}}
	m, err := tables()[schema.KindNamed("machine")].one(ctx, q, n, "WHERE number = ?", id)
	if err != nil {
		return nil, err
	}
	g.log.Machine = *m.(*schema.Machine)
	g.records = append(g.records, m)
	model := g.log.Machine.Model
	for _, k := range schema.Kinds {
		f := k.Field("machine")
		if f == nil || f.Type != schema.MachineField {
			continue
		}
		where, args := "WHERE machine = ? ORDER BY number", []any{id}
		if k.Field("model") != nil {
			where, args = "WHERE machine = ? OR model = ? ORDER BY number", []any{id, model}
		} else {
			where = "WHERE machine = ? ORDER BY " + k.TimeColumn() + ", number"
		}
		err := tables()[k].query(ctx, q, n, where, args, func(r schema.Record) error {
			if k.TimeColumn() != "" {
				g.log.Add(r)
			}
			g.records = append(g.records, r)
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	p, err := readPast(ctx, q, n)
	if err != nil {
		return nil, err
	}
	drivers, gone, err := readDrivers(ctx, q, n)
	if err != nil {
		return nil, err
	}
	people := append(drivers, gone...)
	g.mask = makeMask(people, &g.log)
	if err := g.past(ctx, q, p); err != nil {
		return nil, err
	}
	g.addDrivers(drivers)
	g.addWords()
	of := map[int64]bool{}
	for _, r := range g.records {
		if k := schema.KindOf(r); k.Name != "driver" {
			of[k.Meta(r).Number] = true
		}
	}
	every, err := attachments(ctx, q, "WHERE detached IS NULL")
	if err != nil {
		return nil, err
	}
	for _, a := range every {
		if of[a.Record] {
			g.attachments = append(g.attachments, a)
			g.done.Bytes += a.Bytes
		}
	}
	if n.ties != nil {
		g.renumber()
	}
	was := g.log.Machine
	for _, r := range g.records {
		g.masked(r)
	}
	g.relabelled(&was)
	g.texts()
	g.done.Records, g.done.Earlier, g.done.Attachments = len(g.records)-len(g.done.Drivers)-1, len(g.earlier),
		len(g.attachments)
	return g, nil
}

// renumber exchanges the numbers of records of one kind and moment that several depots
// made, so that they are in the order that all depots share: what is handed over is of
// no company, and has the digest that was printed.
func (g *gathered) renumber() {
	type moment struct {
		k  *schema.Kind
		at int64
	}
	of, seen := map[moment][]int64{}, map[int64]bool{}
	note := func(r schema.Record, number int64) {
		if k := schema.KindOf(r); k.TimeColumn() != "" && !seen[number] {
			seen[number] = true
			at := moment{k, k.When(r).Unix()}
			of[at] = append(of[at], number)
		}
	}
	for _, r := range g.records {
		note(r, schema.KindOf(r).Meta(r).Number)
	}
	for _, e := range slices.Backward(g.earlier) { // of those that were voided the last counts
		note(e.Record, e.Number)
	}
	is := map[int64]int64{}
	for _, numbers := range of {
		shared := slices.Clone(numbers)
		slices.Sort(numbers)
		slices.SortFunc(shared, func(a, b int64) int { return cmp.Compare(g.n.ties.order(a), g.n.ties.order(b)) })
		for i, number := range shared {
			is[number] = numbers[i]
		}
	}
	move := func(number *int64) {
		if to, ok := is[*number]; ok {
			*number = to
		}
	}
	service := func(r schema.Record) {
		if a, ok := r.(*schema.Answer); ok && a.Service.Known {
			number := int64(a.Service.V)
			move(&number)
			a.Service = schema.N(float64(number))
		}
	}
	for _, r := range g.records {
		move(&schema.KindOf(r).Meta(r).Number)
		service(r)
	}
	for i := range g.earlier {
		move(&g.earlier[i].Number)
		service(g.earlier[i].Record)
	}
	for i := range g.attachments {
		move(&g.attachments[i].Record)
	}
}

// past gathers the earlier versions of the records. A version of the machine
// that only differs in where it went is left out.
func (g *gathered) past(ctx context.Context, q querier, p *past) error {
	mine, err := p.of(ctx, q, g.n, g.machine)
	if err != nil {
		return err
	}
	there := map[int64]bool{}
	for _, e := range mine {
		there[e.Number] = true
	}
	of := map[int64]schema.Record{}
	for _, r := range g.records {
		of[schema.KindOf(r).Meta(r).Number] = r
	}
	for _, e := range p.versions { // of the model's figures and plans
		if of[e.Number] != nil && !there[e.Number] {
			mine = append(mine, e)
		}
	}
	for _, e := range mine {
		if f := e.Kind.Field("machine"); f != nil && e.Kind.Name != "machine" {
			if name := *f.Pointer(e.Record).(*string); name != "" && name != g.machine {
				e.Record = elsewhere(e.Kind, e.Record)
			}
		}
		g.masked(e.Record)
		e.Why = g.mask.In(schema.Sentence, e.Why)
		g.earlier = append(g.earlier, e)
	}
	kept := g.earlier[:0]
	versions := map[int64]int{}
	for i, e := range g.earlier {
		if e.Kind.Name == "machine" {
			next := schema.Record(&g.log.Machine)
			if i+1 < len(g.earlier) && g.earlier[i+1].Number == e.Number {
				next = g.earlier[i+1].Record
			}
			same := *next.(*schema.Machine)
			g.masked(&same)
			if e.Kind.Equal(e.Record, &same) {
				continue
			}
		}
		versions[e.Number]++
		kept = append(kept, e)
	}
	g.earlier = kept
	for number, r := range of {
		schema.KindOf(r).Meta(r).Versions = versions[number]
	}
	return nil
}

// elsewhere returns what may be told of a version that was recorded for another
// machine by mistake: its time only.
func elsewhere(k *schema.Kind, r schema.Record) schema.Record {
	out := k.New()
	*k.Field("machine").Pointer(out).(*string) = "another machine"
	if c := k.TimeColumn(); c != "" {
		*k.Field(c).Pointer(out).(*time.Time) = k.When(r)
	}
	return out
}

// addDrivers adds the people who drove the machine.
func (g *gathered) addDrivers(people []schema.Driver) {
	on := map[string]bool{}
	for _, r := range g.records {
		on[schema.KindOf(r).Text(r, "driver")] = true
	}
	machine := g.log.Machine
	g.masked(&machine)
	drivers := []schema.Record{}
	for i := range people {
		d := &people[i]
		if !on[d.Name] {
			continue
		}
		if name := g.mask.Driver(d.Name); name != d.Name {
			d.Name, d.Note = name, formerly(&machine)
		}
		d.Note = g.mask.In(schema.Sentence, d.Note)
		d.Versions, d.Typed, d.Former, d.Given = 0, nil, nil, ""
		drivers = append(drivers, d)
		g.done.Drivers = append(g.done.Drivers, d.Name)
	}
	g.records = append(append(g.records[:1:1], drivers...), g.records[1:]...)
}

// formerly returns the note of a masked driver: it tells the Driver A of one
// machine from that of another.
func formerly(m *schema.Machine) string {
	s := "drove " + m.Name
	if m.Serial != "" {
		s += ", serial " + m.Serial + ","
	}
	return s + " under its former owner"
}

// addWords adds the book's own words that the machine's records use.
func (g *gathered) addWords() {
	used := map[string]bool{}
	note := func(r schema.Record) { used[schema.KindOf(r).Text(r, "terrain")] = true }
	for _, r := range g.records {
		note(r)
	}
	for _, e := range g.earlier {
		note(e.Record)
	}
	terrain := schema.KindNamed("run").Field("terrain")
	added := map[string]bool{}
	for _, w := range g.n.added {
		masked := g.mask.Field(terrain, w.Word)
		if (used[w.Word] || used[masked]) && !added[masked] {
			added[masked] = true
			g.words = append(g.words, schema.Word{Vocabulary: w.Vocabulary, Word: masked})
		}
	}
}

// relabelled finds the names of the machine itself that were masked.
func (g *gathered) relabelled(was *schema.Machine) {
	k := schema.KindNamed("machine")
	for _, f := range k.Differ(was, g.records[0]) {
		if f.Naming() == schema.Label {
			g.done.Relabelled = append(g.done.Relabelled, fmt.Sprintf("%s %s is %s",
				f.Name, unit.Quote(k.Text(was, f.Name)), unit.Quote(k.Text(g.records[0], f.Name))))
		}
	}
}

// texts gathers the texts that a person should read before the book is given
// away.
func (g *gathered) texts() {
	at := map[string]int{}
	add := func(text, field string, record int64) {
		if strings.IndexFunc(text, unicode.IsLetter) < 0 {
			return
		}
		i, ok := at[text]
		if !ok {
			i = len(g.done.Texts)
			at[text] = i
			g.done.Texts = append(g.done.Texts, FreeText{Text: text, Record: record, Field: field})
		}
		g.done.Texts[i].Times++
	}
	record := func(r schema.Record) {
		k := schema.KindOf(r)
		for i := range k.Fields {
			if f := &k.Fields[i]; f.Naming() == schema.Sentence && k.Name != "driver" {
				add(k.Text(r, f.Name), f.Name, k.Meta(r).Number)
			}
		}
	}
	for _, r := range g.records {
		record(r)
	}
	for _, e := range g.earlier {
		record(e.Record)
		add(e.Why, "why", e.Number)
	}
	for _, a := range g.attachments {
		add(g.mask.In(schema.Sentence, a.What), "what", a.Record)
	}
}

// masked replaces the drivers in a record by letters, and takes out where the
// machine went. A ref that names somebody is left out.
func (g *gathered) masked(r schema.Record) {
	k := schema.KindOf(r)
	if m, ok := r.(*schema.Machine); ok {
		m.Retired, m.SoldTo = time.Time{}, ""
	}
	if k.Name == "driver" {
		return
	}
	for i := range k.Fields {
		f := &k.Fields[i]
		p, ok := f.Pointer(r).(*string)
		switch {
		case !ok || *p == "":
		case f.Type == schema.DriverField:
			*p = g.mask.Driver(*p)
		case f.Name == "ref":
			if g.mask.Field(f, *p) != *p {
				*p = ""
			}
		default:
			*p = g.mask.Field(f, *p)
		}
	}
}

// write makes the book. The file never holds anything else, and is rewritten at
// the end, so that no page keeps remains of anything.
func (g *gathered) write(ctx context.Context, q querier, path string, now func() time.Time) error {
	out, err := Create(ctx, path, now)
	if err != nil {
		return err
	}
	defer out.Close()
	out.db.SetMaxOpenConns(1)
	err = out.write(ctx, func(tx *sql.Tx) error {
		for _, key := range sortedKeys(g.n.settings) {
			if err := putSetting(ctx, tx, schema.Setting{Key: key, Value: g.n.settings[key]}); err != nil {
				return err
			}
		}
		n, err := readNames(ctx, tx)
		if err != nil {
			return err
		}
		for _, w := range g.words {
			if err := putWord(ctx, tx, n, w); err != nil {
				return err
			}
		}
		highest := int64(0)
		for _, r := range g.records {
			k := schema.KindOf(r)
			if err := tables()[k].put(ctx, tx, n, r); err != nil {
				return fmt.Errorf("%s %d: %w", k.Name, k.Meta(r).Number, err)
			}
			highest = max(highest, k.Meta(r).Number)
			switch r := r.(type) {
			case *schema.Machine:
				n.addMachine(r.Number, r.Name)
			case *schema.Driver:
				n.addDriver(r.Number, r.Name)
			}
		}
		for _, e := range g.earlier {
			if err := putPast(ctx, tx, n, e.Number, e); err != nil {
				return err
			}
			highest = max(highest, e.Number)
		}
		for _, a := range g.attachments {
			data, err := content(ctx, q, a.SHA256)
			if err != nil {
				return err
			}
			if data == nil {
				return damaged("it comes from", fmt.Sprintf("attachment %d of record %d does not have its digest",
					a.Nth, a.Record))
			}
			k := &storedFile{name: fileName(g.mask.In(schema.Code, a.Name)),
				what: g.mask.In(schema.Sentence, a.What), format: a.Format, sum: a.SHA256, content: data}
			if _, _, err := attach(ctx, tx, a.Record, k, a.Entered); err != nil {
				return err
			}
		}
		_, err = tx.ExecContext(ctx, "UPDATE counter SET next = ? WHERE one = 1", highest+1)
		return err
	})
	if err != nil {
		return err
	}
	for _, do := range []string{"PRAGMA wal_checkpoint(TRUNCATE)", "PRAGMA journal_mode = DELETE", "VACUUM"} {
		if _, err := out.db.ExecContext(ctx, do); err != nil {
			return explain(path, err)
		}
	}
	return nil
}

// putPast writes an earlier version of a record under the record's number.
func putPast(ctx context.Context, q querier, n *names, number int64, e Earlier) error {
	var ref, why any
	if s := e.Kind.Text(e.Record, "ref"); s != "" {
		ref = s
	}
	if e.Why != "" {
		why = e.Why
	}
	e.Kind.Meta(e.Record).Number = number
	var version int64
	if err := q.QueryRowContext(ctx, "SELECT coalesce(max(version), 0) + 1 FROM past WHERE number = ?",
		number).Scan(&version); err != nil {
		return err
	}
	row := []any{number, version, e.Kind.Name, ref, e.What, formatTime(e.Replaced), why,
		n.encodeVersion(e.Kind, e.Record)}
	_, err := q.ExecContext(ctx, "INSERT INTO past (number, version, kind, ref, what, replaced, why, content, sum) "+
		"VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
		append(row, rowSum(row...))...)
	return err
}
