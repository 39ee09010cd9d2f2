package sheet

import (
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

// 1.234 in a sheet with decimal commas is refused like 1,234, wherever the first
// comma stands; in a sheet without one it is what it says.
func TestPointsAmongDecimalCommas(t *testing.T) {
	known := schema.NewKnown([]string{"R4"}, nil, nil, nil)
	for name, c := range map[string]struct {
		cells []string
		says  string
	}{
		"after": {[]string{"2,5", "1.234"},
			`runs.csv:3: hours: "1.234" could be 1,234 or 1234, since line 2 has a decimal comma: write one of them`},
		"before": {[]string{"1.234", "2,5"}, "runs.csv:2: hours: a number such as 1.234 could be 1.234 " +
			"or 1234, since line 3 has a decimal comma: write one of them"},
		"with a unit":          {[]string{"2,5 h", "1.234 h"}, `runs.csv:3: hours: "1.234 h" could be`},
		"no comma":             {[]string{"2.5", "1.234"}, ""},
		"nothing before it":    {[]string{"2,5", "0.234"}, ""},
		"no thousands":         {[]string{"2,5", "1.23"}, ""},
		"only commas":          {[]string{"2,5", "1,25"}, ""},
		"a comma in no number": {[]string{"1.234", ""}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			var text strings.Builder
			text.WriteString("machine;start;hours;meter_out_h;meter_in_h;note\n")
			for _, cell := range c.cells {
				if cell == "" {
					text.WriteString("R4;2026-03-14T08:00:00Z;;5;6;1,5 l\n")
					continue
				}
				text.WriteString("R4;2026-03-14T08:00:00Z;" + cell + ";;;\n")
			}
			r, err := NewReader(strings.NewReader(text.String()), "runs.csv", schema.KindNamed("run"))
			require.NoError(t, err)
			var says []string
			for {
				row, err := r.Next()
				if errors.Is(err, io.EOF) {
					break
				}
				if err != nil {
					says = append(says, err.Error())
					break
				}
				_, wrong := r.Record(row, known)
				for _, e := range wrong {
					says = append(says, e.Error())
				}
			}
			if c.says == "" {
				require.Empty(t, says)
				return
			}
			require.Len(t, says, 1)
			require.Contains(t, says[0], c.says)
		})
	}
}
