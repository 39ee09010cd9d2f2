// Package simulate makes up fleets with planted faults, to measure how often a
// flag is found, missed, misnamed or raised over nothing. It knows nothing of
// how flags are found; its forms differ from the detector's on purpose (see
// World.Form). Every number in it is a guess at how such fleets behave: common
// practice, no source, except where a comment says otherwise.
package simulate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"shedbook/schema"
)

// World says what kind of fleets to make. The zero value of a field other than
// the sizes means that it does not happen.
type World struct {
	Name     string
	Machines int
	Hours    float64 // engine hours a machine a year
	Drivers  int
	Days     int     // length of the log
	Rate     float64 // overheats of sound machines, per 100 h

	Fault  string  // what is planted: a flag of the contract, or "" for a sound fleet
	Faulty int     // in how many machines, drivers or (always one) levels
	Hard   float64 // a hard driver's ratio; 0: 5 to 9

	Form          int     // functional form of the faults, 0 to 2: linear, quadratic or threshold; added or multiplied
	Seasonal      float64 // amplitude of the air temperature, °C
	Factors       float64 // 1: fast, mud, heat, load and high range raise the rate by ordinary amounts; 2: squared
	DriverSpread  float64 // coefficient of variation among sound drivers
	MachineSpread float64 // among sound machines
	// what each 10 mud hours since a thorough cleaning add to every machine's rate, as a part of it
	DirtAll        float64
	AirAll         float64 // and the first 4 heat cycles after a refill, three times as much without a bleed
	Clusters       float64 // chance that an overheat is followed by another within days
	Follows        float64 // chance that the run after one with an overheat has one too, whatever else
	OwnDrivers     float64 // chance that a run is made by the machine's own driver
	MissRun        float64 // chance that a quiet run is not written down
	MissOverheated bool    // and that a run with an overheat is not, equally
	MissField      float64 // chance that a field of a run or overheat is blank
	MissMeter      float64
	MeterError     float64 // chance that a meter reading is wrong
	TopUpStep      float64 // ml
	Looks          float64 // chance of a look at the mark, a day
	Spills         float64 // chance a top-up of an unexplained one-off loss, 100 to 600 ml
	RefillsYear    float64 // a machine
	ThoroughDays   float64 // mean days between thorough cleanings
	// chance that an overheat is followed by a service that names a cause, on a sound machine too
	Services float64
}

// Planted is one fault that was put in, and when it began.
type Planted struct {
	Scope         string // machine, driver, fleet
	Name          string // machine, driver or factor
	Level         string // of a factor
	Flag          string
	Onset         time.Time
	Size          float64 // in the unit of the fault: ml/h, per run, per hour, ratio
	AfterOnsetH   float64 // engine hours from onset to the end
	AfterOnsetHot int     // overheats from onset to the end on that machine or by that driver
	// Oracle is the highest that the log10 likelihood ratio of the fault to a
	// sound machine ever stood, for one who knows every true rate, the size and
	// the onset (but not the minutes, the fan or the coolant lost). 0 for leaks.
	Oracle, oracle float64
	alike          []guess
}

// Start is when every simulated log begins.
var Start = time.Date(2025, 1, 6, 0, 0, 0, 0, time.UTC)

// Busy is 40 machines at 590 h a year; the other two sizes the bench uses are
// 12 at 240 h and 6 at 100 h.
func Busy() World { return sized("busy", 40, 590, 24) }

// Medium is 12 machines at 240 h a year.
func Medium() World { return sized("medium", 12, 240, 10) }

// Small is 6 machines at 100 h a year.
func Small() World { return sized("small", 6, 100, 5) }

func sized(name string, machines int, hours float64, drivers int) World {
	return World{Name: name, Machines: machines, Hours: hours, Drivers: drivers, Days: 365, Rate: 0.3,
		Seasonal: 12, Factors: 1, MissField: 0.03, MissMeter: 0.15, TopUpStep: 50, Looks: 0.15, RefillsYear: 2,
		ThoroughDays: 60}
}

// AsOf is the end of the world's logs.
func (w World) AsOf() time.Time { return Start.AddDate(0, 0, w.Days) }

// hazard is the ratio of a sound machine's rate under some conditions to its
// rate under ordinary ones.
func (w World) hazard(terrain, speed, load, gears string, ambient float64) float64 {
	h := 1.0
	switch speed {
	case "fast":
		h *= 1.7
	case "slow":
		h *= 0.8
	}
	if terrain == "mud" {
		h *= 1.6
	}
	if load == "heavy" {
		h *= 1.4
	}
	if gears == "high" && speed == "slow" {
		h *= 1.2
	}
	h *= math.Exp((ambient - 12) / 35)
	return math.Pow(h, w.Factors)
}

type sim struct {
	w       World
	rng     *rand.Rand
	number  int64
	habit   []float64 // drivers' own share of fast driving
	drive   []float64 // drivers' ratio
	factor  [2]string
	scale   float64
	fleet   schema.Fleet
	planted []Planted
	hard    map[int]*Planted
}

var terrains = []string{"mud", "dust", "grass", "gravel", "road"}

// Fleet makes one fleet; the same seed makes the same fleet.
func (w World) Fleet(seed uint64) (schema.Fleet, []Planted) {
	s := &sim{w: w, rng: rand.New(rand.NewPCG(seed, 0x5eed)), hard: map[int]*Planted{}}
	for d := range w.Drivers {
		s.fleet.Drivers = append(s.fleet.Drivers, schema.Driver{Name: fmt.Sprintf("D%02d", d+1)})
		s.habit = append(s.habit, 0.15+0.5*s.rng.Float64())
		s.drive = append(s.drive, s.spread(w.DriverSpread))
	}
	s.fleet.Logs = make([]schema.Log, w.Machines)
	// What a machine's hazard is on average, so that Rate means what it says.
	sum := 0.0
	for range 2000 {
		d := s.rng.IntN(w.Drivers)
		te, sp, lo, ge := s.conditions(d, 0.22)
		sum += w.hazard(te, sp, lo, ge, 12+w.Seasonal*math.Sin(2*math.Pi*s.rng.Float64())+4*s.rng.NormFloat64())
	}
	s.scale = w.Rate / 100 / (sum / 2000)
	s.plant()
	for m := range s.fleet.Logs {
		s.machine(m)
	}
	for i := range s.planted {
		if s.planted[i].Scope == "fleet" {
			s.planted[i].AfterOnsetH = w.Hours * float64(w.Machines)
		}
	}
	return s.fleet, s.planted
}

func (s *sim) spread(cv float64) float64 {
	if cv == 0 {
		return 1
	}
	sd := math.Sqrt(math.Log(1 + cv*cv))
	return math.Exp(sd*s.rng.NormFloat64() - sd*sd/2)
}

func (s *sim) between(low, high float64) float64 {
	return low + (high-low)*s.rng.Float64()
}

func isMachineFault(flag string) bool {
	switch flag {
	case "steady-loss", "blocked-core", "trapped-air", "warning-circuit", "fan-circuit", "thermostat", "above-fleet",
		"came-back", "mended":
		return true
	}
	return false
}

func (s *sim) plant() {
	w := s.w
	order := s.rng.Perm(max(w.Machines, w.Drivers))
	begin := func() time.Time {
		return Start.Add(time.Duration(s.rng.Float64() * 0.45 * float64(w.Days) * 24 * float64(time.Hour)))
	}
	switch {
	case isMachineFault(w.Fault):
		for _, m := range order {
			if m < w.Machines && len(s.planted) < w.Faulty {
				s.planted = append(s.planted, Planted{Scope: "machine", Name: machineName(m), Flag: w.Fault,
					Onset: begin()})
			}
		}
	case w.Fault == "hard-driving":
		for _, d := range order {
			if d < w.Drivers && len(s.planted) < w.Faulty {
				size := s.between(5, 9)
				if w.Hard > 0 {
					size = w.Hard
				}
				s.drive[d] = size
				s.planted = append(s.planted, Planted{Scope: "driver", Name: s.fleet.Drivers[d].Name, Flag: w.Fault,
					Onset: Start, Size: size})
			}
		}
	case w.Fault != "":
		levels := map[string][]string{"terrain": terrains, "speed": {"slow", "medium", "fast"}, "load": {"heavy"},
			"range": {"low", "high"}, "ambient": {"30 and over"}}
		l := levels[w.Fault]
		s.factor = [2]string{w.Fault, l[s.rng.IntN(len(l))]}
		s.planted = append(s.planted, Planted{Scope: "fleet", Name: s.factor[0], Level: s.factor[1], Flag: w.Fault,
			Onset: Start, Size: 4})
	}
	for i := range s.planted {
		if s.planted[i].Scope == "driver" {
			for d := range s.fleet.Drivers {
				if s.fleet.Drivers[d].Name == s.planted[i].Name {
					s.hard[d] = &s.planted[i]
				}
			}
		}
	}
}

func machineName(m int) string { return fmt.Sprintf("M%02d", m+1) }

func (s *sim) conditions(driver int, mud float64) (terrain, speed, load, gears string) {
	u := s.rng.Float64()
	if u < mud {
		terrain = "mud"
	} else {
		terrain = terrains[1+s.rng.IntN(4)]
	}
	fast := s.habit[driver]
	switch u = s.rng.Float64(); {
	case u < fast:
		speed = "fast"
	case u < fast+(1-fast)*0.5:
		speed = "medium"
	default:
		speed = "slow"
	}
	load, gears = "light", "high"
	if s.rng.Float64() < 0.16 {
		load = "heavy"
	}
	if speed == "slow" && s.rng.Float64() < 0.45 {
		gears = "low"
	}
	return
}

func (s *sim) head(m *machine, at time.Time) schema.Head {
	h := schema.Head{Base: s.base(m, at)}
	h.Meter = s.reading(m.meter)
	return h
}

func (s *sim) base(m *machine, at time.Time) schema.Base {
	s.number++
	return schema.Base{Meta: schema.Meta{Number: s.number, Entered: at}, Machine: m.log.Machine.Name, At: at}
}

func (s *sim) reading(h float64) schema.Num {
	if s.rng.Float64() < s.w.MissMeter {
		return schema.Num{}
	}
	if s.rng.Float64() < s.w.MeterError {
		h += []float64{-100, 10, 100, 1000, -9}[s.rng.IntN(5)]
		h = math.Max(h, 0)
	}
	return schema.N(math.Round(h*10) / 10)
}

func (s *sim) word(word string) string {
	if s.rng.Float64() < s.w.MissField {
		return ""
	}
	return word
}
