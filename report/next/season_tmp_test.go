package next

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"os"
	"sort"
	"strings"
	"testing"
	"time"

	"shedbook/schema"
)

func loadSeason(dir string) schema.Fleet {
	zone := time.FixedZone("z", 2*3600)
	known := schema.NewKnown(nil, nil, nil, zone)
	f := schema.Fleet{Settings: schema.Settings{}}
	idx := map[string]int{}
	for _, name := range []string{"machines", "drivers", "runs", "topups", "refills", "bleeds", "levels", "cleanings", "overheats"} {
		raw, err := os.ReadFile(dir + "/" + name + ".csv")
		if err != nil {
			continue
		}
		raw = bytes.TrimPrefix(raw, []byte("\xef\xbb\xbf"))
		r := csv.NewReader(bytes.NewReader(raw))
		first, _, _ := strings.Cut(string(raw), "\n")
		if strings.Contains(first, ";") && !strings.Contains(first, ",") {
			r.Comma = ';'
		}
		r.FieldsPerRecord = -1
		rows, err := r.ReadAll()
		if err != nil {
			panic(err)
		}
		k := schema.KindNamed(name)
		seen := map[string]bool{}
	row:
		for _, row := range rows[1:] {
			rec := k.New()
			for i, h := range rows[0] {
				fl := k.Field(strings.TrimSpace(h))
				if fl == nil || i >= len(row) {
					continue
				}
				if err := k.Set(rec, fl, row[i], known, time.Time{}); err != nil {
					continue row
				}
			}
			if err := k.Check(rec); err != nil {
				continue
			}
			if ref := k.Text(rec, "ref"); ref != "" {
				if seen[ref] {
					continue
				}
				seen[ref] = true
			}
			switch v := rec.(type) {
			case *schema.Machine:
				known.AddMachine(v.Name)
				idx[v.Name] = len(f.Logs)
				f.Logs = append(f.Logs, schema.Log{Machine: *v})
			case *schema.Driver:
				known.AddDriver(v.Name)
				f.Drivers = append(f.Drivers, *v)
			case *schema.Run:
				l := &f.Logs[idx[v.Machine]]
				l.Runs = append(l.Runs, *v)
			case *schema.TopUp:
				l := &f.Logs[idx[v.Machine]]
				l.TopUps = append(l.TopUps, *v)
			case *schema.Refill:
				l := &f.Logs[idx[v.Machine]]
				l.Refills = append(l.Refills, *v)
			case *schema.Bleed:
				l := &f.Logs[idx[v.Machine]]
				l.Bleeds = append(l.Bleeds, *v)
			case *schema.Level:
				l := &f.Logs[idx[v.Machine]]
				l.Levels = append(l.Levels, *v)
			case *schema.Cleaning:
				l := &f.Logs[idx[v.Machine]]
				l.Cleanings = append(l.Cleanings, *v)
			case *schema.Overheat:
				l := &f.Logs[idx[v.Machine]]
				l.Overheats = append(l.Overheats, *v)
			}
		}
	}
	for i := range f.Logs {
		l := &f.Logs[i]
		sort.SliceStable(l.Runs, func(a, b int) bool { return l.Runs[a].At.Before(l.Runs[b].At) })
		sort.SliceStable(l.TopUps, func(a, b int) bool { return l.TopUps[a].At.Before(l.TopUps[b].At) })
		sort.SliceStable(l.Refills, func(a, b int) bool { return l.Refills[a].At.Before(l.Refills[b].At) })
		sort.SliceStable(l.Levels, func(a, b int) bool { return l.Levels[a].At.Before(l.Levels[b].At) })
		sort.SliceStable(l.Cleanings, func(a, b int) bool { return l.Cleanings[a].At.Before(l.Cleanings[b].At) })
		sort.SliceStable(l.Overheats, func(a, b int) bool { return l.Overheats[a].At.Before(l.Overheats[b].At) })
	}
	return f
}

func TestSeason(t *testing.T) {
	f := loadSeason("/work/shared/season")
	for _, l := range f.Logs {
		t0 := time.Now()
		r, err := Rank(f, l.Machine.Name, time.Time{})
		fmt.Println("==", l.Machine.Name, err, time.Since(t0), len(l.Overheats), "sound", round(r.NoFault, 3), r.Park, r.ParkWhy, r.Why)
		fmt.Println("  ", theBase(f, l.Machine.Name))
		for i, c := range r.Candidates {
			if i < 5 {
				fmt.Printf("  %s %.3f\n     + %s\n     - %s\n", c.Cause, c.Probability, strings.Join(c.For, "; "), strings.Join(c.Against, "; "))
			}
		}
		for i, c := range r.Checks {
			if i < 4 {
				fmt.Printf("    %s %v %.1f | pass: %s | fail: %s\n", c.Check, c.Minutes, c.MinutesSaved, c.IfPass, c.IfFail)
			}
		}
		fmt.Println("  ", r.Warnings)
	}
}
func theBase(f schema.Fleet, m string) []float64 { return theNetwork().baseline(&f, m) }
