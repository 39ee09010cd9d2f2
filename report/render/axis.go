package render

import (
	"math"
	"shedbook/report/say"
	"shedbook/schema/unit"
	"strconv"
	"time"
)

// tick is a place on an axis, 0 to 1, with its label.
type tick struct {
	at    float64
	label string
}

// scale maps values to an axis, 0 to 1.
type scale struct {
	low, high float64
	log       bool
}

func (s scale) place(v float64) float64 {
	low, high := s.low, s.high
	if s.log {
		v, low, high = math.Log(v), math.Log(low), math.Log(high)
	}
	switch {
	case high == low:
		return 0.5
	case math.IsInf(v, 1):
		return 1
	case math.IsInf(v, -1) || math.IsNaN(v):
		return 0
	}
	return min(1, max(0, (v-low)/(high-low)))
}

// linear returns a scale with round ends that includes low to high, with about
// n steps of 1, 2 or 5 times a power of ten, and its ticks.
func linear(low, high float64, n int) (scale, []tick) {
	if !(high > low) {
		high = low + 1
	}
	step := roundStep((high - low) / float64(n))
	first, last := math.Floor(low/step+1e-9), math.Ceil(high/step-1e-9)
	s := scale{low: first * step, high: last * step}
	decimals := max(0, -int(math.Floor(math.Log10(step)+1e-9)))
	var out []tick
	for k := first; k <= last; k++ {
		v := k * step
		out = append(out, tick{s.place(v), unit.Fixed(v, decimals)})
	}
	return s, out
}

// within is linear with the scale ending exactly at low and high.
func within(low, high float64, n int) (scale, []tick) {
	if !(high > low) {
		high = low + 1
	}
	wide, marks := linear(low, high, n)
	s := scale{low: low, high: high}
	var out []tick
	for _, m := range marks {
		if v := wide.low + m.at*(wide.high-wide.low); v >= low-1e-9*(high-low) && v <= high+1e-9*(high-low) {
			out = append(out, tick{s.place(v), m.label})
		}
	}
	return s, out
}

// roundStep returns the least 1, 2 or 5 times a power of ten that is at least
// x.
func roundStep(x float64) float64 {
	p := math.Pow(10, math.Floor(math.Log10(x)))
	for _, k := range []float64{1, 2, 5} {
		if k*p >= x*(1-1e-9) {
			return k * p
		}
	}
	return 10 * p
}

// ratios returns a logarithmic scale that includes low to high (both above 0)
// and 1, with ends of 1, 2 or 5 times a power of ten, and at most about n
// ticks.
func ratios(low, high float64, n int) (scale, []tick) {
	low, high = min(low, 0.5), max(high, 2)
	steps := []float64{1, 2, 5}
	var all []float64
	for e := math.Floor(math.Log10(low)) - 1; e <= math.Log10(high)+1; e++ {
		for _, k := range steps {
			all = append(all, k*math.Pow(10, e))
		}
	}
	i, j := 0, len(all)-1
	for i+1 < len(all) && all[i+1] <= low*(1+1e-9) {
		i++
	}
	for j > 0 && all[j-1] >= high*(1-1e-9) {
		j--
	}
	s := scale{low: all[i], high: all[j], log: true}
	every, only := 1, 0
	if j-i+1 > n { // powers of ten only, and not all of them
		only = 1
		every = max(1, int(math.Ceil(float64(j-i+1)/3/float64(n))))
	}
	var out []tick
	for k := i; k <= j; k++ {
		power := int(math.Round(math.Log10(all[k])))
		isPower := math.Abs(math.Log10(all[k])-float64(power)) < 1e-9
		if only == 1 && (!isPower || power%every != 0) {
			continue
		}
		out = append(out, tick{s.place(all[k]), strconv.FormatFloat(say.Rounded(all[k], 12), 'g', -1, 64)})
	}
	return s, out
}

// calendar returns a scale of times, in seconds since 1970, from first to last,
// with at most n ticks at the beginnings of days, months or years in the zone.
func calendar(first, last time.Time, zone *time.Location, n int) (scale, []tick) {
	if !last.After(first) {
		last = first.Add(24 * time.Hour)
	}
	first, last = first.In(zone), last.In(zone)
	s := scale{low: float64(first.Unix()), high: float64(last.Unix())}
	var out []tick
	days := last.Sub(first).Hours() / 24
	add := func(t time.Time, layout string) {
		if !t.Before(first) && !t.After(last) {
			out = append(out, tick{s.place(float64(t.Unix())), t.Format(layout)})
		}
	}
	if days <= 75 {
		step := 1
		for _, k := range []int{1, 2, 7, 14, 28} {
			step = k
			if days/float64(k) <= float64(n) {
				break
			}
		}
		for k := 0; float64(k*step) <= days+1; k++ {
			add(time.Date(first.Year(), first.Month(), first.Day()+k*step, 0, 0, 0, 0, zone), "2 Jan")
		}
		return s, out
	}
	months, step := days/30.4, 1200
	for _, k := range []int{1, 2, 3, 6, 12, 24, 60, 120, 240, 600} {
		if months/float64(k) <= float64(n) {
			step = k
			break
		}
	}
	year := first.Year()
	if step > 12 {
		year -= year % (step / 12)
	}
	for k := 0; ; k++ {
		t := time.Date(year, time.Month(1+k*step), 1, 0, 0, 0, 0, zone)
		if t.After(last) {
			return s, out
		}
		layout := "Jan"
		if t.Month() == time.January || len(out) == 0 {
			layout = "Jan 2006"
		}
		if step >= 12 {
			layout = "2006"
		}
		add(t, layout)
	}
}
