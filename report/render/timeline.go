package render

import (
	"fmt"
	"io"

	"shedbook/report"
)

// Timeline prints what happened to a machine, newest first.
func Timeline(w io.Writer, r report.TimelineReport, o Options) error {
	return Print(w, r, o, func() *Doc {
		d := &Doc{Title: "What happened to " + r.Machine, Lead: []string{asOf(r.AsOf, o) + " Newest first."}}
		d.Table(timelineTable(r))
		if r.More > 0 {
			d.Say(fmt.Sprintf("%d older lines. To see all: 'timeline %s --all'.", r.More, r.Machine))
		}
		return d
	})
}

func timelineTable(r report.TimelineReport) *Table {
	t := &Table{Columns: []Column{
		{Key: "at", Head: "When"},
		{Key: "engine_hours", Head: "Engine", Unit: "h"},
		{Key: "kind", Head: "Kind", Drop: 2},
		{Key: "says", Head: "What", Wrap: true},
		{Key: "number", Head: "Record", Drop: 1},
	}, Empty: "Nothing is recorded for this machine."}
	for _, x := range r.Lines {
		says, number := x.Says, Text("")
		if x.Note != "" {
			says += " (" + x.Note + ")"
		}
		if x.Number != 0 {
			number = Text(fmt.Sprint(x.Number))
		}
		t.Add(Day(x.At), Number(x.Engine), Text(x.Kind), Text(says), number)
	}
	return t
}
