package unit

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// NIST SP 811 (2008), appendix B.8: 1 psi = 6.894757 kPa, 1 US fluid ounce =
// 29.57353 mL, 1 US liquid quart = 0.946353 L, 1 ft = 0.3048 m, t(°F) = 1.8 t(°C) + 32.
func TestSaid(t *testing.T) {
	for _, c := range []struct {
		v             float64
		decimals      int
		of            string
		metric, us, u string
	}{
		{621, 0, "kPa", "621", "90", "psi"},
		{634.4, 0, "kPa", "634", "92", "psi"},
		{2.07, 2, "kPa", "2.07", "0.3", "psi"},
		{12500, 0, "kPa", "12500", "1810", "psi"},
		{92, 1, "°C", "92", "198", "°F"},
		{-37, 0, "°C", "-37", "-35", "°F"},
		{3.5, 1, "K", "3.5", "6.3", "°F"},
		{1500, 0, "mL", "1500", "50.7", "fl oz"},
		{4.2, 2, "L", "4.2", "4.4", "qt"},
		{1500, 0, "m", "1500", "4920", "ft"},
		{12.5, 1, "mm", "12.5", "12.5", "mm"},
	} {
		text, u := Said(c.v, c.decimals, c.of, US)
		require.Equal(t, []string{c.us, c.u}, []string{text, u}, "%v %s", c.v, c.of)
		text, u = Said(c.v, c.decimals, c.of, Metric)
		require.Equal(t, []string{c.metric, c.of}, []string{text, u})
	}
}
