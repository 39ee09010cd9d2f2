package trial

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"shedbook/schema"
)

// oracle is one who knows a world: how often each cause brings overheats under
// which conditions and with which marks, how much coolant it takes, and when
// the fault began; from much more driving than any log holds. He takes
// conditions and marks one by one, so a better one can be thought of.
type oracle struct {
	prior map[string]float64
	of    map[string]*habit
}

// habit is how machines with one cause behave.
type habit struct {
	hours, heats map[string]float64 // by conditions
	marks        map[string]float64 // by kind and mark
	allH, allN   float64
	mean, sd     float64 // of the log of mL topped up in 100 h
}

func conditions(speed, ground, load string, ambient schema.Num) string {
	deep, loaded, hot := "?", "?", "?"
	if ground != "" {
		deep = fmt.Sprint(slices.Contains([]string{"mud", "sand", "snow", "water"}, ground))
	}
	if load != "" {
		loaded = fmt.Sprint(load != "light")
	}
	if ambient.Known {
		hot = fmt.Sprint(ambient.V > 21)
	}
	return speed + deep + loaded + hot
}

func marksOf(l *schema.Log, o *schema.Overheat) []string {
	minute := "?"
	if o.MinutesIn.Known {
		minute = "late"
		if o.MinutesIn.V < 40 {
			minute = "middle"
		}
		if o.MinutesIn.V < 12 {
			minute = "soon"
		}
	}
	lost := fmt.Sprint(o.Lost.Known && o.Lost.V > 0)
	filled := "long ago"
	for i := range l.Refills {
		if d := o.At.Sub(l.Refills[i].At); d >= 0 && d < 9*24*time.Hour {
			filled = "just now"
		}
	}
	return []string{"minute " + minute, "sign " + o.Sign, "lost " + lost, "fan " + o.Fan, "filled " + filled}
}

// tell goes through a log since a time.
func tell(l *schema.Log, from time.Time, run func(cell string, hours float64), heat func(cell string,
	marks []string)) (logTopped float64) {
	hours, ml := 0.0, 0.0
	for i := range l.Runs {
		if r := &l.Runs[i]; !r.At.Before(from) {
			run(conditions(r.Speed, r.Terrain, r.Load, r.AmbientC), r.Hours.V)
			hours += r.Hours.V
		}
	}
	for i := range l.Overheats {
		if o := &l.Overheats[i]; !o.At.Before(from) {
			heat(conditions(o.Speed, o.Terrain, o.Load, o.AmbientC), marksOf(l, o))
		}
	}
	for i := range l.TopUps {
		if !l.TopUps[i].At.Before(from) {
			ml += l.TopUps[i].Volume.V
		}
	}
	return math.Log((ml + 30) / (hours + 5) * 100)
}

func learn(w *world) *oracle {
	k := &oracle{map[string]float64{}, map[string]*habit{}}
	for _, cause := range slices.Sorted(maps.Keys(w.plants)) {
		h := &habit{hours: map[string]float64{}, heats: map[string]float64{}, marks: map[string]float64{}}
		k.prior[cause], k.of[cause] = w.plants[cause], h
		var tops []float64
		for seed := range uint64(4) {
			y := newYard(w, 900000+seed, 8, 6, 400)
			for _, m := range y.rigs {
				m.fall(cause, began.AddDate(0, 0, 20), 0.5+0.5*y.rnd.Float64())
			}
			y.days(365)
			for _, m := range y.rigs {
				tops = append(tops, tell(&m.log, m.ills[0].from, func(cell string, hours float64) {
					h.hours[cell] += hours
					h.allH += hours
				}, func(cell string, marks []string) {
					h.heats[cell]++
					h.allN++
					for _, mark := range marks {
						h.marks[mark]++
					}
				}))
			}
		}
		for _, x := range tops {
			h.mean += x / float64(len(tops))
		}
		for _, x := range tops {
			h.sd += (x - h.mean) * (x - h.mean) / float64(len(tops))
		}
		h.sd = math.Sqrt(h.sd) + 0.25
	}
	return k
}

// first is the likeliest cause of a machine's log since a time.
func (k *oracle) first(l *schema.Log, from time.Time) string {
	best, high := "", math.Inf(-1)
	for _, cause := range slices.Sorted(maps.Keys(k.of)) {
		h := k.of[cause]
		overall := (h.allN + 0.5) / h.allH
		rate := func(cell string) float64 { return (h.heats[cell] + 15*overall) / (h.hours[cell] + 15) }
		says := math.Log(k.prior[cause])
		x := tell(l, from, func(cell string, hours float64) { says -= rate(cell) * hours }, func(cell string,
			marks []string) {
			says += math.Log(rate(cell))
			for _, mark := range marks {
				says += math.Log((h.marks[mark] + 0.5) / (h.allN + 2))
			}
		})
		says += -math.Log(h.sd) - (x-h.mean)*(x-h.mean)/(2*h.sd*h.sd)
		if says > high {
			best, high = cause, says
		}
	}
	return best
}
