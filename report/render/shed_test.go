package render

import (
	"testing"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

// A page says what the command line says, but for the commands, whatever a machine is
// called.
func TestWithoutCommands(t *testing.T) {
	for _, name := range []string{"R4", "R.4", "R4.", "Ada's; it", "it's 'R' 4", "../../etc"} {
		quoted := schema.Quote(name)
		for says, want := range map[string]string{
			"To end it: look at it, then say what you found: shedbook answer " + quoted +
				" steady-loss.": "To end it: look at it, then say what you found.",
			"do a check, or fix it: shedbook next " + quoted +
				"; and fill it": "do a check, or fix it; and fill it",
			"2 remedies before: shedbook held " + quoted: "",
			"The best test of this. shedbook next " + quoted +
				" weighs all causes. The manual comes first.": "The best test of this. The manual comes first.",
			name + " is ready: no rule parks it. The maker's manual still comes first.": name +
				" is ready: no rule parks it. The maker's manual still comes first.",
			"he mostly drove R4, so it may be the machine ('--adjust terrain,speed' allows for that)": "he mostly drove R4, so it may be the machine",
			"The driver's drill: shedbook cautions lamp. Next: shedbook next " + quoted:               "",
			"R4 is out with Ada. When it comes back: shedbook back " + quoted +
				" METER": "R4 is out with Ada.",
		} {
			if name == "R4." && want != says { // whose stop may be the sentence's
				continue
			}
			require.Equal(t, want, WithoutCommands(says))
		}
	}
}
