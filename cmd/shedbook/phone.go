package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"shedbook/report/render"
	"shedbook/schema"
	"shedbook/schema/unit"
	"shedbook/store"
)

func (a *app) phoneVerb() *cobra.Command {
	return a.group("phone", "phones that may open the page of `serve`", "book", a.phoneAdd(), a.phoneList(),
		a.phoneRemove())
}

func (a *app) phoneAdd() *cobra.Command {
	var may string
	c := &cobra.Command{
		Use: "add NAME", Short: "let a phone in: prints a code to type on it",
		Args: args(1, 1, "a name for the phone, such as its owner's"),
		Long: "Prints a code. Open the page of `shedbook serve` on the phone and type it there: it\nworks once, " +
			"within ten minutes. What the phone enters is recorded under its name.",
		RunE: func(cmd *cobra.Command, given []string) error {
			if may != "record" && may != "keep" {
				return usage("",
					"--may %q should be record (enter records and read) or keep (correct, void and manage too)", may)
			}
			return a.recordIn(cmd.Context(), func(b *store.Book) error {
				code, err := b.AddPhone(cmd.Context(), given[0], may)
				if err != nil {
					return err
				}
				fmt.Fprintf(a.out, "the code for %s is %s\n", render.Safe(schema.CleanName(given[0])), code)
				a.say(0, "It works once, within ten minutes: open the page of shedbook serve on the phone and type "+
					"it there.")
				return nil
			})
		},
	}
	c.Flags().StringVar(&may, "may", "record",
		"what it may do: record (enter records and read) or keep (correct, void and manage too)")
	_ = c.RegisterFlagCompletionFunc("may", cobra.FixedCompletions([]string{"record", "keep"},
		cobra.ShellCompDirectiveNoFileComp))
	return c
}

func (a *app) phoneList() *cobra.Command {
	return &cobra.Command{
		Use: "list", Short: "list the phones", Args: args(0, 0, "no words"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.view(cmd.Context(), func(b *store.Book) error {
				list, err := b.Phones(cmd.Context())
				if err != nil {
					return err
				}
				s, err := b.Settings(cmd.Context())
				if err != nil {
					return err
				}
				t := &render.Table{Columns: []render.Column{{Key: "phone", Head: "Phone"}, {Key: "may", Head: "May"},
					{Key: "since", Head: "Since"}},
					Empty: "No phone is let in yet. Add one with 'phone add'."}
				for _, p := range list {
					since := "waits for its code"
					switch {
					case !p.Removed.IsZero():
						since = "removed " + unit.FormatTime(p.Removed, s.Zone())
					case !p.Paired.IsZero():
						since = unit.FormatTime(p.Paired, s.Zone())
					}
					t.Add(render.Text(p.Name), render.Text(p.May), render.Text(since))
				}
				d := &render.Doc{}
				d.Table(t)
				return d.Print(a.out, a.options(s, false, false))
			})
		},
	}
}

func (a *app) phoneRemove() *cobra.Command {
	return &cobra.Command{
		Use: "remove NAME", Short: "shut a phone out, at once; its records stay", Args: args(1, 1, "a phone's name"),
		RunE: func(cmd *cobra.Command, given []string) error {
			return a.recordIn(cmd.Context(), func(b *store.Book) error {
				err := b.RemovePhone(cmd.Context(), given[0])
				if err == nil {
					fmt.Fprintf(a.out, "removed %s: it can't open the page any more\n",
						render.Safe(schema.CleanName(given[0])))
				}
				return err
			})
		},
	}
}
