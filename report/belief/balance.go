package belief

import (
	"math"
	"math/rand/v2"
	"sync"

	"shedbook/report/cooling"
)

// The heat balance: heat made, by how the machine is driven, against heat that
// can be shed. Both are in parts of what the engine gives the coolant at full
// power; only their ratio counts. Where a figure's source is not named it is a
// choice of this model, and it is drawn: see draw.

// idle is the heat at idle in parts of that at full power: 3 kW of 20
// (the worked warm-up of 5 l of coolant and 25 kg of aluminium, 41 kJ/K).
const idle = 0.15

// heatMade is the heat given to the coolant at a power asked of the engine, in
// shares of full power: in proportion to the power beyond what idling makes,
// as heat to the coolant is roughly equal to brake power (nine worked heat
// balances: 16 to 31 % of the fuel's heat, median 27; brake power about 30).
// Full power is the end of it, and rounded off.
func heatMade(power float64) float64 {
	return idle + (1-idle)*math.Pow(math.Pow(power, -5)+math.Pow(1.1, -5), -0.2)
}

// flowKept is the share of the heat still shed at a share of the coolant's
// flow: 0.95, 0.85, 0.67, 0.40 at 75, 50, 25, 10 % (effectiveness-NTU, a core
// of 600 W/K with 0.5 kg/s of coolant and 0.6 of air).
func flowKept(flow float64) float64 {
	const c = 0.214
	return (1 + c) * flow / (flow + c)
}

// openKept is the share of the heat still shed with a share of the face
// blocked: under ram air it falls with the open face, under a fan about half
// as fast at first (same core: 20 % blocked keeps 0.82 and 0.90, 40 % 0.63 and
// 0.76, 50 % 0.53 and 0.68). ram is the share of ram air.
func openKept(blocked, ram float64) float64 {
	return 1 - ram*blocked*(0.88+0.12*blocked) - (1-ram)*blocked*(0.44+0.4*blocked)
}

// The air in parts of what a road machine gets flat out: of its speed, slow,
// medium, fast, and of the fan.
var ramAir = [3]float64{0.12, 0.4, 1}

// noAir is what still moves with neither: wind and warm air rising.
const noAir = 0.06

// reference is the air temperature, °C, for which a cooler is laid out.
const reference = 35

// The middles of the bands of air temperature (exposure.Bands), °C.
var ambientMiddle = [5]float64{-6, 5, 15, 25, 33}

// Draws is how many sets of constants are averaged over.
const Draws = 64

// draw is one guess at all that nobody has measured: the constants of the
// balance, how bad each fault is, and how often its marks are seen.
type draw struct {
	power    [3]float64 // of full power, by speed, light on firm ground
	ground   [3]float64 // times it: mud, chaff, firm
	load     [3]float64
	slip     float64 // times it: high range when slow, low range when fast
	margin   float64 // heat that can be shed over that made at full power, at the reference
	fan      float64 // its air
	exponent float64 // heat shed with air
	lamp     float64 // °C
	scatter  float64 // of the logarithm of made over shed, from hour to hour
	rate     float64 // overheats an hour where far more is made than shed
	early    float64 // of the usual hazard, in the first quarter of an hour
	middle   float64 // and until 40 min
	dust     float64 // natural dirt of a sound core: share blocked in the end
	bad      []float64
	bad2     []float64
	packs    []bool // whether it is dirt
	packed   []bool // blocked whatever the hours since the last clean
	grows    []float64
	marks    [][signs]float64 // by source; the last is a sound machine
	fanOn    []float64
	boils    []float64
	loses    []float64 // ml an engine hour
	airLeft  float64   // chance that a refill leaves air, on this machine and by these people
	level    float64   // standard normal: of the fleet's rate
	own      float64   // times the fleet's rate: the machine's own nature
}

const signs = 5 // the vocabulary's

// lossMedian is ml an engine hour a cause loses in the middle, once there;
// "" is a sound machine. Common practice, no source.
var lossMedian = map[string]float64{"": 0.2, "external-leak": 4, "head-gasket": 4, "pressure-cap": 1.2, "pump": 0.6,
	"low-coolant": 1}

// lossSpread is of its logarithm.
const lossSpread = 0.9

// markMeans are what overheats look like on the whole: the chance of steam, of
// a fan that runs where somebody looked, and of coolant lost. Common practice,
// no source.
type markMeans struct{ steam, fan, boil float64 }

var usualMarks = markMeans{0.12, 0.88, 0.38}

var marksOf = map[string]markMeans{
	"trapped-air":     {0.15, 0.65, 0.4},
	"external-leak":   {0.26, 0.75, 0.5},
	"low-coolant":     {0.26, 0.7, 0.5},
	"head-gasket":     {0.32, 0.85, 0.7},
	"pressure-cap":    {0.42, 0.85, 0.82},
	"fan-circuit":     {0.16, 0.13, 0.4},
	"thermostat":      {0.07, 0.6, 0.2},
	"warning-circuit": {0.004, 0.5, 0.02},
	"collapsed-hose":  {0.08, 0.8, 0.28},
}

// theDraws are the same for every machine and every book: a Latin hypercube
// (McKay, Beckman & Conover 1979), so that each constant is seen over its range.
func theDraws(causes []string) []draw {
	r := rand.New(rand.NewPCG(13, 64))
	ds := make([]draw, Draws)
	uniform := func(low, high float64, put func(d *draw, x float64)) {
		for i, k := range r.Perm(Draws) {
			put(&ds[i], low+(high-low)*(float64(k)+0.5)/Draws)
		}
	}
	normal := func(mean, sd float64, put func(d *draw, x float64)) {
		uniform(0, 1, func(d *draw, u float64) { put(d, mean+sd*math.Sqrt2*math.Erfinv(2*u-1)) })
	}
	around := func(median, sd float64, put func(d *draw, x float64)) {
		normal(math.Log(median), sd, func(d *draw, x float64) { put(d, math.Exp(x)) })
	}
	for i, p := range []float64{0.22, 0.42, 0.8} {
		around(p, 0.2, func(d *draw, x float64) { d.power[i] = x })
	}
	for i, p := range []float64{1.45, 1.12, 1} {
		around(p, 0.13, func(d *draw, x float64) { d.ground[i] = x })
	}
	for i, p := range []float64{1, 1.3, 1.6} {
		around(p, 0.1, func(d *draw, x float64) { d.load[i] = x })
	}
	uniform(1, 1.15, func(d *draw, x float64) { d.slip = x })
	around(1.45, 0.15, func(d *draw, x float64) { d.margin = x })
	around(0.8, 0.2, func(d *draw, x float64) { d.fan = x })
	uniform(0.5, 0.75, func(d *draw, x float64) { d.exponent = x })
	normal(108, 4, func(d *draw, x float64) { d.lamp = x })
	around(0.18, 0.35, func(d *draw, x float64) { d.scatter = x })
	around(0.5, 0.7, func(d *draw, x float64) { d.rate = x })
	uniform(0.08, 0.5, func(d *draw, x float64) { d.early = x })
	uniform(0.6, 1.05, func(d *draw, x float64) { d.middle = x })
	uniform(0, 0.15, func(d *draw, x float64) { d.dust = x })
	uniform(0, 1, func(d *draw, x float64) { d.airLeft = 0.02 + 0.9*x*x*x })
	normal(0, 1, func(d *draw, x float64) { d.level = x })
	around(1, 0.45, func(d *draw, x float64) { d.own = x })
	for i := range ds {
		d := &ds[i]
		n := len(causes)
		d.bad, d.bad2, d.grows, d.packed = make([]float64, n), make([]float64, n), make([]float64, n), make([]bool, n)
		d.packs = make([]bool, n)
		d.marks, d.fanOn, d.boils, d.loses = make([][signs]float64, n+1), make([]float64, n+1), make([]float64, n+1),
			make([]float64, n+1)
	}
	chance := func(mean, sd float64, put func(d *draw, x float64)) {
		normal(math.Log(mean/(1-mean)), sd, func(d *draw, x float64) { put(d, 1/(1+math.Exp(-x))) })
	}
	for c := range len(causes) + 1 {
		name := ""
		if c < len(causes) {
			name = causes[c]
			uniform(0, 1, func(d *draw, x float64) { d.bad[c] = x })
			uniform(0, 1, func(d *draw, x float64) { d.bad2[c] = x })
			around(20, 0.9, func(d *draw, x float64) { d.grows[c] = x })
			uniform(0, 1, func(d *draw, x float64) { d.packed[c] = x < 0.45 })
			for i := range ds {
				ds[i].packs[c] = name == "blocked-core" || name == "dirty-oil-cooler"
			}
		}
		m, ok := marksOf[name]
		if !ok {
			m = usualMarks
		}
		if name == "warning-circuit" {
			chance(m.steam, 0.3, func(d *draw, x float64) { d.marks[c][2] = x })
			chance(m.boil, 0.4, func(d *draw, x float64) { d.boils[c] = x })
		} else {
			chance(m.steam, 0.6, func(d *draw, x float64) { d.marks[c][2] = x })
			chance(m.boil, 0.6, func(d *draw, x float64) { d.boils[c] = x })
		}
		chance(m.fan, 0.5, func(d *draw, x float64) { d.fanOn[c] = x })
		for i := range ds {
			rest := 1 - ds[i].marks[c][2]
			for s, share := range [signs]float64{0.8, 0.13, 0, 0.045, 0.025} {
				if s != 2 {
					ds[i].marks[c][s] = rest * share
				}
			}
		}
		if median, ok := lossMedian[name]; ok {
			around(median, lossSpread, func(d *draw, x float64) { d.loses[c] = x })
		}
	}
	return ds
}

// state is the state of a machine in some hours, as far as the balance knows
// it; each field counts from 1, and 0 is not recorded.
type state struct {
	speed, load, gears, ground, ambient uint8
	onset                               uint8 // 1 to 3: within 15 min of the start, 40, later
	dirt                                uint8 // 0 to 5: since the last thorough clean, see dirtMiddle
	refill                              uint8 // see the names
	work                                uint8
}

// Refill and work.
const (
	settled, unbled, bled, later = 0, 1, 2, 3
	noWork, oilWork, otherWork   = 0, 1, 2
)

// Bounds of dirt, and its middles, in mud hours since a thorough clean.
var (
	dirtBounds = []float64{3, 8, 16, 30, 60}
	dirtMiddle = [6]float64{1.5, 5.5, 12, 23, 45, 90}
)

// balance is a state's heat under one draw.
type balance struct {
	power  float64
	made   float64
	air    float64 // the fan running
	ram    float64 // share of it that is ram air
	margin float64 // ln(made/shed) of a sound machine
	sound  float64 // its chance
}

func (d *draw) balance(s state) balance {
	var b balance
	speed := int(s.speed) - 1
	b.power = d.power[speed] * d.ground[s.ground-1] * d.load[s.load-1]
	if s.gears == 2 && speed == 0 || s.gears == 1 && speed == 2 {
		b.power *= d.slip
	}
	b.made = heatMade(b.power)
	ram := ramAir[speed]
	b.air = math.Sqrt(ram*ram + d.fan*d.fan)
	b.ram = ram * ram / (b.air * b.air)
	dust := d.dust * (1 - math.Exp(-dirtMiddle[s.dirt]/60))
	shed := d.margin * math.Pow(b.air, d.exponent) * openKept(dust, b.ram) * d.colder(s)
	b.margin = math.Log(b.made / shed)
	b.sound = d.chance(b.margin)
	return b
}

// colder is the heat shed in the air of a state over that at the reference.
func (d *draw) colder(s state) float64 {
	return (d.lamp - ambientMiddle[s.ambient-1]) / (d.lamp - reference)
}

// lessAir is by how much ln(made/shed) rises where the air falls to another.
func (d *draw) lessAir(b *balance, air float64) float64 {
	return d.exponent * math.Log(b.air/math.Max(air, noAir))
}

// chance is the share of an hour's chances at which more is made than shed for
// long: a logistic of ln(made/shed) over its scatter, with some wider tails,
// as loads and weather vary by more than the words recorded tell.
func (d *draw) chance(margin float64) float64 {
	x := (margin/d.scatter + chanceEnd) * chanceSteps
	switch {
	case x <= 0:
		return chances[0]
	case x >= float64(len(chances)-1):
		return chances[len(chances)-1]
	}
	i := int(x)
	return chances[i] + (x-float64(i))*(chances[i+1]-chances[i])
}

// chances are looked up, as states times causes times draws are many: from
// -chanceEnd to chanceEnd scatters, so many steps each.
const chanceEnd, chanceSteps = 30, 20

var chances = func() (t [2*chanceEnd*chanceSteps + 1]float64) {
	for i := range t {
		x := float64(i)/chanceSteps - chanceEnd
		t[i] = 0.85*logistic(x) + 0.15*logistic(x/3)
	}
	return t
}()

func logistic(x float64) float64 { return 1 / (1 + math.Exp(-x)) }

// whenIn is the hazard in the part of a run that a state is in, over that
// later on: a cold machine has heat to store before it overheats (41 kJ/K:
// 4 K/min at idle, 29 K/min at full power without any flow), the less time the
// more is made beyond what is shed.
func (d *draw) whenIn(s state, margin float64) float64 {
	switch s.onset {
	case 1:
		return d.early + (1.3-d.early)*logistic((margin-0.45)/0.15)
	case 2:
		return d.middle
	}
	return 1
}

// fault is what a cause adds to the hazard, an hour, before scaling by rate.
func (d *draw) fault(c int, name string, s state, b *balance, altitude float64) float64 {
	bad, other := d.bad[c], d.bad2[c]
	rise := 0.0 // of ln(made/shed)
	share := 1.0
	speed := int(s.speed) - 1
	pull := math.Min(1, b.power) // heat made beyond idling
	switch name {
	case "blocked-core", "dirty-oil-cooler":
		// Packed from behind or between, or packing up by the hours in dirt.
		low, high := 0.1, 0.9
		if name == "dirty-oil-cooler" {
			low, high = 0.1, 0.6
		}
		blocked := low + (high-low)*bad
		if !d.packed[c] {
			blocked = d.packedUp(c, s.dirt)
			if name == "dirty-oil-cooler" {
				blocked *= 0.65
			}
		}
		rise = -math.Log(openKept(blocked, b.ram))
	case "trapped-air":
		left := [4]float64{0.02, 1, 0.3, 0.35}[s.refill]
		rise = (0.4 + 2*bad) * left // hot for no reason, at any load
	case "external-leak":
		rise, share = 0.9*bad, 0.25 // while it is low, if it is let get low
	case "low-coolant":
		rise = -math.Log(flowKept(0.15 + 0.6*bad))
	case "head-gasket":
		rise = 0.1 + 0.6*bad
	case "pressure-cap":
		// It boils before the lamp comes, at the hottest spots some kelvins sooner.
		boils := openBoils(altitude) - 3 - 9*other
		air := ambientMiddle[s.ambient-1]
		rise = math.Log((d.lamp-air)/(math.Min(boils, d.lamp)-air)) + 0.15*bad
	case "fan-circuit":
		// It fails always, or at times.
		share = 0.3 + 0.7*other
		rise = d.lessAir(b, ramAir[speed]+0.2*d.fan*bad*bad)
	case "fan-reversed":
		rise = d.lessAir(b, math.Abs(ramAir[speed]-(0.4+0.4*bad)*d.fan))
	case "air-path":
		rise = (0.15 + 0.55*bad) * [3]float64{1.2, 1, 0.85}[speed]
	case "thermostat":
		// Shut at the start of some runs; who gets through the first half hour is
		// through. With no flow 20 to 110 °C takes 3 to 6 min at working load and
		// about 20 at idle.
		sticks := 0.04 + 0.5*bad*bad
		quick := 0.35 + 0.6*pull
		late := [4]float64{0, 4 * quick, 2.4 * (1 - quick) * (0.4 + other), 0.01}[s.onset]
		return sticks * late
	case "pump":
		rise = -math.Log(flowKept(0.04 + 0.5*bad))
	case "collapsed-hose":
		// It flattens at high engine speed.
		shut := [3]float64{0.03, 0.3, 1}[speed]
		if s.load > 1 || s.gears == 1 {
			shut = math.Min(1, shut+0.1)
		}
		rise = -math.Log(flowKept(1 - shut*(0.6+0.38*bad)))
	case "warning-circuit":
		rate := 0.03 * math.Exp(1.6*(bad-0.5)*2)
		if s.ground == 1 {
			rate *= 1 + 1.5*other
		}
		return rate / d.rate // whenever it is driven
	case "blocked-inside":
		rise = 0.15 + 0.6*bad
	case "lean-mixture":
		rise = (0.1 + 0.5*bad) * math.Max(0, (pull-0.3)/0.7)
	case "overfilled-oil":
		rise = (0.05 + 0.35*bad) * (0.4 + pull)
		if s.work != oilWork {
			share = 0.3
		}
	case "low-oil":
		rise = (0.05 + 0.3*bad) * (0.4 + pull)
	case "low-compression", "dragging":
		rise = 0.05 + 0.3*bad
	case "air-filter":
		rise = (0.05 + 0.35*bad) * pull
		if s.ground == 2 {
			rise *= 1.3
		}
	case "wrong-mix":
		rise = 0.03 + 0.2*bad
	case "overload":
		// Driven harder than the words recorded tell.
		rise = (0.2 + 0.7*bad) * math.Min(1, pull/0.6)
	default:
		return 0 // as a thermostat that stands open
	}
	hot := b.margin + rise
	return share * math.Max(0, d.chance(hot)-b.sound) * d.whenIn(s, hot)
}

// packedUp is the share blocked by the hours in dirt since a thorough clean.
func (d *draw) packedUp(c int, dirt uint8) float64 {
	return 0.8 * (1 - math.Exp(-dirtMiddle[dirt]/d.grows[c]))
}

// openBoils is where half glycol boils with no pressure upon it, °C; to work it out takes
// longer than all the rest of a fault.
func openBoils(altitude float64) float64 {
	if t, ok := boils.Load(altitude); ok {
		return t.(float64)
	}
	t, err := cooling.OpenBoils(cooling.Ethylene, 50, altitude)
	if err != nil {
		t = 108
	}
	boils.Store(altitude, t)
	return t
}

var boils sync.Map // by altitude
