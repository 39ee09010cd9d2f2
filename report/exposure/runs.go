package exposure

import (
	"sort"
	"time"

	"shedbook/schema"
)

// runs tells how much had been driven by a moment, in O(log n).
type runs struct {
	log       []schema.Run
	hours     []float64   // engine hours of each run
	end       []time.Time // when each is over, if driven without a pause
	latest    []time.Time // the latest end of this run and those before it
	sum, mud  []float64   // hours, and hours in mud, of all runs before this one; one more at the end
	heatCycle []int       // heat cycles of the runs before this one; one more at the end
	warmUp    float64
}

func newRuns(log []schema.Run, warmUp float64) runs {
	n := len(log)
	r := runs{log: log, hours: make([]float64, n), end: make([]time.Time, n), latest: make([]time.Time, n),
		sum: make([]float64, n+1), mud: make([]float64, n+1), heatCycle: make([]int, n+1), warmUp: warmUp}
	for i := range log {
		h, _ := log[i].Duration()
		h = max(h, 0)
		r.hours[i], r.end[i] = h, log[i].At.Add(duration(h))
		r.latest[i] = r.end[i]
		if i > 0 && r.latest[i-1].After(r.end[i]) {
			r.latest[i] = r.latest[i-1]
		}
		r.sum[i+1], r.mud[i+1], r.heatCycle[i+1] = r.sum[i]+h, r.mud[i], r.heatCycle[i]
		if log[i].Terrain == "mud" {
			r.mud[i+1] += h
		}
		if r.cycle(i) {
			r.heatCycle[i+1]++
		}
	}
	return r
}

// duration returns hours as a time.Duration, at most 290 years.
func duration(h float64) time.Duration {
	if h > 2.5e6 {
		h = 2.5e6
	}
	return time.Duration(h * float64(time.Hour))
}

// cycle reports whether a run makes a heat cycle.
func (r *runs) cycle(i int) bool { return r.hours[i] > 0 && r.hours[i] >= r.warmUp-1e-9 }

// begun returns the number of runs that began before t.
func (r *runs) begun(t time.Time) int {
	return sort.Search(len(r.log), func(i int) bool { return !r.log[i].At.Before(t) })
}

// to returns the hours, and the mud hours, driven before t.
func (r *runs) to(t time.Time) (hours, mud float64) {
	return r.driven(r.begun(t), t)
}

// driven is to, if n runs began before t.
func (r *runs) driven(n int, t time.Time) (hours, mud float64) {
	hours, mud = r.sum[n], r.mud[n]
	for i := n - 1; i >= 0 && r.latest[i].After(t); i-- {
		if r.end[i].After(t) {
			rest := min(r.end[i].Sub(t).Hours(), r.hours[i])
			hours -= rest
			if r.log[i].Terrain == "mud" {
				mud -= rest
			}
		}
	}
	return hours, mud
}

// cycles returns the number of heat cycles over by t.
func (r *runs) cycles(t time.Time) int {
	return r.cyclesOf(sort.Search(len(r.log), func(i int) bool { return r.log[i].At.After(t) }), t)
}

// cyclesOf is cycles, if n runs began at t or before.
func (r *runs) cyclesOf(n int, t time.Time) int {
	c := r.heatCycle[n]
	for i := n - 1; i >= 0 && r.latest[i].After(t); i-- {
		if r.end[i].After(t) && r.cycle(i) {
			c--
		}
	}
	return c
}
