package report

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"shedbook/schema"
)

// The season's twelve machines, eight months each.
func BenchmarkCoolantOfASeason(b *testing.B) {
	f := loadSheets(b, "../testdata/season", schema.Settings{"time-zone": "UTC+2"})
	for b.Loop() {
		Coolant(Of(f, time.Date(2025, 10, 3, 22, 0, 0, 0, time.UTC)))
	}
}

// A thousand machines with sixty thorough cleans and ten overheats each.
func BenchmarkCleaningOfAThousandMachines(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	logs := make([]schema.Log, 1000)
	for i := range logs {
		l := &logs[i]
		l.Machine.Name = fmt.Sprint("M", i)
		for d := range 180 {
			l.Runs = append(l.Runs, run(at(1+d, 8), 1+2*rng.Float64(), on([]string{"mud", "road"}[rng.IntN(2)])))
			if d%3 == 0 {
				l.Cleanings = append(l.Cleanings, clean(1+d, 6, "both"))
			}
			if d%18 == 0 {
				l.Overheats = append(l.Overheats, schema.Overheat{Head: head(at(1+d, 8.5))})
			}
		}
	}
	f := fleet(logs...)
	b.ResetTimer()
	for b.Loop() {
		Cleaning(Of(f, at(400, 0)))
	}
}
