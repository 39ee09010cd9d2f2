package schema

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A run's hours have limits that came later: what was recorded before is read.
func TestLimitsOfARunsHours(t *testing.T) {
	k, known := KindNamed("run"), NewKnown([]string{"R4"}, nil, nil, time.UTC)
	for raw, ok := range map[string]bool{"0.01": true, "1000": true, "100000": false, "1e-320": false, "0": false} {
		r := &Run{Base: Base{Machine: "R4", At: time.Unix(0, 0)}}
		known.Recorded = false
		require.Equal(t, ok, k.Set(r, k.Field("hours"), raw, known, time.Time{}) == nil, raw)
		known.Recorded = true
		require.NoError(t, k.Set(r, k.Field("hours"), raw, known, time.Time{}), raw)
		require.NoError(t, k.CheckRecorded(r), raw)
	}
	r := &Run{Base: Base{Machine: "R4", At: time.Unix(0, 0)}, MeterOut: N(10), MeterIn: N(90000)}
	require.ErrorContains(t, k.Check(r), "is 89990 h above")
	require.NoError(t, k.CheckRecorded(r))
	r.MeterIn = N(10) // a meter of whole tenths after a short run
	require.NoError(t, k.Check(r))
}
