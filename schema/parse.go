package schema

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"shedbook/schema/unit"
)

// Known holds the names and words of a book, against which fields are read.
type Known struct {
	Machines, Drivers []string
	Words             map[string][]string // by vocabulary: all its words, added ones at the end
	Zone              *time.Location
	Dates             unit.Order  // order of day and month; "" if not set
	Units             unit.System // the system of units that the book shows
	// Note is told what the user must know of a value, such as an hour that
	// happens twice; may be nil.
	Note     func(string)
	Begun    bool // the unique beginning of a name will do, as people type it; never in a sheet
	Recorded bool // the values were recorded before, so newer limits do not hold for them
	// Others returns all machines, if not all are known yet; it is called once,
	// before a machine is called unknown.
	Others          func() ([]string, error)
	machine, driver map[string]string // from folded name to name
	word            map[string]map[string]string
}

// NewKnown prepares the look-ups of what a book knows.
func NewKnown(machines, drivers []string, added []Word, zone *time.Location) *Known {
	k := &Known{Zone: zone, Words: map[string][]string{}, machine: map[string]string{}, driver: map[string]string{},
		word: map[string]map[string]string{}}
	for _, v := range vocabularies {
		k.Words[v.name] = append([]string(nil), v.words...)
		k.word[v.name] = map[string]string{}
		for _, w := range v.words {
			k.word[v.name][w] = w
		}
	}
	for _, w := range added {
		k.AddWord(w)
	}
	for _, m := range machines {
		k.AddMachine(m)
	}
	for _, d := range drivers {
		k.AddDriver(d)
	}
	return k
}

// AddMachine makes a machine known.
func (k *Known) AddMachine(name string) {
	k.Machines = append(k.Machines, name)
	k.machine[name] = name
	if _, taken := k.machine[fold(name)]; !taken {
		k.machine[fold(name)] = name
	}
}

// AddDriver makes a driver known.
func (k *Known) AddDriver(name string) {
	k.Drivers = append(k.Drivers, name)
	k.driver[name] = name
	if _, taken := k.driver[fold(name)]; !taken {
		k.driver[fold(name)] = name
	}
}

// AddWord makes a word known.
func (k *Known) AddWord(w Word) {
	if k.word[w.Vocabulary] == nil || k.word[w.Vocabulary][fold(w.Word)] != "" {
		return
	}
	k.Words[w.Vocabulary] = append(k.Words[w.Vocabulary], w.Word)
	k.word[w.Vocabulary][fold(w.Word)] = w.Word
}

// fold returns a word in the form in which it is looked up: no case, no extra
// spaces, no invisible characters.
func fold(s string) string { return strings.ToLower(CleanName(s)) }

// Machine finds a machine by name; the error names the near ones.
func (k *Known) Machine(s string) (string, error) {
	if name, ok := k.machine[s]; ok {
		return name, nil
	}
	if name, ok := k.machine[fold(s)]; ok {
		return name, nil
	}
	if more := k.Others; more != nil {
		k.Others = nil
		names, err := more()
		if err != nil {
			return "", err
		}
		k.Machines, k.machine = nil, map[string]string{}
		for _, name := range names {
			k.AddMachine(name)
		}
		return k.Machine(s)
	}
	if name, err := k.begun("machine", s, k.Machines); name != "" || err != nil {
		return name, err
	}
	return "", unknown("machine", s, k.Machines, "shedbook machine add "+Quote(s))
}

// Driver finds a driver by name; the error names the near ones.
func (k *Known) Driver(s string) (string, error) {
	if name, ok := k.driver[s]; ok {
		return name, nil
	}
	if name, ok := k.driver[fold(s)]; ok {
		return name, nil
	}
	if name, err := k.begun("driver", s, k.Drivers); name != "" || err != nil {
		return name, err
	}
	return "", unknown("driver", s, k.Drivers, "shedbook driver add "+Quote(s))
}

// Bearer returns the machine or the driver that s names, and "" for the other;
// the error names what could be meant. The beginning of a name is never enough
// to decide between the two.
func (k *Known) Bearer(s string) (machine, driver string, err error) {
	machine, machineErr := k.Machine(s)
	driver, driverErr := k.Driver(s)
	var unknownMachine, unknownDriver *UnknownError
	noMachine, noDriver := errors.As(machineErr, &unknownMachine), errors.As(driverErr, &unknownDriver)
	switch {
	case noMachine && noDriver:
		return "", "", unknown("machine or driver", s, slices.Concat(k.Machines, k.Drivers), "shedbook machine add "+
			Quote(s)+", or shedbook driver add "+Quote(s))
	case noDriver, machineErr == nil && fold(machine) == fold(s):
		return machine, "", machineErr
	case noMachine, driverErr == nil && fold(driver) == fold(s):
		return "", driver, driverErr
	}
	_, err = (&Known{Begun: true}).begun("machine or driver", s, slices.Concat(k.Machines, k.Drivers))
	return "", "", err
}

// begun returns the only name that begins with s; "" if there is none.
func (k *Known) begun(what, s string, names []string) (string, error) {
	if !k.Begun {
		return "", nil
	}
	switch found := Beginning(s, names); len(found) {
	case 0:
		return "", nil
	case 1:
		return found[0], nil
	default:
		return "", &Problem{Column: what, Value: short(s), Says: "could be " + or(found) + ": write more of the name"}
	}
}

// Word finds a word of a vocabulary; the error lists the vocabulary.
func (k *Known) Word(vocabulary, s string) (string, error) {
	if w, ok := k.word[vocabulary][s]; ok {
		return w, nil
	}
	if w, ok := k.word[vocabulary][fold(s)]; ok {
		return w, nil
	}
	if w, ok := k.word[vocabulary][strings.ReplaceAll(fold(s), " ", "-")]; ok {
		return w, nil
	}
	words := k.Words[vocabulary]
	p := &Problem{Column: vocabulary, Value: short(s), Says: "is not one of " + strings.Join(words, ", ") +
		DidYouMean(s, words)}
	if vocabulary == "terrain" && short(s) == s {
		p.Hint = "to add a new kind of ground: shedbook word add terrain " + Quote(s)
	}
	return "", p
}

// UnknownError says that there is no machine or driver of that name.
type UnknownError struct{ Problem }

func (e *UnknownError) Unwrap() error { return &e.Problem }

func unknown(what, s string, names []string, add string) error {
	p := Problem{Column: what, Value: short(s), Says: "is not known" + DidYouMean(s, names)}
	if short(s) == s { // no command with a shortened name in it
		p.Hint = "to add a new one: " + add
	}
	return &UnknownError{p}
}

// Quote quotes a word for a shell if it needs quotes.
func Quote(s string) string {
	if s != "" && strings.IndexFunc(s, func(r rune) bool {
		return !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' ||
			strings.ContainsRune("-_./:=+", r))
	}) < 0 {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}

// maxText is the longest text a field takes, in bytes.
const maxText = 100_000

// Set reads raw into the record's field; a blank leaves it not recorded. If
// relative is not zero it is the present time, and times such as "yesterday
// 9:00" are allowed, as people type them; sheets don't have them.
func (k *Kind) Set(r Record, f *Field, raw string, known *Known, relative time.Time) error {
	raw = strings.TrimSpace(raw)
	p := f.Pointer(r)
	if raw == "" {
		blank(p)
		return nil
	}
	fail := func(err error) error {
		if q := AsProblem(err); q != nil {
			c := *q
			c.Column = f.Name
			if _, ok := err.(*UnknownError); ok {
				return &UnknownError{c}
			}
			return &c
		}
		return &Problem{Column: f.Name, Value: short(raw), Says: trimValue(err.Error(), raw)}
	}
	var err error
	switch f.Type {
	case TextField:
		if len(raw) > maxText {
			return fail(fmt.Errorf("has %d characters; at most %d are allowed", len(raw), maxText))
		}
		if strings.ContainsRune(raw, 0) {
			return fail(fmt.Errorf("contains a NUL character: take it out"))
		}
		if f.names(k) && !known.has(k, raw) { // an existing name keeps its spelling
			if raw = CleanName(raw); raw == "" {
				return fail(fmt.Errorf("contains no visible character"))
			}
		}
		*p.(*string) = raw
	case MachineField:
		*p.(*string), err = known.Machine(raw)
	case DriverField:
		*p.(*string), err = known.Driver(raw)
	case WordField:
		*p.(*string), err = known.Word(f.Vocabulary, raw)
	case WordsField:
		var list []string
		for _, part := range strings.FieldsFunc(raw, func(c rune) bool { return c == ';' || c == ',' }) {
			w, err := known.Word(f.Vocabulary, strings.TrimSpace(part))
			if err != nil {
				return fail(err)
			}
			if !slices.Contains(list, w) {
				list = append(list, w)
			}
		}
		words := known.Words[f.Vocabulary]
		slices.SortFunc(list, func(a, b string) int { return slices.Index(words, a) - slices.Index(words, b) })
		*p.(*[]string) = list
	case NumField:
		v, err := unit.Parse(raw, f.Unit)
		if err != nil {
			return fail(err)
		}
		if !known.Recorded && (v < f.Min || v > f.Max) {
			return fail(errors.New(f.outside(v)))
		}
		*p.(*Num) = N(v)
		if !plainNumber(raw) {
			m := k.Meta(r)
			if m.Typed == nil {
				m.Typed = map[string]string{}
			}
			m.Typed[f.Name] = raw
		}
	case TimeField:
		var t time.Time
		var note string
		if relative.IsZero() {
			t, note, err = unit.ParseSheetTime(raw, known.Zone, known.Dates)
		} else {
			t, note, err = unit.ParseTime(raw, relative, known.Zone, known.Dates)
		}
		if note != "" && known.Note != nil {
			known.Note(note)
		}
		*p.(*time.Time) = t.UTC().Truncate(time.Second)
	}
	if err != nil {
		return fail(err)
	}
	return nil
}

// outside returns what is wrong with a number beyond the field's limits.
func (f *Field) outside(v float64) string {
	switch {
	case v > f.Max:
		return "is too large: at most " + unit.Format(f.Max, f.Unit, unit.Metric)
	case f.Min >= 0 && v < 0:
		return "can't be negative"
	}
	low := unit.Format(f.Min, f.Unit, unit.Metric)
	if f.Min > 0 { // which may be too small for the usual decimals
		low = strings.Replace(low, "0.0 ", unit.Exact(f.Min)+" ", 1)
	}
	return "is too small: at least " + low
}

// names reports whether the field is the name of the machine, driver or word
// itself.
func (f *Field) names(k *Kind) bool { return f.Name == k.Name }

// has reports whether the book has a machine or driver of exactly that name.
func (k *Known) has(of *Kind, name string) bool {
	if k == nil {
		return false
	}
	names := k.machine
	if of.Name == "driver" {
		names = k.driver
	}
	return names[name] == name
}

// trimValue removes the quoted value from the beginning of a message, since a
// Problem quotes it itself.
func trimValue(msg, raw string) string {
	return strings.TrimPrefix(strings.TrimPrefix(msg, strconv.Quote(raw)), " ")
}

func plainNumber(s string) bool {
	for i := range len(s) {
		if c := s[i]; (c < '0' || c > '9') && c != '.' && !(c == '-' && i == 0) {
			return false
		}
	}
	return true
}

func blank(p any) {
	switch p := p.(type) {
	case *string:
		*p = ""
	case *Num:
		*p = Num{}
	case *time.Time:
		*p = time.Time{}
	case *[]string:
		*p = nil
	}
}

// Check returns an error if a record can't be recorded: as CheckRecorded, and
// its fields together must be within limits.
func (k *Kind) Check(r Record) error {
	if err := k.CheckRecorded(r); err != nil {
		return err
	}
	if run, ok := r.(*Run); ok {
		return run.withinLimits()
	}
	return nil
}

// CheckRecorded returns an error if a record, perhaps older than a limit, is
// not valid: a required field is missing, or the kind's own Validate refuses
// it.
func (k *Kind) CheckRecorded(r Record) error {
	for i := range k.Fields {
		if f := &k.Fields[i]; f.Required && !f.Known(r) {
			says := "is missing: " + f.Help
			if words := Words(f.Vocabulary); len(words) > 0 && len(words) < 12 {
				says += " (" + strings.Join(words, ", ") + ")"
			}
			return &Problem{Column: f.Name, Says: says}
		}
	}
	return r.Validate()
}

// Cell returns the field as a sheet holds it: canonical units, times in RFC
// 3339 with the zone's offset, blank if not recorded.
func (f *Field) Cell(r Record, zone *time.Location) string {
	switch p := f.Pointer(r).(type) {
	case *string:
		return *p
	case *Num:
		if p.Known {
			return unit.Exact(p.V)
		}
	case *time.Time:
		if !p.IsZero() {
			return p.In(zone).Format(time.RFC3339)
		}
	case *[]string:
		return strings.Join(*p, ";")
	}
	return ""
}

// Equal reports whether two records of the kind hold the same values.
func (k *Kind) Equal(a, b Record) bool { return len(k.Differ(a, b)) == 0 }

// Differ returns the fields in which two records of the kind differ.
func (k *Kind) Differ(a, b Record) []*Field {
	var out []*Field
	for i := range k.Fields {
		f := &k.Fields[i]
		same := false
		switch p := f.Pointer(a).(type) {
		case *string:
			same = *p == *f.Pointer(b).(*string)
		case *Num:
			same = *p == *f.Pointer(b).(*Num)
		case *time.Time:
			same = p.Equal(*f.Pointer(b).(*time.Time))
		case *[]string:
			same = slices.Equal(*p, *f.Pointer(b).(*[]string))
		}
		if !same {
			out = append(out, f)
		}
	}
	return out
}
