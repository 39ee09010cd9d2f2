package report

import (
	"time"

	"shedbook/report/belief"
	"shedbook/report/exposure"
)

// HeldReport is `shedbook held`.
type HeldReport struct {
	AsOf     time.Time       `json:"as_of"`
	Remedies []belief.Remedy `json:"remedies"` // machine by machine, in time order
	Warnings []string        `json:"warnings,omitempty"`
}

// Held says of every remedy whether it held: of the machines in the fleet now, or
// of the one named, were it sold.
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

// remedies are a machine's, their times in the book's zone.
func (src *Source) remedies(l *exposure.Life) []belief.Remedy {
	out := belief.Remedies(src.Fleet.Settings, l)
	for i := range out {
		out[i].At = *src.local(out[i].At)
	}
	return out
}
