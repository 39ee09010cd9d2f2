package render

import (
	"fmt"
	"io"
	"math"

	"shedbook/report"
	"shedbook/report/belief"
	"shedbook/report/say"
	"shedbook/schema"
	"shedbook/schema/unit"
)

// Held prints whether remedies held. machine is the one asked about; "" for
// all.
func Held(w io.Writer, r report.HeldReport, machine string, o Options) error {
	return Print(w, r, o, func() *Doc {
		d := &Doc{Title: "Did it hold?", Lead: []string{asOf(r.AsOf, o)}}
		if machine != "" {
			d.Title = "Did it hold on " + machine + "?"
		}
		d.main = heldTable(r)
		if len(r.Remedies) == 0 {
			d.Say("No clean, bleed or repair that names a cause followed an overheat or a loss of coolant.")
			d.Warn(r.Warnings...)
			return d
		}
		if machine == "" {
			d.Table(heldOverview(r, o))
			d.Say("Hours to prove: how many more hours of the same driving, without trouble, would prove it. " +
				"For one machine in sentences: 'held MACHINE'.")
		} else {
			var lines []string
			for i := range r.Remedies {
				lines = append(lines, heldLine(&r.Remedies[i], o))
			}
			d.List(lines)
		}
		d.Say(sameWay)
		d.Warn(r.Warnings...)
		return d
	})
}

// sameWay explains what hours driven the same way are.
const sameWay = "Driven the same way: as in the hours in which it overheated before; gentler hours count in part."

// heldLine returns a remedy in a line.
func heldLine(m *belief.Remedy, o Options) string {
	return fmt.Sprintf("%s %s: %s.", m.Name(), o.day(m.At), m.Verdict(o.system()))
}

// lastHeld returns the last remedies for each cause in a line each, at most so
// many, and where to find the others.
func lastHeld(machine string, all []belief.Remedy, o Options) []string {
	const most = 3
	var lines []string
	for i := range all {
		if m := &all[i]; !m.Followed {
			lines = append(lines, say.Sentence(heldLine(m, o)))
		}
	}
	if n := len(lines); n > most {
		lines = lines[n-most:]
	}
	if n := len(all) - len(lines); n > 0 {
		lines = append(lines, fmt.Sprintf("%s before: shedbook held %s", say.Count(n, "remedy", "remedies"),
			schema.Quote(machine)))
	}
	return lines
}

// heldOverview returns a table with a line for each remedy of the fleet, for
// people.
func heldOverview(r report.HeldReport, o Options) *Table {
	t := &Table{Columns: []Column{{Key: "machine", Head: "Machine"}, {Key: "what", Head: "Done", Wrap: true},
		{Key: "at", Head: "When"},
		{Key: "says", Head: "Did it hold?", Wrap: true}, {Key: "since_events", Head: "Trouble since"},
		{Key: "since_expected", Head: "Expected"}, {Key: "hours_to_prove", Head: "Hours to prove", Drop: 1}}}
	for i := range r.Remedies {
		m := &r.Remedies[i]
		trouble := func(v float64, overheats string) Cell {
			if m.Unit == belief.Millilitres {
				return Text(unit.Format(v, unit.Millilitres, o.system()))
			}
			return Text(say.Roughly(v) + overheats)
		}
		toProve := Text("")
		if m.Says == belief.NotYet && m.HoursToProve != nil {
			toProve = Count(int(math.Ceil(*m.HoursToProve)))
		}
		t.Add(Text(m.Machine), Text(m.Name()), Day(m.At), Text(m.Answer()),
			trouble(m.Since.Events, " "+say.Noun(m.Since.Events, "overheat")), trouble(m.Since.Expected, ""), toProve)
	}
	return t
}

func heldTable(r report.HeldReport) *Table {
	t := &Table{Columns: []Column{{Key: "machine"}, {Key: "record"}, {Key: "at"}, {Key: "what"}, {Key: "cause"},
		{Key: "unit"},
		{Key: "before_events"}, {Key: "before_like_hours"}, {Key: "since_events"}, {Key: "since_like_hours"},
		{Key: "since_expected"},
		{Key: "held"}, {Key: "says"}, {Key: "hours_to_prove"}}}
	for i := range r.Remedies {
		m := &r.Remedies[i]
		toProve := Text("")
		if m.HoursToProve != nil {
			toProve = Number(*m.HoursToProve)
		}
		t.Add(Text(m.Machine), Count(int(m.Record)), Moment(m.At), Text(m.What), Text(m.Cause), Text(m.Unit),
			Number(m.Before.Events),
			Number(m.Before.LikeHours), Number(m.Since.Events), Number(m.Since.LikeHours), Number(m.Since.Expected),
			Share(m.Held),
			Text(m.Says), toProve)
	}
	return t
}
