package main

import (
	"cmp"
	"context"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"shedbook/report/cooling"
	"shedbook/report/render"
	"shedbook/schema"
	"shedbook/schema/unit"
	"shedbook/store"
)

// A form is a command line: its kind's verb, the words of that verb, and an option
// a field. So whatever the command line asks, refuses, works out and says, the form
// does too, and a kind or a field that comes new has its form.

// spoken is a verb and the fields that are its words. Of a kind that is not here
// the verb is the kind's name, and its word the machine.
var spoken = map[string]struct{ verb, words []string }{
	"meter":   {[]string{"machine", "meter"}, []string{"machine"}},
	"machine": {[]string{"machine", "add"}, []string{"machine"}},
	"driver":  {[]string{"driver", "add"}, []string{"driver"}},
	"word":    {[]string{"word", "add"}, []string{"vocabulary", "word"}},
	"setting": {[]string{"set"}, []string{"setting", "value"}},
	"spec":    {[]string{"spec", "set"}, []string{"figure", "value"}},
	"plan":    {[]string{"plan", "add"}, []string{"work"}},
	"check":   {[]string{"check"}, []string{"machine", "check", "result"}},
	"answer":  {[]string{"answer"}, []string{"machine", "driver", "factor", "flag"}}, // whose flag it is: one of three
}

// recordable are the kinds that a phone may record: what happened to a machine, or,
// for who keeps the book, any.
func recordable(keep bool) []string {
	out := append(slices.Clone(logged), "check", schema.GoesOut.Name, schema.ComesBack.Name)
	if keep {
		for _, k := range schema.Kinds {
			if !slices.Contains(out, k.Name) && k.Name != "outing" { // which has two halves
				out = append(out, k.Name)
			}
		}
	}
	return out
}

// kindNamed finds a kind, or half of one, by its name.
func kindNamed(name string) *schema.Kind {
	for _, half := range []*schema.Kind{schema.GoesOut, schema.ComesBack} {
		if half.Name == name {
			return half
		}
	}
	return schema.KindNamed(name)
}

// line is how a kind is recorded: its verb, its words, and the verb itself.
type line struct {
	k           *schema.Kind
	verb, words []string
	cmd         *cobra.Command
}

func lineOf(a *app, kind string) (line, error) {
	l := line{k: kindNamed(kind), verb: []string{kind}, words: []string{"machine"}}
	if x, ok := spoken[kind]; ok {
		l.verb, l.words = x.verb, x.words
	}
	var err error
	l.cmd, _, err = a.root(l.verb).Find(l.verb)
	return l, err
}

// takes are the fields that the form has: the words, and those that have an option.
func (l *line) takes() []*schema.Field {
	var out []*schema.Field
	for i := range l.k.Fields {
		f := &l.k.Fields[i]
		if f.Name != "ref" && (slices.Contains(l.words, f.Name) || l.cmd.Flags().Lookup(flagName(l.k, f)) != nil ||
			f.Name == "nothing_found") {
			out = append(out, f)
		}
	}
	return out
}

// figures are what a check measures; none of another kind.
func (l *line) figures(check string) []cooling.Figure {
	if l.k.Name != "check" || check == "" {
		return nil
	}
	out, _ := cooling.Figures(check)
	return out
}

// commandLine puts what was sent into words.
func (l *line) commandLine(sent url.Values, shown unit.System, sure bool) []string {
	options, words := []string{}, map[string]string{}
	for _, f := range l.takes() {
		value := sentValue(f, sent, shown)
		switch {
		case slices.Contains(l.words, f.Name):
			words[f.Name] = value
		case value == "":
		case f.Name == "nothing_found":
			options = append(options, fmt.Sprintf("--nothing-found=%t", value == "yes"))
		default:
			options = append(options, "--"+flagName(l.k, f)+"="+value)
		}
	}
	for _, f := range l.figures(words["check"]) {
		if value := withShown(strings.TrimSpace(sent.Get("figure-"+f.Name)), unit.Unit(f.Unit), shown); value != "" {
			options = append(options, "--"+figureFlag(f)+"="+value)
		}
	}
	if sure && l.cmd.Flags().Lookup("sure") != nil {
		options = append(options, "--sure")
	}
	out := append(append(slices.Clone(l.verb), options...), "--")
	for i, name := range l.words {
		optional := l.k.Name == "check" && name == "result" || l.k.Name == "answer" && i < 3
		if words[name] != "" || !optional {
			out = append(out, words[name])
		}
	}
	return out
}

// sentValue is a field as it was sent: several words with ; between, and a bare
// number in the unit that stood beside its field.
func sentValue(f *schema.Field, sent url.Values, shown unit.System) string {
	if f.Type == schema.WordsField {
		return strings.Join(slices.DeleteFunc(slices.Clone(sent[f.Name]), func(s string) bool { return s == "" }), ";")
	}
	value := strings.TrimSpace(cmp.Or(strings.TrimSpace(sent.Get(f.Name+"-other")), sent.Get(f.Name)))
	if f.Type == schema.NumField {
		return withShown(value, f.Unit, shown)
	}
	return value
}

// usUnits are what a bare number is taken in where the book is shown in US units.
var usUnits = map[unit.Unit][2]string{unit.Millilitres: {"floz", "fl oz"}, unit.Litres: {"qt", "qt"},
	unit.Kilopascal: {"psi", "psi"}, unit.Celsius: {"F", "°F"}}

func withShown(value string, u unit.Unit, shown unit.System) string {
	if _, err := strconv.ParseFloat(value, 64); err == nil && shown == unit.US {
		return value + usUnits[u][0]
	}
	return value
}

// unitShown is the unit that stands beside a field.
func unitShown(u unit.Unit, shown unit.System) string {
	if says := usUnits[u][1]; says != "" && shown == unit.US {
		return says
	}
	if u == unit.Count {
		return ""
	}
	return unitName(u)
}

// manyOptions is from how many words on they are a list to choose from, not buttons.
const manyOptions = 12

// formField is a field of a form, made from its description.
func formField(f *schema.Field, known *schema.Known, value string, drivers []string) render.ShedField {
	out := render.ShedField{Name: f.Name, Input: "text", Label: capital(f.Help), Value: value, Required: f.Required,
		Long: 2000}
	choose := func(words []string) {
		out.Input = "radio"
		if len(words) > manyOptions {
			out.Input = "select"
		}
		if out.Input == "select" {
			out.Options = append(out.Options, render.ShedOption{Words: "choose"})
		}
		for _, w := range words {
			out.Options = append(out.Options, render.ShedOption{Value: w, Words: strings.ReplaceAll(w, "-", " "),
				On: w == value})
		}
		if out.Input == "radio" && !f.Required {
			out.Options = append(out.Options, render.ShedOption{Words: "not known", On: value == ""})
		}
	}
	switch f.Type {
	case schema.NumField:
		out.Input, out.Unit, out.Long = "number", unitShown(f.Unit, known.Units), 40
		if f.Max <= 1000 && known.Units != unit.US {
			out.Help = fmt.Sprintf("%s to %s", trimmed(f.Min), trimmed(f.Max))
		}
	case schema.TimeField:
		out.Input, out.Required = "time", false
		out.Label = strings.TrimSuffix(out.Label, "; default: now")
		if f.Required {
			out.Help = "Leave it empty for now."
		}
	case schema.WordField:
		words := known.Words[f.Vocabulary]
		if f.Vocabulary == "yesno" {
			words = []string{"yes", "no"}
			out.Label = strings.TrimSuffix(out.Label, " (yes or no)")
		}
		choose(words)
	case schema.WordsField:
		out.Input = "checks"
		for _, w := range known.Words[f.Vocabulary] {
			out.Options = append(out.Options, render.ShedOption{Value: w, Words: w,
				On: slices.Contains(strings.Split(value, ";"), w)})
		}
	case schema.MachineField:
		choose(known.Machines)
		if out.Input == "radio" {
			for i := range out.Options {
				out.Options[i].Words = cmp.Or(out.Options[i].Value, out.Options[i].Words) // as it is painted on
			}
		}
	case schema.DriverField:
		first := drivers[:min(shownDrivers, len(drivers))]
		rest := drivers[len(first):]
		choose(first)
		for i := range out.Options {
			out.Options[i].Words = cmp.Or(out.Options[i].Value, out.Options[i].Words)
		}
		for _, d := range rest {
			out.Rest = append(out.Rest, render.ShedOption{Value: d, Words: d, On: d == value})
		}
	case schema.TextField:
		if f.Name == "note" || f.Name == "found" || f.Name == "reason" || f.Name == "why" {
			out.Input = "area"
		}
		if f.Name == "vocabulary" {
			choose(schema.Words("vocabulary"))
		}
		if f.Name == "setting" {
			var keys []string
			for _, k := range schema.SettingKeys {
				keys = append(keys, k.Key)
			}
			out.Help = strings.Join(keys, ", ") + ", minutes.CHECK or prior.CAUSE"
		}
	}
	return out
}

// shownDrivers is how many drivers have a button.
const shownDrivers = 8

func trimmed(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// lessAsked says whether a field of what happened to a machine stands behind More:
// what is rarely said of a run or an overheat.
func lessAsked(k *schema.Kind, f *schema.Field) bool {
	switch {
	case !k.Dated || f.Required && f.Type != schema.TimeField || f.Plain:
		return false
	case f.Type == schema.NumField:
		return !slices.Contains(asked, f.Name) && f.Zero == ""
	case f.Type == schema.TextField, f.Type == schema.TimeField:
		return true
	}
	return f.Name == "range" || f.Name == "load" || f.Vocabulary == "engine"
}

// drivers are all drivers, the one last used first: on this phone, then on this
// machine.
func drivers(ctx context.Context, b *store.Book, known *schema.Known, machine, mine string) (list []string,
	last *schema.Run, err error) {
	add := func(name string) {
		if slices.Contains(known.Drivers, name) && !slices.Contains(list, name) {
			list = append(list, name)
		}
	}
	add(mine)
	if machine != "" {
		runs, err := b.List(ctx, schema.KindNamed("run"), store.Filter{Machine: machine, Last: 50})
		if err != nil {
			return nil, nil, err
		}
		for i := len(runs) - 1; i >= 0; i-- {
			r := runs[i].(*schema.Run)
			if last == nil {
				last = r
			}
			add(r.Driver)
		}
	}
	for _, d := range known.Drivers {
		add(d)
	}
	return list, last, nil
}

// figureFields are the fields of what a check measures.
func figureFields(figures []cooling.Figure, shown unit.System, sent url.Values,
	wrong map[string]string) []render.ShedField {
	var out []render.ShedField
	for _, f := range figures {
		name := "figure-" + f.Name
		field := render.ShedField{Name: name, Input: "number", Label: capital(f.Help), Value: sent.Get(name), Long: 100,
			Wrong: wrong[name], Unit: unitShown(unit.Unit(f.Unit), shown)}
		if f.Unit == "yesno" || f.Unit == "word" {
			field.Input, field.Unit = "radio", ""
			words := f.OneOf
			if f.Unit == "yesno" {
				words = []string{"yes", "no"}
			}
			for _, w := range words {
				field.Options = append(field.Options, render.ShedOption{Value: w, Words: w, On: w == field.Value})
			}
			field.Options = append(field.Options, render.ShedOption{Words: "not known", On: field.Value == ""})
		} else if f.Many {
			field.Help, field.Input = "Several, with / between.", "text"
		}
		out = append(out, field)
	}
	return out
}
