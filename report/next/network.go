// Package next says what to check next on a machine that overheated: which
// causes are likely, and which check is worth its minutes.
//
// What a log makes one believe is report/belief's: one posterior, whoever
// asks. The knowledge of the trade about checks stands in causes.txt, as data;
// it turns a check's result into a fact that the belief weighs (facts.go), and
// says what to do next: the check, or the mend, that finds most for the minutes
// it may take in vain (worth.go, order.go). Session guides somebody through the
// checks one by one.
package next

import (
	_ "embed"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"

	"shedbook/report/cooling"
	"shedbook/schema"
)

//go:embed causes.txt
var causesText string

// network is causes.txt, read.
type network struct {
	// together is how much rarer than by chance two causes are there at once,
	// reason how much likelier where one brings the other; fleet is the confirmed
	// causes that weigh as much as the priors; coolDown is in minutes.
	together, fleet, reason, coolDown float64

	causes   []cause   // in the order of the contract
	checks   []check   // in the order of the contract
	cautions []Caution // in the file's order
}

// unknown is the place of what is not there.
const unknown = -1

type cause struct {
	name              string
	prior, prove      float64
	means, mend, look string
	from              []string // the reasons of a cause that is a state
	priorSet          bool     // the prior is the owner's
}

type check struct {
	name                    string
	minutes, falsely, blank float64
	fails                   []float64 // chance to fail by cause
	needs, how, caution     string
	when                    phase
	running                 bool // the engine runs
	tools                   []string
	void                    []string // kinds of record that make it out of date
}

// phase is when a check is made: a person does what is done cold first, then
// what is done while it warms, then what is done hot.
type phase int

const (
	cold phase = iota
	warming
	hot
)

var phases = []string{"cold", "warming", "hot"}

// Caution is one topic of `cautions`: Short stands wherever a step can hurt,
// Text says the whole.
type Caution struct {
	Topic string `json:"topic"`
	Short string `json:"short"`
	Text  string `json:"text"`
}

// theNetwork reads causes.txt at its first use.
var theNetwork = sync.OnceValue(func() *network {
	n, err := parseNetwork(causesText)
	if err != nil {
		panic("next: causes.txt: " + err.Error()) // it is part of the program
	}
	return n
})

// Cautions are all topics, in the order in which they are best read.
func Cautions() []Caution { return append([]Caution(nil), theNetwork().cautions...) }

// CautionOn finds a topic, or the cautions of a check or a cause by its name.
// An unknown name is an error that names the near ones.
func CautionOn(topic string) ([]Caution, error) {
	n := theNetwork()
	var known []string
	for _, c := range n.cautions {
		if c.Topic == topic {
			return []Caution{c}, nil
		}
		known = append(known, c.Topic)
	}
	for i := range n.checks {
		if n.checks[i].name == topic {
			return n.topics(n.checks[i].caution), nil
		}
		known = append(known, n.checks[i].name)
	}
	return nil, noSuch("topic", topic, known)
}

func noSuch(what, name string, known []string) error {
	return schema.Wrong(what, name, "is no "+what+schema.DidYouMean(name, known)+"; there are "+
		strings.Join(known, ", "))
}

func (n *network) topics(list string) []Caution {
	var out []Caution
	for _, t := range split(list) {
		for _, c := range n.cautions {
			if c.Topic == t {
				out = append(out, c)
			}
		}
	}
	return out
}

// shorts are the short cautions of a list of topics.
func (n *network) shorts(list string) []string {
	var out []string
	for _, t := range n.topics(list) {
		out = append(out, t.Short)
	}
	return out
}

// caution is the short cautions of a list of topics, as one text.
func (n *network) caution(list string) string {
	var s []string
	for i, c := range n.topics(list) {
		short := c.Short
		if i > 0 {
			short = strings.ToUpper(short[:1]) + short[1:]
		}
		s = append(s, short)
	}
	return strings.Join(s, ". ")
}

func (n *network) cause(name string) int {
	for i := range n.causes {
		if n.causes[i].name == name {
			return i
		}
	}
	return unknown
}

func (n *network) check(name string) int {
	for i := range n.checks {
		if n.checks[i].name == name {
			return i
		}
	}
	return unknown
}

// entry is one line of causes.txt with its continuations.
type entry struct {
	line       int
	key, value string
}

// parseNetwork reads the format described at the head of causes.txt.
func parseNetwork(text string) (*network, error) {
	n := &network{}
	for _, name := range schema.Words("cause") {
		n.causes = append(n.causes, cause{name: name, prior: math.NaN()})
	}
	for _, name := range schema.Words("check") {
		n.checks = append(n.checks, check{name: name, minutes: math.NaN(), fails: make([]float64, len(n.causes))})
	}
	var kind, name string
	var block []entry
	finish := func() error {
		for _, e := range block {
			if err := n.set(kind, name, e); err != nil {
				return fmt.Errorf("line %d: %s %s: %s: %w", e.line, kind, name, e.key, err)
			}
		}
		block = block[:0]
		return nil
	}
	for i, line := range strings.Split(text, "\n") {
		trimmed := strings.TrimSpace(line)
		switch {
		case trimmed == "" || trimmed[0] == '#':
		case line[0] != ' ':
			if err := finish(); err != nil {
				return nil, err
			}
			kind, name, _ = strings.Cut(trimmed, " ")
			if err := n.open(kind, name); err != nil {
				return nil, fmt.Errorf("line %d: %w", i+1, err)
			}
		case strings.HasPrefix(line, "    ") && len(block) > 0:
			block[len(block)-1].value += " " + trimmed
		default:
			key, value, _ := strings.Cut(trimmed, ":")
			block = append(block, entry{line: i + 1, key: key, value: strings.TrimSpace(value)})
		}
	}
	if err := finish(); err != nil {
		return nil, err
	}
	return n, n.complete()
}

func (n *network) open(kind, name string) error {
	switch kind {
	case "model":
	case "caution":
		n.cautions = append(n.cautions, Caution{Topic: name})
	case "cause":
		if n.cause(name) < 0 {
			return noSuch("cause", name, schema.Words("cause"))
		}
	case "check":
		if n.check(name) < 0 {
			return noSuch("check", name, schema.Words("check"))
		}
	default:
		return fmt.Errorf("%q opens no block", kind)
	}
	return nil
}

func (n *network) set(kind, name string, e entry) (err error) {
	value, _, marked := strings.Cut(e.value, " | ")
	if value, err = withLimits(value); err != nil {
		return err
	}
	if !marked && strings.ContainsAny(value, "0123456789") && e.key != "means" && e.key != "mend" && e.key != "short" {
		return fmt.Errorf("a figure without a mark of where it comes from")
	}
	number := func(into *float64) {
		if *into, err = strconv.ParseFloat(value, 64); err == nil && !(*into >= 0 && *into < 1e5) {
			err = fmt.Errorf("%v is out of reason", *into)
		}
	}
	switch kind {
	case "model":
		into, ok := map[string]*float64{"together": &n.together, "fleet": &n.fleet, "reason": &n.reason,
			"cool-down": &n.coolDown}[e.key]
		if !ok {
			return fmt.Errorf("is no figure of the model")
		}
		number(into)
	case "cause":
		return n.setCause(&n.causes[n.cause(name)], e.key, value, number, &err)
	case "check":
		c := &n.checks[n.check(name)]
		switch e.key {
		case "minutes":
			number(&c.minutes)
		case "false":
			number(&c.falsely)
		case "unsure":
			number(&c.blank)
		case "fails":
			var words []string
			var values []float64
			if words, values, err = pairs(value); err != nil {
				return err
			}
			for i, w := range words {
				k := n.cause(w)
				if k < 0 {
					return noSuch("cause", w, schema.Words("cause"))
				}
				c.fails[k] = values[i]
			}
		case "when":
			word, rest, also := strings.Cut(value, ", ")
			c.when, c.running = phase(slices.Index(phases, word)), rest == "engine running"
			if c.when < 0 || also && !c.running {
				return fmt.Errorf("%q: is cold, warming or hot, and may end in ', engine running'", value)
			}
		case "tools":
			c.tools = split(value)
			for _, t := range c.tools {
				if !slices.Contains(schema.Tools, t) {
					return noSuch("tool", t, schema.Tools)
				}
			}
		case "needs":
			c.needs = value
		case "how":
			c.how = value
		case "void":
			c.void = split(value)
		case "caution":
			c.caution = value
		default:
			return fmt.Errorf("is no key of a check")
		}
	case "caution":
		c := &n.cautions[len(n.cautions)-1]
		switch e.key {
		case "short":
			c.Short = value
		case "text":
			c.Text = value
		default:
			return fmt.Errorf("is no key of a caution")
		}
	}
	return err
}

// withLimits puts a judge's limits in place of their {names}.
func withLimits(text string) (string, error) {
	limits := cooling.Limits()
	for {
		before, rest, open := strings.Cut(text, "{")
		if !open {
			return text, nil
		}
		name, after, _ := strings.Cut(rest, "}")
		limit, ok := limits[name]
		if !ok {
			return "", noSuch("limit", name, slices.Sorted(maps.Keys(limits)))
		}
		text = before + limit + after
	}
}

func (n *network) setCause(c *cause, key, value string, number func(*float64), err *error) error {
	switch key {
	case "prior":
		number(&c.prior)
	case "prove":
		number(&c.prove)
	case "means":
		c.means = value
	case "mend":
		c.mend = value
	case "look":
		c.look = value
	case "from":
		c.from = split(value)
		for _, reason := range c.from {
			if !slices.Contains(schema.Words("cause"), reason) {
				return noSuch("cause", reason, schema.Words("cause"))
			}
		}
	default:
		return fmt.Errorf("is no key of a cause")
	}
	return *err
}

// complete says what the file left out.
func (n *network) complete() error {
	for i := range n.causes {
		c := &n.causes[i]
		if !(c.prior > 0 && c.prior < 1) || c.prove <= 0 || c.means == "" || c.mend == "" || c.look == "" {
			return fmt.Errorf("cause %s: prior, prove, means, mend or look is missing", c.name)
		}
	}
	for i := range n.checks {
		c := &n.checks[i]
		if !(c.minutes > 0) || c.falsely <= 0 || c.how == "" || c.caution == "" {
			return fmt.Errorf("check %s: minutes, false, how or caution is missing", c.name)
		}
		if got := n.topics(c.caution); len(got) != len(split(c.caution)) {
			return fmt.Errorf("check %s: caution names a topic that is not there", c.name)
		}
	}
	return nil
}

// togetherness is how much likelier than by chance two causes are there at once.
func (n *network) togetherness(a, b int) float64 {
	if slices.Contains(n.causes[a].from, n.causes[b].name) || slices.Contains(n.causes[b].from, n.causes[a].name) {
		return n.reason
	}
	return n.together
}

func pairs(value string) (words []string, values []float64, err error) {
	for _, p := range split(value) {
		w, v, _ := strings.Cut(p, " ")
		x, err := strconv.ParseFloat(v, 64)
		if err != nil {
			return nil, nil, err
		}
		words, values = append(words, w), append(values, x)
	}
	return words, values, nil
}

func split(list string) []string {
	var out []string
	for _, s := range strings.Split(list, ",") {
		if s = strings.TrimSpace(s); s != "" {
			out = append(out, s)
		}
	}
	return out
}
