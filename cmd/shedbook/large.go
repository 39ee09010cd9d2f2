package main

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"time"
)

// large writes the sheets of a hire chain, to measure with: 1,000 machines and
// 300 drivers over three years, 1,000,000 runs, 20,000 top-ups, 60,000
// cleanings, 10,000 overheats. All of it is made up, the same every time, and
// only its size and shape mean anything.
func large(dir string, machines, runsEach int) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	rng := rand.New(rand.NewPCG(7, 7))
	terrain := []string{"mud", "water", "dust", "sand", "gravel", "rock", "grass", "forest", "snow", "road"}
	speed := []string{"slow", "medium", "fast"}
	const drivers, first = 300, "2023-01-01"
	from, err := time.Parse(time.DateOnly, first)
	if err != nil {
		return err
	}
	sheets := map[string]*bufio.Writer{}
	for name, header := range map[string]string{
		"machines":  "machine,make,model,coolant_l,meter_h,acquired",
		"drivers":   "driver",
		"runs":      "ref,machine,driver,start,hours,meter_out_h,meter_in_h,terrain,speed,range,load,ambient_c,note",
		"topups":    "ref,machine,at,volume_ml,fluid,into",
		"cleanings": "ref,machine,at,method,radiator_out,sides",
		"overheats": "ref,machine,at,driver,terrain,speed,sign,minutes_in,lost_ml,fan",
	} {
		f, err := os.Create(filepath.Join(dir, name+".csv"))
		if err != nil {
			return err
		}
		defer f.Close()
		sheets[name] = bufio.NewWriterSize(f, 1<<20)
		sheets[name].WriteString(header + "\n")
	}
	for d := range drivers {
		fmt.Fprintf(sheets["drivers"], "driver %03d\n", d)
	}
	row := make([]byte, 0, 256)
	refs := map[string]int{}
	ref := func(kind string) int { refs[kind]++; return refs[kind] }
	gap := time.Duration(float64(3*365*24*time.Hour) / float64(runsEach))
	for m := range machines {
		name := fmt.Sprintf("M%04d", m)
		meter := float64(rng.IntN(8000)) / 10
		fmt.Fprintf(sheets["machines"], "%s,Morvane,Otter %d,4.2,%.1f,%s\n", name, 5+m%4, meter, first)
		bad := m%97 == 13
		at := from
		for i := range runsEach {
			at = at.Add(time.Duration(float64(gap) * (0.5 + rng.Float64()))).Truncate(time.Minute)
			hours := float64(3+rng.IntN(40)) / 10
			driver, t, s := rng.IntN(drivers), terrain[rng.IntN(len(terrain))], speed[rng.IntN(3)]
			row = append(row[:0], "run-"...)
			row = strconv.AppendInt(row, int64(ref("run")), 10)
			row = append(row, ',')
			row = append(row, name...)
			row = append(row, ",driver "...)
			row = append(row, fmt.Sprintf("%03d", driver)...)
			row = append(row, ',')
			row = at.AppendFormat(row, time.RFC3339)
			row = append(row, ',')
			row = strconv.AppendFloat(row, hours, 'f', 1, 64)
			row = append(row, ',')
			row = strconv.AppendFloat(row, meter, 'f', 1, 64)
			row = append(row, ',')
			meter += hours
			row = strconv.AppendFloat(row, meter, 'f', 1, 64)
			row = append(row, ',')
			row = append(row, t...)
			row = append(row, ',')
			row = append(row, s...)
			row = append(row, ",high,light,"...)
			row = strconv.AppendInt(row, int64(rng.IntN(35)), 10)
			row = append(row, ",\n"...)
			sheets["runs"].Write(row)
			rate := 0.004
			if s == "fast" && t == "mud" {
				rate = 0.016
			}
			if bad {
				rate *= 5
			}
			if rng.Float64() < rate*hours {
				fmt.Fprintf(sheets["overheats"], "heat-%d,%s,%s,driver %03d,%s,%s,lamp,%d,0,on\n", ref("heat"), name, at.Add(time.Duration(hours*0.5*float64(time.Hour))).Format(time.RFC3339), driver, t, s, int(hours*30))
			}
			if i%50 == 20 || bad && i%25 == 3 {
				fmt.Fprintf(sheets["topups"], "topup-%d,%s,%s,%d,premix,reservoir\n", ref("topup"), name, at.Add(6*time.Hour).Format(time.RFC3339), 50*(1+rng.IntN(3)))
			}
			if i%17 == 5 {
				out, sides := "no", "front"
				if i%170 == 5 {
					out, sides = "yes", "both"
				}
				fmt.Fprintf(sheets["cleanings"], "clean-%d,%s,%s,hose,%s,%s\n", ref("clean"), name, at.Add(7*time.Hour).Format(time.RFC3339), out, sides)
			}
		}
	}
	for _, w := range sheets {
		if err := w.Flush(); err != nil {
			return err
		}
	}
	return nil
}
