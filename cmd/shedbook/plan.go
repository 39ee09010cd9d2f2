package main

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"shedbook/report/render"
	"shedbook/schema"
	"shedbook/store"
)

func (a *app) planVerb() *cobra.Command {
	k := schema.KindNamed("plan")
	c := &cobra.Command{
		Use:   "add [MACHINE] WORK --every 50h | --every-mud 20h | --every-days 180",
		Short: "add recurring work for a machine, or for a model (--model)",
		Args: args(1, 2,
			"a machine (or --model), and the work as you name it in services, in quotes if it has spaces"),
		ValidArgsFunction: func(cmd *cobra.Command, given []string, typed string) ([]cobra.Completion,
			cobra.ShellCompDirective) {
			if len(given) == 1 {
				return a.completeField(k.Field("work"))(cmd, given, typed)
			}
			return a.completeMachine(cmd, given, typed)
		},
		RunE: func(cmd *cobra.Command, given []string) error {
			return a.record(cmd.Context(), func(b *store.Book) error {
				known, err := a.known(cmd.Context(), b)
				if err != nil {
					return err
				}
				r := &schema.Plan{Work: given[len(given)-1]}
				if len(given) == 2 {
					if r.Machine, err = known.Machine(given[0]); err != nil {
						return err
					}
				}
				if _, err := a.setFields(cmd.Flags(), k, r, known); err != nil {
					return err
				}
				return a.keep(cmd.Context(), b, k, r)
			})
		},
	}
	a.addFields(c, k, "work")
	return a.group("plan", "recurring work", "record", c, a.listKind(k, "list"))
}

// works are the works of the book's plans and services, each wording once, those
// of plans first.
func (a *app) works(ctx context.Context) []string {
	var out []string
	_ = a.view(ctx, func(b *store.Book) error {
		for _, name := range []string{"plan", "service"} {
			k := schema.KindNamed(name)
			list, err := b.List(ctx, k, store.Filter{})
			if err != nil {
				return err
			}
			for _, r := range list {
				if w := k.Text(r, "work"); !slices.ContainsFunc(out,
					func(o string) bool { return strings.EqualFold(o, w) }) {
					out = append(out, w)
				}
			}
		}
		return nil
	})
	return out
}

// alikePlans are the works of the plans of a service's machine that its wording
// may be meant for; none where it is one of them word for word.
func alikePlans(ctx context.Context, b *store.Book, v *schema.Service) ([]string, error) {
	model := ""
	machines, err := b.List(ctx, schema.KindNamed("machine"), store.Filter{})
	if err != nil {
		return nil, err
	}
	for _, r := range machines {
		if m := r.(*schema.Machine); m.Name == v.Machine {
			model = m.Model
		}
	}
	plans, err := b.List(ctx, schema.KindNamed("plan"), store.Filter{})
	if err != nil {
		return nil, err
	}
	same := func(a, b string) bool {
		return strings.EqualFold(strings.Join(strings.Fields(a), " "), strings.Join(strings.Fields(b), " "))
	}
	var works []string
	for _, r := range plans {
		p := r.(*schema.Plan)
		if p.Machine != v.Machine && (p.Machine != "" || !strings.EqualFold(p.Model, model)) {
			continue
		}
		if same(p.Work, v.Work) {
			return nil, nil
		}
		works = append(works, p.Work)
	}
	return schema.AlikeWorks(v.Work, works), nil
}

// offerPlan asks, where somebody types, whether a service that is worded almost as
// a plan is that plan's work, and then gives it the plan's words: a plan counts
// only services that have them.
func (a *app) offerPlan(ctx context.Context, b *store.Book, v *schema.Service) error {
	if !a.inTerminal {
		return nil
	}
	works, err := alikePlans(ctx, b, v)
	if err != nil {
		return err
	}
	for _, work := range works {
		answer, ok := a.ask(fmt.Sprintf("Did you mean the plan %q (y or Enter for no)? ", render.Safe(work)))
		if !ok {
			return usage("", "stopped: nothing was recorded")
		}
		if strings.EqualFold(answer, "y") || strings.EqualFold(answer, "yes") {
			v.Work = work
			return nil
		}
	}
	return nil
}

// notePlan says of a service recorded in a pipe which plan it may have been meant
// for.
func (a *app) notePlan(ctx context.Context, b *store.Book, v *schema.Service, number int64) error {
	if a.inTerminal { // it was asked
		return nil
	}
	works, err := alikePlans(ctx, b, v)
	if err != nil || len(works) == 0 {
		return err
	}
	fmt.Fprintf(a.errOut, "note: %q is no plan of %s (did you mean the plan %q?): a plan counts only services with "+
		"its own words. To put it right: shedbook correct %d --work %s --why 'worded as the plan'\n",
		render.Safe(v.Work), render.Safe(v.Machine), render.Safe(works[0]), number, schema.Quote(render.Safe(works[0])))
	return nil
}
