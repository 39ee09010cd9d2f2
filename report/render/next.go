package render

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"shedbook/report/next"
	"shedbook/report/say"
	"shedbook/schema"
	"shedbook/schema/unit"
)

// inFull is how many causes and checks are told in full; --all and CSV list
// them all.
const inFull = 3

// Next prints what to do first, the likeliest causes, and the most useful
// checks, on one page of a terminal.
func Next(w io.Writer, r next.Result, o Options) error {
	if o.Format == CSV {
		return NextInFull(w, r, o)
	}
	return Print(w, r, o, func() *Doc {
		d := nextHead(r, o)
		if len(r.Candidates) == 0 {
			return d
		}
		causes := &Table{Columns: []Column{{Key: "cause", Head: "Cause"}, {Key: "probability", Head: "Probability"},
			{Key: "minutes", Head: "To fix it", Unit: unit.Minutes}}}
		for i := range r.Candidates[:min(causesShown(&r), len(r.Candidates))] {
			c := &r.Candidates[i]
			causes.Add(Text(c.Cause), Share(c.Probability), Number(c.Minutes))
		}
		d.Table(causes)
		first := &r.Candidates[0]
		says := append(led("for "+first.Cause+": ", first.For), led("against it: ", first.Against)...)
		if r.IsParked() { // whose reasons fill half a page
			says = says[:min(1, len(says))]
		}
		if len(says) > 0 {
			d.List(sentences(says))
		}
		// What saves less than a minute is not worth mentioning.
		worth := slices.DeleteFunc(slices.Clone(r.Checks), func(c next.Check) bool {
			return c.MinutesSaved < 1 &&
				r.Do.Act != "check"
		})
		shown := byWhen(worth[:min(inFull, len(worth))])
		checks := &Table{Columns: []Column{{Key: "check", Head: "Check"}, {Key: "when", Head: "When"},
			{Key: "minutes", Head: "Takes", Unit: unit.Minutes},
			{Key: "expected_minutes_saved", Head: "Saves", Unit: unit.Minutes},
			{Key: "if_fail", Head: "If it fails", Wrap: true}},
			Empty: "No check would help more."}
		for i := range shown {
			c := &shown[i]
			checks.Add(Text(c.Check), Text(c.When), Number(c.Minutes+c.CoolDown), Number(c.MinutesSaved),
				Text(clause(c.IfFail)))
		}
		more := len(r.Checks) - len(shown) + max(0, len(r.Candidates)-causesShown(&r))
		if more > 0 {
			checks.Notes = []string{fmt.Sprintf("%s and %s: shedbook next %s --all",
				say.Count(len(r.Checks)-len(shown), "more check"),
				say.Count(max(0, len(r.Candidates)-causesShown(&r)), "more cause"), schema.Quote(r.Machine))}
		}
		if !r.IsParked() && slices.ContainsFunc(shown, func(c next.Check) bool {
			return strings.Contains(c.IfFail,
				" from ")
		}) {
			checks.Notes = append(checks.Notes, asIfFaulty)
		}
		d.Table(checks)
		var cautions []string
		tell := func(list []string) {
			for _, c := range list {
				if c = say.Sentence(c); !slices.Contains(cautions, c) {
					cautions = append(cautions, c)
				}
			}
		}
		if r.Do.Act == "check" {
			for i := range shown {
				c := &shown[i]
				if c.Check == *r.Do.Check { // the one to do is told in full already
					d.Say(say.Sentence(c.Check + ": " + c.How))
					if c.Again != "" {
						d.Say(say.Sentence("again, because " + c.Again))
					}
					tell(c.Cautions)
				}
			}
		} else {
			for i := range r.Candidates {
				if r.Do.Cause != nil && r.Candidates[i].Cause == *r.Do.Cause {
					tell(r.Candidates[i].Cautions)
				}
			}
		}
		if len(cautions) > 0 {
			d.Caution(strings.Join(cautions, " "))
		}
		if !r.IsParked() { // the reasons say so already
			d.Say("The maker's manual comes before every figure here.")
		}
		return d
	})
}

// causesShown returns how many causes a page has room for.
func causesShown(r *next.Result) int {
	if r.IsParked() {
		return inFull - 1
	}
	return inFull
}

// led returns the first two items of a list, each after the lead.
func led(lead string, says []string) []string {
	var out []string
	for _, s := range says[:min(2, len(says))] {
		out = append(out, lead+s)
	}
	return out
}

// clause returns a sentence up to its first comma or semicolon.
func clause(s string) string {
	if i := strings.IndexAny(s, ",;"); i > 0 {
		return s[:i]
	}
	return s
}

// byWhen sorts checks by the state of the engine: cold, warming, hot.
func byWhen(checks []next.Check) []next.Check {
	out := slices.Clone(checks)
	order := []string{"cold", "warming", "hot"}
	slices.SortStableFunc(out, func(a, b next.Check) int {
		return slices.Index(order, a.When) - slices.Index(order,
			b.When)
	})
	return out
}

// nextHead returns the beginning of both reports, which is all if there is
// nothing to rank.
func nextHead(r next.Result, o Options) *Doc {
	d := &Doc{Title: "What to check next on " + r.Machine, Lead: []string{asOf(r.AsOf, o)}}
	stateOf(d, r.Machine, r.State)
	if len(r.Candidates) == 0 {
		d.main = checksTable(r)
		d.Say(say.Sentence("nothing to do: " + r.Why))
		d.List(lastHeld(r.Machine, r.Remedies, o))
		d.Warn(r.Warnings...)
		return d
	}
	d.Say(say.Sentence(r.Advice))
	if r.Do.Act != next.DoAdvise { // the advice says so already
		if !r.IsParked() { // whose page is full
			d.Say(r.Parts)
		}
	}
	if !r.IsParked() { // whose page is full; `held` has them
		d.List(lastHeld(r.Machine, r.Remedies, o))
	}
	return d
}

// asIfFaulty says why a check may begin at another probability than its cause has in the table.
const asIfFaulty = "What a check changes is counted as if the machine has a fault."

// NextInFull prints every cause by probability and every check by its
// usefulness.
func NextInFull(w io.Writer, r next.Result, o Options) error {
	return Print(w, r, o, func() *Doc {
		d := nextHead(r, o)
		if len(r.Candidates) == 0 {
			return d
		}
		causes := &Table{Title: "Causes, likeliest first", Columns: []Column{
			{Key: "cause", Head: "Cause"},
			{Key: "probability", Head: "Probability"},
			{Key: "minutes", Head: "To fix it", Unit: unit.Minutes},
			{Key: "means", Head: "What it is", Wrap: true, Drop: 1},
			{Key: "for"},
			{Key: "against"},
		}}
		for i := range r.Candidates {
			c := &r.Candidates[i]
			if n := len(r.Candidates) - i; i >= 3 && c.Probability < 0.01 && o.Format != CSV {
				causes.Notes = []string{say.Count(n, "cause is", "causes are") +
					" not shown, each less likely than 1 in 100."}
				break
			}
			causes.Add(Text(c.Cause), Share(c.Probability), Number(c.Minutes), Text(c.Means), Lines(c.For),
				Lines(c.Against))
		}
		d.Table(causes)
		d.Say("There may be more than one cause, so the probabilities may add up to more than 1. " + asIfFaulty)
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
				says = []string{"the log says nothing for or against it"}
			}
			d.Section("For and against " + c.Cause)
			d.List(sentences(says))
		}
		d.Table(checksTable(r))
		for i := range r.Checks {
			if i == inFull {
				break
			}
			c := &r.Checks[i]
			d.Section(fmt.Sprintf("%d. %s, %s", i+1, c.Check, unit.Format(c.Minutes, unit.Minutes, o.system())))
			d.Say(say.Sentence(c.How))
			if c.Needs != "" {
				d.Say(say.Sentence("needs " + c.Needs))
			}
			if len(c.Missing) > 0 {
				d.Say(say.Sentence("not at hand: " + strings.Join(c.Missing, ", ")))
			}
			if c.Again != "" {
				d.Say(say.Sentence("again, because " + c.Again))
			}
			d.List(sentences([]string{"pass: " + c.IfPass, "fail: " + c.IfFail}))
			d.Caution(say.Sentence(c.Caution))
		}
		d.Warn(r.Warnings...)
		d.Say("The maker's manual comes before every figure here.")
		return d
	})
}

func checksTable(r next.Result) *Table {
	t := &Table{Title: "Checks, the most time saved per minute first", Columns: []Column{
		{Key: "check", Head: "Check"},
		{Key: "when", Head: "When"},
		{Key: "minutes", Head: "Takes", Unit: unit.Minutes},
		{Key: "cool_down_minutes", Head: "Cools", Unit: unit.Minutes, Drop: 3},
		{Key: "expected_minutes_saved", Head: "Saves", Unit: unit.Minutes},
		{Key: "fail_probability", Head: "Chance of a fail", Drop: 2},
		{Key: "if_pass", Head: "If it passes", Wrap: true, Drop: 1},
		{Key: "if_fail", Head: "If it fails", Wrap: true},
		{Key: "caution"},
	}, Empty: "No check would help more."}
	for i := range r.Checks {
		c := &r.Checks[i]
		t.Add(Text(c.Check), Text(c.When), Number(c.Minutes), Number(c.CoolDown), Number(c.MinutesSaved),
			Share(c.FailChance), Text(c.IfPass), Text(c.IfFail), Text(c.Caution))
	}
	return t
}

// Cautions prints the dangers, topic by topic.
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
