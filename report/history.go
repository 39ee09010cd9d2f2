package report

import (
	"fmt"
	"slices"
	"sort"
	"strings"
	"time"

	"shedbook/report/belief"
	"shedbook/report/coolant"
	"shedbook/report/exposure"
	"shedbook/report/say"
	"shedbook/report/state"
	"shedbook/schema"
	"shedbook/schema/unit"
)

// HistoryReport is a machine's life for its buyer.
type HistoryReport struct {
	AsOf    time.Time `json:"as_of"`
	Machine string    `json:"machine"`
	state.State
	// SoldParked means that it was parked when it left the fleet.
	SoldParked bool `json:"parked_when_retired"`
	// Parked lists every time that a rule parked it, and what lifted that.
	Parked   []state.Spell `json:"parked"`
	Make     string        `json:"make"`
	Model    string        `json:"model"`
	Year     schema.Num    `json:"year"`
	Serial   string        `json:"serial"`
	CoolantL schema.Num    `json:"coolant_l"`
	Acquired *time.Time    `json:"acquired"`
	Retired  *time.Time    `json:"retired"`
	Note     string        `json:"note"`

	From            *time.Time `json:"from"` // first record
	To              *time.Time `json:"to"`   // last record
	EngineHours     *float64   `json:"engine_hours"`
	ByMeter         bool       `json:"by_meter"`
	Runs            int        `json:"runs"`
	RecordedHours   float64    `json:"recorded_hours"`
	MudHours        float64    `json:"mud_hours"`
	UnrecordedHours float64    `json:"unrecorded_hours"` // on the meter beyond the recorded runs
	Overheats       int        `json:"overheats"`

	Coolant  coolant.Machine `json:"coolant"`
	Cleaning CleaningMachine `json:"cleaning"`
	Entries  []Entry         `json:"entries"`
	Months   []Month         `json:"months"`
	Open     []Matter        `json:"open"`
	// Remedies are what was done about overheats and losses, and whether each
	// held.
	Remedies []belief.Remedy `json:"remedies"`
	// Unknown lists what the log does not tell; Gaps are its stretches without any
	// record.
	Unknown []string `json:"unknown"`
	Gaps    []Gap    `json:"gaps"`
	Doubts  []Doubt  `json:"doubts"`
	// Masked means that drivers are letters.
	Masked bool `json:"drivers_masked"`
	// Mask is how drivers' names were masked, for other text that goes with the
	// report.
	Mask *Masker `json:"-"`
	// Digest of the records is filled in by the caller: see Digest.
	Digest   string   `json:"digest,omitempty"`
	Warnings []string `json:"warnings,omitempty"`

	// The data of the plots, by engine hours or by time.
	CoolantPlot []CoolantPoint `json:"coolant_plot"`
	TimeLine    []TimePoint    `json:"time_line"`
}

// Entry is one record of the history.
type Entry struct {
	At      time.Time `json:"at"`
	Kind    string    `json:"kind"`
	Number  int64     `json:"number"`
	Engine  float64   `json:"engine_hours"`
	Says    string    `json:"says"`
	Note    string    `json:"note,omitempty"`
	Amended int       `json:"amended"`        // number of times
	Held    string    `json:"held,omitempty"` // for a remedy: whether it held
	Rinse   bool      `json:"-"`              // a cleaning that was not thorough, with nothing measured
}

// Month is what was driven in a calendar month.
type Month struct {
	Month     string  `json:"month"` // 2026-03
	Hours     float64 `json:"hours"`
	Mud       float64 `json:"mud_hours"`
	Overheats int     `json:"overheats"`
}

// Gap is a stretch without records.
type Gap struct {
	From  time.Time `json:"from"`
	To    time.Time `json:"to"`
	Days  int       `json:"days"`
	Hours float64   `json:"engine_hours"` // that the meter gained in it
	Says  string    `json:"says"`
}

// CoolantPoint is the coolant lost by some engine hours, in ml since the level
// was first known: all of it, and what is unexplained.
type CoolantPoint struct {
	At          time.Time `json:"at"`
	Engine      float64   `json:"engine_hours"`
	Kind        string    `json:"kind"`
	Lost        float64   `json:"lost_ml"`
	Unexplained float64   `json:"unexplained_ml"`
}

// TimePoint is a cleaning, refill or overheat on the time line.
type TimePoint struct {
	At     time.Time `json:"at"`
	Engine float64   `json:"engine_hours"`
	Kind   string    `json:"kind"` // overheat, thorough clean, rinse, refill
}

// gapDays is how long a log may be silent before the history mentions it:
// common practice, no source.
const gapDays = 30

// History returns one machine's life. open are its open matters; withNames
// keeps the drivers' names. ok is false if there is no such machine.
func History(s Source, machine string, open []Matter, withNames bool) (HistoryReport, bool) {
	for l := range s.Lives {
		if l.Log.Machine.Name == machine {
			return s.history(l, open, withNames), true
		}
	}
	return HistoryReport{}, false
}

func (src *Source) history(l *exposure.Life, open []Matter, withNames bool) HistoryReport {
	m := &l.Log.Machine
	mask := WithNames()
	if !withNames {
		mask = NewMasker(src.Fleet.People(), l.Log)
	}
	label := func(s string) string { return mask.In(schema.Label, s) }
	r := HistoryReport{AsOf: src.AsOf, Machine: label(m.Name), Make: label(m.Make), Model: label(m.Model), Year: m.Year,
		Serial: label(m.Serial), CoolantL: m.CoolantL,
		Acquired: src.local(m.Acquired), Retired: src.local(m.Retired), Note: mask.Text(m.Note),
		ByMeter: l.Clock.Known(),
		Masked:  !withNames, Mask: mask,
		Runs: len(l.Log.Runs), RecordedHours: exposure.Tidy(l.Hours), MudHours: exposure.Tidy(l.Mud),
		UnrecordedHours: exposure.Tidy(l.Unrecorded()), Overheats: len(l.Overheats),
		Coolant: coolant.Of(l, src.Fleet.Settings), Cleaning: src.cleaning(l), Open: []Matter{}, Gaps: []Gap{},
		Unknown: []string{}}
	r.Coolant.Machine, r.Cleaning.Machine = r.Machine, r.Machine
	if _, h, ok := l.Clock.Last(); ok {
		r.EngineHours = &h
	}
	told := src.stateOf(l)
	r.State = told.With(m.Name, Standing(m.Name, open))
	for i := range r.Reasons {
		r.Reasons[i].Text, r.Reasons[i].Released = mask.Text(r.Reasons[i].Text), mask.Text(r.Reasons[i].Released)
	}
	r.Parked = append([]state.Spell{}, told.Spells...)
	for i := range r.Parked {
		p := &r.Parked[i]
		p.Text, p.Lifted, p.At = mask.Text(p.Text), mask.Text(p.Lifted), p.At.In(src.AsOf.Location())
		if p.Until != nil {
			p.Until = src.local(*p.Until)
		}
		if gone := m.Retired; !gone.IsZero() && !gone.After(src.AsOf) {
			// A retirement without a time of day includes that day.
			r.SoldParked = r.SoldParked || p.At.Before(gone.AddDate(0, 0, 1)) && (p.Until == nil || p.Until.After(gone))
		}
	}
	for _, o := range open {
		if o.Machine == m.Name {
			o.Machine, o.Says = r.Machine, mask.Text(o.Says)
			r.Open = append(r.Open, o)
		}
	}
	d := doubter{s: src, l: l}
	d.all()
	r.Doubts = append([]Doubt{}, d.found...)
	for i := range r.Doubts {
		r.Doubts[i].Machine, r.Doubts[i].Says = r.Machine, mask.Text(r.Doubts[i].Says)
		for j := range r.Doubts[i].Records {
			if ref := &r.Doubts[i].Records[j].Ref; mask.In(schema.Code, *ref) != *ref {
				*ref = ""
			}
		}
	}
	r.Entries = src.entries(l, mask)
	r.Remedies = append([]belief.Remedy{}, src.remedies(l)...)
	for i := range r.Remedies {
		m := &r.Remedies[i]
		m.Machine = r.Machine
		for j := range r.Entries {
			if e := &r.Entries[j]; e.Number != 0 && e.Number == m.Record {
				e.Held = m.Verdict(src.Fleet.Settings.Units())
			}
		}
	}
	r.Months = src.months(l)
	r.CoolantPlot, r.TimeLine = src.plots(l, &r.Coolant)
	r.From, r.To, r.Gaps = src.gaps(l)
	r.Unknown = src.unknown(l, &r)
	return r
}

// entries returns the records in time order; ties by kind.
func (src *Source) entries(l *exposure.Life, mask *Masker) []Entry {
	out := []Entry{}
	add := func(kind string, at time.Time, m schema.Meta, note string, says []string) {
		says = slices.DeleteFunc(says, func(s string) bool { return s == "" })
		out = append(out, Entry{At: at.In(src.AsOf.Location()), Kind: kind, Number: m.Number,
			Engine: exposure.Tidy(l.Clock.At(at)),
			Says:   mask.Text(strings.Join(says, ", ")), Note: mask.Text(note), Amended: m.Versions})
	}
	t := teller{src, l, mask, 0}
	if m := &l.Log.Machine; !m.Acquired.IsZero() {
		add("machine", m.Acquired, schema.Meta{}, "", []string{"came into the fleet",
			t.amount(m.Meter, unit.Hours, "meter at %s")})
	}
	for r := range l.Log.Records() {
		switch r := r.(type) {
		case *schema.Run, *schema.Level: // told by month, and by the coolant's plot
			continue
		case *schema.Outing:
			if !r.Back.IsZero() && l.Log.DrivenIn(r) { // told by its run
				continue
			}
		}
		k := schema.KindOf(r)
		add(k.Name, k.When(r), *k.Meta(r), k.Text(r, "note"), t.tell(k, r))
		if v, ok := r.(*schema.Cleaning); ok {
			out[len(out)-1].Rinse = !v.Thorough() && !v.BlockedFront.Known && !v.BlockedBack.Known &&
				!v.BlockedAfter.Known
		}
	}
	sort.SliceStable(out, func(a, b int) bool { return out[a].At.Before(out[b].At) })
	return out
}

// teller puts records into words, in time order.
type teller struct {
	src       *Source
	l         *exposure.Life
	mask      *Masker
	overheats int // number told so far
}

func (t *teller) amount(n schema.Num, u unit.Unit, form string) string {
	if !n.Known {
		return ""
	}
	return fmt.Sprintf(form, unit.Format(n.V, u, t.src.Fleet.Settings.Units()))
}

// with puts a word into a form; "" if there is no word.
func with(form, word string) string {
	if word == "" {
		return ""
	}
	return fmt.Sprintf(form, word)
}

// tell returns what a record says, a few words each; empty if nothing.
func (t *teller) tell(k *schema.Kind, r schema.Record) []string {
	pct := func(n schema.Num, form string) string {
		if !n.Known {
			return ""
		}
		return fmt.Sprintf(form, say.Figure(n.V)+" %")
	}
	switch v := r.(type) {
	case *schema.MeterChange:
		return []string{"hour meter replaced", t.amount(v.Was, unit.Hours, "was %s"),
			t.amount(v.Now, unit.Hours, "now %s")}
	case *schema.TopUp:
		return []string{t.amount(v.Volume, unit.Millilitres, "topped up %s"), with("of %s", v.Fluid),
			with("into the %s", v.Into)}
	case *schema.Level:
		says := t.amount(v.BelowMark, unit.Millilitres, "level %s below the mark")
		if v.BelowMark.V == 0 {
			says = "level at the mark"
		} else if v.BelowMark.V < 0 {
			says = t.amount(schema.N(-v.BelowMark.V), unit.Millilitres, "level %s above the mark")
		}
		return []string{says, with("engine %s", v.Engine), with("seen in the %s", v.SeenIn)}
	case *schema.Refill:
		return []string{"system filled" + t.amount(v.Volume, unit.Millilitres, " with %s"),
			pct(v.Concentrate, "%s concentrate"), v.Reason}
	case *schema.Bleed:
		nose, cycles := "", ""
		if v.NoseUp == "yes" {
			nose = "nose up"
		}
		if v.HeatCycles.Known {
			cycles = say.Count(int(v.HeatCycles.V), "heat cycle")
		}
		return []string{"air bled", with("at the %s", say.List(v.Points, "and")), nose, cycles}
	case *schema.Cleaning:
		how, method, sides, taken := "radiator rinsed", v.Method, v.Sides, ""
		if v.Thorough() {
			how = "radiator cleaned thoroughly"
		}
		if v.RadiatorOut == "yes" {
			taken = "radiator out"
		}
		if sides == "both" {
			sides = "both sides"
		} else if sides != "" {
			sides += " only"
		}
		if method == "rinse" {
			method = "" // the finding says so already
		}
		return []string{how, with("by %s", method), sides, taken, pct(v.BlockedFront, "blocked %s from the front"),
			pct(v.BlockedBack, "%s from behind"), pct(v.BlockedAfter, "%s after")}
	case *schema.Overheat:
		levels := t.l.Overheats[t.overheats].Levels // its own, or those of its run
		t.overheats++
		name := func(f exposure.Factor) string { return t.src.Index.Name(f, levels[f]) }
		fan, lost := v.Fan, v.Lost
		if fan == "unknown" {
			fan = ""
		}
		lost.Known = lost.V > 0
		return []string{"overheated", with("shown by %s", v.Sign), t.mask.Driver(name(exposure.Driver)),
			t.mask.Field(k.Field("terrain"), name(exposure.Terrain)), with("%s speed", name(exposure.Speed)),
			with("%s range", name(exposure.Range)), with("%s load", name(exposure.Load)),
			t.amount(v.AmbientC, unit.Celsius, "in air of %s"),
			t.amount(v.MinutesIn, unit.Minutes, "%s after the start"),
			t.amount(lost, unit.Millilitres, "lost %s"), with("fan %s", fan)}
	case *schema.Check:
		value, figures := Measured(v, t.src.Fleet.Settings.Units())
		return []string{"checked " + v.Check, v.Result, value, figures}
	case *schema.Service:
		cost := ""
		if v.Cost.Known {
			cost = "cost " + say.Figure(v.Cost.V)
		}
		return []string{v.Work, with("for %s", v.Cause), with("parts: %s", v.Parts), cost, with("by %s", v.By)}
	case *schema.Release:
		return []string{"released by " + v.By, v.Why}
	case *schema.Outing:
		says := "out with " + t.mask.Driver(v.Driver)
		if v.Back.IsZero() {
			return []string{says, "not back yet"}
		}
		return []string{says, "back " + t.src.moment(v.Back), "engine hours not known"}
	case *schema.Answer:
		found := v.Found
		if v.NoneSeen == "yes" {
			found = "nothing found"
		}
		return []string{"looked into " + v.Flag, found, v.Cause}
	}
	return t.fields(k, r)
}

// fields returns the fields of a record of any kind in words.
func (t *teller) fields(k *schema.Kind, r schema.Record) []string {
	says := []string{k.Name}
	for i := range k.Fields {
		f := &k.Fields[i]
		label := strings.ReplaceAll(f.Flag(), "-", " ")
		switch p := f.Pointer(r).(type) {
		case *string:
			switch {
			case f.Name == "ref" || f.Name == "note" || f.Type == schema.MachineField:
			case f.Type == schema.DriverField:
				says = append(says, t.mask.Driver(*p))
			default:
				says = append(says, with(label+" %s", t.mask.Field(f, *p)))
			}
		case *schema.Num:
			says = append(says, t.amount(*p, f.Unit, label+" %s"))
		case *[]string:
			says = append(says, with(label+" %s", strings.Join(*p, ", ")))
		case *time.Time:
			if f.Name != k.TimeColumn() && !p.IsZero() {
				says = append(says, label+" "+t.src.moment(*p))
			}
		}
	}
	return says
}

func (src *Source) months(l *exposure.Life) []Month {
	var out []Month
	at := map[int]int{}
	month := func(k int) *Month {
		i, ok := at[k]
		if !ok {
			i = len(out)
			at[k] = i
			out = append(out, Month{Month: fmt.Sprintf("%04d-%02d", k/12, k%12+1)})
		}
		return &out[i]
	}
	mud, _ := src.Index.ID(exposure.Terrain, "mud")
	for i := range l.Pieces {
		p := &l.Pieces[i]
		m := month(p.Month)
		m.Hours += p.Hours
		if p.Levels[exposure.Terrain] == mud {
			m.Mud += p.Hours
		}
	}
	for i := range l.Overheats {
		y, m, _ := l.Overheats[i].At.In(src.AsOf.Location()).Date()
		month(y*12+int(m)-1).Overheats++
	}
	slices.SortFunc(out, func(a, b Month) int { return strings.Compare(a.Month, b.Month) })
	for i := range out {
		out[i].Hours, out[i].Mud = exposure.Tidy(out[i].Hours), exposure.Tidy(out[i].Mud)
	}
	return append([]Month{}, out...)
}

func (src *Source) plots(l *exposure.Life, c *coolant.Machine) ([]CoolantPoint, []TimePoint) {
	points, line := []CoolantPoint{}, []TimePoint{}
	if levels := l.LevelPoints(); len(levels) > 0 {
		lost, unexplained, next := 0.0, 0.0, 0
		for i := range levels {
			if next < len(c.Stretches) && i > 0 && c.Stretches[next].To.Equal(levels[i].At) &&
				levels[i].Kind == c.Stretches[next].Closed {
				lost += c.Stretches[next].Lost
				unexplained += c.Stretches[next].Unexplained()
				next++
			}
			points = append(points, CoolantPoint{levels[i].At.In(src.AsOf.Location()), levels[i].Engine, levels[i].Kind,
				lost,
				unexplained})
		}
	}
	add := func(at time.Time, kind string) {
		line = append(line, TimePoint{at.In(src.AsOf.Location()), l.Clock.At(at), kind})
	}
	for i := range l.Log.Cleanings {
		kind := "rinse"
		if l.Log.Cleanings[i].Thorough() {
			kind = "thorough clean"
		}
		add(l.Log.Cleanings[i].At, kind)
	}
	for i := range l.Log.Refills {
		add(l.Log.Refills[i].At, "refill")
	}
	for i := range l.Log.Overheats {
		add(l.Log.Overheats[i].At, "overheat")
	}
	sort.SliceStable(line, func(a, b int) bool { return line[a].At.Before(line[b].At) })
	return points, line
}

// gaps returns the first and the last record and the gaps between them,
// beginning on the day the machine was acquired.
func (src *Source) gaps(l *exposure.Life) (from, to *time.Time, gaps []Gap) {
	gaps = []Gap{}
	var times []time.Time
	each(l.Log, func(_ string, b *schema.Base) { times = append(times, b.At) })
	if len(times) == 0 {
		return nil, nil, gaps
	}
	slices.SortFunc(times, time.Time.Compare)
	from, to = src.local(times[0]), src.local(times[len(times)-1])
	if a := l.Log.Machine.Acquired; !a.IsZero() && a.Before(times[0]) {
		times = append([]time.Time{a}, times...)
	}
	end := src.AsOf
	if r := l.Log.Machine.Retired; !r.IsZero() && r.Before(end) {
		end = r
	}
	if end.After(times[len(times)-1]) {
		times = append(times, end)
	}
	for i := 1; i < len(times); i++ {
		days := int(times[i].Sub(times[i-1]).Hours() / 24)
		if days < gapDays {
			continue
		}
		g := Gap{From: *src.local(times[i-1]), To: *src.local(times[i]), Days: days,
			Hours: l.Clock.At(times[i]) - l.Clock.At(times[i-1])}
		g.Hours -= l.HoursTo(times[i]) - l.HoursTo(times[i-1])
		hours := "nobody knows how far it was driven"
		switch {
		case g.Hours > 0.05:
			hours = fmt.Sprintf("the meter went up by %s h", say.Figure(g.Hours))
		case l.Clock.Known():
			g.Hours = 0
			hours = "the meter did not go up, as far as it was read"
		}
		g.Says = fmt.Sprintf("%s to %s: %d days without a record; %s", src.day(g.From), src.day(g.To), days, hours)
		gaps = append(gaps, g)
	}
	return from, to, gaps
}

// unknown returns what the log does not tell.
func (src *Source) unknown(l *exposure.Life, r *HistoryReport) []string {
	out := []string{}
	tell := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	m := &l.Log.Machine
	switch {
	case m.Acquired.IsZero() && r.From == nil:
		tell("nothing is recorded for this machine")
	case m.Acquired.IsZero():
		tell("the day it came into the fleet is not recorded; its log begins on %s", src.day(*r.From))
	default:
		tell("its life before %s is not recorded here", src.day(m.Acquired))
	}
	if m.Serial == "" {
		tell("its serial number is not recorded")
	}
	if !l.Clock.Known() {
		tell("no meter reading is recorded: engine hours are added up from runs, and may be too few")
	}
	if r.UnrecordedHours > 0.05 {
		tell("%s h on the meter are in no recorded run: driver and ground are not known", say.Figure(r.UnrecordedHours))
	}
	unplaced := 0
	for i := range l.Overheats {
		if l.Overheats[i].How == exposure.Unplaced {
			unplaced++
		}
	}
	if unplaced > 0 {
		tell("%s outside any recorded run", fall(unplaced))
	}
	for _, f := range []exposure.Factor{exposure.Terrain, exposure.Speed} {
		h := 0.0
		for i := range l.Pieces {
			if l.Pieces[i].Levels[f] == 0 {
				h += l.Pieces[i].Hours
			}
		}
		if h > 0.05 {
			tell("%s not recorded for %s h", f, say.Figure(h))
		}
	}
	for _, g := range r.Gaps {
		out = append(out, g.Says)
	}
	return out
}
