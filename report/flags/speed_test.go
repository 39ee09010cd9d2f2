package flags

import (
	"testing"

	"shedbook/report/flags/simulate"
)

func BenchmarkFindBusy(b *testing.B) {
	w := simulate.Busy()
	w.Fault, w.Faulty = "thermostat", 2
	fleet, _ := w.Fleet(1)
	runs := 0
	for i := range fleet.Logs {
		runs += len(fleet.Logs[i].Runs)
	}
	b.ReportMetric(float64(runs), "runs")
	b.ReportAllocs()
	for b.Loop() {
		Find(fleet, w.AsOf())
	}
}
