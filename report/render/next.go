package render

import (
	"fmt"
	"io"

	"shedbook/report/next"
	"shedbook/schema/unit"
)

// inFull is how many causes and checks a terminal and a page tell in full; the
// tables list them all.
const inFull = 3

// Next prints the causes by probability and the checks by what they are worth.
func Next(w io.Writer, r next.Result, o Options) error {
	return Print(w, r, o, func() *Doc {
		d := &Doc{Title: "What to check next on " + r.Machine, Lead: []string{asOf(r.AsOf, o)}}
		stateOf(d, r.Machine, r.State)
		if len(r.Candidates) == 0 {
			d.main = checksTable(r)
			d.Say(sentence("nothing to rank: " + r.Why))
			d.Warn(r.Warnings...)
			return d
		}
		d.Say(sentence(r.Advice))
		causes := &Table{Title: "Causes, most probable first", Columns: []Column{
			{Key: "cause", Head: "Cause"},
			{Key: "probability", Head: "Probability"},
			{Key: "minutes", Head: "To mend", Unit: unit.Minutes},
			{Key: "means", Head: "What it is", Wrap: true, Drop: 1},
			{Key: "for"},
			{Key: "against"},
		}}
		for i := range r.Candidates {
			c := &r.Candidates[i]
			if n := len(r.Candidates) - i; i >= 3 && c.Probability < 0.01 && o.Format != CSV {
				causes.Notes = []string{plural(n, "cause is", "causes are") + " left out here, less probable than 1 in 100."}
				break
			}
			causes.Add(Text(c.Cause), Share(c.Probability), Number(c.Minutes), Text(c.Means), Lines(c.For), Lines(c.Against))
		}
		d.Table(causes)
		d.Say("More than one cause may be there, so the probabilities may add up to more than 1.")
		for i := range r.Candidates {
			c := &r.Candidates[i]
			if i == inFull {
				break
			}
			var says []string
			for _, s := range c.For {
				says = append(says, "for: "+s)
			}
			for _, s := range c.Against {
				says = append(says, "against: "+s)
			}
			if len(says) == 0 {
				says = []string{"the log speaks neither for it nor against it"}
			}
			d.Section("What speaks for and against " + c.Cause)
			d.List(sentences(says))
		}
		d.Table(checksTable(r))
		for i := range r.Checks {
			if i == inFull {
				break
			}
			c := &r.Checks[i]
			d.Section(fmt.Sprintf("%d. %s, %s", i+1, c.Check, unit.Format(c.Minutes, unit.Minutes, o.system())))
			d.Say(sentence(c.How))
			if c.Needs != "" {
				d.Say(sentence("needs " + c.Needs))
			}
			if c.Again != "" {
				d.Say(sentence(c.Again))
			}
			d.List(sentences([]string{"pass: " + c.IfPass, "fail: " + c.IfFail}))
			d.Caution(sentence(c.Caution))
		}
		d.Warn(r.Warnings...)
		d.Say("The maker's manual overrides every figure here.")
		return d
	})
}

func checksTable(r next.Result) *Table {
	t := &Table{Title: "Checks, most minutes saved for a minute first", Columns: []Column{
		{Key: "check", Head: "Check"},
		{Key: "minutes", Head: "Takes", Unit: unit.Minutes},
		{Key: "expected_minutes_saved", Head: "Saves", Unit: unit.Minutes},
		{Key: "fail_probability", Head: "Chance to fail", Drop: 2},
		{Key: "if_pass", Head: "If it passes", Wrap: true, Drop: 1},
		{Key: "if_fail", Head: "If it fails", Wrap: true},
		{Key: "caution"},
	}, Empty: "No check would tell more."}
	for i := range r.Checks {
		c := &r.Checks[i]
		t.Add(Text(c.Check), Number(c.Minutes), Number(c.MinutesSaved), Share(c.FailChance), Text(c.IfPass), Text(c.IfFail), Text(c.Caution))
	}
	return t
}

// Cautions prints what can hurt, topic by topic.
func Cautions(w io.Writer, cs []next.Caution, o Options) error {
	return Print(w, cs, o, func() *Doc {
		d := &Doc{Title: "Cautions"}
		d.main = &Table{Columns: []Column{{Key: "topic", Head: "Topic"}, {Key: "text", Head: "Caution", Wrap: true}}}
		for _, c := range cs {
			d.main.Add(Text(c.Topic), Text(c.Text))
			d.Section(c.Topic)
			d.Say(c.Text)
		}
		return d
	})
}
