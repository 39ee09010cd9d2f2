package next

import (
	"fmt"
	"math"
	"sort"

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
	rs := s.fromOverheats(k)
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

// fromOverheats compares, feature by feature, where the overheats fell with
// where the driving was, as the cause would have it.
func (s *state) fromOverheats(k int) []reason {
	var out []reason
	c := &s.n.causes[k]
	for f := range s.n.features {
		feature := &s.n.features[f]
		w := c.weights[f]
		if w == nil || feature.kind == whole {
			continue
		}
		count, hours := make([]float64, len(w)), make([]float64, len(w))
		heats, driven := 0.0, 0.0
		for i := range s.e.heats {
			if l := s.e.heats[i].levels[f]; l >= 0 {
				count[l]++
				heats++
			}
		}
		for i := range s.e.cells {
			if l := s.e.cells[i].levels[f]; l >= 0 {
				hours[l] += s.e.cells[i].hours
				driven += s.e.cells[i].hours
			}
		}
		if heats == 0 || feature.kind == driving && driven == 0 {
			continue
		}
		usual := make([]float64, len(w)) // chance of each level if the cause were any other
		for l := range w {
			if feature.kind == driving {
				usual[l] = 1 // at the rate of the driving
			} else {
				usual[l] = s.n.markUsually(f, l)
			}
		}
		mean := 1.0
		if feature.kind == driving {
			mean = 0
			for l := range w {
				mean += w[l] * hours[l] / driven
			}
		}
		best, sum := 0, 0.0
		part := make([]float64, len(w))
		for l := range w {
			part[l] = count[l] * math.Log(w[l]/mean/usual[l])
			sum += part[l]
		}
		// Tell the level that carries the sum, and where none was where many
		// were to be expected, that.
		sign := 1.0
		if sum < 0 {
			sign = -1
		}
		for l := range w {
			if sign*part[l] > sign*part[best] {
				best = l
			}
		}
		text := fmt.Sprintf("%.0f of %.0f %s %s", count[best], heats, plural("overheat", heats), feature.levels[best].phrase)
		if feature.kind == driving {
			text += fmt.Sprintf(", where %.0f %% of the driving was", 100*hours[best]/driven)
		}
		out = append(out, reason{text, sum})
	}
	return out
}

// markUsually is the chance of a mark over all causes, by their priors.
func (n *network) markUsually(f, l int) float64 {
	sum, total := n.background.weights[f][l]*n.sound, n.sound
	for k := range n.causes {
		if w := n.causes[k].weights[f]; w != nil {
			sum += n.causes[k].prior * w[l]
			total += n.causes[k].prior
		}
	}
	return sum / total
}

func plural(word string, n float64) string {
	if n == 1 {
		return word
	}
	return word + "s"
}

// fromWhole: what the whole log says: loss, mix, and how often it overheats.
func (s *state) fromWhole(k int) []reason {
	var out []reason
	none, own := pair{-1, -1}, pair{-1, k}
	chance := func(f int, set pair) float64 {
		return s.n.upTo(f, s.e.whole[f], set) - s.n.upTo(f, s.e.whole[f]-1, set)
	}
	for f := range s.n.features {
		if s.n.features[f].kind != whole || s.e.whole[f] < 0 {
			continue
		}
		// Against the mean over the sets without the cause, by their probability.
		other, total := 0.0, 0.0
		for i, set := range s.b.sets {
			if !set.has(k) {
				other += s.b.p[i] * chance(f, set)
				total += s.b.p[i]
			}
		}
		if total < 1e-9 {
			other, total = chance(f, none), 1
		}
		var text string
		if s.n.features[f].name == "loss" {
			l := s.e.loss
			text = fmt.Sprintf("%s gone in %.0f h beyond settling and boil-over, %d %s",
				unit.Format(l.ml, unit.Millilitres, s.units), l.hours, l.topups, plural("top-up", float64(l.topups)))
			if on := s.e.lossOn(); on != "" {
				text += "; " + on
			}
		} else {
			text = fmt.Sprintf("%.0f %% glycol by the refills and top-ups", s.e.mixPct)
		}
		out = append(out, reason{text, math.Log(chance(f, own) / (other / total))})
	}
	if s.n.causes[k].name == "overload" && len(s.e.heats) > 0 && !s.e.guessed {
		n := float64(len(s.e.heats))
		out = append(out, reason{fmt.Sprintf("%.0f %s in %.0f h (%.1f per 100 h)", n, plural("overheat", n), s.e.hours, 100*n/s.e.hours),
			math.Log(math.Max(s.b.p[0], 1e-3) / s.n.sound)})
	}
	return out
}

// fromChecks: what was looked at already, and what that is still worth.
func (s *state) fromChecks(k int) []reason {
	var out []reason
	for _, d := range s.e.done {
		if d.unsure || d.measured {
			continue
		}
		own, none := s.n.failing(d.check, pair{-1, k}, d.strength), s.n.failing(d.check, pair{-1, -1}, d.strength)
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
		out = append(out, reason{fmt.Sprintf("%s (%s of %s)", f.Says, where, s.day(f.At)), math.Log(f.Likelihood(name) / f.Likelihood())})
	}
	return out
}

// fromPast: what was mended or confirmed here, and on the fleet's other
// machines.
func (s *state) fromPast(k int) []reason {
	var out []reason
	for _, m := range s.e.lastMends() {
		if m.cause == k {
			after := 0
			for _, h := range s.e.heats {
				if later(h.base, m.at, m.number) {
					after++
				}
			}
			text := fmt.Sprintf("the service of %s was for it", s.day(m.at))
			if after > 0 {
				text += fmt.Sprintf(", and %d %s came after", after, plural("overheat", float64(after)))
			}
			out = append(out, reason{text, math.Log(s.n.again)})
		}
	}
	for _, c := range s.e.named {
		if c.cause == k {
			out = append(out, reason{fmt.Sprintf("confirmed on %s, and no service since says that it was mended", s.day(c.at)), math.Log(0.9 / 0.02)})
		}
	}
	base := theNetwork().causes[k].prior
	own := s.n.causes[k].prior
	total := 0
	for _, c := range s.confirmed {
		total += c
	}
	switch {
	case s.n.causes[k].priorSet:
		out = append(out, reason{fmt.Sprintf("the owner's prior is %.2g, where the trade's is %.2g", own, base), math.Log(own / base)})
	case total > 0:
		out = append(out, reason{fmt.Sprintf("%d of %d causes confirmed on this fleet's other machines were it", s.confirmed[k], total), math.Log(own / base)})
	}
	return out
}
