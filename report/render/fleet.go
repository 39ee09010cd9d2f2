package render

import (
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"shedbook/report"
	"shedbook/report/flags"
	"shedbook/report/say"
	"shedbook/report/state"
	"shedbook/schema/unit"
)

// Fleet prints a row for each machine, worst first.
func Fleet(w io.Writer, r report.FleetReport, o Options) error {
	return Print(w, r, o, func() *Doc {
		d := &Doc{Title: "Fleet", Lead: []string{asOf(r.AsOf, o)}}
		if len(r.Machines) == 0 {
			d.Table(fleetTable(r, nil, o))
			return d
		}
		d.Lead = append(d.Lead, say.Sentence(r.Order)+
			" Since clean means since the last thorough clean. Coolant loss is "+
			"what to expect per engine hour from now on.")
		parkedFirst(d, r.NotReady())
		d.Say(whoIsOut(r, o))
		d.Table(fleetTable(r, nil, o))
		fleetNotes(d, r, o)
		return d
	})
}

func fleetNotes(d *Doc, r report.FleetReport, o Options) {
	for _, m := range r.NotReady() {
		if m.State.State == state.Watch {
			d.Say("To see why a machine is on watch: 'next MACHINE'.")
			break
		}
	}
	d.Say(doubtsStand(r.Doubts()))
	var why, hours grouped
	for i := range r.Machines {
		m := &r.Machines[i]
		if o.Format == HTML {
			why.add(m.Machine, deref(m.CoolantWhy))
		}
		if m.EngineHours != nil && !m.ByMeter {
			hours.add(m.Machine, "no meter reading, so the hours are added up from runs")
		}
	}
	for _, l := range why.lines(": ") {
		d.Warn("no coolant rate for " + l)
	}
	d.Warn(hours.lines(": ")...)
	d.Warn(r.Warnings...)
}

// doubtsStand returns how many doubts there are, and where to read them; "" for
// none.
func doubtsStand(n int) string {
	if n == 0 {
		return ""
	}
	return say.Count(n, "open doubt") + ". To see the records that contradict each other: 'doubts'."
}

// fleetTable returns the table of the fleet, with small plots if weeks is not
// nil.
func fleetTable(r report.FleetReport, weeks map[string]*report.Weeks, o Options) *Table {
	t := &Table{Columns: []Column{
		{Key: "machine", Head: "Machine"},
		{Key: "state", Head: "State"},
		{Key: "model"},
		{Key: "engine_hours", Head: "Engine", Unit: unit.Hours},
		{Key: "last_run", Head: "Last run", Drop: 2},
		{Key: "last_thorough"},
		{Key: "hours_since_thorough", Head: "since clean", Unit: unit.Hours, Drop: 1},
		{Key: "mud_hours_since_thorough", Head: "in mud", Unit: unit.Hours, With: "hours_since_thorough"},
		{Key: "rate_ml_per_h", Head: "Coolant loss", Unit: unit.Millilitres, Per: "/h", Span: true},
		{Key: "unexplained_ml"},
		{Key: "overheats_last_100h", Head: "Overheats in 100 h"},
		{Key: "open", Head: "Open matters", Wrap: true},
		{Key: "retired"},
		{Key: "doubts"},
		{Key: "state_reasons"},
		{Key: "out_since"},
		{Key: "out_with"},
	}, Empty: "No machine is in the book yet. Add one with 'machine add'."}
	if weeks != nil {
		t.Columns = append(t.Columns,
			Column{Key: "week_hours", Head: "Hours a week"},
			Column{Key: "week_added_ml", Head: "Coolant added a week"},
			Column{Key: "week_overheats", Head: "Overheats a week"})
	}
	most := highestOf(weeks)
	for i := range r.Machines {
		m := &r.Machines[i]
		heat := Count(m.OverheatsLast100h)
		if m.OverheatsLast100h > 0 {
			heat = heat.Hint(Bold)
		}
		since, mud := Number(m.HoursSinceThorough), Number(m.MudHoursSinceThorough)
		if m.EngineHours == nil {
			since, mud, heat = Cell{}, Cell{}, Cell{}
		}
		row := []Cell{Text(m.Machine), machineState(m, o), Text(m.Model), Known(m.EngineHours), Day(when(m.LastRun)),
			Day(when(m.LastThorough)), since, mud,
			Estimated((*Interval)(m.CoolantRate)), Number(m.UnexplainedMl), heat, matters(m), Day(when(m.Retired)),
			Count(m.Doubts), reasonsCell(m.State), {}, {}}
		if m.Out != nil {
			row[len(row)-2], row[len(row)-1] = Day(m.Out.Since), Text(m.Out.Driver)
		}
		if w := weeks[m.Machine]; w != nil {
			row = append(row, weekBars(w, most, o)...)
		}
		t.Add(row...)
	}
	return t
}

// whoIsOut returns which machines are out, since when and with whom; "" for
// none.
func whoIsOut(r report.FleetReport, o Options) string {
	var out []string
	for i := range r.Machines {
		if m := &r.Machines[i]; m.Out != nil && m.Retired == nil {
			out = append(out, m.Machine+" "+outSince(m.Out, r.AsOf))
		}
	}
	slices.SortFunc(out, unit.Natural)
	if len(out) == 0 {
		return ""
	}
	return "Out now: " + strings.Join(out, "; ") + "."
}

// outSince returns since when a machine is out and with whom; on the same day
// without the date.
func outSince(m *report.Out, asOf time.Time) string {
	since := say.Moment(m.Since, asOf.Location())
	if say.Day(m.Since, asOf.Location()) == say.Day(asOf, asOf.Location()) {
		since = m.Since.In(asOf.Location()).Format("15:04")
	}
	return "since " + since + " with " + m.Driver
}

// machineState returns the state of a machine as a cell; blank for a machine
// that left the fleet.
func machineState(m *report.FleetRow, o Options) Cell {
	if m.Retired != nil && o.Format != CSV {
		return Cell{}
	}
	return stateCell(m.State)
}

func matters(m *report.FleetRow) Cell {
	var names []string
	for _, o := range m.Open {
		names = append(names, o.Matter)
	}
	switch {
	case m.Retired != nil:
		return Lines(append([]string{"left the fleet"}, names...)).Hint(Dim)
	case len(names) == 0:
		return Cell{}
	}
	return Lines(names).Hint(Bad)
}

// highest holds the highest weeks of all machines: their plots stand below each
// other, and share one scale.
type highest struct{ hours, added, overheats float64 }

func highestOf(weeks map[string]*report.Weeks) highest {
	var h highest
	for _, w := range weeks {
		for i := range w.Hours {
			h.hours, h.added, h.overheats = max(h.hours, w.Hours[i]), max(h.added, w.AddedMl[i]),
				max(h.overheats, float64(w.Overheats[i]))
		}
	}
	return h
}

// weekBars returns a machine's last weeks as three small plots.
func weekBars(w *report.Weeks, most highest, o Options) []Cell {
	heat := make([]float64, len(w.Overheats))
	total, hours, added := 0, 0.0, 0.0
	for i, n := range w.Overheats {
		heat[i] = float64(n)
		total += n
		hours += w.Hours[i]
		added += w.AddedMl[i]
	}
	small := func(title, class string, values []float64, top float64, total string) Cell {
		return barsCellOf(bars{title, class, values, top, total, fmt.Sprintf("%s in %d weeks", total, len(values))})
	}
	return []Cell{
		small("Hours a week", "hours", w.Hours, most.hours, unit.Fixed(hours, 0)+" h"),
		small("Coolant added a week", "fluid", w.AddedMl, most.added, unit.Format(added, unit.Millilitres, o.system())),
		small("Overheats a week", "hot", heat, most.overheats, strconv.Itoa(total)),
	}
}

// FleetPage prints the fleet as one page for a wall or a phone: a row for each
// machine with small plots, flags with their reasons, work that is due. It is
// HTML whatever the options.
func FleetPage(w io.Writer, r report.FleetReport, f flags.Result, due report.DueReport, weeks []report.Weeks,
	o Options) error {
	o.Format = HTML
	d := &Doc{Title: "Fleet", Lead: []string{asOf(r.AsOf, o)}}
	if len(r.Machines) == 0 {
		d.Table(fleetTable(r, nil, o))
		return d.Print(w, o)
	}
	overdue := 0
	for i := range due.Due {
		if due.Due[i].Overdue {
			overdue++
		}
	}
	d.Say(fmt.Sprintf("%s, %s, %s overdue.", say.Count(len(r.Machines), "machine"),
		say.Count(len(f.Flags), "flag raised", "flags raised"), say.Count(overdue, "piece of work", "pieces of work")))
	parkedFirst(d, r.NotReady())
	d.Section("Machines")
	d.Say(whoIsOut(r, o))
	d.Say(say.Sentence(r.Order) +
		" Since clean means since the last thorough clean. Coolant loss is what to expect per " +
		"engine hour from now on.")
	by := map[string]*report.Weeks{}
	for i := range weeks {
		by[weeks[i].Machine] = &weeks[i]
	}
	t := fleetTable(r, by, o)
	if len(weeks) > 0 {
		t.Notes = append(t.Notes,
			fmt.Sprintf("The small plots show the last %d weeks, oldest at the left, and under them "+
				"the sum. The plots under each other have one scale: the tallest bar is the highest week of any "+
				"machine.",
				len(weeks[0].Hours)))
	}
	d.Table(t)
	fleetNotes(d, r, o)
	d.Section("Flags and their reasons")
	if len(f.Flags) == 0 {
		d.Say("No flag is raised.")
	}
	for i := range f.Flags {
		flag := &f.Flags[i]
		d.Sub(owner(flag) + ": " + flag.Flag)
		d.Say(fmt.Sprintf("Since about %s, raised %s; the log is %s likelier with this fault than without.",
			o.day(flag.Since), o.day(flag.Raised), say.Odds(flag.Evidence.Log10BayesFactor)))
		d.List(sentences(flag.Reasons))
		if flag.NextCheck != nil {
			d.Say("Next check: " + *flag.NextCheck + ".")
		}
		d.Caution(say.Sentence(flag.Caution))
	}
	d.Warn(f.Warnings...)
	d.Section("Due work")
	dueTables(d, due)
	return d.Print(w, o)
}
