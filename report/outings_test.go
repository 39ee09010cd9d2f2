package report

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

// What outings say against each other and against the runs, and what they don't.
func TestDoubtsOfOutings(t *testing.T) {
	now := time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC)
	outing := func(number int64, out, back time.Duration, driver string) *schema.Outing {
		base := schema.Base{Meta: schema.Meta{Number: number}, Machine: "R4", At: now.Add(out)}
		o := &schema.Outing{Base: base, Driver: driver}
		if back != 0 {
			o.Back = now.Add(back)
		}
		return o
	}
	run := func(at time.Duration, driver string) *schema.Run {
		base := schema.Base{Meta: schema.Meta{Number: 50}, Machine: "R4", At: now.Add(at)}
		return &schema.Run{Base: base, Driver: driver, Hours: schema.N(1)}
	}
	const hour, day = time.Hour, 24 * time.Hour
	for name, c := range map[string]struct {
		records []schema.Record
		want    string
	}{
		"one after the other": {[]schema.Record{outing(1, -9*hour, -5*hour, "Ada"), outing(2, -5*hour, 0, "Bo")},
			""},
		"out twice": {[]schema.Record{outing(1, -9*hour, 0, "Ada"), outing(2, -5*hour, 0, "Bo")},
			OutTwice},
		"out before it was back": {[]schema.Record{outing(1, -9*hour, -4*hour, "Ada"),
			outing(2, -5*hour, -hour, "Bo")}, OutTwice},
		"two weeks":                 {[]schema.Record{outing(1, -14*day, 0, "Ada")}, ""},
		"more than two weeks":       {[]schema.Record{outing(1, -15*day, 0, "Ada")}, NotBack},
		"back after a month":        {[]schema.Record{outing(1, -31*day, -day, "Ada")}, ""},
		"driven by who has it":      {[]schema.Record{outing(1, -9*hour, 0, "Ada"), run(-8*hour, "Ada")}, ""},
		"driven by another":         {[]schema.Record{outing(1, -9*hour, 0, "Ada"), run(-8*hour, "Bo")}, OtherDriver},
		"by nobody knows whom":      {[]schema.Record{outing(1, -9*hour, 0, "Ada"), run(-8*hour, "")}, ""},
		"by another once it's back": {[]schema.Record{outing(1, -9*hour, -8*hour, "Ada"), run(-8*hour, "Bo")}, ""},
		"by another before":         {[]schema.Record{outing(1, -9*hour, -8*hour, "Ada"), run(-11*hour, "Bo")}, ""},
	} {
		log := schema.Log{Machine: schema.Machine{Name: "R4"}}
		for _, r := range c.records {
			log.Add(r)
		}
		s := Of(schema.Fleet{Logs: []schema.Log{log}}, now)
		var got []string
		for _, d := range Doubts(s).Doubts {
			got = append(got, d.Doubt)
		}
		require.Equal(t, c.want, strings.Join(got, " "), name)
	}
	// A run as it is typed.
	log := schema.Log{Machine: schema.Machine{Name: "R4"}}
	log.Add(outing(1, -9*hour, 0, "Ada"))
	require.Equal(t,
		[]string{"this run (14 Mar 2026 11:00, 1 h) is by Bo, but outing 1 (14 Mar 2026 03:00, Ada) has the machine"},
		Slips(schema.Fleet{}, log, run(-hour, "Bo"), now))
}

// A look that is kept holds until an outing ends it: when the machine was back, or is
// out for too long.
func TestAnOutingEndsWhatWasSeen(t *testing.T) {
	now := time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC)
	log := schema.Log{Machine: schema.Machine{Name: "R4"}}
	o := &schema.Outing{Base: schema.Base{Machine: "R4", At: now.Add(-time.Hour)}, Driver: "Ada"}
	log.Add(o)
	until := func() time.Time {
		s := Of(schema.Fleet{Logs: []schema.Log{log}}, now)
		r := Fleet(s, nil)
		require.NotNil(t, r.Machines[0].Out)
		require.Equal(t, "Ada", r.Machines[0].Out.Driver)
		return s.Later.First()
	}
	end := until()
	doubts := func(at time.Time) int { return len(Doubts(Of(schema.Fleet{Logs: []schema.Log{log}}, at)).Doubts) }
	require.Zero(t, doubts(end.Add(-time.Second)))
	require.Equal(t, 1, doubts(end))
	log.Outings[0].Back = now.Add(time.Hour)
	require.Equal(t, now.Add(time.Hour), until())
}

// Who has a machine out is masked as every driver is.
func TestOutingsAreMasked(t *testing.T) {
	now := time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC)
	log := schema.Log{Machine: schema.Machine{Name: "R4"}}
	base := schema.Base{Machine: "R4", At: now.AddDate(0, 0, -20)}
	log.Add(&schema.Outing{Base: base, Driver: "Ada Venn", Note: "for Ada's fence"})
	f := schema.Fleet{Logs: []schema.Log{log}, Drivers: []schema.Driver{{Name: "Bo Larkin"}, {Name: "Ada Venn"}}}
	r, ok := History(Of(f, now), "R4", nil, false)
	require.True(t, ok)
	require.Equal(t, "out with Driver A, not back yet", r.Entries[0].Says, "the first to have the machine")
	require.Equal(t, "for Driver A's fence", r.Entries[0].Note)
	require.Contains(t, r.Doubts[0].Says, "Driver A")
	require.NotContains(t, r.Doubts[0].Says, "Ada")
	r, _ = History(Of(f, now), "R4", nil, true)
	require.Equal(t, "out with Ada Venn, not back yet", r.Entries[0].Says)
	m := MaskOthers(f.Drivers, &log)
	require.Equal(t, "Ada Venn and Driver B", m.Text("Ada Venn and Bo Larkin"))
}
