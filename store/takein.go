package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"shedbook/schema"
)

// IsBook reports whether a file is an SQLite file, by its first bytes.
func IsBook(path string) bool {
	f, err := openShared(path)
	if err != nil {
		return false
	}
	defer f.release()
	var h [16]byte
	n, _ := f.ReadAt(h[:], 0)
	return n == 16 && string(h[:]) == "SQLite format 3\x00"
}

// TookIn tells what was done with a machine's own book.
type TookIn struct {
	Imported
	Machine   string   // its name in this book
	Conflicts []string // where the two books differ
	Notes     []string // what was left as this book has it
}

// TakeIn imports a machine's own book, made by Handover, all or nothing, once
// it is verified: the machine, its drivers, records, earlier versions and
// attachments. Records keep their refs; what this book has already, by ref or
// else by its whole content, is not added again. A record that differs between
// the two is a conflict unless update is set; what this book amended or voided
// since stays so. A driver whose name somebody else has here comes in as "NAME
// of MACHINE", and a ref that is in use likewise.
func (b *Book) TakeIn(ctx context.Context, path string, update, dryRun bool) (*TookIn, error) {
	src, done, err := received(ctx, path, os.TempDir())
	if err != nil {
		return nil, err
	}
	defer done()
	from, err := src.db.BeginTx(ctx, nil)
	if err != nil {
		return nil, explain(path, err)
	}
	defer from.Rollback()
	g, err := src.gatherAll(ctx, from)
	if err != nil {
		return nil, notGood(explain(src.path, err), path, src.path)
	}
	out := &TookIn{}
	err = b.write(ctx, func(tx *sql.Tx) error {
		n, err := readNames(ctx, tx)
		if err != nil {
			return err
		}
		t := &taker{b: b, tx: tx, n: n, g: g, from: from, update: update, out: out, file: path,
			driver: map[string]string{}, number: map[int64]int64{}, fresh: map[int64]bool{}, matched: map[string]int{}}
		if err := t.all(ctx); err != nil {
			return err
		}
		if len(out.Conflicts) > 0 || dryRun {
			return errNothingKept
		}
		return nil
	})
	if errors.Is(err, errNothingKept) {
		return out, nil
	}
	out.Kept = err == nil
	return out, err
}

// asItIs is the mask for a book that was handed over: it is masked already.
type asItIs struct{}

func (asItIs) Driver(s string) string                 { return s }
func (asItIs) Field(_ *schema.Field, s string) string { return s }
func (asItIs) In(_ schema.Naming, s string) string    { return s }

// gatherAll reads a machine's own book, and checks each record, since another
// program may have written it.
func (b *Book) gatherAll(ctx context.Context, q querier) (*gathered, error) {
	n, err := readNames(ctx, q)
	if err != nil {
		return nil, err
	}
	if len(n.machines) != 1 {
		return nil, trouble(Refused, "for a whole fleet: shedbook --book FILE export DIR, then shedbook import DIR",
			"%s has %d machines: only a book that shedbook handover made, with one machine, can be imported", b.path,
			len(n.machines))
	}
	g, err := b.gather(ctx, q, n.machines[0], func([]schema.Driver, *schema.Log) Mask { return asItIs{} })
	if err != nil {
		return nil, err
	}
	known := n.known()
	known.Recorded = true
	for _, r := range g.records {
		if err := sound(r, known); err != nil {
			k := schema.KindOf(r)
			return nil, damaged(b.path, fmt.Sprintf("%s %d: %s", k.Name, k.Meta(r).Number, err))
		}
	}
	return g, nil
}

// taker takes in one machine's book.
type taker struct {
	b      *Book
	tx     *sql.Tx
	n      *names
	g      *gathered
	from   querier
	update bool
	out    *TookIn
	file   string

	target  string                    // the machine's name here
	driver  map[string]string         // from a driver's name there to the one here
	number  map[int64]int64           // from a record's number there to the one here
	fresh   map[int64]bool            // by number there: it was not here before
	before  int64                     // the first number given by this import
	matched map[string]int            // how many records of one content were matched here
	old     []Earlier                 // earlier versions of the machine's records here
	was     map[int64][]schema.Record // earlier versions there, by number there
}

func (t *taker) all(ctx context.Context) error {
	if err := t.tx.QueryRowContext(ctx, "SELECT next FROM counter WHERE one = 1").Scan(&t.before); err != nil {
		return err
	}
	known := t.n.known()
	for _, w := range t.g.words {
		if _, err := known.Word(w.Vocabulary, w.Word); err == nil {
			continue
		}
		if err := putWord(ctx, t.tx, t.n, w); err != nil {
			return err
		}
	}
	if err := t.findMachine(ctx); err != nil {
		return err
	}
	if t.target != "" {
		p, err := readPast(ctx, t.tx, t.n)
		if err != nil {
			return err
		}
		if t.old, err = p.of(ctx, t.tx, t.n, t.target); err != nil {
			return err
		}
	}
	people := 1 // the machine and its drivers come before the records that name them
	for people < len(t.g.records) && schema.KindOf(t.g.records[people]).Name == "driver" {
		people++
	}
	for i, r := range t.g.records {
		if i == people {
			t.translateEarlier()
		}
		if err := t.one(ctx, r); err != nil {
			return err
		}
	}
	if err := t.earlier(ctx); err != nil {
		return err
	}
	return t.attachments(ctx)
}

// findMachine finds the machine in this book: by its serial number, or by its
// name if the serial numbers do not contradict.
func (t *taker) findMachine(ctx context.Context) error {
	theirs := &t.g.log.Machine
	k := schema.KindNamed("machine")
	if theirs.Serial != "" {
		r, err := tables()[k].one(ctx, t.tx, t.n, "WHERE lower(serial) = lower(?) ORDER BY number", theirs.Serial)
		if err != nil {
			return err
		}
		if r != nil {
			t.target = r.(*schema.Machine).Name
			return nil
		}
	}
	r, err := tables()[k].one(ctx, t.tx, t.n, "WHERE lower(machine) = lower(?)", theirs.Name)
	if err != nil || r == nil {
		return err
	}
	ours := r.(*schema.Machine)
	if theirs.Serial == ours.Serial && theirs.Make == ours.Make && theirs.Model == ours.Model &&
		theirs.Year == ours.Year {
		t.target = ours.Name
		return nil
	}
	hint := fmt.Sprintf("rename yours first: shedbook correct %d --machine '%s old' --why 'another %s came'",
		ours.Number, ours.Name, ours.Name)
	if ours.Serial == "" || theirs.Serial == "" {
		hint = fmt.Sprintf("if they are the same machine, correct its serial number: shedbook machine set %s "+
			"--serial ...; if not, r%s", ours.Name, hint[1:])
	}
	return trouble(Refused, hint, "this book has a machine called %s (%s), and %s has a different one (%s)", ours.Name,
		identity(ours), t.file, identity(theirs))
}

func identity(m *schema.Machine) string {
	var parts []string
	for _, s := range []string{m.Make, m.Model} {
		if s != "" {
			parts = append(parts, s)
		}
	}
	if m.Serial == "" {
		return strings.Join(append(parts, "no serial number recorded"), ", ")
	}
	return strings.Join(append(parts, "serial "+m.Serial), ", ")
}

// count returns the counts of a kind.
func (t *taker) count(sheet string) *Counts {
	for i := range t.out.Sheets {
		if t.out.Sheets[i].Sheet == sheet {
			return &t.out.Sheets[i]
		}
	}
	t.out.Sheets = append(t.out.Sheets, Counts{File: t.file, Sheet: sheet})
	return &t.out.Sheets[len(t.out.Sheets)-1]
}

// one takes in one record.
func (t *taker) one(ctx context.Context, r schema.Record) error {
	k := schema.KindOf(r)
	theirs := k.Meta(r).Number
	c := t.count(k.Sheet)
	c.Rows++
	var ours schema.Record
	var err error
	switch k.Name {
	case "machine":
		t.out.Machine = t.target
		if t.target != "" {
			if ours, err = tables()[k].one(ctx, t.tx, t.n, "WHERE machine = ?", t.target); err != nil {
				return err
			}
			m := *ours.(*schema.Machine) // its name, and where it went, are up to this book
			r.(*schema.Machine).Name, r.(*schema.Machine).Retired, r.(*schema.Machine).SoldTo = m.Name, m.Retired,
				m.SoldTo
		} else {
			t.target = r.(*schema.Machine).Name
			t.out.Machine = t.target
		}
	case "driver":
		d := r.(*schema.Driver)
		there := d.Name
		if ours, err = t.findDriver(ctx, d); err == nil {
			t.driver[there] = d.Name
		}
	default:
		t.translate(r)
		t.service(r)
		ours, err = t.find(ctx, k, r)
	}
	if err != nil {
		return err
	}
	switch {
	case ours == nil && t.wasHere(k, r, theirs):
		c.Repeated++
		return nil
	case ours == nil:
		c.Added++
		t.fresh[theirs] = true
		return t.add(ctx, k, r, theirs)
	}
	number := k.Meta(ours).Number
	t.number[theirs] = number
	differ := k.Differ(ours, r)
	switch {
	case len(differ) == 0, t.here(k, r, number):
		c.Repeated++
	case k.Name == "spec":
		c.Repeated++
		t.out.Notes = append(t.out.Notes, fmt.Sprintf("%s of %s stays %s; %s says %s", k.Text(ours, "figure"),
			cmp.Or(k.Text(ours, "machine"), k.Text(ours, "model")), k.Text(ours, "value"), t.file, k.Text(r, "value")))
	case t.update:
		c.Amended++
		k.Meta(r).Number, k.Meta(r).Entered, k.Meta(r).Versions = number, k.Meta(ours).Entered, k.Meta(ours).Versions
		return t.b.amend(ctx, t.tx, t.n, k, ours, r, "imported again with --update")
	default:
		c.Bad++
		zone := t.n.settings.Zone()
		for _, f := range differ {
			t.out.Conflicts = append(t.out.Conflicts,
				fmt.Sprintf("%s %d: %s: conflict: the book has %s, %s (its record %d) %s; to correct the book use "+
					"--update",
					k.Name, number, f.Name, cellOr(f, ours, zone), t.file, theirs, cellOr(f, r, zone)))
		}
	}
	return nil
}

// add adds a record under a new number, with its time of entry there.
func (t *taker) add(ctx context.Context, k *schema.Kind, r schema.Record, theirs int64) error {
	number, err := take(ctx, t.tx, 1)
	if err != nil {
		return err
	}
	t.number[theirs] = number
	k.Meta(r).Number = number
	switch r := r.(type) {
	case *schema.Machine:
		t.n.addMachine(number, r.Name)
	case *schema.Driver:
		t.n.addDriver(number, r.Name)
	}
	return tables()[k].put(ctx, t.tx, t.n, r)
}

// findDriver finds a driver in this book: the same person is one of that name,
// or of that name and machine, who was entered at the same second with the same
// note, since two people may have one name. It sets d.Name to the name here.
func (t *taker) findDriver(ctx context.Context, d *schema.Driver) (schema.Record, error) {
	for _, name := range []string{d.Name, d.Name + " of " + t.g.machine} {
		r, err := tables()[schema.KindNamed("driver")].one(ctx, t.tx, t.n, "WHERE lower(driver) = lower(?)", name)
		if err != nil {
			return nil, err
		}
		switch ours, _ := r.(*schema.Driver); {
		case r == nil:
			if name != d.Name && d.Note != formerly(&t.g.log.Machine) { // a letter may stand for anybody
				t.out.Notes = append(t.out.Notes, fmt.Sprintf(
					"this book already has a driver called %s, so theirs is called %s here; if they are the same "+
						"person, change the records with shedbook correct", d.Name, name))
			}
			d.Name = name
			return nil, nil
		case ours.Note == d.Note && ours.Entered.Equal(d.Entered):
			d.Name = ours.Name
			return r, nil
		}
	}
	return nil, trouble(Refused, "rename yours first: shedbook driver rename",
		"this book already has a driver called %q, and one called %q", d.Name, d.Name+" of "+t.g.machine)
}

// translateEarlier puts this book's names into the earlier versions.
func (t *taker) translateEarlier() {
	t.was = map[int64][]schema.Record{}
	for _, e := range t.g.earlier {
		if m, ok := e.Record.(*schema.Machine); ok && m.Name == t.g.machine {
			m.Name = t.target
		}
		t.translate(e.Record)
		t.was[e.Number] = append(t.was[e.Number], e.Record)
	}
}

// translate puts this book's names into a record of theirs.
func (t *taker) translate(r schema.Record) {
	k := schema.KindOf(r)
	for i := range k.Fields {
		f := &k.Fields[i]
		p, ok := f.Pointer(r).(*string)
		switch {
		case !ok || *p == "":
		case f.Type == schema.MachineField && *p == t.g.machine:
			*p = t.target
		case f.Type == schema.DriverField:
			if name, ok := t.driver[*p]; ok {
				*p = name
			} else if t.n.driver[*p] != 0 { // drove it only in an earlier version
				*p += " of " + t.g.machine
			}
		}
	}
}

// service sets an answer's service to the number that it has here.
func (t *taker) service(r schema.Record) {
	if a, ok := r.(*schema.Answer); ok && a.Service.Known {
		if n, ok := t.number[int64(a.Service.V)]; ok {
			a.Service = schema.N(float64(n))
		} else {
			a.Service = schema.Num{} // the service was voided
		}
	}
}

// find finds a record in this book by its ref or else by its content. Of
// records with the same content as many are matched as there are.
func (t *taker) find(ctx context.Context, k *schema.Kind, r schema.Record) (schema.Record, error) {
	tab := tables()[k]
	if k.Name == "spec" {
		return tab.same(ctx, t.tx, t.n, r)
	}
	if ref := k.Text(r, "ref"); ref != "" {
		ours, err := tab.one(ctx, t.tx, t.n, "WHERE ref = ?", ref)
		if err != nil || ours == nil || k.Text(ours, "machine") == t.target {
			return ours, err
		}
		// A record of another machine has that ref: both sheets number their rows the
		// same way.
		*k.Field("ref").Pointer(r).(*string) = ref + " of " + t.g.machine
		return tab.one(ctx, t.tx, t.n, "WHERE ref = ?", ref+" of "+t.g.machine)
	}
	// By its content or, if it was amended there since, by what it said before.
	for _, v := range append([]schema.Record{r}, t.was[k.Meta(r).Number]...) {
		where, args, err := tab.content(v, t.n)
		if err != nil && v == r {
			return nil, err
		} else if err != nil {
			continue // a version names somebody who is not here
		}
		var here []schema.Record
		err = tab.query(ctx, t.tx, t.n, where+" AND number < ? ORDER BY number", append(args, t.before),
			func(r schema.Record) error {
				here = append(here, r)
				return nil
			})
		if err != nil {
			return nil, err
		}
		key := k.Name + fmt.Sprint(args...)
		if i := t.matched[key]; i < len(here) {
			t.matched[key]++
			return here[i], nil
		}
	}
	return nil, nil
}

// here reports whether a record here said the same as theirs once, and was
// amended since: then it stays so.
func (t *taker) here(k *schema.Kind, r schema.Record, number int64) bool {
	return slices.ContainsFunc(t.old, func(e Earlier) bool {
		if e.Number != number || e.Kind != k {
			return false
		}
		if m, ok := e.Record.(*schema.Machine); ok { // see one: these fields are up to this book
			was, is := *m, r.(*schema.Machine)
			was.Name, was.Retired, was.SoldTo = is.Name, is.Retired, is.SoldTo
			return k.Equal(&was, r)
		}
		return k.Equal(e.Record, r)
	})
}

// wasHere reports whether their record was here, and was amended or voided
// since.
func (t *taker) wasHere(k *schema.Kind, r schema.Record, theirs int64) bool {
	for _, e := range t.old {
		if e.Kind == k && k.Name != "machine" && k.Equal(e.Record, r) && t.matched["past"+fmt.Sprint(e.Number)] == 0 {
			t.matched["past"+fmt.Sprint(e.Number)]++
			t.number[theirs] = e.Number
			return true
		}
	}
	return false
}

// earlier takes in the earlier versions of the records added, and the voided
// records that are not here yet.
func (t *taker) earlier(ctx context.Context) error {
	var versions []Earlier
	for i, e := range t.g.earlier {
		t.service(e.Record)
		versions = append(versions, e)
		if i+1 < len(t.g.earlier) && t.g.earlier[i+1].Number == e.Number {
			continue
		}
		number, put := t.number[e.Number], t.fresh[e.Number]
		if number == 0 && e.What == "voided" && !t.voidedHere(e) {
			var err error
			if number, err = take(ctx, t.tx, 1); err != nil {
				return err
			}
			put = true
			t.count(e.Kind.Sheet) // so that the kind is listed
		}
		if put {
			for _, v := range versions {
				if err := putPast(ctx, t.tx, t.n, number, v); err != nil {
					return err
				}
			}
		}
		versions = nil
	}
	return nil
}

func (t *taker) voidedHere(v Earlier) bool {
	return slices.ContainsFunc(t.old, func(e Earlier) bool {
		return e.What == "voided" && e.Kind == v.Kind && e.Replaced.Equal(v.Replaced) && e.Why == v.Why &&
			e.Kind.Equal(e.Record, v.Record)
	})
}

// attachments takes in the files. One that was detached here stays detached.
func (t *taker) attachments(ctx context.Context) error {
	for _, a := range t.g.attachments {
		c := t.count("attachments")
		c.Rows++
		record, ok := t.number[a.Record]
		if !ok {
			continue
		}
		data, err := content(ctx, t.from, a.SHA256)
		if err != nil {
			return err
		}
		if data == nil {
			return damaged(t.file, fmt.Sprintf("attachment %d of record %d does not have its digest", a.Nth, a.Record))
		}
		k, err := prepareFile(File{Name: a.Name, What: a.What, Content: data})
		if err != nil {
			return err
		}
		has, err := attachments(ctx, t.tx, "WHERE record = ? AND sha256 = ?", record, k.sum)
		if err != nil {
			return err
		}
		if len(has) > 0 {
			c.Repeated++
			continue
		}
		if _, _, err := attach(ctx, t.tx, record, k, a.Entered); err != nil {
			return err
		}
		c.Added++
	}
	return nil
}

// sound returns an error if a record could not have been recorded by this or an
// earlier version: every field must read back from its sheet's form, and the
// kind must accept it. Only a damaged or forged book holds such records.
func sound(r schema.Record, known *schema.Known) error {
	k := schema.KindOf(r)
	again := k.New()
	for i := range k.Fields {
		f := &k.Fields[i]
		if err := k.Set(again, f, f.Cell(r, time.UTC), known, time.Time{}); err != nil {
			return err
		}
	}
	if d := k.Differ(r, again); len(d) > 0 {
		return schema.Wrong(d[0].Name, d[0].Cell(r, time.UTC), "can't be read back as it was written")
	}
	return k.CheckRecorded(r)
}
