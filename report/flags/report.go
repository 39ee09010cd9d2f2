package flags

import (
	"fmt"
	"math"
	"sort"
	"time"

	"shedbook/report/belief"
	"shedbook/report/exposure"
	"shedbook/report/say"
	"shedbook/report/state"
	"shedbook/schema"
)

// end takes in what came after the last run.
func (f *Finder) end() {
	for _, m := range f.machines {
		m.turn(math.MaxInt64)
		m.ev.factor()
	}
}

// report turns what the pass left behind into flags.
func (f *Finder) report() Result {
	r := Result{AsOf: f.asOf, Machines: []state.Machine{}, Flags: []Flag{}, Resting: []Flag{}, Standing: []Standing{},
		Drivers: []Driver{},
		Priors:  priors(), Warnings: []string{}}
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
	splits := f.beliefs.DriverSplits(func(name string) bool { // where a flag tells on which machines
		d, _ := f.index.ID(exposure.Driver, name)
		o := &f.crowd.drivers[d]
		return o.raised != 0 || o.rest != nil
	})
	for d := 1; d < len(f.crowd.drivers); d++ {
		f.reportDriver(&r, d, known, splits)
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
	e := &m.ev
	best := e.nearest()
	r.Standing = append(r.Standing, Standing{Machine: m.name, Flag: plainNames[best], Evidence: e.evidence(best),
		Curve: f.curve(e.curve, best)})
	for w := range matters {
		if e.raised[w] != 0 {
			g := f.machineFlag(m, w, m.flag(w))
			if w == heating && (g.Flag == steadyLoss && e.raised[losing] != 0 || g.Flag == aboveFleet &&
				e.raised[returning] != 0) {
				continue // the other flag says as much, and more
			}
			r.Flags = append(r.Flags, g)
		} else if a := e.rest[w]; a != nil {
			g := f.machineFlag(m, w, a.Flag)
			g.Since, g.Raised = a.At, a.At
			r.Resting = append(r.Resting, g)
		}
	}
}

// flag is the name under which a matter goes.
func (m *machine) flag(w matter) string {
	if w == heating && m.named != nil && m.named.err == nil {
		return name(&m.named.now)
	}
	return plainNames[w]
}

// nearest is the matter that comes nearest to a flag, or is furthest beyond.
func (e *evidence) nearest() matter {
	best := losing
	for w := range matters {
		if shares[w]*e.total[w] > shares[best]*e.total[best] {
			best = w
		}
	}
	return best
}

func (e *evidence) evidence(w matter) Evidence {
	return Evidence{Log10BayesFactor: log10(e.total[w]), Highest: log10(e.high[w]),
		Needed: log10(1 / (alpha * shares[w]))}
}

func (f *Finder) curve(curve []point, w matter) []Point {
	out := make([]Point, len(curve))
	for i, q := range curve {
		out[i] = f.point(q.at, float64(q.hours), float64(q.log10[w]))
	}
	return out
}

// point is a point of a curve. The evidence is worked out week by week, and the
// last week may end after the last record.
func (f *Finder) point(at int64, hours, log10 float64) Point {
	return Point{At: f.time(min(at, f.last)), Hours: math.Round(1000*hours) / 1000,
		Log10BayesFactor: math.Round(1000*log10) / 1000}
}

// since is the onset that explains a matter's evidence best.
func (e *evidence) since(w matter) int64 {
	top, at := -1.0, int64(0)
	see := func(o *onset, weight float64) {
		if v := weight * o.mix; v > top {
			top, at = v, o.at
		}
	}
	if w == losing {
		for k := range e.coolant.loss {
			see(&e.coolant.loss[k], 1)
		}
		return at
	}
	for f := range forms {
		if forms[f].of == w {
			for k := 0; k < forms[f].sizes; k++ {
				see(&e.states[f][k], forms[f].weight)
			}
		}
	}
	return at
}

func (f *Finder) machineFlag(m *machine, w matter, flag string) Flag {
	e := &m.ev
	since := e.since(w)
	if since == 0 || e.raised[w] != 0 && since > e.raised[w] {
		since = e.raised[w]
	}
	check := catalog[flag].nextCheck
	g := Flag{Scope: "machine", Machine: m.name, Flag: flag, Since: f.time(since), Raised: f.time(e.raised[w]),
		Evidence:  e.evidence(w),
		NextCheck: &check, Caution: catalog[flag].caution, Curve: f.curve(e.curve, w), Answered: answered(e.rest[w])}
	if w == heating && e.raised[w] != 0 && m.named != nil && m.named.err == nil {
		g.Causes = m.named.now.Causes[:min(3, len(m.named.now.Causes))]
		g.RaisedAs = name(&m.named.then)
		g.Split = &m.named.now.Split
	}
	g.Reasons = m.reasons(f, w, since)
	if g.Evidence.Highest > g.Evidence.Log10BayesFactor+1 {
		g.Reasons = append(g.Reasons,
			fmt.Sprintf("the evidence has fallen since, from %s to %s: the latest hours do not look like it",
				say.Odds(g.Evidence.Highest), say.Odds(g.Evidence.Log10BayesFactor)))
	}
	g.Would = m.would(f, w)
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

func (f *Finder) reportDriver(r *Result, d, known int, splits map[string]*belief.Split) {
	o := &f.crowd.drivers[d]
	name := f.index.Name(exposure.Driver, uint16(d))
	split := splits[name]
	if split != nil {
		brief := *split
		brief.Machines = nil
		r.Drivers = append(r.Drivers, Driver{name, o.evidence(float64(known)), brief})
	}
	if o.raised == 0 && o.rest == nil {
		return
	}
	g := Flag{Scope: "driver", Driver: name, Flag: hardDriving, Caution: driverCaution, Split: split}
	f.crowdFlag(r, &g, o, float64(known), "")
}

func (f *Finder) reportLevel(r *Result, x, l int) {
	o := &f.crowd.levels[x][l]
	if o.raised == 0 && o.rest == nil {
		return
	}
	factor := exposureFactor[x]
	g := Flag{Scope: "fleet", Factor: factor.String(), Level: f.index.Name(factor, uint16(l)), Flag: factor.String(),
		Caution: factorCaution}
	levels := 0.0
	for c := range f.crowd.levels {
		for k := 1; k < len(f.crowd.levels[c]); k++ {
			if f.sound.level[f.sound.offset[c]+k].s > 0 {
				levels++
			}
		}
	}
	f.crowdFlag(r, &g, o, levels, "allowing for drivers, machines and the other conditions")
}
