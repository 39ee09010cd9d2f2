package report

import (
	"time"

	"shedbook/report/exposure"
	"shedbook/report/stat"
)

// CleaningReport is `shedbook cleaning`.
type CleaningReport struct {
	AsOf     time.Time         `json:"as_of"`
	RiskPct  float64           `json:"overheat_risk_pct"` // the chance of an overheat before the next clean that is put up with
	Machines []CleaningMachine `json:"machines"`
	Warnings []string          `json:"warnings,omitempty"`
}

// CleaningMachine is one machine's radiator. Hours since are recorded hours,
// counted from the first record where it was never cleaned.
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

// Spell is the time from a thorough clean to the first overheat after it, or
// to the next thorough clean or the end of the log without one.
type Spell struct {
	From     time.Time
	Hours    float64 // recorded
	Mud      float64 // of them in mud
	Overheat bool    // what ended it; else it is censored
}

// always is after any record.
var always = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)

// Spells are a machine's spells. Hours before the first thorough clean are in
// none: how dirty the core was at their start is not known.
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
		s.Hours, s.Mud = l.HoursTo(to)-l.HoursTo(from), l.MudTo(to)-l.MudTo(from)
		if s.Hours > 0 || s.Overheat {
			out = append(out, s)
		}
	}
	return out
}

// Cleaning reports when every machine's core was last cleaned, what was driven
// and what went wrong since, and how often it wants to be cleaned.
func Cleaning(s Source) CleaningReport {
	r := CleaningReport{AsOf: s.AsOf, RiskPct: s.Fleet.Settings.Number("overheat-risk-pct", "pct"), Machines: []CleaningMachine{}}
	for l := range s.Lives {
		r.Machines = append(r.Machines, s.cleaning(l))
	}
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
	hours, mud := l.Hours, l.Mud // all that is recorded: a run that is under way at AsOf counts whole
	m.HoursSinceAny = tidy(hours - l.HoursTo(any))
	m.HoursSinceThorough, m.MudHoursSinceThorough = tidy(hours-l.HoursTo(deep)), tidy(mud-l.MudTo(deep))
	for i := range l.Log.Overheats {
		if l.Log.Overheats[i].At.After(deep) {
			m.OverheatsSinceThorough++
		}
	}
	m.Spells = Spells(l)
	return m
}

func (r *CleaningReport) intervals() {}
