package flags

import (
	"fmt"
	"math"

	"shedbook/report/exposure"
	"shedbook/report/say"
	"shedbook/schema/unit"
)

// Plain sentences with the figures in them.

// tally is how often a machine overheated since a moment, in how many hours, and
// how often a sound one was to be expected to.
func (m *machine) tally(since int64) (overheats int, hours, expected float64) {
	for i := range m.pieces {
		if p := &m.pieces[i]; p.start >= since {
			hours += float64(p.exposed)
			expected += float64(m.expected[i])
		}
	}
	for i := range m.events {
		if m.pieces[m.events[i].piece].start >= since {
			overheats++
		}
	}
	return overheats, hours, expected
}

func (m *machine) reasons(f *Finder, w matter, since int64) []string {
	day := say.Day(f.time(since), f.fleet.Settings.Zone())
	if w == losing {
		return m.lossReasons(f, since, day)
	}
	n, hours, expected := m.tally(since)
	out := []string{fmt.Sprintf("%s in %.0f h since %s; a sound machine with the same drivers, speeds and ground "+
		"would have had %.1f", say.Count(n, "overheat"), hours, day, expected)}
	switch {
	case w == returning:
		if s := m.lastMend(since); s != nil {
			out = append(out, fmt.Sprintf("that is after the service on %s for %s; only what came after it counts, "+
				"since machines are repaired in their worst month", say.Day(f.time(s.at), f.fleet.Settings.Zone()),
				s.cause))
		}
	case m.named != nil && m.named.err != nil:
		out = append(out, fmt.Sprintf("its causes can't be worked out: %v", m.named.err))
	case m.named != nil && m.ev.raised[heating] != 0:
		out = append(out, m.named.reasons()...)
	}
	if m.log.unplaced > 0 {
		out = append(out, fmt.Sprintf("%s outside any recorded run: not counted",
			say.Count(m.log.unplaced, "overheat")))
	}
	return out
}

// reasons are those of the name.
func (n *named) reasons() []string {
	l := &n.now
	var out []string
	if l.Split.Overheats > 0 {
		out = append(out, l.Split.Words(false))
	}
	if len(l.Causes) < 2 {
		return out
	}
	switch c := l.Causes; {
	case l.NoFault >= 0.5:
		out = append(out,
			fmt.Sprintf("it is likelier than not that nothing is the matter now (%.2f); most of its overheats were "+
				"made by %s", l.NoFault, l.Made[0].Cause))
	case c[0].Probability >= 0.5:
		out = append(out, fmt.Sprintf("%s is the likeliest cause (%.2f)", c[0].Cause, c[0].Probability))
	default:
		out = append(out, fmt.Sprintf("no cause is sure: %s is the likeliest (%.2f), then %s (%.2f)", c[0].Cause,
			c[0].Probability, c[1].Cause, c[1].Probability))
	}
	return append(out, l.For...)
}

func (m *machine) lastMend(since int64) *mend {
	var last *mend
	for i := range m.services {
		if m.services[i].at <= since {
			last = &m.services[i]
		}
	}
	return last
}

func (m *machine) lossReasons(f *Finder, since int64, day string) []string {
	var loss, hours, boiled float64
	n := 0
	for i := range m.stretches {
		if s := &m.stretches[i]; s.from >= since {
			loss, hours, boiled = loss+float64(s.loss), hours+float64(s.hours), boiled+float64(s.boiled)
			n++
		}
	}
	mean := 0.0
	for g, r := range soundRates {
		mean += f.sound.seep[g] / f.sound.seepSum * r
	}
	return []string{
		fmt.Sprintf("%s in %.0f h since %s beyond settling and boil-over, over %s between marks; "+
			"a sound machine here would have used %s",
			f.volume(loss), hours, day, say.Count(n, "stretch"), f.volume(mean*hours)),
		fmt.Sprintf("left out: %s topped up while settling after refills, %s boiled over", f.volume(m.log.settling),
			f.volume(boiled)),
	}
}

// volume is an amount of coolant in the book's units.
func (f *Finder) volume(ml float64) string {
	if sys := f.fleet.Settings.Units(); sys != unit.Metric {
		return unit.Format(ml, unit.Millilitres, sys)
	}
	return say.Decimals(ml, 0) + " mL"
}

// would says what would change the flag's mind.
func (m *machine) would(f *Finder, w matter) []string {
	e := &m.ev
	if w == losing {
		mean := 0.0
		for g, r := range soundRates {
			mean += f.sound.seep[g] / f.sound.seepSum * r
		}
		// a stretch that loses no more than a sound machine: its likelihood ratio
		for h := 2.0; h <= 4096; h *= 1.1 {
			s := stretch{hours: float32(h), loss: float32(mean * h), sd: 20}
			now, then := 0.0, 0.0
			for k := range e.coolant.loss {
				o := e.coolant.loss[k].mix
				now += o
				then += o * s.density(mean+lossRates[k]) / s.density(mean)
			}
			if then <= now/2 {
				return []string{fmt.Sprintf("another %.0f h without more than %s topped up would halve this", h,
					f.volume(math.Ceil(mean*h/25)*25))}
			}
		}
		return nil
	}
	// Hours like the last hundred, without an overheat.
	var u, sum [shapes]float64
	hours := 0.0
	for i := m.next.piece - 1; i >= 0 && hours < 100; i-- {
		q := &m.pieces[i]
		q.excess(&q.level, q.ambient, float64(m.expected[i]), &u)
		if e.mends > 0 {
			u[again] = float64(m.expected[i])
		}
		hours += float64(q.exposed)
		for k := range sum {
			sum[k] += u[k]
		}
	}
	if hours == 0 {
		return nil
	}
	for h := 2.0; h <= 4096; h *= 1.1 {
		now, then := 0.0, 0.0
		for k := range forms {
			if forms[k].of != w {
				continue
			}
			size := forms[k].size
			for j := 0; j < forms[k].sizes; j++ {
				v := forms[k].weight * e.states[k][j].mix
				now += v
				then += v * math.Exp(-size*sum[k]/hours*h)
				size *= 2
			}
		}
		if then <= now/2 {
			return []string{fmt.Sprintf("another %.0f h like the last hundred without an overheat would halve this", h)}
		}
	}
	return nil
}

// evidence is that on one of so many drivers or levels.
func (o *odds) evidence(among float64) Evidence {
	return Evidence{Log10BayesFactor: log10(o.factor()), Highest: log10(o.high), Needed: log10(among / crowdAlpha)}
}

func (f *Finder) crowdFlag(r *Result, g *Flag, o *odds, among float64, allowing string) {
	since := o.since
	if since == 0 || o.raised != 0 && since > o.raised {
		since = o.raised
	}
	g.Since, g.Raised = f.time(since), f.time(o.raised)
	g.Evidence = o.evidence(among)
	g.Answered = answered(o.rest)
	g.Curve = make([]Point, len(o.curve))
	for i, q := range o.curve {
		g.Curve[i] = f.point(q.at, float64(q.n), math.Log10(max(q.odds, 1e-6)))
	}
	times := float64(o.overheats) / max(o.due, 1e-9)
	if g.Split != nil {
		g.Reasons = []string{g.Split.DriverWords(true)}
	} else {
		g.Reasons = []string{fmt.Sprintf("%s where %.1f would be expected %s: %.1f times as many",
			say.Count(o.overheats, "overheat"), o.due, allowing, times)}
	}
	if full := o.count / max(float64(o.overheats), 1); full < 0.9 {
		g.Reasons = append(g.Reasons,
			fmt.Sprintf("overheats on machines that stand out themselves count less: these as %.1f", o.count))
	}
	if g.Split != nil {
		if on := g.Split.OnMachines(); on != "" {
			g.Reasons = append(g.Reasons, on)
		}
	}
	if o.heard > 0 && times > 1 {
		n := math.Log(2) / math.Log1p((times-1)*o.due/float64(o.heard))
		whose := "elsewhere"
		if g.Scope == "driver" {
			whose = "with others at the wheel"
		}
		g.Would = []string{fmt.Sprintf("%s in a row %s would halve this", say.Count(int(math.Ceil(n)), "overheat"),
			whose)}
	}
	if o.raised == 0 {
		g.Since, g.Raised = o.rest.At, o.rest.At
		r.Resting = append(r.Resting, *g)
		return
	}
	r.Flags = append(r.Flags, *g)
}

func (f *Finder) warn(r *Result) {
	unplaced, noMeter, nobody := 0, 0, 0
	for _, m := range f.machines {
		unplaced += m.log.unplaced
		if m.log.noMeter {
			noMeter++
		}
		for i := range m.events {
			if m.events[i].driver == 0 {
				nobody++
			}
		}
	}
	if unplaced > 0 {
		r.Warnings = append(r.Warnings, fmt.Sprintf("%s outside any recorded run: not counted",
			say.Count(unplaced, "overheat")))
	}
	if noMeter > 0 {
		r.Warnings = append(r.Warnings,
			fmt.Sprintf("%s without a meter reading: runs that nobody wrote down can't be noticed",
				say.Count(noMeter, "machine")))
	}
	if nobody > 0 && len(f.index.Names[exposure.Driver]) > 1 {
		r.Warnings = append(r.Warnings, fmt.Sprintf("%s without a driver: no evidence about drivers",
			say.Count(nobody, "overheat")))
	}
}

func priors() []Prior {
	when := fmt.Sprintf("from the log's first hour with probability %.1f, else half within %.0f engine hours, with a "+
		"long tail", startMass, onsetHours)
	out := []Prior{{Flag: steadyLoss, Weight: shares[losing], Sizes: lossRates[:],
		Unit: "ml an engine hour above the fleet's mean", Onset: when, Needed: log10(1 / (alpha * shares[losing]))}}
	for f := range forms {
		form := &forms[f]
		p := Prior{Flag: form.ends, Weight: shares[form.of] * form.weight, Unit: form.unit, Onset: when,
			Needed: log10(1 / (alpha * shares[form.of]))}
		if p.Flag == "" {
			p.Flag = plainNames[form.of]
		}
		if form.of == returning {
			p.Onset = "at the service; the first service that names a cause with weight 0.6, each later one with 0.4 " +
				"of what the one before had"
		}
		for k, size := 0, form.size; k < form.sizes; k, size = k+1, size*2 {
			p.Sizes = append(p.Sizes, size)
		}
		out = append(out, p)
	}
	return append(out,
		Prior{Flag: hardDriving, Weight: 1, Sizes: driverRatios[:], Unit: "times the others' rate",
			Onset: "always; the promise is shared evenly among the drivers", Needed: log10(1 / crowdAlpha)},
		Prior{Flag: "terrain, speed, load, range, ambient", Weight: 1, Sizes: conditionRatios[:],
			Unit: "times the other levels' rate", Onset: "always; the promise is shared evenly among the levels met",
			Needed: log10(1 / crowdAlpha)})
}
