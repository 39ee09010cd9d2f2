package next

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"shedbook/report/belief"
	"shedbook/report/say"
	"shedbook/schema/unit"
)

// reason is one thing in the log and how it speaks for a cause: the log of its
// likelihood ratio, the cause against what the machine's other causes would
// have shown.
type reason struct {
	text string
	log  float64
}

// telling is the likelihood ratio from which a reason is told, and most how
// many are told on each side.
const (
	telling = 1.4
	most    = 5
)

// reasons are what speaks for a cause and against it, strongest first.
func (s *state) reasons(k int) (speaks, against []string) {
	speaks, against = []string{}, []string{} // an empty list, not null, in JSON
	var rs []reason
	for _, r := range s.q.Reasons(k) {
		rs = append(rs, reason{r.Text, r.Log})
	}
	rs = append(rs, s.fromWhole(k)...)
	rs = append(rs, s.fromChecks(k)...)
	rs = append(rs, s.fromPast(k)...)
	sort.SliceStable(rs, func(i, j int) bool { return math.Abs(rs[i].log) > math.Abs(rs[j].log) })
	for _, r := range rs {
		switch {
		case r.log > math.Log(telling) && len(speaks) < most:
			speaks = append(speaks, r.text)
		case r.log < -math.Log(telling) && len(against) < most:
			against = append(against, r.text)
		}
	}
	return speaks, against
}

// fromWhole: what the whole log says: of coolant, mix, and how often it
// overheats.
func (s *state) fromWhole(k int) []reason {
	var out []reason
	if log, _, ml, hours, ok := s.q.LossReason(k); ok {
		text := fmt.Sprintf("%s gone in %.0f h beyond settling and boil-over",
			unit.Format(ml, unit.Millilitres, s.units),
			hours)
		if on := s.e.lossOn(); on != "" {
			text += "; " + on
		}
		out = append(out, reason{text, log})
	}
	if log, ok := s.q.MixReason(k); ok {
		out = append(out, reason{fmt.Sprintf("%.0f %% glycol by the refills and top-ups", s.q.Mix), log})
	}
	if x := &s.q.Split; s.n.causes[k].name == "overload" && x.Overheats > 0 && !s.q.Guessed {
		out = append(out, reason{fmt.Sprintf("%s; a sound machine driven as this one was: %.1f",
			say.Count(x.Overheats, "overheat"), x.SoundOwnDriving),
			math.Log((0.5 + x.SoundOwnDriving) / (0.5 + float64(x.Overheats)))})
	}
	return out
}

// fromChecks: what was looked at already, and what that is still worth.
func (s *state) fromChecks(k int) []reason {
	var out []reason
	for _, d := range s.e.done {
		if d.unsure || d.measured || d.stale != "" && d.failed {
			continue
		}
		own, none := s.n.failing(d.check, pair{-1, k}), s.n.failing(d.check, pair{-1, -1})
		verb := "failed"
		if !d.failed {
			own, none, verb = 1-own, 1-none, "passed"
		}
		text := fmt.Sprintf("%s %s on %s", s.n.checks[d.check].name, verb, s.day(d.at))
		if d.stale != "" {
			text += " (" + d.stale + ")"
		}
		out = append(out, reason{text, math.Log(own / none)})
	}
	name := s.n.causes[k].name
	for i := range s.e.facts {
		f := &s.e.facts[i]
		where := f.Check
		if where == "" {
			where = f.Kind
		}
		out = append(out, reason{fmt.Sprintf("%s (%s of %s)", f.Says, where, s.day(f.At)),
			math.Log(f.Likelihood(name) / f.Likelihood())})
	}
	return out
}

// fromPast: what was mended or confirmed here, and on the fleet's other
// machines.
func (s *state) fromPast(k int) []reason {
	var out []reason
	name := s.n.causes[k].name
	for i := len(s.remedies) - 1; i >= 0; i-- {
		r := &s.remedies[i]
		if r.Cause != name {
			continue
		}
		text := fmt.Sprintf("the %s on %s was for it", r.Done(), s.day(r.At))
		switch r.Says {
		case belief.Held:
			text += " and held"
		case belief.CameBack:
			text += " and did not hold"
		}
		out = append(out, reason{text, math.Log(0.3)})
		break
	}
	if !slices.ContainsFunc(s.remedies, func(r belief.Remedy) bool { return r.Cause == name }) {
		for i := len(s.log.Services) - 1; i >= 0; i-- {
			if v := &s.log.Services[i]; v.Cause == name {
				out = append(out, reason{fmt.Sprintf("the service on %s was for it", s.day(v.At)), math.Log(0.3)})
				break
			}
		}
	}
	if slices.ContainsFunc(s.e.named, func(x named) bool { return x.cause == k }) {
		out = append(out, reason{"named in an answer, and no service since says that it was fixed", math.Log(10)})
	}
	base := theNetwork().causes[k].prior
	own := s.n.causes[k].prior
	total := 0
	for _, c := range s.confirmed {
		total += c
	}
	switch {
	case s.n.causes[k].priorSet:
		out = append(out, reason{fmt.Sprintf("you set its chance to %.2g, where the trade's is %.2g", own, base),
			math.Log(own / base)})
	case total > 0:
		out = append(out, reason{fmt.Sprintf("on this fleet's other machines it was %d of the %d causes found",
			s.confirmed[k], total), math.Log(own / base)})
	}
	return out
}
