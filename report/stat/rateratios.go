package stat

import (
	"fmt"
	"math"
	"runtime"
	"sync"
)

// LevelRatio is a level's rate relative to that of what it is compared with,
// the other factors held. P is two-sided and agrees with the interval; it is
// valid only if Est is present.
type LevelRatio struct {
	Result
	P float64
}

// knowable reports whether the data determine the combination c of
// coefficients.
func (f *RateFit) knowable(c []float64) bool {
	for _, null := range f.nulls {
		if math.Abs(dot(c, null)) > 1e-6 {
			return false
		}
	}
	return true
}

// variance returns that of the combination c of coefficients. Normal limits
// serve clustered errors too: Student's with clusters-1 degrees of freedom
// covered 98.8 % where 8 machines differed, these 95 %
// (TestAdjustedRatioCoverage).
func (f *RateFit) variance(c []float64) float64 {
	u := f.h.solve(c)
	v := dot(c, u) * f.Phi
	if f.Scale != Clustered {
		return v
	}
	n := float64(f.clusters)
	return math.Max(v, f.scores.squares(u)*n/(n-1))
}

// RatesOf returns every level of Factors[0] against all the others together
// (reference < 0) or against one level, whose own entry is then absent.
//
// What is compared. Let t* be the exposure of a row times the fitted effects of
// the other factors: hours as hard as if driven under standard conditions. A
// level's adjusted rate is its events over its sum of t*, and "all the others
// together" are their events over their t*; the ratio of the two is that of
// indirectly standardised rates. With no other factor it is the crude ratio of
// Counting.Compare; where all the others share one rate it is that of a regression
// with one indicator.
//
// Interval. The variance V of the log ratio comes from the whole regression, so
// it holds what adjusting costs. The interval is the conditional mid-P one of
// Counting.Compare at the effective counts at which a plain comparison would have
// that variance, f x1 and f x0 with f = (1/x1 + 1/x0)/V (after Korn & Graubard
// 1998, Survey Methodology 24, who do so for proportions). It needs no
// normality, which few events do not have, and it still has one limit where a
// level has no event. Where levels are separated in a way that has no finite
// estimate it is that of a fit with Firth's (1993) penalty.
func (f *RateFit) RatesOf(reference int, level float64) []LevelRatio {
	out := make([]LevelRatio, f.g.levels[0])
	if !validLevel(level) || reference >= len(out) {
		for l := range out {
			out[l].Result = absent("level %g or reference %d: out of range", level, reference)
		}
		return out
	}
	s := f.standardise()
	for _, part := range f.parts {
		s.parts = append(s.parts, part.standardise())
	}
	var wait sync.WaitGroup
	parts := runtime.GOMAXPROCS(0)
	for part := range parts {
		wait.Go(func() {
			for l := part; l < len(out); l += parts {
				if l == reference {
					out[l].Result = absent("it is the level that the others are compared with")
				} else {
					out[l] = f.levelRatio(s, l, reference, level)
				}
			}
		})
	}
	wait.Wait()
	return out
}

// standardised is what RatesOf needs of every level of Factors[0].
type standardised struct {
	events, hours []float64 // under standard conditions
	rows          [][]int
	weight        []float64       // of a row: its standard hours
	firth         func() *RateFit // fitted on first use
	parts         []*standardised // of each part of the fit
}

func (f *RateFit) standardise() *standardised {
	n := f.g.levels[0]
	s := &standardised{events: make([]float64, n), hours: make([]float64, n), rows: make([][]int, n),
		weight: make([]float64, len(f.g.events)), firth: sync.OnceValue(f.withFirth)}
	for i, l := range f.g.codes[0] {
		s.events[l] += f.g.events[i]
		if f.g.exposure[i] == 0 {
			continue
		}
		s.rows[l] = append(s.rows[l], i)
		s.weight[i] = f.g.exposure[i] * math.Exp(f.conditions(i))
		for fac := 1; fac < len(f.g.codes); fac++ {
			if f.x.dead[fac][f.g.codes[fac][i]] {
				s.weight[i] = 0
			}
		}
		s.hours[l] += s.weight[i]
	}
	return s
}

// conditions returns the fitted effect of the factors held.
func (f *RateFit) conditions(i int) float64 {
	sum := 0.0
	for fac := 1; fac < len(f.g.codes); fac++ {
		if k := f.x.col[fac][f.g.codes[fac][i]]; k >= 0 {
			sum += f.coef[k]
		}
	}
	return sum
}

// addConditions adds w times the row's coefficients of the factors held.
func (f *RateFit) addConditions(c []float64, i int, w float64) {
	for fac := 1; fac < len(f.g.codes); fac++ {
		if k := f.x.col[fac][f.g.codes[fac][i]]; k >= 0 {
			c[k] += w
		}
	}
}

// addLevels adds the levels' shares of the events to the coefficients of
// Factors[0]: the gradient of the log of their common rate.
func (f *RateFit) addLevels(c []float64, s *standardised, levels []int, w float64) {
	total := 0.0
	for _, l := range levels {
		total += s.events[l]
	}
	for _, l := range levels {
		if k := f.x.col[0][l]; k >= 0 && s.events[l] > 0 {
			c[k] += w * s.events[l] / total
		}
	}
}

func (f *RateFit) levelRatio(s *standardised, l, reference int, level float64) LevelRatio {
	none := func(format string, args ...any) LevelRatio {
		return LevelRatio{Result: absent(format, args...), P: 1}
	}
	if len(s.rows[l]) == 0 {
		return none("no exposure")
	}
	rest := []int{reference}
	if reference < 0 {
		rest = nil
		for k := range s.events {
			if k != l && len(s.rows[k]) > 0 {
				rest = append(rest, k)
			}
		}
	}
	var warnings []string
	if len(f.nulls) > 0 {
		whole := len(rest)
		rest = f.comparable(s, l, rest)
		if len(rest) < whole && len(rest) > 0 {
			warnings = append(warnings,
				fmt.Sprintf("compared with %d of %d others, as the rest share no conditions with it",
					len(rest), whole))
		}
	}
	var restEvents, restHours float64
	for _, k := range rest {
		restEvents += s.events[k]
		restHours += s.hours[k]
	}
	events, hours := s.events[l], s.hours[l]
	switch {
	case len(rest) == 0:
		return none("it shares no conditions with the others, so the log cannot tell them apart")
	case events == 0 && restEvents == 0:
		return none("no overheat on either side, so nothing to compare")
	case hours == 0:
		return none("all its hours are in conditions where nothing ever overheated")
	case restHours == 0:
		return none("all hours of the others are in conditions where nothing ever overheated")
	}
	var cmp comparison
	grad := make([]float64, f.x.n)
	each := func(f *RateFit, s *standardised, weight float64) (separated bool) {
		clear(grad)
		var c conditional
		if events > 0 && restEvents > 0 {
			f.addLevels(grad, s, []int{l}, 1)
			f.addLevels(grad, s, rest, -1)
			v := f.variance(grad)
			k := math.Min(1, (1/events+1/restEvents)/v)
			c = conditional{k * events, s.hours[l], k * restEvents, sumOf(s.hours, rest)}
			separated = !(v < 400) // a standard error of 20
		} else {
			// At the other's rate the side without events would have had `at` events; v
			// is the variance of its logarithm, so it is known as well as from 1/v
			// events.
			quiet, loud := []int{l}, rest
			if events > 0 {
				quiet, loud = rest, []int{l}
			}
			f.addLevels(grad, s, loud, 1)
			sum := sumOf(s.hours, quiet)
			for _, k := range quiet {
				for _, i := range s.rows[k] {
					f.addConditions(grad, i, s.weight[i]/sum)
				}
			}
			v := f.variance(grad)
			separated = !(v < 400) || v <= 0
			at := sumOf(s.events, loud) / sumOf(s.hours, loud) * sum
			at /= math.Max(1, v/dot(grad, f.h.solve(grad))) // over-dispersed counts of 0 tell less
			c = conditional{0, at, 1 / v, 1 / v}
			if events > 0 {
				c = conditional{1 / v, 1 / v, 0, at}
			}
		}
		cmp = append(cmp, weighed{c, weight})
		return separated
	}
	separated := false
	if len(f.parts) == 0 {
		separated = each(f, s, 1)
	}
	for i, part := range f.parts {
		separated = each(part, s.parts[i], part.weight) || separated
	}
	switch {
	case separated && events > 0 && restEvents > 0:
		return f.firthRatio(s, grad, level, warnings)
	case separated:
		return none("%g overheats in conditions that no other shares", math.Max(events, restEvents))
	}
	value, more := cmp.value()
	lo, hi := cmp.midPLimits((1 - level) / 2)
	return LevelRatio{estimated(value, lo, hi, level, append(warnings, more...)...), cmp.p()}
}

func sumOf(v []float64, at []int) (sum float64) {
	for _, k := range at {
		sum += v[k]
	}
	return sum
}

// comparable returns those of rest whose ratio to level l the data determine.
func (f *RateFit) comparable(s *standardised, l int, rest []int) []int {
	anchor := l
	if s.events[l] == 0 { // a level without events has no coefficient: use its conditions
		anchor = -1
		for _, k := range rest {
			if s.events[k] > 0 && (anchor < 0 || s.events[k] > s.events[anchor]) && f.meets(s, l, k) {
				anchor = k
			}
		}
		if anchor < 0 {
			return nil
		}
	}
	var out []int
	for _, k := range rest {
		if s.events[k] == 0 {
			if f.meets(s, k, anchor) {
				out = append(out, k)
			}
			continue
		}
		c := make([]float64, f.x.n)
		f.addLevels(c, s, []int{anchor}, 1)
		f.addLevels(c, s, []int{k}, -1)
		if f.knowable(c) {
			out = append(out, k)
		}
	}
	return out
}

// meets reports whether the data tell what level k would have had in l's hours.
func (f *RateFit) meets(s *standardised, l, k int) bool {
	for _, i := range s.rows[l] {
		if s.weight[i] == 0 {
			continue
		}
		// Differences of rows with events are knowable, so one of k's serves as the
		// base.
		c := make([]float64, f.x.n)
		f.addConditions(c, i, 1)
		f.addConditions(c, f.base(s, k), -1)
		if !f.knowable(c) {
			return false
		}
	}
	return true
}

// base returns a row of level k that has a fitted rate.
func (f *RateFit) base(s *standardised, k int) int {
	for _, i := range s.rows[k] {
		if !f.x.deadRow[i] {
			return i
		}
	}
	return s.rows[k][0]
}

// withFirth returns the fit with Firth's penalty; without coefficients if there
// is none.
func (f *RateFit) withFirth() *RateFit {
	p := *f
	p.coef = f.start()
	if !p.maximise(p.coef, true) {
		p.coef = nil
	}
	return &p
}

// firthRatio returns the contrast from a penalised fit, with a normal interval
// of the logarithm.
func (f *RateFit) firthRatio(s *standardised, grad []float64, level float64, warnings []string) LevelRatio {
	p := s.firth()
	if p.coef == nil {
		return LevelRatio{Result: absent("it overheated in no conditions that it shares with the others"), P: 1}
	}
	theta, se := dot(grad, p.coef), math.Sqrt(p.variance(grad))
	z := zFor(level)
	warnings = append(warnings, "it never overheated under the same conditions as the others: the ratio is rough")
	return LevelRatio{estimated(math.Exp(theta), math.Exp(theta-z*se), math.Exp(theta+z*se), level, warnings...),
		twoSidedNormal(theta / se)}
}
