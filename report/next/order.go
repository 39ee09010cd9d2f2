package next

import (
	"cmp"
	"fmt"
	"slices"
	"sort"
	"strings"
	"time"

	stand "shedbook/report/state"
)

// The order in which a person does the checks: nothing with the engine running
// while coolant may stand in a cylinder; what is done cold first, as a cool-down
// costs minutes; what needs a tool that is not at hand last.

// looks weighs the checks left that may be offered, but for those skipped: best
// first, and what needs a tool that is not at hand last.
func (s *state) looks(skipped []int) []look {
	var left []int
	for _, k := range s.left() {
		if !slices.Contains(skipped, k) && !s.forbidden(k) {
			left = append(left, k)
		}
	}
	b := s.sought()
	out := b.looks(left)
	m := b.marginals()
	for i := range out {
		l := &out[i]
		if wait := s.coolDown(&s.n.checks[l.check]); wait > 0 {
			l.minutes += wait
			l.finds = b.finding(l.check, l.minutes, m)
		}
	}
	sort.SliceStable(out, func(i, j int) bool {
		a, b := s.missing(&s.n.checks[out[i].check]) == nil, s.missing(&s.n.checks[out[j].check]) == nil
		if a != b {
			return a
		}
		if x, y := s.mustLook(out[i].check), s.mustLook(out[j].check); x != y {
			return x
		}
		return out[i].gain() > out[j].gain()
	})
	return out
}

// nearly is how near to what the best check finds for its minutes another one must
// come, to be made before it because it is made colder (a choice of this program).
const nearly = 0.6

// choose is the check to make next, of those left and not skipped; nil where going at
// the cause whose turn it is finds more for what it may cost in vain. Of those that are
// nearly as good as the best, what is done cold comes first, then what is done while it
// warms.
func (s *state) choose(skipped []int) *look {
	ls := s.looks(skipped)
	if len(ls) == 0 {
		return nil
	}
	if s.mustLook(ls[0].check) {
		return &ls[0]
	}
	cause, least := s.sought().turn()
	saves := ls[0] // by the minutes it saves, and at hand if any is
	ls = slices.DeleteFunc(ls, func(l look) bool { return s.missing(&s.n.checks[l.check]) != nil || l.finds <= least })
	if len(ls) == 0 {
		if saves.gain() > 1 && s.b.marginals()[cause] < standsOut {
			return &saves // not to mend by guess what a look may rule out
		}
		return nil
	}
	again := s.again() // what was never looked at comes first
	known := func(l look) bool { return slices.Contains(again, l.check) }
	if fresh := slices.DeleteFunc(slices.Clone(ls), known); len(fresh) > 0 {
		ls = fresh
	}
	best := slices.MaxFunc(ls, func(a, b look) int { return cmp.Compare(a.finds, b.finds) })
	for _, l := range ls {
		if l.finds >= nearly*best.finds && s.n.checks[l.check].when < s.n.checks[best.check].when {
			best = l
		}
	}
	return &best
}

// missing are the tools that a check takes and that are not at hand.
func (s *state) missing(k *check) []string {
	if s.tools == "" {
		return nil
	}
	var out []string
	for _, t := range k.tools {
		if !slices.ContainsFunc(strings.Split(s.tools, ";"),
			func(have string) bool { return strings.TrimSpace(have) == t }) {
			out = append(out, t)
		}
	}
	return out
}

// coolDown is the minutes until the engine is cold enough for a check; 0 where
// it is, or need not be.
func (s *state) coolDown(k *check) float64 {
	if k.when != cold || s.asOf.IsZero() {
		return 0
	}
	var ran time.Time // when the engine last ran
	did := func(t time.Time) {
		if t.After(ran) && !t.After(s.asOf) {
			ran = t
		}
	}
	for i := range s.log.Runs {
		r := &s.log.Runs[i]
		hours, _ := r.Duration()
		did(r.At.Add(time.Duration(hours * float64(time.Hour))))
	}
	for i := range s.log.Overheats {
		did(s.log.Overheats[i].At)
	}
	for i := range s.log.Checks {
		if c := s.n.check(s.log.Checks[i].Check); c >= 0 && s.n.checks[c].when != cold &&
			s.log.Checks[i].Result != "unsure" {
			did(s.log.Checks[i].At)
		}
	}
	if ran.IsZero() {
		return 0
	}
	return max(0, s.n.coolDown-s.asOf.Sub(ran).Minutes())
}

// gasket says why a head gasket is suspected, to stand after "parked, not
// driven"; empty where none is.
func (s *state) gasket() string {
	g := s.n.cause("head-gasket")
	for _, d := range s.e.done {
		// What was measured speaks by its figures, below.
		if d.failed && !d.measured && s.n.checks[d.check].fails[g] >= 0.6 && s.n.checks[d.check].name != "level" {
			return fmt.Sprintf(": %s failed on %s, and a head gasket is suspected", s.n.checks[d.check].name,
				s.day(d.at))
		}
	}
	for i := range s.e.facts {
		f := &s.e.facts[i]
		if f.Factor > 1 && (f.State == "oil-milky" || f.State == "gas" || f.State == "bubbles") {
			return fmt.Sprintf(": %s (%s of %s), and a head gasket is suspected", f.Says, f.Check, s.day(f.At))
		}
	}
	if p := s.b.marginals()[g]; p >= stand.GasketAt && !s.e.blank {
		return fmt.Sprintf(", until combustion-gas says otherwise: a head gasket is suspected (probability %.2f)", p)
	}
	return ""
}

// Where a head gasket is suspected, a careful mechanic looks for coolant in the
// oil and in the cylinders first, engine off and the plugs out: at the next start
// it would bend a rod. What finds none lets the engine run for the gas test.
var lookFirst = []string{"oil-level", "leak-down"}

// lifts says whether a check stays on the list until it has found no coolant: then
// the engine may run.
func (s *state) lifts(k int) bool {
	name := s.n.checks[k].name
	return slices.Contains(lookFirst, name) && s.gasket() != "" && !s.dry(name)
}

// mustLook says whether it comes first: nobody has looked yet, or could not tell.
func (s *state) mustLook(k int) bool {
	return s.lifts(k) && !slices.ContainsFunc(s.e.done, func(d done) bool { return d.check == k && d.failed })
}

// forbidden says whether a check is not offered: the engine runs for it or has run
// before it, and coolant may stand in a cylinder.
func (s *state) forbidden(k int) bool {
	return (s.n.checks[k].running || s.n.checks[k].when != cold) && s.gasket() != "" &&
		slices.ContainsFunc(lookFirst, func(name string) bool { return !s.dry(name) })
}

// dry says whether one of the looks found no coolant: by its finding where it was
// told (oil that is low but clear, a valve that leaks without bubbles), else by
// having passed.
func (s *state) dry(name string) bool {
	for i := range s.e.facts {
		if f := &s.e.facts[i]; f.Check == name && (f.State == "oil-milky" || f.State == "bubbles") {
			return f.Factor < 1
		}
	}
	return s.passed(name)
}

func (s *state) passed(name string) bool {
	k := s.n.check(name)
	return slices.ContainsFunc(s.e.done, func(d done) bool {
		return d.check == k && !d.failed && !d.unsure && d.stale == ""
	})
}

// onceClean says whether a check is the gas test, clean once where a head gasket
// is still suspected: two clean tests clear it.
func (s *state) onceClean(k int) bool {
	if s.n.checks[k].name != "combustion-gas" || s.gasket() == "" || !s.passed("combustion-gas") {
		return false
	}
	clean := 0.0
	for i := range s.log.Checks {
		if c := &s.log.Checks[i]; c.Check == "combustion-gas" {
			switch c.Result {
			case "pass":
				clean++
			case "fail":
				clean = 0
			}
		}
	}
	return clean < 2
}
