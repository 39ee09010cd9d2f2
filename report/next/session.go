package next

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"shedbook/report/cooling"
	stand "shedbook/report/state"
	"shedbook/schema"
)

// Session guides somebody through the checks of one machine: it proposes one,
// takes the answer, gives the record to keep, and ranks anew. It holds nothing
// that the book doesn't but the checks skipped, so that a session left is
// resumed by starting another on the book as it then is.
type Session struct {
	fleet   schema.Fleet
	others  map[string][]byte // see RankAmong
	machine string
	asOf    time.Time
	skipped []int
	at      *state
}

// Step is what a session says next.
type Step struct {
	// Check to do, nil where the session is at its end.
	Check *Check
	// PassMeans and FailMeans say what counts as which.
	PassMeans, FailMeans string
	// Says is why the check, or how the session ended.
	Says string
	// Ended by a cause that stands out: Cause, else empty.
	Cause string
	// Result is the ranking so far.
	Result Result
}

// Start begins or resumes a session; errors as Rank's.
func Start(fleet schema.Fleet, machine string, asOf time.Time) (*Session, error) {
	return StartAmong(fleet, nil, machine, asOf)
}

// StartAmong is Start with others as for RankAmong.
func StartAmong(fleet schema.Fleet, others map[string][]byte, machine string, asOf time.Time) (*Session, error) {
	at, err := known(fleet, others, machine, asOf)
	if err != nil {
		return nil, err
	}
	return &Session{fleet: fleet, others: others, machine: machine, asOf: asOf, at: at}, nil
}

// Next is the next step. It changes nothing: asked again it says the same.
func (s *Session) Next() Step {
	step := Step{Result: s.at.result()}
	if step.Result.Why != "" {
		step.Says = "nothing to look for: " + step.Result.Why
		return step
	}
	do, look := s.at.do(s.skipped)
	if look == nil && do.Act != DoMend {
		if is := stateOf(&s.fleet, s.at.log, s.asOf); is.State == stand.Parked {
			do = s.at.whileParked(do, is)
			for _, l := range s.at.looks(s.skipped) {
				if do.Check != nil && s.at.n.checks[l.check].name == *do.Check {
					look = &l
				}
			}
		}
	}
	step.Says = s.at.advise(&do)
	switch {
	case look != nil:
		d := s.at.describe(look)
		step.Check = &d
		step.PassMeans, step.FailMeans, _ = cooling.Meaning(d.Check)
	case do.Act == DoMend && step.Result.Candidates[0].Probability >= standsOut:
		step.Cause = step.Result.Candidates[0].Cause
	}
	return step
}

// Answer takes the answer to the check proposed: pass, fail or unsure, by
// their first letter too, and gives the record to keep; the session counts it
// as kept. "skip" leaves the check out of this session and keeps no record
// (ok is false). Anything else is an error that says what is taken. A value
// measured is judged before: see Add.
func (s *Session) Answer(answer string, at time.Time) (record schema.Check, ok bool, err error) {
	step := s.Next()
	if step.Check == nil {
		return record, false, fmt.Errorf("answer: no check is proposed: the session is at its end")
	}
	word := strings.ToLower(strings.TrimSpace(answer))
	if word == "skip" || word == "s" {
		s.skipped = append(s.skipped, s.at.n.check(step.Check.Check))
		return record, false, nil
	}
	for _, w := range schema.Words("result") {
		if word == w || len(word) == 1 && w[:1] == word {
			record = schema.Check{Check: step.Check.Check, Result: w}
			record.Machine, record.At = s.machine, at
			return record, true, s.Add(record)
		}
	}
	return record, false, schema.Wrong("answer", answer,
		"should be pass, fail, unsure, skip or stop, or the value measured with its unit")
}

// Add counts a check kept in the book by other means, as one judged from its
// figures, and ranks anew.
func (s *Session) Add(c schema.Check) error {
	logs := slices.Clone(s.fleet.Logs)
	for i := range logs {
		if logs[i].Machine.Name == s.machine {
			checks := logs[i].Checks
			n := len(checks)
			for n > 0 && checks[n-1].At.After(c.At) {
				n--
			}
			logs[i].Checks = slices.Insert(slices.Clone(checks), n, c)
		}
	}
	fleet := s.fleet
	fleet.Logs = logs
	asOf := s.asOf
	if !asOf.IsZero() && c.At.After(asOf) {
		asOf = c.At
	}
	at, err := known(fleet, s.others, s.machine, asOf)
	if err != nil {
		return err
	}
	s.fleet, s.asOf, s.at = fleet, asOf, at
	if c.Result == "unsure" { // asked for again another time, not at once
		s.skipped = append(s.skipped, at.n.check(c.Check))
	}
	return nil
}
