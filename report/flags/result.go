package flags

import (
	"time"

	"shedbook/report/belief"
	"shedbook/report/next"
	"shedbook/report/state"
)

// Result is what the log says at AsOf.
type Result struct {
	AsOf time.Time `json:"as_of"`
	// Machines are those not ready, worst first: the caller's to give.
	Machines []state.Machine `json:"machines"`
	Flags    []Flag          `json:"flags"`    // worst first
	Resting  []Flag          `json:"resting"`  // answered, and nothing new since
	Standing []Standing      `json:"standing"` // every machine, in the fleet's order
	Drivers  []Driver        `json:"drivers"`  // every driver, by name
	Priors   []Prior         `json:"priors"`
	Warnings []string        `json:"warnings"`
	// Doubts is how many records contradict others: the caller's to give.
	Doubts int `json:"doubts"`
}

// Flag is one matter raised. Machine, Driver, or Factor and Level say whose.
type Flag struct {
	Scope     string    `json:"scope"` // machine, driver or fleet
	Machine   string    `json:"machine,omitempty"`
	Driver    string    `json:"driver,omitempty"`
	Factor    string    `json:"factor,omitempty"`
	Level     string    `json:"level,omitempty"`
	Flag      string    `json:"flag"`
	Since     time.Time `json:"since"`  // best estimate of when it began
	Raised    time.Time `json:"raised"` // first moment at which the evidence sufficed, and spoke for this flag
	Evidence  Evidence  `json:"evidence"`
	Reasons   []string  `json:"reasons"`
	NextCheck *string   `json:"next_check"` // null for drivers and factors
	Caution   string    `json:"caution"`
	// Of overheats: the likeliest causes now, as next has them, most probable
	// first; and what the flag was called by the log as it stood when it was raised.
	Causes   []next.Chance `json:"causes,omitempty"`
	RaisedAs string        `json:"raised_as,omitempty"`
	// Split tells the machine's part in the overheats from the driving's.
	Split    *belief.Split `json:"split,omitempty"`
	Would    []string      `json:"would_change"` // what would change its mind
	Answered *Answered     `json:"answered"`     // the last answer, if there was one
	Curve    []Point       `json:"curve"`
}

// Evidence is the Bayes factor of the matter against the sound model, now and
// at its highest, and the one needed to raise the flag.
type Evidence struct {
	Log10BayesFactor float64 `json:"log10_bayes_factor"`
	Highest          float64 `json:"highest"`
	Needed           float64 `json:"needed"`
}

// Answered is what was found when the flag was looked into.
type Answered struct {
	At           time.Time `json:"at"`
	Found        string    `json:"found"`
	Cause        string    `json:"cause"`
	Service      *int64    `json:"service"`
	NothingFound bool      `json:"nothing_found"`
}

// Point is one point of the evidence over the engine hours.
type Point struct {
	At time.Time `json:"at"`
	// engine hours since the log began; for a driver or a condition the number of overheats
	Hours            float64 `json:"hours"`
	Log10BayesFactor float64 `json:"log10_bayes_factor"`
}

// Standing is what a machine's log speaks most for, raised or not.
type Standing struct {
	Machine  string   `json:"machine"`
	Flag     string   `json:"flag"` // steady-loss, above-fleet or came-back
	Evidence Evidence `json:"evidence"`
	Curve    []Point  `json:"-"`
}

// Driver is how far the log speaks for hard driving, raised or not, and a driver's part
// in his overheats told from that of the machines he was on.
type Driver struct {
	Driver   string       `json:"driver"`
	Evidence Evidence     `json:"evidence"`
	Split    belief.Split `json:"split"`
}

// Prior is what was assumed of a form of excess before any data: its weight, the effect sizes averaged over, and where
// an onset may lie.
type Prior struct {
	Flag   string    `json:"flag"`
	Weight float64   `json:"weight"`
	Sizes  []float64 `json:"sizes"`
	Unit   string    `json:"unit"`
	Onset  string    `json:"onset"`
	Needed float64   `json:"needed"` // log10 of the Bayes factor needed
}

// Quote adds to every steady loss what the coolant report says of its machine: of
// tells the loss that goes on in words, "" where there is none to tell.
func (r *Result) Quote(of func(machine string) string) {
	for _, flags := range [][]Flag{r.Flags, r.Resting} {
		for i := range flags {
			if g := &flags[i]; g.Flag == steadyLoss {
				if words := of(g.Machine); words != "" {
					g.Reasons = append(g.Reasons, words)
				}
			}
		}
	}
}
