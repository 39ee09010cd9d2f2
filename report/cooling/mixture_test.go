package cooling

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// A digit lost in a table breaks its smoothness: the tables were computed from
// low polynomials, so second differences down a column are small and alike.
func TestTablesAreSmooth(t *testing.T) {
	for name, table := range map[string]struct {
		rows [][]float64
		most float64 // kg/m3, J/(kg K)
	}{
		"ethylene density": {ethyleneDensity, 0.06}, "propylene density": {propyleneDensity, 0.06},
		"ethylene heat": {ethyleneHeat, 2.1}, "propylene heat": {propyleneHeat, 2.1},
	} {
		require.Len(t, table.rows, 28, name)
		for col := range concentrations {
			var typical []float64
			for row := 1; row < len(table.rows)-1; row++ {
				a, b, c := table.rows[row-1][col], table.rows[row][col], table.rows[row+1][col]
				if a > 0 {
					typical = append(typical, a-2*b+c)
				}
			}
			mean := 0.0
			for _, d := range typical {
				mean += d / float64(len(typical))
			}
			for i, d := range typical {
				require.InDelta(t, mean, d, table.most, "%s, %v %%, difference %d", name, concentrations[col], i)
			}
		}
	}
}

func TestFreezingInverse(t *testing.T) {
	// Check values, section 1.1: inverse of the ASHRAE table of ethylene glycol.
	for c, vol := range map[float64]float64{-10: 21.7, -20: 35.2, -25: 40.2, -30: 44.7, -37: 50.0, -40: 52.0,
		-45: 55.3} {
		s := Ethylene.fromFreezing(c)
		require.InDelta(t, vol, s.volPct, 0.06, "%v °C", c)
	}
	// Two-valued: neat glycol freezes at -13 °C (check values, section 1.1),
	// 85 mass percent at -30 °C (a diesel engine maker's manual).
	s := Ethylene.fromFreezing(-13)
	require.InDelta(t, 26.2, s.volPct, 0.2)
	require.Contains(t, text(s.warnings[0].form, s.warnings[0].args...), "about 100 % freezes there too")
	s = Ethylene.fromFreezing(-30)
	require.Contains(t, text(s.warnings[0].form, s.warnings[0].args...),
		fmt.Sprintf("about %.0f %% freezes there too", Ethylene.vol(85)))
	// Warmer than neat glycol freezes: one answer.
	s = Ethylene.fromFreezing(-8)
	require.Empty(t, s.warnings)
	// Propylene glycol has no upper branch: strong mixtures turn to glass.
	require.Empty(t, Propylene.fromFreezing(-30).warnings)
	// Beyond the tables.
	s = Ethylene.fromFreezing(-52)
	require.True(t, s.atLeast)
	require.Equal(t, 57.8, s.volPct)
	s = Propylene.fromFreezing(-55)
	require.True(t, s.atLeast)
	require.Equal(t, 60.0, s.volPct)
	// Plain water.
	require.InDelta(t, 0, Ethylene.fromFreezing(0).volPct, 1e-9)
	// The sign forgotten.
	err := refused(t, "mix-strength", Spec{}, "freeze_c", 37)
	require.ErrorContains(t, err, "37 °C should lie between -70 and 0 °C")
}

func TestFreezingRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := rapid.SampledFrom([]Glycol{Ethylene, Propylene}).Draw(t, "glycol")
		vol := rapid.Float64Range(0, 57.8).Draw(t, "vol")
		c := freezesAt(g, vol)
		require.InDelta(t, vol, g.fromFreezing(c).volPct, 1e-6)
		require.InDelta(t, vol, g.vol(g.mass(vol)), 1e-9)
	})
}

func TestGlycolNoneAndNeat(t *testing.T) {
	for _, g := range []Glycol{Ethylene, Propylene} {
		require.Equal(t, 0.0, freezesAt(g, 0))
		require.Equal(t, 0.0, g.mass(0))
		require.InDelta(t, 100, g.mass(100), 1e-9)
	}
	require.InDelta(t, -13, freezesAt(Ethylene, 100), 1e-9) // check values, section 1.1
	for g, vol := range map[Glycol]float64{Ethylene: 65, Propylene: 100} {
		_, ok := g.freezes(vol)
		require.False(t, ok)
	}
	_, err := Ethylene.density(100, 20)
	require.ErrorIs(t, err, errBeyondTable)
	_, err = Judge("mix-strength", measured("glycol_pct", 50), Spec{Glycol: "methanol"})
	require.ErrorContains(t, err, `"methanol" should be ethylene or propylene`)
	_, err = ParseGlycol("")
	require.Error(t, err)
	require.Equal(t, Propylene, must(ParseGlycol(" Propylene ")))
}

func TestDensity(t *testing.T) {
	// Water: 998.2 kg/m3 at 20 °C, 965.3 at 90 (Kell 1975, table; from memory).
	require.InDelta(t, 998.20, must(Ethylene.density(0, 20)), 0.01)
	require.InDelta(t, 965.3, must(Propylene.density(0, 90)), 0.05)
	// ASHRAE 2001 ch. 21, propylene glycol: rows of the table.
	require.InDelta(t, 1042.87, must(Propylene.density(50, 20)), 1e-6)
	require.InDelta(t, 992.28, must(Propylene.density(50, 90)), 1e-6)
	// Between rows and columns: the mean of four corners.
	require.InDelta(t, (1059.68+1057.6+1073.35+1071.11)/4, must(Ethylene.density(45, 22.5)), 1e-6)
	// Frozen, and past the table.
	_, err := Ethylene.density(30, -20)
	require.ErrorIs(t, err, errBeyondTable)
	require.ErrorContains(t, err, "frozen")
	_, err = Ethylene.density(0, -3)
	require.ErrorIs(t, err, errBeyondTable)
	_, err = Ethylene.density(50, 120)
	require.ErrorContains(t, err, "should lie between -35 and 100 °C")
}

func TestHeatCarried(t *testing.T) {
	// Check values, section 1.3: against water at 90 °C.
	for vol, ratio := range map[float64]float64{30: 0.954, 40: 0.930, 50: 0.902, 60: 0.870} {
		require.InDelta(t, ratio, must(Ethylene.carries(vol, 90)), 0.001, "%v %%", vol)
	}
	require.InDelta(t, 1, must(Ethylene.carries(0, 50)), 1e-12)
}

func TestStrengthFromGravity(t *testing.T) {
	// Lange's Handbook table 5.13 (p. 5.85), pure propylene glycol at 15.6 °C
	// against water at 15.6 °C; the table here is of inhibited glycol, heavier
	// by up to 7 kg/m3: 7.6 % of concentration at 30 %, 9.1 % at 50 %.
	s := must(Propylene.fromGravity(1.024, 15.6))
	require.InDelta(t, 30, s.volPct, 10)
	require.NotContains(t, fmt.Sprint(s.warnings), "much stronger")
	s = must(Propylene.fromGravity(1.040, 15.6))
	require.InDelta(t, 50, s.volPct, 10)
	require.Contains(t, fmt.Sprint(s.warnings), "a much stronger mixture of propylene glycol weighs the same")
	// CRC Handbook (102nd ed.): 52 mass percent ethylene glycol, 49.5 % by
	// volume, is 1067.0 kg/m3 at 20 °C (check values, section 1.3).
	s = must(Ethylene.fromGravity(1067.0/waterDensity(15.6), 20))
	require.InDelta(t, 49.6, s.volPct, 5)
	require.NotEmpty(t, s.warnings)
	// Water at 20 °C reads 0.999: no glycol.
	require.InDelta(t, 0, must(Ethylene.fromGravity(waterDensity(20)/waterDensity(15.6), 20)).volPct, 0.01)
	// Concentrate: ASTM D3306 relative density 1.110 to 1.145 (from memory).
	s = must(Ethylene.fromGravity(1.12, 20))
	require.True(t, s.atLeast)
	require.Equal(t, 60.0, s.volPct)
	_, err := Ethylene.fromGravity(0.96, 20)
	require.ErrorContains(t, err, "lighter than water")
	require.ErrorContains(t, refused(t, "mix-strength", Spec{}, "gravity", 1073), "should lie between 0.94 and 1.2")
	require.ErrorContains(t, refused(t, "mix-strength", Spec{}, "gravity", 1.07, "gravity_c", -20), "gravity_c")
	rapid.Check(t, func(t *rapid.T) {
		vol := rapid.Float64Range(0, 59).Draw(t, "vol")
		c := rapid.Float64Range(0, 100).Draw(t, "c")
		g := rapid.SampledFrom([]Glycol{Ethylene, Propylene}).Draw(t, "glycol")
		sg := must(g.density(vol, c)) / waterDensity(15.6)
		if sg < 0.94 {
			return
		}
		require.InDelta(t, vol, must(g.fromGravity(sg, c)).volPct, 0.01)
	})
}

func TestMixing(t *testing.T) {
	require.Equal(t, 50.0, must(FluidPct("premix")))
	require.Equal(t, 100.0, must(FluidPct("concentrate")))
	require.Equal(t, 0.0, must(FluidPct("water")))
	_, err := FluidPct("milk")
	require.ErrorContains(t, err, "premix, concentrate or water")
	// Premix into premix changes nothing; concentrate raises: 50 + 50 x 0.5/4.
	require.InDelta(t, 50, must(AfterTopUps(4, 50, Fill{0.5, 50})), 1e-12)
	require.InDelta(t, 56.25, must(AfterTopUps(4, 50, Fill{0.5, 100})), 1e-12)
	// Water and then as much concentrate, by hand: 43.75 + 56.25/8.
	require.InDelta(t, 50.78125, must(AfterTopUps(4, 50, Fill{0.5, 0}, Fill{0.5, 100})), 1e-12)
	_, err = AfterTopUps(4, 50, Fill{5, 0})
	require.ErrorContains(t, err, "top-up 1: 5 L should lie between 0 and 4 L")
	_, err = AfterTopUps(0, 50)
	require.ErrorContains(t, err, "coolant_l")
}
