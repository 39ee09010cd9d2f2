package report

import (
	"encoding/json"
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

type engine struct {
	ID, End float64
	Events  []float64
}

// valveSeats is the fleet of 41 diesel engines of Nelson & Doganaksoy (1989),
// in testdata/check/statistics.json: a day of age is an hour on the meter. The
// history ends with a check that reads the meter.
func valveSeats(t *testing.T) (schema.Fleet, json.RawMessage) {
	var cases []struct {
		ID       string
		Data     struct{ Engines []engine }
		Expected json.RawMessage
	}
	raw := readFile(t, "../testdata/check/statistics.json")
	var each []json.RawMessage
	require.NoError(t, json.Unmarshal(raw, &each))
	for _, e := range each {
		var id struct{ ID string }
		require.NoError(t, json.Unmarshal(e, &id))
		if id.ID != "valveseat-mcf" {
			continue
		}
		cases = append(cases, struct {
			ID       string
			Data     struct{ Engines []engine }
			Expected json.RawMessage
		}{})
		require.NoError(t, json.Unmarshal(e, &cases[0]))
	}
	require.Len(t, cases, 1)
	var f schema.Fleet
	start := time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC)
	for _, e := range cases[0].Data.Engines {
		name := fmt.Sprint("E", e.ID)
		l := schema.Log{Machine: schema.Machine{Name: name, Meter: schema.N(0), Acquired: start}}
		reads := func(h float64) schema.Head {
			return schema.Head{Base: schema.Base{Machine: name,
				At: start.Add(time.Duration(h * 24 * float64(time.Hour)))}, Meter: schema.N(h)}
		}
		for _, h := range e.Events {
			l.Services = append(l.Services, schema.Service{Head: reads(h), Work: "Valve seat"})
		}
		l.Checks = []schema.Check{{Head: reads(e.End), Check: "compression", Result: "pass"}}
		f.Logs = append(f.Logs, l)
	}
	return f, cases[0].Expected
}

func TestRecurrenceOfValveSeats(t *testing.T) {
	f, raw := valveSeats(t)
	var want struct {
		Engines int `json:"n_engines"`
		Events  int `json:"n_events"`
		At      []struct {
			Time   float64
			AtRisk int `json:"at_risk"`
			MCF    float64
			SE     float64 `json:"se_robust"`
		}
	}
	require.NoError(t, json.Unmarshal(raw, &want))
	r := Recurrence(Of(f, at(5000, 0)), "valve seat")
	require.Equal(t, want.Engines, r.Machines)
	require.Equal(t, want.Events, r.Events)
	require.NotEmpty(t, want.At)
	for _, w := range want.At {
		got := RecurrencePoint{}
		for _, p := range r.Curve {
			if p.Hours <= w.Time {
				got = p
			}
		}
		require.InDelta(t, w.MCF, got.MCF, 1e-9, "at %v h", w.Time)
		if got.Hours == w.Time {
			require.Equal(t, w.AtRisk, got.AtRisk)
			// Their limits on the log are MCF exp(-/+ 1.96 SE/MCF); with all 41 at risk it
			// is 2.0195 here, the 0.975 quantile of Student's t with 41 degrees of freedom.
			require.InDelta(t, w.MCF*w.MCF, got.Low*got.High, 1e-6, "on the log they are symmetric")
			require.Less(t, got.Low, w.MCF/math.Exp(1.959963985*w.SE/w.MCF))
			if w.AtRisk == 41 {
				require.InEpsilon(t, w.MCF*math.Exp(2.0195*w.SE/w.MCF), got.High, 1e-4)
			}
		}
	}
	require.Len(t, r.Trend, want.Engines)
	require.Contains(t, r.Words[0], "valve seat 48 times on 41 machines")
}

func TestRecurrenceOfNothing(t *testing.T) {
	r := Recurrence(Of(fleet(), at(1, 0)), "")
	require.Empty(t, r.Curve)
	require.NotNil(t, r.Why)
	require.Len(t, r.Words, 1)
	// A machine without a reading or a run is at risk for no hours.
	r = Recurrence(Of(fleet(schema.Log{Overheats: []schema.Overheat{{Head: head(at(1, 8))}}}), at(2, 0)), "")
	require.Zero(t, r.Machines)
	require.Contains(t, r.Warnings[0], "no meter reading and no run")
	// A word that no service has names the near ones.
	l := schema.Log{Runs: []schema.Run{run(at(1, 8), 2)},
		Services: []schema.Service{{Head: head(at(1, 12)), Work: "valve seat replaced"}}}
	r = Recurrence(Of(fleet(l), at(2, 0)), "valve seat")
	require.Contains(t, r.Warnings[0], "valve seat replaced")
}
