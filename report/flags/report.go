package flags

import (
	"fmt"
	"math"
	"sort"
	"time"

	"shedbook/report/exposure"
	"shedbook/report/state"
	"shedbook/schema"
)

// report turns what the pass left behind into flags.
func (f *Finder) report() Result {
	r := Result{AsOf: f.asOf, Machines: []state.Machine{}, Flags: []Flag{}, Resting: []Flag{}, Standing: []Standing{}, Priors: priors(), Warnings: []string{}}
	for _, m := range f.machines {
		f.reportMachine(&r, m)
	}
	f.crowd.answered(f.crowd.answers, math.MaxInt64, 0, 1)
	known := 0
	for d := 1; d < len(f.crowd.drivers); d++ {
		if f.sound.drivers[d].s > 0 {
			known++
		}
	}
	for d := 1; d < len(f.crowd.drivers); d++ {
		f.reportDriver(&r, d, known)
	}
	for x := range f.crowd.levels {
		for l := 1; l < len(f.crowd.levels[x]); l++ {
			f.reportLevel(&r, x, l)
		}
	}
	worstFirst(r.Flags)
	worstFirst(r.Resting)
	if r.AsOf.IsZero() {
		for _, m := range f.machines {
			if n := len(m.ev.curve); n > 0 {
				if t := time.Unix(m.ev.curve[n-1].at, 0); t.After(r.AsOf) {
					r.AsOf = t
				}
			}
		}
	}
	f.warn(&r)
	return r
}

// worstFirst sorts machines before drivers before conditions, and in each by how
// far the evidence is beyond what was needed.
func worstFirst(flags []Flag) {
	scopes := map[string]int{"machine": 0, "driver": 1, "fleet": 2}
	sort.SliceStable(flags, func(a, b int) bool {
		if s, t := scopes[flags[a].Scope], scopes[flags[b].Scope]; s != t {
			return s < t
		}
		x, y := flags[a].Evidence, flags[b].Evidence
		return x.Log10BayesFactor-x.Needed > y.Log10BayesFactor-y.Needed
	})
}

func (f *Finder) time(unix int64) time.Time { return time.Unix(unix, 0).In(f.fleet.Settings.Zone()) }

func log10(x float64) float64 { return math.Round(1000*math.Log10(max(x, 1e-6))) / 1000 }

func (f *Finder) reportMachine(r *Result, m *machine) {
	m.turn(math.MaxInt64) // what came after the last run
	e := &m.ev
	e.factor()
	best := steadyLoss
	for p := range patterns {
		if catalog[p].weight*e.total[p] > catalog[best].weight*e.total[best] {
			best = p
		}
	}
	r.Standing = append(r.Standing, Standing{Machine: m.name, Flag: catalog[best].name, Evidence: e.evidence(best), Curve: f.curve(e.curve, best)})
	if e.raised[steadyLoss] != 0 {
		r.Flags = append(r.Flags, f.machineFlag(m, steadyLoss))
	}
	if e.raised[cameBack] != 0 {
		r.Flags = append(r.Flags, f.machineFlag(m, cameBack))
	}
	if e.named != steadyLoss && !(e.named == aboveFleet && e.raised[cameBack] != 0) {
		r.Flags = append(r.Flags, f.machineFlag(m, e.named))
	}
	for p := range patterns {
		if a := e.rest[p]; a != nil && e.raised[p] == 0 {
			g := f.machineFlag(m, p)
			g.Since, g.Raised = a.At, a.At
			r.Resting = append(r.Resting, g)
		}
	}
}

func (e *evidence) evidence(p pattern) Evidence {
	return Evidence{Log10BayesFactor: log10(e.total[p]), Highest: log10(e.high[p]), Needed: log10(1 / (alpha * catalog[p].weight))}
}

func (f *Finder) curve(curve []point, p pattern) []Point {
	out := make([]Point, len(curve))
	for i, q := range curve {
		out[i] = f.point(q.at, float64(q.hours), float64(q.log10[p]))
	}
	return out
}

// point is a point of a curve. The evidence is worked out week by week, and the
// last week may end after the last record.
func (f *Finder) point(at int64, hours, log10 float64) Point {
	return Point{At: f.time(min(at, f.last)), Hours: math.Round(1000*hours) / 1000, Log10BayesFactor: math.Round(1000*log10) / 1000}
}

// since is the onset that explains a pattern's evidence best.
func (e *evidence) since(p pattern) int64 {
	top, at := -1.0, int64(0)
	see := func(o *onset, weight float64) {
		if v := weight * o.mix; v > top {
			top, at = v, o.at
		}
	}
	if p == steadyLoss {
		for k := range e.coolant.loss {
			see(&e.coolant.loss[k], 1)
		}
		return at
	}
	for f := range forms {
		if forms[f].of == p {
			for k := 0; k < forms[f].sizes; k++ {
				see(&e.states[f][k], forms[f].weight)
			}
		}
	}
	return at
}

func (f *Finder) machineFlag(m *machine, p pattern) Flag {
	e := &m.ev
	since := e.since(p)
	if since == 0 || e.raised[p] != 0 && since > e.raised[p] {
		since = e.raised[p]
	}
	check := catalog[p].nextCheck
	g := Flag{Scope: "machine", Machine: m.name, Flag: catalog[p].name, Since: f.time(since), Raised: f.time(e.raised[p]), Evidence: e.evidence(p),
		NextCheck: &check, Caution: catalog[p].caution, Curve: f.curve(e.curve, p), Answered: answered(e.rest[p])}
	g.Reasons = m.reasons(f, p, since)
	if g.Evidence.Highest > g.Evidence.Log10BayesFactor+1 {
		g.Reasons = append(g.Reasons, fmt.Sprintf("the evidence has fallen since, from %.1f to %.1f: the latest hours do not look like it", g.Evidence.Highest, g.Evidence.Log10BayesFactor))
	}
	g.Would = m.would(f, p)
	if p != steadyLoss {
		second := steadyLoss
		for q := blockedCore; q < cameBack; q++ {
			if q != p && (second == steadyLoss || catalog[q].weight*e.total[q] > catalog[second].weight*e.total[second]) {
				second = q
			}
		}
		if 20*catalog[second].weight*e.total[second] >= catalog[p].weight*e.total[p] {
			g.Rival = &Rival{Flag: catalog[second].name, Log10BayesFactor: log10(e.total[second])}
		}
	}
	return g
}

func answered(a *schema.Answer) *Answered {
	if a == nil {
		return nil
	}
	out := &Answered{At: a.At, Found: a.Found, Cause: a.Cause, NothingFound: a.NoneSeen == "yes"}
	if a.Service.Known {
		n := int64(a.Service.V)
		out.Service = &n
	}
	return out
}

func (f *Finder) reportDriver(r *Result, d, known int) {
	o := &f.crowd.drivers[d]
	if o.raised == 0 && o.rest == nil {
		return
	}
	g := Flag{Scope: "driver", Driver: f.index.Name(exposure.Driver, uint16(d)), Flag: hardDriving, Caution: driverCaution}
	f.crowdFlag(r, &g, o, float64(known), "at the same speeds, on the same terrain, in the same machines")
}

func (f *Finder) reportLevel(r *Result, x, l int) {
	o := &f.crowd.levels[x][l]
	if o.raised == 0 && o.rest == nil {
		return
	}
	factor := exposureFactor[x]
	g := Flag{Scope: "fleet", Factor: factor.String(), Level: f.index.Name(factor, uint16(l)), Flag: factor.String(), Caution: factorCaution}
	levels := 0.0
	for c := range f.crowd.levels {
		for k := 1; k < len(f.crowd.levels[c]); k++ {
			if f.sound.level[f.sound.offset[c]+k].s > 0 {
				levels++
			}
		}
	}
	f.crowdFlag(r, &g, o, levels, "with drivers, machines and the other conditions held")
}
