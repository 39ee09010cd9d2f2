// Package coolant accounts for a machine's coolant, and estimates its present
// loss per engine hour.
package coolant

import (
	"fmt"
	"time"

	"shedbook/report/exposure"
	"shedbook/report/say"
	"shedbook/report/stat"
	"shedbook/schema"
	"shedbook/schema/unit"
)

// Machine is the account of one machine's coolant. SettlingMl, BoilOverMl,
// UnexplainedMl and UnattributedMl add up to what was found missing: the
// top-ups, and what was seen missing and not yet added.
type Machine struct {
	Machine       string     `json:"machine"`
	From          *time.Time `json:"from"` // when the level was first known
	To            *time.Time `json:"to"`   // when it was last known
	Hours         float64    `json:"hours"`
	ToppedUpMl    float64    `json:"topped_up_ml"`
	SettlingMl    float64    `json:"settling_ml"`
	BoilOverMl    float64    `json:"boil_over_ml"`
	UnexplainedMl float64    `json:"unexplained_ml"`
	// Topped up with no known level before it, or beside a boil-over of unknown
	// size.
	UnattributedMl float64  `json:"unattributed_ml"`
	Intervals      int      `json:"intervals"`
	SettlingHours  float64  `json:"settling_hours"` // in stretches that do not count for the rate
	CoolantL       *float64 `json:"coolant_l"`

	// Rate is the present loss: since RateFrom or, if that is later than From, for
	// the reason in RateSince.
	Rate      *stat.Estimate     `json:"rate_ml_per_h"`
	RateFrom  *time.Time         `json:"rate_from"`
	RateSince *string            `json:"rate_since"`
	RatePct   *stat.Estimate     `json:"pct_of_system_per_100h"`
	Steady    *bool              `json:"steady"`
	SteadyWhy *string            `json:"steady_why"`
	Change    *Change            `json:"change"`
	ChangeWhy *string            `json:"change_why"`
	Why       *string            `json:"why"` // why there is no rate
	Warnings  []string           `json:"warnings,omitempty"`
	Stretches []exposure.Stretch `json:"-"`
	zone      *time.Location
	looks     []stat.Look
	points    []exposure.LevelPoint
	clock     *exposure.Clock
}

// Change is a change of the rate.
type Change struct {
	At     *time.Time    `json:"at"`
	Low    *time.Time    `json:"low"`
	High   *time.Time    `json:"high"`
	Hours  stat.Estimate `json:"engine_hours"`
	Before float64       `json:"before_ml_per_h"`
	After  float64       `json:"after_ml_per_h"`
	P      float64       `json:"p"` // the chance of so clear a change if there was none

	between stat.Estimate // its time in hours of counted stretches from the first
}

// Of returns a machine's account with its estimates; times are in the book's
// zone.
func Of(l *exposure.Life, settings schema.Settings) Machine {
	m := Account(l, settings)
	m.Estimate()
	return m
}

// Loss returns LossWords of a machine's rate.
func Loss(l *exposure.Life, settings schema.Settings) string {
	m := Of(l, settings)
	return LossWords(m.Rate, m.RateSince, settings.Units())
}

// LossWords returns a loss per hour in words, for evidence to quote beside its
// own counts; "" if there is no estimate.
func LossWords(e *stat.Estimate, since *string, units unit.System) string {
	if e == nil {
		return ""
	}
	of, name := 1.0, "mL"
	if units == unit.US {
		of, name = mlPerFlOz, "fl oz"
	}
	digits := 1
	if e.Value < of {
		digits = 2
	}
	words := fmt.Sprintf("%.*f %s lost per engine hour (95 %%: %.*f to %.*f)",
		digits, e.Value/of, name, digits, e.Low/of, digits, e.High/of)
	if since != nil {
		words += ", " + *since
	}
	return words
}

// mlPerFlOz is a US fluid ounce in mL: NIST SP 811 (2008), app. B.8.
const mlPerFlOz = 29.57353

// Account returns what became of the coolant, stretch by stretch, without any
// estimate.
func Account(l *exposure.Life, settings schema.Settings) Machine {
	m := Machine{Machine: l.Log.Machine.Name, clock: l.Clock, zone: settings.Zone()}
	m.points = l.LevelPoints()
	m.Stretches = l.Stretches(m.points, settings.SettlingCycles())
	for i := range l.Log.TopUps {
		m.ToppedUpMl += l.Log.TopUps[i].Volume.V
	}
	if n := len(m.points); n > 0 {
		m.From, m.To = m.local(m.points[0].At), m.local(m.points[n-1].At)
		m.RateFrom = m.From
		if m.points[0].Kind == "topup" {
			m.UnattributedMl = m.points[0].Fell
			say.Once(&m.Warnings, "the first top-up, %s, does not count: nobody recorded the level before it",
				unit.Format(m.points[0].Fell, unit.Millilitres, settings.Units()))
		}
	}
	blind := 0
	mended := l.LeakMended()
	for i := range m.Stretches {
		st := &m.Stretches[i]
		m.Hours += st.Hours()
		m.SettlingMl += st.Settled()
		m.BoilOverMl += st.BoilOver
		m.UnexplainedMl += st.Unexplained()
		m.UnattributedMl += st.Unattributed()
		if st.Settling {
			m.SettlingHours += st.Hours()
		} else if st.Blind {
			blind++
		}
	}
	m.Intervals = len(m.Stretches)
	m.Hours, m.SettlingHours = exposure.Tidy(m.Hours), exposure.Tidy(m.SettlingHours)
	if blind > 0 {
		say.Once(&m.Warnings,
			"stretches with an overheat that has no figure for coolant lost do not count for the loss "+
				"per hour")
	}
	if mended != nil && m.From != nil && mended.At.After(*m.From) {
		m.RateFrom = m.local(mended.At)
		m.RateSince = say.Why(fmt.Sprintf("since the service for %s on %s", mended.Cause, say.Day(*m.RateFrom, m.zone)))
	} else {
		mended = nil
	}
	if c := l.Log.Machine.CoolantL; c.Known {
		m.CoolantL = &c.V
	}
	m.looks = looks(m.points, m.Stretches, mended)
	return m
}

// local returns a time in the book's zone.
func (m *Machine) local(t time.Time) *time.Time {
	t = t.In(m.zone)
	return &t
}

// minLossHours is the least number of engine hours between looks for a loss per
// hour: two top-ups a minute apart tell nothing. Common practice, no source.
const minLossHours = 1.0

// tooShort returns the reason why there is no loss per hour.
func tooShort(hours float64) string {
	return fmt.Sprintf("only %s engine hours between level readings: a loss per hour needs %v", say.Figure(hours),
		minLossHours)
}

// Estimate estimates the present loss from the looks at the level: all of them,
// or those since the rate changed.
func (m *Machine) Estimate() {
	m.estimateLoss()
	m.clock = nil // no longer needed, and it keeps a whole log in memory
}

func (m *Machine) estimateLoss() {
	if h := m.looksHours(); h > 1e-9 && h < minLossHours {
		m.Why = say.Why(tooShort(h))
		return
	}
	looks := m.looks
	if m.change(); m.Change != nil {
		looks = since(looks, m.Change.between.High, m.Change.between.Value)
		m.RateFrom = m.Change.At
		m.RateSince = say.Why("since the rate changed, about " + say.Day(*m.Change.At, m.zone))
	}
	loss := stat.LossRate(looks, stat.Level95)
	for _, w := range loss.Warnings {
		say.Once(&m.Warnings, "%s", w)
	}
	if m.Rate = loss.Est; m.Rate == nil {
		m.Why = say.Why(loss.Why)
		blind := 0
		for i := range m.Stretches {
			if m.Stretches[i].Blind {
				blind++
			}
		}
		switch {
		case len(m.Stretches) == 0:
		case m.Hours < 1e-9:
			m.Why = say.Why("no engine hours are recorded between the level readings")
		case m.RateSince != nil:
			m.Why = say.Why("needs two level readings with running hours between, " + *m.RateSince)
		case m.SettlingHours >= m.Hours-1e-9:
			m.Why = say.Why("all level readings were taken while the level settled after a refill")
		case blind > 0:
			m.Why = say.Why("every stretch has a refill that settled, or an overheat with no figure for coolant lost")
		}
		return
	}
	if m.CoolantL != nil {
		// mL/h to percent of the system in 100 h: 100 h of 100/(1000 l).
		pct := m.Rate.Scaled(10 / *m.CoolantL)
		m.RatePct = &pct
	} else {
		say.Once(&m.Warnings, "the size of the system (coolant_l) is not recorded, so no percentage can be given")
	}
}

// since returns the looks after the latest hour at which the rate can have
// changed or, if that leaves less than leastSide hours, after the likeliest
// one. Hours are counted as in looksHours.
func since(looks []stat.Look, last, likeliest float64) []stat.Look {
	total := countedHours(looks)
	if total-last < leastSide {
		last = likeliest
	}
	gone := 0.0
	for i := range looks {
		if i > 0 && !looks[i].Apart {
			gone += looks[i].Hours
		}
		if gone >= last-1e-9 {
			return looks[i:]
		}
	}
	return looks
}

// change tests whether the loss is steady and whether its rate changed.
func (m *Machine) change() {
	steady := stat.LossSteadiness(m.looks)
	m.Steady, m.SteadyWhy = steady.Steady, say.Why(steady.Why)
	c := stat.LossChange(m.looks, stat.Level95)
	switch {
	case c.Why != "":
		m.ChangeWhy = say.Why(c.Why)
	case c.P > 0.05:
		m.ChangeWhy = say.Why("one rate fits the whole time")
	case c.At.Est == nil:
		m.ChangeWhy = say.Why(c.At.Why)
	case c.At.Est.Value < leastSide || m.looksHours()-c.At.Est.Value < leastSide:
		m.ChangeWhy = say.Why(fmt.Sprintf("it seems to change, but with less than %d h on one side, too little to "+
			"measure it", leastSide))
	default:
		e := *c.At.Est
		change := Change{Before: c.Before, After: c.After, P: c.P, Hours: e}
		change.between = e
		change.At, change.Hours.Value = m.when(e.Value)
		change.Low, change.Hours.Low = m.when(e.Low)
		change.High, change.Hours.High = m.when(e.High)
		m.Change = &change
		for _, w := range c.At.Warnings {
			say.Once(&m.Warnings, "%s", w)
		}
	}
}

// leastSide is how many hours a rate needs before and after a change.
const leastSide = 10

// looksHours returns the hours of the stretches that count for the rate.
func (m *Machine) looksHours() float64 { return countedHours(m.looks) }

func countedHours(looks []stat.Look) float64 {
	total := 0.0
	for i := 1; i < len(looks); i++ {
		if !looks[i].Apart {
			total += looks[i].Hours
		}
	}
	return total
}

// when returns the moment, and the engine hours, at which so many counted hours
// had gone by; within a stretch by the machine's own clock, which stands still
// between runs.
func (m *Machine) when(hours float64) (*time.Time, float64) {
	for i := 1; i < len(m.looks); i++ {
		if m.looks[i].Apart {
			continue
		}
		if h := m.looks[i].Hours; hours <= h || i == len(m.looks)-1 {
			engine := min(m.points[i-1].Engine+hours, m.points[i].Engine)
			t, ok := m.clock.When(engine)
			if !ok || t.After(m.points[i].At) {
				t = m.points[i].At
			}
			if t.Before(m.points[i-1].At) {
				t = m.points[i-1].At
			}
			t = t.In(m.To.Location())
			return &t, engine
		}
		hours -= m.looks[i].Hours
	}
	return m.To, m.points[len(m.points)-1].Engine
}

// looks converts the level points for the loss model: stretches that do not
// count are set apart, and a new chain of looks begins after them and after a
// refill.
func looks(points []exposure.LevelPoint, stretches []exposure.Stretch, mended *schema.Service) []stat.Look {
	out := make([]stat.Look, 0, len(points))
	next := 0
	for i := range points {
		g := &points[i]
		look := stat.Look{BelowML: g.Fell, Year: g.At.Sub(points[0].At).Hours() / (24 * 365.25)}
		if i > 0 {
			look.Hours = max(g.Engine-points[i-1].Engine, 0)
		}
		switch g.Kind {
		case "topup":
			look.AddedML = g.Fell
		case "refill":
			look.Apart = true
		}
		if i > 0 && g.Kind != "refill" {
			s := &stretches[next]
			next++
			look.Apart, look.ApartML = !s.Counts() || mended != nil && s.From.Before(mended.At), s.Boiled
		}
		out = append(out, look)
	}
	return out
}
