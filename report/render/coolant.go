package render

import (
	"fmt"
	"io"
	"math"
	"slices"

	"shedbook/report"
	"shedbook/report/coolant"
	"shedbook/report/exposure"
	"shedbook/report/say"
	"shedbook/schema/unit"
)

// Coolant prints what became of the coolant. For a single machine its stretches
// and its plot follow.
func Coolant(w io.Writer, r report.CoolantReport, o Options) error {
	return Print(w, r, o, func() *Doc {
		d := &Doc{Title: "Coolant", Lead: []string{asOf(r.AsOf, o)}}
		if slices.ContainsFunc(r.Machines, func(m coolant.Machine) bool { return m.Rate != nil }) {
			d.Lead = append(d.Lead, lossMeans)
		}
		if len(r.Machines) == 1 {
			d.Title = "Coolant of " + r.Machines[0].Machine
		}
		d.Table(coolantTable(r))
		d.Warn(r.Warnings...)
		var why, warn grouped
		for i := range r.Machines {
			m := &r.Machines[i]
			why.add(m.Machine, deref(m.Why))
			warn.add(m.Machine, m.Warnings...)
		}
		for _, l := range why.lines(": ") {
			d.Warn("no rate for " + l)
		}
		d.Warn(warn.lines(": ")...)
		if len(r.Machines) == 1 {
			coolantOf(d, &r.Machines[0], o)
		}
		return d
	})
}

// lossMeans explains which loss is meant.
const lossMeans = "Loss is what to expect per engine hour from now on, measured since the last change or repair."

func coolantTable(r report.CoolantReport) *Table {
	t := &Table{Columns: []Column{
		{Key: "machine", Head: "Machine"},
		{Key: "hours", Head: "Hours", Unit: unit.Hours},
		{Key: "topped_up_ml", Head: "Topped up", Unit: unit.Millilitres},
		{Key: "settling_ml", Head: "Settling", Unit: unit.Millilitres, Drop: 3},
		{Key: "boil_over_ml", Head: "Boil-over", Unit: unit.Millilitres, Drop: 3},
		{Key: "unexplained_ml", Head: "Unexplained", Unit: unit.Millilitres, Drop: 2},
		{Key: "unattributed_ml"},
		{Key: "intervals", Head: "Stretches", Drop: 5},
		{Key: "rate_ml_per_h", Head: "Loss (95 % interval)", Unit: unit.Millilitres, Per: "/h", Span: true},
		{Key: "pct_of_system_per_100h", Head: "of the system", Unit: unit.Percent, Per: " per 100 h", Span: true,
			Drop: 4},
		{Key: "rate_since"},
		{Key: "steady", Head: "Steady?", Drop: 6},
		{Key: "from"},
		{Key: "to", Head: "Last reading", Drop: 7},
		{Key: "why"},
	}, Empty: "No machine is in the book yet."}
	for i := range r.Machines {
		m := &r.Machines[i]
		t.Add(Text(m.Machine), Number(m.Hours), Number(m.ToppedUpMl), Number(m.SettlingMl), Number(m.BoilOverMl),
			Number(m.UnexplainedMl), Number(m.UnattributedMl), Count(m.Intervals),
			Estimated((*Interval)(m.Rate)), Estimated((*Interval)(m.RatePct)), Text(deref(m.RateSince)),
			Text(steady(m)),
			Day(when(m.From)), Day(when(m.To)), Text(deref(m.Why)))
	}
	return t
}

func steady(m *coolant.Machine) string {
	switch {
	case m.Steady == nil:
		return ""
	case *m.Steady:
		return "steady"
	}
	return "in bursts"
}

// coolantOf adds one machine's stretches, its plot and its sentences.
func coolantOf(d *Doc, m *coolant.Machine, o Options) {
	d.Say(steadyWords(m))
	d.Say(changed(m, o))
	if m.Rate != nil && m.RateSince != nil {
		d.Say(say.Sentence("the loss counts " + *m.RateSince))
	}
	if len(m.Stretches) == 0 {
		return
	}
	if p := coolantChart(m, o); p != nil {
		d.Plot(p)
	}
	t := &Table{Title: "Stretches between level readings", Columns: []Column{
		{Key: "from", Head: "From"},
		{Key: "to", Head: "To"},
		{Key: "hours", Head: "Hours", Unit: unit.Hours},
		{Key: "lost_ml", Head: "Lost", Unit: unit.Millilitres},
		{Key: "counts_as", Head: "Counts as", Wrap: true},
		{Key: "boil_over_ml", Head: "Boil-over", Unit: unit.Millilitres, Drop: 2},
		{Key: "unexplained_ml", Head: "Unexplained", Unit: unit.Millilitres, Drop: 1},
	}}
	for i := 0; i < len(m.Stretches); i++ {
		s := &m.Stretches[i]
		if to := quiet(m.Stretches, i); to > i+1 && o.Format != CSV {
			last := &m.Stretches[to-1]
			t.Add(Day(s.From), Day(last.To), Number(last.ToH-s.FromH), Number(0),
				Text(fmt.Sprintf("nothing lost, %d readings", to-i)), Number(0), Number(0))
			i = to - 1
			continue
		}
		says := "unexplained"
		switch {
		case s.Settling:
			says = "settling"
		case s.Blind && s.Unattributed() > 0:
			says = "boil-over, amount not known"
		case s.BoilOver > 0 && s.Unexplained() > 0:
			says = "boil-over and unexplained"
		case s.BoilOver > 0:
			says = "boil-over"
		case s.Lost <= 0:
			says = "nothing lost"
		}
		t.Add(Day(s.From), Day(s.To), Number(s.Hours()), Number(s.Lost), Text(says), Number(s.BoilOver),
			Number(s.Unexplained()))
	}
	d.Table(t)
}

// quiet returns the end of the stretches from i on in which nothing was lost.
func quiet(stretches []exposure.Stretch, i int) int {
	for i < len(stretches) && stretches[i].Lost == 0 && stretches[i].BoilOver == 0 && !stretches[i].Settling {
		i++
	}
	return i
}

// changed returns when the rate changed, in words.
func changed(m *coolant.Machine, o Options) string {
	c := m.Change
	if c == nil {
		if m.ChangeWhy == nil {
			return ""
		}
		return say.Sentence("the rate does not change: " + *m.ChangeWhy)
	}
	col := &Column{Unit: unit.Millilitres, Per: "/h"}
	s := fmt.Sprintf("The rate changed from %s to %s %s at about %s engine hours",
		figureText(c.Before, col, o.system()),
		figureText(c.After, col, o.system()), col.label(o.system()),
		intervalText(Interval(c.Hours), &Column{}, o.system()))
	if c.At != nil {
		s += ", on " + o.day(*c.At)
		if c.Low != nil && c.High != nil {
			s += " (" + o.day(*c.Low) + " to " + o.day(*c.High) + ")"
		}
	}
	return s + "."
}

// coolantChart returns the chart of what was lost against engine hours: all of
// it, and the unexplained part.
func coolantChart(m *coolant.Machine, o Options) *chart {
	var points []report.CoolantPoint
	total, unexplained := 0.0, 0.0
	for i := range m.Stretches {
		s := &m.Stretches[i]
		if n := len(points); n == 0 || s.FromH > points[n-1].Engine { // the first, or the one after a refill
			points = append(points, report.CoolantPoint{Engine: s.FromH, Lost: total, Unexplained: unexplained})
		}
		total += s.Lost
		unexplained += s.Unexplained()
		points = append(points, report.CoolantPoint{Engine: s.ToH, Lost: total, Unexplained: unexplained})
	}
	p := lossChart(points, o)
	if p != nil && m.Rate != nil {
		rate := &Column{Unit: unit.Millilitres, Per: "/h"}
		p.alt += fmt.Sprintf(" The loss now is %s %s.", intervalText(Interval(*m.Rate), rate, o.system()),
			rate.label(o.system()))
	}
	return p
}

// lossChart returns the chart of what was found missing, with the refills among
// the points; nil for fewer than two points.
func lossChart(points []report.CoolantPoint, o Options) *chart {
	if len(points) < 2 {
		return nil
	}
	nan := math.NaN()
	ml := func(v float64) float64 { v, _ = shown(v, unit.Millilitres, o.system()); return v }
	_, label := shown(0, unit.Millilitres, o.system())
	all := curve{words: "all that was missing", class: "c2"}
	odd := curve{words: "unexplained", class: "c1", dotted: true}
	p := &chart{title: "Coolant missing by engine hours", xName: "engine hours",
		yName: label + " since the first reading", zero: true}
	for _, q := range points {
		all.pts = append(all.pts, point{q.Engine, ml(q.Lost), nan, nan})
		odd.pts = append(odd.pts, point{q.Engine, ml(q.Unexplained), nan, nan})
		if q.Kind == "refill" {
			p.events = append(p.events, event{q.Engine, "down", "refill", '▼', "refill " + o.day(q.At)})
		}
	}
	p.curves = []curve{all, odd}
	first, last := points[0], points[len(points)-1]
	p.alt = fmt.Sprintf("From %s to %s engine hours %s went missing; %s of that is unexplained",
		unit.Fixed(first.Engine, 0), unit.Fixed(last.Engine, 0),
		unit.Format(last.Lost, unit.Millilitres, o.system()),
		unit.Format(last.Unexplained, unit.Millilitres, o.system()))
	if len(p.events) > 0 {
		p.legends = []keyed{{"down", "refill", "▼", "refill"}}
		p.alt += "; " + say.Count(len(p.events), "refill")
	}
	p.alt += "."
	return p
}
