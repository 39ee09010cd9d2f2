package render

import (
	"io"
	"slices"

	"shedbook/report"
)

// Due prints the recurring work: overdue first, then by date.
func Due(w io.Writer, r report.DueReport, o Options) error {
	return Print(w, r, o, func() *Doc {
		d := &Doc{Title: "Work that is due", Lead: []string{asOf(r.AsOf, o) + " Overdue work comes first."}}
		parkedFirst(d, r.Machines)
		dueTables(d, r)
		return d
	})
}

// dueTables lists what is due and, separately, what is only advised. CSV has
// both in one table.
func dueTables(d *Doc, r report.DueReport) {
	at := slices.IndexFunc(r.Due, func(d report.Due) bool { return d.Advice })
	if at < 0 {
		at = len(r.Due)
	}
	due, advice := r, r
	due.Due, advice.Due = r.Due[:at], r.Due[at:]
	if d.main == nil {
		d.main = dueTable(r)
	}
	d.Table(dueTable(due))
	if len(advice.Due) > 0 {
		d.Sub("Only advised: these intervals are not sure, and nothing here is overdue")
		d.Table(dueTable(advice))
	}
	d.Warn(r.Warnings...)
}

func dueTable(r report.DueReport) *Table {
	t := &Table{Columns: []Column{
		{Key: "machine", Head: "Machine"},
		{Key: "work", Head: "Work", Wrap: true},
		{Key: "state", Head: "State"},
		{Key: "left", Head: "Left"},
		{Key: "by", Head: "counted in"},
		{Key: "every", Head: "Every", Drop: 2},
		{Key: "since"},
		{Key: "due", Head: "Due about"},
		{Key: "due_low", Head: "earliest", Drop: 4},
		{Key: "due_high", Head: "latest", Drop: 3},
		{Key: "last", Head: "Last done", Drop: 1},
		{Key: "plan"},
		{Key: "why"},
	}, Empty: "No work is planned or due. Add a plan with 'plan add'."}
	for i := range r.Due {
		d := &r.Due[i]
		state := Text("to come")
		switch {
		case d.Advice:
			state = Text("advice").Hint(Dim)
		case d.Overdue:
			state = Text("overdue").Hint(Doubtful)
		case d.When == nil:
			state = Text("no date").Hint(Dim)
		}
		due := Day(when(d.When))
		if d.Overdue || d.Advice && d.Left <= 0 {
			due = due.Said("now")
		}
		left, every, since := Number(d.Left), Number(d.Every), Number(d.Since)
		if d.By == "" {
			left, every, since = Cell{}, Cell{}, Cell{}
		}
		t.Add(Text(d.Machine), Text(d.Work), state, left, Text(d.By), every, since, due, Day(when(d.Low)),
			Day(when(d.High)),
			Day(when(d.Last)), planNumber(d.Plan), Text(deref(d.Why)))
	}
	return t
}

func planNumber(n int64) Cell {
	if n == 0 {
		return Cell{}
	}
	return Count(int(n))
}
