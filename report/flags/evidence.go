package flags

import (
	"math"

	"shedbook/schema"
)

// The evidence is a running likelihood ratio of each pattern's model to the
// sound one, with the onset averaged over by spending a prior mass hour by hour
// (Shiryaev 1963) and the size of the effect over a grid. Where the sound model's
// rate is at least the true one it is a nonnegative supermartingale, so that it
// ever passes 1/alpha with probability alpha at most, at any look (Ville 1939;
// Howard, Ramdas, McAuliffe & Sekhon 2021). The weights of the patterns add up
// to 1: the promise is shared among them.
//
// A sound machine's own ratio to the fleet is not known: the sound model is a
// gamma mixture over it, updated by what the machine has done. A pattern adds its
// excess to the fleet's rate, and not to that mixture, which would follow the very
// overheats that the pattern is to explain: one that does not fit the pattern must
// be explained by the fleet's rate alone, and that is what tells patterns apart.
//
// A machine is flagged once the weighted sum over its patterns passes 1/alpha. The
// name is the pattern with the largest share of the sum, asked anew at every
// overheat while the sum suffices, so that it may change as evidence comes in;
// what was raised under a name was so at the first moment at which the sum
// sufficed and that name led, and whoever looked then saw that name.

// Onset: common practice, no source. A fault is there from the log's first hour
// with probability startMass, else it begins after h engine hours with survival
// 1/(1 + h/onsetHours): half of those begin within onsetHours, and yet something
// is left for a machine's tenth year.
const startMass, onsetHours = 0.3, 500.0

// spending hands out the onset's prior mass.
type spending struct {
	left    float64
	hours   float64 // so far
	started bool
}

// spend is the mass of an onset within the next hours.
func (s *spending) spend(hours float64) float64 {
	share := 0.0
	if !s.started {
		s.started, share = true, startMass*s.left
		s.left -= share
	}
	part := s.left * hours / (onsetHours + s.hours + hours)
	s.left -= part
	s.hours += hours
	return share + part
}

// onset is the mixture over onsets of one pattern at one size, and the
// likeliest single onset.
type onset struct {
	mix  float64 // sum over onsets of prior mass times likelihood ratio
	best float64 // likelihood ratio of the likeliest onset
	at   int64
}

func (o *onset) hear(share, ratio float64, at int64) {
	o.mix = (o.mix + share) * ratio
	if o.best <= 1 {
		o.best, o.at = 1, at
	}
	o.best *= ratio
	if o.mix > 1e250 { // far beyond anything to be told apart
		o.mix, o.best = 1e250, 1e250
	}
}

// begin is an onset that is known.
func (o *onset) begin(share float64, at int64) {
	o.mix += share
	o.best, o.at = 1, at
}

// shape is one form of a pattern: how its excess over the sound rate lies over
// the hours. sizes double from size on, each as likely.
type shape struct {
	of     pattern
	weight float64 // among the pattern's shapes
	size   float64
	sizes  int
	unit   string
}

const (
	dirtLinear = iota
	dirtSquare
	dirtLate
	dirtHours
	airFour
	airDecay
	airEight
	circuit
	fanRamp
	fanWarm
	early
	above
	aboveEven
	again
	shapes
	maxSizes = 5
)

// The sizes: common practice, no source, wide enough to hold whatever a manager
// would call a fault.
var forms = [shapes]shape{
	dirtLinear: {blockedCore, 0.4, 0.01, 5, "overheats an hour at 30 mud hours since a thorough cleaning, rising in proportion"},
	dirtSquare: {blockedCore, 0.25, 0.01, 5, "the same, rising with the square"},
	dirtLate:   {blockedCore, 0.25, 0.01, 5, "overheats an hour beyond 12 mud hours"},
	dirtHours:  {blockedCore, 0.1, 0.01, 5, "overheats an hour at 100 hours since a thorough cleaning, rising in proportion"},
	airFour:    {trappedAir, 0.4, 0.05, 4, "overheats a heat cycle, in the first 4 after a refill; a bleed leaves a seventh"},
	airDecay:   {trappedAir, 0.3, 0.05, 4, "the same, falling by a third a cycle"},
	airEight:   {trappedAir, 0.3, 0.05, 4, "the same, in the first 8"},
	circuit:    {warningCircuit, 1, 0.01, 4, "overheats an hour, whatever the driving"},
	fanRamp:    {fanCircuit, 0.5, 0.05, 4, "overheats a slow hour at 25 °C, in proportion to the temperature"},
	fanWarm:    {fanCircuit, 0.5, 0.05, 4, "overheats a slow hour above 14 °C"},
	early:      {thermostat, 1, 0.03, 4, "overheats a start, within 15 minutes"},
	// Either kind of plain excess is as likely: a machine made worse in proportion,
	// or by as much in every hour.
	above:     {aboveFleet, 0.5, 2, 5, "times the sound rate, on top of it"},
	aboveEven: {aboveFleet, 0.5, 0.01, 4, "overheats an hour on top of the sound rate, whatever the driving"},
	again:     {cameBack, 1, 2, 4, "times the sound rate, on top of it, after the service"},
}

// evidence is one machine's, as far as the pass has come.
type evidence struct {
	figures
	curve []point
	rest  [patterns]*schema.Answer
}

// figures are the evidence but for what points elsewhere, or grows.
type figures struct {
	states  [shapes][maxSizes]onset
	mass    spending
	coolant coolantEvidence
	loss    spending
	hours   float64
	count   int     // overheats heard
	sound   float64 // overheats expected so far of a sound machine, without its own past
	// even is the likelihood of a machine at the fleet's own rate to that of a
	// sound one whose ratio to the fleet is not known: the patterns add their
	// excess to the one and are held against the other.
	even    float64
	last    float64 // hours at the last overheat
	mends   int
	flagged bool // something has been raised about its overheats
	marks   markCounts
	total   [patterns]float64 // Bayes factors, the spent onsets only
	high    [patterns]float64
	raised  [patterns]int64 // 0: not
	named   pattern         // likeliest pattern when the overheats' evidence last sufficed; 0 where it never did
	answers int
	// seepTrust is how far the machine's coolant counts as a sound one's.
	seepTrust float64
}

func newEvidence() evidence {
	e := evidence{figures: figures{mass: spending{left: 1}, loss: spending{left: 1}, even: 1}}
	for g := range e.coolant.sound {
		e.coolant.sound[g] = 1
	}
	return e
}

// mended are the patterns that a service for a cause would end.
var mended = map[string][]pattern{
	"blocked-core": {blockedCore}, "dirty-oil-cooler": {blockedCore}, "trapped-air": {trappedAir}, "warning-circuit": {warningCircuit},
	"fan-circuit": {fanCircuit}, "thermostat": {thermostat}, "external-leak": {steadyLoss}, "head-gasket": {steadyLoss, trappedAir},
	"pressure-cap": {steadyLoss}, "pump": {steadyLoss}, "collapsed-hose": {steadyLoss},
}

// mend takes in a service that names a cause: the evidence for what it mends
// mostly starts over, as a fault that was there need be there no longer, and
// came-back begins, with a share of its prior mass that falls from service to
// service.
func (e *evidence) mend(s *mend) {
	var keep [patterns]float64
	for p := range keep {
		keep[p] = 0.5
	}
	keep[steadyLoss] = 1
	for _, p := range mended[s.cause] {
		keep[p] = 0.1
	}
	for f := range forms {
		for k := range e.states[f] {
			o := &e.states[f][k]
			o.mix *= e.even * keep[forms[f].of]
			o.best *= keep[forms[f].of]
		}
	}
	for k := range e.coolant.loss {
		o := &e.coolant.loss[k]
		o.mix *= keep[steadyLoss]
		o.best *= keep[steadyLoss]
	}
	e.count, e.sound, e.even = 0, 0, 1 // what it did before was the fault's doing, as the service says
	e.mends++
	for k := 0; k < forms[again].sizes; k++ {
		e.states[again][k].begin(0.6*math.Pow(0.4, float64(e.mends-1)), s.at)
	}
	e.factor()
}

// answer takes in what was found when a flag was looked into: the flag rests,
// and whatever explains the same events with it; evidence from before the
// answer is spent, and half as much of the promise is left for after it.
func (e *evidence) answer(a *schema.Answer) {
	for p := range patterns {
		if catalog[p].name != a.Flag {
			continue
		}
		e.rest[p] = a
		e.answers++
		left := math.Pow(0.5, float64(e.answers))
		if p == steadyLoss {
			e.coolant.loss = [len(lossRates)]onset{}
			e.loss = spending{left: left}
			e.total[steadyLoss], e.high[steadyLoss], e.raised[steadyLoss], e.seepTrust = 0, 0, 0, 1
			return
		}
		e.states = [shapes][maxSizes]onset{}
		e.mass = spending{left: left}
		clear(e.high[blockedCore:])
		clear(e.raised[blockedCore:])
		e.named = 0
		e.count, e.sound, e.even = 0, 0, 1
		e.factor()
	}
}

type point struct {
	at    int64
	hours float32
	log10 [patterns]float32
}

// factor sums a pattern's Bayes factor over its shapes and sizes.
func (e *evidence) factor() {
	clear(e.total[1:])
	for f := range forms {
		sum := 0.0
		for k := 0; k < forms[f].sizes; k++ {
			sum += e.states[f][k].mix
		}
		e.total[forms[f].of] += e.even * forms[f].weight * sum / float64(forms[f].sizes)
	}
	for p, v := range e.total {
		e.high[p] = max(e.high[p], v)
	}
}

// plainness is the prior odds of a plain excess to any one pattern, in naming
// only: above-fleet is what is left where there is no pattern, so a pattern must
// explain the overheats better than it by as much. Common practice, no source.
const plainness = 1.5

// overheating is the weighted evidence that something makes this machine
// overheat, and the likeliest pattern as it stands. Came-back is no pattern in
// when or where, and so no rival of the others.
func (e *evidence) overheating() (sum float64, best pattern) {
	top := 0.0
	for p := blockedCore; p < cameBack; p++ {
		v := catalog[p].weight * e.total[p]
		sum += v
		if p == aboveFleet {
			v *= plainness
		}
		if v > top {
			best, top = p, v
		}
	}
	return sum + catalog[cameBack].weight*e.total[cameBack], best
}

// trust is how far the machine still counts as sound: 1 with no evidence
// against it, falling as the evidence grows, so that a bad machine does not
// raise everybody's baseline.
func (e *evidence) trust() float64 {
	sum, _ := e.overheating()
	return 1 / (1 + sum/5)
}

// markCounts are what the sound model learns of how overheats are written down.
type markCounts struct {
	early, earlyExpected [2]float64 // within 8 minutes, within 8 to 15
	wet, wetKnown        float64
	off, offKnown        float64
	again, heard         float64 // those that another brought about, of all
}

// An overheat may bring about another within hours: coolant not made good, the
// same job the next morning. So two in a row are not two independent witnesses.
// How many an overheat brings about is learned from the fleet, beginning as if
// afterHeard overheats had brought about afterPrior each, on average
// aftermathHours later. Common practice, no source.
const afterPrior, afterHeard, aftermathHours = 0.02, 25.0, 6.0

func (c *markCounts) aftermath() float64 {
	return (afterPrior*afterHeard + max(c.again, 0)) / (afterHeard + max(c.heard, 0))
}

func (c *markCounts) add(d *markCounts, k float64) {
	for i := range c.early {
		c.early[i] += k * d.early[i]
		c.earlyExpected[i] += k * d.earlyExpected[i]
	}
	c.wet += k * d.wet
	c.wetKnown += k * d.wetKnown
	c.off += k * d.off
	c.offKnown += k * d.offKnown
	c.again += k * d.again
	c.heard += k * d.heard
}

// Minutes that divide an overheat's time in the run, and how a thermostat that
// opens late spreads over the parts: common practice, no source (an engine
// without circulation is too hot within 3 to 12 minutes at working load).
var earlyMinutes = [2]float64{8, 15}
var lateThermostat = [3]float64{0.42, 0.50, 0.08}

// ratios are the likelihood ratios of how this overheat was written down,
// under a thermostat, a warning circuit and a fan circuit, to a sound
// machine's.
func (e *event) ratios(c *markCounts, runHours float64) (thermo, warning, fan float64) {
	thermo, warning, fan = 1, 1, 1
	if e.minutes >= 0 {
		p := earlyShares(runHours)
		p[0] = min(p[0]*(4+c.early[0])/(4+c.earlyExpected[0]), 0.6)
		p[1] = min(p[1]*(4+c.early[1])/(4+c.earlyExpected[1]), 0.3)
		p[2] = 1 - p[0] - p[1]
		k := part(e.minutes)
		thermo = lateThermostat[k] / p[k]
		warning = earlyShares(runHours)[k] / p[k]
	}
	if e.wet >= 0 {
		p := (1.5 + c.wet) / (5 + c.wetKnown)
		if e.wet == 1 {
			warning *= 0.01 / p // a false alarm boils nothing over
		} else {
			warning *= 0.99 / (1 - p)
		}
	}
	if e.fan >= 0 {
		p := (0.9 + c.off) / (3 + c.offKnown)
		if e.fan == 1 {
			fan = 0.75 / p
		} else {
			fan = 0.25 / (1 - p)
		}
	}
	return thermo, warning, fan
}

// earlyShares is how an even hazard over the run spreads over the parts.
func earlyShares(runHours float64) [3]float64 {
	minutes := max(60*runHours, 10)
	a := min(earlyMinutes[0]/minutes, 0.6)
	b := min((earlyMinutes[1]-earlyMinutes[0])/minutes, 0.3)
	return [3]float64{a, b, 1 - a - b}
}

func part(minutes float32) int {
	switch {
	case float64(minutes) <= earlyMinutes[0]:
		return 0
	case float64(minutes) <= earlyMinutes[1]:
		return 1
	}
	return 2
}
