package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"shedbook/schema"
)

// scenario is a year at Brackwater Hire, an invented yard on an estuary: twelve
// machines, seven drivers, and a few troubles to find. Everything in it is made
// up; the same year comes out every time.
//
//   - B3 loses coolant at a steady rate from March on: the pump's seal weeps.
//   - W2 works in the mud, and its core is only ever rinsed from the front.
//   - B6 is refilled twice without a bleed; then somebody bleeds it.
//   - Tam Rusk overheats more than anybody, and drives where anybody would.
type scenario struct {
	rng     *rand.Rand
	records []schema.Record
	refs    map[string]int
}

// demoStart and demoEnd are the scenario's first day and the time it is looked at.
var (
	demoStart = time.Date(2025, 11, 1, 0, 0, 0, 0, time.UTC)
	demoEnd   = time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)
)

// demoSeed is a year in which all four troubles have shown by its end.
const demoSeed = 22

// yardMachine is a machine of the scenario as the year goes by.
type yardMachine struct {
	schema.Machine
	meter                float64
	mud                  float64 // share of its runs
	dirt                 float64 // mud hours since the last thorough clean
	below                float64 // ml below the mark
	leak                 float64 // ml an hour
	air                  int     // heat cycles for which air is left in it
	thoroughEvery, rinse int     // days
}

// brackwater makes the year's records.
func brackwater(seed uint64) []schema.Record {
	s := &scenario{rng: rand.New(rand.NewPCG(11, seed)), refs: map[string]int{}}
	drivers := []string{"Ada Venn", "Bo Larkin", "Cass Imrie", "Dov Hallam", "Eir Monk", "Fay Ostler", "Tam Rusk"}
	for _, d := range drivers {
		s.records = append(s.records, &schema.Driver{Name: d})
	}
	var yard []*yardMachine
	for i := range 12 {
		m := &yardMachine{mud: 0.25, thoroughEvery: 45 + 5*(i%4), rinse: 6 + i%5}
		m.Make, m.CapKPa, m.Thermostat, m.Reservoir = "Morvane", schema.N(108), schema.N(82), schema.N(400)
		if i < 8 {
			m.Name, m.Model, m.CoolantL = fmt.Sprintf("B%d", i+1), "Otter 8", schema.N(4.2)
		} else {
			m.Name, m.Model, m.CoolantL = fmt.Sprintf("W%d", i-7), "Wren 5", schema.N(2.6)
		}
		m.Year, m.Serial = schema.N(float64(2019+i%5)), fmt.Sprintf("MV%05d", 10417+i*733)
		m.Meter = schema.N(math.Round(60+s.rng.Float64()*700*10) / 10)
		m.Acquired, m.meter = demoStart, m.Meter.V
		yard = append(yard, m)
		s.records = append(s.records, &m.Machine)
	}
	yard[9].mud, yard[9].thoroughEvery, yard[9].rinse = 0.55, 0, 3
	for day := demoStart; day.Before(demoEnd); day = day.AddDate(0, 0, 1) {
		for i, m := range yard {
			s.day(m, i, day, drivers)
		}
	}
	b1 := yard[0]
	s.add("outing", &schema.Outing{Base: schema.Base{Machine: b1.Name, At: demoEnd.Add(-7 * time.Hour)},
		Driver:   "Cass Imrie",
		MeterOut: schema.N(round1(b1.meter)), Accepted: "yes"})
	return s.records
}

func (s *scenario) day(m *yardMachine, i int, day time.Time, drivers []string) {
	n := int(day.Sub(demoStart).Hours() / 24)
	if m.Name == "B3" && n == 130 {
		m.leak = 9
	}
	if s.rng.Float64() < 0.42 {
		s.drive(m, day, drivers)
	}
	evening := day.Add(18*time.Hour + time.Duration(s.rng.IntN(60))*time.Minute)
	if m.Name == "B6" && (n == 198 || n == 231 || n == 252) {
		s.add("refill", &schema.Refill{Head: s.head(m, evening), Volume: schema.N(4200), Concentrate: schema.N(50),
			Reason: "hose replaced"})
		m.below, m.air = 0, 4
		if n == 252 {
			s.add("bleed", &schema.Bleed{Head: s.head(m, evening.Add(20*time.Minute)),
				Points: []string{"thermostat", "radiator"}, NoseUp: "yes", HeatCycles: schema.N(2)})
			m.air = 0
		}
		return
	}
	if m.thoroughEvery > 0 && (n+7*i)%m.thoroughEvery == m.thoroughEvery-1 {
		back := math.Min(85, 4+2.2*m.dirt)
		s.add("clean", &schema.Cleaning{Head: s.head(m, evening), Method: "hose", RadiatorOut: "yes", Sides: "both",
			BlockedFront: schema.N(math.Round(back * 0.4)), BlockedBack: schema.N(math.Round(back)),
			BlockedAfter: schema.N(2)})
		m.dirt = 0
	} else if (n+3*i)%m.rinse == 0 {
		s.add("clean", &schema.Cleaning{Head: s.head(m, evening), Method: "rinse", Sides: "front"})
	}
	if (n+2*i)%5 == 0 { // somebody looks at the mark
		switch {
		case m.below >= 60:
			v := math.Round(m.below/50) * 50
			s.add("topup", &schema.TopUp{Head: s.head(m, evening.Add(5*time.Minute)), Volume: schema.N(v),
				Fluid: "premix", Into: "reservoir"})
			m.below -= v
		default:
			s.add("level", &schema.Level{Head: s.head(m, evening.Add(5*time.Minute)),
				BelowMark: schema.N(math.Max(0, math.Round(m.below/25)*25)), Engine: "cold"})
		}
	}
	if (n+11*i)%120 == 60 {
		s.add("service", &schema.Service{Head: s.head(m, evening.Add(30*time.Minute)), Work: "engine oil and filter",
			By: "yard", Cost: schema.N(68)})
	}
}

// drive is one run, and the overheat that it may end in.
func (s *scenario) drive(m *yardMachine, day time.Time, drivers []string) {
	driver := drivers[s.rng.IntN(len(drivers))]
	season := -math.Cos(2 * math.Pi * float64(day.YearDay()-20) / 365)
	r := &schema.Run{Driver: driver, Range: "high", Load: "light",
		AmbientC: schema.N(math.Round(12 + 11*season + 4*s.rng.NormFloat64()))}
	mud, fast := m.mud, 0.3
	if driver == "Tam Rusk" {
		mud, fast = math.Max(mud, 0.7), 0.8
	}
	r.Terrain = []string{"grass", "gravel", "dust", "road"}[s.rng.IntN(4)]
	if s.rng.Float64() < mud {
		r.Terrain = "mud"
	}
	r.Speed = []string{"slow", "medium"}[s.rng.IntN(2)]
	if s.rng.Float64() < fast {
		r.Speed = "fast"
	}
	if s.rng.Float64() < 0.2 {
		r.Load = "heavy"
	}
	hours := math.Round(10*(0.6+2.6*s.rng.Float64())) / 10
	start := day.Add(8*time.Hour + time.Duration(s.rng.IntN(5*60))*time.Minute)
	r.Base = schema.Base{Machine: m.Name, At: start}
	r.Hours, r.MeterOut, r.MeterIn = schema.N(hours), schema.N(round1(m.meter)), schema.N(round1(m.meter+hours))
	s.add("run", r)

	rate := 0.0025
	for _, x := range []struct {
		on    bool
		times float64
	}{{r.Speed == "fast", 2.5}, {r.Terrain == "mud", 2}, {r.Load == "heavy", 1.6}, {r.AmbientC.V > 20, 1.8}} {
		if x.on {
			rate *= x.times
		}
	}
	rate += 0.11 * m.dirt * m.dirt / (m.dirt*m.dirt + 100*100) // a core that fills up
	at := s.rng.ExpFloat64() / rate
	early := false
	if m.air > 0 && s.rng.Float64() < 0.7 {
		at, early = (12+30*s.rng.Float64())/60, true
	}
	lost := 0.0
	if at < hours {
		o := &schema.Overheat{Driver: r.Driver, Terrain: r.Terrain, Speed: r.Speed, Range: r.Range, Load: r.Load,
			AmbientC: r.AmbientC, Sign: "lamp", Fan: "on"}
		o.Base = schema.Base{Machine: m.Name,
			At: start.Add(time.Duration(at * float64(time.Hour))).Truncate(time.Minute)}
		o.Meter, o.MinutesIn = schema.N(round1(m.meter+at)), schema.N(math.Round(at*60))
		if s.rng.Float64() < 0.25 || early && s.rng.Float64() < 0.5 {
			o.Sign, lost = "steam", 50*math.Round(2+4*s.rng.Float64())
			o.Lost = schema.N(lost)
		}
		s.add("overheat", o)
		if o.Sign == "steam" && (m.Name == "B7" || m.Name == "W4") { // the yard looks into it, and says so
			s.add("release", &schema.Release{Base: schema.Base{Machine: m.Name, At: o.At.AddDate(0, 0, 3)},
				By:  "Eir Monk",
				Why: "cap and hoses tested, filled, the neck full on two mornings"})
		}
	}
	m.meter += hours
	if r.Terrain == "mud" {
		m.dirt += hours
	}
	m.below += hours*(0.3+m.leak) + lost
	if m.air > 0 {
		m.below += 90
		m.air--
	}
}

func (s *scenario) head(m *yardMachine, at time.Time) schema.Head {
	return schema.Head{Base: schema.Base{Machine: m.Name, At: at}, Meter: schema.N(round1(m.meter))}
}

// add gives a record its ref, as a sheet would have.
func (s *scenario) add(kind string, r schema.Record) {
	s.refs[kind]++
	k := schema.KindOf(r)
	*k.Field("ref").Pointer(r).(*string) = fmt.Sprintf("%s-%04d", kind, s.refs[kind])
	s.records = append(s.records, r)
}

func round1(v float64) float64 { return math.Round(v*10) / 10 }
