package cooling

import (
	"errors"
	"math"
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
	for c, vol := range map[float64]float64{-10: 21.7, -20: 35.2, -25: 40.2, -30: 44.7, -37: 50.0, -40: 52.0, -45: 55.3} {
		s := must(StrengthFromFreezing(Ethylene, c))
		require.InDelta(t, vol, s.VolPct, 0.06, "%v °C", c)
	}
	// Two-valued: neat glycol freezes at -13 °C (check values, section 1.1),
	// 85 mass percent at -30 °C (a diesel engine maker's manual).
	s := must(StrengthFromFreezing(Ethylene, -13))
	require.True(t, s.TwoValued)
	require.InDelta(t, 100, s.OtherPct, 0.01)
	require.InDelta(t, 26.2, s.VolPct, 0.2)
	require.NotEmpty(t, s.Warnings)
	s = must(StrengthFromFreezing(Ethylene, -30))
	require.True(t, s.TwoValued)
	require.InDelta(t, must(VolumePercent(Ethylene, 85)), s.OtherPct, 0.01)
	// Warmer than neat glycol freezes: one answer.
	s = must(StrengthFromFreezing(Ethylene, -8))
	require.False(t, s.TwoValued)
	// Propylene glycol has no upper branch: strong mixtures turn to glass.
	require.False(t, must(StrengthFromFreezing(Propylene, -30)).TwoValued)
	// Beyond the tables.
	s = must(StrengthFromFreezing(Ethylene, -52))
	require.True(t, s.AtLeast)
	require.Equal(t, 57.8, s.VolPct)
	s = must(StrengthFromFreezing(Propylene, -55))
	require.True(t, s.AtLeast)
	require.Equal(t, 60.0, s.VolPct)
	// Plain water.
	require.InDelta(t, 0, must(StrengthFromFreezing(Ethylene, 0)).VolPct, 1e-9)
	// The sign forgotten.
	_, err := StrengthFromFreezing(Ethylene, 37)
	require.ErrorContains(t, err, "37 °C should lie between -70 and 0 °C")
}

func TestFreezingRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := rapid.SampledFrom([]Glycol{Ethylene, Propylene}).Draw(t, "glycol")
		vol := rapid.Float64Range(0, 57.8).Draw(t, "vol")
		c := must(FreezingPoint(g, vol))
		require.InDelta(t, vol, must(StrengthFromFreezing(g, c)).VolPct, 1e-6)
		require.InDelta(t, vol, must(VolumePercent(g, must(MassPercent(g, vol)))), 1e-9)
	})
}

func TestGlycolNoneAndNeat(t *testing.T) {
	for _, g := range []Glycol{Ethylene, Propylene} {
		require.Equal(t, 0.0, must(FreezingPoint(g, 0)))
		require.Equal(t, 0.0, must(MassPercent(g, 0)))
		require.InDelta(t, 100, must(MassPercent(g, 100)), 1e-9)
	}
	require.InDelta(t, -13, must(FreezingPoint(Ethylene, 100)), 1e-9) // check values, section 1.1
	for g, vol := range map[Glycol]float64{Ethylene: 65, Propylene: 100} {
		_, err := FreezingPoint(g, vol)
		require.ErrorIs(t, err, ErrBeyondTable)
	}
	_, err := Density(Ethylene, 100, 20)
	require.ErrorIs(t, err, ErrBeyondTable)
	for _, bad := range []float64{-1, 101, math.NaN(), math.Inf(1)} {
		_, err := FreezingPoint(Ethylene, bad)
		require.ErrorContains(t, err, "should lie between 0 and 100 %")
	}
	_, err = FreezingPoint("methanol", 50)
	require.ErrorContains(t, err, `"methanol" should be ethylene or propylene`)
	_, err = ParseGlycol("")
	require.Error(t, err)
	require.Equal(t, Propylene, must(ParseGlycol(" Propylene ")))
}

func TestDensity(t *testing.T) {
	// Water: 998.2 kg/m3 at 20 °C, 965.3 at 90 (Kell 1975, table; from memory).
	require.InDelta(t, 998.20, must(Density(Ethylene, 0, 20)), 0.01)
	require.InDelta(t, 965.3, must(Density(Propylene, 0, 90)), 0.05)
	// ASHRAE 2001 ch. 21, propylene glycol: rows of the table.
	require.InDelta(t, 1042.87, must(Density(Propylene, 50, 20)), 1e-6)
	require.InDelta(t, 992.28, must(Density(Propylene, 50, 90)), 1e-6)
	// Between rows and columns: the mean of four corners.
	require.InDelta(t, (1059.68+1057.6+1073.35+1071.11)/4, must(Density(Ethylene, 45, 22.5)), 1e-6)
	// Frozen, and past the table.
	_, err := Density(Ethylene, 30, -20)
	require.ErrorIs(t, err, ErrBeyondTable)
	require.ErrorContains(t, err, "frozen")
	_, err = Density(Ethylene, 0, -3)
	require.ErrorIs(t, err, ErrBeyondTable)
	_, err = Density(Ethylene, 50, 120)
	require.ErrorContains(t, err, "should lie between -35 and 100 °C")
}

func TestHeatCarried(t *testing.T) {
	// Check values, section 1.3: against water at 90 °C.
	for vol, ratio := range map[float64]float64{30: 0.954, 40: 0.930, 50: 0.902, 60: 0.870} {
		require.InDelta(t, ratio, must(HeatCarried(Ethylene, vol, 90)), 0.001, "%v %%", vol)
	}
	require.InDelta(t, 1, must(HeatCarried(Ethylene, 0, 50)), 1e-12)
}

func TestStrengthFromGravity(t *testing.T) {
	// Lange's Handbook table 5.13 (p. 5.85), pure propylene glycol at 15.6 °C
	// against water at 15.6 °C; the table here is of inhibited glycol, heavier
	// by up to 7 kg/m3: 7.6 % of concentration at 30 %, 9.1 % at 50 %.
	s := must(StrengthFromGravity(Propylene, 1.024, 15.6))
	require.InDelta(t, 30, s.VolPct, 10)
	require.False(t, s.TwoValued)
	s = must(StrengthFromGravity(Propylene, 1.040, 15.6))
	require.InDelta(t, 50, s.VolPct, 10)
	require.True(t, s.TwoValued)
	// CRC Handbook (102nd ed.): 52 mass percent ethylene glycol, 49.5 % by
	// volume, is 1067.0 kg/m3 at 20 °C (check values, section 1.3).
	s = must(StrengthFromGravity(Ethylene, 1067.0/waterDensity(15.6), 20))
	require.InDelta(t, 49.6, s.VolPct, 5)
	require.NotEmpty(t, s.Warnings)
	// Water at 20 °C reads 0.999: no glycol.
	require.InDelta(t, 0, must(StrengthFromGravity(Ethylene, waterDensity(20)/waterDensity(15.6), 20)).VolPct, 0.01)
	// Concentrate: ASTM D3306 relative density 1.110 to 1.145 (from memory).
	s = must(StrengthFromGravity(Ethylene, 1.12, 20))
	require.True(t, s.AtLeast)
	require.Equal(t, 60.0, s.VolPct)
	_, err := StrengthFromGravity(Ethylene, 0.96, 20)
	require.ErrorContains(t, err, "lighter than water")
	_, err = StrengthFromGravity(Ethylene, 1073, 20)
	require.ErrorContains(t, err, "should lie between 0.94 and 1.2")
	_, err = StrengthFromGravity(Ethylene, 1.07, -20)
	require.ErrorContains(t, err, "temperature")
	rapid.Check(t, func(t *rapid.T) {
		vol := rapid.Float64Range(0, 59).Draw(t, "vol")
		c := rapid.Float64Range(0, 100).Draw(t, "c")
		g := rapid.SampledFrom([]Glycol{Ethylene, Propylene}).Draw(t, "glycol")
		sg := must(Density(g, vol, c)) / waterDensity(15.6)
		if sg < 0.94 {
			return
		}
		require.InDelta(t, vol, must(StrengthFromGravity(g, sg, c)).VolPct, 0.01)
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
	// Replacing as much as ReplaceToReach says reaches the aim.
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(1, 20).Draw(t, "v")
		from, to := rapid.Float64Range(0, 100).Draw(t, "from"), rapid.Float64Range(0, 100).Draw(t, "to")
		l, with, err := ReplaceToReach(v, from, to)
		require.NoError(t, err)
		if with != "nothing" {
			require.InDelta(t, to, must(AfterTopUps(v, from, Fill{min(l, v), must(FluidPct(with))})), 1e-6)
		}
	})
	_, _, err = ReplaceToReach(5, 35, 120)
	require.True(t, err != nil && !errors.Is(err, ErrBeyondTable))
}
