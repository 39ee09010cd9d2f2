package flags

import (
	"crypto/sha256"
	"encoding/json"
	"iter"
	"maps"
	"runtime"
	"slices"
	"sync"
	"time"

	"shedbook/report/exposure"
	"shedbook/report/next"
	"shedbook/schema"
)

// The evidence says that something makes a machine overheat; what it is, says
// the belief that package next ranks the causes by. It is asked of the machines
// that bear a flag, and of no others, since it reads a machine's log again.

// named is what one believes of a machine whose overheats raised a flag: now,
// and as its log stood when it was raised.
type named struct {
	now, then next.Likely
	err       error
	// What they were made of: when it was raised, what the others tell of it, and the
	// digest of the log as it stood then.
	raised int64
	ground string
	log    string
}

func (n *named) code(c *codec) {
	c.json(&n.now)
	c.json(&n.then)
	c.int64(&n.raised)
	c.text(&n.ground)
	c.text(&n.log)
}

// kept is it as written down; nil of nothing.
func (n *named) kept() []byte {
	if n == nil || n.err != nil {
		return nil
	}
	return written(n.code)
}

// name is the flag under which overheats go by what made them, the one whose causes
// made most: above-fleet has all those that have no flag of their own. What is long
// mended counts too: the flag stands until it is answered.
func name(l *next.Likely) string {
	of := map[string]float64{}
	top := aboveFleet
	for _, c := range l.Made {
		flag, ok := flagOf[c.Cause]
		if !ok {
			flag = aboveFleet
		}
		of[flag] += c.Probability
	}
	for _, flag := range slices.Sorted(maps.Keys(of)) {
		if of[flag] > of[top] {
			top = flag
		}
	}
	return top
}

// Logs reads the logs of some machines.
type Logs func(machines ...string) iter.Seq[*schema.Log]

// believe asks about the machines that bear a flag for their overheats, but for those of
// which what was kept still holds: it takes as long as all the rest.
func (f *Finder) believe(logs Logs) {
	fleet := f.fleet
	for _, m := range f.machines {
		l := schema.Log{Machine: schema.Machine{Name: m.name}, Answers: m.answers}
		for i := range m.services {
			s := schema.Service{Cause: m.services[i].cause}
			s.At = time.Unix(m.services[i].at, 0)
			l.Services = append(l.Services, s)
		}
		fleet.Logs = append(fleet.Logs, l)
	}
	of := map[string]*machine{}
	var who []string
	for _, m := range f.machines {
		was := m.named
		if m.named = nil; m.ev.raised[heating] == 0 {
			continue
		}
		ground, err := next.Ground(&fleet, f.beliefs, m.name)
		m.named = &named{raised: m.ev.raised[heating], ground: ground, err: err}
		switch {
		case err != nil:
		case was == nil || was.raised != m.named.raised || was.ground != ground:
			of[m.name], who = m, append(who, m.name)
		case m.written:
			of[m.name], who = m, append(who, m.name)
			m.named.then, m.named.log = was.then, was.log
		default:
			m.named = was
		}
	}
	if len(who) == 0 {
		return
	}
	ask := func(log schema.Log, at time.Time) (next.Likely, error) {
		x := exposure.NewIndex(fleet.Words, fleet.Drivers, fleet.Settings)
		return next.Believe(&fleet, f.beliefs, x.Life(&log), at)
	}
	var wait sync.WaitGroup
	lanes := make(chan bool, runtime.GOMAXPROCS(0))
	for log := range logs(who...) {
		m := of[log.Machine.Name]
		lanes <- true
		wait.Go(func() {
			defer func() { <-lanes }()
			now := log.AsOf(f.asOf)
			at := f.time(m.ev.raised[heating])
			then := now.AsOf(at)
			was := m.named.log
			if m.named.now, m.named.err = ask(now, f.asOf); m.named.err == nil {
				m.named.log, m.named.err = digest(&then)
			}
			if m.named.err == nil && m.named.log != was {
				m.named.then, m.named.err = ask(then, at)
			}
		})
	}
	wait.Wait()
}

// digest is one of a log.
func digest(log *schema.Log) (string, error) {
	h := sha256.New()
	err := json.NewEncoder(h).Encode(log)
	return string(h.Sum(nil)), err
}
