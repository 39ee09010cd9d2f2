package report

import (
	"time"

	"shedbook/report/belief"
	"shedbook/report/exposure"
)

// HeldReport is the result of `shedbook held`.
type HeldReport struct {
	AsOf     time.Time       `json:"as_of"`
	Remedies []belief.Remedy `json:"remedies"` // by machine, then by time
	Warnings []string        `json:"warnings,omitempty"`
}

// Held reports for every remedy whether it held: for the machines now in the
// fleet, or for the one named, even if sold.
func Held(s Source, machine string) HeldReport {
	r := HeldReport{AsOf: s.AsOf, Remedies: []belief.Remedy{}}
	for remedies := range ahead(s.Lives, func(l *exposure.Life) []belief.Remedy {
		if m := &l.Log.Machine; machine == "" && !m.Retired.IsZero() && !m.Retired.After(s.AsOf) {
			return nil
		}
		return s.remedies(l)
	}) {
		r.Remedies = append(r.Remedies, remedies...)
	}
	return r
}

// remedies returns those of a machine, with times in the book's zone.
func (src *Source) remedies(l *exposure.Life) []belief.Remedy {
	out := belief.Remedies(src.Fleet.Settings, l)
	for i := range out {
		out[i].At = *src.local(out[i].At)
	}
	return out
}
