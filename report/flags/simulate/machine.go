package simulate

import (
	"math"
	"time"

	"shedbook/schema"
)

// machine is one machine as the year goes by.
type machine struct {
	log        *schema.Log
	own        int // its own driver
	rate       float64
	mudPlace   float64 // its share of mud
	use        float64
	seep       float64 // ml/h a sound machine loses
	dirt       float64 // mud hours since the last thorough cleaning
	meter      float64
	deficit    float64
	settleLeft float64
	cycles     int  // since the last refill
	unbled     bool // the last refill
	onset      time.Time
	size       float64
	fixed      bool
	plant      *Planted
	careless   bool
	dusk       int
	after      int
	hot        bool // the run before had an overheat
}

func (s *sim) machine(i int) {
	w, rng := s.w, s.rng
	log := &s.fleet.Logs[i]
	m := &machine{log: log, own: rng.IntN(w.Drivers), rate: s.spread(w.MachineSpread),
		mudPlace: 0.05 + 0.35*rng.Float64(),
		use:      0.7 + 0.6*rng.Float64(), seep: 0.5 * rng.Float64(), meter: math.Round(1000*rng.Float64()) + 50,
		cycles: 99,
		dirt:   10 * rng.Float64(), deficit: 40 * rng.Float64()}
	log.Machine = schema.Machine{Name: machineName(i), Acquired: Start.AddDate(0, -2, 0), CoolantL: schema.N(4.2),
		Meter: schema.N(m.meter)}
	for p := range s.planted {
		if s.planted[p].Scope == "machine" && s.planted[p].Name == log.Machine.Name {
			m.plant = &s.planted[p]
			m.onset = m.plant.Onset
		}
	}
	if m.plant != nil {
		low, high := sizes(m.plant.Flag)
		if m.plant.Flag == "steady-loss" {
			m.size = math.Exp(s.between(math.Log(low), math.Log(high)))
		} else {
			m.size = s.between(low, high)
		}
		m.careless = m.plant.Flag == "trapped-air"
		m.plant.alike = s.guesses()
		m.plant.Size = m.size
	}
	perDay := w.Hours * m.use / 365 / 1.9
	for day := range w.Days {
		s.day(m, Start.AddDate(0, 0, day), perDay)
	}
}

func (s *sim) day(m *machine, day time.Time, perDay float64) {
	w, rng := s.w, s.rng
	yearly := math.Sin(2 * math.Pi * (float64(day.YearDay()) - 105) / 365)
	ambient := 12 + w.Seasonal*yearly + 4*rng.NormFloat64()
	faulty := m.plant != nil && !day.Before(m.onset) && !m.fixed

	refills := w.RefillsYear / 365
	if m.careless && faulty {
		refills += 9.0 / 365
	}
	if rng.Float64() < refills {
		s.refill(m, day.Add(6*time.Hour+30*time.Minute), "change")
	}
	hot := 0
	t := day.Add(8*time.Hour + time.Duration(rng.IntN(90))*time.Minute)
	for n := s.poisson(perDay); n > 0; n-- {
		hours := math.Max(0.3, math.Round(10*(-1.4*math.Log(1-rng.Float64())+0.5))/10)
		hours = math.Min(hours, 6)
		if s.run(m, t, hours, ambient+3*rng.NormFloat64(), faulty) {
			hot++
		}
		t = t.Add(time.Duration((hours + 0.3 + rng.Float64()) * float64(time.Hour)))
		if t.Sub(day) > 20*time.Hour {
			break
		}
	}
	evening := day.Add(18 * time.Hour)
	if t.After(evening) {
		evening = t.Add(15 * time.Minute)
	}
	if rng.Float64() < w.Looks || hot > 0 && rng.Float64() < 0.6 || m.deficit > 300 && rng.Float64() < 0.7 {
		seen := math.Max(0, m.deficit+8*rng.NormFloat64())
		if seen >= 90 || seen >= 40 && rng.Float64() < 0.4 {
			if rng.Float64() < w.Spills {
				m.deficit += 100 + 500*rng.Float64()
				seen = m.deficit
			}
			v := math.Max(w.TopUpStep, math.Round(seen/w.TopUpStep)*w.TopUpStep)
			m.log.TopUps = append(m.log.TopUps, schema.TopUp{Head: s.head(m, evening), Volume: schema.N(v),
				Fluid: "premix", Into: "reservoir"})
			if w.Form == 1 {
				m.deficit = math.Max(0, m.deficit-v) // he pours what he writes
			} else {
				m.deficit = 0 // he pours to the mark
			}
		} else {
			m.log.Levels = append(m.log.Levels, schema.Level{Head: s.head(m, evening),
				BelowMark: schema.N(math.Round(seen/25) * 25), Engine: "cold"})
		}
	}
	clean := evening.Add(20 * time.Minute)
	switch {
	case rng.Float64() < 1/w.ThoroughDays || hot > 0 && rng.Float64() < 0.25:
		m.dirt = 0
		c := schema.Cleaning{Head: s.head(m, clean), Method: "air", RadiatorOut: "yes", Sides: "both"}
		if rng.Float64() < 0.5 {
			c.RadiatorOut = "no"
		} else {
			s.refill(m, clean.Add(40*time.Minute), "radiator out")
		}
		m.log.Cleanings = append(m.log.Cleanings, c)
	case rng.Float64() < 0.1:
		m.dirt *= 0.97
		m.log.Cleanings = append(m.log.Cleanings, schema.Cleaning{Head: s.head(m, clean), Method: "rinse",
			RadiatorOut: "no", Sides: "front"})
	}
	s.service(m, clean.Add(time.Hour), hot, faulty)
}

// service: a machine that came back is mended in vain after its third
// overheat; one that is mended stays well.
func (s *sim) service(m *machine, at time.Time, hot int, faulty bool) {
	if hot == 0 {
		return
	}
	name := func(cause string) {
		m.log.Services = append(m.log.Services, schema.Service{Head: s.head(m, at), Work: "mended", Cause: cause})
	}
	switch {
	case faulty && m.plant.Flag == "came-back" && m.dusk == 0 && m.plant.AfterOnsetHot >= 3:
		name("thermostat")
		m.dusk = 1
		m.plant.Onset, m.onset = at, at
		m.plant.AfterOnsetHot, m.plant.AfterOnsetH = 0, 0
		m.plant.Oracle, m.plant.oracle = 0, 0
		m.plant.alike = s.guesses()
	case faulty && m.plant.Flag == "mended" && m.plant.AfterOnsetHot >= 3:
		name("thermostat")
		m.fixed = true
	case s.rng.Float64() < s.w.Services:
		name("pressure-cap")
	}
}

func (s *sim) poisson(mean float64) int {
	n, p := 0, math.Exp(-mean)
	for u := s.rng.Float64(); u > p; n++ {
		u *= s.rng.Float64()
	}
	return n
}

func (s *sim) refill(m *machine, at time.Time, reason string) {
	rng := s.rng
	m.log.Refills = append(m.log.Refills, schema.Refill{Head: s.head(m, at), Volume: schema.N(4200),
		Concentrate: schema.N(50), Reason: reason})
	bled := 0.9
	if m.careless {
		bled = 0.25
	}
	m.unbled = rng.Float64() >= bled
	if !m.unbled {
		m.log.Bleeds = append(m.log.Bleeds, schema.Bleed{Head: s.head(m, at.Add(20*time.Minute)),
			Points: []string{"pump", "thermostat"}, NoseUp: "yes", HeatCycles: schema.N(2)})
	}
	m.cycles = 0
	m.deficit = 0
	m.settleLeft = 180 + 250*rng.Float64()
}

func (p *Planted) know(hot bool, faulty, sound float64) {
	p.oracle += weigh(hot, faulty, sound)
	p.Oracle = math.Max(p.Oracle, p.oracle)
}

// weigh is the log10 likelihood ratio of a run that brings so many overheats on
// average to one that brings as many as a sound machine's.
func weigh(hot bool, faulty, sound float64) float64 {
	if hot {
		return math.Log10(-math.Expm1(-faulty) / -math.Expm1(-sound))
	}
	return (sound - faulty) / math.Ln10
}

// guess is a fault that another might be taken for.
type guess struct {
	flag        string
	size, log10 float64
}

func (g *guess) know(hot bool, faulty, sound float64) { g.log10 += weigh(hot, faulty, sound) }

// guesses are the faults seen by overheats, each in every size that is planted.
func (s *sim) guesses() []guess {
	var out []guess
	for _, flag := range []string{"thermostat", "warning-circuit", "fan-circuit", "blocked-core", "trapped-air",
		"above-fleet"} {
		low, high := sizes(flag)
		for k := range 4 {
			out = append(out, guess{flag: flag, size: low + (high-low)*(float64(k)+0.5)/4})
		}
	}
	return out
}

// Named is whether one who knows everything but the fault and its size, which he
// averages over, would call it by its name at the end.
func (p *Planted) Named() bool {
	sum := map[string]float64{}
	for _, g := range p.alike {
		sum[g.flag] += math.Pow(10, g.log10-p.oracle)
	}
	flag := p.Flag
	if flag == "came-back" {
		flag = "above-fleet" // after a service
	}
	for other, v := range sum {
		if other != flag && v >= sum[flag] {
			return false
		}
	}
	return true
}

// sizes are those planted, each as likely (of a steady loss its logarithm).
func sizes(flag string) (low, high float64) {
	switch flag {
	case "steady-loss":
		return 1, 20 // ml an hour
	case "thermostat":
		return 0.06, 0.15 // a run
	case "warning-circuit":
		return 0.03, 0.07 // an hour
	case "fan-circuit":
		return 0.12, 0.3 // an hour, slow and at 25 °C
	case "blocked-core":
		return 0.0025, 0.006 // an hour and mud hour
	case "trapped-air":
		return 0.25, 0.5 // a heat cycle, unbled
	}
	return 7, 16 // times a sound machine's rate
}

// excess is what a fault adds to a run's overheats: plain ones, some within
// minutes of the start, false alarms, and some that come of a fan that stands.
type excess struct{ plain, early, quiet, fan float64 }

// excess of a fault over what a run would bring on a sound machine.
func (s *sim) excess(m *machine, flag string, size, sound, hours float64, speed string, ambient float64) (e excess) {
	w := s.w
	switch flag {
	case "thermostat":
		e.early = size
	case "warning-circuit":
		e.quiet = size * hours
	case "fan-circuit":
		if speed == "slow" {
			warm := [3]float64{math.Max(0, ambient) / 25, math.Exp((ambient - 25) / 10), 0.15}[w.Form]
			if w.Form == 2 && ambient > 14 {
				warm = 1
			}
			e.fan = size * hours * warm
		}
	case "blocked-core":
		x := m.dirt
		switch w.Form {
		case 1:
			x = m.dirt * m.dirt / 25
		case 2:
			x = 0
			if m.dirt > 12 {
				x = 35
			}
		}
		e.plain = size * math.Min(x, 60) * hours
	case "trapped-air":
		if m.unbled {
			form := [3]float64{1, math.Exp(-float64(m.cycles)/3) * 1.6, 0.8}[w.Form]
			if limit := [3]int{4, 12, 6}[w.Form]; m.cycles < limit {
				e.plain = size * form
			}
		}
	case "above-fleet", "came-back", "mended":
		e.plain = (size - 1) * sound
		if w.Form == 1 {
			e.plain = (size - 1) * w.Rate / 100 * hours
		}
	}
	return e
}

// run drives once, and says whether it overheated.
func (s *sim) run(m *machine, at time.Time, hours, ambient float64, faulty bool) bool {
	w, rng := s.w, s.rng
	d := rng.IntN(w.Drivers)
	if rng.Float64() < w.OwnDrivers {
		d = m.own
	}
	terrain, speed, load, gears := s.conditions(d, m.mudPlace)
	base := s.scale * m.rate * s.drive[d] * w.hazard(terrain, speed, load, gears, ambient)
	if s.factor[0] != "" {
		is := map[string]string{"terrain": terrain, "speed": speed, "load": load,
			"range": gears}[s.factor[0]] == s.factor[1]
		if s.factor[0] == "ambient" {
			is = ambient >= 30
		}
		if is {
			base *= 4
		}
	}
	base *= 1 + w.DirtAll*m.dirt/10
	if m.cycles < 4 {
		if m.unbled {
			base *= 1 + 3*w.AirAll
		} else {
			base *= 1 + w.AirAll
		}
	}
	expected := base * hours // of overheats in this run
	var more excess
	if faulty {
		more = s.excess(m, m.plant.Flag, m.size, expected, hours, speed, ambient)
	}
	expected += more.plain
	early, quiet, fan := more.early, more.quiet, more.fan
	if m.after > 0 && rng.Float64() < w.Clusters/3 {
		expected += 1
	}
	m.after--
	if w.Follows > 0 && m.hot && rng.Float64() < w.Follows {
		expected += 5
	}
	total := expected + early + quiet + fan
	hot := rng.Float64() < 1-math.Exp(-total)
	m.hot = hot
	if faulty {
		m.plant.know(hot, total, base*hours)
		for i := range m.plant.alike {
			a := &m.plant.alike[i]
			e := s.excess(m, a.flag, a.size, base*hours, hours, speed, ambient)
			a.know(hot, base*hours+e.plain+e.early+e.quiet+e.fan, base*hours)
		}
	}
	if p := s.hard[d]; p != nil {
		p.know(hot, total, base*hours/s.drive[d])
	}

	recorded := !(rng.Float64() < w.MissRun) || hot && !w.MissOverheated
	r := schema.Run{Base: s.base(m, at), Driver: s.word(s.fleet.Drivers[d].Name), Terrain: s.word(terrain),
		Speed: s.word(speed),
		Range: s.word(gears), Load: s.word(load)}
	if rng.Float64() >= w.MissField {
		r.AmbientC = schema.N(math.Round(ambient))
	}
	r.MeterOut, r.MeterIn = s.reading(m.meter), s.reading(m.meter+hours)
	if !r.MeterIn.Known || !r.MeterOut.Known || r.MeterIn.V < r.MeterOut.V || rng.Float64() < 0.7 {
		r.Hours = schema.N(hours)
	}
	if r.MeterIn.Known && r.MeterOut.Known && r.MeterIn.V < r.MeterOut.V {
		r.MeterIn = schema.Num{}
	}

	lost := 0.0
	if hot {
		u := rng.Float64() * total
		minutes := rng.Float64() * hours * 60
		o := schema.Overheat{Driver: s.word(r.Driver), Terrain: s.word(r.Terrain), Speed: s.word(r.Speed),
			Range: s.word(r.Range),
			Load:  s.word(r.Load), AmbientC: r.AmbientC, Sign: "lamp", Fan: "unknown"}
		if rng.Float64() < 0.25 {
			o.Fan = "on"
		}
		switch {
		case u < early:
			minutes = math.Min(hours*60, 4+10*rng.Float64())
		case u < early+fan:
			if rng.Float64() < 0.6 {
				o.Fan = "off"
			}
			minutes = math.Min(hours*60, 10+rng.Float64()*50)
		default:
			if minutes < 8 {
				minutes = math.Min(hours*60, 8+4*rng.Float64())
			}
		}
		falseAlarm := u >= early+fan && u < early+fan+quiet
		if falseAlarm {
			minutes = rng.Float64() * hours * 60
		} else if rng.Float64() < 0.3 {
			lost = 50 * float64(1+rng.IntN(8))
			if lost >= 200 {
				o.Sign = "steam"
			}
		}
		m.meter += minutes / 60
		o.Head = s.head(m, at.Add(time.Duration(minutes*float64(time.Minute))))
		m.meter -= minutes / 60
		if rng.Float64() >= w.MissField {
			o.MinutesIn = schema.N(math.Round(minutes))
		}
		if rng.Float64() >= w.MissField {
			o.Lost = schema.N(lost)
		}
		m.log.Overheats = append(m.log.Overheats, o)
		if faulty {
			m.plant.AfterOnsetHot++
		}
		if p := s.hard[d]; p != nil {
			p.AfterOnsetHot++
		}
		if w.Clusters > 0 && m.after <= 0 {
			m.after = 3
		}
	}
	if recorded {
		m.log.Runs = append(m.log.Runs, r)
	}
	m.meter += hours
	if p := s.hard[d]; p != nil {
		p.AfterOnsetH += hours
	}
	if faulty {
		m.plant.AfterOnsetH += hours
	}
	if terrain == "mud" {
		m.dirt += hours
	}
	m.deficit += lost + m.seep*hours
	if faulty && m.plant.Flag == "steady-loss" {
		m.deficit += m.size * hours
	}
	if hours >= 0.25 {
		m.cycles++
		if m.settleLeft > 0 && m.cycles <= 4 {
			part := m.settleLeft * (0.35 + 0.3*rng.Float64())
			if m.cycles == 4 {
				part = m.settleLeft
			}
			m.deficit += part
			m.settleLeft -= part
		}
	}
	return hot
}
