package next

import (
	"fmt"
	"math"
	"slices"
	"time"

	"shedbook/report/belief"
	"shedbook/report/say"
	stand "shedbook/report/state"
)

// do is the first thing to do, and the check it asks for, nil if none.
func (s *state) do(skipped []int) (Do, *look) {
	b := s.sought()
	top, most := s.top()
	if q := s.open(); q != nil && s.b.p[0] >= most {
		return Do{Act: DoNothing,
			Why: fmt.Sprintf("nothing to do but drive it: the %s on %s is not proven yet; %s", q.Name(), s.day(q.At),
				q.ToProve())}, nil
	}
	if s.quiet(most) {
		return Do{Act: DoNothing, Why: s.quietWhy()}, nil
	}
	if top == s.n.cause("overload") && most >= adviseAt || s.driving() {
		return Do{Act: DoAdvise, Cause: s.name(s.n.cause("overload")), Why: s.adviseWhy()}, nil
	}
	l := s.choose(skipped)
	if l != nil {
		c := &s.n.checks[l.check]
		why := fmt.Sprintf("takes %.0f min, should save %.0f", c.minutes, l.saves)
		if l.gain() < 1 {
			cause, p := s.b.lookedFor(l.check)
			why = fmt.Sprintf("takes %.0f min, and may show %s (%.2f)", c.minutes, s.n.causes[cause].name, p)
		}
		if s.mustLook(l.check) {
			why = fmt.Sprintf("takes %.0f min; a head gasket is suspected: do nothing with the engine running until "+
				"this has passed",
				c.minutes)
		}
		return Do{Act: DoCheck, Check: &c.name, Minutes: &c.minutes, Why: why}, l
	}
	cause, _ := b.turn()
	return s.goAt(cause), nil
}

// goAt is to mend a cause.
func (s *state) goAt(cause int) Do {
	k := &s.n.causes[cause]
	most := s.b.marginals()[cause]
	why := fmt.Sprintf("no check left is worth its time. The quickest way on: fix %s (%.2f)", k.name, most)
	if most >= standsOut {
		why = fmt.Sprintf("%s stands out (%.2f): %s", k.name, most, k.means)
	}
	return Do{Act: DoMend, Cause: &k.name, Minutes: &k.prove, Why: why}
}

// whileParked is what to do with a machine in this state. A parked one is not driven,
// to prove a remedy or to wait for the lamp: where there would be nothing to do but
// that, what lifts the first of its rules is to be done.
func (s *state) whileParked(d Do, is stand.State) Do {
	if is.State != stand.Parked {
		return d
	}
	driven := []int{s.n.check("fan-at-lamp")}
	gasket := s.n.cause("head-gasket")
	suspected, seen := false, false
	for _, r := range is.Reasons {
		seen = seen || r.Rule == "gas-found" || r.Rule == "milky-oil"
		suspected = suspected || seen || r.Rule == "gasket-likely"
	}
	if suspected { // nothing smaller is gone at before the gasket was looked at
		if d, _ = s.do(driven); d.Act == DoCheck || d.Act == DoMend && *d.Cause == s.n.causes[gasket].name {
			return d
		}
		for _, l := range s.looks(driven) {
			c := &s.n.checks[l.check]
			tells := c.shows(gasket) && s.shown(gasket) < 1 || s.mustLook(l.check) ||
				l.gain() > 1 && s.b.marginals()[gasket] < standsOut // no head comes off by guess
			if tells && !s.lookedToday(c.name) {
				return Do{Act: DoCheck, Check: &c.name, Minutes: &c.minutes, Why: "a head gasket is suspected"}
			}
		}
		if seen || s.shown(gasket) > 0 {
			return s.goAt(gasket)
		}
	}
	if d, _ = s.do(driven); d.Act == DoCheck || d.Act == DoMend {
		return d
	}
	reason := &is.Reasons[0]
	if k := s.found(); k >= 0 {
		return s.goAt(k)
	}
	k := s.n.check("level")
	if reason.Rule == "often" || s.lookedToday("level") { // what has found nothing yet
		l := s.choose(driven)
		if l == nil {
			cause, _ := s.sought().turn()
			return s.goAt(cause)
		}
		k = l.check
	}
	c := &s.n.checks[k]
	return Do{Act: DoCheck, Check: &c.name, Minutes: &c.minutes, Why: "it is parked: " + reason.Text}
}

// found is the likeliest of the causes that a check of their own has shown; -1 if none.
func (s *state) found() int {
	best := -1
	m := s.b.marginals()
	for k := range m {
		if m[k] > 0.1 && s.shown(k) > 0 && !s.vain(k) && (best < 0 || m[k] > m[best]) {
			best = k
		}
	}
	return best
}

// lookedToday: a check that was made less than half a day ago tells nothing new.
func (s *state) lookedToday(name string) bool {
	k := s.n.check(name)
	return slices.ContainsFunc(s.e.done, func(d done) bool {
		return d.check == k && !d.unsure && s.asOf.Sub(d.at) < 12*time.Hour
	})
}

// shows is the chance to fail from which a check is a cause's own, where it shows
// no other better.
const shows = 0.55

func (k *check) shows(cause int) bool {
	return k.fails[cause] >= shows && k.fails[cause] >= slices.Max(k.fails)
}

// shown is what a cause's own checks say of it now, by the one that shows it best: 1
// where it failed, -1 where it passed or where the cause was mended since and the
// machine overheated again; 0 where none was made.
func (s *state) shown(cause int) int {
	var since time.Time
	says, best := 0, 0.0
	for i := range s.remedies {
		if r := &s.remedies[i]; r.Cause == s.n.causes[cause].name && r.Since.Events > 0 && r.Says != belief.Held {
			since, says = r.At, -1
		}
	}
	for _, d := range s.e.done {
		k := &s.n.checks[d.check]
		if d.unsure || d.failed && d.stale != "" || !k.shows(cause) || !d.at.After(since) || k.fails[cause] <= best {
			continue
		}
		best, says = k.fails[cause], -1
		if d.failed {
			says = 1
		}
	}
	return says
}

// again are the checks that passed and would be made a second time though nothing
// was done to what they look at: what was never looked at comes first.
func (s *state) again() []int {
	var out []int
	for _, d := range s.e.done {
		if d.stale != "" && !d.failed && !d.unsure && !s.lifts(d.check) && !s.n.changed(s.log, d.check, &d.base, nil) {
			out = append(out, d.check)
		}
	}
	return out
}

// freshEye is the part of second looks that are no mere repeat, as the same eye may see
// the same (a choice of this program).
const freshEye = 0.7

// sought is the view of the causes that a check or a mend can find: that there
// is one, not the driving, nor one mended in vain of which nothing new is known.
func (s *state) sought() *view {
	out := s.b.like()
	load := s.n.cause("overload")
	for i, x := range s.b.sets {
		if i == 0 || x.has(load) || x.a >= 0 && s.vain(x.a) || s.vain(x.b) {
			continue
		}
		out.p[i] = s.b.p[i]
	}
	out.normalise()
	return out
}

func (s *state) name(cause int) *string {
	name := s.n.causes[cause].name
	return &name
}

// top is the likeliest cause of those not mended in vain already, where nothing
// new has spoken for it since.
func (s *state) top() (cause int, p float64) {
	m := s.b.marginals()
	cause = -1
	for k, x := range m {
		if !s.vain(k) && (cause < 0 || x > m[cause]) {
			cause = k
		}
	}
	if cause < 0 {
		return 0, m[0]
	}
	return cause, m[cause]
}

// vain: the last remedy for it did not hold, and no check has failed for it since.
func (s *state) vain(cause int) bool {
	name := s.n.causes[cause].name
	for i := len(s.remedies) - 1; i >= 0; i-- {
		r := &s.remedies[i]
		if r.Cause != name {
			continue
		}
		if r.Says != belief.CameBack {
			return false
		}
		return !slices.ContainsFunc(s.e.done, func(d done) bool {
			return d.failed && d.at.After(r.At) && s.n.checks[d.check].fails[cause] >= 0.3
		})
	}
	return false
}

// open is a remedy that is neither proven nor undone, with no overheat since.
func (s *state) open() *belief.Remedy {
	for i := len(s.remedies) - 1; i >= 0; i-- {
		if r := &s.remedies[i]; r.Says == belief.NotYet && !s.q.Last.After(r.At) && r.Since.Events == 0 {
			return r
		}
	}
	return nil
}

// quiet: nothing is the matter now rather than any one fault, and that not for want of a
// cause found. What was done last held, and it overheated no more; or it is likelier than
// not, and the machine has been driven long enough since to show, or what happened is what
// a sound machine does.
func (s *state) quiet(most float64) bool {
	if s.b.p[0] <= most || s.driving() || s.failedLately() {
		return false
	}
	if s.provenSince() != nil {
		return true
	}
	n := float64(s.q.Overheats)
	return s.b.p[0] >= 0.5 && (n <= math.Max(1, 2*s.q.Split.SoundOwnDriving) ||
		n*s.q.Since >= shown*(s.q.Hours-s.q.Since))
}

// shown is how many overheats are to have been missed for a machine to be
// quiet: at 2.3 the chance of none is a tenth.
const shown = 2.3

func (s *state) failedLately() bool {
	return slices.ContainsFunc(s.e.done, func(d done) bool { return d.failed && d.stale == "" })
}

func (s *state) quietWhy() string {
	if r := s.provenSince(); r != nil {
		return fmt.Sprintf("nothing to do: the %s on %s held", r.Name(), s.day(r.At))
	}
	why := fmt.Sprintf("nothing to do: no fault is likely now (%.2f)", s.b.p[0])
	x := &s.q.Split
	if x.Overheats > 0 {
		why += fmt.Sprintf("; %s in %.0f h, where a sound machine driven as this one was has %.1f",
			say.Count(x.Overheats, "overheat"), s.q.Hours, x.SoundOwnDriving)
	}
	return why
}

// provenSince is the last remedy that held, with no overheat since; nil for none.
func (s *state) provenSince() *belief.Remedy {
	for i := len(s.remedies) - 1; i >= 0; i-- {
		if r := &s.remedies[i]; r.Says == belief.Held && !s.q.Last.After(r.At) {
			return r
		}
	}
	return nil
}

// alikeAt is how often the fleet's other machines are to overheat, for each of
// this one's in the same hours, for it to be the driving's doing.
const alikeAt = 0.5

// adviseAt is the probability of overload from which it is the driving.
const adviseAt = 0.5

// driving: no one fault stands out against none, the fleet's other machines
// overheat too, and this one where it is driven harder.
func (s *state) driving() bool {
	x := &s.q.Split
	if s.provenSince() != nil { // it ended what the driving would have gone on with
		return false
	}
	if s.failedLately() || x.Overheats < 2 || s.q.Elsewhere < alikeAt ||
		x.SoundOwnDriving < 1.05*x.SoundUsualDriving && s.q.Habit() == "" {
		return false
	}
	load := s.n.cause("overload")
	most := 0.0
	for k, p := range s.b.marginals() {
		if k != load {
			most = math.Max(most, p)
		}
	}
	none := s.b.p[0] + s.b.marginals()[load]
	return none >= 0.45 && most < none/1.5
}

func (s *state) adviseWhy() string {
	x := &s.q.Split
	why := fmt.Sprintf("it is the driving: %s; a sound machine driven as this one was: %.1f; with the usual driving: "+
		"%.1f",
		say.Count(x.Overheats, "overheat"), x.SoundOwnDriving, x.SoundUsualDriving)
	var who []string
	for _, d := range x.Drivers {
		if d.Overheats > 0 && 2*d.Overheats >= x.Overheats {
			who = append(who, d.Driver)
		}
	}
	if len(who) > 0 {
		why += "; most came with " + say.List(who, "and")
	}
	if h := s.q.Habit(); h != "" {
		why += ", " + h
	}
	return why +
		". Let it be driven a gear lower and slower where much heat is made, and idle it cool before it is shut down"
}
