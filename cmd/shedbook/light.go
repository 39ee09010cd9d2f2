package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"shedbook/report/cooling"
	"shedbook/report/light"
	"shedbook/report/say"
	"shedbook/report/stat"
	"shedbook/schema"
	"shedbook/schema/unit"
	"shedbook/store"
	"shedbook/store/photo"
)

func (a *app) lightVerb() *cobra.Command {
	var corners, againstCorners []string
	var machine, side, against string
	var asJSON bool
	c := &cobra.Command{
		Use: "light PHOTO", Short: "how much of a radiator core is blocked, from a photograph with a lamp behind it",
		GroupID: "look",
		Long: `Measures, from a photograph (JPEG or PNG), how much of a radiator core passes
light. Put a lamp behind the core that lights all of it, in a dark room, and point
the camera straight at it. Corners are those of the core itself, without tanks and
frame, in pixels from the photograph's left and upper edge; without them the
outline is guessed. A core may be open in front and packed behind: take a photograph
from each side.

A photograph alone can't tell thick tubes from dirt. Compare it with a
reference: a photograph of the same core from the same side after a thorough
clean. Give it with --against, as a file or as the number of the record that it is
attached to. With --machine the book is searched for one: the last file attached
with "reference" in its --what, or else to the last thorough clean. That --what
may also hold the four corners: 'reference 120,80 1410,95 1400,990 130,1005'.

Core cold, fan unplugged: it starts by itself.`,
		Args: args(1, 1, "a photograph"),
		RunE: func(cmd *cobra.Command, given []string) error {
			at, err := parseCorners(corners)
			if err != nil {
				return err
			}
			clean, err := parseCorners(againstCorners)
			if err != nil {
				return err
			}
			if clean != nil && against == "" {
				return usage("", "--against-corners is given without --against")
			}
			if side != "back" && side != "front" {
				return usage("", "--side %q should be front or back", side)
			}
			f, err := os.Open(given[0])
			if err != nil {
				return err
			}
			defer f.Close()
			img, _, err := light.Decode(f, photo.Orientation)
			if err != nil {
				return usage("", "%s: %s", given[0], err)
			}
			picture := light.Photograph{Image: img, Corners: at}
			ref, err := a.reference(cmd.Context(), against, machine, clean)
			if err != nil {
				return err
			}
			var r light.Result
			if ref != nil {
				r, err = light.MeasureAgainst(picture, ref.Photograph)
				var bad *light.BadReference
				if errors.As(err, &bad) && against != "" {
					return usage("give its corners with --against-corners, or take another after a thorough clean",
						"%s can't be the reference: %s", ref.name, bad.Detail)
				}
				if errors.As(err, &bad) {
					fmt.Fprintf(a.errOut, "note: %s can't be the reference: %s\n", ref.name, bad.Detail)
					ref = nil
				}
			}
			if ref == nil {
				r, err = light.Measure(img, at)
			}
			var refused *light.Refused
			if errors.As(err, &refused) {
				return usage("with the corners given (--corners x,y;x,y;x,y;x,y) and a better photograph it may do",
					"%s can't be judged: %s", given[0], refused.Detail)
			}
			if err != nil {
				return err
			}
			by := ""
			if r.Compared {
				by = ref.name
			}
			figures := map[string][]float64{"blocked_" + side + "_pct": {math.Round(r.Blocked)}}
			clear, err := clearOf(r, "blocked_"+side+"_pct")
			if err != nil {
				return err
			}
			measured := cooling.Measurement{Figures: figures}
			if !clear { // a figure that may be far off is no finding: the note has it
				measured = cooling.Measurement{Result: cooling.Unsure}
				says := "unsure: the whole interval should be on one side of the limits"
				if !r.Compared {
					says += "; measure it by a photograph taken after a thorough clean (--against)"
				}
				r.Warnings = append(r.Warnings, says)
			}
			if asJSON {
				if err := a.printJSON(lightJSON(r, by)); err != nil {
					return err
				}
			} else {
				fmt.Fprintf(a.out, "%.0f %% of the core is blocked (%.0f to %.0f, 95 %%)\n", r.Blocked, r.Low, r.High)
				if by != "" {
					fmt.Fprintf(a.out, "measured by %s\n", by)
				}
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
				check := &schema.Check{Head: schema.Head{Base: schema.Base{Machine: name, At: a.now.UTC()}},
					Check: "light-test",
					Note: fmt.Sprintf("from a photograph of its %s: %.0f %% blocked (%.0f to %.0f)", side, r.Blocked,
						r.Low, r.High)}
				if by != "" {
					check.Note += ", measured by " + by
				}
				return a.keepCheck(cmd.Context(), b, check, measured)
			})
		},
	}
	c.Flags().StringArrayVar(&corners, "corners", nil,
		"the core's four corners, as x,y pairs with spaces or ; between, in any order")
	c.Flags().StringVar(&against, "against", "",
		"a photograph of the same core after a thorough clean: a file, or a record's number")
	c.Flags().StringArrayVar(&againstCorners, "against-corners", nil, "the core's four corners in that photograph")
	c.Flags().StringVar(&machine, "machine", "", "record the result as a light test of this machine")
	c.Flags().StringVar(&side, "side", "back", "from which side the photograph was taken: front or back")
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	_ = c.RegisterFlagCompletionFunc("machine", a.completeField(&schema.Field{Type: schema.MachineField}))
	return c
}

// clearOf tells whether a light test says the same wherever in its interval the
// share lies.
func clearOf(r light.Result, figure string) (bool, error) {
	said := map[string]bool{}
	for _, share := range []float64{r.Low, math.Round(r.Blocked), r.High} {
		v, err := cooling.Judge("light-test", cooling.Measurement{Figures: map[string][]float64{figure: {share}}},
			cooling.Spec{})
		if err != nil {
			return false, err
		}
		said[v.Result] = true
	}
	return len(said) == 1, nil
}

// reference is the photograph that a core is measured by.
type reference struct {
	light.Photograph
	name string
}

// reference is what --against names, a file or a record's number, or else what
// is kept with the machine; nil where there is none.
func (a *app) reference(ctx context.Context, against, machine string, corners *[4]light.Point) (*reference, error) {
	number, notNumber := numberArg(against)
	switch {
	case against == "" && machine == "":
		return nil, nil
	case against != "" && notNumber != nil:
		content, err := readFile(against)
		if err != nil {
			return nil, err
		}
		return referenceOf(content, against, corners)
	}
	var out *reference
	err := a.view(ctx, func(b *store.Book) error {
		var kept *store.Attachment
		if against != "" {
			all, err := b.Attachments(ctx, number)
			if err != nil {
				return err
			}
			if kept = newestPicture(all, isReference); kept == nil {
				kept = newestPicture(all, func(store.Attachment) bool { return true })
			}
			if kept == nil {
				return &store.Error{Trouble: store.NotFound,
					Says: fmt.Sprintf("--against: record %d has no photograph attached", number),
					Hint: fmt.Sprintf("shedbook attach %d FILE --what reference adds one", number)}
			}
		} else {
			known, err := a.known(ctx, b)
			if err != nil {
				return err
			}
			name, err := known.Machine(machine)
			if err != nil {
				return err
			}
			if kept, err = keptReference(ctx, b, name); err != nil || kept == nil {
				return err
			}
		}
		content, err := b.Content(ctx, *kept)
		if err != nil {
			return err
		}
		if corners == nil {
			corners = cornersIn(kept.What)
		}
		out, err = referenceOf(content, fmt.Sprintf("attachment %d of record %d", kept.Nth, kept.Record), corners)
		return err
	})
	return out, err
}

func referenceOf(content []byte, name string, corners *[4]light.Point) (*reference, error) {
	img, _, err := light.Decode(bytes.NewReader(content), photo.Orientation)
	if err != nil {
		return nil, usage("", "%s: %s", name, err)
	}
	return &reference{light.Photograph{Image: img, Corners: corners}, name}, nil
}

// keptReference is the photograph of a machine's clean core in the book: the
// newest called a reference, or else the newest of the last thorough clean.
func keptReference(ctx context.Context, b *store.Book, machine string) (*store.Attachment, error) {
	all, err := b.Attached(ctx, machine)
	if err != nil {
		return nil, err
	}
	if kept := newestPicture(all, isReference); kept != nil {
		return kept, nil
	}
	fleet, err := b.Fleet(ctx, machine)
	if err != nil {
		return nil, err
	}
	var last *schema.Cleaning
	for i, c := range fleet.Logs[0].Cleanings {
		if c.Thorough() && (last == nil || !c.At.Before(last.At)) {
			last = &fleet.Logs[0].Cleanings[i]
		}
	}
	if last == nil {
		return nil, nil
	}
	return newestPicture(all, func(t store.Attachment) bool { // not the one of before it
		return t.Record == last.Number && !strings.Contains(strings.ToLower(t.What), "before")
	}), nil
}

func isReference(t store.Attachment) bool {
	return strings.Contains(strings.ToLower(t.What), "reference")
}

func newestPicture(all []store.Attachment, wanted func(store.Attachment) bool) *store.Attachment {
	var out *store.Attachment
	for i, t := range all {
		if t.Format != "pdf" && t.Detached.IsZero() && wanted(t) && (out == nil || !t.Entered.Before(out.Entered)) {
			out = &all[i]
		}
	}
	return out
}

// cornersIn are the four corners that the words of an attachment name; nil
// where they name none.
func cornersIn(what string) *[4]light.Point {
	var pairs []string
	for _, word := range strings.FieldsFunc(what, func(r rune) bool { return r == ';' || r == ' ' || r == ':' }) {
		if strings.Contains(word, ",") && strings.Trim(word, "0123456789.,") == "" {
			pairs = append(pairs, word)
		}
	}
	at, err := parseCorners(pairs)
	if err != nil {
		return nil
	}
	return at
}

func lightJSON(r light.Result, by string) any {
	var at [4][2]float64
	for i, p := range r.Corners {
		at[i] = [2]float64{p.X, p.Y}
	}
	return struct {
		Blocked  stat.Estimate `json:"blocked_pct"`
		Corners  [4][2]float64 `json:"corners"`
		Found    bool          `json:"corners_found"`
		By       string        `json:"measured_by,omitempty"`
		Warnings []string      `json:"warnings,omitempty"`
	}{stat.Estimate{Value: r.Blocked, Low: r.Low, High: r.High, Level: r.Level}, at, r.Found, by, r.Warnings}
}

// parseCorners reads four x,y pairs; nil where none is given.
func parseCorners(given []string) (*[4]light.Point, error) {
	if len(given) == 0 {
		return nil, nil
	}
	var out [4]light.Point
	pairs := strings.FieldsFunc(strings.Join(given, ";"), func(r rune) bool { return r == ';' || r == ' ' })
	if len(pairs) != 4 {
		return nil, usage("for instance --corners '120,80;1410,95;1400,990;130,1005'",
			"--corners gives %s, and a core has four corners", say.Count(len(pairs), "point"))
	}
	for i, p := range pairs {
		x, y, ok := strings.Cut(p, ",")
		var errX, errY error
		out[i].X, errX = unit.Parse(x, unit.Count)
		out[i].Y, errY = unit.Parse(y, unit.Count)
		if !ok || errX != nil || errY != nil {
			return nil, usage("for instance --corners '120,80;1410,95;1400,990;130,1005'",
				"--corners: %q is not an x,y pair", p)
		}
	}
	return &out, nil
}
