package next

import (
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"time"

	"shedbook/schema"
)

// World is how the simulated machines behave on which the worth of the
// ranking is measured. The network's own figures are guesses, so the worlds
// depart from them: Noise scatters every figure of the network, and Heat
// leaves its patterns aside and lets overheats come from a heat balance.
type World struct {
	Name  string
	Noise float64 // log-normal scatter of every weight, rate, chance and sensitivity
	Heat  bool    // overheats from a heat balance instead of the network's patterns
	Gaps  float64 // chance that a field of a run or an overheat is left blank
}

// Worlds are those that Prove is run in.
func Worlds() []World {
	return []World{
		{Name: "as the network", Noise: 0, Gaps: 0},
		{Name: "scattered", Noise: 0.5, Gaps: 0.1},
		{Name: "scattered widely", Noise: 0.9, Gaps: 0.2},
		{Name: "heat balance", Noise: 0.5, Gaps: 0.1, Heat: true},
	}
}

// made is one simulated machine: its log, and what is the matter with it.
type made struct {
	fleet schema.Fleet
	truth pair
	n     *network // the world's own figures, by which checks fail
}

const simName = "S1"

// make one machine. Nothing but r decides what it is.
func (w World) make(r *rand.Rand) made {
	n := theNetwork().scattered(r, w.Noise)
	b := theNetwork().start(true)
	u, truth := r.Float64(), pair{-1, -1}
	for i, s := range b.sets {
		if u -= b.p[i]; u < 0 {
			truth = s
			break
		}
	}
	log := usage(r, truth, n)
	fleet := schema.Fleet{Logs: []schema.Log{log}, Settings: schema.Settings{"time-zone": "UTC"}}
	e := read(n, &fleet, &log)
	onset := map[int]float64{}
	for _, k := range []int{truth.a, truth.b} {
		if k >= 0 && r.Float64() > 0.4 {
			onset[k] = r.Float64() * 0.95
		}
	}
	if w.Heat {
		log.Overheats = balance(r, n, &log, e, truth, onset)
	} else {
		log.Overheats = n.overheats(r, e, truth, onset)
	}
	topUps(r, n, &log, e, truth, onset)
	blank(r, &log, w.Gaps)
	return made{schema.Fleet{Logs: []schema.Log{log}, Settings: fleet.Settings}, truth, n}
}

// scattered is a network each of whose figures is off by a log-normal factor.
func (n *network) scattered(r *rand.Rand, noise float64) *network {
	c := *n
	c.causes = slices.Clone(n.causes)
	c.checks = slices.Clone(n.checks)
	off := func(x float64) float64 { return x * math.Exp(noise*r.NormFloat64()) }
	chance := func(p float64) float64 {
		l := math.Log(p/(1-p)) + noise*r.NormFloat64()
		return 1 / (1 + math.Exp(-l))
	}
	scatter := func(k *cause) {
		k.rate = off(k.rate)
		k.weights = slices.Clone(k.weights)
		for f, w := range k.weights {
			if w == nil {
				continue
			}
			w = slices.Clone(w)
			// Chances go on summing to 1, and weights to the same over the usual
			// driving: what is scattered is the pattern.
			was, is := 0.0, 0.0
			for l := range w {
				share := n.features[f].levels[l].share
				if n.features[f].kind != driving {
					share = 1
				}
				was += share * w[l]
				w[l] = off(w[l])
				is += share * w[l]
			}
			for l := range w {
				w[l] *= was / is
			}
			k.weights[f] = w
		}
	}
	for k := range c.causes {
		scatter(&c.causes[k])
	}
	scatter(&c.background)
	for k := range c.checks {
		c.checks[k].falsely = chance(c.checks[k].falsely)
		c.checks[k].fails = slices.Clone(c.checks[k].fails)
		for i, p := range c.checks[k].fails {
			if p > 0 {
				c.checks[k].fails[i] = chance(p)
			}
		}
	}
	return &c
}

// usage is a machine's year without its overheats and top-ups: runs of its own
// mix of driving, thorough cleans, refills with and without a bleed, oil
// changes and other work.
func usage(r *rand.Rand, truth pair, n *network) schema.Log {
	log := schema.Log{Machine: schema.Machine{Name: simName, CoolantL: schema.N(2 + 4*r.Float64()), Meter: schema.N(100)}}
	at := time.Date(2025, 1, 6, 9, 0, 0, 0, time.UTC)
	log.Machine.Acquired = at.AddDate(0, 0, -1)
	total := math.Min(600, math.Max(30, 160*math.Exp(0.6*r.NormFloat64())))
	mix := func(spread float64, shares ...float64) []float64 {
		sum := 0.0
		for i := range shares {
			shares[i] *= math.Exp(spread * r.NormFloat64())
			sum += shares[i]
		}
		for i := range shares {
			shares[i] /= sum
		}
		return shares
	}
	speeds, loads := mix(0.4, 0.35, 0.4, 0.25), mix(0.5, 0.75, 0.17, 0.08)
	grounds, gears := mix(0.5, 0.25, 0.35, 0.4), mix(0.5, 0.4, 0.6)
	if truth.has(n.cause("overload")) {
		loads = mix(0.3, 0.4, 0.35, 0.25)
	}
	pick := func(shares []float64, words ...string) string {
		u := r.Float64()
		for i, s := range shares {
			if u -= s; u < 0 {
				return words[i]
			}
		}
		return words[0]
	}
	every := func(mean float64) float64 { return mean * (0.3 + r.ExpFloat64()*0.7) }
	clean, fill, oil, work := every(70), every(60), every(50), every(120)
	for hours := 0.0; hours < total; {
		run := schema.Run{Base: schema.Base{Machine: simName, At: at}, Speed: pick(speeds, "slow", "medium", "fast"),
			Load: pick(loads, "light", "heavy", "towing"), Range: pick(gears, "low", "high"),
			Terrain: pick(grounds, "mud", "grass", "gravel")}
		h := math.Min(5, 1.6*math.Exp(0.5*r.NormFloat64()))
		run.Hours = schema.N(math.Round(h*10)/10 + 0.1)
		season := 15 - 12*math.Cos(2*math.Pi*float64(at.YearDay())/365)
		run.AmbientC = schema.N(math.Round(season + 5*r.NormFloat64()))
		log.Runs = append(log.Runs, run)
		hours += run.Hours.V
		evening := at.Add(9 * time.Hour)
		head := schema.Head{Base: schema.Base{Machine: simName, At: evening}}
		if clean -= run.Hours.V; clean < 0 {
			clean = every(70)
			log.Cleanings = append(log.Cleanings, schema.Cleaning{Head: head, Method: "air", RadiatorOut: "yes", Sides: "both"})
		}
		if fill -= run.Hours.V; fill < 0 {
			fill = every(60)
			pct := schema.N(50)
			if k := n.cause("wrong-mix"); truth.has(k) && r.Float64() < 0.8 || r.Float64() < 0.05 {
				pct = schema.N([]float64{0, 15, 25, 70, 100}[r.IntN(5)])
			}
			log.Refills = append(log.Refills, schema.Refill{Head: head, Volume: schema.N(3000), Concentrate: pct})
			if r.Float64() < 0.6 {
				head.At = evening.Add(time.Hour)
				log.Bleeds = append(log.Bleeds, schema.Bleed{Head: head})
			}
		}
		if oil -= run.Hours.V; oil < 0 {
			oil = every(60)
			log.Services = append(log.Services, schema.Service{Head: head, Work: "oil change"})
		}
		if work -= run.Hours.V; work < 0 {
			work = every(120)
			log.Services = append(log.Services, schema.Service{Head: head, Work: "belt"})
		}
		at = at.Add(time.Duration(24*(1+r.IntN(3))) * time.Hour)
	}
	return log
}

// overheats come as the network says that they do, at the world's figures.
func (n *network) overheats(r *rand.Rand, e *evidence, truth pair, onset map[int]float64) []schema.Overheat {
	type source struct {
		c     *cause
		rate  float64
		begin float64
	}
	sources := []source{{&n.background, n.background.rate * math.Exp(0.7*r.NormFloat64()), 0}}
	for _, k := range []int{truth.a, truth.b} {
		if k >= 0 {
			sources = append(sources, source{&n.causes[k], n.causes[k].rate * math.Exp(0.8*r.NormFloat64()), onset[k] * e.hours})
		}
	}
	var out []schema.Overheat
	for i := range e.cells {
		c := &e.cells[i]
		for _, s := range sources {
			if c.from < s.begin || r.Float64() > 1-math.Exp(-s.rate*c.hours*n.pull(s.c, c.levels)) {
				continue
			}
			o := e.overheatIn(c, r.Float64())
			n.marks(r, s.c, &o)
			out = append(out, o)
			break
		}
	}
	return inOrder(out)
}

// overheatIn puts an overheat into a cell, at a part of its hours.
func (e *evidence) overheatIn(c *cell, part float64) schema.Overheat {
	at := c.at.Add(time.Duration(part * c.hours * float64(time.Hour)))
	log := e.life.Log
	i := sort.Search(len(log.Runs), func(i int) bool { return log.Runs[i].At.After(at) }) - 1
	run := &log.Runs[i]
	return schema.Overheat{Head: schema.Head{Base: schema.Base{Machine: simName, At: at}}, Terrain: run.Terrain, Speed: run.Speed, Range: run.Range,
		Load: run.Load, AmbientC: run.AmbientC, MinutesIn: schema.N(math.Round(at.Sub(run.At).Minutes()))}
}

func inOrder(out []schema.Overheat) []schema.Overheat {
	sort.SliceStable(out, func(a, b int) bool { return out[a].At.Before(out[b].At) })
	return out
}

func (n *network) marks(r *rand.Rand, c *cause, o *schema.Overheat) {
	draw := func(name string) string {
		f := n.feature(name)
		u := r.Float64()
		for l, w := range c.weights[f] {
			if u -= w; u < 0 {
				return n.features[f].levels[l].name
			}
		}
		return n.features[f].levels[0].name
	}
	o.Sign = draw("sign")
	o.Fan = "unknown"
	if r.Float64() < 0.5 {
		o.Fan = draw("fan")
	}
	o.Lost = schema.N(0)
	if draw("boil") == "lost" {
		o.Lost = schema.N(50 * float64(1+r.IntN(6)))
	}
}

// leakRates are the medians, in ml an engine hour, of what a cause loses, once
// there. The scatter is log-normal. A choice of this world, not the network's.
var leakRates = map[string]float64{"external-leak": 3, "head-gasket": 5, "pressure-cap": 1.3, "pump": 0.8, "trapped-air": 0.3}

// topUps follow the level: it settles after refills, boils over, and leaks as
// the causes have it; somebody looks every so often, and fills up in steps of
// the jug.
func topUps(r *rand.Rand, n *network, log *schema.Log, e *evidence, truth pair, onset map[int]float64) {
	sound := 0.15 * math.Exp(0.6*r.NormFloat64())
	if r.Float64() < 0.05 {
		sound += 1
	}
	leaks := map[int]float64{}
	for _, k := range []int{truth.a, truth.b} {
		if k >= 0 && leakRates[n.causes[k].name] > 0 {
			leaks[k] = leakRates[n.causes[k].name] * math.Exp(0.8*r.NormFloat64())
		}
	}
	below, hours, fill, heat := 0.0, 0.0, 0, 0
	next := 5 + 10*r.Float64()
	for i := range log.Runs {
		run := &log.Runs[i]
		for fill < len(log.Refills) && log.Refills[fill].At.Before(run.At) {
			below = 40 + 160*r.Float64() // what the air leaves
			fill++
		}
		for heat < len(log.Overheats) && log.Overheats[heat].At.Before(run.At) {
			below += log.Overheats[heat].Lost.V * (0.7 + 0.6*r.Float64())
			heat++
		}
		leak := sound
		for _, k := range []int{truth.a, truth.b} {
			if l, ok := leaks[k]; ok && hours >= onset[k]*e.hours {
				leak = math.Max(leak, l)
			}
		}
		below += leak * run.Hours.V
		hours += run.Hours.V
		if next -= run.Hours.V; next > 0 {
			continue
		}
		next = 3 + 12*r.Float64()
		head := schema.Head{Base: schema.Base{Machine: simName, At: run.At.Add(8 * time.Hour)}}
		if in := math.Floor((below+20*r.NormFloat64())/50) * 50; in >= 50 {
			log.TopUps = append(log.TopUps, schema.TopUp{Head: head, Volume: schema.N(in), Fluid: "premix"})
			below -= in
		} else {
			log.Levels = append(log.Levels, schema.Level{Head: head, BelowMark: schema.N(math.Max(0, math.Round(below/25)*25)), Engine: "cold"})
		}
	}
}

// blank leaves fields out, as people do.
func blank(r *rand.Rand, log *schema.Log, gaps float64) {
	text := func(s *string) {
		if r.Float64() < gaps {
			*s = ""
		}
	}
	number := func(n *schema.Num) {
		if r.Float64() < gaps {
			*n = schema.Num{}
		}
	}
	for i := range log.Runs {
		run := &log.Runs[i]
		text(&run.Speed)
		text(&run.Load)
		text(&run.Range)
		text(&run.Terrain)
		number(&run.AmbientC)
	}
	for i := range log.Overheats {
		o := &log.Overheats[i]
		text(&o.Speed)
		text(&o.Load)
		text(&o.Range)
		text(&o.Terrain)
		text(&o.Sign)
		number(&o.AmbientC)
		number(&o.MinutesIn)
		number(&o.Lost)
	}
}
