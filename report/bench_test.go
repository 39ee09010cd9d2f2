package report

import (
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
