package main

import (
	"fmt"
	"time"

	"shedbook/schema"
	"shedbook/schema/unit"
)

// noteClosed says where a record is dated after its machine left the fleet. It
// is recorded all the same: a paper may come in late, and `doubts` lists it.
func (a *app) noteClosed(m *schema.Machine, at time.Time, s schema.Settings) {
	if m.Retired.IsZero() || at.Before(m.Retired.Add(24*time.Hour)) { // the day itself counts
		return
	}
	how := "left the fleet"
	if m.SoldTo != "" {
		how = "was sold to " + m.SoldTo
	}
	fmt.Fprintf(a.errOut, "note: %s %s on %s, before this: shedbook doubts lists it\n", m.Name, how,
		unit.FormatTime(m.Retired, s.Zone()))
}
