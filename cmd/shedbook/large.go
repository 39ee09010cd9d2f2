package main

import (
	"bufio"
	"container/heap"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"time"
)

// large writes the sheets of a hire chain, to measure with: 1,000 machines and
// 300 drivers over three years, 1,000,000 runs, 20,000 top-ups, 60,000
// cleanings, 10,000 overheats, each sheet in the order of time, as such a chain
// writes them down. All of it is made up, the same every time, and only its
// size and shape mean anything.
func large(dir string, machines, runsEach int) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	const drivers, first, years = 300, "2023-01-01", 3
	from, err := time.Parse(time.DateOnly, first)
	if err != nil {
		return err
	}
	sheets := map[string]*sheetFile{}
	for _, s := range []struct{ name, header string }{
		{"machines", "machine,make,model,coolant_l,meter_h,acquired"},
		{"drivers", "driver"},
		{"runs", "ref,machine,driver,start,hours,meter_out_h,meter_in_h,terrain,speed,range,load,ambient_c,note"},
		{"topups", "ref,machine,at,volume_ml,fluid,into"},
		{"cleanings", "ref,machine,at,method,radiator_out,sides"},
		{"overheats", "ref,machine,at,driver,terrain,speed,sign,minutes_in,lost_ml,fan"},
	} {
		if sheets[s.name], err = newSheetFile(dir, s.name, s.header); err != nil {
			return err
		}
		defer sheets[s.name].Close()
	}
	for d := range drivers {
		sheets["drivers"].row(fmt.Sprintf("driver %03d", d))
	}
	rng := rand.New(rand.NewPCG(7, 7))
	gap := float64(years*365*24*time.Hour) / float64(runsEach)
	wait := func() time.Duration { return time.Duration(gap * (0.5 + rng.Float64())) }
	yard := make(byNext, machines)
	for i := range yard {
		m := &driven{name: fmt.Sprintf("M%04d", i), meter: float64(rng.IntN(8000)) / 10, bad: i%97 == 13,
			next: from.Add(wait())}
		sheets["machines"].row(m.name, "Morvane", fmt.Sprintf("Otter %d", 5+i%4), "4.2", tenths(m.meter), first)
		yard[i] = m
	}
	heap.Init(&yard)
	terrain := []string{"mud", "water", "dust", "sand", "gravel", "rock", "grass", "forest", "snow", "road"}
	speed := []string{"slow", "medium", "fast"}
	for len(yard) > 0 {
		m := yard[0]
		start, hours := m.next.Truncate(time.Minute), float64(3+rng.IntN(40))/10
		driver, t, s := fmt.Sprintf("driver %03d", rng.IntN(drivers)), terrain[rng.IntN(len(terrain))],
			speed[rng.IntN(3)]
		at := func(later time.Duration) string { return start.Add(later).Format(time.RFC3339) }
		sheets["runs"].named("run", m.name, driver, at(0), tenths(hours), tenths(m.meter), tenths(m.meter+hours), t, s,
			"high", "light", strconv.Itoa(rng.IntN(35)), "")
		m.meter += hours
		rate := 0.004
		if s == "fast" && t == "mud" {
			rate = 0.016
		}
		if m.bad {
			rate *= 5
		}
		if rng.Float64() < rate*hours {
			half := time.Duration(hours * 0.5 * float64(time.Hour))
			sheets["overheats"].named("heat", m.name, at(half), driver, t, s, "lamp", strconv.Itoa(int(hours*30)), "0",
				"on")
		}
		if m.runs%50 == 20 || m.bad && m.runs%25 == 3 {
			sheets["topups"].named("topup", m.name, at(6*time.Hour), strconv.Itoa(50*(1+rng.IntN(3))), "premix",
				"reservoir")
		}
		if m.runs%17 == 5 {
			out, sides := "no", "front"
			if m.runs%170 == 5 {
				out, sides = "yes", "both"
			}
			sheets["cleanings"].named("clean", m.name, at(7*time.Hour), "hose", out, sides)
		}
		if m.runs++; m.runs == runsEach {
			heap.Pop(&yard)
			continue
		}
		m.next = m.next.Add(wait())
		heap.Fix(&yard, 0)
	}
	for _, s := range sheets {
		err = errors.Join(err, s.Flush())
	}
	return err
}

func tenths(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) }

// driven is a machine of the chain and its next run.
type driven struct {
	name  string
	meter float64
	bad   bool
	next  time.Time
	runs  int
}

// byNext is a heap of machines, the one that goes out next on top.
type byNext []*driven

func (y byNext) Len() int           { return len(y) }
func (y byNext) Less(a, b int) bool { return y[a].next.Before(y[b].next) }
func (y byNext) Swap(a, b int)      { y[a], y[b] = y[b], y[a] }
func (y *byNext) Push(x any)        { *y = append(*y, x.(*driven)) }
func (y *byNext) Pop() any {
	last := (*y)[len(*y)-1]
	*y = (*y)[:len(*y)-1]
	return last
}

// sheetFile is a sheet being written, of cells that need no quotes.
type sheetFile struct {
	*bufio.Writer
	*os.File
	rows int
	line []byte
}

func newSheetFile(dir, name, header string) (*sheetFile, error) {
	f, err := os.Create(filepath.Join(dir, name+".csv"))
	if err != nil {
		return nil, err
	}
	s := &sheetFile{Writer: bufio.NewWriterSize(f, 1<<20), File: f}
	s.row(header)
	return s, nil
}

func (s *sheetFile) row(cells ...string) {
	s.line = s.line[:0]
	for i, c := range cells {
		if i > 0 {
			s.line = append(s.line, ',')
		}
		s.line = append(s.line, c...)
	}
	s.Writer.Write(append(s.line, '\n'))
}

// named writes a row with a ref of its own.
func (s *sheetFile) named(prefix string, cells ...string) {
	s.rows++
	s.row(append([]string{prefix + "-" + strconv.Itoa(s.rows)}, cells...)...)
}
