package say

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// Two figures, thousands apart by commas, either way round, and no more than a
// million. The powers of ten are arithmetic.
func TestOdds(t *testing.T) {
	for log10, want := range map[float64]string{
		0:                    "1 times",
		math.Log10(4.44):     "4.4 times",
		math.Log10(444):      "440 times",
		math.Log10(27_100):   "27,000 times",
		math.Log10(999_600):  "1,000,000 times",
		6:                    "over a million times",
		40:                   "over a million times",
		-math.Log10(27_100):  "27,000 times less",
		-math.Log10(999_600): "1,000,000 times less",
		-6:                   "over a million times less",
		math.Inf(-1):         "over a million times less",
		math.NaN():           "unknown",
	} {
		require.Equal(t, want, Odds(log10), log10)
	}
}
