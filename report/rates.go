package report

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"shedbook/report/exposure"
	"shedbook/report/say"
	"shedbook/report/stat"
	"shedbook/schema"
)

// RatesReport is the result of `shedbook rates`: overheats by the hours driven
// under each level of a factor.
type RatesReport struct {
	AsOf        time.Time   `json:"as_of"`
	By          string      `json:"by"`
	AdjustedFor []string    `json:"adjusted_for"`
	Against     string      `json:"against"` // "rest", or the level that is compared with
	Levels      []RateLevel `json:"levels"`
	// UnplacedOverheats fell into no recorded run and are in no row, since the
	// hours they fell into are not either.
	UnplacedOverheats int `json:"unplaced_overheats"`
	// UnrecordedHours are in no row: hours of runs without a recorded level, and
	// hours that only the meter shows.
	UnrecordedHours      float64 `json:"unrecorded_hours"`
	UnrecordedLevelHours float64 `json:"unrecorded_level_hours"`
	UnrecordedMeterHours float64 `json:"unrecorded_meter_hours"`
	// UnrecordedOverheats fell into recorded runs, but the level is recorded for
	// neither.
	UnrecordedOverheats int `json:"unrecorded_overheats"`
	// HeldToo are factors held without being asked for: the machine, if levels
	// have machines of their own.
	HeldToo []string `json:"held_too"`
	// Repeated is how many overheats count as one in intervals and p, since some
	// runs have several; 1 if no more than by chance.
	Repeated float64 `json:"repeated"`
	// Method is the name of the method behind the adjusted ratios; "" if none were
	// asked for.
	Method string `json:"method"`
	// Intervals is the type of the crude intervals: "exact" or "mid-P", both
	// central.
	Intervals string `json:"intervals"`
	// Words are sentences on what the table shows, worst first.
	Words    []string `json:"words"`
	Warnings []string `json:"warnings,omitempty"`
}

// RateLevel is one level's rate and its comparison.
type RateLevel struct {
	Level     string         `json:"level"`
	Overheats int            `json:"overheats"`
	Hours     float64        `json:"hours"`
	Per100h   *stat.Estimate `json:"per_100h"`
	// Pooled is the rate shrunken towards the others (empirical Bayes), so that
	// nobody is the worst for having few hours; for drivers and machines only.
	Pooled        *stat.Estimate `json:"pooled_per_100h"`
	CrudeRatio    *stat.Estimate `json:"crude_ratio"`
	AdjustedRatio *stat.Estimate `json:"adjusted_ratio"`
	P             *float64       `json:"p"`       // of the adjusted ratio if there is one, otherwise of the crude one
	PHolm         *float64       `json:"p_holm"`  // adjusted for the number of levels
	CrudeP        *float64       `json:"crude_p"` // central exact
	Why           *string        `json:"why"`     // what is missing and why
	// Mostly is the machine on which most of the level's hours were driven, if the
	// others drove it less: the level and the machine are then hard to tell apart.
	Mostly *string `json:"mostly_on"`
	id     uint16
}

// RateQuestion selects the rates wanted.
type RateQuestion struct {
	By        exposure.Factor
	Adjust    []exposure.Factor // must not contain By, nor repeats
	Reference string            // "" for all the others together
	// Crude intervals and p by mid-P, which cover about their level; otherwise
	// exact, which cover at least it.
	MidP bool
}

// Strata groups the fleet's hours and overheats.
func Strata(s Source) *exposure.Strata {
	strata := exposure.NewStrata()
	for l := range s.Lives {
		strata.AddLife(l)
	}
	return strata
}

// Validate returns an error if a factor is to be held that the rates are by, or
// is given twice.
func (q *RateQuestion) Validate() error {
	for i, f := range q.Adjust {
		if f == q.By || slices.Contains(q.Adjust[:i], f) {
			return schema.Wrong("adjust", f.String(),
				"can't be allowed for twice, or when it is what you compare: choose "+
					"another factor")
		}
	}
	return nil
}

// RatesOf works out rates from strata grouped by at least By, the factors of
// Adjust and the machine.
func RatesOf(asOf time.Time, x *exposure.Index, strata *exposure.Strata, q RateQuestion) (RatesReport, error) {
	if err := q.Validate(); err != nil {
		return RatesReport{}, err
	}
	r := RatesReport{AsOf: asOf, By: q.By.String(), Against: "rest", Repeated: repeated(strata),
		AdjustedFor: []string{}, HeldToo: []string{}, Levels: []RateLevel{}, Words: []string{},
		UnplacedOverheats: strata.UnplacedOverheats, UnrecordedMeterHours: strata.MeterHours}
	for _, f := range q.Adjust {
		r.AdjustedFor = append(r.AdjustedFor, f.String())
	}
	reference := uint16(0)
	if q.Reference != "" {
		id, ok := x.ID(q.By, q.Reference)
		if !ok {
			return r, schema.Wrong("reference", q.Reference, fmt.Sprintf("is no %s of this book%s; there are %s", q.By,
				schema.DidYouMean(q.Reference, levelNames(x, q.By)), strings.Join(levelNames(x, q.By), ", ")))
		}
		reference, r.Against = id, q.Reference
	}
	for _, g := range strata.By(q.By) {
		id := g.Levels[q.By]
		if id == 0 {
			r.UnrecordedLevelHours, r.UnrecordedOverheats = g.Hours, g.Overheats
			continue
		}
		r.Levels = append(r.Levels, RateLevel{Level: x.Name(q.By, id), Overheats: g.Overheats,
			Hours: exposure.Tidy(g.Hours),
			id:    id})
	}
	r.UnrecordedLevelHours, r.UnrecordedMeterHours = exposure.Tidy(r.UnrecordedLevelHours),
		exposure.Tidy(r.UnrecordedMeterHours)
	r.UnrecordedHours = r.UnrecordedLevelHours + r.UnrecordedMeterHours
	if q.By <= exposure.Driver { // by name; words and bands are in their own order already
		slices.SortFunc(r.Levels, func(a, b RateLevel) int { return strings.Compare(a.Level, b.Level) })
	}
	events, hours := 0, 0.0
	for _, v := range r.Levels { // not in the order of their numbers, which depends on the order of appearance
		events, hours = events+v.Overheats, hours+v.Hours
	}
	keeps := r.keeps(x, strata, q)
	r.crude(q, reference, events, hours)
	if len(q.Adjust) > 0 {
		r.adjust(x, strata, q, reference, keeps)
		r.complete(reference)
	}
	if q.By == exposure.Machine || q.By == exposure.Driver {
		r.pool()
	}
	r.holm(len(q.Adjust) > 0)
	r.warnings(strata, q)
	r.words(q)
	return r, nil
}

func levelNames(x *exposure.Index, f exposure.Factor) []string {
	names := append([]string(nil), x.Names[f][1:]...)
	if f <= exposure.Driver {
		slices.Sort(names)
	}
	if len(names) > 20 {
		names = append(names[:20:20], "...")
	}
	return names
}

// crude fills in every level's own rate and its unadjusted ratio.
func (r *RatesReport) crude(q RateQuestion, reference uint16, events int, hours float64) {
	e0, h0, found := 0, 0.0, reference == 0
	for _, v := range r.Levels {
		if v.id == reference {
			e0, h0, found = v.Overheats, v.Hours, true
		}
	}
	if !found {
		say.Once(&r.Warnings, "%s has no recorded hours, so there is nothing to compare with", r.Against)
	}
	r.Intervals = "exact"
	if q.MidP {
		r.Intervals = "mid-P"
	}
	count := stat.Counting{Repeated: r.Repeated, MidP: q.MidP}
	for i := range r.Levels {
		v := &r.Levels[i]
		rate := count.Rate(v.Overheats, v.Hours, stat.Level95)
		if rate.Est != nil {
			e := rate.Est.Scaled(100)
			v.Per100h = &e
		} else {
			v.Why = say.Why(rate.Why)
		}
		if v.id == reference {
			continue
		}
		ee, hh := e0, h0
		if reference == 0 {
			ee, hh = events-v.Overheats, max(hours-v.Hours, 0)
			if len(r.Levels) == 1 {
				hh = 0
			}
		}
		crude, p := count.Compare(v.Overheats, v.Hours, ee, hh, stat.Level95)
		v.CrudeRatio = crude.Est
		if v.CrudeRatio != nil {
			v.CrudeP = &p
		} else if v.Why == nil {
			v.Why = say.Why(crude.Why)
		}
	}
}

// repeated returns how much overheats cluster within runs, beyond the effects
// of machine, driver, terrain and speed.
func repeated(strata *exposure.Strata) float64 {
	any := false
	strata.Each(func(g *exposure.Stratum) { any = any || g.Repeats > 0 })
	if !any {
		return 1
	}
	var runs []stat.RunStratum
	for _, g := range strata.By(exposure.Machine, exposure.Driver, exposure.Terrain, exposure.Speed) {
		runs = append(runs, stat.RunStratum{Events: g.Overheats, Repeats: g.Repeats, Exposure: g.Hours,
			Squares: g.Squares})
	}
	return stat.Repeated(runs)
}

// ownMachine is the limit above which a level's hours by machine are too unlike
// the others' for errors clustered by machine: the sum of the squared
// differences of the shares, one over the number of machines that distinguish
// the level from the others. With half of the hours on a machine that nobody
// else drives it is at least 0.25.
const ownMachine = 0.2

// keeps reports whether some level has machines of its own, and names the
// machine of every level that has most of its hours on one. Levels with less
// than a tenth of the average hours decide nothing.
func (r *RatesReport) keeps(x *exposure.Index, strata *exposure.Strata, q RateQuestion) bool {
	if q.By == exposure.Machine || q.By == exposure.Model || slices.Contains(q.Adjust, exposure.Machine) {
		return false
	}
	machines, total := len(x.Names[exposure.Machine]), 0.0
	hours := map[uint16][]float64{} // by level, for each machine
	whole := make([]float64, machines)
	strata.Each(func(g *exposure.Stratum) {
		l, m := g.Levels[q.By], g.Levels[exposure.Machine]
		if l == 0 || int(m) >= machines {
			return
		}
		if hours[l] == nil {
			hours[l] = make([]float64, machines)
		}
		hours[l][m] += g.Hours
		whole[m] += g.Hours
		total += g.Hours
	})
	keeps := false
	for i := range r.Levels {
		v := &r.Levels[i]
		rest := total - v.Hours
		if !(v.Hours > 0 && rest > 0) {
			continue
		}
		apart := 0.0
		for m, h := range hours[v.id] {
			own, others := h/v.Hours, max(whole[m]-h, 0)/rest
			apart += (own - others) * (own - others)
			if m > 0 && own > 0.5 && others < own/2 {
				v.Mostly = say.Why(x.Name(exposure.Machine, uint16(m)))
			}
		}
		keeps = keeps || apart > ownMachine && v.Hours > 0.1*total/float64(len(r.Levels))
	}
	return keeps
}

// pool fills in the pooled rates.
func (r *RatesReport) pool() {
	events, hours := make([]int, len(r.Levels)), make([]float64, len(r.Levels))
	for i, v := range r.Levels {
		events[i], hours[i] = v.Overheats, v.Hours
		if v.Hours == 0 {
			events[i] = 0 // no hours: nothing to pool
		}
	}
	for i, u := range stat.PoolRates(events, hours, stat.Level95) {
		if u.Est != nil {
			e := u.Est.Scaled(100)
			r.Levels[i].Pooled = &e
		}
	}
}

// adjust fills in the ratios with other factors held, over the strata in which
// all of them are recorded. If keeps is set the machine is held too, as a
// random effect: otherwise a level would answer for its own machine.
func (r *RatesReport) adjust(x *exposure.Index, strata *exposure.Strata, q RateQuestion, reference uint16, keeps bool) {
	factors := append([]exposure.Factor{q.By}, q.Adjust...)
	byMachine := !slices.Contains(factors, exposure.Machine)
	random := 0
	if keeps {
		random = len(factors)
		factors = append(factors, exposure.Machine)
		r.HeldToo = append(r.HeldToo, exposure.Machine.String())
	}
	code := make([][]int, len(factors)) // by level number: from 1 in order of appearance, 0 for none yet
	next := make([]int, len(factors))
	for f, factor := range factors {
		code[f] = make([]int, len(x.Names[factor]))
	}
	for i, v := range r.Levels {
		code[0][v.id] = i + 1
	}
	next[0] = len(r.Levels)
	n := strata.Len()
	t := stat.RateTable{Factors: make([][]int, len(factors)), Events: make([]int, 0, n),
		Exposure: make([]float64, 0, n),
		Random:   random, Repeated: r.Repeated}
	for f := range factors {
		t.Factors[f] = make([]int, 0, n)
	}
	// What the machine does not explain would be estimated from every level's
	// hours on it; for a large fleet that takes long, and adds little to the
	// strata.
	byMachine = byMachine && (!keeps || n < 20000)
	if byMachine {
		t.Cluster = make([]int, 0, n)
	}
	lost, lostEvents := 0.0, 0
	strata.Each(func(g *exposure.Stratum) {
		if g.Levels[q.By] == 0 {
			return
		}
		for _, f := range q.Adjust {
			if g.Levels[f] == 0 {
				lost += g.Hours
				lostEvents += g.Overheats
				return
			}
		}
		if g.Hours <= 0 {
			lostEvents += g.Overheats
			return
		}
		for f, factor := range factors {
			c := &code[f][g.Levels[factor]]
			if *c == 0 {
				next[f]++
				*c = next[f]
			}
			t.Factors[f] = append(t.Factors[f], *c-1)
		}
		t.Events = append(t.Events, g.Overheats)
		t.Exposure = append(t.Exposure, g.Hours)
		if byMachine {
			cluster := int(g.Levels[exposure.Machine])
			if keeps {
				cluster = cluster<<16 + int(g.Levels[q.By])
			}
			t.Cluster = append(t.Cluster, cluster)
		}
	})
	if lost > 0 || lostEvents > 0 {
		say.Once(&r.Warnings, "the adjusted ratios leave out %s h and %s without a recorded %s", say.Figure(lost),
			say.Count(lostEvents, "overheat"), say.List(r.AdjustedFor, "or"))
	}
	ref := -1
	if reference != 0 {
		if ref = code[0][reference] - 1; ref < 0 {
			r.absent("no hours of " + r.Against + " to compare with")
			return
		}
	}
	fit, why := stat.FitRates(t)
	if fit == nil {
		r.absent(why)
		return
	}
	if len(q.Adjust) == 1 && fit.Scale == stat.Poisson {
		r.mantelHaenszel(t, ref)
		return
	}
	r.Method = "Poisson regression with log hours as offset"
	if keeps {
		r.Method += ", machines as drawn from one kind (mixed model)"
	}
	switch {
	case fit.Scale == stat.QuasiPoisson && fit.Phi <= r.Repeated:
		r.Method += fmt.Sprintf(", errors widened for overheats that repeat in a run (scale %s)", say.Figure(fit.Phi))
	case fit.Scale == stat.QuasiPoisson:
		r.Method += fmt.Sprintf(", errors widened for over-dispersion (quasi-Poisson, scale %s)", say.Figure(fit.Phi))
		say.Once(&r.Warnings, "overheats vary more than by chance: only the intervals that allow for something are "+
			"wider for it")
	case fit.Scale == stat.Clustered:
		r.Method += ", errors clustered by machine"
	}
	for _, w := range fit.Warnings {
		say.Once(&r.Warnings, "%s", w)
	}
	for i, ratio := range fit.RatesOf(ref, stat.Level95) {
		if i < len(r.Levels) && i != ref {
			r.Levels[i].adjusted(ratio.Result, ratio.P, &r.Warnings)
		}
	}
}

// complete gives every level without an adjusted ratio the reason.
func (r *RatesReport) complete(reference uint16) {
	for i := range r.Levels {
		if v := &r.Levels[i]; v.id != reference && v.AdjustedRatio == nil && v.Why == nil {
			v.Why = say.Why("none of its hours have a recorded " + say.List(r.AdjustedFor, "and"))
		}
	}
}

// mantelHaenszel adjusts for one factor.
func (r *RatesReport) mantelHaenszel(t stat.RateTable, ref int) {
	r.Method = "Mantel-Haenszel over the strata of " + r.AdjustedFor[0]
	n := 0
	for _, c := range t.Factors[1] {
		n = max(n, c+1)
	}
	cells := make([]stat.RateStratum, n*len(r.Levels)) // a level's events and hours in side 1
	all := make([]stat.RateStratum, n)                 // those of all levels compared with, in side 0
	for k, level := range t.Factors[0] {
		c := t.Factors[1][k]
		cells[level*n+c].Events1 += t.Events[k]
		cells[level*n+c].Exposure1 += t.Exposure[k]
		if ref < 0 || level == ref {
			all[c].Events0 += t.Events[k]
			all[c].Exposure0 += t.Exposure[k]
		}
	}
	var differ []string
	for i := range r.Levels {
		if i == ref {
			continue
		}
		strata := cells[i*n : (i+1)*n]
		for c := range strata {
			s := &strata[c]
			s.Events0, s.Exposure0 = all[c].Events0, all[c].Exposure0
			if ref < 0 {
				s.Events0 -= s.Events1
				if s.Exposure0 -= s.Exposure1; s.Exposure0 < 1e-9*s.Exposure1 {
					s.Exposure0 = 0 // nobody else: the rest is rounding
				}
			}
		}
		mh := stat.MantelHaenszel(strata, stat.Level95)
		v := &r.Levels[i]
		v.adjusted(mh.Ratio, mh.P, &r.Warnings)
		if p := mh.Differ; p != nil && *p < 0.05 {
			differ = append(differ, v.Level)
		}
	}
	if len(differ) > 0 {
		say.Once(&r.Warnings, "%s: how they compare depends on the %s, and one figure hides that",
			say.List(differ, "and"),
			r.AdjustedFor[0])
	}
}

func (v *RateLevel) adjusted(ratio stat.Result, p float64, warnings *[]string) {
	for _, w := range ratio.Warnings {
		say.Once(warnings, "%s: %s", v.Level, w)
	}
	est, why := ratio.Est, ratio.Why
	if est == nil {
		if v.Why == nil {
			v.Why = say.Why(why)
		}
		return
	}
	v.AdjustedRatio, v.P = est, &p
}

// absent sets the reason why no level has an adjusted ratio.
func (r *RatesReport) absent(why string) {
	for i := range r.Levels {
		if r.Levels[i].Why == nil {
			r.Levels[i].Why = say.Why(why)
		}
	}
}

// holm fills in p and the p adjusted for the number of levels (Holm 1979).
func (r *RatesReport) holm(adjusted bool) {
	var ps []float64
	var at []int
	for i := range r.Levels {
		v := &r.Levels[i]
		if !adjusted {
			v.P = v.CrudeP
		}
		if v.P != nil {
			ps, at = append(ps, *v.P), append(at, i)
		}
	}
	for k, p := range stat.Holm(ps) {
		r.Levels[at[k]].PHolm = &p
	}
}

func (r *RatesReport) warnings(strata *exposure.Strata, q RateQuestion) {
	if r.Repeated > 1 {
		say.Once(&r.Warnings, "some runs had several overheats. A repeat in the same run proves little, "+
			"so intervals and p count %s overheats as one", say.Figure(r.Repeated))
	}
	if len(r.HeldToo) > 0 {
		say.Once(&r.Warnings, "this allows for the machine too: some %s mostly use one machine, "+
			"so a bad machine would look like a bad %s", plurals(q.By), q.By)
	}
	if n := strata.UnplacedOverheats; n > 0 {
		say.Once(&r.Warnings, "%s outside any recorded run: not counted here", fall(n))
	}
	if n := r.UnrecordedOverheats; n > 0 {
		say.Once(&r.Warnings, "%s in runs with no recorded %s: not counted here", fall(n), r.By)
	}
	if h := r.UnrecordedLevelHours; h > 0 {
		say.Once(&r.Warnings, "%s h were driven with no recorded %s: not counted here", say.Figure(h), r.By)
	}
	if h := r.UnrecordedMeterHours; h > 0.05 {
		say.Once(&r.Warnings, "%s h on the meters are in no recorded run: the rates may be too high for that",
			say.Figure(h))
	}
	if strata.OutsideOverheats > 0 || strata.OutsideHours > 0 {
		say.Once(&r.Warnings, "not counted: %s h and %s from before a machine came or after it left",
			say.Figure(strata.OutsideHours), say.Count(strata.OutsideOverheats, "overheat"))
	}
	if q.By == exposure.Ambient {
		say.Once(&r.Warnings, "air temperature is compared in bands: %s °C", strings.Join(exposure.Bands, ", "))
	}
	if slices.Contains(q.Adjust, exposure.Ambient) {
		say.Once(&r.Warnings, "air temperature is allowed for in bands: %s °C", strings.Join(exposure.Bands, ", "))
	}
}

// plurals returns a factor's levels as a noun in the plural.
func plurals(f exposure.Factor) string {
	switch f {
	case exposure.Driver:
		return "drivers"
	case exposure.Ambient:
		return "air temperatures"
	}
	return "levels of " + f.String()
}

func fall(n int) string {
	if n == 1 {
		return "1 overheat lies"
	}
	return fmt.Sprintf("%d overheats lie", n)
}
