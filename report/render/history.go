package render

import (
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"shedbook/report"
	"shedbook/report/coolant"
	"shedbook/report/say"
	"shedbook/schema/unit"
)

// Papers are what goes with a printed history besides its records.
type Papers struct {
	Digest string // of the records, for the foot
	Photos []Photo
}

// Photo is a photograph embedded in the page.
type Photo struct {
	Number  int64  // of its record
	DataURL string // "data:image/jpeg;base64,...", scaled down
	Words   string // what it shows
}

// History prints one machine's life for its buyer. CSV has its records only.
func History(w io.Writer, r report.HistoryReport, papers Papers, o Options) error {
	return Print(w, r, o, func() *Doc {
		d := &Doc{Title: "History of " + r.Machine, Lead: []string{asOf(r.AsOf, o)}, AsOf: r.AsOf}
		if s := identity(r); s != "" {
			d.Lead = append([]string{s}, d.Lead...)
		}
		entries := historyEntries(r)
		d.main = entries
		historyState(d, r, o)
		historyOpen(d, r)
		d.Section("At a glance")
		d.Table(overview(r, o))
		historyHeld(d, r, o)
		historyCoolant(d, r, o)
		historyHeat(d, r, o)
		d.Section("What is not known")
		if len(r.Unknown) == 0 {
			d.Say("Every hour on the meter is recorded.")
		}
		d.List(sentences(r.Unknown))
		if len(r.Doubts) > 0 {
			d.Sub("Records that contradict each other")
			var says []string
			for i := range r.Doubts {
				says = append(says, say.Sentence(r.Doubts[i].Says))
			}
			d.List(says)
		}
		if len(papers.Photos) > 0 {
			d.Section("Photographs")
			for _, p := range papers.Photos {
				words := p.Words
				if p.Number != 0 {
					words = fmt.Sprintf("Record %d: %s", p.Number, p.Words)
				}
				d.blocks = append(d.blocks, photo{p.DataURL, words})
			}
		}
		d.Section("Records")
		if o.Format == HTML {
			entries = historyEntries(byMonth(r, o))
			entries.Title = "All records by date, runs and rinses a line a month"
		}
		d.Table(entries)
		d.Warn(r.Warnings...)
		d.Foot = historyFoot(r, papers)
		return d
	})
}

// historyState adds whether the machine may go out, and every time it was
// parked.
func historyState(d *Doc, r report.HistoryReport, o Options) {
	if r.SoldParked && r.Retired != nil {
		d.Caution("It was parked when it left the fleet on " + o.day(*r.Retired) + ".")
	}
	stateOf(d, r.Machine, r.State)
	if len(r.Parked) > 0 {
		d.Section("When it was parked")
		d.List(spells(r.Parked, o))
	}
}

func identity(r report.HistoryReport) string {
	var parts []string
	for _, s := range []string{r.Make, r.Model} {
		if s != "" {
			parts = append(parts, s)
		}
	}
	if r.Year.Known {
		parts = append(parts, "of "+unit.Fixed(r.Year.V, 0))
	}
	s := strings.Join(parts, " ")
	if r.Serial != "" {
		if s != "" {
			s += ", "
		}
		s += "serial number " + r.Serial
	}
	return s
}

// overview returns the machine in a dozen lines.
func overview(r report.HistoryReport, o Options) *Table {
	t := &Table{Title: "The machine in figures", Columns: []Column{{Key: "what", Head: "What"},
		{Key: "figure", Head: "Figure", Wrap: true}}}
	tell := func(what, figure string) {
		if figure != "" {
			t.Add(Text(what), Text(figure))
		}
	}
	hours := "not recorded"
	if r.EngineHours != nil {
		hours = unit.Format(*r.EngineHours, unit.Hours, o.system()) + ", by the meter"
		if !r.ByMeter {
			hours = unit.Format(*r.EngineHours, unit.Hours, o.system()) + ", added up from runs, no meter reading"
		}
	}
	tell("Engine hours", hours)
	tell("Recorded", fmt.Sprintf("%s in %s, %s in mud", unit.Format(r.RecordedHours, unit.Hours, o.system()),
		say.Count(r.Runs, "run"), unit.Format(r.MudHours, unit.Hours, o.system())))
	if r.UnrecordedHours > 0.05 {
		tell("Not recorded", unit.Format(r.UnrecordedHours, unit.Hours, o.system())+" on the meter, in no recorded run")
	}
	if r.Acquired != nil {
		tell("Came into the fleet", o.day(*r.Acquired))
	}
	if r.Retired != nil {
		tell("Left the fleet", o.day(*r.Retired))
	}
	if r.From != nil && r.To != nil {
		tell("Records", o.day(*r.From)+" to "+o.day(*r.To))
	}
	if r.CoolantL.Known {
		tell("Coolant in the system", unit.Format(r.CoolantL.V, unit.Litres, o.system()))
	}
	tell("Overheats", strconv.Itoa(r.Overheats))
	if c := &r.Cleaning; c.LastThorough != nil {
		tell("Last thorough clean", fmt.Sprintf("%s, %s ago, %s in mud", o.day(*c.LastThorough),
			unit.Format(c.HoursSinceThorough, unit.Hours, o.system()), unit.Format(c.MudHoursSinceThorough, unit.Hours,
				o.system())))
	} else {
		tell("Last thorough clean", "none is recorded")
	}
	tell("Coolant loss", coolantWords(r.Coolant, o))
	tell("Note", r.Note)
	return t
}

// coolantWords returns the coolant rate, or why there is none.
func coolantWords(c coolant.Machine, o Options) string {
	if c.Rate == nil {
		if c.Why == nil {
			return "not known"
		}
		return "no rate: " + *c.Why
	}
	col := &Column{Unit: unit.Millilitres, Per: "/h"}
	if c.Rate.Low <= 0 && c.UnexplainedMl <= 0 { // a median would suggest a loss
		return "no loss was seen; it is at most " + unit.Format(c.Rate.High, unit.Millilitres, o.system()) + "/h"
	}
	s := intervalText(Interval(*c.Rate), col, o.system()) + " " + col.label(o.system()) + " to expect from now on"
	if c.RatePct != nil {
		s += ", " + intervalText(Interval(*c.RatePct), &Column{}, o.system()) + " % of the system per 100 h"
	}
	return s
}

func historyOpen(d *Doc, r report.HistoryReport) {
	d.Section("What is open")
	if len(r.Open) == 0 {
		d.Say("This machine has no flag.")
	}
	var says []string
	for _, m := range r.Open {
		s := m.Matter
		if m.Says != "" {
			s += ": " + m.Says
		}
		says = append(says, s+".")
	}
	d.List(says)
}

// historyHeld adds whether remedies held.
func historyHeld(d *Doc, r report.HistoryReport, o Options) {
	if len(r.Remedies) == 0 {
		return
	}
	d.Section("Did it hold?")
	var lines []string
	for i := range r.Remedies {
		lines = append(lines, say.Sentence(heldLine(&r.Remedies[i], o)))
	}
	d.List(lines)
	d.Say(sameWay)
}

func historyCoolant(d *Doc, r report.HistoryReport, o Options) {
	d.Section("Coolant")
	c := &r.Coolant
	if c.Intervals == 0 {
		d.Say(say.Sentence("coolant use is not known: " + coolantWords(*c, o)))
		return
	}
	amount := func(ml float64) string { return unit.Format(ml, unit.Millilitres, o.system()) }
	d.Say(fmt.Sprintf("Topped up %s in all. Between level readings, %s settled after refills, %s boiled over and %s "+
		"is unexplained: %s.",
		amount(c.ToppedUpMl), amount(c.SettlingMl), amount(c.BoilOverMl), amount(c.UnexplainedMl), coolantWords(*c, o)))
	d.Say(steadyWords(c))
	d.Say(changed(c, o))
	if c.Rate != nil && c.RateSince != nil {
		d.Say(say.Sentence("the loss counts " + *c.RateSince))
	}
	if p := lossChart(r.CoolantPlot, o); p != nil {
		d.Plot(p)
	}
	d.Warn(c.Warnings...)
}

func steadyWords(c *coolant.Machine) string {
	switch {
	case c.Steady == nil && c.SteadyWhy != nil:
		return say.Sentence("the log does not show whether the loss is steady or in bursts: " + *c.SteadyWhy)
	case c.Steady == nil:
		return ""
	case *c.Steady:
		return "The loss is steady."
	}
	return "It goes in bursts, not steadily with the hours."
}

func historyHeat(d *Doc, r report.HistoryReport, o Options) {
	d.Section("Overheats and cleaning")
	kinds := []lane{
		{label: "overheats", shape: "cross", class: "heat", glyph: 'x'},
		{label: "thorough cleans", shape: "square", class: "clean", glyph: '■'},
		{label: "rinses", shape: "square", class: "rinse", glyph: '□'},
		{label: "refills", shape: "down", class: "refill", glyph: '▼'},
	}
	lanes := map[string]*lane{"overheat": &kinds[0], "thorough clean": &kinds[1], "rinse": &kinds[2],
		"refill": &kinds[3]}
	for _, q := range r.TimeLine {
		if l := lanes[q.Kind]; l != nil {
			l.at = append(l.at, q.At)
			l.tips = append(l.tips, fmt.Sprintf("%s %s, %s engine hours", q.Kind, o.day(q.At), unit.Fixed(q.Engine, 0)))
		}
	}
	if len(r.TimeLine) == 0 || r.From == nil || r.To == nil {
		d.Say("No overheat, cleaning or refill is recorded.")
	} else {
		p := &timeline{title: "Overheats, cleanings and refills", first: *r.From, last: *r.To}
		if first := r.TimeLine[0].At; first.Before(p.first) {
			p.first = first
		}
		if r.Acquired != nil && r.Acquired.Before(p.first) {
			p.first = *r.Acquired
		}
		if r.AsOf.After(p.last) {
			p.last = r.AsOf
		}
		var counts []string
		for _, l := range kinds {
			counts = append(counts, fmt.Sprintf("%s: %d", l.label, len(l.at)))
			if len(l.at) > 0 {
				p.lanes = append(p.lanes, l)
			}
		}
		p.alt = fmt.Sprintf("From %s to %s, %s.", o.day(p.first), o.day(p.last), strings.Join(counts, ", "))
		for _, g := range r.Gaps {
			p.gaps = append(p.gaps, [2]time.Time{g.From, g.To})
		}
		d.Plot(p)
	}
	if p := monthsPlot(r, o); p != nil {
		d.Plot(p)
	}
	c := &r.Cleaning
	var every []string
	if c.EveryMudH != nil {
		every = append(every, intervalText(Interval(*c.EveryMudH), &Column{}, o.system())+" mud hours")
	}
	if c.EveryH != nil {
		every = append(every, intervalText(Interval(*c.EveryH), &Column{}, o.system())+" hours")
	}
	if len(every) > 0 {
		d.Say("It needs a thorough clean every " + strings.Join(every, ", or every ") + ".")
	} else if c.Why != nil {
		d.Say(say.Sentence("how often it needs a thorough clean is not known: " + *c.Why))
	}
	d.Warn(c.Warnings...)
}

// monthsPlot returns the hours of each month as a step plot.
func monthsPlot(r report.HistoryReport, o Options) *chart {
	if len(r.Months) < 2 {
		return nil
	}
	c := curve{class: "c1", step: true, words: "hours driven"}
	total, most := 0.0, r.Months[0]
	add := func(at time.Time, hours float64) {
		c.pts = append(c.pts, point{float64(at.Unix()), hours, 0, hours})
	}
	for i, m := range r.Months {
		at, err := time.ParseInLocation("2006-01", m.Month, o.zone())
		if err != nil {
			return nil
		}
		if n := len(c.pts); i > 0 {
			if end := time.Unix(int64(c.pts[n-1].x), 0).In(o.zone()).AddDate(0, 1, 0); end.Before(at) {
				add(end, 0)
			}
		}
		add(at, m.Hours)
		if i+1 == len(r.Months) {
			add(at.AddDate(0, 1, 0), 0)
		}
		total += m.Hours
		if m.Hours > most.Hours {
			most = m
		}
	}
	return &chart{title: "Hours driven a month", xName: "month", yName: "hours", zero: true, dates: true, filled: true,
		curves: []curve{c},
		alt: fmt.Sprintf("%s h in %d months with runs; the most in %s, %s h.", unit.Fixed(total, 0), len(r.Months),
			most.Month, unit.Fixed(most.Hours, 0))}
}

// byMonth returns the history with the hours driven and the rinses of each
// month as one entry, at its end. A rinse with more to say keeps its own entry.
func byMonth(r report.HistoryReport, o Options) report.HistoryReport {
	months := map[string]*report.Month{}
	rinses := map[string]int{}
	for i := range r.Months {
		months[r.Months[i].Month] = &r.Months[i]
	}
	month := func(t time.Time) string { return t.In(o.zone()).Format("2006-01") }
	last := map[string]report.Entry{} // by month
	var out []report.Entry
	for _, e := range r.Entries {
		if e.Kind == "clean" && e.Rinse && e.Note == "" && e.Amended == 0 {
			rinses[month(e.At)]++
			continue
		}
		out = append(out, e)
	}
	for m := range rinses {
		if months[m] == nil {
			months[m] = &report.Month{Month: m}
		}
	}
	for m, of := range months {
		begins, err := time.ParseInLocation("2006-01", m, o.zone())
		if err != nil {
			continue
		}
		var says []string
		if of.Hours > 0 {
			driven := "driven " + unit.Format(of.Hours, unit.Hours, o.system())
			if of.Mud > 0 {
				driven += ", " + unit.Format(of.Mud, unit.Hours, o.system()) + " in mud"
			}
			says = append(says, driven)
		}
		if n := rinses[m]; n > 0 {
			says = append(says, say.Count(n, "rinse"))
		}
		if len(says) > 0 {
			last[m] = report.Entry{At: begins.AddDate(0, 1, 0).Add(-time.Second), Kind: monthKind,
				Says: strings.Join(says, "; ")}
		}
	}
	for _, e := range last {
		out = append(out, e)
	}
	slices.SortStableFunc(out, func(a, b report.Entry) int { return a.At.Compare(b.At) })
	r.Entries = out
	return r
}

// monthKind is the kind of an entry for a whole month.
const monthKind = "month"

func historyEntries(r report.HistoryReport) *Table {
	t := &Table{Title: "All records by date, without runs", Columns: []Column{
		{Key: "at", Head: "When"},
		{Key: "engine_hours", Head: "Engine", Unit: unit.Hours, Drop: 1},
		{Key: "kind", Head: "Kind", Drop: 2},
		{Key: "number", Head: "No.", Drop: 3},
		{Key: "says", Head: "What", Wrap: true},
		{Key: "note", Head: "Note", Wrap: true},
		{Key: "amended", Head: "Corrected"},
		{Key: "held"},
	}, Empty: "Only runs are recorded for this machine."}
	for i := range r.Entries {
		e := &r.Entries[i]
		amended := Cell{}
		if e.Amended > 0 {
			amended = Text(say.Count(e.Amended, "time")).Hint(Doubtful)
		}
		what := Text(e.Says)
		if e.Kind == "overheat" {
			what = what.Hint(Bold)
		}
		number := Cell{}
		if e.Number != 0 {
			number = Count(int(e.Number))
		}
		if e.Kind == monthKind {
			t.Add(Text(e.At.Format("Jan 2006")), Cell{}, Text(e.Kind), Cell{}, what)
			continue
		}
		t.Add(Moment(e.At), Number(e.Engine), Text(e.Kind), number, what, Text(e.Note), amended, Text(e.Held))
	}
	return t
}

func historyFoot(r report.HistoryReport, papers Papers) []string {
	foot := []string{"A blank means not recorded, never zero. Intervals are 95 %. The book keeps the earlier " +
		"versions of " +
		"corrected records."}
	if r.Masked {
		foot = append(foot, "Letters stand for drivers here.")
	}
	if papers.Digest != "" {
		foot = append(foot, "Digest of the records: "+papers.Digest)
	}
	return foot
}
