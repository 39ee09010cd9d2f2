package cooling

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// The sentence of the task: its two figures come from the check values' method
// (section 2.3) at 1,500 m.
func TestBoilingSentence(t *testing.T) {
	require.Equal(t, "half and half boils at 124.7 °C on a 90 kPa cap at 1,500 m, at 102.8 °C if the cap holds nothing",
		(&exam{}).boilingSentence(Ethylene, 50, 90, 1500))
	require.Equal(t, "plain water boils at 100.0 °C with no pressure on it at sea level",
		(&exam{}).boilingSentence(Ethylene, 0, 0, 0))
	require.Contains(t, (&exam{}).boilingSentence(Propylene, 50, 103.4, 0),
		"half and half of propylene glycol boils at 12")
	require.Contains(t, (&exam{}).boilingSentence(Ethylene, 40, 90, 500), "40 % ethylene glycol boils at")
	require.Contains(t, (&exam{}).boilingSentence(Ethylene, 100, 90, 0), "neat ethylene glycol boils at 2")
}

// Check values, section 2.3: the whole table of plain water and half and half.
func TestBoilingTable(t *testing.T) {
	heights := []float64{0, 500, 1000, 2000, 3000}
	for _, row := range []struct {
		cap         float64
		water, half []float64
	}{
		{0, []float64{100.0, 98.3, 96.6, 93.3, 90.0}, []float64{108.0, 106.3, 104.5, 101.0, 97.5}},
		{50, []float64{111.6, 110.4, 109.3, 107.0, 104.8}, []float64{120.2, 118.9, 117.7, 115.3, 113.0}},
		{76, []float64{116.4, 115.4, 114.4, 112.4, 110.6}, []float64{125.2, 124.1, 123.1, 121.0, 119.1}},
		{90, []float64{118.8, 117.8, 116.9, 115.1, 113.3}, []float64{127.7, 126.7, 125.7, 123.8, 121.9}},
		{103.421, []float64{121.0, 120.0, 119.1, 117.4, 115.8}, []float64{129.9, 129.0, 128.0, 126.2, 124.5}},
		{110, []float64{122.0, 121.1, 120.2, 118.5, 116.9}, []float64{131.0, 130.0, 129.1, 127.4, 125.7}},
		{124.1, []float64{124.0, 123.2, 122.4, 120.8, 119.3}, []float64{133.1, 132.3, 131.4, 129.7, 128.2}},
		{140, []float64{126.3, 125.5, 124.7, 123.2, 121.8}, []float64{135.5, 134.6, 133.8, 132.3, 130.8}},
	} {
		for i, z := range heights {
			require.InDelta(t, row.water[i], boils(Ethylene, 0, row.cap, z), 0.08, "water, %v kPa, %v m", row.cap, z)
			require.InDelta(t, row.half[i], boils(Ethylene, 50, row.cap, z), 0.08, "half and half, %v kPa, %v m",
				row.cap, z)
		}
	}
}

func TestBoilingOfOtherMixtures(t *testing.T) {
	// Neat glycols at 101.325 kPa: ethylene 197.1 °C (check values, section
	// 1.4), propylene 188 °C (from memory).
	require.InDelta(t, 197.1, boilsAt(Ethylene, 100, 101.325), 0.1)
	require.InDelta(t, 188, boilsAt(Propylene, 100, 101.325), 0.5)
	// Ethylene 30 and 40 %: 104.4 and 106.1 °C (ASHRAE, from memory, section
	// 1.4), which Raoult's law puts 0.8 K lower.
	require.InDelta(t, 104.4, boilsAt(Ethylene, 30, 101.325), 1)
	require.InDelta(t, 106.1, boilsAt(Ethylene, 40, 101.325), 1)
	// Propylene half and half: 222 °F = 105.6 °C (trade, from memory).
	require.InDelta(t, 105.6, boilsAt(Propylene, 50, 101.325), 1)
	// 90 mass percent: the data sheet's own curve (7.685032, 1792.464,
	// 235.836) gives 137.26 °C at 760 mmHg, by hand; Raoult's law 137.24.
	require.InDelta(t, 137.26, boilsAt(Ethylene, Ethylene.vol(90), 101.325), 0.02)
}

func TestBoilingRises(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := rapid.SampledFrom([]Glycol{Ethylene, Propylene}).Draw(t, "glycol")
		vol := rapid.Float64Range(0, 99).Draw(t, "vol")
		cap := rapid.Float64Range(0, 200).Draw(t, "cap")
		z := rapid.Float64Range(-500, 5900).Draw(t, "z")
		here := boils(g, vol, cap, z)
		require.False(t, math.IsNaN(here) || math.IsInf(here, 0))
		require.Greater(t, boils(g, vol+1, cap, z), here)
		require.Greater(t, boils(g, vol, cap+1, z), here)
		require.Less(t, boils(g, vol, cap, z+100), here)
	})
}

func TestAltitude(t *testing.T) {
	// Below the sea the air is denser: -430 m, 106.6 kPa (ISO 2533:1975 table,
	// -400 m 106.223 and -450 m 106.837 kPa, from memory).
	require.InDelta(t, 106.59, airPressure(-430), 0.05)
	for _, z := range []float64{-600, 9000, math.NaN(), math.Inf(-1)} {
		_, err := OpenBoils(Ethylene, 50, z)
		require.ErrorContains(t, err, "altitude_m", "%v", z)
		require.ErrorContains(t, err, "between -500 and 6,000 m")
	}
	_, err := Judge("mix-strength", measured("glycol_pct", 50), Spec{Figures: map[string]float64{"altitude_m": -1000}})
	require.ErrorContains(t, err, "altitude_m: -1,000 m")
}

func TestCapInTheWrongUnit(t *testing.T) {
	var s Spec
	require.ErrorContains(t, s.set("cap_kpa", -5), "cap_kpa: -5 kPa should lie between 0 and 300 kPa")
	require.ErrorContains(t, s.set("cap_kpa", 100*kPaPerPsi), "is it 100 kPa rather than 100 psi?")
}
