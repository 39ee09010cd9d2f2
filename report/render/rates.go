package render

import (
	"fmt"
	"io"
	"slices"

	"shedbook/report"
	"shedbook/report/say"
	"shedbook/schema/unit"
)

// Rates prints overheats by the hours driven, crude beside adjusted, as a
// table, a plot and sentences.
func Rates(w io.Writer, r report.RatesReport, o Options) error {
	return Print(w, r, o, func() *Doc {
		d := &Doc{Title: "Overheats by " + r.By, Lead: []string{asOf(r.AsOf, o)}}
		if len(r.AdjustedFor) > 0 {
			d.Title += ", " + allowing(r)
		}
		tell := func() {
			for _, s := range r.Words {
				d.Say(say.Sentence(s))
			}
		}
		plot := func() {
			if p := ratesPlot(r); len(p.rows) > 0 {
				d.Plot(p)
			}
		}
		if o.Format == HTML { // a page begins with the answer, a terminal ends with it
			tell()
			plot()
			d.Table(ratesTable(r))
		} else {
			d.Table(ratesTable(r))
			plot()
			tell()
		}
		if r.Intervals == "mid-P" {
			d.Say("Intervals and p for the rates as counted are mid-P.")
		}
		if len(r.AdjustedFor) > 0 && r.Method != "" {
			d.Say("Method: " + say.Sentence(r.Method))
		}
		var why grouped
		for _, l := range r.Levels {
			why.add(l.Level, deref(l.Why))
		}
		d.Warn(why.lines(": ")...)
		d.Warn(r.Warnings...)
		return d
	})
}

func against(r report.RatesReport) string {
	if r.Against == "rest" {
		return "the rest"
	}
	return r.Against
}

// allowing returns the factors that the rates are adjusted for, asked for or
// not.
func allowing(r report.RatesReport) string {
	return "allowing for " + say.List(append(slices.Clone(r.AdjustedFor), r.HeldToo...), "and")
}

func ratesTable(r report.RatesReport) *Table {
	t := &Table{Columns: []Column{
		{Key: r.By, Head: sentenceCase(r.By)},
		{Key: "overheats", Head: "Overheats"},
		{Key: "hours", Head: "Hours", Unit: unit.Hours},
		{Key: "per_100h", Head: "per 100 h", Span: true, Drop: 2},
		{Key: "crude_ratio", Head: "times " + against(r) + ", as counted", Span: true},
		{Key: "adjusted_ratio", Head: "times " + against(r) + ", " + allowing(r), Span: true},
		{Key: "p", Head: "p", Drop: 3},
		{Key: "p_holm", Head: "p (Holm)", Drop: 1},
		{Key: "crude_p"},
		{Key: "why"},
		{Key: "mostly_on"},
	}, Empty: "No hours with a recorded " + r.By + ", so there is nothing to compare."}
	for i := range r.Levels {
		l := &r.Levels[i]
		ratio, held := Estimated((*Interval)(l.CrudeRatio)), Estimated((*Interval)(l.AdjustedRatio))
		if l.PHolm != nil && *l.PHolm <= 0.05 {
			if l.AdjustedRatio != nil {
				held = held.Hint(Bold)
			} else if len(r.AdjustedFor) == 0 && l.Mostly == nil { // otherwise it may be the machine
				ratio = ratio.Hint(Bold)
			}
		}
		t.Add(Text(l.Level), Count(l.Overheats), Number(l.Hours), Estimated((*Interval)(l.Per100h)), ratio, held,
			Chance(l.P), Chance(l.PHolm), Chance(l.CrudeP), Text(deref(l.Why)), Text(deref(l.Mostly)))
	}
	return t
}

// mostDots is how many levels a plot shows; the table has all.
const mostDots = 40

func ratesPlot(r report.RatesReport) *dots {
	p := &dots{title: "Times the rate of " + against(r), axis: "times the rate of " + against(r) +
		" (log scale); the line is the 95 % interval", one: true, crude: "as counted"}
	if len(r.AdjustedFor) > 0 {
		p.adj = allowing(r)
	}
	for i := range r.Levels {
		l := &r.Levels[i]
		if l.CrudeRatio == nil && l.AdjustedRatio == nil {
			continue
		}
		if len(p.rows) == mostDots {
			p.title += fmt.Sprintf(" (the first %d of %d)", mostDots, len(r.Levels))
			break
		}
		p.rows = append(p.rows, dotRow{label: l.Level, crude: (*Interval)(l.CrudeRatio),
			adj: (*Interval)(l.AdjustedRatio)})
	}
	return p
}

// sentenceCase returns s with a capital at its beginning.
func sentenceCase(s string) string {
	if s != "" && s[0] >= 'a' && s[0] <= 'z' {
		return string(s[0]-'a'+'A') + s[1:]
	}
	return s
}
