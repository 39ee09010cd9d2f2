package render

import (
	"fmt"
	"io"

	"shedbook/report"
	"shedbook/report/say"
	"shedbook/schema/unit"
)

// Recurrence prints how often something comes back as machines age. CSV has the
// curve.
func Recurrence(w io.Writer, r report.RecurrenceReport, o Options) error {
	return Print(w, r, o, func() *Doc {
		d := &Doc{Title: "How often: " + r.Of, Lead: []string{asOf(r.AsOf, o)}}
		d.main = &Table{Columns: []Column{{Key: "hours", Head: "By", Unit: unit.Hours},
			{Key: "at_risk", Head: "Machines at risk"}, {Key: "mcf", Head: "Mean per machine", Span: true}}}
		for _, p := range r.Curve {
			d.main.Add(Number(p.Hours), Count(p.AtRisk), Estimated(&Interval{p.MCF, p.Low, p.High, 0.95}))
		}
		for _, s := range r.Words {
			d.Say(say.Sentence(s))
		}
		if len(r.Curve) > 0 {
			d.Plot(recurrencePlot(r))
		}
		t := &Table{Title: "Trend of each machine", Columns: []Column{
			{Key: "machine", Head: "Machine"},
			{Key: "events", Head: "Events"},
			{Key: "hours", Head: "Hours", Unit: unit.Hours},
			{Key: "says", Head: "Trend"},
			{Key: "laplace", Head: "Laplace", Drop: 3},
			{Key: "p", Head: "p", Drop: 2},
			{Key: "power_law_shape", Head: "Power-law shape", Span: true, Drop: 4},
			{Key: "why", Head: "Reason", Wrap: true, Drop: 1},
		}, Empty: "No machine has recorded hours."}
		var warn grouped
		for i := range r.Trend {
			m := &r.Trend[i]
			warn.add(m.Machine, m.Warnings...)
			if m.Events == 0 {
				continue
			}
			says := Text(m.Says)
			if m.Says == "worse" {
				says = says.Hint(Doubtful)
			}
			t.Add(Text(m.Machine), Count(m.Events), Number(m.Hours), says, Known(m.Laplace), Chance(m.P),
				Estimated((*Interval)(m.Shape)), Text(deref(m.Why)))
		}
		if len(t.Rows) > 0 {
			d.Table(t)
			if n := len(r.Trend) - len(t.Rows); n > 0 {
				d.Warn(say.Count(n, "machine has none, and is", "machines have none, and are") + " not in the table.")
			}
		}
		d.Warn(r.Warnings...)
		d.Warn(warn.lines(": ")...)
		return d
	})
}

func recurrencePlot(r report.RecurrenceReport) *chart {
	c := curve{words: "mean of all machines", class: "c1", step: true, pts: []point{{0, 0, 0, 0}}}
	for _, p := range r.Curve {
		c.pts = append(c.pts, point{p.Hours, p.MCF, p.Low, p.High})
	}
	last := c.pts[len(c.pts)-1]
	end := last.x
	for _, m := range r.Trend {
		end = max(end, m.Hours)
	}
	if end > last.x {
		c.pts = append(c.pts, point{end, last.y, last.low, last.high})
	}
	return &chart{title: "Mean number of " + r.Of + " per machine", xName: "engine hours since the first reading",
		yName: "mean number per machine", zero: true, curves: []curve{c},
		alt: fmt.Sprintf("Over %s the mean rises to %s per machine by %s h.", say.Count(r.Machines, "machine"),
			intervalText(Interval{last.y, last.low, last.high, 0.95}, &Column{}, unit.Metric), unit.Fixed(last.x, 0))}
}
