// Package state says whether a machine may go out: ready, watch or parked. It is
// worked out in one place, by the rules of the table in rules.go, from the
// machine's log and three things that the log alone does not say: how likely a
// head gasket is, the flags that stand, and the remedies not proven yet. Rules
// come before probabilities: what stands is lifted by what its row names, or by a
// person who releases the machine by name, and by nothing else.
//
// It is no leave to drive: the maker's manual and a licensed mechanic come first.
package state

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"shedbook/report/exposure"
	"shedbook/schema"
)

// The states, worst last.
const (
	Ready  = "ready"
	Watch  = "watch"
	Parked = "parked"
)

// Rank is how bad a state is: 0 ready, 1 watch, 2 parked.
func Rank(state string) int { return slices.Index([]string{Ready, Watch, Parked}, state) }

// State is a machine's state with its reasons, the worst first; none where it is
// ready. Its JSON keys are the exchange contract's.
type State struct {
	State   string   `json:"state"`
	Reasons []Reason `json:"state_reasons"`
}

// Reason is one rule that stands. Rule is its word, or `released` where a person
// released the machine from a rule that parked it.
type Reason struct {
	Rule     string    `json:"rule"`
	At       time.Time `json:"at"`
	Record   *int64    `json:"record"` // null where no one record is behind it
	Text     string    `json:"text"`
	LiftedBy string    `json:"lifted_by"`
	// Of is the rule from which the machine was released, Released by whom, when and
	// why; the text ends with it.
	Of       string `json:"released_from,omitempty"`
	Released string `json:"released,omitempty"`
}

// Spell is a time for which a rule parked the machine.
type Spell struct {
	Rule   string     `json:"rule"`
	At     time.Time  `json:"at"`
	Record *int64     `json:"record"`
	Text   string     `json:"text"`
	Until  *time.Time `json:"until"`  // null: it still stands
	Lifted string     `json:"lifted"` // what lifted it; empty while it stands
}

// Told is a machine's state, and every time it was parked, in time order.
type Told struct {
	State
	Spells []Spell
}

// Given is what the log alone does not say.
type Given struct {
	// Gasket is the probability of a head gasket, from 0 to 1, as it could be known
	// at a time; nil where it was not asked.
	Gasket func(at time.Time) float64
	Flags  []Flag   // that stand on the machine
	Open   []Remedy // not proven yet
	// Points says whether a check that fails points to a cause; nil: any check to
	// any cause.
	Points func(check, cause string) bool
}

// Flag is a flag that stands.
type Flag struct {
	Flag   string
	Raised time.Time
	Says   string
}

// Remedy is something done whose success is not proven yet.
type Remedy struct {
	At     time.Time
	Record int64
	Says   string // what, and how many hours it still takes to prove it
}

// Of is the state of a machine at asOf, by its log up to then: the life of a log
// that is cut there (see schema.Log.AsOf). A machine of which nothing is recorded
// is ready: nothing speaks against it.
func Of(l *exposure.Life, s schema.Settings, asOf time.Time, g Given) Told {
	w := newWalker(l, s, asOf, g)
	w.run()
	t := Told{State: State{State: Ready, Reasons: []Reason{}}}
	for i := range Rules {
		if m := w.standing[Rules[i].Rule]; m != nil {
			t.add(m.reason(w))
		}
	}
	w.watch(&t.State)
	t.Spells = w.spells
	for i := range Rules {
		if m := w.standing[Rules[i].Rule]; m != nil && m.released == nil {
			t.Spells = append(t.Spells, m.spell(nil, ""))
		}
	}
	slices.SortStableFunc(t.Spells, func(a, b Spell) int { return a.At.Compare(b.At) })
	t.order()
	return t
}

// add adds a reason; the state is that of the worst.
func (s *State) add(r Reason) {
	s.Reasons = append(s.Reasons, r)
	if st := stateOf(r.Rule); Rank(st) > Rank(s.State) {
		s.State = st
	}
}

// order puts the reasons in the order of the table, the worst first.
func (s *State) order() {
	place := func(rule string) int { return slices.IndexFunc(Rules, func(r Rule) bool { return r.Rule == rule }) }
	slices.SortStableFunc(s.Reasons, func(a, b Reason) int { return place(a.Rule) - place(b.Rule) })
}

// Machine is a machine with its state.
type Machine struct {
	Machine string `json:"machine"`
	State
}

// With is the state with flags that stand besides.
func (s State) With(machine string, flags []Flag) State {
	out := State{State: cmp.Or(s.State, Ready), Reasons: append([]Reason{}, s.Reasons...)}
	for _, f := range flags {
		out.add(flagReason(machine, f))
	}
	out.order()
	return out
}

// IsParked says whether a rule that parks stands.
func (s State) IsParked() bool { return s.State == Parked }

// Parking are the reasons that park the machine.
func (s State) Parking() []Reason {
	return slices.DeleteFunc(slices.Clone(s.Reasons), func(r Reason) bool { return stateOf(r.Rule) != Parked })
}

// Why is why the machine is not ready, in a line: the reasons of its state, the
// worst first; "" where it is ready.
func (s State) Why() string {
	var texts []string
	for i, r := range s.Reasons {
		text := r.Text
		if i+1 < len(s.Reasons) && r.Released != "" && r.Released == s.Reasons[i+1].Released {
			text = strings.TrimSuffix(text, r.Released) // once is enough
		}
		if text = strings.TrimSuffix(text, "; "); stateOf(r.Rule) == s.State && !slices.Contains(texts, text) {
			texts = append(texts, text)
		}
	}
	return strings.Join(texts, "; ")
}

// Lift is what lifts the state, in a line: that of each of its reasons, each once.
func (s State) Lift() string {
	var texts []string
	for _, r := range s.Reasons {
		if stateOf(r.Rule) == s.State && !slices.Contains(texts, r.LiftedBy) {
			texts = append(texts, r.LiftedBy)
		}
	}
	return strings.Join(texts, "; and ")
}

// Manual is what every parked machine's words end with.
const Manual = "The maker's manual and a licensed mechanic come first."

// Stays says that a machine is parked still.
func (s State) Stays(machine string) string {
	return machine + " stays parked: " + s.Why() + ". Before it goes out: " + s.Lift() + ". " + Manual
}

// Brief is Says of a parked machine among others, without the words that go for all.
func (s State) Brief(machine string) string {
	return machine + " is parked, do not drive it: " + s.Why() + ". Before it goes out: " + s.Lift() + "."
}

// EndedSince says what ended the spells that still stood before.
func (t Told) EndedSince(was Told) []string {
	var out []string
	for _, s := range t.Spells {
		stood := slices.ContainsFunc(was.Spells, func(b Spell) bool {
			return b.Rule == s.Rule && b.At.Equal(s.At) &&
				b.Until == nil
		})
		if stood && s.Until != nil && !slices.Contains(out, s.Lifted) {
			out = append(out, s.Lifted)
		}
	}
	if len(out) == 0 {
		return []string{"after this record, nothing in the log parks it"}
	}
	return out
}

// Says is the state of a machine in a few sentences, the same wherever it is told.
func (s State) Says(machine string) string {
	switch s.State {
	case Parked:
		return s.Brief(machine) + " " + Manual
	case Watch:
		return machine + " is on watch: " + s.Why() + ". To end it: " + s.Lift() + "."
	}
	return machine + " is ready: no rule parks it. The maker's manual still comes first."
}
