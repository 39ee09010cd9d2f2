package report

import (
	"fmt"
	"runtime"
	"sort"
	"sync"
	"time"

	"shedbook/report/exposure"
	"shedbook/report/stat"
	"shedbook/schema"
)

// Mark is a moment at which it is known how far the coolant stood below the
// mark, cold.
type Mark struct {
	At     time.Time
	Engine float64 // engine hours
	Kind   string  // topup, level or refill
	Number int64
	Fell   float64 // ml below the mark when looked at; what a top-up put in
	Below  float64 // ml below the mark when left: 0 but after a look that added nothing
	Cycles int     // heat cycles since the last refill
	Filled bool    // there has been a refill in the log
	// HotGain is a look on a hot engine, taken after this mark, that stands above
	// it; such looks are no marks.
	HotGain *schema.Level
}

// Marks are a machine's marks in time order. A top-up brings the level back to
// the mark, whatever stood before; a look with nothing added leaves it where
// it is; a refill begins afresh. At one moment a look comes before a top-up
// and a top-up before a refill. Looks on a hot engine are left out: hot
// coolant stands higher.
func Marks(l *exposure.Life) []Mark {
	log := l.Log
	var ms []Mark
	var hot []*schema.Level
	for i := range log.Levels {
		v := &log.Levels[i]
		if v.Engine == "hot" {
			hot = append(hot, v)
			continue
		}
		ms = append(ms, Mark{At: v.At, Kind: "level", Number: v.Number, Fell: v.BelowMark.V, Below: v.BelowMark.V})
	}
	for i := range log.TopUps {
		t := &log.TopUps[i]
		ms = append(ms, Mark{At: t.At, Kind: "topup", Number: t.Number, Fell: t.Volume.V})
	}
	for i := range log.Refills {
		r := &log.Refills[i]
		ms = append(ms, Mark{At: r.At, Kind: "refill", Number: r.Number})
	}
	sort.SliceStable(ms, func(a, b int) bool { return ms[a].At.Before(ms[b].At) })
	for i := range ms {
		s := l.At(ms[i].At)
		ms[i].Engine, ms[i].Cycles, ms[i].Filled = l.Clock.At(ms[i].At), s.Cycles, !s.Refill.Never
	}
	for _, v := range hot {
		if i := sort.Search(len(ms), func(i int) bool { return ms[i].At.After(v.At) }); i > 0 && v.BelowMark.V < ms[i-1].Below {
			ms[i-1].HotGain = v
		}
	}
	return ms
}

// Stretch is the time between two marks, of which the second is no refill.
type Stretch struct {
	From, To         time.Time
	FromH, ToH       float64 // engine hours
	Lost             float64 // ml; below 0 where a look stands above the one before
	Settling         bool    // it began within the first heat cycles after a refill
	BoilOver         float64 // ml of Lost that overheats in it say boiled over
	Closed           string  // topup or level: how its end was seen
	Opened           string  // topup, level or refill
	Overheats        int     // in it
	UnknownBoilOvers int     // of those, with no lost_ml recorded
}

// Hours is its engine hours.
func (s *Stretch) Hours() float64 { return s.ToH - s.FromH }

// Settled is what went by settling, in ml: all but what boiled over.
func (s *Stretch) Settled() float64 {
	if !s.Settling {
		return 0
	}
	return s.Lost - s.BoilOver
}

// Unexplained is what neither settling nor boil-over accounts for, in ml.
func (s *Stretch) Unexplained() float64 {
	if s.Settling {
		return 0
	}
	return s.Lost - s.BoilOver
}

// Stretches are the stretches between a machine's marks; settling is the
// number of heat cycles after a refill in which the level still settles. A
// stretch that a refill ends is no stretch: what it lost was poured away
// unmeasured.
func Stretches(l *exposure.Life, marks []Mark, settling int) []Stretch {
	var out []Stretch
	heat := l.Log.Overheats
	for i := 1; i < len(marks); i++ {
		a, b := &marks[i-1], &marks[i]
		if b.Kind == "refill" {
			continue
		}
		s := Stretch{From: a.At, To: b.At, FromH: a.Engine, ToH: b.Engine, Lost: b.Fell - a.Below,
			Settling: a.Filled && a.Cycles < settling, Opened: a.Kind, Closed: b.Kind}
		boiled := 0.0
		for k := sort.Search(len(heat), func(k int) bool { return heat[k].At.After(a.At) }); k < len(heat) && !heat[k].At.After(b.At); k++ {
			s.Overheats++
			if !heat[k].Lost.Known {
				s.UnknownBoilOvers++
			}
			boiled += heat[k].Lost.V
		}
		s.BoilOver = max(min(boiled, s.Lost), 0)
		out = append(out, s)
	}
	return out
}

// CoolantReport is `shedbook coolant`.
type CoolantReport struct {
	AsOf     time.Time        `json:"as_of"`
	Machines []CoolantMachine `json:"machines"`
	Warnings []string         `json:"warnings,omitempty"`
}

// CoolantMachine is one machine's coolant. SettlingMl, BoilOverMl,
// UnexplainedMl and UnattributedMl add up to what was found missing: the
// top-ups, and what looks have found missing and nobody has yet put in.
type CoolantMachine struct {
	Machine        string     `json:"machine"`
	From           *time.Time `json:"from"` // first mark
	To             *time.Time `json:"to"`   // last mark
	Hours          float64    `json:"hours"`
	ToppedUpMl     float64    `json:"topped_up_ml"`
	SettlingMl     float64    `json:"settling_ml"`
	BoilOverMl     float64    `json:"boil_over_ml"`
	UnexplainedMl  float64    `json:"unexplained_ml"`
	UnattributedMl float64    `json:"unattributed_ml"` // topped up with no mark before it
	Intervals      int        `json:"intervals"`
	SettlingHours  float64    `json:"settling_hours"` // in stretches that do not count for the rate
	CoolantL       *float64   `json:"coolant_l"`

	Rate       *stat.Estimate `json:"rate_ml_per_h"`
	RatePct    *stat.Estimate `json:"pct_of_system_per_100h"`
	Steady     *bool          `json:"steady"`
	SteadyWhy  *string        `json:"steady_why"`
	Change     *CoolantChange `json:"change"`
	ChangeWhy  *string        `json:"change_why"`
	Why        *string        `json:"why"` // why there is no rate
	Warnings   []string       `json:"warnings,omitempty"`
	Stretches  []Stretch      `json:"-"`
	EngineAsOf float64        `json:"-"`
	looks      []stat.Look
	marks      []Mark
}

// CoolantChange is the moment at which the rate changed.
type CoolantChange struct {
	At     *time.Time    `json:"at"`
	Low    *time.Time    `json:"low"`
	High   *time.Time    `json:"high"`
	Hours  stat.Estimate `json:"engine_hours"`
	Before float64       `json:"before_ml_per_h"`
	After  float64       `json:"after_ml_per_h"`
	P      float64       `json:"p"` // of a change this plain if there was none
}

// Coolant reports the coolant of every machine.
func Coolant(s Source) CoolantReport {
	r := CoolantReport{AsOf: s.AsOf, Machines: []CoolantMachine{}}
	for l := range s.Lives {
		r.Machines = append(r.Machines, s.coolantBook(l))
	}
	// The loss model is most of the work, and machines do not depend on each other.
	var wait sync.WaitGroup
	next := make(chan *CoolantMachine)
	for range runtime.GOMAXPROCS(0) {
		wait.Go(func() {
			for m := range next {
				m.estimate()
			}
		})
	}
	for i := range r.Machines {
		next <- &r.Machines[i]
	}
	close(next)
	wait.Wait()
	return r
}

func (src *Source) coolant(l *exposure.Life) CoolantMachine {
	m := src.coolantBook(l)
	m.estimate()
	return m
}

// coolantBook is the bookkeeping: what became of the coolant, stretch by
// stretch, without any estimate.
func (src *Source) coolantBook(l *exposure.Life) CoolantMachine {
	m := CoolantMachine{Machine: l.Log.Machine.Name, EngineAsOf: l.Clock.At(src.AsOf)}
	marks := Marks(l)
	m.Stretches = Stretches(l, marks, src.Fleet.Settings.SettlingCycles())
	for i := range l.Log.TopUps {
		m.ToppedUpMl += l.Log.TopUps[i].Volume.V
	}
	if len(marks) > 0 {
		m.From, m.To = src.local(marks[0].At), src.local(marks[len(marks)-1].At)
		if marks[0].Kind == "topup" {
			m.UnattributedMl = marks[0].Fell
			warn(&m.Warnings, "the first top-up, %s, says nothing: it is not known where the level stood before", src.ml(marks[0].Fell))
		}
	}
	unknown := 0
	for i := range m.Stretches {
		st := &m.Stretches[i]
		m.Hours += st.Hours()
		m.SettlingMl += st.Settled()
		m.BoilOverMl += st.BoilOver
		m.UnexplainedMl += st.Unexplained()
		if st.Settling {
			m.SettlingHours += st.Hours()
		} else {
			unknown += st.UnknownBoilOvers
		}
	}
	m.Intervals = len(m.Stretches)
	m.Hours, m.SettlingHours = tidy(m.Hours), tidy(m.SettlingHours)
	if unknown > 0 {
		warn(&m.Warnings, "%s nothing of coolant lost: what boiled over then counts as unexplained", says(unknown, "overheat"))
	}
	if c := l.Log.Machine.CoolantL; c.Known {
		m.CoolantL = &c.V
	}
	m.marks, m.looks = marks, looks(marks, m.Stretches)
	return m
}

// says is a count with its noun and "say" or "says".
func says(n int, one string) string {
	if n == 1 {
		return plural(n, one) + " says"
	}
	return plural(n, one) + " say"
}

// minLossHours are the engine hours between looks that a loss an hour wants:
// two top-ups a minute apart say nothing of an hour. Common practice, no source.
const minLossHours = 1.0

// tooShort is why there is no loss an hour.
func tooShort(hours float64) string {
	return fmt.Sprintf("the looks that count lie %s h apart in all: a loss an hour wants %v", num(hours), minLossHours)
}

// estimate works out the loss from the looks at the mark.
func (m *CoolantMachine) estimate() {
	if h := m.Hours - m.SettlingHours; h > 1e-9 && h < minLossHours {
		m.Why = text(tooShort(h))
		return
	}
	loss := stat.LossRate(m.looks, stat.LossSteps{}, stat.Level95)
	var why string
	if m.Rate, why = take(loss.Rate, &m.Warnings); m.Rate == nil {
		m.Why = text(why)
		switch {
		case len(m.Stretches) == 0:
		case m.Hours < 1e-9:
			m.Why = text("no engine hours are recorded between the looks")
		case m.SettlingHours >= m.Hours-1e-9:
			m.Why = text("the level has only been looked at while it settled after a refill")
		}
		return
	}
	m.change()
	if m.CoolantL != nil {
		// ml an hour to percent of the system in 100 h: 100 h of 100/(1000 l).
		pct := m.Rate.Scaled(10 / *m.CoolantL)
		m.RatePct = &pct
	} else {
		warn(&m.Warnings, "the coolant in the whole system (coolant_l) is not recorded: no percent of it can be given")
	}
}

// change says whether the loss is steady and whether its rate changed.
func (m *CoolantMachine) change() {
	steady := stat.LossSteadiness(m.looks, stat.LossSteps{})
	m.Steady, m.SteadyWhy = steady.Steady, text(steady.Why)
	c := stat.LossChange(m.looks, stat.LossSteps{}, stat.Level95)
	switch {
	case c.Why != "":
		m.ChangeWhy = text(c.Why)
	case c.P > 0.05:
		m.ChangeWhy = text(fmt.Sprintf("one rate fits all of it (p %s)", pText(c.P)))
	case c.At.Est == nil:
		m.ChangeWhy = text(c.At.Why)
	case c.At.Est.Value < leastSide || m.looksHours()-c.At.Est.Value < leastSide:
		m.ChangeWhy = text(fmt.Sprintf("a change is seen with less than %d h on one side of it: too little to tell a rate by", leastSide))
	default:
		e := *c.At.Est
		change := CoolantChange{Before: c.Before, After: c.After, P: c.P, Hours: e}
		change.At, change.Hours.Value = m.when(e.Value)
		change.Low, change.Hours.Low = m.when(e.Low)
		change.High, change.Hours.High = m.when(e.High)
		m.Change = &change
		for _, w := range c.At.Warnings {
			warn(&m.Warnings, "%s", w)
		}
	}
}

// leastSide is how many hours a rate needs before and after a change.
const leastSide = 10

// looksHours are the hours between marks that a change may lie in.
func (m *CoolantMachine) looksHours() float64 {
	total := 0.0
	for i := 1; i < len(m.looks); i++ {
		if !m.looks[i].Apart {
			total += m.looks[i].Hours
		}
	}
	return total
}

// when is the moment, and the engine hours, at which so many hours had gone by
// between marks, those set apart not counted; within a stretch in proportion.
func (m *CoolantMachine) when(hours float64) (*time.Time, float64) {
	for i := 1; i < len(m.looks); i++ {
		if m.looks[i].Apart {
			continue
		}
		if h := m.looks[i].Hours; hours <= h || i == len(m.looks)-1 {
			a, b := &m.marks[i-1], &m.marks[i]
			share := 0.0
			if h > 0 {
				share = min(hours/h, 1)
			}
			t := a.At.Add(time.Duration(share * float64(b.At.Sub(a.At)))).Truncate(time.Second).In(m.To.Location())
			return &t, a.Engine + share*(b.Engine-a.Engine)
		} else {
			hours -= h
		}
	}
	return m.To, m.marks[len(m.marks)-1].Engine
}

// looks are the marks as the loss model reads them: settling stretches are set
// apart, and a chain of looks begins afresh after them and after a refill.
func looks(marks []Mark, stretches []Stretch) []stat.Look {
	out := make([]stat.Look, 0, len(marks))
	next := 0
	for i := range marks {
		g := &marks[i]
		look := stat.Look{BelowML: g.Fell}
		if i > 0 {
			look.Hours = max(g.Engine-marks[i-1].Engine, 0)
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
			look.Apart, look.ApartML = s.Settling, s.BoilOver
		}
		out = append(out, look)
	}
	return out
}
