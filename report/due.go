package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"shedbook/report/exposure"
	"shedbook/report/say"
	"shedbook/report/state"
	"shedbook/schema"
	"shedbook/schema/unit"
)

// DueReport is `shedbook due`.
type DueReport struct {
	AsOf     time.Time       `json:"as_of"`
	Machines []state.Machine `json:"machines"` // that are not ready, worst first; filled in by the caller
	Due      []Due           `json:"due"`
	Warnings []string        `json:"warnings,omitempty"`
}

// Due is one piece of recurring work on one machine. Of its intervals the one
// that runs out first counts.
type Due struct {
	Machine string `json:"machine"`
	Work    string `json:"work"`
	// Plan is the number of the plan; 0 for the cleaning at the estimated
	// interval.
	Plan    int64      `json:"plan"`
	Last    *time.Time `json:"last"`    // when it was last done; null = never, counted from the start of the log
	Overdue bool       `json:"overdue"` // an interval has passed
	// Advice means that the interval is an estimate that the log does not confirm
	// (see CleaningReport): the work is never overdue.
	Advice bool    `json:"advice"`
	By     string  `json:"by"`    // hours, mud hours or days: the interval that runs out first
	Every  float64 `json:"every"` // that interval
	Since  float64 `json:"since"` // how much of it has passed since the work was last done
	Left   float64 `json:"left"`  // what is left of it; below 0 if overdue
	// When it falls due, at the machine's own pace if it goes by hours, with the
	// earliest and latest date at 95 % confidence; null if there is no pace.
	When *time.Time `json:"when"`
	Low  *time.Time `json:"low"`
	High *time.Time `json:"high"`
	Why  *string    `json:"why"` // why When is null
	Says string     `json:"says"`
}

// CleaningWork is the work of a Due for the estimated cleaning interval.
const CleaningWork = "thorough clean"

// DueWork returns the work of all plans, and the cleanings at the estimated
// intervals: overdue work first, by how far, then by date, advice last. A
// machine's own plan replaces its model's plan for the same work. cleaning is
// the result of Cleaning for the same fleet, or nil.
func DueWork(s Source, cleaning *CleaningReport) DueReport {
	r := DueReport{AsOf: s.AsOf, Machines: []state.Machine{}, Due: []Due{}}
	clean := map[string]*CleaningMachine{}
	asked := map[string]bool{} // by what the intervals of the cleanings count in
	if cleaning != nil {
		for i := range cleaning.Machines {
			clean[cleaning.Machines[i].Machine] = &cleaning.Machines[i]
		}
	}
	used := make([]bool, len(s.Fleet.Plans))
	for l := range s.Lives {
		m := &l.Log.Machine
		plans := plansOf(s.Fleet.Plans, m, used)
		if !m.Retired.IsZero() && !m.Retired.After(s.AsOf) {
			continue
		}
		p := paceOf(l, s.AsOf)
		own := false // there is a plan for the work of the estimated interval
		for _, plan := range plans {
			r.Due = append(r.Due, s.due(l, p, plan))
			own = own || foldWork(plan.Work) == CleaningWork
		}
		if c := clean[m.Name]; c != nil && !own {
			if d, ok := s.dueClean(l, p, c, cleaning.Unsure); ok {
				r.Due = append(r.Due, d)
				asked[d.By] = true
			}
		}
	}
	for _, by := range []string{"hours", "mud hours"} {
		if asked[by] && cleaning.Unsure[by] != "" {
			say.Once(&r.Warnings, "%s: %s", CleaningWork, cleaning.Unsure[by])
		}
	}
	for i, u := range used {
		if p := &s.Fleet.Plans[i]; !u {
			say.Once(&r.Warnings, "plan %d (%s) applies to no machine: no machine or model is called %q", p.Number,
				p.Work,
				p.Machine+p.Model)
		}
	}
	slices.SortStableFunc(r.Due, func(a, b Due) int {
		switch {
		case a.Advice != b.Advice:
			if b.Advice {
				return -1
			}
			return 1
		case a.Overdue != b.Overdue:
			if a.Overdue {
				return -1
			}
			return 1
		case a.Overdue:
			if x, y := a.Since/a.Every, b.Since/b.Every; x != y {
				return cmp.Compare(y, x)
			}
		case (a.When == nil) != (b.When == nil):
			if a.When != nil {
				return -1
			}
			return 1
		case a.When != nil && !a.When.Equal(*b.When):
			return a.When.Compare(*b.When)
		}
		return cmp.Or(unit.Natural(a.Machine, b.Machine), strings.Compare(a.Work, b.Work))
	})
	return r
}

// Within returns only what is overdue or falls due by then.
func (r DueReport) Within(until time.Time) DueReport {
	in := []Due{}
	for _, w := range r.Due {
		if w.Overdue || w.When != nil && !w.When.After(until) {
			in = append(in, w)
		}
	}
	r.Due = in
	return r
}

// plansOf returns the plans that hold for a machine: its own, and its model's
// for other work.
func plansOf(plans []schema.Plan, m *schema.Machine, used []bool) []*schema.Plan {
	own := map[string]bool{}
	var out []*schema.Plan
	for i := range plans {
		if p := &plans[i]; p.Machine == m.Name {
			out, own[foldWork(p.Work)], used[i] = append(out, p), true, true
		}
	}
	for i := range plans {
		p := &plans[i]
		if p.Machine != "" || !strings.EqualFold(p.Model, m.Model) {
			continue
		}
		used[i] = true
		if !own[foldWork(p.Work)] {
			out = append(out, p)
		}
	}
	return out
}

// foldWork returns the words of a work without case and extra spaces, for
// comparing.
func foldWork(s string) string { return strings.ToLower(strings.Join(strings.Fields(s), " ")) }

// due works out one plan for one machine.
func (src *Source) due(l *exposure.Life, p pace, plan *schema.Plan) Due {
	var last time.Time
	for i := range l.Log.Services {
		if v := &l.Log.Services[i]; foldWork(v.Work) == foldWork(plan.Work) {
			last = v.At
		}
	}
	d := Due{Machine: l.Log.Machine.Name, Work: plan.Work, Plan: plan.Number, Last: src.local(last)}
	from, ok := last, true
	if last.IsZero() {
		from, _, ok = l.Clock.First()
		if a := l.Log.Machine.Acquired; !a.IsZero() {
			from, ok = a, true
		}
	}
	var first *Due
	try := func(by string, every schema.Num, since float64, r rate) {
		if !every.Known || !ok {
			return
		}
		t := d
		t.By, t.Every, t.Since = by, every.V, since
		src.falls(&t, r)
		if first == nil || t.Overdue && (!first.Overdue || t.Left/t.Every < first.Left/first.Every) ||
			!t.Overdue && !first.Overdue && t.When != nil && (first.When == nil || t.When.Before(*first.When)) {
			first = &t
		}
	}
	if ok {
		try("hours", plan.EveryH, l.Clock.At(src.AsOf)-l.Clock.At(from), p.hours)
		try("mud hours", plan.EveryMudH, l.MudTo(src.AsOf)-l.MudTo(from), p.mud)
		try("days", plan.EveryDays, src.AsOf.Sub(from).Hours()/24, rate{known: true, perDay: 1})
	}
	if first == nil {
		d.Why = say.Why("neither a run nor the day you got it is recorded")
		d.Says = fmt.Sprintf("%s: %s: can't count, %s", d.Machine, d.Work, *d.Why)
		return d
	}
	return *first
}

// dueClean returns the cleaning at the estimated interval: by mud hours if
// there is such an interval, otherwise by hours.
func (src *Source) dueClean(l *exposure.Life, p pace, c *CleaningMachine, unsure map[string]string) (Due, bool) {
	d := Due{Machine: c.Machine, Work: CleaningWork, Last: c.LastThorough}
	switch {
	case c.EveryMudH != nil:
		d.By, d.Every, d.Since = "mud hours", c.EveryMudH.Value, c.MudHoursSinceThorough
		d.Advice = unsure[d.By] != ""
		src.falls(&d, p.mud)
	case c.EveryH != nil:
		d.By, d.Every, d.Since = "hours", c.EveryH.Value, c.HoursSinceThorough
		d.Advice = unsure[d.By] != ""
		src.falls(&d, p.hours)
	default:
		return d, false
	}
	return d, d.Every > 0
}

// falls works out the date.
func (src *Source) falls(d *Due, r rate) {
	d.Since = exposure.Tidy(d.Since)
	d.Left = exposure.Tidy(d.Every - d.Since)
	past := d.Left <= 0
	d.Overdue = past && !d.Advice
	unit := map[string]string{"hours": "h", "mud hours": "mud h", "days": "days"}[d.By]
	done := "no record of it being done"
	if d.Last != nil {
		done = "last done " + src.day(*d.Last)
	}
	if past {
		d.When = src.local(src.AsOf)
		if d.Advice {
			d.Says = fmt.Sprintf("%s: %s advised, not due: %s %s past an interval of about %s, which is not sure; %s",
				d.Machine,
				d.Work, say.Roughly(-d.Left), unit, say.Roughly(d.Every), done)
			return
		}
		d.Says = fmt.Sprintf("%s: %s overdue by %s %s (every %s, %s)", d.Machine, d.Work, say.Figure(-d.Left), unit,
			say.Figure(d.Every), done)
		return
	}
	days, low, high, why := r.until(d.Left)
	if why != "" {
		d.Why = &why
		d.Says = fmt.Sprintf("%s: %s in %s %s (every %s, %s); no date: %s", d.Machine, d.Work, say.Figure(d.Left), unit,
			say.Figure(d.Every), done, why)
		return
	}
	date := func(days float64) *time.Time {
		if math.IsInf(days, 1) || days > 36500 {
			return nil
		}
		return src.local(src.AsOf.Add(time.Duration(math.Round(days*24*3600)) * time.Second))
	}
	d.When, d.Low, d.High = date(days), date(low), date(high)
	if d.When == nil {
		d.Why = say.Why("more than a hundred years away")
	}
	d.Says = fmt.Sprintf("%s: %s in %s %s (every %s, %s)", d.Machine, d.Work, say.Figure(d.Left), unit,
		say.Figure(d.Every), done)
	switch {
	case d.When == nil:
	case d.By == "days":
		d.Says += ": " + src.day(*d.When)
	default:
		latest := "no latest date"
		if d.High != nil {
			latest = src.day(*d.High)
		}
		d.Says += fmt.Sprintf(": about %s (%s to %s)", src.day(*d.When), src.day(*d.Low), latest)
	}
}

// pace is how fast a machine gathers hours and mud hours.
type pace struct{ hours, mud rate }

// rate is hours a day: the mean, and the variance by weeks.
type rate struct {
	known    bool
	perDay   float64
	variance float64 // of the hours of a day: the variance of the weeks over 7
	weeks    int
	why      string
}

// paceWeeks is how many weeks a machine's pace is taken from: a season, since
// hours follow the season (common practice, no source).
const paceWeeks = 13

// paceOf returns the pace over whole weeks before asOf, not from before the
// machine's first record.
func paceOf(l *exposure.Life, asOf time.Time) pace {
	first, _, ok := l.Clock.First()
	weeks := 0
	if ok {
		weeks = min(int(asOf.Sub(first).Hours()/24/7), paceWeeks)
	}
	week := func(hours func(time.Time) float64) rate {
		if weeks < 4 {
			return rate{why: "less than four weeks of records, too few to see how much it is driven"}
		}
		r := rate{known: true, weeks: weeks}
		each := make([]float64, weeks)
		for i := range each {
			end := asOf.AddDate(0, 0, -7*i)
			each[i] = hours(end) - hours(end.AddDate(0, 0, -7))
			r.perDay += each[i] / float64(7*weeks)
		}
		for _, h := range each {
			r.variance += (h - 7*r.perDay) * (h - 7*r.perDay) / float64(7*(weeks-1))
		}
		if r.perDay <= 0 {
			return rate{why: fmt.Sprintf("not driven in the last %d weeks", weeks)}
		}
		return r
	}
	return pace{week(l.Clock.At), week(l.MudTo)}
}

// until returns the days until left more hours are driven, with 95 % limits:
// the first passage of a cumulative process of mean m and variance v a day
// takes left/m days with variance left v/m^3 (Cox 1962, Renewal Theory, s.
// 3.4); the uncertainty of m itself, v/(7 weeks), adds left^2 v/(7 weeks m^4).
// On the log scale, so that the earliest date is never in the past. why is set
// if there is no date.
func (r rate) until(left float64) (days, low, high float64, why string) {
	if !r.known {
		return 0, 0, 0, r.why
	}
	days = left / r.perDay
	if r.variance == 0 {
		return days, days, days, ""
	}
	m := r.perDay
	relative := r.variance / (m * left)
	if r.weeks > 0 {
		relative += r.variance / (m * m * 7 * float64(r.weeks))
	}
	f := math.Exp(1.96 * math.Sqrt(relative))
	return days, days / f, days * f, ""
}
