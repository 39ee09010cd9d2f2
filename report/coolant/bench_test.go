package coolant

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"shedbook/report/exposure"
	"shedbook/schema"
)

// coolantWorld is a way in which a machine loses coolant and its keeper logs it.
type coolantWorld struct {
	name       string
	slow, fast float64 // mL/h, between which the rate is drawn evenly on the log
	burst      float64 // mL in which it goes; 0: it flows
	cv         float64 // of the loss from run to run
	level, jug float64 // steps of a look and of a volume, mL
	eye        float64 // sd of a look, mL
	// sd about the mark of a filling by eye, its volume rounded; 0: pours whole jugs until near the mark
	fills   float64
	waits   float64 // mL missing at which it is filled up
	never   bool    // no looks but for top-ups
	refills int     // in the log
	boils   int     // overheats that lose 100 to 400 mL
	boilSD  float64 // of what is written down for them, mL
	blind   bool    // nothing is written down for them
	swing   float64 // mL by which the cold level moves over the year, from its highest to its lowest
	before  float64 // mL/h until a change; the rate drawn is then the one after it
	changes bool
}

// one is a log of the world, and its rate now and when that began, in days.
func (w coolantWorld) one(rng *rand.Rand) (l schema.Log, rate float64, began float64) {
	rate = w.slow * math.Pow(w.fast/w.slow, rng.Float64())
	days, phase := 120+240*rng.Float64(), rng.Float64()
	chance, looks := 0.3+0.5*rng.Float64(), 0.15+0.35*rng.Float64()
	began = -1
	if w.changes {
		began = days * (0.25 + 0.5*rng.Float64())
	}
	swing := func(t float64) float64 { return w.swing / 2 * math.Cos(2*math.Pi*(t/365.25+phase)) }
	step := func(x, s float64) float64 { return s * math.Round(x/s) }
	at0 := time.Date(2026, 1, 1, 8, 0, 0, 0, time.UTC)
	when := func(t float64) schema.Head {
		return schema.Head{Base: schema.Base{At: at0.Add(time.Duration(t * 24 * float64(time.Hour)))}}
	}
	below := -swing(0) + w.fills*rng.NormFloat64()
	if w.fills == 0 {
		below += (rng.Float64() - 0.5) * w.jug
	}
	look := func(t float64) {
		seen := step(below+swing(t)+w.eye*rng.NormFloat64(), w.level)
		l.Levels = append(l.Levels, schema.Level{Head: when(t), BelowMark: schema.N(math.Max(0, seen)), Engine: "cold"})
	}
	look(0)
	for t := 0.2; t < days; t++ {
		if rng.Float64() > chance {
			continue
		}
		h := 0.5 + 3*rng.Float64()
		l.Runs = append(l.Runs, schema.Run{Base: when(t).Base, Hours: schema.N(h)})
		loss := rate * h
		if t < began {
			loss = w.before * h
		}
		if w.cv > 0 && loss > 0 {
			k := 1 / (w.cv * w.cv)
			loss = distuv.Gamma{Alpha: k, Beta: k / loss, Src: rng}.Rand()
		}
		if w.burst > 0 && loss > 0 {
			loss = w.burst * distuv.Poisson{Lambda: loss / w.burst, Src: rng}.Rand()
		}
		below += loss
		boiled := rng.Float64() < float64(w.boils)/(days*chance)
		if boiled {
			lost := 100 + 300*rng.Float64()
			below += lost
			o := schema.Overheat{Head: when(t + 0.02)}
			if !w.blind {
				o.Lost = schema.N(math.Max(0, step(lost+w.boilSD*rng.NormFloat64(), 10)))
			}
			l.Overheats = append(l.Overheats, o)
		}
		t2 := t + 0.5
		if rng.Float64() < float64(w.refills)/(days*chance) {
			l.Refills = append(l.Refills, schema.Refill{Head: when(t2), Volume: schema.N(4000)})
			below = -swing(t2) + 80 // of air that goes in the next runs
			continue
		}
		if !boiled && rng.Float64() > looks {
			continue
		}
		seen := below + swing(t2) + w.eye*rng.NormFloat64()
		fill := seen > w.waits || boiled
		switch {
		case fill && w.fills > 0:
			left := w.fills * rng.NormFloat64()
			if v := step(below+swing(t2)-left, w.jug); v > 0 {
				l.TopUps = append(l.TopUps, schema.TopUp{Head: when(t2), Volume: schema.N(v)})
				below = left - swing(t2)
			}
		case fill:
			if v := step(seen, w.jug); v > 0 {
				l.TopUps = append(l.TopUps, schema.TopUp{Head: when(t2), Volume: schema.N(v)})
				below -= v
			}
		case !w.never:
			look(t2)
		}
	}
	return l, rate, began
}

// known is the half width of the interval of one who knows the world: how
// unevenly it goes, how it is read and filled up, and when its rate changed.
func (w coolantWorld) known(m *Machine, rate, began float64) float64 {
	spread := w.burst*rate + w.cv*w.cv*rate*rate*(2+0.75/2) // the mean of h^2 over the mean of h, runs of 0.5 to 3.5 h
	info := 0.0
	var chain []int
	finish := func() {
		n := len(chain)
		if n < 2 {
			return
		}
		cov, hours := mat.NewSymDense(n, nil), mat.NewDense(n, 2, nil)
		h, extra := 0.0, 0.0
		for i, k := range chain {
			g := &m.looks[k]
			v := w.level*w.level/12 + w.eye*w.eye
			if i > 0 {
				h += g.Hours
				if g.ApartML > 0 {
					extra += w.boilSD*w.boilSD + 10
				}
			}
			if g.AddedML > 0 {
				v = w.jug*w.jug/12 + w.eye*w.eye
				if w.fills > 0 {
					v = w.fills * w.fills
					if i > 0 {
						extra += w.jug * w.jug / 12
					}
				}
			}
			hours.Set(i, 0, h)
			hours.Set(i, 1, 1)
			for j := i; j < n; j++ {
				cov.SetSym(i, j, spread*h+extra)
			}
			cov.SetSym(i, i, spread*h+extra+v)
		}
		var chol mat.Cholesky
		var x, a mat.Dense
		if !chol.Factorize(cov) || chol.SolveTo(&x, hours) != nil {
			return
		}
		a.Mul(hours.T(), &x)
		info += a.At(0, 0) - a.At(0, 1)*a.At(0, 1)/a.At(1, 1)
	}
	for i := range m.looks {
		if m.looks[i].Apart || i == 0 {
			finish()
			chain = chain[:0]
		}
		if m.points[i].At.Sub(m.points[0].At).Hours()/24 >= began {
			chain = append(chain, i)
		}
	}
	finish()
	return 1.96 / math.Sqrt(info)
}

// The worlds that the model's weights were tried on.
var tuned = []coolantWorld{
	{name: "flows, 25/50 mL", slow: 0.2, fast: 5, level: 25, jug: 50, eye: 6, waits: 40},
	{name: "flows, 10/20 mL", slow: 0.2, fast: 5, level: 10, jug: 20, eye: 5, waits: 30},
	{name: "flows, 50/100 mL, filled late", slow: 0.3, fast: 8, level: 50, jug: 100, eye: 12, waits: 120},
	{name: "flows, 50/50 mL, filled at once", slow: 0.2, fast: 5, level: 50, jug: 50, eye: 8, waits: 25},
	{name: "filled by eye, 20 mL jug", slow: 6, fast: 25, level: 20, jug: 20, eye: 8, fills: 8, waits: 40},
	{name: "filled by eye, 5 mL jug", slow: 6, fast: 25, level: 10, jug: 5, eye: 8, fills: 14, waits: 30, never: true},
	{name: "filled by eye, 50 mL jug, slow", slow: 0.4, fast: 4, level: 25, jug: 50, eye: 6, fills: 6, waits: 40},
	{name: "refills and boil-overs", slow: 0.1, fast: 3, level: 25, jug: 25, eye: 6, waits: 40, refills: 3, boils: 3,
		boilSD: 25},
	{name: "many boil-overs, ill guessed", slow: 0.3, fast: 3, level: 25, jug: 50, eye: 6, waits: 40, boils: 6,
		boilSD: 60},
	{name: "bursts of 8 mL", slow: 0.3, fast: 6, burst: 8, level: 25, jug: 25, eye: 6, waits: 30},
	{name: "bursts of 16 mL", slow: 0.3, fast: 6, burst: 16, level: 20, jug: 20, eye: 6, waits: 30},
	{name: "bursts of 40 mL", slow: 0.5, fast: 8, burst: 40, level: 25, jug: 50, eye: 6, waits: 50},
	{name: "cv 0.6 from run to run", slow: 0.5, fast: 15, cv: 0.6, level: 25, jug: 50, eye: 6, waits: 50},
	{name: "cv 1.5 from run to run", slow: 0.5, fast: 15, cv: 1.5, level: 25, jug: 50, eye: 6, waits: 50},
	{name: "overheats without a figure", slow: 0.3, fast: 4, level: 25, jug: 50, eye: 6, waits: 40, boils: 4,
		blind: true},
	{name: "level swings by 30 mL", slow: 0.2, fast: 3, level: 10, jug: 20, eye: 5, waits: 30, swing: 30},
	{name: "changed, 0 to 2-8 mL/h", slow: 2, fast: 8, level: 25, jug: 50, eye: 6, waits: 50, changes: true},
}

// The worlds that were kept back until the weights stood.
var keptBack = []coolantWorld{
	{name: "steady, 25/50 mL", slow: 0.2, fast: 5, level: 25, jug: 50, eye: 8, waits: 25},
	{name: "steady, 20/20 mL, filled at once", slow: 0.2, fast: 5, level: 20, jug: 20, eye: 8, waits: 10},
	{name: "steady, 25/25 mL, no looks", slow: 0.2, fast: 5, level: 25, jug: 25, eye: 8, waits: 30, never: true},
	{name: "filled by eye, 10 mL jug", slow: 10, fast: 20, level: 10, jug: 10, eye: 8, fills: 10, waits: 40},
	{name: "filled by eye, 25 mL jug", slow: 10, fast: 20, level: 25, jug: 25, eye: 8, fills: 10, waits: 40},
	{name: "filled by eye, 50 mL jug", slow: 10, fast: 20, level: 25, jug: 50, eye: 8, fills: 10, waits: 60},
	{name: "refills, boil-overs, 0.05-2 mL/h", slow: 0.05, fast: 2, level: 25, jug: 50, eye: 8, waits: 40, refills: 2,
		boils: 4, boilSD: 30},
	{name: "bursts of 10 mL", slow: 0.2, fast: 5, burst: 10, level: 25, jug: 50, eye: 8, waits: 40},
	{name: "bursts of 25 mL", slow: 0.2, fast: 5, burst: 25, level: 25, jug: 50, eye: 8, waits: 40},
	{name: "cv 1 from run to run", slow: 0.2, fast: 20, cv: 1, level: 25, jug: 50, eye: 8, waits: 40},
	{name: "overheats without a figure", slow: 0.2, fast: 5, level: 25, jug: 25, eye: 8, waits: 40, boils: 5,
		blind: true},
	{name: "level swings by 20 mL", slow: 0.2, fast: 5, level: 25, jug: 50, eye: 8, waits: 40, swing: 20},
	{name: "level swings by 40 mL", slow: 0.2, fast: 5, level: 25, jug: 50, eye: 8, waits: 40, swing: 40},
	{name: "changed, 0 to 3 mL/h", slow: 3, fast: 3.001, level: 25, jug: 50, eye: 8, waits: 40, changes: true},
	{name: "changed, 1 to 10 mL/h", slow: 10, fast: 10.001, level: 10, jug: 10, eye: 8, fills: 10, waits: 40, before: 1,
		changes: true},
}

// coolantTally is what came of a world's logs.
type coolantTally struct {
	logs, none, hit, changed, inDays int
	width, known                     []float64
}

func (w coolantWorld) run(n int, seed uint64) coolantTally {
	var out coolantTally
	for i := range n {
		l, rate, began := w.one(rand.New(rand.NewPCG(seed, uint64(i))))
		l.Machine.Name = "M"
		m := Of(exposure.NewIndex(nil, nil, nil).Life(&l), nil)
		out.logs++
		if m.Change != nil {
			out.changed++
			day := func(t *time.Time) float64 { return t.Sub(m.points[0].At).Hours() / 24 }
			// The first run after it is the first that can show it.
			run := slices.IndexFunc(l.Runs,
				func(r schema.Run) bool { return r.At.Sub(l.Runs[0].At).Hours()/24+0.2 >= began })
			if first := l.Runs[max(run, 0)].At; w.changes && day(m.Change.Low) <= day(&first) &&
				began <= day(m.Change.High)+1e-9 {
				out.inDays++
			}
		}
		if m.Rate == nil {
			out.none++
			continue
		}
		if m.Rate.Low <= rate && rate <= m.Rate.High {
			out.hit++
		}
		out.width = append(out.width, m.Rate.High-m.Rate.Low)
		if k := 2 * w.known(&m, rate, began); !math.IsInf(k, 0) {
			out.known = append(out.known, k)
		}
	}
	return out
}

func median(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	x = slices.Clone(x)
	slices.Sort(x)
	return x[len(x)/2]
}

// TestBenchCoolant prints what the coolant's intervals cover, world by world:
// testdata/bench/coolant.txt.
func TestBenchCoolant(t *testing.T) {
	n, _ := strconv.Atoi(os.Getenv("COOLANT_BENCH"))
	if n == 0 {
		t.Skip("COOLANT_BENCH=200 simulates as many machines a world")
	}
	seed, _ := strconv.ParseUint(os.Getenv("COOLANT_SEED"), 10, 64)
	worlds := tuned
	if os.Getenv("COOLANT_WORLDS") == "kept-back" {
		worlds = keptBack
	}
	fmt.Printf("%-36s %8s %8s %8s %8s %8s %8s\n", "world", "covers %", "no rate", "width", "knowing", "change %",
		"covers")
	for i, w := range worlds {
		r := w.run(n, seed*1000+uint64(i))
		days := "-"
		if w.changes {
			days = fmt.Sprintf("%.1f", 100*float64(r.inDays)/float64(max(r.changed, 1)))
		}
		fmt.Printf("%-36s %8.1f %8d %8.2f %8.2f %8.1f %8s\n", w.name, 100*float64(r.hit)/float64(max(r.logs-r.none, 1)),
			r.none,
			median(r.width), median(r.known), 100*float64(r.changed)/float64(r.logs), days)
	}
	require.NotZero(t, n)
}
