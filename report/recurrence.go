package report

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"shedbook/report/exposure"
	"shedbook/report/say"
	"shedbook/report/stat"
	"shedbook/schema/unit"
)

// RecurrenceReport is the result of `shedbook recurrence`: how often something
// comes back as machines age. Hours are engine hours from a machine's first
// reading to its last; every machine is at risk until its last reading.
type RecurrenceReport struct {
	AsOf     time.Time         `json:"as_of"`
	Of       string            `json:"of"`
	Machines int               `json:"machines"`
	Events   int               `json:"events"`
	Curve    []RecurrencePoint `json:"curve"`
	Trend    []MachineTrend    `json:"trend"`
	Why      *string           `json:"why"` // why there is no curve
	Words    []string          `json:"words"`
	Warnings []string          `json:"warnings,omitempty"`
}

// RecurrencePoint is the mean number of events per machine by some hours.
type RecurrencePoint struct {
	Hours  float64 `json:"hours"`
	AtRisk int     `json:"at_risk"`
	MCF    float64 `json:"mcf"`
	Low    float64 `json:"low"`
	High   float64 `json:"high"`
}

// MachineTrend tells whether one machine gets worse.
type MachineTrend struct {
	Machine  string         `json:"machine"`
	Events   int            `json:"events"`
	Hours    float64        `json:"hours"`
	Says     string         `json:"says"` // worse, better or cannot say
	Laplace  *float64       `json:"laplace"`
	P        *float64       `json:"p"`
	Shape    *stat.Estimate `json:"power_law_shape"`
	Why      *string        `json:"why"`
	Warnings []string       `json:"warnings,omitempty"`
}

// Recurrence reports how often work comes back in the fleet, or overheats if
// work is "". Words of work are compared ignoring case.
func Recurrence(s Source, work string) RecurrenceReport {
	r := RecurrenceReport{AsOf: s.AsOf, Of: work, Curve: []RecurrencePoint{}, Trend: []MachineTrend{},
		Words: []string{}}
	if work == "" {
		r.Of = "overheats"
	}
	var units []stat.History
	var names, other []string
	none := 0
	for l := range s.Lives {
		h, ok := historyOf(l, work)
		for i := range l.Log.Services {
			if w := l.Log.Services[i].Work; work != "" && foldWork(w) != foldWork(work) && !slices.Contains(other, w) &&
				len(other) < 1000 {
				other = append(other, w)
			}
		}
		if !ok {
			none++
			continue
		}
		r.Events += len(h.Events)
		units, names = append(units, h), append(names, l.Log.Machine.Name)
	}
	r.Machines = len(units)
	if none > 0 {
		say.Once(&r.Warnings, "%s left out: no meter reading and no run is recorded", say.Count(none, "machine"))
	}
	for i, u := range units {
		r.Trend = append(r.Trend, trendOf(names[i], u))
	}
	steps, why, warnings := stat.MeanCumulative(units, stat.Level95)
	for _, w := range warnings {
		say.Once(&r.Warnings, "%s", w)
	}
	for _, p := range steps {
		r.Curve = append(r.Curve, RecurrencePoint{p.Time, p.AtRisk, p.MCF, p.Low, p.High})
	}
	if why != "" {
		r.Why = &why
	}
	if r.Events == 0 && work != "" {
		slices.Sort(other)
		var near []string
		for _, w := range other {
			if strings.Contains(foldWork(w), foldWork(work)) || strings.Contains(foldWork(work), foldWork(w)) {
				near = append(near, w)
			}
		}
		if len(near) > 0 {
			say.Once(&r.Warnings, "no service is called %q; the services are %s", work,
				strings.Join(near[:min(len(near), 10)], ", "))
		}
	}
	r.words()
	return r
}

// historyOf returns a machine's hours from its first reading to its last, and
// the events in them. An event's own meter reading is preferred to its time.
func historyOf(l *exposure.Life, work string) (stat.History, bool) {
	_, first, ok := l.Clock.First()
	if !ok {
		return stat.History{}, false
	}
	_, last, _ := l.Clock.Last()
	h := stat.History{End: tick(max(last-first, 0))}
	add := func(engine float64) { h.Events = append(h.Events, min(tick(max(engine-first, 0)), h.End)) }
	if work == "" {
		for i := range l.Log.Overheats {
			add(l.Clock.Of(&l.Log.Overheats[i].Head))
		}
	} else {
		for i := range l.Log.Services {
			if v := &l.Log.Services[i]; foldWork(v.Work) == foldWork(work) {
				add(l.Clock.Of(&v.Head))
			}
		}
	}
	slices.Sort(h.Events)
	return h, true
}

// tick rounds hours to a third of a second, so that ties between machines are
// seen as ties.
func tick(h float64) float64 { return math.Round(h*1e4) / 1e4 }

func trendOf(name string, u stat.History) MachineTrend {
	t := stat.TrendOf(u, stat.Level95)
	m := MachineTrend{Machine: name, Events: len(u.Events), Hours: u.End, Says: stat.CannotSay, Warnings: t.Warnings}
	if t.Why != "" {
		m.Why = say.Why(t.Why)
		return m
	}
	m.Says, m.Laplace, m.P = t.Says, &t.Laplace, &t.LaplaceP
	if est, why := take(t.Shape, &m.Warnings); est != nil {
		m.Shape = est
	} else {
		m.Why = say.Why(why)
	}
	if m.Says == stat.CannotSay && m.Why == nil {
		m.Why = say.Why("no change beyond chance")
	}
	return m
}

func (r *RecurrenceReport) words() {
	tell := func(format string, args ...any) { r.Words = append(r.Words, fmt.Sprintf(format, args...)) }
	if len(r.Curve) == 0 {
		if r.Of == "overheats" {
			tell("no overheat is recorded")
		} else {
			tell("no service is called %q", r.Of)
		}
		return
	}
	p := r.Curve[len(r.Curve)-1]
	what := say.Count(r.Events, "overheat")
	if r.Of != "overheats" {
		what = fmt.Sprintf("%s %s", r.Of, say.Count(r.Events, "time"))
	}
	figure := func(v float64) string { return unit.Short(say.Rounded(v, 2), 2) }
	tell("%s on %s; by %s h a machine has had %s (%s to %s) on average", what, say.Count(r.Machines, "machine"),
		say.Figure(p.Hours), figure(p.MCF), figure(p.Low), figure(p.High))
	for _, says := range []string{stat.Worse, stat.Better} {
		var names []string
		for _, t := range r.Trend {
			if t.Says == says {
				names = append(names, t.Machine)
			}
		}
		if len(names) > 0 {
			often := map[string]string{stat.Worse: "more and more often", stat.Better: "less and less often"}[says]
			tell("%s: %s", often, say.List(names, "and"))
		}
	}
	if n := len(r.Trend); n > 1 {
		tell("by chance alone, about one machine in twenty shows a trend")
	}
}
