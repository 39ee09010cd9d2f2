package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"shedbook/report/exposure"
	"shedbook/report/say"
	"shedbook/report/stat"
)

// words puts into sentences what the table shows: the levels whose rate stands
// out, before or after other factors are held, highest first. It says no more
// than the intervals support.
func (r *RatesReport) words(q RateQuestion) {
	if len(r.Levels) == 0 {
		r.Words = append(r.Words, fmt.Sprintf("no hours with a recorded %s, so nothing to say", r.By))
		return
	}
	total := 0
	for _, v := range r.Levels {
		total += v.Overheats
	}
	if total == 0 {
		hours := 0.0
		for _, v := range r.Levels {
			hours += v.Hours
		}
		r.Words = append(r.Words, fmt.Sprintf("no overheat in %s h, so nothing to compare", say.Figure(hours)))
		return
	}
	order := make([]*RateLevel, len(r.Levels))
	for i := range r.Levels {
		order[i] = &r.Levels[i]
	}
	slices.SortStableFunc(order, func(a, b *RateLevel) int { return cmp.Compare(strength(b), strength(a)) })
	for _, v := range order {
		if w := r.sentence(v, q); w != "" {
			r.Words = append(r.Words, w)
		}
	}
	if len(r.Words) == 0 {
		r.Words = append(r.Words, fmt.Sprintf("no %s differs from the others by more than chance", r.By))
	}
}

// strength orders levels by how far their ratio is from 1.
func strength(v *RateLevel) float64 {
	if v.CrudeRatio == nil || v.CrudeRatio.Value <= 0 {
		return 0
	}
	return math.Log(v.CrudeRatio.Value)
}

// stands returns the side of 1 on which an interval lies: +1, -1, or 0 if it
// includes 1.
func stands(e *stat.Estimate) int {
	switch {
	case e == nil:
		return 0
	case e.Low > 1:
		return 1
	case e.High < 1:
		return -1
	}
	return 0
}

func (r *RatesReport) sentence(v *RateLevel, q RateQuestion) string {
	others := "the others"
	if r.Against != "rest" {
		others = r.Against
	}
	crude, adjusted := stands(v.CrudeRatio), stands(v.AdjustedRatio)
	if len(q.Adjust) == 0 {
		if crude == 0 {
			return ""
		}
		chance := ""
		if v.PHolm != nil && *v.PHolm > 0.05 {
			chance = fmt.Sprintf("; with %d compared, that may be chance", r.tested())
		}
		if v.Mostly != nil {
			chance = fmt.Sprintf("; %s, so it may be the machine ('--adjust terrain,speed' allows for that)",
				mostly(v, q.By))
		}
		return fmt.Sprintf("%s: %s times %s%s", v.Level, interval(v.CrudeRatio), others, chance)
	}
	all := append(slices.Clone(r.AdjustedFor), r.HeldToo...)
	allowing := "allowing for " + say.List(all, "and")
	if v.AdjustedRatio == nil {
		if crude == 0 {
			return ""
		}
		return fmt.Sprintf("%s: %s times %s; %s, nothing can be said: %s", v.Level, interval(v.CrudeRatio), others,
			allowing, *v.Why)
	}
	if crude == 0 && adjusted == 0 {
		return ""
	}
	before := "no rate"
	if v.CrudeRatio != nil {
		before = ratio(v.CrudeRatio.Value) + " times " + others + " as counted"
	}
	head := fmt.Sprintf("%s: %s, %s %s: ", v.Level, before, interval(v.AdjustedRatio), allowing)
	chance := v.PHolm != nil && *v.PHolm > 0.05
	switch {
	case adjusted != 0 && chance:
		return head + fmt.Sprintf("with %d compared, that may still be chance", r.tested())
	case adjusted != 0 && crude == adjusted:
		return head + blame(r.held(q)) + " not explain it"
	case adjusted != 0:
		return head + "it shows only after allowing for these"
	case v.Mostly != nil && len(r.HeldToo) > 0:
		return head + fmt.Sprintf("%s, so this log cannot tell the %s from the machine", mostly(v, q.By), q.By)
	case nearer(v.AdjustedRatio.Value, v.CrudeRatio.Value):
		return head + "it is " + conditions(r.held(q))
	}
	return head + "too few overheats to tell"
}

// mostly names the machine on which a level has most of its hours.
func mostly(v *RateLevel, by exposure.Factor) string {
	if by == exposure.Driver {
		return fmt.Sprintf("%s mostly drove %s", v.Level, *v.Mostly)
	}
	return fmt.Sprintf("most hours with %s %s were driven on %s", by, v.Level, *v.Mostly)
}

// held returns the factors held, asked for or not.
func (r *RatesReport) held(q RateQuestion) []exposure.Factor {
	if len(r.HeldToo) > 0 {
		return append(slices.Clone(q.Adjust), exposure.Machine)
	}
	return q.Adjust
}

// tested returns how many levels were compared.
func (r *RatesReport) tested() (n int) {
	for i := range r.Levels {
		if r.Levels[i].PHolm != nil {
			n++
		}
	}
	return n
}

// nearer reports whether holding the factors removed at least half of the
// ratio, on the log scale.
func nearer(adjusted, crude float64) bool {
	if adjusted <= 0 || crude <= 0 {
		return false
	}
	return math.Abs(math.Log(adjusted)) <= math.Abs(math.Log(crude))/2
}

// conditions returns the held factors in words.
func conditions(held []exposure.Factor) string {
	var names []string
	add := func(name string) {
		if !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	for _, f := range held {
		switch f {
		case exposure.Machine, exposure.Model:
			add("the machines")
		case exposure.Driver:
			add("the drivers")
		default:
			add("the driving conditions")
		}
	}
	return say.List(names, "and")
}

func blame(held []exposure.Factor) string { return conditions(held) + " do" }

// interval returns an estimate for a sentence: 1.1 (0.4 to 2.9).
func interval(e *stat.Estimate) string {
	switch {
	case math.IsInf(e.High, 1):
		return fmt.Sprintf("%s (at least %s)", ratio(e.Value), ratio(e.Low))
	case math.IsInf(e.Low, -1):
		return fmt.Sprintf("%s (at most %s)", ratio(e.Value), ratio(e.High))
	}
	return fmt.Sprintf("%s (%s to %s)", ratio(e.Value), ratio(e.Low), ratio(e.High))
}

// ratio returns a ratio for a sentence, to two figures or a tenth.
func ratio(v float64) string {
	switch {
	case v >= 99.95:
		return say.Figure(v)
	case v >= 0.995:
		return fmt.Sprintf("%.1f", v)
	}
	return say.Figure(v)
}
