package next

import (
	"fmt"
	"os"
	"testing"

	"shedbook/report/flags/simulate"
)

func TestPlanted(t *testing.T) {
	right := map[string][]string{"steady-loss": {"external-leak", "head-gasket"}, "blocked-core": {"blocked-core"}, "trapped-air": {"trapped-air"},
		"warning-circuit": {"warning-circuit"}, "fan-circuit": {"fan-circuit"}, "thermostat": {"thermostat"}}
	worlds := []simulate.World{simulate.Medium(), simulate.Busy()}
	for _, w := range worlds {
		for _, fault := range []string{"steady-loss", "blocked-core", "trapped-air", "warning-circuit", "fan-circuit", "thermostat"} {
			ranks := map[int]int{}
			n, silent := 0, 0
			first := map[string]int{}
			for seed := uint64(1); seed <= 12; seed++ {
				w.Fault, w.Faulty, w.Form = fault, max(2, w.Machines/8), int(seed%3)
				f, planted := w.Fleet(seed)
				for _, p := range planted {
					r, err := Rank(f, p.Name, w.AsOf())
					if err != nil {
						t.Fatal(err)
					}
					n++
					if r.Why != "" {
						silent++
						continue
					}
					at := 99
					for i, c := range r.Candidates {
						for _, x := range right[fault] {
							if c.Cause == x && i < at {
								at = i
							}
						}
					}
					ranks[at]++
					if at > 0 {
						first[r.Candidates[0].Cause]++
					}
					if os.Getenv("DBG") == fault && at > 0 {
						fmt.Println(p.Name, p.AfterOnsetHot, p.AfterOnsetH, p.Size, r.Candidates[0].Cause, r.Candidates[0].Probability)
						for _, c := range r.Candidates {
							if c.Cause == right[fault][0] {
								fmt.Println("   ", c.Probability, c.For, "\n    AGAINST", c.Against)
							}
						}
					}
				}
			}
			fmt.Printf("%-8s %-16s n %3d no trouble %3d | first %3d second %2d third %2d later %2d | wrong first %v\n", w.Name, fault, n, silent, ranks[0], ranks[1], ranks[2], n-silent-ranks[0]-ranks[1]-ranks[2], first)
		}
	}
}
