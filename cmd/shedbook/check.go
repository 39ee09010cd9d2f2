package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"shedbook/report/cooling"
	"shedbook/report/next"
	"shedbook/report/say"
	"shedbook/schema"
	"shedbook/schema/unit"
	"shedbook/store"
)

// checkVerb records a check: its result as typed, or the figures measured, and
// then what they mean.
func (a *app) checkVerb() *cobra.Command {
	k := schema.KindNamed("check")
	var sure bool
	c := &cobra.Command{
		Use: "check MACHINE CHECK [RESULT|VALUE]", Short: k.Help,
		Long: "Records a check. Say pass, fail or unsure, or give what you measured: it is compared\nwith the " +
			"machine's spec (see shedbook spec). What each check can measure:\n\n" + figureList(),
		Args: args(2, 3, "a machine, a check, and its result or value"),
		ValidArgsFunction: func(cmd *cobra.Command, given []string, typed string) ([]cobra.Completion,
			cobra.ShellCompDirective) {
			switch len(given) {
			case 1:
				return a.candidates(cmd.Context(), k.Field("check"), typed), cobra.ShellCompDirectiveNoFileComp
			case 2:
				return a.candidates(cmd.Context(), k.Field("result"), typed), cobra.ShellCompDirectiveNoFileComp
			}
			return a.completeMachine(cmd, given, typed)
		},
		RunE: func(cmd *cobra.Command, given []string) error {
			return a.recordIn(cmd.Context(), func(b *store.Book) error {
				known, err := a.known(cmd.Context(), b, given[0])
				if err != nil {
					return err
				}
				r := &schema.Check{}
				if err := a.setMachine(k, r, given[0], known); err != nil {
					return err
				}
				if err := k.Set(r, k.Field("check"), given[1], known, a.now); err != nil {
					return err
				}
				if _, err := a.setFields(cmd.Flags(), k, r, known); err != nil {
					return err
				}
				if r.At.IsZero() {
					r.At = a.now.UTC()
				}
				m := cooling.Measurement{Result: r.Result, Figures: map[string][]float64{}, Sure: sure}
				if len(given) == 3 {
					if w, err := known.Word("result", given[2]); err == nil {
						m.Result = w
					} else if err := figure(m.Figures, r.Check, "", given[2], known.Units); err != nil {
						return schema.Wrong("result", given[2],
							"should be pass, fail or unsure, or the value measured, which "+err.Error())
					}
				}
				if err := a.figureFlags(cmd, r.Check, m.Figures, known.Units); err != nil {
					return err
				}
				return a.keepCheck(cmd.Context(), b, r, m)
			})
		},
	}
	a.addFields(c, k, "machine", "ref", "check", "result", "figures", "value", "unit")
	c.Flags().BoolVar(&sure, "sure", false, "the figures are right, unlikely as they look")
	for _, name := range figureFlagNames() {
		c.Flags().String(name.flag, "", name.help)
	}
	return c
}

// figureFlag is a figure's name as an option.
func figureFlag(f cooling.Figure) string { return strings.ReplaceAll(f.Words(), " ", "-") }

type namedFlag struct{ flag, help string }

// figureFlagNames are the options of all checks' figures, each once.
func figureFlagNames() []namedFlag {
	var out []namedFlag
	seen := map[string]bool{}
	for _, check := range cooling.Checks() {
		figures, err := cooling.Figures(check)
		if err != nil {
			panic(err)
		}
		for _, f := range figures {
			if name := figureFlag(f); !seen[name] {
				seen[name] = true
				out = append(out, namedFlag{name, f.Help})
			}
		}
	}
	return out
}

func figureList() string {
	var b strings.Builder
	for _, check := range cooling.Checks() {
		figures, _ := cooling.Figures(check)
		var names []string
		for _, f := range figures {
			name := "--" + figureFlag(f)
			if !f.Required {
				name = "[" + name + "]"
			}
			names = append(names, name)
		}
		fmt.Fprintf(&b, "  %-18s %s\n", check, strings.Join(names, " "))
	}
	return strings.TrimRight(b.String(), "\n")
}

// figureFlags reads the figures given as options; one that the check does not
// take is refused.
func (a *app) figureFlags(cmd *cobra.Command, check string, into map[string][]float64, shown unit.System) error {
	figures, err := cooling.Figures(check)
	if err != nil {
		return usage("", "%s", err)
	}
	var takes []string
	for _, f := range figures {
		takes = append(takes, "--"+figureFlag(f))
	}
	for _, n := range figureFlagNames() {
		flag := cmd.Flags().Lookup(n.flag)
		if !flag.Changed {
			continue
		}
		i := slices.IndexFunc(figures, func(f cooling.Figure) bool { return figureFlag(f) == n.flag })
		if i < 0 {
			return usage("", "%s takes no --%s; it takes %s", check, n.flag, strings.Join(takes, ", "))
		}
		if err := figure(into, check, figures[i].Name, flag.Value.String(), shown); err != nil {
			return schema.Wrong("--"+n.flag, flag.Value.String(), err.Error())
		}
	}
	return nil
}

// figure reads one figure of a check, "" being its first, in the unit it takes.
func figure(into map[string][]float64, check, name, text string, shown unit.System) error {
	figures, err := cooling.Figures(check)
	if err != nil {
		return err
	}
	f := figures[0]
	if name != "" {
		f = figures[slices.IndexFunc(figures, func(f cooling.Figure) bool { return f.Name == name })]
	}
	parts := []string{text}
	if f.Many {
		parts = strings.FieldsFunc(text, func(r rune) bool { return r == ';' || r == '/' || r == ',' })
	}
	var values []float64
	for _, p := range parts {
		p = strings.TrimSpace(p)
		if f.Unit == "yesno" {
			v, ok := map[string]float64{"yes": 1, "y": 1, "no": 0, "n": 0}[strings.ToLower(p)]
			if !ok {
				return errors.New("should be yes or no")
			}
			values = append(values, v)
			continue
		}
		if f.Unit == "word" {
			i := slices.Index(f.OneOf, strings.ToLower(p))
			if i < 0 {
				return errors.New("should be one of " + strings.Join(f.OneOf, ", "))
			}
			values = append(values, float64(i))
			continue
		}
		if err := bare(p, unit.Unit(f.Unit), shown); err != nil {
			return err
		}
		v, err := unit.Parse(p, unit.Unit(f.Unit))
		if err != nil {
			return errors.New(strings.TrimPrefix(err.Error(), unit.Quote(p)+" "))
		}
		values = append(values, v)
	}
	into[f.Name] = values
	return nil
}

// figuresTyped reads a check's figures typed in a line: one value, or names
// with values ("ohm=190 water_c=90").
func figuresTyped(check, text string, shown unit.System) (map[string][]float64, error) {
	out := map[string][]float64{}
	if !strings.Contains(text, "=") {
		return out, figure(out, check, "", text, shown)
	}
	figures, err := cooling.Figures(check)
	if err != nil {
		return nil, err
	}
	for _, part := range strings.FieldsFunc(text, func(r rune) bool { return r == ' ' || r == ';' }) {
		name, value, _ := strings.Cut(part, "=")
		i := slices.IndexFunc(figures, func(f cooling.Figure) bool { return f.Name == name || figureFlag(f) == name })
		if i < 0 {
			return nil, fmt.Errorf("%s has no figure %q", check, name)
		}
		if err := figure(out, check, figures[i].Name, value, shown); err != nil {
			return nil, fmt.Errorf("%s %q %w", name, value, err)
		}
	}
	return out, nil
}

// keepCheck judges a check, records it, and says what it means.
func (a *app) keepCheck(ctx context.Context, b *store.Book, r *schema.Check, m cooling.Measurement) error {
	fleet, err := b.Fleet(ctx, r.Machine)
	if err != nil {
		return err
	}
	v, err := a.judge(r, m, next.SpecOf(&fleet, &fleet.Logs[0]))
	if err != nil {
		return err
	}
	if err := a.keepSure(ctx, b, schema.KindNamed("check"), r, m.Sure); err != nil {
		return err
	}
	a.sayVerdict(v, r.Machine)
	return nil
}

// judge finds what the figures mean, and writes figures and result into the
// record. A figure that looks like one in another unit is asked about on a
// terminal, and refused elsewhere.
func (a *app) judge(r *schema.Check, m cooling.Measurement, spec cooling.Spec) (cooling.Verdict, error) {
	v, err := cooling.Judge(r.Check, m, spec)
	var doubt *cooling.Doubt
	if errors.As(err, &doubt) {
		if !a.inTerminal {
			return v, usage(sureHint, "%s", doubt)
		}
		question := fmt.Sprintf("%s\nIs it right (yes or no)? ", doubt)
		if doubt.Perhaps != 0 {
			question = fmt.Sprintf("%s\nIs it right (yes), was it %s %s (that), or is it wrong (no)? ", doubt,
				unit.Short(say.Rounded(doubt.Perhaps, 3), 9), doubt.Unit)
		}
		switch answer, _ := a.ask(question); strings.ToLower(answer) {
		case "yes", "y":
			m.Sure = true
		case "that":
			if doubt.Perhaps == 0 {
				return v, usage("", "stopped: nothing was recorded")
			}
			m.Figures = maps.Clone(m.Figures)
			m.Figures[doubt.Figure] = []float64{doubt.Perhaps}
		default:
			return v, usage("", "stopped: nothing was recorded")
		}
		v, err = cooling.Judge(r.Check, m, spec)
	}
	if err != nil {
		return v, usage("", "%s", err)
	}
	r.Result = v.Result
	figures, _ := cooling.Figures(r.Check)
	var rest []string
	for i, f := range figures {
		values, ok := m.Figures[f.Name]
		if !ok {
			continue
		}
		if i == 0 && len(values) == 1 {
			r.Value, r.Unit = schema.N(values[0]), f.Unit
			continue
		}
		var texts []string
		for _, x := range values {
			if f.Unit == "word" {
				texts = append(texts, f.OneOf[int(x)])
				continue
			}
			texts = append(texts, strconv.FormatFloat(x, 'g', 7, 64))
		}
		rest = append(rest, f.Name+"="+strings.Join(texts, "/"))
	}
	r.Figures = strings.Join(rest, ";")
	return v, nil
}

// sayVerdict says what a check means.
func (a *app) sayVerdict(v cooling.Verdict, machine string) {
	a.say(0, "%s: %s", v.Result, v.Says)
	for _, w := range v.Warnings {
		a.say(0, "note: %s", w)
	}
	for _, name := range v.Missing {
		f, _ := cooling.SpecFigure(name)
		a.say(0, "not known yet: %s, %s; set it with: shedbook spec set %s VALUE --machine %s", name, f.Help, name,
			schema.Quote(machine))
	}
	switch v.Source {
	case "":
	case cooling.AsTyped:
		a.say(0, "%s; the maker's manual comes first", v.Source)
	default:
		a.say(0, "limits from: %s; the maker's manual comes first", strings.TrimPrefix(v.Source, "limits: "))
	}
}
