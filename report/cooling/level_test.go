package cooling

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Check values, section 6: 5 L of half and half swell by 206 mL from 20 to
// 90 °C, 182 of them beyond the aluminium's own growth. At the mark hot is
// therefore about 182 mL short cold, less the second order: 174.2 by hand,
// 5000 - 5000(1+0.00483)/1.04113.
func TestColdLevel(t *testing.T) {
	require.InDelta(t, 174.3, must(coldLevel(Ethylene, 50, 5, 0, 90, 20)), 0.5)
	// 182 mL above the mark hot is at the mark cold.
	require.InDelta(t, 0, must(coldLevel(Ethylene, 50, 5, -182, 90, 20)), 1)
	// Cold is cold.
	require.InDelta(t, 120, must(coldLevel(Ethylene, 50, 5, 120, 20, 20)), 1e-9)
	// A winter morning reads lower than 20 °C.
	require.Negative(t, must(coldLevel(Ethylene, 50, 5, 0, 0, 20)))
	// Local slopes, mL per L per 10 K (check values, section 6), rigid.
	for from, ml := range map[float64]float64{0: 3.4, 20: 4.3, 40: 5.3, 60: 6.3, 80: 7.3, 90: 7.8} {
		require.InDelta(t, ml, 1000*must(Ethylene.expansion(50, from, from+10)), 0.1, "%v °C", from)
	}
	_, err := coldLevel(Ethylene, 50, 5, 0, 120, 20)
	require.ErrorContains(t, err, "temperature: 120 °C")
	_, err = coldLevel(Ethylene, 50, 5, 6000, 90, 20)
	require.ErrorContains(t, err, "below_mark_ml")
	// A level reads the same after going there and back.
	rapid.Check(t, func(t *rapid.T) {
		v, b := rapid.Float64Range(1, 20).Draw(t, "v"), rapid.Float64Range(-300, 900).Draw(t, "b")
		c := rapid.Float64Range(0, 100).Draw(t, "c")
		cold := must(coldLevel(Ethylene, 50, v, b, c, 20))
		// What is there swells by e and its shell by s, so hot overstates as long as
		// b*e < v*(e-s): e is six times s or more (4.3e-4 and 6.9e-5 per K at 20 °C), and b below half of v.
		if c > 21 && b < 500*v {
			require.Greater(t, cold, b)
		}
		hot := must(coldLevel(Ethylene, 50, v, cold, 20, 20))
		require.InDelta(t, cold, hot, 1e-6)
	})
}

func TestTrappedAirErrors(t *testing.T) {
	_, err := trappedAir(4.5, 0.4, 6)
	require.ErrorContains(t, err, "the system holds 4.5 L")
	_, err = trappedAir(4.5, 5, 1)
	require.ErrorContains(t, err, "left_ml")
}

func TestJudgeLevel(t *testing.T) {
	spec := specOf(t, "coolant_l", 5, "concentrate_pct", 50)
	spec.Glycol = Ethylene
	// Limits of the trade: above 5 % missing is low (common practice, no source).
	v := judged1(t, "level", spec, "below_mark_ml", 0, "coolant_c", 90)
	require.Equal(t, Unsure, v.Result)
	require.Equal(t, "0 mL below the mark at 90 °C is 174 mL below it at 20 °C, 3.5 % of 5 L: top up, and look again "+
		"after two cold mornings", v.Says)
	require.InDelta(t, 174, v.Value, 1)
	require.Equal(t, Pass, judged1(t, "level", spec, "below_mark_ml", -180, "coolant_c", 90).Result)
	require.Equal(t, Pass, judged1(t, "level", spec, "below_mark_ml", 50).Result)
	v = judged1(t, "level", spec, "below_mark_ml", 400)
	require.Equal(t, Fail, v.Result)
	require.Contains(t, v.Warnings[0], "read as a cold level")
	// The machine without its coolant_l.
	v = judged1(t, "level", Spec{}, "below_mark_ml", 100, "coolant_c", 90)
	require.Equal(t, Unsure, v.Result)
	require.Equal(t, []string{"coolant_l"}, v.Missing)
	require.Equal(t, Pass, judged1(t, "level", Spec{}, "below_mark_ml", 0).Result)
	require.Equal(t, Unsure, judged1(t, "level", Spec{}, "below_mark_ml", 80).Result)
	// Twice the expansion above the mark.
	v = judged1(t, "level", spec, "below_mark_ml", -400)
	require.Contains(t, v.Warnings[len(v.Warnings)-1], "overfilled")
}

func TestJudgeBleed(t *testing.T) {
	spec := specOf(t, "coolant_l", 4.5)
	// 3 % more after bleeding is air, nothing more is none (common practice, no source).
	require.Equal(t, Fail, judged1(t, "bleed", spec, "added_ml", 140).Result)
	require.Equal(t, Unsure, judged1(t, "bleed", spec, "added_ml", 90).Result)
	require.Equal(t, Pass, judged1(t, "bleed", spec, "added_ml", 30).Result)
	// Check value air-trapped: 4.5 L, 0.4 left, 3.2 filled: 0.9 L of air.
	v := judged1(t, "bleed", spec, "filled_ml", 3200, "left_ml", 400)
	require.Equal(t, Fail, v.Result)
	require.InDelta(t, 900, v.Value, 1e-6)
	require.Contains(t, v.Says, "900 mL of air, 20 % of the system")
	require.Equal(t, Unsure, judged1(t, "bleed", spec, "filled_ml", 4900).Result)
	require.Equal(t, []string{"coolant_l"}, judged1(t, "bleed", Spec{}, "filled_ml", 4900).Missing)
	require.Equal(t, Unsure, judged1(t, "bleed", Spec{}, "added_ml", 200).Result)
	require.Equal(t, Pass, judged1(t, "bleed", Spec{}, "added_ml", 0).Result)
	require.ErrorContains(t, refused(t, "bleed", spec), "nothing given")
	require.ErrorContains(t, refused(t, "bleed", spec, "left_ml", 400), "none of added_ml, filled_ml is given")
	require.ErrorContains(t, refused(t, "bleed", spec, "filled_ml", 9000), "the system holds 4.5 L")
}
