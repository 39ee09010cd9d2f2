package flags

import (
	"math"
	"slices"
	"sort"
	"time"

	"shedbook/report/exposure"
	"shedbook/schema"
)

// The conditions that the sound model tells rates apart by. The first five are
// those of package exposure; dirt is the band of mud hours since the last
// thorough cleaning, air whether the system was opened lately, heaped how many
// things that make heat come together: heat is a threshold, so that fast through mud
// is worse than fast and mud by themselves tell.
const (
	terrain = iota
	speed
	gears
	load
	ambient
	dirt
	air
	heaped
	conditions
)

var exposureFactor = [...]exposure.Factor{terrain: exposure.Terrain, speed: exposure.Speed, gears: exposure.Range,
	load: exposure.Load, ambient: exposure.Ambient}

const week = 7 * 24 * 3600 // seconds

// piece is a run, or a part of it, flattened: what the evidence needs of it and
// no more, since a large fleet has a million of them.
type piece struct {
	start    int64 // Unix seconds
	hours    float32
	exposed  float32 // hours, and the unrecorded ones that the meter shows beside them
	runHours float32 // of the whole run
	mud      float32 // mud hours since the last thorough cleaning
	deep     float32 // hours since it
	ambient  float32 // °C; NaN where not recorded
	driver   uint16
	level    [conditions]uint8
	cycles   uint8 // heat cycles since the last refill; never where there was none
	bled     bool  // since that refill
	first    bool  // the run's first piece
	cycle    bool  // and the run was long enough to make a heat cycle
	repeat   bool  // of a run after one with an overheat, about which nothing was done: see damp
}

const never = 255

// event is an overheat that counts: the first of its run.
type event struct {
	at       int64
	piece    int
	level    [conditions]uint8
	driver   uint16
	ambient  float32
	minutes  float32 // after the start; negative where not recorded
	wet, fan int8    // coolant lost or steam; fan on (0) or off (1): -1 where not recorded
	unplaced bool
}

// stretch is the coolant lost between two marks, settling and boil-over left
// out.
type stretch struct {
	from, at int64
	hours    float32 // engine hours
	loss     float32 // ml
	boiled   float32 // ml already taken off for boil-over
	sd       float32 // of loss, from rounding
}

// machine is one machine's log made ready, and its evidence so far.
type machine struct {
	name   string
	log    logFacts
	pieces []piece
	// overheats that each piece had to be expected to bring a sound machine, filled in as the evidence passes
	expected  []float32
	events    []event
	stretches []stretch
	services  []mend
	answers   []schema.Answer
	next      passed
	sums      sums
	ev        evidence
	whole     bool // when kept: all its pieces are, and its curve
	before    int  // pieces before those at hand
	past      past // when kept: what had passed
	written   bool // since it was kept
	named     *named
}

// passed is how many of a machine's records of each sort the pass has taken in.
type passed struct{ piece, event, stretch, service, answer int }

// logFacts is what the reasons tell that the evidence does not need.
type logFacts struct {
	settling  float64 // ml
	unplaced  int     // overheats that could not count
	noMeter   bool
	firstAt   int64
	overheats int
}

// mend is a service that names a cause.
type mend struct {
	at    int64
	cause string
	work  string
}

func flatten(life *exposure.Life, settings schema.Settings) *machine {
	log := life.Log
	m := &machine{answers: log.Answers, ev: newEvidence()}
	m.name = log.Machine.Name
	m.log.overheats = len(log.Overheats)
	m.log.noMeter = !life.Clock.Known()
	m.pieces = make([]piece, 0, len(life.Pieces))
	warmUp := settings.WarmUp()
	bleed, refill, run := 0, 0, -1
	for i := range life.Pieces {
		p := &life.Pieces[i]
		r := &log.Runs[p.Run]
		hours, _ := r.Duration()
		q := piece{start: p.Start.Unix(), hours: float32(p.Hours), exposed: float32(p.Hours), runHours: float32(hours),
			mud:  float32(p.Thorough.Mud),
			deep: float32(p.Thorough.Hours), ambient: number(r.AmbientC), driver: p.Levels[exposure.Driver],
			first: p.Run != run, cycle: hours >= warmUp, cycles: never}
		run = p.Run
		for f, e := range exposureFactor {
			q.level[f] = narrow(p.Levels[e])
		}
		for refill < len(log.Refills) && !log.Refills[refill].At.After(p.Start) {
			refill++
		}
		if !p.Refill.Never {
			q.cycles = uint8(min(p.Cycles, never-1))
			opened := log.Refills[refill-1].At
			for bleed < len(log.Bleeds) && log.Bleeds[bleed].At.Before(opened.Add(-time.Hour)) {
				bleed++
			}
			q.bled = bleed < len(log.Bleeds) && !log.Bleeds[bleed].At.After(p.Start)
		}
		q.level[dirt] = dirtBand(q.mud)
		q.level[air] = airBand(q.cycles, q.bled)
		q.level[heaped] = heapedBand(r)
		m.pieces = append(m.pieces, q)
	}
	m.expected = make([]float32, len(m.pieces))
	m.meterHours(life)
	m.place(life)
	m.damp(log)
	m.coolant(life, settings.SettlingCycles())
	for i := range log.Services {
		if s := &log.Services[i]; s.Cause != "" {
			m.services = append(m.services, mend{s.At.Unix(), s.Cause, s.Work})
		}
	}
	m.log.firstAt = math.MaxInt64
	if len(m.pieces) > 0 {
		m.log.firstAt = m.pieces[0].start
	}
	return m
}

// narrow is a level as a piece keeps it; not recorded beyond 255, where only terrains of the owner's own can be.
func narrow(level uint16) uint8 {
	if level > math.MaxUint8 {
		return 0
	}
	return uint8(level)
}

func number(n schema.Num) float32 {
	if !n.Known {
		return float32(math.NaN())
	}
	return float32(n.V)
}

func dirtBand(mud float32) uint8 {
	for b, top := range []float32{5, 15, 30, 60} {
		if mud < top {
			return uint8(b + 1)
		}
	}
	return 5
}

const dirtBands, airBands, heapedBands = 6, 4, 4 // with 0

// heapedBand: 1 for at most one of fast, mud and a load, 2 for two of them, 3 for all; 0
// where it is not recorded.
func heapedBand(r *schema.Run) uint8 {
	if r.Speed == "" || r.Terrain == "" {
		return 0
	}
	n := uint8(0)
	for _, is := range [...]bool{r.Speed == "fast", r.Terrain == "mud" || r.Terrain == "water", r.Load == "heavy" ||
		r.Load == "towing"} {
		if is {
			n++
		}
	}
	return max(n, 1)
}

// airBand: 1 long closed, 2 opened within 8 heat cycles and bled, 3 and not.
func airBand(cycles uint8, bled bool) uint8 {
	switch {
	case cycles >= 8:
		return 1
	case bled:
		return 2
	}
	return 3
}

// meterHours shares out the hours that the meter shows beyond the recorded
// runs: an overheat is always written down, a quiet run is sometimes forgotten.
// In every week the runs are taken to stand for the hours the meter gained in
// that week and the three before it.
func (m *machine) meterHours(life *exposure.Life) {
	if !life.Clock.Known() || len(m.pieces) == 0 {
		return
	}
	first, last := m.pieces[0].start/week, m.pieces[0].start/week
	for i := range m.pieces { // overlapping runs are not in order to the second
		first, last = min(first, m.pieces[i].start/week), max(last, m.pieces[i].start/week)
	}
	n := int(last-first) + 1
	recorded := make([]float64, n)
	for i := range m.pieces {
		recorded[m.pieces[i].start/week-first] += float64(m.pieces[i].hours)
	}
	gained := make([]float64, n)
	was := life.Clock.At(time.Unix(first*week, 0))
	for w := range gained {
		now := life.Clock.At(time.Unix((first+int64(w)+1)*week, 0))
		gained[w], was = now-was, now
	}
	scale := make([]float32, n)
	for w := range scale {
		g, r := 0.0, 0.0
		for v := max(0, w-3); v <= w; v++ {
			g, r = g+gained[v], r+recorded[v]
		}
		scale[w] = 1
		if r > 0 && g > r+1 {
			scale[w] = float32(min(g/r, 6))
		}
	}
	for i := range m.pieces {
		m.pieces[i].exposed *= scale[m.pieces[i].start/week-first]
	}
}

// place lists the overheats that count: the first of each run, and those in no
// recorded run where the meter shows that there were unrecorded hours.
func (m *machine) place(life *exposure.Life) {
	lastRun := -1
	for k := range life.Overheats {
		o := &life.Overheats[k]
		e := event{at: o.At.Unix(), piece: o.Piece, driver: o.Levels[exposure.Driver], ambient: number(o.AmbientC),
			minutes: -1, wet: -1, fan: -1}
		switch {
		case o.How == exposure.Outside:
			continue
		case !o.Placed():
			e.unplaced = true
			e.piece = sort.Search(len(m.pieces), func(i int) bool { return m.pieces[i].start >= e.at })
			if e.piece == len(m.pieces) {
				e.piece--
			}
			if e.piece < 0 || m.pieces[e.piece].exposed < 1.05*m.pieces[e.piece].hours {
				m.log.unplaced++
				continue
			}
		case o.Run == lastRun:
			continue
		default:
			lastRun = o.Run
		}
		p := &m.pieces[e.piece]
		for f, x := range exposureFactor {
			e.level[f] = narrow(o.Levels[x])
		}
		if math.IsNaN(float64(e.ambient)) && !e.unplaced {
			e.ambient = p.ambient
		}
		e.level[dirt], e.level[air], e.level[heaped] = p.level[dirt], p.level[air], p.level[heaped]
		if o.MinutesIn.Known {
			e.minutes = float32(o.MinutesIn.V)
		}
		switch {
		case o.Sign == "steam" || o.Lost.Known && o.Lost.V > 0:
			e.wet = 1
		case o.Lost.Known:
			e.wet = 0
		}
		switch o.Fan {
		case "on":
			e.fan = 0
		case "off":
			e.fan = 1
		}
		m.events = append(m.events, e)
	}
	sort.SliceStable(m.events, func(a, b int) bool { return m.events[a].piece < m.events[b].piece })
}

// damp marks the runs that come after one with an overheat, until one passes
// without, or something was done about it: coolant not made good, or the same
// job the next morning, makes the same again, and is no second witness. Neither
// their overheats nor their hours count.
func (m *machine) damp(log *schema.Log) {
	var done []int64
	see := func(at time.Time) { done = append(done, at.Unix()) }
	for i := range log.Cleanings {
		see(log.Cleanings[i].At)
	}
	for i := range log.Bleeds {
		see(log.Bleeds[i].At)
	}
	for i := range log.Refills {
		see(log.Refills[i].At)
	}
	for i := range log.Services {
		if log.Services[i].Cause != "" {
			see(log.Services[i].At)
		}
	}
	slices.Sort(done)
	event, last := 0, int64(0) // last: the latest overheat of the run before; 0 for none
	for from := 0; from < len(m.pieces); {
		to := from + 1
		for to < len(m.pieces) && !m.pieces[to].first {
			to++
		}
		start := m.pieces[from].start
		k, _ := slices.BinarySearch(done, last)
		if last != 0 && (k == len(done) || done[k] > start) {
			for i := from; i < to; i++ {
				m.pieces[i].repeat = true
			}
		}
		last = 0
		for ; event < len(m.events) && m.events[event].piece < to; event++ {
			last = max(start, m.events[event].at)
		}
		from = to
	}
}
