package report

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"time"

	"shedbook/report/exposure"
	"shedbook/report/say"
	"shedbook/schema"
	"shedbook/schema/unit"
)

// Doubt is a contradiction in the log.
type Doubt struct {
	Machine string    `json:"machine"`
	At      time.Time `json:"at"`
	Doubt   string    `json:"doubt"` // one of the words below
	Records []Ref     `json:"records"`
	Says    string    `json:"says"`
}

// Ref names a record of the book.
type Ref struct {
	Kind   string `json:"kind"`
	Number int64  `json:"number"`
	Ref    string `json:"ref,omitempty"`
}

// The kinds of doubt.
const (
	Overlap         = "overlap"          // two runs at once on one machine
	MeterBackwards  = "meter-backwards"  // a reading below an earlier one
	MeterJump       = "meter-jump"       // more hours than have passed
	HoursAgainst    = "hours-meter"      // a run's hours and its meter readings disagree
	NoRun           = "no-run"           // an overheat outside any recorded run
	LongRun         = "long-run"         // a run of more than 24 h
	NotInFleet      = "not-in-fleet"     // before the machine was acquired, or after it was retired
	TooMuchCoolant  = "too-much-coolant" // more was added than the system holds
	HotLook         = "hot-look"         // a level read on a hot engine
	UnrecordedHours = "unrecorded-hours" // the meter gained more than the runs
	DatedAhead      = "dated-ahead"      // dated more than a day after it was entered
	ManyRefills     = "many-refills"     // the system refilled again and again within a short time
	HugeRun         = "huge-run"         // a run of hundreds of hours; only asked about while typing
	EndsAhead       = "ends-ahead"       // a run that is not over yet; only asked about while typing
	OutTwice        = "out-twice"        // went out again before it came back
	NotBack         = "not-back"         // out for many days
	OtherDriver     = "other-driver"     // a run by another driver than the one it is out with
	LongAgo         = "long-ago"         // dated long before it was entered; only asked about while typing
)

// Limits of what is likely. A record beyond them is doubted, and asked about
// while it is typed. Common practice, no source.
const (
	longRunHours  = 24.0                 // of one run
	hugeRunHours  = 250.0                // of one run: more than a week of days and nights
	endSlack      = time.Hour            // a run may end this long after it is typed
	overlapSlack  = 5 * time.Minute      // times are noted to within some minutes
	overfill      = 1.1                  // of the system: a reservoir may take a tenth more
	refillsWithin = time.Hour            // the time in which a system is not refilled so often
	refillsMany   = 3                    // times
	meterDay      = 24.0                 // h that a meter may gain beyond the time passed: many logs have only dates
	longAgo       = 366 * 24 * time.Hour // between a record's time and its typing
	longOut       = 14 * 24 * time.Hour  // a machine may be out
	aheadSlack    = 24 * time.Hour       // by which a record may be dated after its entry
)

// DoubtsReport is `shedbook doubts`.
type DoubtsReport struct {
	AsOf     time.Time `json:"as_of"`
	Doubts   []Doubt   `json:"doubts"`
	Warnings []string  `json:"warnings,omitempty"`
}

// hoursSlack is how far a run's hours may differ from its meter readings: the
// contract's figure, plus a trifle for decimal fractions.
const hoursSlack = 0.2 + 1e-6

// Doubts returns the contradictions in the log, by machine and then by time.
func Doubts(s Source) DoubtsReport {
	r := DoubtsReport{AsOf: s.AsOf, Doubts: []Doubt{}}
	for l := range s.Lives {
		d := doubter{s: &s, l: l}
		d.all()
		r.Doubts = append(r.Doubts, d.found...)
	}
	return r
}

// doubter collects the doubts of one machine.
type doubter struct {
	s     *Source
	l     *exposure.Life
	found []Doubt
}

// all collects all doubts of the machine, in time order.
func (d *doubter) all() {
	d.runs()
	d.meters()
	d.overheats()
	d.coolant()
	d.outings()
	d.dates()
	d.later()
	sort.SliceStable(d.found, func(a, b int) bool { return d.found[a].At.Before(d.found[b].At) })
}

func (d *doubter) add(at time.Time, doubt string, records []Ref, format string, args ...any) {
	d.found = append(d.found, Doubt{d.l.Log.Machine.Name, at.In(d.s.AsOf.Location()), doubt, records,
		fmt.Sprintf(format, args...)})
}

func refOf(kind string, b *schema.Base) Ref { return Ref{kind, b.Number, b.Ref} }

func (d *doubter) named(r *schema.Run) string {
	h, _ := r.Duration()
	return fmt.Sprintf("%s (%s, %s h)", record("run", r.Number), d.s.moment(r.At), say.Figure(h))
}

func (d *doubter) runs() {
	runs := d.l.Log.Runs
	widest := -1 // of the runs so far, the one that ends last
	for i := range runs {
		r := &runs[i]
		h, _ := r.Duration()
		if widest >= 0 {
			if w := &runs[widest]; w.End().Sub(r.At) > overlapSlack && h > 0 {
				d.add(r.At, Overlap, []Ref{refOf("run", &w.Base), refOf("run", &r.Base)},
					"%s begins before %s ends", d.named(r), d.named(w))
			}
		}
		if widest < 0 || r.End().After(runs[widest].End()) {
			widest = i
		}
		if h > longRunHours+1e-9 {
			d.add(r.At, LongRun, []Ref{refOf("run", &r.Base)}, "%s lasts longer than a day", d.named(r))
		}
		if r.Hours.Known && r.MeterIn.Known && r.MeterOut.Known {
			by := r.MeterIn.V - r.MeterOut.V
			if math.Abs(by-r.Hours.V) > hoursSlack {
				d.add(r.At, HoursAgainst, []Ref{refOf("run", &r.Base)},
					"%s says %s h, but its meter went from %s to %s: %s h", record("run", r.Number),
					say.Figure(r.Hours.V),
					unit.Short(r.MeterOut.V, 1), unit.Short(r.MeterIn.V, 1), say.Figure(by))
			}
		}
	}
}

// meters finds readings that run backwards or jump, and hours on the meter that are in no run.
func (d *doubter) meters() {
	readings := exposure.Readings(d.l.Log)
	refused := map[exposure.Reading]bool{}
	for _, r := range d.l.Clock.Refused {
		refused[r] = true
	}
	where := func(r *exposure.Reading) string {
		return fmt.Sprintf("%s (%s) reads %s h", record(r.Kind, r.Number), d.s.moment(r.At), unit.Short(r.Meter, 1))
	}
	last := -1 // the last accepted reading
	for i := range readings {
		r := &readings[i]
		if !refused[*r] {
			last = i
			continue
		}
		// Compare with the accepted reading before it, or else with the first after
		// it.
		other := last
		for j := i + 1; other < 0 && j < len(readings); j++ {
			if !refused[readings[j]] {
				other = j
			}
		}
		if other < 0 {
			continue
		}
		o := &readings[other]
		doubt, why := MeterJump, "more hours than have passed"
		if (r.Engine < o.Engine) == (i > other) {
			doubt, why = MeterBackwards, "a meter does not run backwards; if it was replaced, record the new meter"
		}
		d.add(r.At, doubt, []Ref{{r.Kind, r.Number, ""}, {o.Kind, o.Number, ""}}, "%s, but %s: %s", where(r), where(o),
			why)
	}
	if h := d.l.Unrecorded(); h > max(1, 0.05*d.l.Hours) {
		at, _, _ := d.l.Clock.Last()
		d.add(at, UnrecordedHours, []Ref{}, "%s h on the meter are in no recorded run: runs are missing", say.Figure(h))
	}
}

func (d *doubter) overheats() {
	for i := range d.l.Overheats {
		e := &d.l.Overheats[i]
		if e.How == exposure.Unplaced {
			d.add(e.At, NoRun, []Ref{refOf("overheat", &e.Base)}, "%s (%s) lies outside any recorded run",
				record("overheat", e.Number), d.s.moment(e.At))
		}
	}
}

func (d *doubter) coolant() {
	log := d.l.Log
	full := log.Machine.CoolantL.V * 1000
	if log.Machine.CoolantL.Known {
		for i := range log.Refills {
			if r := &log.Refills[i]; r.Volume.V > full*overfill {
				d.add(r.At, TooMuchCoolant, []Ref{refOf("refill", &r.Base)}, "%s (%s) put %s into a system of %s",
					record("refill", r.Number), d.s.moment(r.At), d.s.ml(r.Volume.V), d.s.ml(full))
			}
		}
		for i := range log.TopUps {
			if t := &log.TopUps[i]; t.Volume.V > full {
				d.add(t.At, TooMuchCoolant, []Ref{refOf("topup", &t.Base)}, "%s (%s) put %s into a system of %s",
					record("topup", t.Number), d.s.moment(t.At), d.s.ml(t.Volume.V), d.s.ml(full))
			}
		}
	}
	for i := refillsMany - 1; i < len(log.Refills); i++ {
		if first, last := &log.Refills[i-refillsMany+1], &log.Refills[i]; last.At.Sub(first.At) <= refillsWithin {
			d.add(last.At, ManyRefills, []Ref{refOf("refill", &first.Base), refOf("refill", &last.Base)},
				"%s (%s) is the third refill within an hour", record("refill", last.Number), d.s.moment(last.At))
		}
	}
	for _, g := range d.l.LevelPoints() {
		if g.HotGain != nil {
			v := g.HotGain
			d.add(v.At, HotLook, []Ref{refOf("level", &v.Base)},
				"%s (%s) shows %s too much, but the engine was hot and "+
					"coolant expands: it does not count as a gain",
				record("level", v.Number), d.s.moment(v.At), d.s.ml(g.Below-v.BelowMark.V))
		}
	}
}

// outings finds machines that went out twice without coming back, or never came
// back, and runs by somebody else meanwhile.
func (d *doubter) outings() {
	out := func(o *schema.Outing) string {
		return fmt.Sprintf("%s (%s, %s)", record("outing", o.Number), d.s.moment(o.At), o.Driver)
	}
	all := d.l.Log.Outings
	for i := range all {
		o := &all[i]
		for j := range i {
			if p := &all[j]; p.Back.IsZero() || p.Back.Sub(o.At) > overlapSlack {
				d.add(o.At, OutTwice, []Ref{refOf("outing", &p.Base), refOf("outing", &o.Base)},
					"%s begins while %s is still out", out(o), out(p))
				break
			}
		}
		if gone := d.s.AsOf.Sub(o.At); o.Back.IsZero() && gone > longOut {
			d.add(o.At, NotBack, []Ref{refOf("outing", &o.Base)}, "%s is not back after %d days", out(o),
				int(gone.Hours()/24))
		}
		runs := d.l.Log.Runs
		from, _ := slices.BinarySearchFunc(runs, o.At, func(r schema.Run, t time.Time) int { return r.At.Compare(t) })
		for j := from; j < len(runs) && (o.Back.IsZero() || o.Back.Sub(runs[j].At) > overlapSlack); j++ {
			if r := &runs[j]; r.Driver != "" && r.Driver != o.Driver {
				d.add(r.At, OtherDriver, []Ref{refOf("run", &r.Base), refOf("outing", &o.Base)},
					"%s is by %s, but %s has the machine", d.named(r), r.Driver, out(o))
			}
		}
	}
}

// dates finds records from before the machine came and after it left, and
// records dated more than a day after they were entered.
func (d *doubter) dates() {
	m := &d.l.Log.Machine
	gone := m.Retired
	if !gone.IsZero() {
		gone = gone.Add(24 * time.Hour) // the day itself counts
	}
	each(d.l.Log, func(kind string, b *schema.Base) {
		switch {
		case !m.Acquired.IsZero() && b.At.Before(m.Acquired):
			d.add(b.At, NotInFleet, []Ref{refOf(kind, b)}, "%s (%s) is before %s came into the fleet, %s",
				record(kind, b.Number),
				d.s.moment(b.At), m.Name, d.s.moment(m.Acquired))
		case !gone.IsZero() && !b.At.Before(gone):
			d.add(b.At, NotInFleet, []Ref{refOf(kind, b)}, "%s (%s) is after %s left the fleet, %s",
				record(kind, b.Number),
				d.s.moment(b.At), m.Name, d.s.moment(m.Retired))
		case !b.Entered.IsZero() && b.At.After(b.Entered.Add(aheadSlack)):
			d.add(b.At, DatedAhead, []Ref{refOf(kind, b)}, "%s is dated %s, after it was entered, %s",
				record(kind, b.Number),
				d.s.moment(b.At), d.s.moment(b.Entered))
		}
	})
}

// later finds, among records dated after AsOf, those that were dated ahead when
// they were entered. Those entered after AsOf do not count; those entered later
// than now came from a wrong clock.
func (d *doubter) later() {
	if d.l.Whole == nil {
		return
	}
	for r := range d.l.Whole.Records() {
		k := schema.KindOf(r)
		m, at := k.Meta(r), k.When(r)
		if m.Entered.IsZero() || !at.After(d.s.AsOf) {
			continue
		}
		refs := []Ref{{k.Name, m.Number, k.Text(r, "ref")}}
		switch {
		case !d.s.Now.IsZero() && m.Entered.After(d.s.Now):
			d.add(at, DatedAhead, refs,
				"%s is dated %s, and entered by a clock that said %s: it does not count before then",
				record(k.Name, m.Number), d.s.moment(at), d.s.moment(m.Entered))
		case !m.Entered.After(d.s.AsOf) && at.After(m.Entered.Add(aheadSlack)):
			d.add(at, DatedAhead, refs, "%s is dated %s, after it was entered, %s: it does not count before then",
				record(k.Name, m.Number), d.s.moment(at), d.s.moment(m.Entered))
		}
	}
}

// each calls do for all dated records of a log, kind by kind, each in time
// order.
func each(log *schema.Log, do func(kind string, b *schema.Base)) {
	for r := range log.Records() {
		if b := schema.BaseOf(r); b != nil {
			do(schema.KindOf(r).Name, b)
		}
	}
}

// slips are the doubts that a typing error causes; the user is asked about them
// before the record is stored.
var slips = []string{Overlap, MeterBackwards, MeterJump, HoursAgainst, HugeRun, EndsAhead, TooMuchCoolant, ManyRefills,
	OutTwice, OtherDriver, LongAgo}

// Slips returns what is unlikely about a record that is about to be entered,
// one sentence each: the doubts that the log would have with it. log is the
// machine's log without the record; entered is the present time.
func Slips(f schema.Fleet, log schema.Log, r schema.Record, entered time.Time) []string {
	const number = math.MaxInt64
	base := schema.BaseOf(r)
	if base == nil {
		return nil
	}
	was := base.Meta
	base.Number, base.Entered = number, entered
	with := log.Copy()
	with.Add(r)
	base.Meta = was
	f.Logs = []schema.Log{*with}
	s := Of(f, with.End())
	var out []string
	for l := range s.Lives {
		d := doubter{s: &s, l: l}
		if run, ok := r.(*schema.Run); ok {
			if h, _ := run.Duration(); h >= hugeRunHours {
				d.add(base.At, HugeRun, []Ref{{Number: number}}, "this run lasts %s h: %s days without a pause",
					say.Figure(h),
					say.Figure(h/24))
			}
			if run.End().Sub(entered) > endSlack {
				d.add(base.At, EndsAhead, []Ref{{Number: number}}, "this run would end on %s, which is in the future",
					s.moment(run.End()))
			}
		}
		if entered.Sub(base.At) > longAgo {
			d.add(base.At, LongAgo, []Ref{{Number: number}}, "its date, %s, is %s years ago", s.moment(base.At),
				say.Roughly(entered.Sub(base.At).Hours()/24/365.25))
		}
		d.jump(number)
		d.all() // what is wrong with the record itself comes first
		for _, doubt := range d.found {
			if slices.Contains(slips, doubt.Doubt) && slices.ContainsFunc(doubt.Records,
				func(r Ref) bool { return r.Number == number }) {
				out = append(out, strings.ReplaceAll(doubt.Says, record(schema.KindOf(r).Name, number),
					"this "+schema.KindOf(r).Name))
			}
		}
	}
	return out
}

// jump doubts the meter reading of a new record that gained more since the one
// before than hours have passed. In a log of few readings the clock can't tell
// which one is wrong; the new one can still be checked.
func (d *doubter) jump(number int64) {
	readings := exposure.Readings(d.l.Log)
	for i := 1; i < len(readings); i++ {
		a, b := &readings[i-1], &readings[i]
		passed := b.At.Sub(a.At).Hours()
		if a.Number != number && b.Number == number && b.Engine-a.Engine > passed+meterDay {
			d.add(b.At, MeterJump, []Ref{{b.Kind, b.Number, ""}},
				"its meter reads %s h, %s h more than on %s: more hours "+
					"than have passed", unit.Short(b.Meter, 1), say.Figure(b.Engine-a.Engine), d.s.moment(a.At))
		}
	}
}
