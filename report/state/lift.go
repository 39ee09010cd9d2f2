package state

import (
	"fmt"
	"strings"
	"time"
)

func (m *matter) reason(w *walker) Reason {
	r := Reason{Rule: m.rule, At: m.at.In(w.zone), Text: m.text, LiftedBy: m.steps(w)}
	if m.record != 0 {
		r.Record = &m.record
	}
	if m.released != nil {
		r.Rule, r.Of = "released", m.rule
		r.Released = fmt.Sprintf("released by %s on %s: %s", m.released.By, w.day(m.released.At),
			strings.TrimRight(m.released.Why, "."))
		r.Text += "; " + r.Released
	}
	return r
}

// steps is what lifts a matter, each step with how far it is.
func (m *matter) steps(w *walker) string {
	done := func(what string, at time.Time) string {
		if at.IsZero() {
			return what
		}
		return what + ": done " + w.day(at)
	}
	seen := 0
	if !m.morning.IsZero() {
		seen = 1
	}
	place := ""
	if m.neck {
		place = " in the neck"
	}
	full := fmt.Sprintf("see it full%s, cold, on two mornings after that (%d of %d)", place, seen, mornings)
	switch m.rule {
	case "gas-found", "gasket-likely":
		return fmt.Sprintf("get two clean gas tests on the hot engine (%d of %d), or record a service for head-gasket",
			len(m.tests), cleanTests)
	case "milky-oil":
		return done("find where coolant gets in, change the oil", m.oil) + ", and find it clean after a run"
	case "level-low":
		if m.settling {
			return "fill to the mark"
		}
		return done("fill to the mark"+place, m.filled) + "; then fix the leak and record the service, or " + full +
			" with a heat cycle between"
	case "often":
		if m.failed != nil {
			return fmt.Sprintf("fix what failed (%s on %s) and record it: a service with its cause, a thorough clean "+
				"or a bleed", m.failed.Check, w.day(m.failed.At))
		}
		return "find what fails with a check, then fix it"
	}
	fix := "find and fix the loss"
	if m.mended.IsZero() {
		fix += " (record the service with its cause, or a thorough clean)"
	}
	return done(fix, m.mended) + "; " + done("fill to the mark"+place, m.filled) + "; " + full
}
