package unit

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// NIST SP 811 (2008), appendix B.8: 1 psi = 6.894757 kPa, 1 US fluid ounce =
// 29.57353 mL, 1 US liquid quart = 0.946353 L, t(°F) = 1.8 t(°C) + 32.
func TestReword(t *testing.T) {
	for _, c := range [][2]string{
		{"lowest 621 kPa, 98 % of the highest (634 kPa)", "lowest 90 psi, 98 % of the highest (92 psi)"},
		{"lost 20.7 kPa of 103 kPa in 10 min (2.07 kPa a minute)", "lost 3 psi of 15 psi in 10 min (0.3 psi a minute)"},
		{"caps hold 30 to 200 kPa (4 to 29 psi)", "caps hold 4.4 to 29 psi"},
		{"starts at 92 °C, +3.5 K from the 95 °C of the book", "starts at 198 °F, +6.3 °F from the 203 °F of the book"},
		{"it freezes at -37 °C", "it freezes at -35 °F"},
		{"1500 mL went in and 200 mL had stayed in a system of 4.20 L", "50.7 fl oz went in and 6.76 fl oz had stayed in a system of 4.44 qt"},
		{"lowest 12500 kPa", "lowest 1810 psi"},
		{"R4 K9 12 Kites, 3 Litres", "R4 K9 12 Kites, 3 Litres"},
	} {
		require.Equal(t, c[1], Reword(c[0], US))
		require.Equal(t, c[0], Reword(c[0], Metric))
	}
}
