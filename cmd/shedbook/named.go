package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"shedbook/report/render"
	"shedbook/schema"
	"shedbook/schema/unit"
	"shedbook/store"
)

// addVerb records machines or drivers by their names; the options go for all of
// them.
func (a *app) addVerb(k *schema.Kind) *cobra.Command {
	c := &cobra.Command{
		Use: "add " + strings.ToUpper(k.Name) + "...", Short: "add new " + k.Name + "s",
		Args: args(1, -1, "one name or more (in quotes if one has spaces)"),
		RunE: func(cmd *cobra.Command, given []string) error {
			return a.record(cmd.Context(), func(b *store.Book) error {
				known, err := a.known(cmd.Context(), b)
				if err != nil {
					return err
				}
				var records []schema.Record
				for _, name := range given {
					r := k.New()
					if err := a.setField(k, r, &k.Fields[0], name, known); err != nil {
						return plainColumn(err, k.Name)
					}
					if _, err := a.setFields(cmd.Flags(), k, r, known); err != nil {
						return err
					}
					if err := check(k, r); err != nil {
						return plainColumn(err, k.Name)
					}
					if err := a.doubtTwins(k, k.Text(r, k.Name), known); err != nil {
						return err
					}
					records = append(records, r)
				}
				numbers, err := b.RecordAll(cmd.Context(), records...)
				if err != nil {
					return err
				}
				for i, r := range records {
					a.mine(b, k.Meta(r))
					fmt.Fprintf(a.out, "recorded as %s: %s %s\n", nameOf(cmd.Context(), b, numbers[i]), k.Name,
						render.Safe(k.Text(r, k.Name)))
				}
				return nil
			})
		},
	}
	a.addFields(c, k, k.Name, "retired", "sold_to")
	return c
}

// twins are the names of the book that a new one may be meant for. A machine's
// name is a code: one letter more or less is another machine.
func twins(k *schema.Kind, name string, known *schema.Known) []string {
	if k.Name == "driver" {
		return schema.Twins(name, known.Drivers)
	}
	alike := strings.Join(schema.NameWords(name), "")
	return slices.DeleteFunc(slices.Clone(known.Machines), func(other string) bool {
		return other == name || strings.Join(schema.NameWords(other), "") != alike
	})
}

// sayTwins says that a new name is much like one that the book has.
func (a *app) sayTwins(k *schema.Kind, name string, known *schema.Known) bool {
	like := twins(k, name, known)
	if len(like) > 0 {
		fmt.Fprintf(a.errOut, "note: %s %s looks much like %s, which is already in the book\n",
			k.Name, render.Safe(name), render.Safe(strings.Join(like, ", ")))
	}
	return len(like) > 0
}

// doubtTwins asks, where somebody types, whether a name that is much like
// another's is meant; else it is said.
func (a *app) doubtTwins(k *schema.Kind, name string, known *schema.Known) error {
	if !a.sayTwins(k, name, known) || !a.inTerminal {
		return nil
	}
	answer, _ := a.ask("Add " + render.Safe(name) + " as another " + k.Name + " (y or Enter for no)? ")
	if !strings.EqualFold(answer, "y") && !strings.EqualFold(answer, "yes") {
		return usage("use the name in the book", "nothing was recorded")
	}
	return nil
}

// amendNamed changes a machine or a driver found by its name.
func (a *app) amendNamed(cmd *cobra.Command, k *schema.Kind, name, why string,
	change func(schema.Record, *schema.Known) error, says func(name string) string) error {
	return a.record(cmd.Context(), func(b *store.Book) error {
		known, err := a.known(cmd.Context(), b)
		if err != nil {
			return err
		}
		find := known.Machine
		if k.Name == "driver" {
			find = known.Driver
		}
		if name, err = find(name); err != nil {
			return err
		}
		list, err := b.List(cmd.Context(), k, store.Filter{})
		if err != nil {
			return err
		}
		for _, r := range list {
			if k.Text(r, k.Name) == name {
				was, err := a.statesOf(cmd.Context(), b, k.Meta(r).Number)
				if err != nil {
					return err
				}
				found, err := b.Amend(cmd.Context(), k.Meta(r).Number, why,
					func(_ *schema.Kind, r schema.Record) error { return change(r, known) })
				if err == nil {
					fmt.Fprintln(a.out, says(name))
					err = a.sayStates(cmd.Context(), b, was, k, found.Current)
				}
				return err
			}
		}
		return usage("", "%s %q was removed in the meantime", k.Name, name)
	})
}

// when reads a time as typed at the terminal behind an option.
func (a *app) when(b *store.Book, cmd *cobra.Command, option, s string) (time.Time, error) {
	settings, err := b.Settings(cmd.Context())
	if err != nil {
		return time.Time{}, err
	}
	return a.parseTime(option, s, settings)
}

func (a *app) parseTime(option, s string, settings schema.Settings) (time.Time, error) {
	t, note, err := unit.ParseTime(s, a.now, settings.Zone(), settings.Dates())
	if err != nil {
		return t, schema.Wrong(option, s, strings.TrimPrefix(err.Error(), unit.Quote(s)+" "))
	}
	if note != "" {
		fmt.Fprintln(a.errOut, note)
	}
	return t, nil
}

func (a *app) driverVerb() *cobra.Command {
	k := schema.KindNamed("driver")
	rename := &cobra.Command{
		Use: "rename DRIVER NEW_NAME", Short: "change a driver's name; the history stays",
		Args: args(2, 2, "the old name and the new one"),
		RunE: func(cmd *cobra.Command, given []string) error {
			is := ""
			return a.amendNamed(cmd, k, given[0], "renamed", func(r schema.Record, known *schema.Known) error {
				was := r.(*schema.Driver).Name
				if err := k.Set(r, &k.Fields[0], given[1], known, time.Time{}); err != nil {
					return err
				}
				is = r.(*schema.Driver).Name
				others := *known
				others.Drivers = slices.DeleteFunc(slices.Clone(known.Drivers),
					func(name string) bool { return name == was })
				a.sayTwins(k, is, &others)
				return nil
			}, func(name string) string {
				return fmt.Sprintf("driver %s is now called %s; the history stays", name, is)
			})
		},
	}
	return a.group("driver", "add, list and rename drivers", "record", a.addVerb(k), a.listKind(k, "list"), rename)
}

func (a *app) wordVerb() *cobra.Command {
	add := &cobra.Command{
		Use: "add VOCABULARY WORD", Short: "add a word, such as a new kind of ground: word add terrain stubble",
		Args: args(2, 2, "a vocabulary (terrain) and the new word"),
		RunE: func(cmd *cobra.Command, given []string) error {
			w := schema.Word{Vocabulary: given[0], Word: strings.ToLower(strings.TrimSpace(given[1]))}
			if w.Word == "" {
				return usage("", "the new word is empty")
			}
			if err := w.Validate(); err != nil {
				return err
			}
			return a.record(cmd.Context(), func(b *store.Book) error {
				if err := b.AddWord(cmd.Context(), w); err != nil {
					return err
				}
				known, err := a.known(cmd.Context(), b)
				if err == nil {
					a.say(0, "%s: %s", w.Vocabulary, strings.Join(known.Words[w.Vocabulary], ", "))
				}
				return err
			})
		},
	}
	list := &cobra.Command{
		Use: "list", Short: "list the words each field accepts", Args: args(0, 0, "no words"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.view(cmd.Context(), func(b *store.Book) error {
				known, err := a.known(cmd.Context(), b)
				if err != nil {
					return err
				}
				for _, v := range schema.Vocabularies() {
					if v != "vocabulary" {
						a.say(9, "%-8s %s", v, strings.Join(known.Words[v], ", "))
					}
				}
				return nil
			})
		},
	}
	return a.group("word", "words each field accepts", "record", add, list)
}
