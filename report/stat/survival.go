package stat

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Lifetime is one time to an event: from Entry, when watching began (0 unless
// it began late), to Exit, when the event came or watching ended without it.
type Lifetime struct {
	Entry float64
	Exit  float64
	Event bool
}

// SurvivalStep is the survivor function from Time until the next step.
type SurvivalStep struct {
	Time      float64
	AtRisk    int // entry < Time <= exit
	Events    int
	Survival  float64 // Kaplan & Meier 1958
	SE        float64 // Greenwood 1926
	Low, High float64 // of Survival, by log(-log S) (Kalbfleisch & Prentice 1980 s. 1.3)
	Hazard    float64 // cumulative, Nelson 1972 and Aalen 1978
	HazardSE  float64 // root of the sum of d/n^2
}

func checkLives(lives []Lifetime, level float64) string {
	if !validLevel(level) {
		return fmt.Sprintf("level %g: must lie between 0 and 1", level)
	}
	for i, l := range lives {
		if !usable(l.Entry) || !usable(l.Exit) || l.Entry < 0 || l.Exit <= l.Entry {
			return fmt.Sprintf("lifetime %d: from %g to %g: must be 0 or more and end after it begins", i+1, l.Entry, l.Exit)
		}
	}
	return ""
}

// KaplanMeier is the product-limit survivor function and the Nelson-Aalen
// cumulative hazard at every event time, with delayed entry and ties. No event
// is an absence.
func KaplanMeier(lives []Lifetime, level float64) (steps []SurvivalStep, why string) {
	if why := checkLives(lives, level); why != "" {
		return nil, why
	}
	exits, entries := slices.Clone(lives), make([]float64, len(lives))
	slices.SortStableFunc(exits, func(a, b Lifetime) int { return cmp.Compare(a.Exit, b.Exit) })
	for i, l := range lives {
		entries[i] = l.Entry
	}
	slices.Sort(entries)
	s, hazard, greenwood, nelson := 1.0, 0.0, 0.0, 0.0
	z := zFor(level)
	high := 1.0
	for i := 0; i < len(exits); {
		t, d, first := exits[i].Exit, 0, i
		for ; i < len(exits) && exits[i].Exit == t; i++ {
			if exits[i].Event {
				d++
			}
		}
		if d == 0 {
			continue
		}
		entered, _ := slices.BinarySearch(entries, t) // entry < t
		n := float64(entered - first)
		k := float64(d)
		s *= 1 - k/n
		hazard += k / n
		nelson += k / n / n
		step := SurvivalStep{Time: t, AtRisk: entered - first, Events: d, Survival: s, Hazard: hazard, HazardSE: math.Sqrt(nelson)}
		if s > 0 {
			greenwood += k / (n * (n - k))
			step.SE = s * math.Sqrt(greenwood)
			l := math.Log(-math.Log(s))
			w := z * math.Sqrt(greenwood) / math.Abs(math.Log(s))
			step.Low, step.High = math.Exp(-math.Exp(l+w)), math.Exp(-math.Exp(l-w))
			high = step.High
		} else {
			step.High = high // none left: the formula has no value, the limit before still holds
		}
		steps = append(steps, step)
		if s == 0 {
			break
		}
	}
	if steps == nil {
		return nil, "no event"
	}
	return steps, ""
}
