package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"shedbook/report"
	"shedbook/report/exposure"
	"shedbook/report/render"
	"shedbook/schema"
)

func (a *app) ratesVerb() *cobra.Command {
	var by, adjust, reference string
	var midP bool
	c := a.reportVerb("rates --by FACTOR", "overheats per hour driven, by driver, terrain, speed, ...",
		"the rates with their plot", args(0, 0, "no words, only options such as --by driver"),
		func(_ context.Context, req *request, _ []string) error {
			q := report.RateQuestion{Reference: reference, MidP: midP}
			var err error
			if by == "" {
				return usage("for instance: shedbook rates --by driver --adjust speed,terrain",
					"--by is missing: one of %s", strings.Join(exposure.FactorNames(), ", "))
			}
			if q.By, err = factor("by", by); err != nil {
				return err
			}
			for _, name := range strings.FieldsFunc(adjust,
				func(r rune) bool { return r == ',' || r == ' ' || r == ';' }) {
				f, err := factor("adjust", name)
				if err != nil {
					return err
				}
				q.Adjust = append(q.Adjust, f)
			}
			if err := q.Validate(); err != nil { // before anything is read
				return usage("", "--%s", err)
			}
			r, err := kept(req, "rates", fmt.Sprint(q), req.rates(q))
			if err != nil {
				return usage("", "--%s", err)
			}
			r.AsOf = req.at
			if req.html != "" {
				return req.page(func(w io.Writer, o render.Options) error { return render.Rates(w, r, o) })
			}
			return render.Rates(a.out, r, req.options())
		})
	c.ValidArgsFunction = cobra.NoFileCompletions
	c.Flags().StringVar(&by, "by", "", "what to compare: "+strings.Join(exposure.FactorNames(), ", "))
	c.Flags().StringVar(&adjust, "adjust", "", "what to allow for, with commas between")
	c.Flags().StringVar(&reference, "reference", "", "compare with this one (default: each with all the others)")
	c.Flags().BoolVar(&midP, "mid-p", false,
		"mid-P intervals for the rates as counted: right about 95 % of the time (exact ones at least 95 %)")
	names := func(_ *cobra.Command, _ []string, typed string) ([]cobra.Completion, cobra.ShellCompDirective) {
		done, last := "", typed
		if i := strings.LastIndexByte(typed, ','); i >= 0 {
			done, last = typed[:i+1], typed[i+1:]
		}
		var out []string
		for _, n := range exposure.FactorNames() {
			if strings.HasPrefix(n, last) && !slices.Contains(strings.Split(done, ","), n) {
				out = append(out, done+n)
			}
		}
		return out, cobra.ShellCompDirectiveNoFileComp
	}
	_ = c.RegisterFlagCompletionFunc("by", names)
	_ = c.RegisterFlagCompletionFunc("adjust", names)
	return c
}

// rates asks for rates; their base is the strata.
func (req *request) rates(q report.RateQuestion) question[report.RatesReport] {
	of := func(s report.Source, strata *exposure.Strata) (report.RatesReport, baseMaker, error) {
		r, err := report.RatesOf(s.AsOf, s.Index, strata, q)
		return r, func() ([]byte, []byte) { return strata.Keep(), nil }, err
	}
	return question[report.RatesReport]{
		func(s report.Source) (report.RatesReport, baseMaker, error) {
			return of(s, report.Strata(s))
		},
		func(s report.Source, base keptBase) (r report.RatesReport, keep baseMaker, ok bool) {
			strata, ok := s.Index.Resume(base.b, req.known.Machines, s.Lives)
			if !ok {
				return r, nil, false
			}
			r, keep, err := of(s, strata)
			if !base.worn {
				keep = nil
			}
			return r, keep, err == nil
		},
	}
}

// factor reads a factor's name.
func factor(option, name string) (exposure.Factor, error) {
	f, ok := exposure.ParseFactor(strings.ToLower(strings.TrimSpace(name)))
	if ok {
		return f, nil
	}
	says := "is not a factor: choose from " + strings.Join(exposure.FactorNames(), ", ") + schema.DidYouMean(name,
		exposure.FactorNames())
	return f, schema.Wrong("--"+option, name, says)
}
