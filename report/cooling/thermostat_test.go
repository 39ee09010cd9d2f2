package cooling

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestThermostatOfManuals(t *testing.T) {
	by := readPublished(t)
	// 80 to 84 and 76 to 80 °C: two degrees either side of the stamp.
	for id, stamp := range map[string]float64{"thermostat-open-a": 82, "thermostat-open-c": 78} {
		low, high := by[id].want()
		for _, c := range []float64{low, high} {
			v := judged1(t, "thermostat-bath", specOf(t, "thermostat_c", stamp), "opens_c", c)
			require.Equal(t, Pass, v.Result, v.Says)
			require.InDelta(t, c-stamp, v.Value, 1e-9)
		}
		require.NotEqual(t, Pass, judged1(t, "thermostat-bath", specOf(t, "thermostat_c", stamp), "opens_c",
			high+1).Result)
	}
	// 71 to 86 °C, a wide one: only with the book's own tolerance.
	low, high := by["thermostat-open-b"].want()
	wide := specOf(t, "thermostat_c", 78.5, "thermostat_tol_c", 7.5)
	for _, c := range []float64{low, high} {
		require.Equal(t, Pass, judged1(t, "thermostat-bath", wide, "opens_c", c).Result)
		require.NotEqual(t, Pass, judged1(t, "thermostat-bath", specOf(t, "thermostat_c", 78.5), "opens_c", c).Result)
	}
	// Lift of 10 mm at 95 °C, start 80 to 84 (thermostat-lift); 8 is the least.
	mm, _ := by["thermostat-lift"].want()
	spec := specOf(t, "thermostat_c", 82)
	require.Equal(t, Pass, judged1(t, "thermostat-bath", spec, "opens_c", 82, "lift_mm", mm, "lift_at_c", 97).Result)
	require.Equal(t, Fail, judged1(t, "thermostat-bath", spec, "opens_c", 82, "lift_mm", 6, "lift_at_c", 97).Result)
	strict := specOf(t, "thermostat_c", 82, "lift_mm", mm)
	require.Equal(t, Fail, judged1(t, "thermostat-bath", strict, "opens_c", 82, "lift_mm", 9).Result)
	// 83 opening to 95 full (thermostat-range-loader).
	low, high = by["thermostat-range-loader"].want()
	v := judged1(t, "thermostat-bath", specOf(t, "thermostat_c", low), "opens_c", low, "full_open_c", high)
	require.Equal(t, Pass, v.Result)
	require.Contains(t, v.Says,
		"begins to open at 83 °C, 0 K from the stamped 83 °C (2 K is allowed), is fully open at 95 °C")
}

func TestThermostat(t *testing.T) {
	spec := specOf(t, "thermostat_c", 82)
	judge := func(pairs ...any) Verdict { return judged1(t, "thermostat-bath", spec, pairs...) }
	require.Equal(t, Fail, judge("opens_c", 88).Result)   // 6 K late
	require.Equal(t, Unsure, judge("opens_c", 86).Result) // 4 K
	early := judge("opens_c", 72)
	require.Equal(t, Unsure, early.Result)
	require.Contains(t, early.Says, "no cause of overheating")
	require.Equal(t, Fail, judge("shut_at_c", 96).Result)
	require.Equal(t, Unsure, judge("shut_at_c", 84).Result)
	require.Contains(t, judge("shut_at_c", 84).Says, "heat the bath to 87 °C")
	require.Equal(t, Fail, judge("opens_c", 82, "full_open_c", 100).Result)
	require.Contains(t, fmt.Sprint(judge("opens_c", 82).Warnings), "full_open_c or lift_mm would tell")
	// A lift measured too cool is no finding.
	v := judge("opens_c", 82, "lift_mm", 4, "lift_at_c", 85)
	require.Equal(t, Pass, v.Result)
	require.Contains(t, fmt.Sprint(v.Warnings), "counts from 97 °C on")
	// A stamp that water cannot reach at 2,000 m (boils at 93.3 °C).
	v = judged1(t, "thermostat-bath", specOf(t, "thermostat_c", 91, "altitude_m", 2000), "shut_at_c", 93)
	require.Equal(t, Unsure, v.Result)
	require.Contains(t, fmt.Sprint(v.Warnings), "water boils at 93.3 °C here")
	// Without its stamp.
	v = judged1(t, "thermostat-bath", Spec{}, "opens_c", 82)
	require.Equal(t, Unsure, v.Result)
	require.Equal(t, []string{"thermostat_c"}, v.Missing)
	// Bad baths.
	require.ErrorContains(t, refused(t, "thermostat-bath", spec, "opens_c", 105),
		"opens_c: 105 °C should be at most 100 °C")
	require.ErrorContains(t, refused(t, "thermostat-bath", specOf(t, "thermostat_c", 82, "altitude_m", 3000),
		"shut_at_c", 95), "boils at 3,000 m")
	require.ErrorContains(t, refused(t, "thermostat-bath", spec, "opens_c", 84, "full_open_c", 80),
		"full_open_c: 80 °C should be at or above opens_c")
	require.ErrorContains(t, refused(t, "thermostat-bath", spec, "opens_c", 84, "shut_at_c", 90), "shut_at_c")
	require.ErrorContains(t, refused(t, "thermostat-bath", spec, "lift_mm", 8), "none of opens_c, shut_at_c")
}
