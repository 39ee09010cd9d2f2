// Package facts turns measurements into facts about a machine: states that are
// present or not (a blocked core, missing coolant, a weak cap), each with the
// strength of its evidence. The further a figure is from sound, the stronger
// the evidence, without a step at the limit. All states are in table.go.
package facts

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"shedbook/report/cooling"
	"shedbook/schema"
)

// Fact is one figure and the state that it is evidence for.
type Fact struct {
	State  string    `json:"state"` // a row of the table
	Kind   string    `json:"kind"`  // of record: check, cleaning, level, refill
	Check  string    `json:"check,omitempty"`
	Record int64     `json:"record"`
	At     time.Time `json:"at"`
	Value  float64   `json:"value"` // in Unit: %, K, °C, mm, V, kPa/min
	Unit   string    `json:"unit"`
	Says   string    `json:"says"` // "80 % of the core is dark"
	// Factor is P(figure | the state is present, how bad unknown) over P(figure |
	// it is not): above 1 it is evidence for the state.
	Factor float64 `json:"factor"`
	Source string  `json:"source"` // of the limits
}

// Likelihood returns the probability of the fact, up to a constant, if these
// causes are present and no others: the state is present by a noisy-or over the
// causes (Pearl 1988, section 4.3.2), and the figure then counts by its factor.
func (f *Fact) Likelihood(causes ...string) float64 {
	s := row(f.State)
	none := 1 - s.otherwise
	for _, c := range causes {
		none *= 1 - s.causes[c]
	}
	return (1-none)*f.Factor + none
}

// Causes returns the causes of the fact's state, each with the chance that it
// brings the state about.
func (f *Fact) Causes() map[string]float64 { return row(f.State).causes }

// VoidBy reports whether a later record of a kind makes the fact out of date: a
// thorough "cleaning" for a core, a "refill" or a "topup" for a level, a
// "refill" for a mixture.
func (f *Fact) VoidBy(kind string) bool {
	switch f.State {
	case "core-dark", "back-packed", "front-packed", "oil-cooler-dark":
		return kind == "cleaning"
	case "bottle-low", "neck-low":
		return kind == "refill" || kind == "topup"
	case "glycol-off", "air-out", "pressure-falls":
		return kind == "refill"
	}
	return false
}

func row(name string) *state {
	for i := range table {
		if table[i].name == name {
			return &table[i]
		}
	}
	panic("facts: no state " + name)
}

// Of returns the facts of a log in time order, ties in order of entry. spec is
// what is known of the machine.
func Of(log *schema.Log, spec cooling.Spec) []Fact {
	r := reader{spec: spec}
	for i := range log.Checks {
		r.check(&log.Checks[i])
	}
	for i := range log.Cleanings {
		r.cleaning(&log.Cleanings[i])
	}
	for i := range log.Levels {
		r.level(&log.Levels[i])
	}
	for i := range log.Refills {
		if f := &log.Refills[i]; f.Concentrate.Known {
			r.from("refill", "", &f.Base).add("glycol-off", f.Concentrate.V)
		}
	}
	slices.SortStableFunc(r.out, func(a, b Fact) int {
		if c := a.At.Compare(b.At); c != 0 {
			return c
		}
		return int(a.Record - b.Record)
	})
	return r.out
}

// OfCheck returns the facts of one check: none if only a result was typed,
// which counts by the sensitivity of a person's eye.
func OfCheck(c *schema.Check, spec cooling.Spec) []Fact {
	r := reader{spec: spec}
	r.check(c)
	return r.out
}

type reader struct {
	spec cooling.Spec
	head Fact // for facts of the current record
	out  []Fact
}

func (r *reader) from(kind, check string, b *schema.Base) *reader {
	r.head = Fact{Kind: kind, Check: check, Record: b.Number, At: b.At}
	return r
}

// add adds the evidence of a figure for a state.
func (r *reader) add(name string, v float64) { r.put(name, v, row(name).factor(v)) }

// put adds a fact with a known factor.
func (r *reader) put(name string, v, factor float64) {
	s := row(name)
	f := r.head
	f.State, f.Value, f.Unit, f.Factor, f.Source, f.Says = name, v, s.unit, factor, s.source, s.says
	if strings.Contains(s.says, "%s") {
		f.Says = fmt.Sprintf(s.says, strconv.FormatFloat(math.Round(10*v)/10, 'f', -1, 64)+" "+s.unit)
	}
	r.out = append(r.out, f)
}

// seen adds a visual finding: there is how often it is seen if the state is
// present, and not how often otherwise.
func (r *reader) seen(name string, is bool, there, not float64) {
	if !is {
		there, not = 1-there, 1-not
	}
	r.put(name, 0, there/not)
	if !is {
		r.out[len(r.out)-1].Says = "not seen: " + row(name).says
	}
}

func (r *reader) cleaning(c *schema.Cleaning) {
	r.from("cleaning", "", &c.Base)
	if c.BlockedAfter.Known { // what it was like before is over
		r.add("core-dark", c.BlockedAfter.V)
		return
	}
	if c.Thorough() {
		return
	}
	if c.BlockedBack.Known {
		r.add("back-packed", c.BlockedBack.V)
	}
	if c.BlockedFront.Known {
		r.add("front-packed", c.BlockedFront.V)
	}
}

// level uses cold levels only; a hot level and a cold one can't be compared.
func (r *reader) level(l *schema.Level) {
	system, known := r.spec.Figures["coolant_l"]
	if !known || l.Engine == "hot" || !l.BelowMark.Known {
		return
	}
	state := "bottle-low"
	if l.SeenIn == "radiator" {
		state = "neck-low"
	}
	r.from("level", "", &l.Base).add(state, l.BelowMark.V/system/10)
}

// check uses a check's figures as its judge saw them.
func (r *reader) check(c *schema.Check) {
	m := cooling.Recorded(c.Check, c.Value.V, c.Value.Known, c.Unit, c.Figures)
	if len(m) == 0 {
		return
	}
	v, err := cooling.Judge(c.Check, cooling.Measurement{Figures: m, Sure: true}, r.spec)
	if err != nil {
		return // a figure that the judge refuses tells nothing
	}
	r.from("check", c.Check, &c.Base)
	of := func(name string) (float64, bool) {
		if len(m[name]) == 0 {
			return 0, false
		}
		return m[name][0], true
	}
	each := func(figure, state string) {
		if x, ok := of(figure); ok {
			r.add(state, x)
		}
	}
	valued := func(state, unit string, k float64) {
		if v.Unit == unit {
			r.add(state, k*v.Value)
		}
	}
	switch c.Check {
	case "light-test":
		each("dark_pct", "core-dark")
		each("blocked_back_pct", "back-packed")
		each("blocked_front_pct", "front-packed")
	case "oil-cooler":
		valued("oil-cooler-dark", "%", 1)
	case "air-path":
		each("covered_pct", "core-covered")
	case "level", "neck-level", "bleed":
		if system, ok := r.spec.Figures["coolant_l"]; ok && v.Unit == "ml" {
			state := map[string]string{"level": "bottle-low", "neck-level": "neck-low", "bleed": "air-out"}[c.Check]
			r.add(state, v.Value/system/10)
		}
	case "mix-strength":
		valued("glycol-off", "%", 1)
	case "pressure-hold":
		valued("pressure-falls", "kPa/min", 1)
	case "cap-hold":
		valued("cap-weak", "%", 1)
	case "thermostat-bath":
		if _, opened := of("opens_c"); opened {
			valued("thermostat-late", "K", 1)
		} else if v.Unit == "K" {
			// Still shut so far above the stamp: a sound one would have opened.
			r.put("thermostat-late", v.Value, 1/max(slip, 1-normal((v.Value-1)/2)))
		}
	case "warm-up":
		if never, ok := of("never_warm"); ok && never == 1 {
			r.seen("stays-cold", true, 0.9, 0.03)
		} else if _, jumped := of("jump_c"); jumped {
			valued("hose-late", "K", 1)
		} else if v.Unit == "K" {
			r.put("hose-late", v.Value, 1/max(slip, 1-normal((v.Value-2)/6)))
		}
	case "fan-runs", "fan-at-lamp", "fan-after-stop":
		r.fan(of, v)
	case "fan-relay":
		if plug, ok := of("plug_v"); ok {
			if battery, both := of("battery_v"); both {
				r.add("fan-volts", max(0, battery-plug))
			}
		}
	case "wiggle", "probe":
		if v.Unit == "K" {
			r.add("reads-off", math.Abs(v.Value))
		} else if lamp, ok := of("lamp"); ok && lamp == 1 {
			each("probe_c", "lamp-false")
		}
	case "sensor-resistance":
		if v.Unit == "K" {
			r.add("sensor-off", math.Abs(v.Value))
		}
	case "pump-flow":
		valued("flow-poor", "K", 1)
	case "flow-through":
		valued("core-patchy", "K", 1)
	case "brake-drag":
		valued("hub-hot", "K", 1)
	case "compression":
		if kPa := m["cylinder_kpa"]; len(kPa) > 1 && slices.Max(kPa) > 0 {
			r.add("compression-low", 100*slices.Min(kPa)/slices.Max(kPa))
		}
	case "leak-down":
		valued("leaks-down", "%", 1)
		if b, ok := of("bubbles"); ok {
			r.seen("bubbles", b == 1, 0.9, 0.005)
		}
	case "oil-level":
		r.oil(of)
	case "combustion-gas":
		if v.Result == cooling.Unsure {
			return // blue on a cold engine proves nothing
		}
		changed, _ := of("colour_change")
		there, not := 0.85, 0.02
		if tests, ok := of("tests"); ok && tests >= 2 {
			// Repeated with fresh fluid: what misled once may mislead again.
			there, not = 0.93, 0.004
			if changed == 1 {
				there = 0.85
			}
		}
		r.seen("gas", changed == 1, there, not)
	}
}

// fan uses the temperature at which it started, or stood still.
func (r *reader) fan(of func(string) (float64, bool), v cooling.Verdict) {
	on, started := of("on_c")
	off, stopped := of("off_c")
	point, known := r.spec.Figures["fan_on_c"]
	switch {
	case started && known:
		r.add("fan-late", on-point)
	case started:
		r.add("fan-hot", on)
	case stopped:
		r.add("fan-hot", off)
	default:
		ran, said := of("ran")
		hottest, seen := of("hottest_c")
		if !seen {
			hottest, seen = of("coolant_c")
		}
		if !said || ran == 1 || !seen {
			return
		}
		// A sound fan starts at its point or, if that is not known, at 95 °C, give or
		// take 5.
		err := 2.0
		if !known {
			point, err = 95, 5
		}
		r.put("fan-stood", hottest, 0.95/max(slip, 1-normal((hottest-point)/err)))
	}
}

// oil: milky, overfull and low are three findings with different meanings.
func (r *reader) oil(of func(string) (float64, bool)) {
	over, isOver := of("over_mm")
	under, isUnder := of("under_mm")
	milky, looked := of("milky")
	word, told := of("finding")
	finding := ""
	if told {
		finding = cooling.OilFinding(word)
	}
	if finding != "" || looked {
		r.seen("oil-milky", milky == 1 || finding == "milky", 0.9, 0.003)
	}
	switch {
	case isOver && over > 0:
		r.add("oil-over", over)
	case isUnder && under > 0:
		r.add("oil-under", under)
	case isOver || isUnder:
		r.add("oil-over", 0)
		r.add("oil-under", 0)
	case finding != "" && finding != "milky":
		r.seen("oil-over", finding == "overfull", 0.95, 0.01)
		r.seen("oil-under", finding == "low", 0.95, 0.01)
	}
}
