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

// mendAt is the probability from which a cause is gone at while there are
// checks that could still tell: a mend in vain costs more than its minutes.
// What is quickly mended is gone at sooner. worthAt is what a check must at
// least promise below that, in minutes saved per minute spent.
const mendAt, quickAt, quickMin, worthAt = 0.6, 0.3, 20, 0.8

// do is the first thing to do, and the check it asks for, nil if none.
func (s *state) do(skipped []int) (Do, *look) {
	b := s.sought()
	top, most := s.top()
	if q := s.open(); q != nil && s.b.p[0] >= most {
		return Do{Act: DoNothing,
			Why: fmt.Sprintf("nothing to do but drive it: the %s on %s is not proven yet; %s", q.Name(), s.day(q.At), q.ToProve())}, nil
	}
	if s.quiet(most) {
		return Do{Act: DoNothing, Why: s.quietWhy()}, nil
	}
	if top == s.n.cause("overload") && most >= adviseAt || s.driving() {
		return Do{Act: DoAdvise, Cause: s.name(s.n.cause("overload")), Why: s.adviseWhy()}, nil
	}
	again := s.again()
	l := s.choose(append(again, skipped...))
	if l == nil {
		if top, most = b.likeliest(); most < mendAt || s.shown(top) < 0 {
			top = s.turn(b)
		}
		if l = s.before(top, append(again, skipped...)); l != nil {
			c := &s.n.checks[l.check]
			return Do{Act: DoCheck, Check: &c.name, Minutes: &c.minutes,
				Why: fmt.Sprintf("takes %.0f min; do it before you work on %s (%.2f), which takes %.0f min and may be for nothing", c.minutes,
					s.n.causes[top].name, s.b.marginals()[top], s.n.causes[top].prove)}, l
		}
		if s.shown(top) < 1 {
			l = s.choose(skipped)
		}
	}
	if l != nil {
		c := &s.n.checks[l.check]
		why := fmt.Sprintf("takes %.0f min, should save %.0f", c.minutes, l.saves)
		if s.mustLook(l.check) {
			why = fmt.Sprintf("takes %.0f min; a head gasket is suspected: do nothing with the engine running until this has passed",
				c.minutes)
		}
		return Do{Act: DoCheck, Check: &c.name, Minutes: &c.minutes, Why: why}, l
	}
	return s.goAt(top), nil
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
	if slices.ContainsFunc(is.Reasons, func(r stand.Reason) bool {
		return r.Rule == "gas-found" || r.Rule == "milky-oil" || r.Rule == "gasket-likely"
	}) { // nothing smaller is gone at while coolant may get into the oil or a cylinder
		if d, _ = s.do(driven); d.Act == DoCheck || d.Act == DoMend && *d.Cause == s.n.causes[gasket].name {
			return d
		}
		for _, l := range s.looks(append(s.again(), driven...)) {
			c := &s.n.checks[l.check]
			if s.lookedToday(c.name) {
				continue
			}
			return Do{Act: DoCheck, Check: &c.name, Minutes: &c.minutes, Why: "a head gasket is suspected"}
		}
		return s.goAt(gasket)
	}
	if d, _ = s.do(driven); d.Act == DoCheck || d.Act == DoMend {
		return d
	}
	reason := &is.Reasons[0]
	if k := s.found(); k >= 0 {
		return s.goAt(k)
	}
	name := "level"
	if reason.Rule == "often" {
		name = "light-test"
	}
	if name != "level" || s.lookedToday("level") {
		// what has found nothing yet, in the safe order
		looks := s.looks(append(s.again(), driven...))
		if len(looks) == 0 {
			looks = s.looks(driven)
		}
		if len(looks) > 0 {
			name = s.n.checks[looks[0].check].name
		}
	}
	c := &s.n.checks[s.n.check(name)]
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

// turn is the cause whose turn it is where none stands out: the most probable
// for its minutes, of those worth going at.
func (s *state) turn(b *view) int {
	var chance [maxCauses]float64
	order := b.turns(b.p, &chance)
	m := b.marginals()
	for _, says := range []int{1, 0} { // what a check of its own has shown first, what one has not shown last
		for _, k := range order[:len(s.n.causes)] {
			if m[k] > 0.1 && s.shown(k) == says {
				return k
			}
		}
	}
	for _, k := range order[:len(s.n.causes)] {
		if m[k] > 0.1 {
			return k
		}
	}
	return order[0]
}

// vainCosts is what a mend in vain costs, over its minutes: the parts too (a choice
// of this program).
const vainCosts = 2

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

// before is the check to make before a cause is gone at, nil where none is: its own,
// where that costs less than a mend in vain may; once one mend was in vain, or there
// is nothing to say for this one, whatever is quickly looked at; once two were,
// whatever is looked at sooner than mended, the dear ones too.
func (s *state) before(cause int, skipped []int) *look {
	m := s.sought().marginals()
	k := &s.n.causes[cause]
	inVain := 0
	for i := range s.remedies {
		if r := &s.remedies[i]; r.Since.Events > 0 && r.Says != belief.Held {
			inVain++
		}
	}
	if s.shown(cause) > 0 && m[cause] >= mendAt {
		return nil
	}
	var best *look
	most := 0.0
	ls := s.looks(skipped)
	for i := range ls {
		l := &ls[i]
		c := &s.n.checks[l.check]
		if c.minutes >= k.prove || len(s.missing(c)) > 0 ||
			slices.ContainsFunc(s.e.done, func(d done) bool { return d.check == l.check && d.failed && d.stale == "" }) {
			continue
		}
		finds := 0.0
		for x, p := range m {
			if c.shows(x) {
				finds += p * c.fails[x]
			}
		}
		own := c.shows(cause) && c.minutes < (1-m[cause])*vainCosts*k.prove
		wrong := m[cause] < mendAt && s.shown(cause) < 1 &&
			(inVain > 1 || (inVain > 0 || s.shown(cause) < 0) && c.minutes <= quickLook)
		if (own || wrong) && finds/c.minutes > most {
			best, most = l, finds/c.minutes
		}
	}
	return best
}

// quickLook is the minutes up to which a check is quickly made.
const quickLook = 10

// again are the checks that passed and would be made a second time though nothing
// was done to what they look at: the same eye sees the same, so that what was never
// looked at comes first.
func (s *state) again() []int {
	var out []int
	for _, d := range s.e.done {
		if d.stale != "" && !d.failed && !d.unsure && !s.lifts(d.check) && !s.n.changed(s.log, d.check, &d.base, nil) {
			out = append(out, d.check)
		}
	}
	return out
}

func (b *view) likeliest() (cause int, p float64) {
	for k, x := range b.marginals() {
		if x > p {
			cause, p = k, x
		}
	}
	return cause, p
}

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
	return s.b.p[0] >= 0.5 && (n <= math.Max(1, 2*s.q.Split.SoundOwnDriving) || n*s.q.Since >= shown*(s.q.Hours-s.q.Since))
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
	why := fmt.Sprintf("it is the driving: %s; a sound machine driven as this one was: %.1f; with the usual driving: %.1f",
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
