package next

import (
	"math"
	"strings"

	"shedbook/report/belief"
	"shedbook/schema"
	"shedbook/schema/unit"
)

// Other is what RankAmong and StartAmong read of a machine other than the one they are
// asked about: a log of its services and answers, and what is learned of its runs.
func Other(settings schema.Settings, log *schema.Log) (schema.Log, []byte) {
	f := belief.NewFleet(settings, nil)
	f.Add(log)
	return schema.Log{Machine: log.Machine, Services: log.Services, Answers: log.Answers}, f.Part(log.Machine.Name)
}

// owned is the network as this book has it: the owner's priors and minutes,
// and the priors moved by what the fleet's other machines turned out to have.
// Each share is a Dirichlet mean, the priors weighing as `fleet` confirmed
// causes (Gelman et al. 2013, Bayesian Data Analysis, section 3.4).
func (n *network) owned(fleet *schema.Fleet, machine string) (own *network, confirmed []int, err error) {
	c := *n
	c.causes = append([]cause(nil), n.causes...)
	c.checks = append([]check(nil), n.checks...)
	confirmed = make([]int, len(n.causes))
	total := 0
	for i := range fleet.Logs {
		l := &fleet.Logs[i]
		if l.Machine.Name == machine {
			continue // its own past is read from its own log
		}
		for j := range l.Services {
			if k := n.cause(l.Services[j].Cause); k >= 0 {
				confirmed[k]++
				total++
			}
		}
		for j := range l.Answers {
			if k := n.cause(l.Answers[j].Cause); k >= 0 && !l.Answers[j].Service.Known &&
				!sameService(l, &l.Answers[j]) {
				confirmed[k]++
				total++
			}
		}
	}
	for k := range c.causes {
		c.causes[k].prior = (n.fleet*n.causes[k].prior + float64(confirmed[k])) / (n.fleet + float64(total))
	}
	for key, text := range fleet.Settings {
		prefix, name, _ := strings.Cut(key, ".")
		switch prefix {
		case "prior":
			k := c.cause(name)
			if k < 0 {
				return nil, nil, noSuch("cause", name, schema.Words("cause"))
			}
			v, err := unit.Parse(text, unit.Count)
			if err != nil || !(v > 0 && v < 1) {
				return nil, nil, schema.Wrong(key, text, "should be a chance between 0 and 1, as 0.2")
			}
			c.causes[k].prior, c.causes[k].priorSet = v, true
		case "minutes":
			k := c.check(name)
			if k < 0 {
				return nil, nil, noSuch("check", name, schema.Words("check"))
			}
			v, err := unit.Parse(text, unit.Minutes)
			if err != nil || !(v > 0) {
				return nil, nil, schema.Wrong(key, text, "should be minutes above 0, as 15 min")
			}
			c.checks[k].minutes = v
		}
	}
	return &c, confirmed, nil
}

// sameService says whether a service of the same month already counts the
// cause that an answer names.
func sameService(l *schema.Log, a *schema.Answer) bool {
	for i := range l.Services {
		s := &l.Services[i]
		if s.Cause == a.Cause && math.Abs(s.At.Sub(a.At).Hours()) < 31*24 {
			return true
		}
	}
	return false
}

// beliefs is what the fleet's machines tell about each other.
func (n *network) beliefs(fleet *schema.Fleet, others map[string][]byte) *belief.Fleet {
	priors := make([]float64, len(n.causes))
	for k := range priors {
		priors[k] = n.causes[k].prior
	}
	f := belief.NewFleet(fleet.Settings, priors)
	f.Together = n.togetherness
	for i := range fleet.Logs {
		l := &fleet.Logs[i]
		if part := others[l.Machine.Name]; part == nil || !f.AddPart(l.Machine.Name, part) {
			f.Add(l)
		}
	}
	return f
}
