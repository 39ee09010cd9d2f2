package flags

import (
	"fmt"
	"math"
	"os"
	"regexp"
	"sort"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"shedbook/report/flags/simulate"
)

// score is what a world's fleets came to.
type score struct {
	name                                string
	fleets, planted, found, wrong, late int
	oracle, named                       int
	sound, falsely, drivers             int
	days, off                           []float64
	names                               map[string]int
}

func (s *score) add(o score) {
	s.fleets += o.fleets
	s.planted += o.planted
	s.found += o.found
	s.wrong += o.wrong
	s.late += o.late
	s.oracle += o.oracle
	s.named += o.named
	s.sound += o.sound
	s.falsely += o.falsely
	s.drivers += o.drivers
	s.days = append(s.days, o.days...)
	s.off = append(s.off, o.off...)
	if s.names == nil {
		s.names = map[string]int{}
	}
	for k, n := range o.names {
		s.names[k] += n
	}
}

func (s *score) String() string {
	median := func(days []float64) string {
		if len(days) == 0 {
			return "-"
		}
		sort.Float64s(days)
		return fmt.Sprintf("%.0f", days[len(days)/2])
	}
	pct := func(n, of int) string {
		if of == 0 {
			return "-"
		}
		return fmt.Sprintf("%.1f", 100*float64(n)/float64(of))
	}
	var names []string
	for k, n := range s.names {
		names = append(names, fmt.Sprintf("%s:%d", k, n))
	}
	sort.Strings(names)
	return fmt.Sprintf("%-34s %6d %7d %6s %6s %6s %6s %7s %6s %7s %6s %6s  %s", s.name, s.fleets, s.planted,
		pct(s.oracle, s.planted), pct(s.named, s.planted), pct(s.found, s.planted), pct(s.wrong, s.planted),
		pct(s.late, s.planted), pct(s.falsely, s.sound), pct(s.drivers, s.fleets), median(s.days), median(s.off),
		strings.Join(names, " "))
}

const scoreHead = "world                              fleets planted oracl% named% found% wrong% early% falseM% " +
	"falseD%   days  since  false and wrong names"

// oracleNeeds is the log10 likelihood ratio at which one who knows the true
// rates would raise a flag, a tenth of the promise being each pattern's share.
const oracleNeeds = 2.3

// judge makes one fleet and scores what Find says of it at the year's end.
func judge(w simulate.World, seed uint64) score {
	fleet, planted := w.Fleet(seed)
	r := Find(fleet, w.AsOf())
	s := score{fleets: 1, names: map[string]int{}}
	faulty := map[string]simulate.Planted{}
	for _, p := range planted {
		if p.Flag == "mended" {
			continue // its machine is not sound, and what it is called is not asked
		}
		s.planted++
		if p.Oracle >= oracleNeeds {
			s.oracle++
			if p.Named() {
				s.named++
			}
		}
	}
	for _, p := range planted {
		faulty[p.Scope+p.Name] = p
	}
	s.sound = len(fleet.Logs)
	for _, p := range planted {
		if p.Scope == "machine" {
			s.sound--
		}
	}
	falsely := map[string]bool{}
	got := map[string]string{} // best verdict per planted
	for _, f := range r.Flags {
		switch f.Scope {
		case "machine":
			p, ok := faulty["machine"+f.Machine]
			switch {
			case !ok:
				falsely[f.Machine] = true
				s.names["-"+f.Flag]++
			case f.Flag == p.Flag:
				if f.Raised.Before(p.Onset) {
					s.late++
				}
				got["machine"+f.Machine] = "found"
				s.off = append(s.off, math.Abs(f.Since.Sub(p.Onset).Hours()/24))
				s.days = append(s.days, f.Raised.Sub(p.Onset).Hours()/24)
			case p.Flag == "mended":
				if f.Flag == "came-back" {
					s.names["!came-back"]++
				}
			default:
				if got["machine"+f.Machine] == "" {
					got["machine"+f.Machine] = "wrong"
				}
				s.names["~"+f.Flag]++
			}
		case "driver":
			if p, ok := faulty["driver"+f.Driver]; ok {
				got["driver"+f.Driver] = "found"
				s.days = append(s.days, f.Raised.Sub(p.Onset).Hours()/24)
			} else {
				s.drivers = 1
			}
		case "fleet":
			if p, ok := faulty["fleet"+f.Factor]; ok && p.Level == f.Level {
				got["fleet"+f.Factor] = "found"
				s.days = append(s.days, f.Raised.Sub(p.Onset).Hours()/24)
			} else {
				s.names["+"+f.Factor+"="+f.Level]++
			}
		}
	}
	for _, v := range got {
		switch v {
		case "found":
			s.found++
		case "wrong":
			s.wrong++
		}
	}
	s.falsely = len(falsely)
	return s
}

// measure scores n fleets of a world.
func measure(w simulate.World, n int, seed uint64) score {
	total := score{name: w.Name}
	scores := make([]score, n)
	var wait sync.WaitGroup
	lanes := make(chan bool, 2)
	for i := range n {
		wait.Add(1)
		lanes <- true
		go func() {
			scores[i] = judge(w, seed+uint64(i))
			<-lanes
			wait.Done()
		}()
	}
	wait.Wait()
	for _, s := range scores {
		total.add(s)
	}
	return total
}

// worlds are those that the bench goes through.
func worlds() []simulate.World {
	var out []simulate.World
	for _, base := range []simulate.World{simulate.Busy(), simulate.Medium(), simulate.Small()} {
		add := func(name string, change func(*simulate.World)) {
			w := base
			w.Name = base.Name + " " + name
			change(&w)
			out = append(out, w)
		}
		faulty := max(1, base.Machines/10)
		add("sound", func(w *simulate.World) {})
		for _, fault := range []string{"steady-loss", "blocked-core", "trapped-air", "warning-circuit", "fan-circuit",
			"thermostat", "above-fleet", "came-back"} {
			add(fault, func(w *simulate.World) { w.Fault, w.Faulty = fault, faulty })
		}
		add("hard-driving", func(w *simulate.World) { w.Fault, w.Faulty = "hard-driving", 1 })
		add("mended", func(w *simulate.World) { w.Fault, w.Faulty = "mended", faulty })
	}
	busy := func(name string, change func(*simulate.World)) {
		w := simulate.Busy()
		w.Name = "busy " + name
		change(&w)
		out = append(out, w)
	}
	for _, f := range []string{"terrain", "speed", "load", "range", "ambient"} {
		busy(f, func(w *simulate.World) { w.Fault, w.Faulty = f, 1 })
	}
	for form := 1; form <= 2; form++ {
		for _, f := range []string{"steady-loss", "blocked-core", "trapped-air", "fan-circuit", "above-fleet"} {
			busy(fmt.Sprintf("%s form %d", f, form), func(w *simulate.World) { w.Fault, w.Faulty, w.Form = f, 4, form })
		}
	}
	busy("hard-driving, own drivers", func(w *simulate.World) {
		w.Fault, w.Faulty, w.OwnDrivers = "hard-driving", 2,
			0.7
	})
	busy("above-fleet, own drivers", func(w *simulate.World) {
		w.Fault, w.Faulty, w.OwnDrivers = "above-fleet", 4,
			0.7
	})
	busy("trapped-air, own drivers", func(w *simulate.World) {
		w.Fault, w.Faulty, w.OwnDrivers = "trapped-air", 4,
			0.7
	})
	busy("thermostat, own drivers", func(w *simulate.World) { w.Fault, w.Faulty, w.OwnDrivers = "thermostat", 4, 0.9 })
	busy("no factors", func(w *simulate.World) { w.Factors = 0; w.Rate = 1 })
	rough := func(w *simulate.World) {
		w.Rate, w.DriverSpread, w.MachineSpread, w.OwnDrivers, w.MissRun, w.MissField, w.MeterError, w.Spills,
			w.DirtAll = 0.6, 0.3, 0.25, 0.4, 0.15, 0.1, 0.003, 0.02, 0.2
	}
	for _, f := range []string{"steady-loss", "blocked-core", "trapped-air", "warning-circuit", "fan-circuit",
		"thermostat", "above-fleet", "came-back"} {
		busy("rough "+f, func(w *simulate.World) { rough(w); w.Fault, w.Faulty = f, 4 })
	}
	hostile := map[string]func(*simulate.World){
		"rate 0.1":            func(w *simulate.World) { w.Rate = 0.1 },
		"rate 1":              func(w *simulate.World) { w.Rate = 1 },
		"rate 2":              func(w *simulate.World) { w.Rate = 2 },
		"spread drivers":      func(w *simulate.World) { w.DriverSpread = 0.3 },
		"very spread drivers": func(w *simulate.World) { w.DriverSpread = 0.6 },
		"spread machines": func(w *simulate.World) {
			w.MachineSpread = 0.35
		},
		"strong factors":  func(w *simulate.World) { w.Factors = 2; w.Rate = 0.8; w.Seasonal = 16 },
		"all get dirty":   func(w *simulate.World) { w.DirtAll = 0.6 },
		"all catch air":   func(w *simulate.World) { w.AirAll = 1; w.RefillsYear = 6 },
		"clusters":        func(w *simulate.World) { w.Clusters = 0.2 },
		"next run too":    func(w *simulate.World) { w.Follows = 0.4 },
		"own drivers":     func(w *simulate.World) { w.OwnDrivers = 0.8; w.DriverSpread = 0.3 },
		"gaps":            func(w *simulate.World) { w.MissRun = 0.3; w.MissField = 0.2; w.MissMeter = 0.3 },
		"gaps, no meters": func(w *simulate.World) { w.MissRun = 0.25; w.MissOverheated = true; w.MissMeter = 1 },
		"meter errors":    func(w *simulate.World) { w.MeterError = 0.01; w.MissRun = 0.1 },
		"big jug":         func(w *simulate.World) { w.TopUpStep = 100; w.Spills = 0.03 },
		"many refills":    func(w *simulate.World) { w.RefillsYear = 10; w.ThoroughDays = 25; w.TopUpStep = 25; w.Looks = 0.4 },
		"services":        func(w *simulate.World) { w.Services = 0.5; w.Rate = 0.6 },
		"rough":           rough,
	}
	var keys []string
	for k := range hostile {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	for _, k := range keys {
		busy("sound, "+k, hostile[k])
	}
	return out
}

// TestBench prints the table of what is found, missed and raised over nothing.
// It runs where FLAGS_BENCH says how many fleets a world. FLAGS_WORLDS, a regular
// expression, picks worlds by their names; FLAGS_SEED is the first fleet's seed,
// so that what was tuned on some seeds can be told from what others say:
//
//	FLAGS_BENCH=200 FLAGS_SEED=1 go test ./report/flags -run Bench -v -timeout 0
func TestBench(t *testing.T) {
	n, err := strconv.Atoi(os.Getenv("FLAGS_BENCH"))
	if err != nil {
		t.Skip("set FLAGS_BENCH to a number of fleets")
	}
	which := regexp.MustCompile(os.Getenv("FLAGS_WORLDS"))
	seed, err := strconv.ParseUint(os.Getenv("FLAGS_SEED"), 10, 64)
	if err != nil {
		seed = 1
	}
	fmt.Println(time.Now().Format(time.DateOnly), "seeds from", seed)
	fmt.Println(scoreHead)
	for _, w := range worlds() {
		if which.MatchString(w.Name) {
			fleets := n
			if w.Fault != "" && w.Machines >= 40 {
				fleets = (3*n + 9) / 10 // four faults a fleet: no need of as many
			}
			s := measure(w, fleets, seed)
			fmt.Println(s.String())
		}
	}
}
