package report

import (
	"cmp"
	"iter"
	"slices"
	"time"

	"shedbook/report/coolant"
	"shedbook/report/exposure"
	"shedbook/report/say"
	"shedbook/report/stat"
	"shedbook/report/state"
	"shedbook/schema"
	"shedbook/schema/unit"
)

// Matter is an open flag on a machine, in short.
type Matter struct {
	Machine string    `json:"machine"`
	Matter  string    `json:"matter"`
	Says    string    `json:"says,omitempty"`
	Raised  time.Time `json:"-"`
}

// Standing returns the matters of one machine, as package state takes them.
func Standing(machine string, open []Matter) []state.Flag {
	var out []state.Flag
	for _, o := range open {
		if o.Machine == machine {
			out = append(out, state.Flag{Flag: o.Matter, Raised: o.Raised, Says: o.Says})
		}
	}
	return out
}

// FleetReport is the result of `shedbook fleet`: a row for each machine, worst
// first.
type FleetReport struct {
	AsOf     time.Time  `json:"as_of"`
	Order    string     `json:"order"` // how the rows are sorted, in words
	Machines []FleetRow `json:"machines"`
	Warnings []string   `json:"warnings,omitempty"`
}

// FleetRow is an overview of one machine.
type FleetRow struct {
	Machine string `json:"machine"`
	Model   string `json:"model,omitempty"`
	state.State
	EngineHours           *float64   `json:"engine_hours"` // null if nothing is recorded
	ByMeter               bool       `json:"by_meter"`     // otherwise from the recorded runs alone
	LastRun               *time.Time `json:"last_run"`
	LastThorough          *time.Time `json:"last_thorough"` // null = never; the hours then count from the first record
	HoursSinceThorough    float64    `json:"hours_since_thorough"`
	MudHoursSinceThorough float64    `json:"mud_hours_since_thorough"`
	// CoolantRate is that of the coolant report, and RateSince its beginning.
	CoolantRate       *stat.Estimate `json:"rate_ml_per_h"`
	RateSince         *string        `json:"rate_since"`
	CoolantWhy        *string        `json:"rate_why"`
	UnexplainedMl     float64        `json:"unexplained_ml"`
	OverheatsLast100h int            `json:"overheats_last_100h"`
	Open              []Matter       `json:"open"`
	Doubts            int            `json:"doubts"` // number of doubts, see DoubtsReport
	Retired           *time.Time     `json:"retired"`
	Out               *Out           `json:"out"` // null if it is in the yard
}

// Out tells since when a machine is out, and with whom.
type Out struct {
	Since  time.Time  `json:"since"`
	Driver string     `json:"driver"`
	Record int64      `json:"record"` // the outing's number
	Meter  schema.Num `json:"meter_h"`
}

// fleetOrder is how the rows are sorted, in words.
const fleetOrder = "worst first: parked, on watch, ready; then open matters, overheats in the last 100 h, lowest " +
	"likely coolant loss, and mud hours since the last thorough clean"

// FleetOf sorts the rows given and adds the open matters.
func FleetOf(asOf time.Time, rows []FleetRow, open []Matter) FleetReport {
	r := FleetReport{AsOf: asOf, Order: fleetOrder, Machines: append([]FleetRow{}, rows...)}
	for i := range r.Machines {
		m := &r.Machines[i]
		m.Open = []Matter{}
		for _, o := range open {
			if o.Machine == m.Machine {
				m.Open = append(m.Open, o)
			}
		}
		m.State = m.With(m.Machine, Standing(m.Machine, m.Open))
	}
	slices.SortStableFunc(r.Machines, func(a, b FleetRow) int {
		if (a.Retired == nil) != (b.Retired == nil) { // machines that left the fleet come last
			if a.Retired == nil {
				return -1
			}
			return 1
		}
		for _, c := range []int{state.Rank(b.State.State) - state.Rank(a.State.State), len(b.Open) - len(a.Open),
			b.OverheatsLast100h - a.OverheatsLast100h,
			cmp.Compare(lossRank(&b), lossRank(&a)), cmp.Compare(b.MudHoursSinceThorough, a.MudHoursSinceThorough),
			cmp.Compare(b.HoursSinceThorough, a.HoursSinceThorough)} {
			if c != 0 {
				return c
			}
		}
		return unit.Natural(a.Machine, b.Machine)
	})
	if len(rows) == 0 {
		say.Once(&r.Warnings, "no machine is recorded yet")
	}
	return r
}

// NotReady returns the machines that are parked or on watch, worst first,
// without those that left the fleet.
func (r FleetReport) NotReady() []state.Machine {
	out := []state.Machine{}
	for i := range r.Machines {
		if m := &r.Machines[i]; m.Retired == nil && m.State.State != state.Ready {
			out = append(out, state.Machine{Machine: m.Machine, State: m.State})
		}
	}
	return out
}

// Doubts returns the number of doubts in the log.
func (r FleetReport) Doubts() int {
	n := 0
	for i := range r.Machines {
		n += r.Machines[i].Doubts
	}
	return n
}

// lossRank returns the lower limit of the coolant rate, the loss that is
// certain, so that a wide guess from one stretch does not head the table.
func lossRank(m *FleetRow) float64 {
	if m.CoolantRate == nil {
		return 0
	}
	return max(m.CoolantRate.Low, 0)
}

// Rows makes a row of every life and passes the lives on. The rows are complete
// once the last life has passed.
func (src *Source) Rows(rows *[]FleetRow) iter.Seq[*exposure.Life] {
	return func(yield func(*exposure.Life) bool) {
		var all []*FleetRow
		do, wait := parallel()
		for l := range src.Lives {
			row, loss := src.fleetRow(l), coolant.Account(l, src.Fleet.Settings)
			row.UnexplainedMl = loss.UnexplainedMl
			all = append(all, &row)
			do(func() {
				d := doubter{s: src, l: l}
				d.all()
				row.Doubts = len(d.found)
				loss.Estimate()
				row.CoolantRate, row.CoolantWhy, row.RateSince = loss.Rate, loss.Why, loss.RateSince
			})
			if !yield(l) {
				break
			}
		}
		wait()
		for _, row := range all {
			*rows = append(*rows, *row)
		}
	}
}

// fleetRow returns the overview of a machine without its coolant and open
// matters; its state takes both into account.
func (src *Source) fleetRow(l *exposure.Life) FleetRow {
	log := l.Log
	clean := src.cleaning(l)
	row := FleetRow{Machine: log.Machine.Name, State: src.stateOf(l).State, Model: log.Machine.Model,
		ByMeter:      l.Clock.Known(),
		LastThorough: clean.LastThorough, HoursSinceThorough: clean.HoursSinceThorough,
		MudHoursSinceThorough: clean.MudHoursSinceThorough}
	if _, last, ok := l.Clock.Last(); ok {
		row.EngineHours = &last
		for i := range l.Overheats {
			if l.Overheats[i].Engine > last-100 {
				row.OverheatsLast100h++
			}
		}
	} else {
		row.OverheatsLast100h = len(l.Overheats)
	}
	if n := len(log.Runs); n > 0 {
		row.LastRun = src.local(log.Runs[n-1].At)
	}
	if o := log.Out(); o != nil {
		row.Out = &Out{*src.local(o.At), o.Driver, o.Number, o.MeterOut}
	}
	if m := &log.Machine; !m.Retired.IsZero() && !m.Retired.After(src.AsOf) {
		row.Retired = src.local(m.Retired)
	}
	return row
}
