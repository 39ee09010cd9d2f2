package report

import (
	"cmp"
	"crypto/sha256"
	"encoding/base32"
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"shedbook/schema"
)

// Earlier is a record of a machine as it was before it was amended or voided.
type Earlier struct {
	Number   int64 // of the record, shared by its versions
	Record   schema.Record
	What     string // "amended" or "voided"
	Replaced time.Time
	Why      string
}

// Seal is the digest of the machine and of the first Records of its records,
// those dated at At or before; At is zero for the machine alone.
type Seal struct {
	At      time.Time
	Records int
	Digest  string
}

// Digest returns the digest of a machine's records and their earlier versions
// dated at asOf or before (all for a zero asOf): the last of Seals.
func Digest(log *schema.Log, earlier []Earlier, mask *Masker, asOf time.Time) Seal {
	seals := Seals(log, earlier, mask)
	last := seals[0]
	for _, s := range seals {
		if asOf.IsZero() || !s.At.After(asOf) {
			last = s
		}
	}
	return last
}

// Seals returns the digests of a machine's records as its log grew: of the
// machine alone, then with each record in time order. So a paper printed as of
// any time can be checked against a log that went on.
//
// A digest depends on nothing but what was recorded: not on the book's own
// numbers, time zone or name for the machine, and not on whether drivers are
// named. Each record is a JSON object of its known fields by name, times in
// UTC, without its ref; drivers are letters in order of appearance; in texts a
// driver's name as mask knows it, or its replacement, is "a driver". Earlier
// versions go with it, with when and why they were replaced; of one recorded
// for another machine by mistake, only its kind and time. The SHA-256 (FIPS
// 180-4) is of these objects, a line each. Its first 160 bits are printed in
// base 32 with digits and capitals except I, L, O and U, in groups of four: 32
// characters to read out.
//
// A nil mask is for a book in which texts are masked already.
func Seals(log *schema.Log, earlier []Earlier, mask *Masker) []Seal {
	s := sealer{log: log, mask: mask, letters: map[string]string{}}
	versions := map[int64][]Earlier{}
	for _, e := range earlier {
		versions[e.Number] = append(versions[e.Number], e)
	}
	type entry struct {
		at    time.Time
		kind  int
		key   string
		order int64
		is    schema.Record // nil if voided
		was   []Earlier
	}
	var entries []entry
	add := func(number int64, is schema.Record, was []Earlier) {
		r := is
		if r == nil {
			r = was[len(was)-1].Record
		}
		k := schema.KindOf(r)
		if k.TimeColumn() != "" {
			entries = append(entries, entry{k.When(r), slices.Index(schema.Kinds, k), s.object(r, false),
				cmp.Or(k.Meta(r).Order, number), is, was})
		}
	}
	present := map[int64]bool{log.Machine.Number: true}
	for r := range log.Records() {
		number := schema.KindOf(r).Meta(r).Number
		present[number] = true
		add(number, r, versions[number])
	}
	for _, e := range earlier {
		if !present[e.Number] {
			present[e.Number] = true
			if was := versions[e.Number]; was[len(was)-1].What == "voided" {
				add(e.Number, nil, was)
			}
		}
	}
	slices.SortStableFunc(entries, func(a, b entry) int {
		return cmp.Or(a.at.Compare(b.at), a.kind-b.kind, strings.Compare(a.key, b.key), cmp.Compare(a.order, b.order))
	})

	h := sha256.New()
	h.Write([]byte("digest 1\n" + s.object(&log.Machine, true) + "\n"))
	out := []Seal{{Digest: readable(h.Sum(nil))}}
	for i, e := range entries {
		line := map[string]any{"is": nil}
		if e.is != nil {
			line["is"] = json.RawMessage(s.object(e.is, true))
		}
		for _, v := range e.was {
			was, _ := line["was"].([]any)
			line["was"] = append(was, []any{v.What, v.Replaced.UTC().Format(time.RFC3339), s.text(v.Why),
				json.RawMessage(s.object(v.Record, true))})
		}
		text, err := json.Marshal(line)
		if err != nil { // the book holds only finite numbers and text
			panic(err)
		}
		h.Write(append(text, '\n'))
		out = append(out, Seal{e.at, i + 1, readable(h.Sum(nil))})
	}
	return out
}

// sealer writes records so that they read the same from every book.
type sealer struct {
	log     *schema.Log
	mask    *Masker
	letters map[string]string
}

// object returns a record's known fields by name as JSON, with drivers if they
// count.
func (s *sealer) object(r schema.Record, drivers bool) string {
	k := schema.KindOf(r)
	out := map[string]any{"kind": k.Name}
	if f := k.Field("machine"); f.Type == schema.MachineField && k.Text(r, "machine") != s.log.Machine.Name {
		text, _ := json.Marshal([]string{k.Name, k.When(r).UTC().Format(time.RFC3339)})
		return string(text) // recorded for another machine by mistake
	}
	for i := range k.Fields {
		f := &k.Fields[i]
		if !f.Known(r) || f.Name == "ref" || f.Type == schema.MachineField || k.Name == "machine" &&
			(f.Name == "machine" || f.Name == "retired" || f.Name == "sold_to") {
			continue
		}
		switch p := f.Pointer(r).(type) {
		case *string:
			switch {
			case f.Type == schema.DriverField:
				if drivers {
					out[f.Name] = s.letter(*p)
				}
			default:
				out[f.Name] = s.field(f, *p)
			}
		case *schema.Num:
			if k.Name == "answer" && f.Name == "service" {
				out[f.Name] = s.service(int64(p.V))
				continue
			}
			out[f.Name] = p.V
		case *time.Time:
			out[f.Name] = p.UTC().Format(time.RFC3339)
		case *[]string:
			out[f.Name] = *p
		}
	}
	text, err := json.Marshal(out)
	if err != nil { // the book holds only finite numbers and text
		panic(err)
	}
	return string(text)
}

func (s *sealer) letter(driver string) string {
	if s.letters[driver] == "" {
		s.letters[driver] = letters(len(s.letters))
	}
	return s.letters[driver]
}

// service returns the time of a service, which replaces its number.
func (s *sealer) service(number int64) string {
	for i := range s.log.Services {
		if v := &s.log.Services[i]; v.Number == number {
			return v.At.UTC().Format(time.RFC3339)
		}
	}
	return "not in this log"
}

var letterInText = regexp.MustCompile(`\bDriver [A-Z]{1,2}\b`)

func (s *sealer) text(t string) string {
	if s.mask != nil {
		t = s.mask.Text(t)
	}
	return letterInText.ReplaceAllString(t, aDriver)
}

func (s *sealer) field(f *schema.Field, t string) string {
	if s.mask != nil {
		t = s.mask.Field(f, t)
	}
	return letterInText.ReplaceAllString(t, aDriver)
}

// digits are those of a printed digest: digits and capitals except I, L, O and
// U, which are mistaken for others.
const digits = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"

var base = base32.NewEncoding(digits).WithPadding(base32.NoPadding)

// readable returns the first 160 bits in eight groups of four characters.
func readable(sum []byte) string {
	text := base.EncodeToString(sum[:20])
	var groups []string
	for i := 0; i < len(text); i += 4 {
		groups = append(groups, text[i:i+4])
	}
	return strings.Join(groups, "-")
}

var onPaper = regexp.MustCompile(fmt.Sprintf(`(?:[%[1]s]{4}-\s*){7}[%[1]s]{4}`, digits))

// FindDigests returns the digests in a printed history, each once, in order of
// appearance.
func FindDigests(paper string) []string {
	var out []string
	for _, hit := range onPaper.FindAllString(paper, -1) {
		hit = strings.Join(strings.Fields(hit), "")
		if !slices.Contains(out, hit) {
			out = append(out, hit)
		}
	}
	return out
}
