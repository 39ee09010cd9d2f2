package report

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"shedbook/report/exposure"
	"shedbook/report/say"
	"shedbook/report/stat"
)

// CleaningReport is `shedbook cleaning`.
type CleaningReport struct {
	AsOf     time.Time         `json:"as_of"`
	RiskPct  float64           `json:"overheat_risk_pct"` // the acceptable chance of an overheat before the next clean
	Machines []CleaningMachine `json:"machines"`
	Hours    CleaningPool      `json:"by_hours"`
	MudHours CleaningPool      `json:"by_mud_hours"`
	Warnings []string          `json:"warnings,omitempty"`
	// Unsure holds the reason why an interval may not help, by what it counts in.
	Unsure map[string]string `json:"-"`
}

// CleaningPool is the time from thorough clean to overheat over all machines,
// in engine hours or in mud hours.
type CleaningPool struct {
	Spells    int            `json:"spells"`
	Overheats int            `json:"overheats"` // that ended a spell; the other spells are censored
	Every     *stat.Estimate `json:"clean_every"`
	// Above 1: the risk of an overheat rises with the hours since the clean.
	Shape *stat.Estimate  `json:"weibull_shape"`
	Why   *string         `json:"why"`
	Curve []SurvivalPoint `json:"curve"`
}

// SurvivalPoint is the share of cleans not yet followed by an overheat at that
// time (Kaplan & Meier 1958).
type SurvivalPoint struct {
	Hours    float64 `json:"hours"`
	AtRisk   int     `json:"at_risk"`
	Survival float64 `json:"survival"`
	Low      float64 `json:"low"`
	High     float64 `json:"high"`
}

// CleaningMachine is one machine's radiator. Hours since a clean are recorded
// hours, counted from the first record if there was none.
type CleaningMachine struct {
	Machine                string     `json:"machine"`
	LastAny                *time.Time `json:"last_any"`
	LastThorough           *time.Time `json:"last_thorough"`
	HoursSinceAny          float64    `json:"hours_since_any"`
	HoursSinceThorough     float64    `json:"hours_since_thorough"`
	MudHoursSinceThorough  float64    `json:"mud_hours_since_thorough"`
	OverheatsSinceThorough int        `json:"overheats_since_thorough"`

	EveryH    *stat.Estimate `json:"clean_every_h"`
	EveryMudH *stat.Estimate `json:"clean_every_mud_h"`
	Why       *string        `json:"why"`
	Warnings  []string       `json:"warnings,omitempty"`
	Spells    []Spell        `json:"-"`
}

// Spell is the time from a thorough clean to the first overheat after it, or to
// the next thorough clean, or to the end of the log.
type Spell struct {
	From     time.Time
	Hours    float64 // recorded hours
	Mud      float64 // those of them in mud
	Overheat bool    // the spell ended with one; otherwise it is censored
}

// always is a time after any record.
var always = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)

// Spells returns a machine's spells. Hours before the first thorough clean
// belong to none, since nobody knows how dirty the core was at their start.
func Spells(l *exposure.Life) []Spell {
	var cleans []time.Time
	for i := range l.Log.Cleanings {
		if c := &l.Log.Cleanings[i]; c.Thorough() {
			cleans = append(cleans, c.At)
		}
	}
	var out []Spell
	next := 0
	for i, from := range cleans {
		to := always
		if i+1 < len(cleans) {
			to = cleans[i+1]
		}
		s := Spell{From: from}
		for next < len(l.Overheats) && !l.Overheats[next].At.After(from) {
			next++
		}
		if next < len(l.Overheats) && !l.Overheats[next].At.After(to) {
			to, s.Overheat = l.Overheats[next].At, true
		}
		s.Hours, s.Mud = exposure.Tidy(l.HoursTo(to)-l.HoursTo(from)), exposure.Tidy(l.MudTo(to)-l.MudTo(from))
		if s.Hours > 0 || s.Overheat {
			out = append(out, s)
		}
	}
	return out
}

// Cleaning reports when every core was last cleaned, what was driven and what
// went wrong since, and how often to clean.
func Cleaning(s Source) CleaningReport { return CleaningOf(s, Cleanings(s)) }

// Cleanings returns every machine's part of Cleaning except the intervals,
// which are estimated from all machines together.
func Cleanings(s Source) []CleaningMachine {
	var out []CleaningMachine
	for l := range s.Lives {
		out = append(out, s.cleaning(l))
	}
	return out
}

// CleaningOf is Cleaning for what Cleanings returned.
func CleaningOf(s Source, machines []CleaningMachine) CleaningReport {
	r := CleaningReport{AsOf: s.AsOf, RiskPct: s.Fleet.Settings.Number("overheat-risk-pct", "pct"),
		Machines: append([]CleaningMachine{}, machines...)}
	r.intervals()
	return r
}

func (src *Source) cleaning(l *exposure.Life) CleaningMachine {
	m := CleaningMachine{Machine: l.Log.Machine.Name}
	var any, deep time.Time
	for i := range l.Log.Cleanings {
		c := &l.Log.Cleanings[i]
		any = c.At
		if c.Thorough() {
			deep = c.At
		}
	}
	m.LastAny, m.LastThorough = src.local(any), src.local(deep)
	hours, mud := l.Hours, l.Mud // all recorded hours: a run in progress at AsOf counts as a whole
	m.HoursSinceAny = exposure.Tidy(hours - l.HoursTo(any))
	m.HoursSinceThorough, m.MudHoursSinceThorough = exposure.Tidy(hours-l.HoursTo(deep)),
		exposure.Tidy(mud-l.MudTo(deep))
	for i := range l.Log.Overheats {
		if l.Log.Overheats[i].At.After(deep) {
			m.OverheatsSinceThorough++
		}
	}
	m.Spells = Spells(l)
	return m
}

// soon is the time, in hours, that stands for 0 when an overheat follows a
// clean at once: a Weibull distribution does not allow 0.
const soon = 0.05

// intervals estimates how often to clean, by engine hours and by mud hours, so
// that the chance of an overheat before the next thorough clean stays at the
// acceptable risk: that quantile of the time from clean to overheat (Meeker &
// Escobar 1998). A machine's own spells count as far as they go, the fleet's
// for the rest.
func (r *CleaningReport) intervals() {
	var byHours, byMud stat.WeibullPool
	var wait sync.WaitGroup // the two fits are most of the work for a large fleet
	wait.Go(func() { byHours = r.fit(&r.Hours, func(s *Spell) float64 { return s.Hours }) })
	byMud = r.fit(&r.MudHours, func(s *Spell) float64 { return s.Mud })
	wait.Wait()
	r.put(&r.Hours, byHours, "hours", func(m *CleaningMachine, e *stat.Estimate) { m.EveryH = e })
	r.put(&r.MudHours, byMud, "mud hours", func(m *CleaningMachine, e *stat.Estimate) { m.EveryMudH = e })
	if by := slices.Sorted(maps.Keys(r.Unsure)); len(by) > 0 {
		r.Warnings = append(r.Warnings, doubted(strings.Join(by, " or ")))
	}
	if r.Hours.Every == nil && r.MudHours.Every == nil {
		return
	}
	say.Once(&r.Warnings, "every overheat counts, whatever its cause: a machine with another fault seems to need more "+
		"cleaning than it does")
	for i := range r.Machines {
		if m := &r.Machines[i]; len(m.Spells) == 0 {
			say.Once(&m.Warnings, "no hours since a thorough clean are recorded: the interval is the fleet's")
		}
	}
}

// fit fits the spells of all machines on one scale of hours.
func (r *CleaningReport) fit(pool *CleaningPool, hours func(*Spell) float64) stat.WeibullPool {
	units := make([][]stat.Lifetime, len(r.Machines))
	var all []stat.Lifetime
	for i := range r.Machines {
		for k := range r.Machines[i].Spells {
			s := &r.Machines[i].Spells[k]
			t := stat.Lifetime{Exit: hours(s), Event: s.Overheat}
			if t.Event {
				t.Exit = max(t.Exit, soon)
				pool.Overheats++
			}
			if t.Exit <= 0 {
				continue // no hours of this kind, and no event
			}
			units[i] = append(units[i], t)
			pool.Spells++
		}
		all = append(all, units[i]...)
	}
	pool.Curve = []SurvivalPoint{}
	steps, _ := stat.KaplanMeier(all, stat.Level95)
	for _, p := range steps {
		pool.Curve = append(pool.Curve, SurvivalPoint{p.Time, p.AtRisk, p.Survival, p.Low, p.High})
	}
	fit := stat.PoolWeibull(units, r.RiskPct/100, stat.Level95)
	pool.Shape = fit.All.Shape.Est
	quantile := fit.All.Quantile(r.RiskPct/100, stat.Level95)
	pool.Every = quantile.Est
	switch why := quantile.Why; {
	case pool.Spells == 0:
		pool.Why = say.Why("no hours were driven after a thorough clean")
	case pool.Overheats < 3:
		pool.Why = say.Why(fmt.Sprintf("%s after a thorough clean in the whole fleet: an interval needs three",
			say.Count(pool.Overheats, "overheat")))
	case pool.Shape != nil && pool.Shape.High < 1:
		pool.Why = say.Why("overheats come soon after a clean, not long after it: more cleaning would not prevent them")
	default:
		pool.Why = say.Why(why)
	}
	if pool.Why != nil {
		pool.Every = nil
	}
	return fit
}

// doubted returns the warning that cleaning may not help, by the kinds of hours
// it names.
func doubted(by string) string {
	return fmt.Sprintf("the log does not show overheats getting likelier with %s since a clean: more cleaning may "+
		"not prevent them", by)
}

// put gives every machine its interval on one scale, or the reason why there is
// none.
func (r *CleaningReport) put(pool *CleaningPool, fit stat.WeibullPool, by string,
	to func(*CleaningMachine, *stat.Estimate)) {
	if pool.Why != nil {
		for i := range r.Machines {
			if m := &r.Machines[i]; m.Why == nil {
				m.Why = say.Why("by " + by + ": " + *pool.Why)
			} else if !strings.HasSuffix(*m.Why, *pool.Why) {
				m.Why = say.Why(*m.Why + "; by " + by + ": " + *pool.Why)
			} else { // the reason for both is given once
				m.Why = pool.Why
			}
		}
		return
	}
	for _, w := range fit.Warnings {
		if i := slices.Index(r.Warnings, "by hours: "+w); i >= 0 { // a warning for both is given once
			r.Warnings[i] = fmt.Sprintf("by hours and by %s: %s", by, w)
			continue
		}
		say.Once(&r.Warnings, "by %s: %s", by, w)
	}
	if pool.Shape.Low <= 1 {
		if r.Unsure == nil {
			r.Unsure = map[string]string{}
		}
		r.Unsure[by] = doubted(by)
	}
	for i, u := range fit.Units {
		m := &r.Machines[i]
		if u.Est != nil {
			to(m, u.Est)
		}
		for _, w := range u.Warnings {
			say.Once(&m.Warnings, "%s", w)
		}
	}
}
