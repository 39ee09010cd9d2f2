// Package trial is a trial ground for the reasoning of next and flags. It
// makes logs in worlds that know nothing of the program's tables or figures,
// and scores what the program says of them. It has tests only.
//
// Every figure of the worlds is made up, or common practice with no source.
// They need not be right: they differ from the program's and from each other.
package trial

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"shedbook/schema"
)

// ill is a fault that a machine truly has.
type ill struct {
	cause string
	from  time.Time
	size  float64 // 0 to 1
	gone  bool
}

// rig is a machine as it truly is, with the log that is kept of it.
type rig struct {
	log    schema.Log
	rnd    *rand.Rand
	ills   []*ill
	nature float64 // this machine's own factor; 1 is usual
	litres float64
	hours  float64
	lack   float64 // mL below the mark
	back   float64 // share of the core shut, seen from behind
	front  float64 // and seen from the front
	cycles float64 // warmed up and cooled since the last refill
	unbled bool
	rinsed bool    // never cleaned from behind
	heats  int     // overheats since its first fault began
	lost   float64 // mL lost since then
	mem    map[string]float64

	tended, washed, drained float64 // hours at the last look at the level, wash, refill
}

// hand is a driver as he truly is.
type hand struct {
	name      string
	hard      float64 // overheats under the same conditions; 1 is usual
	fast, mud float64 // share of his time
}

// trip is a run as it truly was.
type trip struct {
	at                        time.Time
	hours                     float64
	who                       *hand
	ground, speed, gear, load string
	ambient                   float64
}

func (t *trip) hurried() bool { return t.speed == "fast" }

func (t *trip) deep() bool {
	return slices.Contains([]string{"mud", "sand", "snow", "water"}, t.ground)
}

// heat is an overheat as it truly was.
type heat struct {
	minute float64
	sign   string
	lost   float64
	fan    string
}

// world says how things go. Nil functions are the usual ones.
type world struct {
	name    string
	kept    bool // not to be looked at by whoever tunes the model
	ambient func(day int, r *rand.Rand) float64
	trip    func(y *yard, m *rig, h *hand) trip
	drive   func(y *yard, m *rig, t *trip) []heat
	write   func(y *yard, m *rig, t trip, hs []heat)
	look    func(y *yard, m *rig, check string) (schema.Check, bool) // false: as usual
	born    func(m *rig, h int)
	plants  map[string]float64 // causes that occur, and how often
	miss    float64            // a check misses
	cry     float64            // or cries wolf
	values  bool               // checks are written down with what was measured
}

// yard is a fleet at work in a world.
type yard struct {
	w      *world
	rnd    *rand.Rand
	rigs   []*rig
	hands  []*hand
	now    time.Time
	day    int
	use    float64 // chance that a machine goes out on a day
	number int64
	model  int // how many models
	blank  bool
	winter bool
	rinse  bool // nobody ever cleans from behind
}

var began = time.Date(2024, 3, 4, 0, 0, 0, 0, time.UTC)

// newYard makes a fleet of so many machines that work so many hours a year.
func newYard(w *world, seed uint64, machines, drivers int, yearly float64) *yard {
	y := &yard{w: w, rnd: rand.New(rand.NewPCG(seed, 77)), now: began, use: yearly / 365 / 2.4, model: 2}
	for i := range drivers {
		y.hands = append(y.hands, &hand{fmt.Sprintf("D%02d", i+1), 1, 0.1 + 0.4*y.rnd.Float64(),
			0.1 + 0.3*y.rnd.Float64()})
	}
	for i := range machines {
		m := &rig{rnd: rand.New(rand.NewPCG(seed, uint64(1000+i))), nature: 1, cycles: 50, mem: map[string]float64{}}
		m.litres = 3 + float64(i%2)*1.5
		m.tended, m.washed, m.drained = -10*m.rnd.Float64(), -30*m.rnd.Float64(), -0.6*yearly*m.rnd.Float64()
		m.log.Machine = schema.Machine{Meta: y.meta(), Name: fmt.Sprintf("M%02d", i+1),
			Model:    fmt.Sprint("K", 1+i%y.model),
			CoolantL: schema.N(m.litres), Meter: schema.N(100), Acquired: began}
		y.rigs = append(y.rigs, m)
	}
	if w.born != nil {
		for i, m := range y.rigs {
			w.born(m, i)
		}
		for i, h := range y.hands {
			h.hard *= natures[w.name](y.rnd, i)
		}
	}
	return y
}

// natures of drivers, in the worlds in which they have one.
var natures = map[string]func(r *rand.Rand, i int) float64{}

func (y *yard) meta() schema.Meta {
	y.number++
	return schema.Meta{Number: y.number, Entered: y.now}
}

func (y *yard) head(m *rig, at time.Time) schema.Head {
	return schema.Head{Base: schema.Base{Meta: y.meta(), Machine: m.log.Machine.Name, At: at}}
}

// fall ill at a time.
func (m *rig) fall(cause string, from time.Time, size float64) {
	m.ills = append(m.ills, &ill{cause: cause, from: from, size: size})
	if cause == "blocked-core" { // of every two, one is only ever rinsed; the other packs fast
		m.rinsed = m.rnd.IntN(2) == 0
	}
}

// has is how large a fault is now; 0 if it is not there.
func (y *yard) has(m *rig, cause string) float64 {
	for _, i := range m.ills {
		if i.cause == cause && !i.gone && !y.now.Before(i.from) {
			return i.size
		}
	}
	return 0
}

// ill says whether the machine has any fault now.
func (y *yard) ill(m *rig) bool {
	return slices.ContainsFunc(m.ills, func(i *ill) bool { return !i.gone && !y.now.Before(i.from) })
}

// fleet is the book as it stands.
func (y *yard) fleet() schema.Fleet {
	f := schema.Fleet{}
	for _, m := range y.rigs {
		f.Logs = append(f.Logs, m.log)
	}
	for _, h := range y.hands {
		f.Drivers = append(f.Drivers, schema.Driver{Meta: schema.Meta{Number: 1}, Name: h.name})
	}
	slices.SortStableFunc(f.Logs, func(a, b schema.Log) int { return cmp.Compare(a.Machine.Name, b.Machine.Name) })
	return f
}

// oneDay lets every machine work, or stand.
func (y *yard) oneDay() {
	y.now = began.AddDate(0, 0, y.day).Add(8 * time.Hour)
	morning := y.now
	for _, m := range y.rigs {
		if m.rnd.Float64() > y.use {
			continue
		}
		y.now = morning.Add(time.Duration(m.rnd.IntN(180)) * time.Minute)
		h := y.hands[m.rnd.IntN(len(y.hands))]
		t := y.trip(m, h)
		y.age(m, &t)
		hs := y.w.drive(y, m, &t)
		if len(hs) > 0 {
			hs = hs[:1] // then he stops, and goes home once it is cool
			t.hours = min(t.hours, hs[0].minute/60+0.2)
		}
		y.loses(m, &t, hs)
		m.hours += t.hours
		m.cycles++
		if y.w.write != nil {
			y.w.write(y, m, t, hs)
		} else {
			y.writes(m, t, hs)
		}
		y.now = t.at.Add(time.Duration((t.hours + 1) * float64(time.Hour)))
		y.tend(m)
	}
	y.day++
	y.now = morning
}

func (y *yard) days(n int) {
	for range n {
		y.oneDay()
	}
	y.now = began.AddDate(0, 0, y.day)
}

// trip is what a driver is sent to do, and how he does it.
func (y *yard) trip(m *rig, h *hand) trip {
	r := m.rnd
	t := trip{at: y.now, who: h, hours: math.Round(10*(0.8+3.2*r.Float64())) / 10, gear: "low", load: "light",
		ground: "gravel", speed: "medium"}
	if y.w.ambient != nil {
		t.ambient = y.w.ambient(y.day, r)
	} else {
		t.ambient = math.Round(13 + 11*math.Sin(2*math.Pi*float64(y.day-45)/365) + 4*r.NormFloat64())
	}
	if y.winter {
		t.ambient -= 16
	}
	switch u := r.Float64(); {
	case u < h.mud:
		t.ground = "mud"
	case u < h.mud+0.2:
		t.ground = []string{"grass", "forest", "dust"}[r.IntN(3)]
	case u > 0.85:
		t.ground = []string{"sand", "rock", "water", "road"}[r.IntN(4)]
	}
	if y.winter && r.Float64() < 0.6 {
		t.ground = "snow"
	}
	switch u := r.Float64(); {
	case u < h.fast:
		t.speed = "fast"
	case u > 0.75:
		t.speed = "slow"
	}
	if t.speed == "fast" || r.Float64() < 0.4 {
		t.gear = "high"
	}
	switch u := r.Float64(); {
	case u < 0.12:
		t.load = "towing"
	case u < 0.35:
		t.load = "heavy"
	}
	if y.w.trip != nil {
		t2 := y.w.trip(y, m, h)
		t2.at, t2.ambient = t.at, t.ambient
		return t2
	}
	return t
}

// age packs cores and lets coolant go, as the hours pass.
func (y *yard) age(m *rig, t *trip) {
	if t.ground == "mud" || t.ground == "dust" {
		m.front = min(0.3, m.front+0.01*t.hours)
		m.back = max(m.back, min(0.08, m.back+0.002*t.hours))
	}
	if s := y.has(m, "blocked-core"); s > 0 {
		rate := 0.01
		if t.ground == "mud" || t.ground == "dust" {
			rate = 0.05
		}
		m.back = max(m.back, min(0.3+0.6*s, m.back+rate*t.hours))
	}
	if s := y.has(m, "trapped-air"); s > 0 && m.hours-m.drained > 35 {
		// somebody opens it again and again, and lets no air out
		m.drained = m.hours
		m.cycles, m.unbled = 0, true
		r := schema.Refill{Head: y.head(m, t.at.Add(-30*time.Minute)), Volume: schema.N(math.Round(m.litres * 800)),
			Reason: "hose off"}
		m.log.Refills = append(m.log.Refills, r)
	}
}

// air is how much of the air is still in, 0 to 1, after a refill.
func (y *yard) air(m *rig) float64 {
	s := y.has(m, "trapped-air")
	if s == 0 || !m.unbled {
		return 0
	}
	return s * math.Exp(-m.cycles/5)
}

func (y *yard) loses(m *rig, t *trip, hs []heat) {
	before := m.lack
	if s := y.has(m, "external-leak"); s > 0 {
		m.lack += (5 + 15*s) * t.hours * (0.6 + 0.8*m.rnd.Float64())
	}
	if s := y.has(m, "head-gasket"); s > 0 {
		push := 1.0
		if t.hurried() || t.load != "light" {
			push = 2
		}
		m.lack += (3 + 8*s) * push * t.hours
	}
	if m.cycles < 4 && t.hours > 0.3 {
		m.lack += m.litres * 8 * m.rnd.Float64()
	}
	m.lack += m.mem["puked"]
	m.mem["puked"] = 0
	m.lack += 0.3 * t.hours * m.rnd.Float64()
	for _, h := range hs {
		m.lack += h.lost
	}
	if y.ill(m) {
		m.heats += len(hs)
		m.lost += m.lack - before
	}
}

// tend is what the shed does: coolant, cleaning, a refill now and then.
func (y *yard) tend(m *rig) {
	r := m.rnd
	if m.hours-m.tended > 8 && r.Float64() < 0.7 || m.lack > 500 {
		m.tended = m.hours
		if m.lack > 60 {
			v := max(50, math.Round(m.lack/50)*50)
			m.log.TopUps = append(m.log.TopUps, schema.TopUp{Head: y.head(m, y.now), Volume: schema.N(v),
				Fluid: "premix",
				Into:  "reservoir"})
			m.lack -= v
		} else if r.Float64() < 0.4 {
			m.log.Levels = append(m.log.Levels, schema.Level{Head: y.head(m, y.now),
				BelowMark: schema.N(math.Round(m.lack/10) * 10), Engine: "cold"})
		}
	}
	if m.hours-m.washed > 25 && r.Float64() < 0.3 {
		m.washed = m.hours
		c := schema.Cleaning{Head: y.head(m, y.now), Method: "hose", Sides: "front"}
		if !y.rinse && !m.rinsed && r.Float64() < 0.5 {
			c.Sides, m.back = "both", 0
		}
		m.front = 0
		m.log.Cleanings = append(m.log.Cleanings, c)
	}
	if m.hours-m.drained > 450 && r.Float64() < 0.1 {
		m.drained, m.cycles, m.unbled = m.hours, 0, false
		m.log.Refills = append(m.log.Refills, schema.Refill{Head: y.head(m, y.now),
			Volume: schema.N(math.Round(m.litres * 900)), Concentrate: schema.N(50)})
		if r.Float64() < 0.8 {
			m.log.Bleeds = append(m.log.Bleeds, schema.Bleed{Head: y.head(m, y.now.Add(20*time.Minute)), NoseUp: "yes"})
		}
	}
}

// writes keeps the log as it should be kept.
func (y *yard) writes(m *rig, t trip, hs []heat) {
	y.run(m, t, func(*schema.Run) {})
	for _, h := range hs {
		y.overheat(m, t, h, func(*schema.Overheat) {})
	}
}

func (y *yard) run(m *rig, t trip, spoil func(*schema.Run)) {
	x := schema.Run{Base: y.head(m, t.at).Base, Driver: t.who.name, Hours: schema.N(math.Round(t.hours*100) / 100),
		MeterOut: schema.N(100 + m.hours - t.hours),
		MeterIn:  schema.N(100 + m.hours), Terrain: t.ground, Speed: t.speed, Range: t.gear, Load: t.load,
		AmbientC: schema.N(math.Round(t.ambient))}
	x.Hours.V = max(x.Hours.V, 0.05)
	if y.blank {
		x.Speed, x.Terrain, x.Range, x.Load = "", "", "", ""
	}
	spoil(&x)
	m.log.Runs = append(m.log.Runs, x)
}

func (y *yard) overheat(m *rig, t trip, h heat, spoil func(*schema.Overheat)) {
	o := schema.Overheat{Head: y.head(m, t.at.Add(time.Duration(h.minute*float64(time.Minute)))), Driver: t.who.name,
		Terrain: t.ground, Speed: t.speed,
		Range: t.gear, Load: t.load, AmbientC: schema.N(math.Round(t.ambient)), Sign: h.sign,
		MinutesIn: schema.N(math.Round(h.minute)), Fan: h.fan}
	o.Meter = schema.N(100 + m.hours - t.hours + h.minute/60)
	if h.lost > 0 {
		o.Lost = schema.N(math.Round(h.lost/10) * 10)
	}
	if y.blank {
		o.Speed, o.Terrain, o.Range, o.Load = "", "", "", ""
	}
	spoil(&o)
	m.log.Overheats = append(m.log.Overheats, o)
}

// points says which causes make a check fail: what each check is for, as the
// trade reasons (common practice, no source).
var points = map[string][]string{
	"light-test": {"blocked-core"}, "bleed": {"trapped-air"}, "pressure-hold": {"external-leak",
		"head-gasket"}, "combustion-gas": {"head-gasket"},
	"compression": {"low-compression"}, "leak-down": {"head-gasket",
		"low-compression"}, "cap-hold": {"pressure-cap"}, "fan-runs": {"fan-circuit"},
	"fan-relay": {"fan-circuit"}, "thermostat-bath": {"thermostat",
		"thermostat-open"}, "pump-flow": {"pump"}, "hose-squeeze": {"collapsed-hose"},
	"wiggle": {"warning-circuit"}, "sensor-resistance": {"warning-circuit"}, "flow-through": {"blocked-inside"},
	"intake-leak": {"lean-mixture"},
	"oil-level": {"overfilled-oil",
		"low-oil"}, "oil-cooler": {"dirty-oil-cooler"}, "valve-clearance": {"low-compression"},
	"air-filter":   {"air-filter"},
	"mix-strength": {"wrong-mix"}, "brake-drag": {"dragging"}, "fan-at-lamp": {"fan-circuit"}, "warm-up": {"thermostat",
		"thermostat-open"},
	"needle-pulse": {"head-gasket"}, "fan-after-stop": {"fan-circuit"}, "wet-outside": {"external-leak"},
	"air-path":      {"air-path"},
	"fan-direction": {"fan-reversed"}, "probe": {"warning-circuit"},
}

// half finds only about every second of its faults: a relay is one half of a fan circuit.
var half = map[string]bool{"fan-relay": true, "wiggle": true, "sensor-resistance": true, "valve-clearance": true,
	"fan-at-lamp": true}

// look is what somebody finds who does a check, and the record of it.
func (y *yard) look(m *rig, check string) schema.Check {
	r := m.rnd
	c := schema.Check{Head: y.head(m, y.now), Check: check, Result: "pass"}
	if y.w.look != nil {
		if x, ok := y.w.look(y, m, check); ok {
			x.Head, x.Check = c.Head, check
			return x
		}
	}
	bad := false
	for _, cause := range points[check] {
		bad = bad || y.has(m, cause) > 0
	}
	// the same relay is sound however often it is tried
	if key := "half " + check; half[check] && bad {
		if _, ok := m.mem[key]; !ok {
			m.mem[key] = r.Float64()
		}
		bad = m.mem[key] < 0.6
	}
	switch check {
	case "light-test":
		bad = m.back > 0.2
	case "level", "neck-level":
		bad = m.lack > 100
	case "bleed":
		bad = y.air(m) > 0.1
	}
	if bad && r.Float64() < y.w.miss || !bad && r.Float64() < y.w.cry {
		bad = !bad
	}
	if bad {
		c.Result = "fail"
	}
	if y.w.values {
		y.measure(m, &c, bad)
	}
	return c
}

// measure writes down what was measured, where the check has a figure.
func (y *yard) measure(m *rig, c *schema.Check, bad bool) {
	figure := func(unit string, v float64) { c.Value, c.Unit = schema.N(v), unit }
	r := m.rnd
	switch c.Check {
	case "light-test":
		v := 100*m.back + 4*r.NormFloat64()
		if !bad {
			v = min(v, 8*r.Float64())
		} else {
			v = max(v, 22)
		}
		figure("pct", math.Round(max(0, min(100, v))))
	case "level":
		v := math.Round(m.lack/10) * 10
		if !bad {
			v = 0
		}
		figure("ml", max(v, 0))
	case "thermostat-bath":
		v := math.Round(82 + 1.5*r.NormFloat64())
		if bad {
			v += 12
		}
		figure("c", v)
	case "mix-strength":
		v := math.Round(50 + 3*r.NormFloat64())
		if bad {
			v = 18
		}
		c.Figures = fmt.Sprintf("glycol_pct=%v", v)
	}
}

// mend goes at a cause, right or wrong, and keeps the record of it. It says
// whether the cause was there.
func (y *yard) mend(m *rig, cause string) bool {
	found := false
	for _, i := range m.ills {
		if i.cause == cause && !i.gone && !y.now.Before(i.from) {
			i.gone, found = true, true
		}
	}
	switch cause {
	case "blocked-core":
		m.back, m.front, m.washed = 0, 0, m.hours
		m.log.Cleanings = append(m.log.Cleanings, schema.Cleaning{Head: y.head(m, y.now), Method: "hose", Sides: "both",
			RadiatorOut: "yes"})
	case "low-coolant":
		v := max(50, math.Round(m.lack/50)*50)
		m.log.TopUps = append(m.log.TopUps, schema.TopUp{Head: y.head(m, y.now), Volume: schema.N(v), Fluid: "premix",
			Into: "radiator"})
		m.lack = 0
	case "trapped-air":
		m.unbled = false
		m.log.Bleeds = append(m.log.Bleeds, schema.Bleed{Head: y.head(m, y.now), NoseUp: "yes", Points: []string{"pump",
			"radiator"}})
	default:
		m.log.Services = append(m.log.Services, schema.Service{Head: y.head(m, y.now), Work: "mended " + cause,
			Cause: cause})
	}
	return found
}
