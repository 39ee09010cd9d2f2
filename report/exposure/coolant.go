package exposure

import (
	"slices"
	"sort"
	"time"

	"shedbook/schema"
)

// The coolant of a life is cut into stretches between moments at which its level
// is known; whoever asks for a loss an hour reads this one cutting.

// Mark is a moment at which it is known how far the coolant stood below the
// mark, cold.
type Mark struct {
	At     time.Time
	Engine float64 // engine hours
	Kind   string  // topup, level or refill
	Fell   float64 // ml below the mark when looked at; what a top-up put in
	Below  float64 // ml below the mark when left: 0 but after a look that added nothing
	Cycles int     // heat cycles since the last refill
	Filled bool    // there has been a refill in the log
	// HotGain is a look on a hot engine, taken after this mark, that stands above
	// it; such looks are no marks.
	HotGain *schema.Level
}

// Marks are the machine's marks in time order. A top-up brings the level back to
// the mark, whatever stood before; a look with nothing added leaves it where
// it is; a refill begins afresh. At one moment a look comes before a top-up
// and a top-up before a refill. Looks on a hot engine are left out: hot
// coolant stands higher.
func (l *Life) Marks() []Mark {
	log := l.Log
	var ms []Mark
	var hot []*schema.Level
	for i := range log.Levels {
		v := &log.Levels[i]
		if v.Engine == "hot" {
			hot = append(hot, v)
			continue
		}
		ms = append(ms, Mark{At: v.At, Kind: "level", Fell: v.BelowMark.V, Below: v.BelowMark.V})
	}
	for i := range log.TopUps {
		t := &log.TopUps[i]
		ms = append(ms, Mark{At: t.At, Kind: "topup", Fell: t.Volume.V})
	}
	for i := range log.Refills {
		r := &log.Refills[i]
		ms = append(ms, Mark{At: r.At, Kind: "refill"})
	}
	sort.SliceStable(ms, func(a, b int) bool { return ms[a].At.Before(ms[b].At) })
	for i := range ms {
		s := l.At(ms[i].At)
		ms[i].Engine, ms[i].Cycles, ms[i].Filled = l.Clock.At(ms[i].At), s.Cycles, !s.Refill.Never
	}
	for _, v := range hot {
		if i := sort.Search(len(ms), func(i int) bool { return ms[i].At.After(v.At) }); i > 0 &&
			v.BelowMark.V < ms[i-1].Below {
			ms[i-1].HotGain = v
		}
	}
	return ms
}

// Stretch is the time between two marks, of which the second is no refill.
type Stretch struct {
	From, To   time.Time
	FromH, ToH float64 // engine hours
	Lost       float64 // ml; below 0 where a look stands above the one before
	Settling   bool    // it began within the first heat cycles after a refill
	Boiled     float64 // ml that overheats in it say boiled over
	BoilOver   float64 // ml of Lost that is put down to it: no more than was missing
	Closed     string  // topup or level: how its end was seen
	Overheats  int     // in it
	Blind      bool    // one of them has no figure for what boiled over: it says nothing of a loss an hour
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

// Counts says whether it counts for a loss an hour: neither settling nor
// boil-over of an unknown amount can have taken the coolant.
func (s *Stretch) Counts() bool { return !s.Settling && !s.Blind }

// Unexplained is what neither settling nor boil-over accounts for, in ml.
func (s *Stretch) Unexplained() float64 {
	if !s.Counts() {
		return 0
	}
	return s.Lost - s.BoilOver
}

// Unattributed is what boiled over or went otherwise, nobody knows how much of
// each, in ml.
func (s *Stretch) Unattributed() float64 {
	if s.Settling || !s.Blind {
		return 0
	}
	return s.Lost - s.BoilOver
}

// Stretches are the stretches between a machine's marks; settling is the
// number of heat cycles that the level takes to settle after a refill. A
// stretch that a refill ends is no stretch: what it lost was poured away
// unmeasured.
func (l *Life) Stretches(marks []Mark, settling int) []Stretch {
	var out []Stretch
	heat := l.Log.Overheats
	for i := 1; i < len(marks); i++ {
		a, b := &marks[i-1], &marks[i]
		if b.Kind == "refill" {
			continue
		}
		s := Stretch{From: a.At, To: b.At, FromH: a.Engine, ToH: b.Engine, Lost: b.Fell - a.Below,
			Settling: a.Filled && a.Cycles < settling, Closed: b.Kind}
		for k := sort.Search(len(heat), func(k int) bool { return heat[k].At.After(a.At) }); k < len(heat) &&
			!heat[k].At.After(b.At); k++ {
			s.Overheats++
			s.Blind = s.Blind || !heat[k].Lost.Known
			s.Boiled += heat[k].Lost.V
		}
		s.BoilOver = max(min(s.Boiled, s.Lost), 0)
		out = append(out, s)
	}
	return out
}

// leaks are the causes that let coolant out: what was lost before a service for
// one of them is past. Common practice, no source.
var leaks = []string{"external-leak", "head-gasket", "pressure-cap", "pump", "collapsed-hose"}

// LeakMended is the last service for a leak; nil where there was none.
func (l *Life) LeakMended() *schema.Service {
	for i := len(l.Log.Services) - 1; i >= 0; i-- {
		if s := &l.Log.Services[i]; slices.Contains(leaks, s.Cause) {
			return s
		}
	}
	return nil
}
