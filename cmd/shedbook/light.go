package main

import (
	"errors"
	"fmt"
	"math"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"shedbook/report/cooling"
	"shedbook/report/light"
	"shedbook/report/stat"
	"shedbook/schema"
	"shedbook/schema/unit"
	"shedbook/store"
)

func (a *app) lightVerb() *cobra.Command {
	var corners []string
	var machine, side string
	var asJSON bool
	c := &cobra.Command{
		Use: "light PHOTO", Short: "how much of a radiator core is blocked, from a photograph with a lamp behind it", GroupID: "look",
		Long: `Measures, from a photograph (JPEG or PNG), how much of a radiator core passes
light: a lamp behind the core lights all of it, the room is dark, and the camera
looks straight at it. Corners are the core's own, without tanks and frame, in
pixels from the photograph's left and upper edge; without them they are looked
for. A core may be open in front and packed behind: take one from each side.

Core cold, fan unplugged: it starts by itself.`,
		Args: args(1, 1, "a photograph"),
		RunE: func(cmd *cobra.Command, given []string) error {
			at, err := parseCorners(corners)
			if err != nil {
				return err
			}
			if side != "back" && side != "front" {
				return usage("", "--side %q should be front or back", side)
			}
			f, err := os.Open(given[0])
			if err != nil {
				return err
			}
			defer f.Close()
			img, _, err := light.Decode(f)
			if err != nil {
				return usage("", "%s: %s", given[0], err)
			}
			r, err := light.Measure(img, at)
			var refused *light.Refused
			if errors.As(err, &refused) {
				return usage("with the corners given (--corners x,y;x,y;x,y;x,y) and a better photograph it may do", "%s can't be judged: %s", given[0], refused.Detail)
			}
			if err != nil {
				return err
			}
			if asJSON {
				if err := a.printJSON(lightJSON(r)); err != nil {
					return err
				}
			} else {
				fmt.Fprintf(a.out, "%.0f %% of the core is blocked (%.0f to %.0f, 95 %%)\n", r.Blocked, r.Low, r.High)
				for _, w := range r.Warnings {
					fmt.Fprintf(a.out, "note: %s\n", w)
				}
			}
			if machine == "" && a.inTerminal && !asJSON {
				machine, _ = a.ask("Record it as a light test of which machine (Enter for none)? ")
			}
			if machine == "" {
				return nil
			}
			if asJSON { // nothing but JSON on the output
				a.out = a.errOut
			}
			return a.recordIn(cmd.Context(), func(b *store.Book) error {
				known, err := a.known(cmd.Context(), b)
				if err != nil {
					return err
				}
				name, err := known.Machine(machine)
				if err != nil {
					return err
				}
				check := &schema.Check{Head: schema.Head{Base: schema.Base{Machine: name, At: a.now.UTC()}}, Check: "light-test",
					Note: fmt.Sprintf("from a photograph of its %s: %.0f to %.0f %%", side, r.Low, r.High)}
				return a.keepCheck(cmd.Context(), b, check, cooling.Measurement{Figures: map[string][]float64{"blocked_" + side + "_pct": {math.Round(r.Blocked)}}})
			})
		},
	}
	c.Flags().StringArrayVar(&corners, "corners", nil, "the core's four corners, as x,y pairs with spaces or ; between, in any order")
	c.Flags().StringVar(&machine, "machine", "", "record the result as a light test of this machine")
	c.Flags().StringVar(&side, "side", "back", "from which side the photograph was taken: front or back")
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	_ = c.RegisterFlagCompletionFunc("machine", a.completeField(&schema.Field{Type: schema.MachineField}))
	return c
}

func lightJSON(r light.Result) any {
	var at [4][2]float64
	for i, p := range r.Corners {
		at[i] = [2]float64{p.X, p.Y}
	}
	return struct {
		Blocked  stat.Estimate `json:"blocked_pct"`
		Corners  [4][2]float64 `json:"corners"`
		Found    bool          `json:"corners_found"`
		Warnings []string      `json:"warnings,omitempty"`
	}{stat.Estimate{Value: r.Blocked, Low: r.Low, High: r.High, Level: r.Level}, at, r.Found, r.Warnings}
}

// parseCorners reads four x,y pairs; nil where none is given.
func parseCorners(given []string) (*[4]light.Point, error) {
	if len(given) == 0 {
		return nil, nil
	}
	var out [4]light.Point
	pairs := strings.FieldsFunc(strings.Join(given, ";"), func(r rune) bool { return r == ';' || r == ' ' })
	if len(pairs) != 4 {
		return nil, usage("for instance --corners '120,80;1410,95;1400,990;130,1005'", "--corners has %d points, and a core four corners", len(pairs))
	}
	for i, p := range pairs {
		x, y, ok := strings.Cut(p, ",")
		var errX, errY error
		out[i].X, errX = unit.Parse(x, unit.Count)
		out[i].Y, errY = unit.Parse(y, unit.Count)
		if !ok || errX != nil || errY != nil {
			return nil, usage("for instance --corners '120,80;1410,95;1400,990;130,1005'", "--corners: %q is not an x,y pair", p)
		}
	}
	return &out, nil
}
