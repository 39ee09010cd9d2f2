package main

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"shedbook/report"
	"shedbook/report/render"
	"shedbook/schema"
	"shedbook/schema/unit"
	"shedbook/store"
)

// flagName is a field's name as an option. The column that dates a record is
// always --at.
func flagName(k *schema.Kind, f *schema.Field) string {
	if f.Name == k.TimeColumn() {
		return "at"
	}
	return f.Flag()
}

// addFields gives a command an option for each of the kind's fields but those
// that are given as words.
func (a *app) addFields(c *cobra.Command, k *schema.Kind, skip ...string) {
	for i := range k.Fields {
		f := &k.Fields[i]
		if slices.Contains(skip, f.Name) {
			continue
		}
		help := withUnit(f)
		if words := schema.Words(f.Vocabulary); len(words) > 0 && len(words) < 12 {
			help += ": " + strings.Join(words, ", ")
		}
		c.Flags().String(flagName(k, f), "", help)
		_ = c.RegisterFlagCompletionFunc(flagName(k, f), a.completeField(f))
	}
}

// withUnit is what a field means, and in what unit a plain number is taken.
func withUnit(f *schema.Field) string {
	if f.Unit == unit.Count {
		return f.Help
	}
	return f.Help + " (" + unitName(f.Unit) + " unless you give a unit)"
}

func unitName(u unit.Unit) string {
	switch u {
	case unit.Hours:
		return "hours"
	case unit.Minutes:
		return "minutes"
	case unit.Celsius:
		return "°C"
	case unit.Percent:
		return "%"
	case unit.Kilopascal:
		return "kPa"
	case unit.Millilitres:
		return "mL"
	case unit.Litres:
		return "L"
	}
	return string(u)
}

// setFields reads the options that were given into the record; all that are wrong
// are told at once.
func (a *app) setFields(flags *pflag.FlagSet, k *schema.Kind, r schema.Record, known *schema.Known) (given int,
	err error) {
	var wrong []error
	for i := range k.Fields {
		f := &k.Fields[i]
		flag := flags.Lookup(flagName(k, f))
		if flag == nil || !flag.Changed {
			continue
		}
		given++
		value := flag.Value.String()
		if flag.Value.Type() == "bool" {
			value = map[string]string{"true": "yes", "false": "no"}[value]
		}
		if err := a.setField(k, r, f, value, known); err != nil {
			wrong = append(wrong, err)
		}
	}
	return given, several(wrong...)
}

// setField reads one value as typed at a terminal; an error names the option.
func (a *app) setField(k *schema.Kind, r schema.Record, f *schema.Field, value string, known *schema.Known) error {
	if f.Type == schema.NumField {
		if err := bare(value, f.Unit, known.Units); err != nil {
			return schema.Wrong("--"+flagName(k, f), value, err.Error())
		}
	}
	err := k.Set(r, f, value, known, a.now)
	if p := schema.AsProblem(err); p != nil {
		p.Column = "--" + flagName(k, f)
	}
	return err
}

// bare refuses a number that does not say its unit where the book is shown in
// units other than those a bare number is read in, and where it is so small in
// those that another must be meant: a fraction for a percentage, or litres.
func bare(value string, u unit.Unit, shown unit.System) error {
	says := map[unit.Unit]string{unit.Millilitres: "floz or ml", unit.Litres: "qt or l", unit.Kilopascal: "psi or kpa",
		unit.Celsius: "F or C"}[u]
	v, err := strconv.ParseFloat(value, 64)
	switch {
	case err != nil || v == 0 && u != unit.Celsius:
		return nil
	case u == unit.Percent && v > 0 && v < 1:
		return fmt.Errorf("is less than 1 %%: write %s, or %s%% if it is so little",
			strconv.FormatFloat(100*v, 'g', 4, 64), value)
	case u == unit.Millilitres && shown != unit.US && v > 0 && v < 10:
		return fmt.Errorf("is a drop in mL: write %sl, or %sml if it is so little", value, value)
	case shown != unit.US || says == "":
		return nil
	}
	us, metric, _ := strings.Cut(says, " or ")
	return fmt.Errorf("should say its unit, since the book is shown in US units: %s%s or %s%s", value, us, value,
		metric)
}

// check judges the filled record; an error names the options.
func check(k *schema.Kind, r schema.Record) error {
	err := k.Check(r)
	if p := schema.AsProblem(err); p != nil {
		if f := k.Field(p.Column); f != nil {
			p.Column = "--" + flagName(k, f)
			for i := range k.Fields {
				if strings.Contains(k.Fields[i].Name, "_") {
					p.Says = strings.ReplaceAll(p.Says, k.Fields[i].Name, flagName(k, &k.Fields[i]))
				}
			}
		}
	}
	return err
}

// completeField completes machines, drivers and words from the book.
func (a *app) completeField(f *schema.Field) cobra.CompletionFunc {
	return func(cmd *cobra.Command, _ []string, typed string) ([]cobra.Completion, cobra.ShellCompDirective) {
		return a.candidates(cmd.Context(), f, typed), cobra.ShellCompDirectiveNoFileComp
	}
}

// names is what the book knows by name: the built-in words where there is none.
func (a *app) names(ctx context.Context) *schema.Known {
	known := schema.NewKnown(nil, nil, nil, nil)
	_ = a.view(ctx, func(b *store.Book) error {
		k, err := b.Known(ctx)
		if err == nil {
			known = k
		}
		return err
	})
	return known
}

func (a *app) candidates(ctx context.Context, f *schema.Field, typed string) []string {
	known := a.names(ctx)
	var all []string
	switch f.Type {
	case schema.TextField:
		if f.Name == "work" {
			all = a.works(ctx)
		}
	case schema.MachineField:
		all = known.Machines
	case schema.DriverField:
		all = known.Drivers
	case schema.WordField, schema.WordsField:
		all = known.Words[f.Vocabulary]
	}
	var out []string
	for _, w := range all {
		if strings.HasPrefix(strings.ToLower(w), strings.ToLower(typed)) {
			out = append(out, w)
		}
	}
	return out
}

// completeMachine completes the first word with the book's machines.
func (a *app) completeMachine(cmd *cobra.Command, given []string, typed string) ([]cobra.Completion,
	cobra.ShellCompDirective) {
	if len(given) > 0 {
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	return a.candidates(cmd.Context(), &schema.Field{Type: schema.MachineField}, typed),
		cobra.ShellCompDirectiveNoFileComp
}

// describe is a record in a line: what it holds, as a person would say it,
// harmless on a terminal.
func describe(k *schema.Kind, r schema.Record, s schema.Settings) string {
	var parts []string
	for i := range k.Fields {
		f := &k.Fields[i]
		if !f.Known(r) || f.Name == "ref" || f.Name == "note" || besideValue(k, f) {
			continue
		}
		parts = append(parts, fieldText(k, f, r, s))
	}
	return render.Safe(strings.Join(parts, ", "))
}

// fieldText is one field as a person would say it.
func fieldText(k *schema.Kind, f *schema.Field, r schema.Record, s schema.Settings) string {
	label := strings.ReplaceAll(f.Flag(), "-", " ")
	switch p := f.Pointer(r).(type) {
	case *schema.Num:
		text := unit.Format(p.V, f.Unit, s.Units())
		if measured := measuredText(f, r, s); measured != "" {
			text = measured
		}
		if f.Name == "hours" || f.Name == "volume_ml" {
			return text
		}
		return label + " " + text
	case *time.Time:
		text := unit.FormatTime(*p, s.Zone())
		if f.Name == k.TimeColumn() {
			return text
		}
		return label + " " + text
	default:
		text := f.Cell(r, s.Zone())
		switch {
		case f.Vocabulary == "yesno", f.Vocabulary == "sides", f.Vocabulary == "fan", f.Vocabulary == "points",
			f.Vocabulary == "engine":
			return fmt.Sprintf("%s %s", label, text)
		}
		return cmp.Or(measuredText(f, r, s), text)
	}
}

// besideValue is a field that people read beside another: the unit of what a
// check measured stands with its value.
func besideValue(k *schema.Kind, f *schema.Field) bool { return k.Name == "check" && f.Name == "unit" }

// measuredText is what a check measured, in the book's units: its value, or its
// other figures; "" of any other field.
func measuredText(f *schema.Field, r schema.Record, s schema.Settings) string {
	if c, ok := r.(*schema.Check); ok {
		value, figures := report.Measured(c, s.Units())
		return map[string]string{"value": value, "figures": figures}[f.Name]
	}
	return ""
}
