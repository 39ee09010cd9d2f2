package next

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"sort"
	"sync"
	"time"

	"shedbook/report/belief"
	"shedbook/report/coolant"
	"shedbook/report/exposure"
	"shedbook/report/say"
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
	// NoFault is the chance that none of the causes is there now.
	NoFault float64 `json:"no_fault"`
	// Split tells the machine's part in its overheats from the driving's; Parts the
	// same in words, empty where it has not overheated.
	Split belief.Split `json:"split"`
	Parts string       `json:"split_says"`
	// Remedies are what was done about its overheats, and whether it held.
	Remedies []belief.Remedy `json:"remedies"`
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

// What there is to do.
const (
	DoCheck   = "check"
	DoMend    = "mend"
	DoAdvise  = "advise"
	DoNothing = "nothing"
)

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
	if p.Remedies == nil {
		p.Remedies = []belief.Remedy{}
	}
	if p.Split.Drivers == nil {
		p.Split.Drivers = []belief.DriverOfHeat{}
	}
	return json.Marshal(p)
}

// state is what Rank and Session both work on: the belief about one machine.
type state struct {
	n         *network
	log       *schema.Log
	e         *evidence
	q         *belief.Posterior
	remedies  []belief.Remedy
	b         *view
	confirmed []int // by cause, on the fleet's other machines
	units     unit.System
	asOf      time.Time
	zone      *time.Location
	tools     string // at hand, as the setting has it; empty: all
}

// known makes the state of a machine as it could be known at asOf; others as for
// RankAmong.
func known(fleet schema.Fleet, others map[string][]byte, machine string, asOf time.Time) (*state, error) {
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
	x := exposure.NewIndex(fleet.Words, fleet.Drivers, fleet.Settings)
	return n.state(&fleet, n.beliefs(&fleet, others), x.Life(log), confirmed, asOf), nil
}

// state is what the fleet's beliefs and a machine's life make one believe of it.
func (n *network) state(fleet *schema.Fleet, beliefs *belief.Fleet, life *exposure.Life, confirmed []int,
	asOf time.Time) *state {
	s := &state{n: n, log: life.Log, confirmed: confirmed, asOf: asOf, zone: fleet.Settings.Zone(),
		units: fleet.Settings.Units(),
		tools: fleet.Settings.Get("tools")}
	var told []belief.Fact
	s.e, told = n.read(fleet, life.Log)
	s.e.lossOn = sync.OnceValue(func() string { return coolant.Loss(life, fleet.Settings) })
	s.q = beliefs.Machine(life, told)
	s.remedies = belief.Remedies(fleet.Settings, life)
	if s.e.blank = s.q.Hours == 0 && len(s.log.Overheats) == 0 && len(s.log.TopUps) == 0 &&
		len(s.e.done) == 0; s.e.blank {
		s.b = n.start()
	} else {
		s.b = n.of(s.q)
	}
	s.outdate()
	for _, k := range s.again() {
		for i := range s.b.fail[k] {
			s.b.fail[k][i] *= freshEye
		}
	}
	return s
}

// outdate says of each check that passed why it is to be done again: what it
// looked at was changed, or the machine has overheated or been driven since.
func (s *state) outdate() {
	for i := range s.e.done {
		d := &s.e.done[i]
		after, all := 0, len(s.log.Overheats)
		for j := range s.log.Overheats {
			if s.log.Overheats[j].At.After(d.at) {
				after++
			}
		}
		switch {
		case s.n.changed(s.log, d.check, &d.base, nil):
			d.stale = "something was done since that may have changed it"
		case d.failed || d.unsure:
		case 2*after > all && after > 1:
			d.stale = fmt.Sprintf("%d of %d overheats came after it", after, all)
		case d.times == 1 && s.secondLook(d.check):
			d.stale = "one look can miss what it looks for, which is still likely: look once more"
		case s.q.HoursSince(d.at) > agedHours:
			d.stale = fmt.Sprintf("%.0f h ago", s.q.HoursSince(d.at))
		}
	}
}

// secondLook: what a check that passed shows is still likely, as eyes miss things.
func (s *state) secondLook(check int) bool {
	for k, p := range s.b.marginals() {
		if p > 0.1 && s.n.checks[check].shows(k) {
			return true
		}
	}
	return false
}

// agedHours are the engine hours after which a check that passed may be done
// again.
const agedHours = 60

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
	return RankAmong(fleet, nil, machine, asOf)
}

// RankAmong is Rank where other machines' logs are Other's, with what it learned
// of their runs by their names.
func RankAmong(fleet schema.Fleet, others map[string][]byte, machine string, asOf time.Time) (Result, error) {
	s, err := known(fleet, others, machine, asOf)
	if err != nil {
		return Result{}, err
	}
	r := s.result()
	r.State = stateOf(&fleet, s.log, asOf)
	r.Do = s.whileParked(r.Do, r.State)
	r.Advice = s.advise(&r.Do)
	return r, nil
}

func (s *state) result() Result {
	r := Result{Machine: s.log.Machine.Name, AsOf: s.asOf, NoFault: round(s.b.p[0], 4), Split: s.split(),
		Remedies: s.remedies}
	for i := range r.Remedies {
		r.Remedies[i].At = r.Remedies[i].At.In(s.zone)
	}
	if r.Why = s.sound(); r.Why != "" {
		r.Do = Do{Act: DoNothing, Why: r.Why}
		return r
	}
	r.Warnings = s.warnings()
	m := s.b.marginals()
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
		r.Candidates = append(r.Candidates, Candidate{Cause: c.name, Probability: round(m[k], 4), For: speaks,
			Against: against,
			Means:   c.means, Mend: c.mend, Look: c.look, Minutes: c.prove, Caution: s.n.caution(topics),
			Cautions: s.n.shorts(topics)})
	}
	sort.SliceStable(r.Candidates, func(i,
		j int) bool {
		return r.Candidates[i].Probability > r.Candidates[j].Probability
	})
	for _, l := range s.looks(nil) {
		r.Checks = append(r.Checks, s.describe(&l))
	}
	r.Do, _ = s.do(nil)
	r.Advice = s.advise(&r.Do)
	r.Parts = s.q.Split.Words(r.Do.Act == DoAdvise)
	return r
}

func (s *state) split() belief.Split {
	x := s.q.Split
	x.SoundUsualDriving, x.SoundOwnDriving = round(x.SoundUsualDriving, 2), round(x.SoundOwnDriving, 2)
	x.Drivers = slices.Clone(x.Drivers)
	for i := range x.Drivers {
		x.Drivers[i].Expected = round(x.Drivers[i].Expected, 2)
	}
	return x
}

// advise is what to do in a sentence.
func (s *state) advise(d *Do) string {
	switch d.Act {
	case DoCheck:
		return *d.Check + ": " + d.Why
	case DoMend:
		k := &s.n.causes[s.n.cause(*d.Cause)]
		if s.b.marginals()[s.n.cause(*d.Cause)] >= standsOut {
			return fmt.Sprintf("%s. To fix it and be sure: %s (about %.0f min). Look for %s", d.Why, k.mend, k.prove,
				k.look)
		}
		return fmt.Sprintf("%s: %s (about %.0f min), then the next. Look for %s", d.Why, k.mend, k.prove, k.look)
	}
	return d.Why
}

// standsOut is the probability from which a cause stands out.
const standsOut = 0.8

// left are the checks that can still tell something: not done, or out of date.
func (s *state) left() []int {
	var out []int
	for k := range s.n.checks {
		at := slices.IndexFunc(s.e.done, func(d done) bool { return d.check == k })
		if at < 0 || s.e.done[at].stale != "" || s.onceClean(k) || s.lifts(k) {
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
			verb := "passed"
			if d.failed {
				verb = "failed"
			}
			c.Again = fmt.Sprintf("%s on %s, but %s", verb, s.day(d.at), d.stale)
			switch {
			case s.lifts(l.check) && d.failed:
				c.Again = fmt.Sprintf("failed on %s: look again once that is fixed, before the engine runs",
					s.day(d.at))
			case s.lifts(l.check):
				c.Again = fmt.Sprintf("looked at on %s, and whether coolant is in it could not be told", s.day(d.at))
			case d.stale == "" && s.onceClean(l.check):
				c.Again = fmt.Sprintf("clean on %s, and one clean test does not clear a gasket that is suspected: "+
					"two do",
					s.day(d.at))
			}
		}
	}
	return c
}

// moves says what a result would do to the ranking: the two causes that it
// moves most, from and to, and which would then stand first.
func (s *state) moves(then *view) string {
	before, after := s.sought().marginals(), then.marginals()
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
		return "changes little"
	case !told:
		text += fmt.Sprintf("; %s is then likeliest, at %.2f", s.n.causes[first].name, after[first])
	}
	return text
}

// sound says why there is nothing to look for: records, and no sign of trouble
// in them.
func (s *state) sound() string {
	if s.e.blank || len(s.log.Overheats) > 0 || len(s.e.named) > 0 {
		return ""
	}
	for _, d := range s.e.done {
		if d.failed {
			return ""
		}
	}
	if 1-s.b.p[0] > troubleAt {
		return ""
	}
	text := fmt.Sprintf("%s has not overheated in %.0f recorded engine hours", s.log.Machine.Name, s.q.Hours)
	_, _, ml, hours, ok := s.q.LossReason(s.n.cause("external-leak"))
	if !ok {
		return text + ", and too little is recorded of its coolant to say whether it loses any"
	}
	return text + fmt.Sprintf(" and loses no coolant to speak of (%s in %.0f h beyond settling and boil-over)",
		unit.Format(ml, unit.Millilitres, s.units), hours)
}

// troubleAt is the chance of a fault from which a machine that has not
// overheated is looked into.
const troubleAt = 0.4

func (s *state) warnings() []string {
	var out []string
	switch {
	case s.e.blank:
		out = append(out,
			"nothing is recorded of this machine: this is what the trade finds most often, not what was found here")
	case s.q.Guessed:
		out = append(out,
			fmt.Sprintf("no runs are recorded: %.0f h of usual driving are assumed, so where and when it overheats "+
				"says little", s.q.Hours))
	}
	if s.q.Overheats > 0 && !s.q.Guessed && s.q.Since > 30 {
		out = append(out, fmt.Sprintf("the last overheat was %.0f engine hours ago, on %s: it may be fixed already",
			s.q.Since, s.day(s.q.Last)))
	}
	if s.q.Unplaced > 0 && !s.q.Guessed {
		out = append(out, fmt.Sprintf("%d of %d overheats lie outside any recorded run: only their own fields count",
			s.q.Unplaced, s.q.Overheats))
	}
	if s.q.Overheats > 0 {
		out = append(out,
			"the figures behind this are workshop practice, not measured: trust the order more than the decimals")
	}
	return out
}

func (s *state) day(t time.Time) string { return say.Day(t, s.zone) }

func round(x float64, digits int) float64 {
	k := math.Pow10(digits)
	return math.Round(x*k) / k
}
