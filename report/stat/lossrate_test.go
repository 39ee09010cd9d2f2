package stat

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

// leakPlan simulates the keeper's log of one leaking machine.
type leakPlan struct {
	hours       float64
	levelStep   float64
	topUpStep   float64
	misread     float64 // sd, mL
	cv          float64 // of the loss over a run
	resets      bool    // a top-up reaches the mark exactly, its volume is read off rounded
	exactStart  bool
	lookChance  float64 // after a run
	changeAt    float64 // hours; 0: never
	changeTimes float64
	lump        float64 // mL that the loss comes in; 0: it flows
}

func (p leakPlan) looks(rng *rand.Rand, rate float64) []Look {
	var out []Look
	below := 0.0
	if !p.exactStart {
		below = (rng.Float64() - 0.5) * p.topUpStep
	}
	read := func() float64 {
		return math.Max(0, p.levelStep*math.Round((below+p.misread*rng.NormFloat64())/p.levelStep))
	}
	out = append(out, Look{BelowML: read()})
	since, t := 0.0, 0.0
	for t < p.hours {
		h := 0.5 + 3*rng.Float64()
		t += h
		since += h
		r := rate
		if p.changeAt > 0 && t > p.changeAt {
			r *= p.changeTimes
		}
		loss := r * h
		if p.cv > 0 {
			k := 1 / (p.cv * p.cv)
			loss = distuv.Gamma{Alpha: k, Beta: k / loss, Src: rng}.Rand()
		}
		if p.lump > 0 {
			loss = p.lump * distuv.Poisson{Lambda: loss / p.lump, Src: rng}.Rand()
		}
		below += loss
		if rng.Float64() > p.lookChance && t < p.hours {
			continue
		}
		seen := below + p.misread*rng.NormFloat64()
		if v := p.topUpStep * math.Round(seen/p.topUpStep); v > 0 && (rng.Float64() < 0.6 || v >= 4*p.topUpStep) {
			out = append(out, Look{Hours: since, BelowML: v, AddedML: v})
			below -= v
			if p.resets {
				below = 0
			}
		} else {
			out = append(out, Look{Hours: since, BelowML: read()})
		}
		since = 0
	}
	return out
}

var leakPlans = []struct {
	name string
	leakPlan
}{
	{"25/50 mL, misread 8 mL", leakPlan{levelStep: 25, topUpStep: 50, misread: 8}},
	{"25/50 mL, read exactly", leakPlan{levelStep: 25, topUpStep: 50, exactStart: true}},
	{"25/50 mL, uneven", leakPlan{levelStep: 25, topUpStep: 50, misread: 8, cv: 0.6}},
	{"25/25 mL, uneven", leakPlan{levelStep: 25, topUpStep: 25, misread: 5, cv: 0.4}},
	{"50/50 mL", leakPlan{levelStep: 50, topUpStep: 50, misread: 10, cv: 0.2}},
	{"25/50 mL, filled to the mark", leakPlan{levelStep: 25, topUpStep: 50, misread: 8, resets: true}},
	{"50/50 mL, filled, uneven", leakPlan{levelStep: 50, topUpStep: 50, misread: 5, cv: 0.5, resets: true}},
}

var leakRates = []float64{0.2, 0.5, 1, 2, 5, 10, 20}

var coverageRuns = flag.Int("coverage.n", 4, "simulated logs per cell of TestLossRateCoverage")

// The promise: 93 to 97 % coverage from 0.2 to 20 mL/h, readings rounded to 25
// or 50 mL, irregular looks. With -coverage.n 40 (a cell's simulation error is
// 3.4 points) it was, from the slowest rate to the fastest:
//
//	25/50 mL, misread 8 mL       100 100 100 100  98  98 100   mean 99.3
//	25/50 mL, read exactly       100 100 100 100 100 100  98   mean 99.6
//	25/50 mL, uneven (cv 0.6)    100 100 100  95  98  90  93   mean 96.4
//	25/25 mL, uneven (cv 0.4)    100 100 100  95  98  98 100   mean 98.6
//	50/50 mL, uneven (cv 0.2)     93 100 100 100  98  98  93   mean 97.1
//	25/50 mL, filled to the mark  93  90  90  88  98  95  98   mean 92.9
//	50/50 mL, filled, uneven      88  75  85  93 100  93  90   mean 88.9
//
// Overall 96.1 %. It is too wide where the loss is quite steady, since readings
// cannot show that it is, and misses slow leaks where every top-up is poured
// exactly to the mark and then rounded to 50 mL, since a keeper who tops up as
// soon as half a step is missing records nearly twice what was lost. More worlds
// stand in testdata/bench/coolant.txt.
func TestLossRateCoverage(t *testing.T) {
	n := *coverageRuns
	all, covered := 0, 0
	start := time.Now()
	for i, p := range leakPlans {
		line, sum := "", 0.0
		for j, rate := range leakRates {
			rng := rand.New(rand.NewPCG(uint64(i), uint64(j)))
			hit, width := 0, 0.0
			for range n {
				q := p.leakPlan
				q.hours = 60 + 240*rng.Float64()
				q.lookChance = 0.15 + 0.35*rng.Float64()
				l := LossRate(q.looks(rng, rate), 0.95)
				require.NotNil(t, l.Est, l.Why)
				if l.Est.Low <= rate && rate <= l.Est.High {
					hit++
				}
				width += l.Est.High - l.Est.Low
			}
			line += fmt.Sprintf(" %5.1f%% (%5.2f)", 100*float64(hit)/float64(n), width/float64(n))
			covered, all, sum = covered+hit, all+n, sum+float64(hit)/float64(n)
		}
		t.Logf("%-30s%s  mean %.1f%%", p.name, line, 100*sum/float64(len(leakRates)))
	}
	// two simulation errors beyond the promise
	require.InDelta(t, 0.95, float64(covered)/float64(all), 0.02+2*math.Sqrt(0.05*0.95/float64(all)))
	t.Logf("all: %.4f of %d, %.1f ms each", float64(covered)/float64(all), all,
		float64(time.Since(start).Milliseconds())/float64(all))
}

func TestLossRateWithoutHours(t *testing.T) {
	for _, looks := range [][]Look{
		nil, {{BelowML: 25}}, {{BelowML: 25}, {BelowML: 25}}, {{BelowML: 0}, {Hours: 30, Apart: true, BelowML: 50}},
		{{BelowML: math.NaN()}, {Hours: 3}}, {{}, {Hours: -1}}, {{}, {Hours: 5, AddedML: -50}},
	} {
		l := LossRate(looks, 0.95)
		require.Nil(t, l.Est)
		require.NotEmpty(t, l.Why)
	}
}

// Looks with nothing added are evidence. Read exactly, the level lies between
// 25 mL above the mark (an overshot top-up) and 12.5 mL below it at both ends of
// 100 h; with the difference of two such levels, not negative, 97.5 % lie under
// 37.5 (1 - sqrt(.025)) = 31.6 mL. Misreading adds to that, less than the 12.5 mL
// of half a step. Hours set apart do not count.
func TestLooksWithNothingAdded(t *testing.T) {
	looks := []Look{{BelowML: 0}}
	for range 20 {
		looks = append(looks, Look{Hours: 5, BelowML: 0})
	}
	l := lossPosterior(chainsOf(looks), 5, []lossSteps{{25, 50}}, 0.95)
	require.Zero(t, l.Est.Low)
	require.InDelta(t, (31.6+6.25)/100, l.Est.High, 0.0625)
	// 600 mL in 20 h of settling and 90 mL boiled over are not its loss
	apart := append([]Look{{BelowML: 0}, {Hours: 20, BelowML: 600, AddedML: 600, Apart: true}}, looks[1:]...)
	apart[10].ApartML, apart[10].AddedML, apart[10].BelowML = 90, 90, 90
	l = lossPosterior(chainsOf(apart), 5, []lossSteps{{25, 50}}, 0.95)
	require.Less(t, l.Est.High, 0.8)
}

func TestLossRateExtremes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var looks []Look
		for range rapid.IntRange(0, 6).Draw(t, "n") {
			ml := rapid.OneOf(rapid.Just(0.0), rapid.SampledFrom([]float64{25, 50, 300, 5000, 1e5}),
				rapid.Float64Range(-100, 4000))
			l := Look{Hours: extremeExposure().Draw(t, "h"), BelowML: ml.Draw(t, "below"),
				Apart: rapid.IntRange(0, 5).Draw(t, "apart") == 0}
			if rapid.Bool().Draw(t, "topUp") {
				l.AddedML = math.Max(0, ml.Draw(t, "added"))
			}
			looks = append(looks, l)
		}
		l := LossRate(looks, 0.95)
		checkSane(t, l)
	})
}

func BenchmarkLossRate(b *testing.B) {
	for _, hours := range []float64{120, 600} {
		b.Run(fmt.Sprint(hours, " h"), func(b *testing.B) {
			rate := 1.0
			p := leakPlan{levelStep: 25, topUpStep: 50, misread: 8, hours: hours, lookChance: 0.4}
			looks := p.looks(rand.New(rand.NewPCG(1, 1)), rate)
			for b.Loop() {
				LossRate(looks, 0.95)
			}
		})
	}
}

func BenchmarkLossChange(b *testing.B) {
	p := leakPlan{levelStep: 25, topUpStep: 50, misread: 8, hours: 600, lookChance: 0.4}
	looks := p.looks(rand.New(rand.NewPCG(1, 1)), 3)
	for b.Loop() {
		LossChange(looks, 0.95)
	}
}
