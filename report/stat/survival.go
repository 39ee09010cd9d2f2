package stat

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Lifetime is the time from 0 to an event, or to the end of observation without
// one.
type Lifetime struct {
	Exit  float64
	Event bool
}

// SurvivalStep is the survivor function from Time until the next step.
type SurvivalStep struct {
	Time      float64
	AtRisk    int     // Time <= exit
	Survival  float64 // Kaplan & Meier 1958
	Low, High float64 // by log(-log S), of Greenwood's (1926) variance (Kalbfleisch & Prentice 1980 s. 1.3)
}

func checkLives(lives []Lifetime, level float64) string {
	if !validLevel(level) {
		return fmt.Sprintf("level %g: must lie between 0 and 1", level)
	}
	for i, l := range lives {
		if !usable(l.Exit) || l.Exit <= 0 {
			return fmt.Sprintf("lifetime %d: %g: must be a finite number above 0", i+1, l.Exit)
		}
	}
	return ""
}

// KaplanMeier returns the product-limit survivor function at every event time,
// or why there is none: bad input, or no event.
func KaplanMeier(lives []Lifetime, level float64) (steps []SurvivalStep, why string) {
	if why := checkLives(lives, level); why != "" {
		return nil, why
	}
	exits := slices.Clone(lives)
	slices.SortStableFunc(exits, func(a, b Lifetime) int { return cmp.Compare(a.Exit, b.Exit) })
	s, greenwood, high := 1.0, 0.0, 1.0
	z := zFor(level)
	for i := 0; i < len(exits); {
		t, d, n := exits[i].Exit, 0.0, float64(len(exits)-i)
		for ; i < len(exits) && exits[i].Exit == t; i++ {
			if exits[i].Event {
				d++
			}
		}
		if d == 0 {
			continue
		}
		s *= 1 - d/n
		step := SurvivalStep{Time: t, AtRisk: int(n), Survival: s}
		if s > 0 {
			greenwood += d / (n * (n - d))
			l := math.Log(-math.Log(s))
			w := z * math.Sqrt(greenwood) / math.Abs(math.Log(s))
			step.Low, step.High = math.Exp(-math.Exp(l+w)), math.Exp(-math.Exp(l-w))
			high = step.High
		} else {
			step.High = high // none left: the formula has no value, the limit before still holds
		}
		steps = append(steps, step)
	}
	if steps == nil {
		return nil, "no event"
	}
	return steps, ""
}
