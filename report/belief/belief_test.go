package belief

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shedbook/report/exposure"
	"shedbook/schema"
)

// Heat rejection against a core of 600 W/K with 0.5 kg/s of coolant and 0.6 of
// air, worked out by effectiveness-NTU (Incropera eq. 11.32; air side h as the
// 0.6th power of speed): flow, and the blocked face under ram air and a fan.
func TestTheBalanceAgainstAWorkedCore(t *testing.T) {
	for flow, kept := range map[float64]float64{1: 1, 0.75: 0.95, 0.5: 0.85, 0.25: 0.67, 0.1: 0.40} {
		assert.InDelta(t, kept, flowKept(flow), 0.02, "flow %v", flow)
	}
	for blocked, kept := range map[float64][2]float64{0: {1, 1}, 0.1: {0.91, 0.95}, 0.2: {0.82, 0.90},
		0.3: {0.72, 0.84},
		0.4: {0.63, 0.76}, 0.5: {0.53, 0.68}} {
		assert.InDelta(t, kept[0], openKept(blocked, 1), 0.02, "ram, %v blocked", blocked)
		assert.InDelta(t, kept[1], openKept(blocked, 0), 0.02, "fan, %v blocked", blocked)
	}
	// 3 kW at idle and 20 at full power (41 kJ/K: 4.4 and 29 K/min), and in
	// between in proportion to the power.
	assert.InDelta(t, 3./20, heatMade(0.01), 0.02)
	assert.InDelta(t, 1, heatMade(1), 0.1)
	assert.InDelta(t, 3./20+17./20/2, heatMade(0.5), 0.03)
	// Half glycol with a dead cap: 108 °C at the sea, 101 at 2000 m (a producer's
	// Antoine coefficients).
	assert.InDelta(t, 108, openBoils(0), 1)
	assert.InDelta(t, 101, openBoils(2000), 1)
}

// mean of a cause's hazard over the draws in a state.
func mean(cause string, s state) float64 {
	sum := 0.0
	for _, x := range (*tableFor(0).at(s))[causeAt(cause)] {
		sum += x / Draws
	}
	return sum
}

// What the trade says of when each cause shows; common practice, no source.
func TestWhenCausesShow(t *testing.T) {
	gentle := state{speed: 1, load: 1, gears: 2, ground: 2, ambient: 3, onset: 3, dirt: 4}
	flatOut := state{speed: 3, load: 1, gears: 2, ground: 1, ambient: 3, onset: 3, dirt: 4}
	towing := state{speed: 2, load: 3, gears: 1, ground: 1, ambient: 3, onset: 3, dirt: 4}
	with := func(s state, change func(*state)) state { change(&s); return s }
	assert.Greater(t, mean("blocked-core", flatOut), 4*mean("blocked-core", gentle),
		"a packed core, when much heat is made")
	assert.Greater(t, mean("blocked-core", towing), 4*mean("blocked-core", gentle))
	hot := with(gentle, func(s *state) { s.ambient = 5 })
	assert.Greater(t, mean("fan-circuit", hot), 2*mean("fan-circuit", with(hot, func(s *state) { s.speed = 3 })),
		"a dead fan, where no other air comes")
	assert.Greater(t, mean("collapsed-hose", flatOut), 4*mean("collapsed-hose", gentle),
		"a slack hose, at high engine speed")
	cold := with(gentle, func(s *state) { s.onset = 1 })
	assert.Greater(t, mean("thermostat", cold), 5*mean("thermostat", gentle), "a stuck thermostat, at once")
	slower := with(flatOut, func(s *state) { s.speed = 1 })
	assert.InDelta(t, mean("warning-circuit", flatOut), mean("warning-circuit", slower), 1e-9,
		"a false lamp, at no pattern")
	full := with(flatOut, func(s *state) { s.refill = unbled })
	assert.Greater(t, mean("trapped-air", full), 4*mean("trapped-air", flatOut), "air, after a refill")
	high := 0.0
	for _, x := range (*tableFor(2000).at(flatOut))[causeAt("pressure-cap")] {
		high += x / Draws
	}
	assert.Greater(t, high, 1.2*mean("pressure-cap", flatOut),
		"a dead cap, at altitude: 101 °C at 2000 m, 108 at the sea")
	assert.Less(t, mean("thermostat-open", flatOut), 0.002, "it runs cold")
}

// The forward pass and the sharing out, against a sum over every path of sets
// through the segments, written out.
func TestTheFilterAgainstItsDefinition(t *testing.T) {
	log := keeper(3, true)
	log.Runs, log.Cleanings = log.Runs[:40], log.Cleanings[:3]
	log.Cleanings[1].Sides = "both"
	for log.Overheats[len(log.Overheats)-1].At.After(log.Runs[39].End()) {
		log.Overheats = log.Overheats[:len(log.Overheats)-1]
	}
	f := NewFleet(utc, priors())
	f.Add(&log)
	f.fit()
	p := f.filter(f.read(exposure.NewIndex(nil, nil, utc).Life(&log), nil), f.machines["R4"])
	core, fan := causeAt("blocked-core"), causeAt("fan-circuit")
	c := p.over([]set{{-1, -1}, {-1, core}, {-1, fan}, {core, fan}})
	n := len(c.sets)
	require.Greater(t, len(c.segments), 3)
	total, now, made := 0.0, make([]float64, n), make([]float64, len(c.sources)+1)
	for k := range Draws {
		// How sets turn into each other at the beginning of each segment.
		turn := make([][][]float64, len(c.segments))
		like := make([][]float64, len(c.segments))
		for j := range c.segments {
			turn[j] = make([][]float64, n)
			for i := range n {
				v := make([]float64, n)
				v[i] = 1
				for _, m := range c.moves(j, k) {
					c.forward(m, v)
				}
				turn[j][i] = v
			}
			like[j] = make([]float64, n)
			top := c.likelihood(j, k, like[j])
			for i := range like[j] {
				like[j][i] *= math.Exp(top)
			}
		}
		var walk func(j, from int, weight float64, path []int)
		walk = func(j, from int, weight float64, path []int) {
			if j == len(c.segments) {
				total += weight
				now[from] += weight
				for g, i := range path {
					for _, r := range c.segments[g].rates {
						c.share(made, weight, c.sets[i], r, k)
					}
				}
				return
			}
			for to := range n {
				walk(j+1, to, weight*turn[j][from][to]*like[j][to], append(path[:j:j], to))
			}
		}
		if len(c.segments) > 7 {
			t.Fatal("too many paths")
		}
		for i := range n {
			walk(0, i, c.weights[k]*c.start[i], nil)
		}
	}
	got := c.run()
	for i := range now {
		assert.InDelta(t, now[i]/total, got.p[i], 1e-9, "%v", c.sets[i])
	}
	shared := c.made(got.weights)
	for q := range made {
		assert.InDelta(t, made[q]/total, shared[q], 0.05, "source %d", q) // draws that hardly count are left out
	}
}

// yard is a fleet driven alike: each machine so many runs by each driver in
// turn, an overheat in each run that hot says.
func yard(machines int, drivers []string, hot func(machine, run int, driver string) bool) []schema.Log {
	start := time.Date(2025, 3, 3, 9, 0, 0, 0, time.UTC)
	var logs []schema.Log
	for m := range machines {
		log := schema.Log{Machine: schema.Machine{Name: fmt.Sprintf("M%02d", m)}}
		for i := range 120 {
			d := drivers[(i+m)%len(drivers)]
			run := schema.Run{Base: schema.Base{Machine: log.Machine.Name, At: start.AddDate(0, 0, i)}, Driver: d,
				Hours: schema.N(2), Speed: []string{"slow", "medium", "fast"}[i%3],
				Load: "light", Range: "high", Terrain: []string{"mud", "grass", "gravel", "road"}[i%4],
				AmbientC: schema.N(15)}
			log.Runs = append(log.Runs, run)
			if hot(m, i, d) {
				o := schema.Overheat{Head: schema.Head{Base: schema.Base{Machine: log.Machine.Name,
					At: run.At.Add(time.Hour)}},
					Sign: "lamp"}
				log.Overheats = append(log.Overheats, o)
			}
		}
		logs = append(logs, log)
	}
	return logs
}

// What one of them says of itself, and at what numbers.
func TestWhosePartItIs(t *testing.T) {
	one := func(x float64) *float64 { return &x }
	for _, c := range []struct {
		x           Split
		own, driver string
	}{
		{Split{Overheats: 7, SoundOwnDriving: 1.2, SoundUsualDriving: 0.6, Others: one(1.4)}, "It is the machine.",
			"not yet enough for a flag."},
		{Split{Overheats: 1, SoundOwnDriving: 0.02, SoundUsualDriving: 0.02, Others: one(0.02)},
			"It may be the machine, but so few tell little.", "not yet enough for a flag."},
		{Split{Overheats: 7, SoundOwnDriving: 5, SoundUsualDriving: 2, Others: one(5)}, "The driving may explain it.",
			"It is the machines."},
		{Split{Overheats: 5, SoundOwnDriving: 2.7, SoundUsualDriving: 2.6, Others: one(6.1)},
			"That may be chance alone.", "That is no more than others have."},
	} {
		assert.Contains(t, c.x.Words(false), c.own)
		assert.Contains(t, c.x.Words(true), "It is the driving.")
		assert.Contains(t, c.x.DriverWords(false), c.driver)
	}
	// Poisson tables: 1 - e^-1 and 1 - e^-2 (1 + 2 + 2).
	assert.InDelta(t, 0.6321, orMore(1, 1), 1e-4)
	assert.InDelta(t, 0.3233, orMore(3, 2), 1e-4)
}

func fleetOf(logs []schema.Log) *Fleet {
	f := NewFleet(utc, priors())
	for i := range logs {
		f.Add(&logs[i])
	}
	return f
}

// A machine's fault blames no driver, and a hard driver no machine.
func TestDriversAndMachinesAtOnce(t *testing.T) {
	drivers := []string{"A", "B", "C", "D"}
	bad := fleetOf(yard(8, drivers, func(m, i int, d string) bool {
		return m == 2 && (d == "A" || d == "B") && i%5 < 2 || i == 60 && m%4 == 3
	}))
	bad.fit()
	for _, d := range drivers {
		assert.Less(t, bad.driver(d, nil, bad.rate(nil)), 2.5, d)
	}
	assert.Less(t, bad.machines["M02"].sound, 0.1)
	// B had as many on M02 as A, in as many hours; C and D none: others had a third as
	// many an hour. On sound machines hardly any: 2 in the 1920 h of the others.
	a := bad.DriverSplits(func(string) bool { return true })["A"]
	assert.InDelta(t, float64(a.Overheats)/3, *a.Others, 0.15*float64(a.Overheats))
	assert.Less(t, a.SoundUsualDriving, 0.25**a.Others)
	assert.Equal(t, "M02", a.Machines[0].Machine)
	hard := fleetOf(yard(8, drivers, func(m, i int, d string) bool {
		return d == "A" && i/4%4 == 0 || i == 60 && m%4 == 3
	}))
	hard.fit()
	assert.Greater(t, hard.driver("A", nil, hard.rate(nil)), 3.0)
	a = hard.DriverSplits(func(string) bool { return true })["A"]
	assert.Greater(t, float64(a.Overheats), 3**a.Others)
	assert.Contains(t, a.DriverWords(true), "It is the driving.")
	for _, d := range drivers[1:] {
		assert.Less(t, hard.driver(d, nil, hard.rate(nil)), 1.5, d)
	}
	for name, s := range hard.machines {
		assert.Greater(t, s.sound, 0.5, name)
	}
}

// A fleet is the same in whatever parts it was learned, and a machine's Part is all
// that counts of its log.
func TestAFleetAddsUp(t *testing.T) {
	logs := yard(5, []string{"A", "B"}, func(m, i int, d string) bool { return (i*7+m)%41 == 0 })
	whole := fleetOf(logs)
	left, right := fleetOf(logs[:2]), fleetOf(logs[2:])
	right.Merge(left)
	slim := NewFleet(utc, priors())
	for i := range logs {
		name := logs[i].Machine.Name
		assert.True(t, slim.AddPart(name, whole.Part(name)))
	}
	life := exposure.NewIndex(nil, nil, utc).Life(&logs[3])
	want := whole.Machine(life, nil)
	for _, f := range []*Fleet{right, slim} {
		got := f.Machine(life, nil)
		assert.Equal(t, want.Probability, got.Probability)
		assert.Equal(t, want.Split, got.Split)
		assert.Equal(t, whole.SoundRate("M01"), f.SoundRate("M01"))
	}
}

// The priors stand where nothing is recorded, and all is a chance everywhere.
func TestNothingToReasonFrom(t *testing.T) {
	empty := schema.Log{Machine: schema.Machine{Name: "X"}}
	bare := empty
	may := time.Date(2025, 5, 1, 0, 0, 0, 0, time.UTC)
	bare.Overheats = []schema.Overheat{{Head: schema.Head{Base: schema.Base{Machine: "X", At: may}}}}
	blank := keeper(1, true)
	for i := range blank.Runs {
		r := &blank.Runs[i]
		r.Speed, r.Terrain, r.Load, r.Range, r.Driver, r.AmbientC = "", "", "", "", "", schema.Num{}
	}
	for name, log := range map[string]schema.Log{"empty": empty, "bare": bare, "no fields": blank} {
		q := alone(log)
		sum := q.NoFault
		for _, p := range q.Probability {
			assert.True(t, p >= 0 && p <= 1, name)
			sum += p
		}
		for _, x := range q.Pairs {
			sum -= x.P
		}
		assert.InDelta(t, 1, sum, 1e-9, name)
	}
	assert.InDelta(t, 1-atFirst, alone(empty).NoFault, 0.05)
}

func BenchmarkMachine(b *testing.B) {
	log := keeper(1, true)
	f := fleetOf([]schema.Log{log})
	life := exposure.NewIndex(nil, nil, utc).Life(&log)
	f.Machine(life, nil)
	for b.Loop() {
		f.Machine(life, nil)
	}
}

// A thousand runs: what a fleet of a million takes a thousand times.
func BenchmarkAdd(b *testing.B) {
	logs := yard(9, []string{"A", "B", "C"}, func(m, i int, d string) bool { return i%50 == m })
	for i := range logs[1:] {
		logs[0].Runs = append(logs[0].Runs, logs[i+1].Runs...)
	}
	f := fleetOf(logs[:1])
	for b.Loop() {
		f.Add(&logs[0])
	}
}
