package report

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

// What a slip of the hand makes is doubted before it is recorded; what is likely
// is not. The limits are common practice, no source.
func TestSlips(t *testing.T) {
	now := time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC)
	base := func(at time.Time) schema.Base { return schema.Base{Machine: "R4", At: at} }
	head := func(at time.Time, meter schema.Num) schema.Head { return schema.Head{Base: base(at), Meter: meter} }
	log := schema.Log{Machine: schema.Machine{Name: "R4", CoolantL: schema.N(4.2), Acquired: now.AddDate(-3, 0, 0)}}
	log.Add(&schema.Run{Base: schema.Base{Meta: schema.Meta{Number: 7}, Machine: "R4", At: now.Add(-5 * time.Hour)},
		Hours: schema.N(2), MeterOut: schema.N(900), MeterIn: schema.N(902)})
	for n := range int64(2) {
		log.Add(&schema.Refill{Head: schema.Head{Base: schema.Base{Meta: schema.Meta{Number: 8 + n}, Machine: "R4",
			At: now.Add(-10 * time.Minute)}}})
	}
	for name, c := range map[string]struct {
		r    schema.Record
		says string // "" where nothing is doubted
	}{
		"a run": {&schema.Run{Base: base(now.Add(-2 * time.Hour)), Hours: schema.N(2)}, ""},
		"a run while another is on": {&schema.Run{Base: base(now.Add(-4 * time.Hour)), Hours: schema.N(4)},
			"this run (14 Mar 2026 08:00, 4 h) begins before run 7"},
		"a run of 250 h": {&schema.Run{Base: base(now.Add(-250 * time.Hour)), Hours: schema.N(250)},
			"this run lasts 250 h"},
		"a run not over yet": {&schema.Run{Base: base(now.Add(-30 * time.Minute)), Hours: schema.N(5)},
			"in the future"},
		"thirty hours in a week": {&schema.Run{Base: base(now.Add(-100 * time.Hour)), Hours: schema.N(30)}, ""},
		"hours against the meter": {&schema.Run{Base: base(now.Add(-2 * time.Hour)), Hours: schema.N(2),
			MeterOut: schema.N(902), MeterIn: schema.N(922)}, "its meter went from 902 to 922"},
		"a top-up": {&schema.TopUp{Head: head(now, schema.Num{}), Volume: schema.N(300)}, ""},
		"more than the system holds": {&schema.TopUp{Head: head(now, schema.Num{}), Volume: schema.N(30000)},
			"into a system of"},
		"a meter backwards": {&schema.TopUp{Head: head(now, schema.N(90.2)), Volume: schema.N(300)},
			"a meter does not run backwards"},
		"a meter that jumps": {&schema.TopUp{Head: head(now, schema.N(9025)), Volume: schema.N(300)},
			"more hours than have passed"},
		"a third refill": {&schema.Refill{Head: head(now, schema.Num{})}, "third refill within an hour"},
		"a year slipped": {&schema.TopUp{Head: head(now.AddDate(-2, 0, 0), schema.Num{}), Volume: schema.N(300)},
			"2 years ago"},
	} {
		runs, refills := len(log.Runs), len(log.Refills)
		says := Slips(schema.Fleet{}, log, c.r, now)
		if c.says == "" {
			require.Empty(t, says, name)
		} else {
			require.NotEmpty(t, says, name)
			require.Contains(t, strings.Join(says, "; "), c.says, name)
		}
		require.Len(t, log.Runs, runs, "the log stays as it is")
		require.Len(t, log.Refills, refills)
		require.Zero(t, schema.BaseOf(c.r).Number, "so does the record")
	}
}
