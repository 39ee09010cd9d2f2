package next

import (
	"encoding/json"
	"fmt"
	"math"
	"sort"
	"time"

	"shedbook/report/belief"
	"shedbook/report/exposure"
	"shedbook/schema"
)

// Likely is what one believes of a machine, in short.
type Likely struct {
	Causes  []Chance // most probable first, as the candidates of Rank
	NoFault float64
	// Made is what made its overheats, causes long gone included: the share of
	// each, greatest first. With those that a sound machine would have had they add
	// up to 1.
	Made  []Chance
	Split belief.Split
	For   []string // what speaks for the first cause, strongest first
}

// Chance is a cause and its probability.
type Chance struct {
	Cause       string  `json:"cause"`
	Probability float64 `json:"probability"`
}

// Believe is what Rank believes of a machine, for those who ask of many. fleet
// holds the settings, and of every machine's log the services and answers;
// beliefs are of all its machines; life is the machine's. It may be asked of
// several machines at once.
func Believe(fleet *schema.Fleet, beliefs *belief.Fleet, life *exposure.Life, asOf time.Time) (Likely, error) {
	n, confirmed, err := theNetwork().owned(fleet, life.Log.Machine.Name)
	if err != nil {
		return Likely{}, err
	}
	priors := make([]float64, len(n.causes))
	for k := range priors {
		priors[k] = n.causes[k].prior
	}
	own := beliefs.With(priors)
	own.Together = n.togetherness
	s := n.state(fleet, own, life, confirmed, asOf)
	out := Likely{NoFault: round(s.b.p[0], 4), Split: s.split()}
	m := s.b.marginals()
	first := 0
	for k, p := range m {
		out.Causes = append(out.Causes, Chance{n.causes[k].name, round(p, 4)})
		if round(p, 4) > round(m[first], 4) {
			first = k
		}
	}
	sort.SliceStable(out.Causes, func(i, j int) bool { return out.Causes[i].Probability > out.Causes[j].Probability })
	by, _ := s.q.Made()
	for k, x := range by {
		out.Made = append(out.Made, Chance{n.causes[k].name, round(x/math.Max(1, float64(s.q.Overheats)), 4)})
	}
	sort.SliceStable(out.Made, func(i, j int) bool { return out.Made[i].Probability > out.Made[j].Probability })
	out.For, _ = s.reasons(first)
	out.For = out.For[:min(3, len(out.For))]
	return out, nil
}

// Ground is a digest of all that Believe goes by besides the machine's own log: while
// that and this are the same, so is what it believes.
func Ground(fleet *schema.Fleet, beliefs *belief.Fleet, machine string) (string, error) {
	n, confirmed, err := theNetwork().owned(fleet, machine)
	if err != nil {
		return "", err
	}
	b, err := json.Marshal(fleet.Settings)
	for k := range n.causes {
		b = fmt.Appendf(b, " %x %d", math.Float64bits(n.causes[k].prior), confirmed[k])
	}
	return fmt.Sprintf("%016x %s", beliefs.Ground(machine), b), err
}
