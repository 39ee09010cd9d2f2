package cooling

import (
	"testing"

	"github.com/stretchr/testify/require"

	"shedbook/schema/unit"
)

// The figures in US units are those of NIST SP 811 (2008), appendix B.8, as in package unit.
func TestSentencesAreInTheMachinesUnits(t *testing.T) {
	us, metric := &exam{spec: Spec{Units: unit.US}}, &exam{}
	for _, c := range []struct {
		form, metric, us string
		args             []any
	}{
		{"%s: %v %% of %.2v L, %v mL", "full: 3 % of 4.2 L, 1,500 mL", "full: 3 % of 4.4 qt, 50.7 fl oz",
			[]any{"full", 3.0, 4.2, 1500.0}},
		{"fans start at %v to %v °C", "fans start at 85 to 105 °C", "fans start at 185 to 221 °F", []any{85.0, 105}},
		{"%+.1v K from %v °C, on cylinder %d", "+3.5 K from 95 °C, on cylinder 2", "+6.3 °F from 203 °F, on cylinder 2",
			[]any{3.5, 95.0, 2}},
		{"%.3v mm lift on a %.1v kPa cap at %v m", "0.25 mm lift on a 90 kPa cap at 1,500 m",
			"0.25 mm lift on a 13 psi cap at 4920 ft", []any{0.25, 90.0, 1500.0}},
		{"boils at %.1f °C, %+.1v K", "boils at 124.7 °C, 0 K", "boils at 256 °F, 0 °F", []any{124.7, 0.0}},
	} {
		require.Equal(t, c.metric, metric.text(c.form, append([]any(nil), c.args...)...))
		require.Equal(t, c.us, us.text(c.form, append([]any(nil), c.args...)...))
	}
}
