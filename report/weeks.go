package report

import (
	"sort"
	"time"
)

// Weeks is one machine's last weeks, for small plots; the last one ends at
// AsOf.
type Weeks struct {
	Machine   string    `json:"machine"`
	From      time.Time `json:"from"`      // when the first week begins
	Hours     []float64 `json:"hours"`     // recorded engine hours
	AddedMl   []float64 `json:"added_ml"`  // coolant topped up
	Overheats []int     `json:"overheats"` // all, whether assigned to a run or not
}

// LastWeeks returns every machine's last n weeks.
func LastWeeks(s Source, n int) []Weeks {
	out := []Weeks{}
	for l := range s.Lives {
		w := Weeks{Machine: l.Log.Machine.Name, From: s.AsOf.AddDate(0, 0, -7*n), Hours: make([]float64, n),
			AddedMl: make([]float64, n), Overheats: make([]int, n)}
		ends := make([]time.Time, n)
		last := l.HoursTo(w.From)
		for i := range n {
			ends[i] = w.From.AddDate(0, 0, 7*(i+1))
			h := l.HoursTo(ends[i])
			w.Hours[i], last = h-last, h
		}
		// A week includes its end but not its beginning.
		week := func(t time.Time) (int, bool) {
			i := sort.Search(n, func(i int) bool { return !ends[i].Before(t) })
			return i, i < n && t.After(w.From)
		}
		for i := range l.Log.TopUps {
			if k, ok := week(l.Log.TopUps[i].At); ok {
				w.AddedMl[k] += l.Log.TopUps[i].Volume.V
			}
		}
		for i := range l.Log.Overheats {
			if k, ok := week(l.Log.Overheats[i].At); ok {
				w.Overheats[k]++
			}
		}
		out = append(out, w)
	}
	return out
}
