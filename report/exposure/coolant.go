package exposure

import (
	"slices"
	"sort"
	"time"

	"shedbook/schema"
)

// The coolant of a life is divided into stretches between the moments at which
// its level is known. Every estimate of the loss uses these stretches.

// LevelPoint is a moment at which the coolant level, cold, is known.
type LevelPoint struct {
	At     time.Time
	Engine float64 // engine hours
	Kind   string  // topup, level or refill
	Fell   float64 // ml below the mark when read; for a top-up what was added
	Below  float64 // ml below the mark afterwards: 0 unless nothing was added
	Cycles int     // heat cycles since the last refill
	Filled bool    // there was a refill before
	// HotGain is a level above this one that was read later, on a hot engine; such
	// readings are not level points.
	HotGain *schema.Level
}

// LevelPoints returns the machine's level points in time order. A top-up brings
// the level to the mark, whatever it was; a level read leaves it as it is; a
// refill begins anew. At one moment levels come before top-ups and top-ups
// before refills. Levels read on a hot engine are left out, since hot coolant
// stands higher.
func (l *Life) LevelPoints() []LevelPoint {
	log := l.Log
	var ps []LevelPoint
	var hot []*schema.Level
	for i := range log.Levels {
		v := &log.Levels[i]
		if v.Engine == "hot" {
			hot = append(hot, v)
			continue
		}
		ps = append(ps, LevelPoint{At: v.At, Kind: "level", Fell: v.BelowMark.V, Below: v.BelowMark.V})
	}
	for i := range log.TopUps {
		t := &log.TopUps[i]
		ps = append(ps, LevelPoint{At: t.At, Kind: "topup", Fell: t.Volume.V})
	}
	for i := range log.Refills {
		r := &log.Refills[i]
		ps = append(ps, LevelPoint{At: r.At, Kind: "refill"})
	}
	sort.SliceStable(ps, func(a, b int) bool { return ps[a].At.Before(ps[b].At) })
	for i := range ps {
		s := l.At(ps[i].At)
		ps[i].Engine, ps[i].Cycles, ps[i].Filled = l.Clock.At(ps[i].At), s.Cycles, !s.Refill.Never
	}
	for _, v := range hot {
		if i := sort.Search(len(ps), func(i int) bool { return ps[i].At.After(v.At) }); i > 0 &&
			v.BelowMark.V < ps[i-1].Below {
			ps[i-1].HotGain = v
		}
	}
	return ps
}

// Stretch is the time between two level points, of which the second is not a
// refill.
type Stretch struct {
	From, To   time.Time
	FromH, ToH float64 // engine hours
	Lost       float64 // ml; below 0 if the level rose
	Settling   bool    // it began within the first heat cycles after a refill
	Boiled     float64 // ml that its overheats are recorded to have boiled over
	BoilOver   float64 // the part of Lost put down to that: no more than was missing
	Closed     string  // topup or level: the kind of its end
	Overheats  int     // number of overheats in it
	Blind      bool    // one of them has no figure for what boiled over, so the stretch tells no loss per hour
}

// Hours returns its engine hours.
func (s *Stretch) Hours() float64 { return s.ToH - s.FromH }

// Settled returns what was lost by settling, in ml: all but what boiled over.
func (s *Stretch) Settled() float64 {
	if !s.Settling {
		return 0
	}
	return s.Lost - s.BoilOver
}

// Counts reports whether it counts for a loss per hour: no settling, and no
// boil-over of unknown size.
func (s *Stretch) Counts() bool { return !s.Settling && !s.Blind }

// Unexplained returns what neither settling nor boil-over accounts for, in ml.
func (s *Stretch) Unexplained() float64 {
	if !s.Counts() {
		return 0
	}
	return s.Lost - s.BoilOver
}

// Unattributed returns what was lost by boil-over or otherwise in unknown
// shares, in ml.
func (s *Stretch) Unattributed() float64 {
	if s.Settling || !s.Blind {
		return 0
	}
	return s.Lost - s.BoilOver
}

// Stretches returns the stretches between level points; settling is the number
// of heat cycles in which the level settles after a refill. A stretch that a
// refill ends is left out: what it lost was poured away unmeasured.
func (l *Life) Stretches(points []LevelPoint, settling int) []Stretch {
	var out []Stretch
	heat := l.Log.Overheats
	for i := 1; i < len(points); i++ {
		a, b := &points[i-1], &points[i]
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

// leaks are the causes that let coolant out: a loss before a service for one of
// them is over. Common practice, no source.
var leaks = []string{"external-leak", "head-gasket", "pressure-cap", "pump", "collapsed-hose"}

// LeakMended returns the last service for a leak; nil if there was none.
func (l *Life) LeakMended() *schema.Service {
	for i := len(l.Log.Services) - 1; i >= 0; i-- {
		if s := &l.Log.Services[i]; slices.Contains(leaks, s.Cause) {
			return s
		}
	}
	return nil
}
