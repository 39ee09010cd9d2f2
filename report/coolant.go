package report

import (
	"runtime"
	"sync"
	"time"

	"shedbook/report/coolant"
)

// CoolantReport is the result of `shedbook coolant`.
type CoolantReport struct {
	AsOf     time.Time         `json:"as_of"`
	Machines []coolant.Machine `json:"machines"`
	Warnings []string          `json:"warnings,omitempty"`
}

// Coolant reports the coolant of every machine.
func Coolant(s Source) CoolantReport {
	r := CoolantReport{AsOf: s.AsOf, Machines: []coolant.Machine{}}
	var all []*coolant.Machine
	do, wait := parallel()
	for l := range s.Lives {
		m := coolant.Account(l, s.Fleet.Settings)
		all = append(all, &m)
		do(m.Estimate)
	}
	wait()
	for _, m := range all {
		r.Machines = append(r.Machines, *m)
	}
	return r
}

// parallel returns do, which runs a function on another processor, and wait,
// which waits for all of them. It is for work on machines, which do not depend
// on each other.
func parallel() (do func(func()), wait func()) {
	var all sync.WaitGroup
	work := make(chan func())
	for range runtime.GOMAXPROCS(0) {
		all.Go(func() {
			for f := range work {
				f()
			}
		})
	}
	return func(f func()) { work <- f }, func() { close(work); all.Wait() }
}
