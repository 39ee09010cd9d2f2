package render

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"

	"shedbook/report/flags"
	"shedbook/report/say"
	"shedbook/report/state"
	"shedbook/schema"
	"shedbook/schema/unit"
)

// Flags prints the list of flags: one line each, worst first.
func Flags(w io.Writer, r flags.Result, o Options) error {
	return Print(w, r, o, func() *Doc {
		d := &Doc{Title: "Flags", Lead: []string{asOf(r.AsOf, o) + " Worst first."}}
		parkedFirst(d, r.Machines)
		d.Table(flagsTable(r.Flags))
		if len(r.Resting) > 0 {
			var who []string
			for i := range r.Resting {
				who = append(who, owner(&r.Resting[i])+" "+r.Resting[i].Flag)
			}
			d.Say("Answered, so quiet until new evidence comes in: " + say.Several(who, 20) + ".")
		}
		d.Warn(r.Warnings...)
		d.Say(doubtsStand(r.Doubts))
		if len(r.Flags) > 0 && !o.Within { // which links to them
			d.Say("For all the reasons: 'flags MACHINE' or 'flags DRIVER'. To say what you found: 'answer MACHINE " +
				"FLAG'.")
		}
		return d
	})
}

// FlagsOf prints the reasoning behind one machine's or driver's flags: reasons,
// the evidence over the hours, what would change it, the next check and its
// caution. Flags of others in r are left out.
func FlagsOf(w io.Writer, r flags.Result, who string, o Options) error {
	other := func(f flags.Flag) bool { return f.Machine != who && f.Driver != who }
	r.Flags = slices.DeleteFunc(slices.Clone(r.Flags), other)
	r.Resting = slices.DeleteFunc(slices.Clone(r.Resting), other)
	r.Machines = slices.DeleteFunc(slices.Clone(r.Machines), func(m state.Machine) bool { return m.Machine != who })
	r.Standing = slices.DeleteFunc(slices.Clone(r.Standing), func(s flags.Standing) bool { return s.Machine != who })
	r.Drivers = slices.DeleteFunc(slices.Clone(r.Drivers), func(d flags.Driver) bool { return d.Driver != who })
	return Print(w, r, o, func() *Doc {
		d := &Doc{Title: "Flags of " + who, Lead: []string{asOf(r.AsOf, o)}}
		d.main = flagsTable(r.Flags)
		for i := range r.Machines {
			stateOf(d, r.Machines[i].Machine, r.Machines[i].State)
		}
		for i := range r.Flags {
			flagInFull(d, &r.Flags[i], o)
		}
		for i := range r.Resting {
			f := &r.Resting[i]
			d.Section(f.Flag + ", answered")
			d.Say(answerText(f, o))
		}
		if len(r.Flags) == 0 {
			d.Say("No flag is raised for " + who + ".")
			if len(r.Resting) == 0 {
				for i := range r.Drivers {
					d.Say(who + ": " + r.Drivers[i].Split.DriverWords(false))
				}
			}
			for _, s := range r.Standing {
				if s.Flag != "" {
					d.Say(fmt.Sprintf("What comes nearest to a flag is %s: %s; a flag needs %s.", s.Flag,
						evidenceText(s.Evidence.Log10BayesFactor), say.Odds(s.Evidence.Needed)))
					if p := evidencePlot(s.Flag, true, s.Curve, s.Evidence.Needed); p != nil {
						d.Plot(p)
					}
				}
			}
		}
		d.Warn(r.Warnings...)
		return d
	})
}

func flagInFull(d *Doc, f *flags.Flag, o Options) {
	d.Section(owner(f) + ": " + f.Flag)
	with := "with this fault than without"
	if f.Machine == "" {
		with = "if this is so than if it is not"
	}
	d.Say(fmt.Sprintf("Since about %s, raised %s. This log is %s likelier %s; a flag needs %s.",
		o.day(f.Since), o.day(f.Raised), say.Odds(f.Evidence.Log10BayesFactor), with, say.Odds(f.Evidence.Needed)))
	says := sentences(f.Reasons)
	if f.Driver != "" && len(says) > 0 {
		says[0] = f.Driver + ": " + says[0]
	}
	d.List(says)
	if p := evidencePlot(f.Flag, f.Machine != "", f.Curve, f.Evidence.Needed); p != nil {
		d.Plot(p)
	}
	if f.RaisedAs != "" && f.RaisedAs != f.Flag {
		d.Say("When it was raised, it was called " + f.RaisedAs + ".")
	}
	for _, s := range f.Would {
		d.Say(say.Sentence(s))
	}
	if f.Answered != nil {
		d.Say(answerText(f, o))
	}
	if f.NextCheck != nil {
		d.Say("Next check: " + *f.NextCheck + ", the best test of this. shedbook next " +
			schema.Quote(Safe(f.Machine)) +
			" weighs all causes and the checks already done.")
	}
	d.Caution(say.Sentence(f.Caution))
}

func sentences(in []string) []string {
	out := make([]string, len(in))
	for i, s := range in {
		out[i] = say.Sentence(s)
	}
	return out
}

func answerText(f *flags.Flag, o Options) string {
	a := f.Answered
	if a == nil {
		return ""
	}
	s := "Answered " + o.day(a.At) + ": "
	switch {
	case a.NothingFound:
		s += "nothing was found"
	case a.Found != "":
		s += a.Found
	default:
		s += "the cause was found"
	}
	if a.Cause != "" {
		s += " (" + a.Cause + ")"
	}
	if a.Service != nil {
		s += ", fixed by service " + strconv.FormatInt(*a.Service, 10)
	}
	return s + "."
}

// owner returns whose flag it is.
func owner(f *flags.Flag) string {
	switch {
	case f.Machine != "":
		return f.Machine
	case f.Driver != "":
		return f.Driver
	}
	return f.Factor + " " + f.Level
}

func flagsTable(fs []flags.Flag) *Table {
	t := &Table{Columns: []Column{
		{Key: "whose", Head: "Who or what"},
		{Key: "scope", Head: "Scope", Drop: 5},
		{Key: "flag", Head: "Flag"},
		{Key: "since", Head: "Since about", Drop: 1},
		{Key: "raised", Head: "Raised", Drop: 4},
		{Key: "log10_bayes_factor"},
		{Key: "evidence", Head: "Evidence", Drop: 2},
		{Key: "next_check", Head: "Next check", Drop: 3},
		{Key: "reasons"},
		{Key: "cause"},
		{Key: "caution"},
	}, Empty: "No flag is raised."}
	for i := range fs {
		f := &fs[i]
		cause := ""
		if len(f.Causes) > 0 {
			cause = f.Causes[0].Cause
		}
		t.Add(Text(owner(f)), Text(f.Scope), Text(f.Flag).Hint(Bad), Day(f.Since), Day(f.Raised),
			Number(f.Evidence.Log10BayesFactor),
			Text(say.Odds(f.Evidence.Log10BayesFactor)), Text(deref(f.NextCheck)), Lines(f.Reasons), Text(cause),
			Text(f.Caution))
	}
	return t
}

func evidenceText(log10 float64) string {
	if log10 < 0 {
		return "the log is " + say.Odds(log10) + " likely with it than without"
	}
	return "the log is " + say.Odds(log10) + " likelier with it than without"
}

// evidencePlot returns the plot of the evidence, as powers of ten, over a
// machine's engine hours, or over the overheats that count for a driver or a
// condition.
func evidencePlot(flag string, machine bool, curvePoints []flags.Point, needed float64) *chart {
	if len(curvePoints) < 2 {
		return nil
	}
	nan := math.NaN()
	c := curve{class: "c1", words: "evidence"}
	top := curvePoints[0]
	for _, q := range curvePoints {
		// Evidence of more than a thousand to 1 against a pattern is not worth the
		// space.
		c.pts = append(c.pts, point{q.Hours, max(q.Log10BayesFactor, -3), nan, nan})
		if q.Log10BayesFactor > top.Log10BayesFactor {
			top = q
		}
	}
	last := curvePoints[len(curvePoints)-1]
	over, after, with := "recorded engine hours", " h", "with this fault than without"
	if !machine {
		over, after, with = "overheats", " overheats", "if this is so than if it is not"
	}
	return &chart{title: "Evidence for " + flag, xName: over, yName: "times likelier (2 is 100, 3 is 1,000)",
		curves: []curve{c},
		line:   &level{needed, "enough for a flag"},
		alt: fmt.Sprintf("After %s the log is %s likelier %s. The highest was %s, at %s; a flag needs %s.",
			unit.Fixed(last.Hours, 0)+after, say.Odds(last.Log10BayesFactor), with, say.Odds(top.Log10BayesFactor),
			unit.Fixed(top.Hours, 0)+after, say.Odds(needed))}
}
