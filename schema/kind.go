package schema

import (
	"fmt"
	"reflect"
	"strconv"
	"strings"
	"time"

	"shedbook/schema/unit"
)

// Type is the type of a field's value.
type Type int

const (
	TextField    Type = iota // string
	MachineField             // string: a machine of the book
	DriverField              // string: a driver of the book
	WordField                // string: a word of Field.Vocabulary
	WordsField               // []string: words of Field.Vocabulary
	NumField                 // Num, in Field.Unit
	TimeField                // time.Time, zero = not recorded
)

// Field is one column of a kind of record.
type Field struct {
	Name       string // the column of the sheet and of the book, and the JSON key
	Type       Type
	Unit       unit.Unit
	Vocabulary string
	Required   bool
	Min, Max   float64
	Help       string
	Record     bool   // the number of another record
	Plain      bool   // on a record's line it takes a bare number, or the first word
	Zero, Yes  string // words that mean 0 or yes on a record's line, such as "ok" and "out"
	No         string // a word that means no, such as "no-lamp"
	part       string // in a half of a record: see half
	index      []int
}

// Flag returns the field's name on the command line: its column without the
// unit, with dashes (`volume_ml` is --volume).
func (f *Field) Flag() string {
	name := f.Name
	if f.Unit != unit.Count && f.Unit != unit.Days { // every_h is --every, but every_days keeps its unit
		name = strings.TrimSuffix(name, "_"+string(f.Unit))
	}
	if f.part != "" {
		name = strings.TrimSuffix(name, "_"+f.part)
	}
	return strings.ReplaceAll(name, "_", "-")
}

// Record is one record of any kind.
type Record interface {
	Validate() error
}

// Kind describes a kind of record.
type Kind struct {
	Name   string // in words and commands: run, topup, ...
	Sheet  string // its sheet, and its table in the book: runs, topups, ...
	Help   string // one line
	Fields []Field
	// Dated kinds have a Base: a ref, a machine and a time.
	Dated bool
	typ   reflect.Type
	meta  []int
	in    func(*Log) Slot // its place in a log; nil for a kind that logs do not hold
}

// Kinds are all kinds of record, each after the kinds that it refers to.
var Kinds = []*Kind{
	describe[Setting]("setting", "settings", "a setting of the book"),
	describe[Word]("word", "words", "a new word for a field"),
	describe[Driver]("driver", "drivers", "somebody who drives"),
	describe[Machine]("machine", "machines", "a machine of the fleet"),
	describe[Spec]("spec", "specs", "a figure from the maker's manual"),
	logged("meter", "meters", "an hour meter replaced",
		func(l *Log) *[]MeterChange { return &l.Meters }),
	logged("run", "runs", "a drive: who, how long, where, how fast",
		func(l *Log) *[]Run { return &l.Runs }),
	logged("topup", "topups", "coolant added up to the mark",
		func(l *Log) *[]TopUp { return &l.TopUps }),
	logged("refill", "refills", "the cooling system emptied or opened, and refilled",
		func(l *Log) *[]Refill { return &l.Refills }),
	logged("bleed", "bleeds", "air bled from the cooling system",
		func(l *Log) *[]Bleed { return &l.Bleeds }),
	logged("level", "levels", "a look at the coolant level, nothing added",
		func(l *Log) *[]Level { return &l.Levels }),
	logged("clean", "cleanings", "the radiator cleaned",
		func(l *Log) *[]Cleaning { return &l.Cleanings }),
	logged("overheat", "overheats", "an overheat: how it showed, who drove, where",
		func(l *Log) *[]Overheat { return &l.Overheats }),
	logged("check", "checks", "a test to find the cause of a fault",
		func(l *Log) *[]Check { return &l.Checks }),
	logged("service", "services", "a repair or other work done",
		func(l *Log) *[]Service { return &l.Services }),
	describe[Plan]("plan", "plans", "recurring work"),
	logged("release", "releases", "a parked machine let go, with name and reason",
		func(l *Log) *[]Release { return &l.Releases }),
	logged("outing", "outings", "a machine out with somebody, and back",
		func(l *Log) *[]Outing { return &l.Outings }),
	logged("answer", "answers", "what you found when you looked into a flag",
		func(l *Log) *[]Answer { return &l.Answers }),
}

// GoesOut and ComesBack are the two halves of an outing, each described like a
// kind: its line, options and form take the fields of that half only.
var (
	GoesOut = KindNamed("outing").half("out", "a machine goes out: who takes it, meter, coolant level",
		"machine", "out", "driver", "meter_out_h", "level_out_ml", "engine_out", "accepted", "note")
	ComesBack = KindNamed("outing").half("back", "a machine comes back: meter, coolant level, lamp, mud",
		"machine", "back", "meter_back_h", "hours", "level_back_ml", "engine_back", "lamp", "mud", "note")
)

// half returns a kind with some of k's fields, dated by the field with the
// half's name. Option names leave that name out: meter_back_h is --meter.
func (k *Kind) half(name, help string, columns ...string) *Kind {
	h := &Kind{Name: name, Sheet: k.Sheet, Help: help, Dated: k.Dated, typ: k.typ, meta: k.meta}
	for _, c := range columns {
		f := *k.Field(c)
		f.part, f.Required = name, f.Required || c == name
		h.Fields = append(h.Fields, f)
	}
	return h
}

// KindNamed returns the kind with this name or sheet name; nil if there is
// none.
func KindNamed(name string) *Kind {
	for _, k := range Kinds {
		if k.Name == name || k.Sheet == name {
			return k
		}
	}
	return nil
}

var byType = func() map[reflect.Type]*Kind {
	m := map[reflect.Type]*Kind{}
	for _, k := range Kinds {
		m[k.typ] = k
	}
	return m
}()

// KindOf returns the kind of a record.
func KindOf(r Record) *Kind { return byType[reflect.TypeOf(r).Elem()] }

// New returns an empty record of the kind.
func (k *Kind) New() Record { return reflect.New(k.typ).Interface().(Record) }

// Meta returns what the book stores beside the record's fields.
func (k *Kind) Meta(r Record) *Meta {
	return reflect.ValueOf(r).Elem().FieldByIndex(k.meta).Addr().Interface().(*Meta)
}

// Field returns the field with this column; nil if there is none.
func (k *Kind) Field(name string) *Field {
	for i := range k.Fields {
		if k.Fields[i].Name == name {
			return &k.Fields[i]
		}
	}
	return nil
}

// Columns returns the fields' names in order.
func (k *Kind) Columns() []string {
	names := make([]string, len(k.Fields))
	for i := range k.Fields {
		names[i] = k.Fields[i].Name
	}
	return names
}

// TimeColumn returns the column that dates the record ("start" or "at"; "" if
// none).
func (k *Kind) TimeColumn() string {
	for i := range k.Fields {
		if f := &k.Fields[i]; f.Type == TimeField && f.Required {
			return f.Name
		}
	}
	return ""
}

// When returns the time that dates the record; zero if the kind has none.
func (k *Kind) When(r Record) time.Time {
	if c := k.TimeColumn(); c != "" {
		return *k.Field(c).Pointer(r).(*time.Time)
	}
	return time.Time{}
}

// Text returns a field's text (text, machine, driver and word fields; "" if the
// kind has no such field).
func (k *Kind) Text(r Record, column string) string {
	if f := k.Field(column); f != nil {
		if s, ok := f.Pointer(r).(*string); ok {
			return *s
		}
	}
	return ""
}

// Pointer returns the address of the field's value in the record: *string,
// *Num, *time.Time or *[]string.
func (f *Field) Pointer(r Record) any {
	return reflect.ValueOf(r).Elem().FieldByIndex(f.index).Addr().Interface()
}

// Pointers appends the addresses of all fields' values, in order: see Pointer.
func (k *Kind) Pointers(to []any, r Record) []any {
	if r, ok := r.(*Run); ok { // a shortcut for the kind of which a book has a million
		return append(to, &r.Ref, &r.Machine, &r.At, &r.Driver, &r.Hours, &r.MeterOut, &r.MeterIn, &r.Terrain, &r.Speed,
			&r.Range, &r.Load, &r.AmbientC, &r.Note)
	}
	v := reflect.ValueOf(r).Elem()
	for i := range k.Fields {
		to = append(to, v.FieldByIndex(k.Fields[i].index).Addr().Interface())
	}
	return to
}

// Known reports whether the field is recorded.
func (f *Field) Known(r Record) bool { return Recorded(f.Pointer(r)) }

// Recorded reports whether the value at a field's address is recorded.
func Recorded(p any) bool {
	switch p := p.(type) {
	case *string:
		return *p != ""
	case *Num:
		return p.Known
	case *time.Time:
		return !p.IsZero()
	case *[]string:
		return len(*p) > 0
	}
	return false
}

func describe[T any](name, sheet, help string) *Kind {
	t := reflect.TypeFor[T]()
	k := &Kind{Name: name, Sheet: sheet, Help: help, typ: t}
	k.walk(t, nil, nil)
	if _, ok := reflect.New(t).Interface().(Record); !ok {
		panic("schema: " + name + " cannot be validated")
	}
	return k
}

// walk gathers the tagged fields of t, with those of embedded structs in their
// place; rename maps an embedded column to this kind's name for it.
func (k *Kind) walk(t reflect.Type, at []int, rename map[string]string) {
	for i := range t.NumField() {
		sf := t.Field(i)
		index := append(append([]int(nil), at...), i)
		tag := sf.Tag.Get("rec")
		switch {
		case sf.Type == reflect.TypeFor[Meta]():
			k.meta = index
		case sf.Anonymous:
			if sf.Type == reflect.TypeFor[Base]() {
				k.Dated = true
			}
			names := map[string]string{}
			if was, now, ok := strings.Cut(tag, "="); ok {
				names[was] = now
			}
			k.walk(sf.Type, index, names)
		case tag != "":
			f := parseTag(tag)
			if now, ok := rename[f.Name]; ok {
				f.Name = now
			}
			f.Help, f.index = sf.Tag.Get("help"), index
			k.Fields = append(k.Fields, f)
		}
	}
}

var typeNames = map[string]Type{"text": TextField, "machine": MachineField, "driver": DriverField,
	"word": WordField, "words": WordsField, "num": NumField, "time": TimeField}

func parseTag(tag string) Field {
	parts := strings.Split(tag, ",")
	f := Field{Name: parts[0]}
	var ok bool
	if f.Type, ok = typeNames[parts[1]]; !ok {
		panic("schema: no such type: " + tag)
	}
	for _, p := range parts[2:] {
		key, value, _ := strings.Cut(p, "=")
		switch key {
		case "unit":
			f.Unit = unit.Unit(value)
		case "of":
			f.Vocabulary = value
		case "min":
			f.Min = mustFloat(value)
		case "max":
			f.Max = mustFloat(value)
		case "required":
			f.Required = true
		case "record":
			f.Record = true
		case "plain":
			f.Plain = true
		case "zero":
			f.Zero = value
		case "yes":
			f.Yes = value
		case "no":
			f.No = value
		default:
			panic("schema: no such option: " + tag)
		}
	}
	if f.Vocabulary == "" && (f.Type == WordField || f.Type == WordsField) {
		panic(fmt.Sprintf("schema: %s has no vocabulary", f.Name))
	}
	return f
}

func mustFloat(s string) float64 {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		panic(err)
	}
	return v
}
