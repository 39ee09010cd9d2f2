package belief

import (
	"fmt"
	"math"
	"sort"
	"strings"
)

// Split tells apart the machine's part in its overheats and the driving's:
// overheats, and those expected of a sound machine with the fleet's usual
// driving in as many hours, and driven as this one was.
type Split struct {
	Overheats         int            `json:"overheats"`
	SoundUsualDriving float64        `json:"sound_usual_driving"`
	SoundOwnDriving   float64        `json:"sound_own_driving"`
	Drivers           []DriverOfHeat `json:"drivers"`
	// Of a driver: what others would have had on the same machines in as many hours
	// over the same ground, and the machines it was on. SoundUsualDriving is then what
	// they would have had on sound ones.
	Others   *float64        `json:"others_driving,omitempty"`
	Machines []MachineOfHeat `json:"machines,omitempty"`
}

// MachineOfHeat is a machine's part in a driver's overheats: his, and those of
// others that were to be expected on it in as many hours over the same ground.
type MachineOfHeat struct {
	Machine   string  `json:"machine"`
	Overheats int     `json:"overheats"`
	Expected  float64 `json:"expected"`
}

// DriverOfHeat is a driver's part in it.
type DriverOfHeat struct {
	Driver    string  `json:"driver"`
	Overheats int     `json:"overheats"`
	Expected  float64 `json:"expected"`
	Hours     float64 `json:"-"`
}

// splitOf tells the machine's part from the driving's, at the mean of the
// draws.
func (p *filter) splitOf(own *summary) Split {
	f := p.f
	rate := f.rate(own)
	out := Split{Overheats: len(p.s.heats)}
	by := map[string]*DriverOfHeat{}
	of := func(d string) *DriverOfHeat {
		if by[d] == nil {
			by[d] = &DriverOfHeat{Driver: d}
		}
		return by[d]
	}
	n := len(f.table.causes)
	hours := 0.0
	for i := range p.s.cells {
		c := &p.s.cells[i]
		x := (*f.table.at(c.state))[n]
		mean := 0.0
		for k, y := range x {
			mean += p.weights[k] * y
		}
		// Dirt is not the driving's: as the machine is meant to be kept.
		want := rate * c.hours * mean * p.factor[c.driver]
		d := of(c.driver)
		d.Expected += want
		d.Hours += c.hours
		out.SoundOwnDriving += want
		hours += c.hours
	}
	out.SoundUsualDriving = rate * hours * f.usually(own)
	for i := range p.s.heats {
		of(p.s.heats[i].driver).Overheats++
	}
	for _, d := range sortedKeys(by) {
		if d != "" {
			out.Drivers = append(out.Drivers, *by[d])
		}
	}
	sort.SliceStable(out.Drivers, func(a, b int) bool { return out.Drivers[a].Overheats > out.Drivers[b].Overheats })
	return out
}

// DriverSplits tell, of every driver by name, the driving's part in his overheats
// from that of the machines he was on, which are listed where they are to be.
func (f *Fleet) DriverSplits(listed func(driver string) bool) map[string]*Split {
	f.fit()
	rate := f.rate(nil)
	factor, list := make([]float64, len(f.drivers)), make([]bool, len(f.drivers))
	splits := make([]*Split, len(f.drivers))
	for name, n := range f.numbers {
		factor[n], list[n] = f.driver(name, nil, rate), listed(name)
	}
	for _, name := range sortedKeys(f.machines) {
		s := f.machines[name]
		all := 0.0
		for i := range s.drivers {
			all += s.drivers[i].expect * factor[s.who[i]]
		}
		each, hour := s.brings(rate, all)
		for i := range s.drivers {
			d, n := &s.drivers[i], s.who[i]
			if d.name == "" {
				continue
			}
			// What others had on it tells how often it overheats, and how hard they are on it;
			// usual ones, where nobody else drives it. A driver with little part in it changes
			// neither.
			each, hour, harder, expect := each, hour, all, s.mean
			if d.heats > 0 || d.hours > s.hours/20 {
				harder, expect = all-d.expect*factor[n], s.mean-d.expect
				rest := summary{hours: s.hours - d.hours, heats: s.heats - int(d.heats)}
				each, hour = rest.brings(rate, harder)
			}
			if expect <= 0 {
				harder, expect = 1, 1
			}
			others := each*d.expect*harder/expect + hour*d.hours
			x := splits[n]
			if x == nil {
				x = &Split{Drivers: []DriverOfHeat{}, Others: new(float64)}
				splits[n] = x
			}
			x.Overheats += int(d.heats)
			x.SoundUsualDriving += rate * d.expect
			*x.Others += others
			if list[n] {
				x.Machines = append(x.Machines, MachineOfHeat{name, int(d.heats), tenths(others)})
			}
		}
	}
	out := map[string]*Split{}
	for name, n := range f.numbers {
		x := splits[n]
		if x == nil {
			continue
		}
		out[name] = x
		x.SoundOwnDriving = tenths(x.SoundUsualDriving * factor[n])
		x.SoundUsualDriving, *x.Others = tenths(x.SoundUsualDriving), tenths(*x.Others)
		sort.SliceStable(x.Machines, func(a, b int) bool { return x.Machines[a].Overheats > x.Machines[b].Overheats })
	}
	return out
}

// tenths of a number expected are told, and hundredths below one.
func tenths(x float64) float64 {
	if x < 1 {
		return math.Round(100*x) / 100
	}
	return math.Round(10*x) / 10
}

// Words tell a machine's split, and which part is the greater: the driving's where
// that is known already.
func (x *Split) Words(driving bool) string {
	if x.Overheats == 0 {
		return ""
	}
	out := fmt.Sprintf("%s; a sound machine driven as this one was: %s; with the usual driving: %s.",
		counted(float64(x.Overheats), "overheat"), expected(x.SoundOwnDriving), expected(x.SoundUsualDriving))
	switch {
	case driving:
		return out + " It is the driving."
	case orMore(x.Overheats, x.SoundOwnDriving) <= chance && x.Overheats < few:
		return out + " It may be the machine, but so few tell little."
	case orMore(x.Overheats, x.SoundOwnDriving) <= chance:
		return out + " It is the machine."
	case orMore(x.Overheats, x.SoundUsualDriving) <= chance && x.SoundOwnDriving >= clearly*x.SoundUsualDriving:
		return out + " The driving may explain it."
	}
	return out + " That may be chance alone."
}

// DriverWords tell a driver's split, and which part is the greater: the driving's
// only where a flag is raised.
func (x *Split) DriverWords(flagged bool) string {
	out := fmt.Sprintf("%s; others driving the same machines over the same ground: %s; on sound machines: %s.",
		counted(float64(x.Overheats), "overheat"), expected(*x.Others), expected(x.SoundUsualDriving))
	switch may := orMore(x.Overheats, *x.Others) > chance; {
	case flagged:
		return out + " It is the driving."
	case may && *x.Others >= clearly*x.SoundUsualDriving && orMore(x.Overheats, x.SoundUsualDriving) <= chance:
		return out + " It is the machines."
	case float64(x.Overheats) <= *x.Others:
		return out + " That is no more than others have."
	case may:
		return out + " That may be chance alone."
	}
	return out + " That is more than others have, and not yet enough for a flag."
}

// OnMachines says on which machines a driver's overheats came; empty for one machine
// or none.
func (x *Split) OnMachines() string {
	var on []string
	for _, m := range x.Machines {
		if m.Overheats > 0 {
			on = append(on, fmt.Sprintf("%s %d (others %s)", m.Machine, m.Overheats, expected(m.Expected)))
		}
	}
	if len(on) < 2 {
		return ""
	}
	more := ""
	if len(on) > mostMachines {
		more = fmt.Sprintf(" and %d more machines", len(on)-mostMachines)
		on = on[:mostMachines]
	}
	return "they came on " + strings.Join(on, ", ") + more
}

// mostMachines is how many machines a sentence names.
const mostMachines = 6

// expected is a number of overheats to be expected, in words.
func expected(x float64) string {
	if x > 0 && x < 0.05 {
		return "under 0.1"
	}
	return fmt.Sprintf("%.1f", x)
}

// chance is the probability down to which so many overheats are put down to chance,
// clearly by how much one part is to be above another to be named.
const chance, clearly = 0.05, 1.5

// few overheats say nothing for certain, however few were expected: a choice.
const few = 3

// orMore is the chance of n or more, where so many are expected (Poisson).
func orMore(n int, expected float64) float64 {
	p, fewer := math.Exp(-expected), 0.0
	for i := range n {
		fewer += p
		p *= expected / float64(i+1)
	}
	return 1 - fewer
}
