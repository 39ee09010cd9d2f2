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
// A machine is flagged once the weighted sum over its patterns passes 1/alpha.
// What it is flagged as, is not asked here (see name.go).

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

// shape is one form of excess over the sound rate: how it lies over the hours.
// mends are the causes whose services would end it; sizes double from size on,
// each as likely.
type shape struct {
	of     matter
	weight float64 // among the matter's shapes
	ends   string  // the flag whose causes, once mended, end it
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
// would call a fault. The weights: common practice, no source; between even ones
// and those that package next gives the causes, so that mud on the core is
// likelier than a wire, and a plain excess has what no pattern is kept for.
var forms = [shapes]shape{
	dirtLinear: {heating, 0.094, blockedCore, 0.01, 5,
		"overheats an hour at 30 mud hours since a thorough cleaning, rising in proportion"},
	dirtSquare: {heating, 0.058, blockedCore, 0.01, 5, "the same, rising with the square"},
	dirtLate:   {heating, 0.058, blockedCore, 0.01, 5, "overheats an hour beyond 12 mud hours"},
	dirtHours: {heating, 0.024, blockedCore, 0.01, 5,
		"overheats an hour at 100 hours since a thorough cleaning, rising in proportion"},
	airFour: {heating, 0.056, trappedAir, 0.05, 4,
		"overheats a heat cycle, in the first 4 after a refill; a bleed leaves a seventh"},
	airDecay: {heating, 0.042, trappedAir, 0.05, 4, "the same, falling by a third a cycle"},
	airEight: {heating, 0.042, trappedAir, 0.05, 4, "the same, in the first 8"},
	circuit: {heating, 0.125, warningCircuit, 0.01, 4,
		"overheats an hour, whatever the driving, with no coolant lost"},
	fanRamp: {heating, 0.086, fanCircuit, 0.05, 4, "overheats a slow hour at 25 °C, in proportion to the temperature"},
	fanWarm: {heating, 0.086, fanCircuit, 0.05, 4, "overheats a slow hour above 14 °C"},
	early:   {heating, 0.125, thermostat, 0.03, 4, "overheats a start, within 15 minutes"},
	// Either kind of plain excess is as likely: a machine made worse in proportion,
	// or by as much in every hour.
	above:     {heating, 0.102, "", 2, 5, "times the sound rate, on top of it"},
	aboveEven: {heating, 0.102, "", 0.01, 4, "overheats an hour on top of the sound rate, whatever the driving"},
	again:     {returning, 1, "", 2, 4, "times the sound rate, on top of it, after the service"},
}

// evidence is one machine's, as far as the pass has come.
type evidence struct {
	figures
	curve []point
	rest  [matters]*schema.Answer
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
	nature  [len(natures)]float64 // likelihoods of a sound machine by spread to one at the fleet's own rate
	lately  tally                 // overheats and exposure, those of weeks ago fading
	last    float64               // hours at the last overheat
	mends   int
	marks   markCounts
	total   [matters]float64 // Bayes factors, the spent onsets only
	high    [matters]float64
	raised  [matters]int64 // 0: not
	answers int
	// seepTrust is how far the machine's coolant counts as a sound one's.
	seepTrust float64
}

func newEvidence() evidence {
	e := evidence{figures: figures{mass: spending{left: 1}, loss: spending{left: 1}}}
	e.afresh()
	for g := range e.coolant.sound {
		e.coolant.sound[g] = 1
	}
	return e
}

// mend takes in a service that names a cause: the evidence for what it mends
// mostly starts over, as a fault that was there need be there no longer, and
// came-back begins, with a share of its prior mass that falls from service to
// service.
func (e *evidence) mend(s *mend) {
	for f := range forms {
		keep := 0.5
		if ends := forms[f].ends; ends != "" && (ends == flagOf[s.cause] || ends == trappedAir &&
			s.cause == "head-gasket") {
			keep = 0.1
		}
		for k := range e.states[f] {
			o := &e.states[f][k]
			o.mix *= e.even * keep
			o.best *= keep
		}
	}
	if leaks[s.cause] {
		for k := range e.coolant.loss {
			o := &e.coolant.loss[k]
			o.mix *= 0.1
			o.best *= 0.1
		}
	}
	e.afresh() // what it did before was the fault's doing, as the service says
	e.mends++
	for k := 0; k < forms[again].sizes; k++ {
		e.states[again][k].begin(0.6*math.Pow(0.4, float64(e.mends-1)), s.at)
	}
	e.factor()
}

// leaks are the causes whose services end a loss of coolant.
var leaks = map[string]bool{"external-leak": true, "head-gasket": true, "pressure-cap": true, "pump": true,
	"collapsed-hose": true, "low-coolant": true}

// matterOf is the matter that a machine flag is about.
func matterOf(flag string) (matter, bool) {
	switch _, known := catalog[flag]; {
	case !known:
		return 0, false
	case flag == steadyLoss:
		return losing, true
	}
	return heating, true
}

// answer takes in what was found when a flag was looked into: the flag rests,
// and whatever explains the same events with it; evidence from before the
// answer is spent, and half as much of the promise is left for after it.
func (e *evidence) answer(a *schema.Answer) {
	w, ok := matterOf(a.Flag)
	if !ok {
		return
	}
	e.rest[w] = a
	e.answers++
	left := math.Pow(0.5, float64(e.answers))
	if w == losing {
		e.coolant.loss = [len(lossRates)]onset{}
		e.loss = spending{left: left}
		e.total[losing], e.high[losing], e.raised[losing], e.seepTrust = 0, 0, 0, 1
		return
	}
	e.states = [shapes][maxSizes]onset{}
	e.mass = spending{left: left}
	clear(e.high[heating:])
	clear(e.raised[heating:])
	e.afresh()
	e.factor()
}

// afresh forgets what a machine did, as far as a sound one is judged by it.
func (e *evidence) afresh() {
	e.count, e.sound, e.even = 0, 0, 1
	for k := range e.nature {
		e.nature[k] = 1
	}
}

type point struct {
	at    int64
	hours float32
	log10 [matters]float32
}

// factor sums the Bayes factors over their shapes and sizes.
func (e *evidence) factor() {
	clear(e.total[heating:])
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

// overheating is the weighted evidence that something makes this machine
// overheat.
func (e *evidence) overheating() float64 {
	return shares[heating]*e.total[heating] + shares[returning]*e.total[returning]
}

// trust is how far the machine still counts as sound: 1 with no evidence
// against it, falling as the evidence grows, so that a bad machine does not
// raise everybody's baseline.
func (e *evidence) trust() float64 {
	return 1 / (1 + e.overheating()/5)
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
