package facts

import (
	"math"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"shedbook/report/cooling"
	"shedbook/schema"
)

func spec(pairs ...any) cooling.Spec {
	s := cooling.Spec{Figures: map[string]float64{}}
	for i := 0; i < len(pairs); i += 2 {
		s.Figures[pairs[i].(string)] = pairs[i+1].(float64)
	}
	return s
}

func of(t *testing.T, check, figures string, s cooling.Spec) []Fact {
	t.Helper()
	fs := OfCheck(&schema.Check{Check: check, Figures: figures}, s)
	require.NotEmpty(t, fs, "%s %s", check, figures)
	return fs
}

// posterior is the chance of a cause with a prior, against that nothing at all
// explains the fact.
func posterior(f Fact, cause string, prior float64) float64 {
	with, without := prior*f.Likelihood(cause), (1-prior)*f.Likelihood()
	return with / (with + without)
}

// A core that is four fifths dark is blocked, whatever was believed before: down
// to one in a hundred. A fifth dark is no such evidence.
func TestDarkCore(t *testing.T) {
	for _, prior := range []float64{0.01, 0.05, 0.26, 0.6} {
		assert.Greater(t, posterior(of(t, "light-test", "dark_pct=80", spec())[0], "blocked-core", prior), 0.95, "%v",
			prior)
		assert.Less(t, posterior(of(t, "light-test", "dark_pct=3", spec())[0], "blocked-core", prior), prior/5)
	}
	assert.Less(t, posterior(of(t, "light-test", "dark_pct=21", spec())[0], "blocked-core", 0.05), 0.7)
	// Front and back are two faces: a clear front says little, a clear back much.
	front, back := of(t, "light-test", "blocked_front_pct=5", spec())[0],
		of(t, "light-test", "blocked_back_pct=5", spec())[0]
	assert.Greater(t, posterior(front, "blocked-core", 0.3), 2*posterior(back, "blocked-core", 0.3))
	both := of(t, "light-test", "blocked_front_pct=30;blocked_back_pct=80", spec())
	require.Len(t, both, 2)
	assert.NotEqual(t, both[0].State, both[1].State)
}

// Table and judges agree: what is judged a fail never speaks clearly against its
// state, and what is judged a pass never clearly for it, at any figure. Near a
// limit a figure says little, whatever it is called.
func TestTableAgreesWithTheJudges(t *testing.T) {
	s := spec("coolant_l", 4.0, "cap_kpa", 100.0, "thermostat_c", 82.0, "fan_on_c", 95.0, "ohm_at_20", 2500.0,
		"ohm_at_100", 186.0)
	s.Glycol = cooling.Ethylene
	for _, c := range []struct {
		check, figure, rest string
		low, high           float64
	}{
		{"light-test", "dark_pct", "", 0, 100}, {"light-test", "blocked_back_pct", "", 0, 100},
		{"oil-cooler", "dark_pct", "", 0, 100},
		{"air-path", "covered_pct", "", 0, 100}, {"level", "below_mark_ml", "", 0, 2000},
		{"neck-level", "below_neck_ml", "", 0, 2000},
		{"bleed", "added_ml", "", 0, 800}, {"mix-strength", "glycol_pct", "", 0, 100},
		{"cap-hold", "relief_kpa", "", 0, 125},
		{"pressure-hold", "drop_kpa", ";start_kpa=100;minutes=5", 0, 100}, {"thermostat-bath", "opens_c", "", 77, 97},
		{"warm-up", "jump_c", "", 70, 110}, {"fan-runs", "on_c", "", 90, 110},
		{"fan-relay", "plug_v", ";battery_v=13", 0, 13},
		{"probe", "gauge_c", ";probe_c=90", 70, 110}, {"sensor-resistance", "ohm", ";water_c=90", 100, 500},
		{"pump-flow", "out_c", ";in_c=95", 40, 91}, {"flow-through", "patch_k", "", 0, 60},
		{"brake-drag", "hub_c", "/20", 20, 200},
		{"leak-down", "leak_pct", "", 0, 100}, {"compression", "cylinder_kpa", "/1000", 400, 1000},
		{"oil-level", "over_mm", "", 0, 40}, {"oil-level", "under_mm", "", 0, 40},
	} {
		said := map[string]int{}
		for i := range 201 {
			x := c.low + (c.high-c.low)*float64(i)/200
			m := c.figure + "=" + num(x) + c.rest
			v, err := cooling.Judge(c.check, cooling.Measurement{Figures: cooling.Recorded(c.check, 0, false, "", m),
				Sure: true}, s)
			require.NoError(t, err, "%s %s", c.check, m)
			said[v.Result]++
			f := of(t, c.check, m, s)[0]
			if c.figure == "under_mm" && x == 0 {
				continue // at the mark: both rows
			}
			switch v.Result {
			case cooling.Fail:
				assert.Greater(t, f.Factor, 1.0/3, "%s %s: %s", c.check, m, v.Says)
			case cooling.Pass:
				assert.Less(t, f.Factor, 3.0, "%s %s: %s", c.check, m, v.Says)
			}
		}
		assert.Positive(t, said[cooling.Pass], "%s %s never passed", c.check, c.figure)
		assert.Positive(t, said[cooling.Fail], "%s %s never failed", c.check, c.figure)
	}
}

// No step at the limit: half a percent more of a figure's span never changes what
// it says by more than a factor of three; and no figure says more than one slip in 5000.
func TestGraded(t *testing.T) {
	for i := range table {
		s := &table[i]
		if s.there == nil {
			continue
		}
		lo, hi := s.sound.low, s.sound.high
		for _, x := range s.there {
			lo, hi = min(lo, x.low), max(hi, x.high)
		}
		step := s.err / 4
		for v := lo; v+step < hi; v += step {
			a, b := s.factor(v), s.factor(v+step)
			require.False(t, math.IsNaN(a) || math.IsInf(a, 0) || a <= 0, "%s %v", s.name, v)
			require.Less(t, math.Abs(math.Log(b/a)), math.Log(4), "%s from %v", s.name, v)
			require.Less(t, a, 1e5, s.name)
		}
	}
}

// The density of a figure integrates to one over everything it can read, so
// that a factor is a likelihood ratio and no score.
func TestDensity(t *testing.T) {
	for i := range table {
		s := &table[i]
		if s.there == nil {
			continue
		}
		for _, over := range append(slices.Clone(s.there), s.sound) {
			lo, hi := over.low-8*s.err, over.high+8*s.err
			if s.floor {
				lo = 0
			}
			sum, n := 0.0, 40000
			for k := range n {
				sum += s.density(lo+(hi-lo)*(float64(k)+0.5)/float64(n), over) * (hi - lo) / float64(n)
			}
			assert.InDelta(t, 1, sum, 1e-4, "%s %v", s.name, over)
		}
	}
}

func TestTableNamesTheTrade(t *testing.T) {
	seen := map[string]bool{}
	for i := range table {
		s := &table[i]
		require.False(t, seen[s.name], s.name)
		seen[s.name] = true
		require.NotEmpty(t, s.source, s.name)
		require.NotEmpty(t, s.causes, s.name)
		require.True(t, s.otherwise > 0 && s.otherwise < 0.1, s.name)
		for c, p := range s.causes {
			require.Contains(t, schema.Words("cause"), c, s.name)
			require.True(t, p > s.otherwise && p < 1, "%s %s", s.name, c)
		}
	}
}

func TestOilFindings(t *testing.T) {
	for finding, cause := range map[string]string{"milky": "head-gasket", "overfull": "overfilled-oil",
		"low": "low-oil"} {
		for _, f := range of(t, "oil-level", "finding="+finding, spec()) {
			for _, other := range []string{"head-gasket", "overfilled-oil", "low-oil"} {
				if other != cause && f.Factor > 1 {
					assert.Less(t, f.Likelihood(other), f.Likelihood(cause), "%s: %s", finding, f.Says)
				}
			}
			if _, brings := f.Causes()[cause]; brings && f.State != "oil-over" {
				assert.Greater(t, f.Likelihood(cause), f.Likelihood(), "%s: %s", finding, f.Says)
			}
		}
	}
}

// The records that are no checks: cleanings, levels, refills.
func TestOtherRecords(t *testing.T) {
	at := func(day int) schema.Head {
		h := schema.Head{}
		h.At, h.Number = time.Date(2026, 3, day, 8, 0, 0, 0, time.UTC), int64(day)
		return h
	}
	log := &schema.Log{
		Refills: []schema.Refill{{Head: at(1), Concentrate: schema.N(20)}},
		Levels: []schema.Level{{Head: at(2), BelowMark: schema.N(400), SeenIn: "radiator"},
			{Head: at(3), BelowMark: schema.N(400), Engine: "hot"},
			{Head: at(4), BelowMark: schema.N(0)}},
		Cleanings: []schema.Cleaning{{Head: at(5), Method: "rinse", BlockedFront: schema.N(30),
			BlockedBack: schema.N(80)},
			{Head: at(6), Method: "hose", RadiatorOut: "yes", Sides: "both", BlockedBack: schema.N(80)},
			{Head: at(7), Method: "rinse", BlockedBack: schema.N(80), BlockedAfter: schema.N(5)}},
	}
	var states []string
	for _, f := range Of(log, spec("coolant_l", 4.0)) {
		states = append(states, f.State)
		assert.Equal(t, f.State != "bottle-low" && f.Record != 7, f.Factor > 1, f.Says)
	}
	assert.Equal(t, []string{"glycol-off", "neck-low", "bottle-low", "back-packed", "front-packed", "core-dark"},
		states)
	for _, f := range Of(log, spec()) {
		assert.NotContains(t, f.State, "low", "no system size, so no share")
	}
}

// Whatever a book holds, a fact is a number above 0.
func TestFactsAreWhole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := schema.Check{Check: rapid.SampledFrom(schema.Words("check")).Draw(t, "check")}
		figures, err := cooling.Figures(c.Check)
		require.NoError(t, err)
		for _, f := range figures {
			if rapid.Bool().Draw(t, f.Name) {
				x := rapid.Float64Range(f.Min, f.Max).Draw(t, "x")
				if f.Unit == "yesno" || f.Unit == "word" {
					x = math.Round(x)
				}
				c.Figures += f.Name + "=" + num(x) + ";"
			}
		}
		for _, f := range OfCheck(&c, spec("coolant_l", 4.0, "cap_kpa", 100.0, "thermostat_c", 82.0)) {
			require.True(t, f.Factor > 0 && f.Factor < 1e5, "%s: %v", f.Says, f.Factor)
			require.NotEmpty(t, f.Says)
		}
	})
}

func num(x float64) string { return strconv.FormatFloat(x, 'f', 4, 64) }
