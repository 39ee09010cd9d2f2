package next

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"sort"
	"time"

	stand "shedbook/report/state"
	"shedbook/schema"
	"shedbook/schema/unit"
)

// Result is what to check next on one machine.
type Result struct {
	Machine    string      `json:"machine"`
	AsOf       time.Time   `json:"as_of"`
	Candidates []Candidate `json:"candidates"` // most probable first
	Checks     []Check     `json:"checks"`     // worth most first
	// Advice is the shortest way on, in a sentence: a check, or a cause to go at.
	Advice string `json:"advice,omitempty"`
	// Do is the same for a machine.
	Do Do `json:"do"`
	// NoFault is the chance that none of the causes is there but load and
	// weather; where the machine has overheated, `overload` includes it.
	NoFault float64 `json:"no_fault"`
	// State says whether it may go out: rules come before probabilities.
	stand.State
	// Why there is nothing to rank; empty where there is.
	Why      string   `json:"why,omitempty"`
	Warnings []string `json:"warnings"`
}

// Do is the first thing to do: a check of Checks, a cause of Candidates to go at
// ("mend"), to talk about the driving ("advise"), or nothing.
type Do struct {
	Act     string   `json:"act"` // check, mend, advise, nothing
	Check   *string  `json:"check"`
	Cause   *string  `json:"cause"`
	Minutes *float64 `json:"minutes"`
	Why     string   `json:"why"`
}

// Candidate is a cause with its probability. More than one cause may be
// there, so the probabilities may add up to more than 1.
type Candidate struct {
	Cause       string   `json:"cause"`
	Probability float64  `json:"probability"`
	For         []string `json:"for"`
	Against     []string `json:"against"`
	Means       string   `json:"means"`
	Mend        string   `json:"mend"`
	Look        string   `json:"look"`    // what to look for in doing so
	Minutes     float64  `json:"minutes"` // to mend it and be sure
	// Caution is of what mending it takes: that of the check that shows it best.
	Caution  string   `json:"caution"`
	Cautions []string `json:"-"` // its sentences, each by itself
}

// Check is a check with what it is worth.
type Check struct {
	Check        string  `json:"check"`
	Minutes      float64 `json:"minutes"`
	MinutesSaved float64 `json:"expected_minutes_saved"`
	FailChance   float64 `json:"fail_probability"`
	IfPass       string  `json:"if_pass"`
	IfFail       string  `json:"if_fail"`
	Caution      string  `json:"caution"`
	How          string  `json:"how"`
	Needs        string  `json:"needs"`
	// When it is made: cold, warming or hot, and whether the engine runs.
	When    string `json:"when"`
	Running bool   `json:"engine_running"`
	// CoolDown is the minutes until the engine is cold enough, where it is hot now.
	CoolDown float64 `json:"cool_down_minutes,omitempty"`
	// Tools that it takes and that are not at hand by the setting tools.
	Missing []string `json:"tools_missing,omitempty"`
	// Again: it was done, and why it is asked for again.
	Again string `json:"again,omitempty"`
	// Cautions are the caution's sentences, each by itself.
	Cautions []string `json:"-"`
}

// MarshalJSON writes no null for an empty list.
func (r Result) MarshalJSON() ([]byte, error) {
	type plain Result
	p := plain(r)
	if p.Candidates == nil {
		p.Candidates = []Candidate{}
	}
	if p.Checks == nil {
		p.Checks = []Check{}
	}
	if p.Warnings == nil {
		p.Warnings = []string{}
	}
	return json.Marshal(p)
}

// state is what Rank and Session both work on: the belief about one machine.
type state struct {
	n         *network
	log       *schema.Log
	e         *evidence
	b         *belief
	confirmed []int // by cause, on the fleet's other machines
	units     unit.System
	asOf      time.Time
	zone      *time.Location
	tools     string // at hand, as the setting has it; empty: all
}

// known makes the state of a machine as it could be known at asOf.
func known(fleet schema.Fleet, machine string, asOf time.Time) (*state, error) {
	fleet = fleet.AsOf(asOf)
	var log *schema.Log
	var names []string
	for i := range fleet.Logs {
		if fleet.Logs[i].Machine.Name == machine {
			log = &fleet.Logs[i]
		}
		names = append(names, fleet.Logs[i].Machine.Name)
	}
	if log == nil {
		return nil, noSuch("machine", machine, names)
	}
	if err := namesKnown(log); err != nil {
		return nil, err
	}
	n, confirmed, err := theNetwork().owned(&fleet, machine)
	if err != nil {
		return nil, err
	}
	s := &state{n: n, log: log, confirmed: confirmed, asOf: asOf, zone: fleet.Settings.Zone(), units: fleet.Settings.Units(),
		tools: fleet.Settings.Get("tools")}
	s.e = read(n, &fleet, log)
	if s.e.blank {
		s.b = n.start(false)
	} else {
		s.b = infer(n, s.e, n.baseline(&fleet, machine))
	}
	return s, nil
}

// namesKnown refuses a check or a cause that the network doesn't know.
func namesKnown(log *schema.Log) error {
	n := theNetwork()
	for i := range log.Checks {
		if name := log.Checks[i].Check; n.check(name) < 0 {
			return noSuch("check", name, schema.Words("check"))
		}
	}
	for i := range log.Services {
		if name := log.Services[i].Cause; name != "" && n.cause(name) < 0 {
			return noSuch("cause", name, schema.Words("cause"))
		}
	}
	for i := range log.Answers {
		if name := log.Answers[i].Cause; name != "" && n.cause(name) < 0 {
			return noSuch("cause", name, schema.Words("cause"))
		}
	}
	return nil
}

// Rank ranks the causes of a machine's overheating by probability given its
// log as of a time, and the checks by what they are worth: minutes expected to
// be saved per minute spent. A zero asOf takes the whole log. An unknown
// machine, check or cause is an error that names the near ones. A machine
// with no records gives the priors and says so; one that shows no trouble
// gives no candidates, and Why.
func Rank(fleet schema.Fleet, machine string, asOf time.Time) (Result, error) {
	s, err := known(fleet, machine, asOf)
	if err != nil {
		return Result{}, err
	}
	r := s.result()
	r.State = stateOf(&fleet, s.log, asOf)
	return r, nil
}

func (s *state) result() Result {
	r := Result{Machine: s.log.Machine.Name, AsOf: s.asOf, NoFault: s.b.p[0]}
	if r.Why = s.sound(); r.Why != "" {
		r.Do = Do{Act: "nothing", Why: r.Why}
		return r
	}
	r.Warnings = s.warnings()
	m := s.shown()
	for k := range m {
		c := &s.n.causes[k]
		speaks, against := s.reasons(k)
		best := 0
		for i := range s.n.checks {
			if s.n.checks[i].fails[k] > s.n.checks[best].fails[k] {
				best = i
			}
		}
		topics := s.n.checks[best].caution
		r.Candidates = append(r.Candidates, Candidate{Cause: c.name, Probability: round(m[k], 4), For: speaks, Against: against,
			Means: c.means, Mend: c.mend, Look: c.look, Minutes: c.prove, Caution: s.n.caution(topics), Cautions: s.n.shorts(topics)})
	}
	sort.SliceStable(r.Candidates, func(i, j int) bool { return r.Candidates[i].Probability > r.Candidates[j].Probability })
	for _, l := range s.looks(nil) {
		r.Checks = append(r.Checks, s.describe(&l))
	}
	r.Do = s.do(s.choose(nil), r.Candidates[0])
	r.Advice = s.advise(&r.Do, r.Candidates[0])
	return r
}

// do is the shortest way on: the check that is worth its minutes, nil if none
// is, or the cause to go at.
func (s *state) do(l *look, first Candidate) Do {
	if l != nil && !s.enough(l, first) {
		c := s.n.checks[l.check]
		why := fmt.Sprintf("%.0f min, expected to save %.0f", c.minutes, l.saves)
		if s.mustLook(l.check) {
			why = fmt.Sprintf("%.0f min; a head gasket is suspected, and nothing is done with the engine running until it has passed",
				c.minutes)
		}
		return Do{Act: "check", Check: &c.name, Minutes: &c.minutes, Why: why}
	}
	k := &s.n.causes[s.b.next(len(s.e.heats) > 0)]
	why := fmt.Sprintf("no check left is worth its minutes. Shortest from here: go at %s (%.2f)", k.name, s.shown()[s.n.cause(k.name)])
	if first.Probability >= standsOut {
		k = &s.n.causes[s.n.cause(first.Cause)]
		why = fmt.Sprintf("%s stands out (%.2f): %s", k.name, first.Probability, k.means)
	}
	act := "mend"
	if k.name == "overload" {
		act = "advise"
	}
	return Do{Act: act, Cause: &k.name, Minutes: &k.prove, Why: why}
}

// advise is what to do in a sentence.
func (s *state) advise(d *Do, first Candidate) string {
	if d.Act == "check" {
		return *d.Check + ": " + d.Why
	}
	k := &s.n.causes[s.n.cause(*d.Cause)]
	if first.Probability >= standsOut {
		return fmt.Sprintf("%s. To mend it and be sure: %s (about %.0f min). Look for %s", d.Why, k.mend, k.prove, k.look)
	}
	return fmt.Sprintf("%s: %s (about %.0f min), then at the next. Look for %s", d.Why, k.mend, k.prove, k.look)
}

// standsOut is the probability from which a cause stands out.
const standsOut = 0.8

// enough says whether a cause stands out so far that a check which pays only
// together with another is no longer asked for.
func (s *state) enough(l *look, first Candidate) bool {
	return first.Probability >= standsOut && l.gain() <= 1
}

// shown are the probabilities as they are told: where the machine has
// overheated, no fault at all means load and weather.
func (s *state) shown() []float64 { return shown(s.b, len(s.e.heats) > 0) }

func shown(b *belief, overheated bool) []float64 {
	m := b.marginals()
	if overheated {
		m[b.n.overload()] += b.p[0]
	}
	return m
}

// left are the checks that can still tell something: not done, or out of date.
func (s *state) left() []int {
	var out []int
	for k := range s.n.checks {
		at := slices.IndexFunc(s.e.done, func(d done) bool { return d.check == k })
		if at < 0 || !s.e.done[at].failed && !s.e.done[at].unsure && s.e.done[at].strength < 0.6 || s.onceClean(k) || s.lifts(k) {
			out = append(out, k)
		}
	}
	return out
}

func (s *state) describe(l *look) Check {
	k := &s.n.checks[l.check]
	c := Check{Check: k.name, Minutes: k.minutes, MinutesSaved: round(l.saves, 1), FailChance: round(l.pFail, 3),
		Caution: s.n.caution(k.caution), How: k.how, Needs: k.needs}
	c.When, c.Running = phases[k.when], k.running
	c.CoolDown = s.coolDown(k)
	c.Missing = s.missing(k)
	c.Cautions = s.n.shorts(k.caution)
	c.IfPass = s.moves(l.pass)
	c.IfFail = s.moves(l.fail)
	for _, d := range s.e.done {
		if d.check == l.check {
			c.Again = fmt.Sprintf("passed on %s, but %s", s.day(d.at), d.stale)
			switch {
			case s.lifts(l.check) && d.failed:
				c.Again = fmt.Sprintf("failed on %s: look again once that is mended, before the engine runs", s.day(d.at))
			case s.lifts(l.check):
				c.Again = fmt.Sprintf("looked at on %s, and whether coolant is in it could not be told", s.day(d.at))
			case d.stale == "" && s.onceClean(l.check):
				c.Again = fmt.Sprintf("clean on %s, and one clean test does not clear a gasket that is suspected: two do",
					s.day(d.at))
			}
		}
	}
	return c
}

// moves says what a result would do to the ranking: the two causes that it
// moves most, from and to, and which would then stand first.
func (s *state) moves(then *belief) string {
	before, after := s.shown(), shown(then, len(s.e.heats) > 0)
	order := make([]int, len(before))
	first := 0
	for k := range order {
		order[k] = k
		if after[k] > after[first] {
			first = k
		}
	}
	sort.SliceStable(order, func(i, j int) bool {
		return math.Abs(after[order[i]]-before[order[i]]) > math.Abs(after[order[j]]-before[order[j]])
	})
	text, told := "", false
	for _, k := range order[:2] {
		if math.Abs(after[k]-before[k]) < 0.01 {
			continue
		}
		if text != "" {
			text += ", "
		}
		verb := "rises"
		if after[k] < before[k] {
			verb = "falls"
		}
		text += fmt.Sprintf("%s %s from %.2f to %.2f", s.n.causes[k].name, verb, before[k], after[k])
		told = told || k == first
	}
	switch {
	case text == "":
		return "hardly moves the ranking"
	case !told:
		text += fmt.Sprintf("; %s stands first at %.2f", s.n.causes[first].name, after[first])
	}
	return text
}

// sound says why there is nothing to look for: records, and no sign of trouble
// in them.
func (s *state) sound() string {
	e := s.e
	if e.blank || len(e.heats) > 0 || len(e.named) > 0 {
		return ""
	}
	for _, d := range e.done {
		if d.failed {
			return ""
		}
	}
	loss := s.n.feature("loss")
	if e.whole[loss] >= 2 || e.whole[loss] == 1 && e.loss.topups >= 4 {
		return ""
	}
	text := fmt.Sprintf("%s has not overheated in %.0f recorded engine hours", s.log.Machine.Name, e.hours)
	if e.whole[loss] < 0 {
		return text + ", and too little is recorded of its coolant to say whether it loses any"
	}
	return text + fmt.Sprintf(" and loses no coolant to speak of (%s in %.0f h beyond settling and boil-over)", unit.Format(e.loss.ml, unit.Millilitres, s.units), e.loss.hours)
}

func (s *state) warnings() []string {
	var out []string
	e := s.e
	switch {
	case e.blank:
		out = append(out, "nothing is recorded of this machine: these are the priors of the trade, no finding")
	case e.guessed:
		out = append(out, fmt.Sprintf("no runs are recorded: %.0f h of the usual use stand in, so that where and when it overheats says little", e.hours))
	}
	if n := len(e.heats); n > 0 && !e.guessed {
		if since := e.hours - e.heats[n-1].hour; since > 30 {
			out = append(out, fmt.Sprintf("the last overheat was %.0f engine hours ago, on %s: it may be mended already", since, s.day(e.heats[n-1].at)))
		}
	}
	unplaced := 0
	for i := range e.life.Overheats {
		if !e.life.Overheats[i].Placed() {
			unplaced++
		}
	}
	if unplaced > 0 && !e.guessed {
		out = append(out, fmt.Sprintf("%d of %d overheats fall in no recorded run: they count by what they say themselves", unplaced, len(e.heats)))
	}
	if len(e.heats) > 0 {
		out = append(out, "the figures of the trade behind this are practice, not measurement: go by the order more than by the decimals")
	}
	return out
}

func (s *state) day(t time.Time) string { return t.In(s.zone).Format(time.DateOnly) }

func round(x float64, digits int) float64 {
	k := math.Pow10(digits)
	return math.Round(x*k) / k
}
