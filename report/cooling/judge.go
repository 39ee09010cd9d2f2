package cooling

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"shedbook/report/say"
	"shedbook/schema/unit"
)

// The results of a check.
const (
	Pass   = "pass"
	Fail   = "fail"
	Unsure = "unsure"
)

// Measurement is what a check found: figures, or only a result.
type Measurement struct {
	// Result is pass, fail or unsure as typed; empty if it was not typed.
	Result string
	// Value is the check's first figure (see Figures); nil if not given. Unit, if
	// set, must be that figure's.
	Value *float64
	Unit  string
	// Figures holds the named figures in their units: one number each, or one for
	// every cylinder or wheel if Figure.Many is set. Yes is 1, no is 0.
	Figures map[string][]float64
	// Sure means that the user was asked about a Doubt and stands by the figures.
	Sure bool
}

// Spec is what is known of the machine from its manual; see SpecFigures for the
// names. An unknown figure is absent, never 0.
type Spec struct {
	Glycol  Glycol // empty if not known
	Figures map[string]float64
	Units   unit.System // the units of the sentences; metric if empty
}

// AsTyped is the Source of a verdict that nothing was measured for.
const AsTyped = "taken as you typed it, nothing was measured"

// Verdict is the result of judging a check.
type Verdict struct {
	Result string // pass, fail or unsure
	// Value is the computed figure, in Unit: such as how far a sensor is off, in
	// K. Unit is empty if only a result was given.
	Value    float64
	Unit     string
	Says     string   // one plain sentence with the figures
	Missing  []string // spec figures that are needed and not set (see SpecFigure)
	Source   string   // where the limits come from
	Warnings []string
}

// Figure describes one number of a check or of a machine's spec.
type Figure struct {
	Name string
	// Unit is c, kpa, ohm, pct, ml, l, min, m, yesno or word, or empty for a plain
	// number whose name tells its unit (lift_mm, battery_v). The glycol of a spec
	// is a word: see ParseGlycol.
	Unit     string
	Min, Max float64
	Required bool // without it nothing can be computed
	Many     bool // one for each cylinder or wheel
	// OneOf lists the words, if Unit is "word"; the number is the word's index.
	OneOf []string
	Help  string
}

// Words returns the figure's name as people say it, without its unit.
func (f Figure) Words() string {
	name := f.Name
	if f.Unit != "" {
		name = strings.TrimSuffix(name, "_"+f.Unit)
	}
	return strings.ReplaceAll(name, "_", " ")
}

// Check returns an error for a value out of the figure's range.
func (f Figure) Check(v float64) error {
	hint := f.Help
	if f.Name == "cap_kpa" {
		hint = capHint(v)
	}
	return within(f.Name, v, f.Min, f.Max, symbol(f.Unit), hint)
}

// Checks returns the ids of all checks.
func Checks() []string {
	ids := make([]string, len(checks))
	for i, c := range checks {
		ids[i] = c.id
	}
	return ids
}

// Figures returns the figures that a check takes; the first is the one that
// Measurement.Value means. The error for an unknown check names the near ones.
func Figures(check string) ([]Figure, error) {
	c, err := findCheck(check)
	if err != nil {
		return nil, err
	}
	return slices.Clone(c.figures), nil
}

// Meaning returns what pass and fail mean when only a result is typed, as every
// check allows.
func Meaning(check string) (pass, fail string, err error) {
	c, err := findCheck(check)
	if err != nil {
		return "", "", err
	}
	return c.pass, c.fail, nil
}

func findCheck(id string) (*check, error) {
	for i := range checks {
		if checks[i].id == id {
			return &checks[i], nil
		}
	}
	return nil, fmt.Errorf("check: %q is no check%s", id, oneOf(id, Checks()))
}

// oneOf returns what would be right: the names near to a word, or all of them.
func oneOf(word string, names []string) string {
	if near := unit.Near(word, names); len(near) > 0 {
		return "; did you mean " + strings.Join(near, ", ") + "?"
	}
	return "; choose from " + strings.Join(names, ", ")
}

// ohmAt begins the name of a sensor's point: ohm_at_20 is its resistance at 20
// °C.
const ohmAt = "ohm_at_"

// SpecFigure returns a spec figure by name. Besides SpecFigures there is
// ohm_at_N for any temperature N from -40 to 150 °C: a point of the coolant
// sensor.
func SpecFigure(name string) (Figure, error) {
	if at, ok := strings.CutPrefix(name, ohmAt); ok {
		if c, err := strconv.ParseFloat(at, 64); err == nil && c >= -40 && c <= 150 {
			return Figure{Name: name, Unit: "ohm", Min: ohmMin, Max: ohmMax,
				Help: text("what the coolant sensor reads at %.1v °C", c)}, nil
		}
		return Figure{}, fmt.Errorf("figure: %q should name a temperature from -40 to 150 °C, such as ohm_at_20", name)
	}
	names := make([]string, len(specFigures))
	for i, f := range specFigures {
		if f.Name == name {
			return f, nil
		}
		names[i] = f.Name
	}
	all := append(slices.Clone(names), ohmAt+"20")
	return Figure{}, fmt.Errorf("figure: %q is no figure of a machine%s", name, oneOf(name, all))
}

// SpecFigures returns the spec figures that checks compare with, without the
// sensor's points (ohm_at_20, ohm_at_100, ...).
func SpecFigures() []Figure { return slices.Clone(specFigures) }

func (s Spec) get(name string) (float64, bool) {
	v, ok := s.Figures[name]
	return v, ok
}

func (s Spec) or(name string, otherwise float64) float64 {
	if v, ok := s.get(name); ok {
		return v
	}
	return otherwise
}

// sensor returns the coolant sensor's points (ohm_at_N), from cold to hot.
func (s Spec) sensor() []sensorPoint {
	var points []sensorPoint
	for name, ohm := range s.Figures {
		if at, ok := strings.CutPrefix(name, ohmAt); ok {
			if c, err := strconv.ParseFloat(at, 64); err == nil {
				points = append(points, sensorPoint{c, ohm})
			}
		}
	}
	slices.SortFunc(points, func(a, b sensorPoint) int { return cmp.Compare(a.C, b.C) })
	return points
}

// Judge returns what a check's figures mean for a machine with this spec.
// Without figures the typed result counts; figures that decide overrule it, and
// a contradiction is a warning.
//
// The error is bad input: an unknown check or figure, a figure out of range or
// missing. If it is a *Doubt, ask the user (errors.As). A missing spec figure
// is no error: the verdict is unsure and names it in Missing.
func Judge(check string, m Measurement, spec Spec) (Verdict, error) {
	c, err := findCheck(check)
	if err != nil {
		return Verdict{}, err
	}
	if m.Result != "" && m.Result != Pass && m.Result != Fail && m.Result != Unsure {
		return Verdict{}, fmt.Errorf("result: %q should be pass, fail or unsure", m.Result)
	}
	e := &exam{spec: spec, sure: m.Sure, figures: map[string][]float64{}}
	for name, values := range m.Figures {
		e.figures[name] = values
	}
	if m.Value != nil {
		f := c.figures[0]
		if u := strings.ToLower(strings.TrimPrefix(m.Unit, "°")); u != "" && u != f.Unit {
			return Verdict{}, fmt.Errorf("value: unit %q should be %s: the value of %s is %s", m.Unit, orPlain(f.Unit),
				check,
				f.Help)
		}
		if _, twice := e.figures[f.Name]; !twice {
			e.figures[f.Name] = []float64{*m.Value}
		}
	}
	for name, v := range spec.Figures {
		f, err := SpecFigure(name)
		if err == nil {
			err = f.Check(v)
		}
		if err != nil {
			return Verdict{}, err
		}
	}
	if spec.Glycol != "" && fluids[spec.Glycol] == nil {
		_, err := ParseGlycol(string(spec.Glycol))
		return Verdict{}, err
	}
	if len(e.figures) == 0 {
		if m.Result == "" {
			return Verdict{},
				fmt.Errorf("%s: nothing given; give a result (pass: %s; fail: %s; unsure) or figures (%s)",
					check, c.pass, c.fail, strings.Join(c.names(), ", "))
		}
		says := map[string]string{Pass: c.pass, Fail: c.fail, Unsure: "looked at, but not clear"}[m.Result]
		return Verdict{Result: m.Result, Says: says, Source: AsTyped}, nil
	}
	if err := e.check(c); err != nil {
		return Verdict{}, err
	}
	c.judge(e)
	if e.err != nil {
		return Verdict{}, e.err
	}
	if !finite(e.v.Value) {
		return Verdict{}, fmt.Errorf("%s: these figures give no finite number; check them", check)
	}
	if m.Result != "" && m.Result != e.v.Result {
		if e.v.Result == Unsure {
			e.warn("typed as %s; the figures alone do not say", m.Result)
			e.v.Result = m.Result
		} else {
			e.warn("typed as %s, but the figures say %s", m.Result, e.v.Result)
		}
	}
	return e.v, nil
}

func orPlain(unit string) string {
	if unit == "" {
		return "a plain number"
	}
	return symbol(unit)
}

// exam is one check being judged.
type exam struct {
	spec    Spec
	figures map[string][]float64
	sure    bool
	v       Verdict
	share   float64 // percent of the system, if the check is about an amount of coolant
	err     error
}

// check returns an error for figures that the check does not take, that are out
// of range, or that are missing. Pressures that look like another unit are left
// to the judge, whose question says more.
func (e *exam) check(c *check) error {
	for _, name := range slices.Sorted(maps.Keys(e.figures)) {
		if !slices.Contains(c.names(), name) {
			return fmt.Errorf("figure: %q does not belong to %s%s", name, c.id, oneOf(name, c.names()))
		}
	}
	for _, f := range c.figures {
		values, given := e.figures[f.Name]
		if !given || len(values) == 0 {
			if f.Required {
				return fmt.Errorf("%s: is missing; %s needs %s (%s)", f.Name, c.id, f.Help, orPlain(f.Unit))
			}
			delete(e.figures, f.Name)
			continue
		}
		if len(values) > 1 && !f.Many {
			return fmt.Errorf("%s: %d values given, should be one", f.Name, len(values))
		}
		for _, v := range values {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return wrong("%s: %v should be a number from %.3v to %.3v", f.Name, v, f.Min, f.Max)
			}
			if f.Unit == "yesno" && v != 0 && v != 1 {
				return wrong("%s: %.3v should be yes (1) or no (0)", f.Name, v)
			}
			if f.Unit == "word" && (v != math.Trunc(v) || v < f.Min || v > f.Max) {
				return wrong("%s: %.3v should be one of %s", f.Name, v, strings.Join(f.OneOf, ", "))
			}
			if f.Unit == "ohm" {
				if err := checkOhm(f.Name, v); err != nil {
					return err
				}
			}
			if f.Unit == "kpa" && v > f.Max && !e.sure {
				if d := doubtPressure(f.Name, v, c.usual[0], c.usual[1], c.what); d != nil {
					return d
				}
			}
			if err := f.Check(v); err != nil {
				return err
			}
		}
	}
	for _, f := range c.oneOf {
		if e.has(f) {
			return nil
		}
	}
	if len(c.oneOf) > 0 {
		return fmt.Errorf("%s: none of %s is given; one of them should be", c.id, strings.Join(c.oneOf, ", "))
	}
	return nil
}

func (e *exam) has(name string) bool { _, ok := e.figures[name]; return ok }

// get returns a figure that is known to be given.
func (e *exam) get(name string) float64 { return e.figures[name][0] }

func (e *exam) find(name string) (float64, bool) {
	if !e.has(name) {
		return 0, false
	}
	return e.get(name), true
}

// yes and no are both false if nothing was said.
func (e *exam) yes(name string) bool { v, ok := e.find(name); return ok && v == 1 }
func (e *exam) no(name string) bool  { v, ok := e.find(name); return ok && v == 0 }

// need returns a spec figure; if it is not set it is added to Missing.
func (e *exam) need(name string) (float64, bool) {
	v, ok := e.spec.get(name)
	if !ok {
		e.missing(name)
	}
	return v, ok
}

func (e *exam) missing(names ...string) {
	for _, n := range names {
		if !slices.Contains(e.v.Missing, n) {
			e.v.Missing = append(e.v.Missing, n)
		}
	}
}

func (e *exam) altitude() float64 {
	a, ok := e.spec.get("altitude_m")
	if !ok {
		e.warn("altitude_m is not set: taken as sea level")
	}
	return a
}

// mix returns the machine's coolant, or the commonest one with a warning.
func (e *exam) mix() (Glycol, float64) {
	g := e.spec.Glycol
	if g == "" {
		g = Ethylene
		e.warn("the kind of glycol is not set: taken as ethylene")
	}
	pct, ok := e.spec.get("concentrate_pct")
	if !ok {
		pct = 50
		e.warn("concentrate_pct is not set: taken as half and half")
	}
	return g, pct
}

func (e *exam) doubtful(d *Doubt) bool {
	if d == nil || e.sure || e.err != nil {
		return false
	}
	e.err = d
	return true
}

func (e *exam) warn(format string, args ...any) {
	say.Once(&e.v.Warnings, "%s", e.text(format, args...))
}

func (e *exam) refuse(err error) { e.err = err }

func (e *exam) say(result, format string, args ...any) {
	e.v.Result, e.v.Says = result, e.text(format, args...)
}
func (e *exam) pass(format string, args ...any)   { e.say(Pass, format, args...) }
func (e *exam) failed(format string, args ...any) { e.say(Fail, format, args...) }
func (e *exam) unsure(format string, args ...any) { e.say(Unsure, format, args...) }
