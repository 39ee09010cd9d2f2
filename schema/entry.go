package schema

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"
)

// EntryVersion is the version of the book that a program must know to read the
// entries that this one makes.
const EntryVersion = 9

// Name is what a record is called in every book, for good: the id of the book in
// which it was recorded, and its number there. It is written BOOK:NUMBER.
type Name struct {
	Book   string
	Number int64
}

func (n Name) String() string { return n.Book + ":" + strconv.FormatInt(n.Number, 10) }

// MarshalText writes BOOK:NUMBER.
func (n Name) MarshalText() ([]byte, error) { return []byte(n.String()), nil }

// UnmarshalText is the inverse of MarshalText.
func (n *Name) UnmarshalText(text []byte) error {
	book, number, _ := strings.Cut(string(text), ":")
	v, err := strconv.ParseInt(number, 10, 64)
	if err != nil || v < 1 || book == "" {
		return fmt.Errorf("%q is not the name of a record", text)
	}
	n.Book, n.Number = book, v
	return nil
}

// Content is what a record says: its known fields by name, as in JSON. Machines,
// drivers and records that it refers to stand in it by their names (see Name);
// somebody who is only a word, by that word behind a colon.
type Content map[string]json.RawMessage

// String is the content as text, the same for the same content.
func (c Content) String() string {
	text, err := json.Marshal(c)
	if err != nil { // its values are JSON
		panic(err)
	}
	return string(text)
}

// Entry is something done in a book, as the other books of its company are told.
// On a line it is a JSON object.
type Entry struct {
	// Clock orders what is done to one record: milliseconds since 1970, times 65,536,
	// and never at or below what its book had seen or given before. It is no date.
	Clock int64  `json:"t"`
	What  string `json:"w,omitempty"` // amend, void, word, set or depot; a new record has none
	Kind  string `json:"k,omitempty"`
	// Number is a new record's, in its book; Of are the records amended or voided:
	// one, and those that repeated it.
	Number  int64             `json:"n,omitempty"`
	Of      []Name            `json:"of,omitempty"`
	Entered int64             `json:"e"`            // seconds since 1970
	Is      Content           `json:"is,omitempty"` // all that is said now
	Was     Content           `json:"was,omitempty"`
	Typed   map[string]string `json:"typed,omitempty"`
	Why     string            `json:"why,omitempty"`
}

// Line is the entry as it travels.
func (e *Entry) Line() string {
	text, err := json.Marshal(e)
	if err != nil { // numbers and text
		panic(err)
	}
	return string(text)
}

// ParseEntry is the inverse of Line. An entry of no kind that this program knows is
// an error.
func ParseEntry(line string) (*Entry, error) {
	e := &Entry{}
	if err := json.Unmarshal([]byte(line), e); err != nil {
		return nil, fmt.Errorf("an entry can't be read: %w", err)
	}
	wrong := func(what string) (*Entry, error) { return nil, fmt.Errorf("an entry %s", what) }
	k := KindNamed(e.Kind)
	switch e.What {
	case "", "amend":
		if k == nil || k.Name == "word" || k.Name == "setting" || e.Is == nil {
			return wrong("does not say what it records")
		}
		if e.What == "" && e.Number < 1 {
			return wrong("has no number")
		}
	case "word", "set", "depot":
		if e.Is == nil {
			return wrong("says nothing")
		}
	case "void":
		if k == nil {
			return wrong("is of no kind")
		}
	default:
		return wrong("does something unknown: " + e.What)
	}
	if (e.What == "amend" || e.What == "void") && len(e.Of) == 0 || e.What == "amend" && len(e.Was) == 0 {
		return wrong("does not say what it changes")
	}
	if k != nil && e.Is != nil {
		var err error
		if e.Is, err = k.plain(e.Is); err != nil {
			return nil, fmt.Errorf("an entry can't be read: %w", err)
		}
	}
	return e, nil
}

// plain is the content in the one form in which this program writes it.
func (k *Kind) plain(c Content) (Content, error) {
	r, record, err := k.fromContent(c)
	if err != nil {
		return nil, err
	}
	return k.content(r, record), nil
}

// fromContent makes a record of content: what it refers to stands in it by name,
// and the record that it names, if any, beside it.
func (k *Kind) fromContent(c Content) (r Record, record string, err error) {
	for i := range k.Fields {
		f := &k.Fields[i]
		if is, ok := c[f.Name]; ok && f.Record {
			if err := json.Unmarshal(is, &record); err != nil {
				return nil, "", err
			}
			c = maps.Clone(c)
			delete(c, f.Name)
		}
	}
	text, err := json.Marshal(c)
	if err == nil {
		r, err = k.Decode(text, nil)
	}
	return r, record, err
}

// content is the inverse of fromContent.
func (k *Kind) content(r Record, record string) Content {
	var all map[string]json.RawMessage
	if err := json.Unmarshal(k.JSON(r, time.UTC), &all); err != nil {
		panic(err)
	}
	out := Content{}
	for i := range k.Fields {
		f := &k.Fields[i]
		if is := all[f.Name]; f.Record && record != "" {
			out[f.Name], _ = json.Marshal(record)
		} else if f.Known(r) && !f.Record {
			out[f.Name] = is
		}
	}
	return out
}

// Content is what a record says. name is asked what a machine, a driver or a
// record's number, in decimals, is called.
func (k *Kind) Content(r Record, name func(f *Field, is string) (string, error)) (Content, error) {
	record := ""
	var err error
	for i := range k.Fields {
		if f := &k.Fields[i]; f.Record && f.Known(r) {
			if record, err = name(f, strconv.FormatFloat(f.Pointer(r).(*Num).V, 'f', -1, 64)); err != nil {
				return nil, err
			}
		}
	}
	out := k.content(r, record)
	for i := range k.Fields {
		if f := &k.Fields[i]; f.refers() && f.Known(r) {
			is, err := name(f, *f.Pointer(r).(*string))
			if err != nil {
				return nil, err
			}
			out[f.Name], _ = json.Marshal(is)
		}
	}
	return out, nil
}

// FromContent is the inverse of Content; is is asked for what a name stands for.
func (k *Kind) FromContent(c Content, is func(f *Field, name string) (string, error)) (Record, error) {
	r, record, err := k.fromContent(c)
	if err != nil {
		return nil, err
	}
	for i := range k.Fields {
		f := &k.Fields[i]
		switch {
		case f.refers() && f.Known(r):
			p := f.Pointer(r).(*string)
			if *p, err = is(f, *p); err != nil {
				return nil, err
			}
		case f.Record && record != "":
			text, err := is(f, record)
			if err != nil {
				return nil, err
			}
			v, err := strconv.ParseFloat(text, 64)
			if err != nil {
				return nil, err
			}
			*f.Pointer(r).(*Num) = N(v)
		}
	}
	return r, nil
}

// Changed are the fields that differ between two contents, or were typed otherwise,
// in order.
func Changed(was, is Content, wasTyped, isTyped map[string]string) []string {
	all := maps.Clone(was)
	maps.Copy(all, is)
	var out []string
	for name := range all {
		if string(was[name]) != string(is[name]) || wasTyped[name] != isTyped[name] {
			out = append(out, name)
		}
	}
	slices.Sort(out)
	return out
}

// Travels says whether a setting goes for the whole company. How a book reads and
// shows, and what tools lie at hand, is each depot's own.
func Travels(setting string) bool {
	return !slices.Contains([]string{"time-zone", "units", "date-order", "tools"}, setting)
}

// Says is what a word or a setting says.
func (k *Kind) Says(r Record) Content { return k.content(r, "") }

// Rename gives another book's id to the records that an entry names of the book of a
// name, from its number on.
func (e *Entry) Rename(from Name, book string) {
	for i, is := range e.Of {
		if is.Book == from.Book && is.Number >= from.Number {
			e.Of[i].Book = book
		}
	}
	k := KindNamed(e.Kind)
	if k == nil {
		return
	}
	for _, c := range []Content{e.Is, e.Was} {
		for i := range k.Fields {
			f := &k.Fields[i]
			var text string
			var is Name
			if c[f.Name] == nil || !f.refers() && !f.Record || json.Unmarshal(c[f.Name], &text) != nil ||
				is.UnmarshalText([]byte(text)) != nil {
				continue
			}
			if is.Book == from.Book && is.Number >= from.Number {
				is.Book = book
				c[f.Name], _ = json.Marshal(is.String())
			}
		}
	}
}
