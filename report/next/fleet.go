package next

import (
	"math"
	"strings"
	"time"

	"shedbook/report/cooling"
	"shedbook/schema"
	"shedbook/schema/unit"
)

// Beside is what Rank and Start read of a machine other than the one they are
// asked about, as of a time: far less than its log. Its runs are one, of all their
// hours.
func Beside(log schema.Log, asOf time.Time) schema.Log {
	log = log.AsOf(asOf)
	out := schema.Log{Machine: log.Machine, Services: log.Services, Answers: log.Answers, Overheats: log.Overheats}
	hours := 0.0
	for i := range log.Runs {
		h, _ := log.Runs[i].Duration()
		hours += h
	}
	if hours > 0 {
		out.Runs = []schema.Run{{Base: schema.Base{Machine: log.Machine.Name, At: log.Runs[0].At}, Hours: schema.N(hours)}}
	}
	return out
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
			if k := n.cause(l.Answers[j].Cause); k >= 0 && !l.Answers[j].Service.Known && !sameService(l, &l.Answers[j]) {
				confirmed[k]++
				total++
			}
		}
	}
	for k := range c.causes {
		c.causes[k].prior = (n.fleet*n.causes[k].prior + float64(confirmed[k])) / (n.fleet + float64(total))
	}
	c.boilAt(fleet)
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

// boilAt raises how often a cap that holds nothing lets the coolant boil, by how
// much lower it boils at the book's altitude than at the sea (see
// cooling.BoilingPoint; half and half of ethylene glycol).
func (n *network) boilAt(fleet *schema.Fleet) {
	sea, err := cooling.BoilingPoint(cooling.Ethylene, 50, 0, 0)
	here, err2 := cooling.BoilingPoint(cooling.Ethylene, 50, 0, fleet.Settings.Number("altitude-m", unit.Metres))
	if err == nil && err2 == nil {
		n.causes[n.cause("pressure-cap")].rate *= math.Pow(2, (sea-here)/n.boils)
	}
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

// baseline weighs the rates of a sound machine by what the fleet's other
// machines did. Each of them is sound with the network's chance, or has a
// fault whose rate is unknown, so that one bad machine raises nobody's
// baseline; a machine's own sound rate then lies around the fleet's.
func (n *network) baseline(fleet *schema.Fleet, machine string) []float64 {
	fit := make([]float64, len(backgrounds))
	for i, m := range backgrounds {
		d := math.Log(m) / 1.2 // prior: lognormal around the network's rate
		fit[i] = -d * d / 2
	}
	for j := range fleet.Logs {
		l := &fleet.Logs[j]
		hours := 0.0
		for i := range l.Runs {
			h, _ := l.Runs[i].Duration()
			hours += h
		}
		if l.Machine.Name == machine || hours < 5 {
			continue
		}
		heats := float64(len(l.Overheats))
		for i, m := range backgrounds {
			poisson := func(rate float64) float64 {
				x := rate * hours
				lg, _ := math.Lgamma(heats + 1)
				return heats*math.Log(x) - x - lg
			}
			rate := n.background.rate * m
			var s logSum
			s.add(poisson(rate), n.sound)
			for _, more := range []float64{0.005, 0.015, 0.045, 0.135} {
				s.add(poisson(rate+more), (1-n.sound)/4)
			}
			fit[i] += s.log()
		}
	}
	top, total := math.Inf(-1), 0.0
	for _, f := range fit {
		top = math.Max(top, f)
	}
	for i := range fit {
		fit[i] = math.Exp(fit[i] - top)
		total += fit[i]
	}
	// The spread between machines: a quarter of the weight goes to each
	// neighbour on the ladder of rates.
	out := make([]float64, len(fit))
	for i := range fit {
		w := fit[i] / total
		out[i] += w / 2
		out[max(i-1, 0)] += w / 4
		out[min(i+1, len(fit)-1)] += w / 4
	}
	return out
}

// logSum adds up weight*exp(log).
type logSum struct{ top, sum float64 }

func (s *logSum) add(log, weight float64) {
	switch {
	case s.sum == 0:
		s.top, s.sum = log, weight
	case log <= s.top:
		if log > s.top-40 {
			s.sum += weight * math.Exp(log-s.top)
		}
	default:
		s.sum = s.sum*math.Exp(s.top-log) + weight
		s.top = log
	}
}

func (s *logSum) log() float64 { return s.top + math.Log(s.sum) }
