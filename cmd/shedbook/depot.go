package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"shedbook/report/render"
	"shedbook/report/say"
	"shedbook/schema"
	"shedbook/schema/unit"
	"shedbook/store"
	"shedbook/store/ticket"
)

func (a *app) depotVerb() *cobra.Command {
	var asJSON bool
	c := a.group("depot", "several depots with one log: who is how far", "book",
		a.under("depot", []verb{{"start", a.depotStart}, {"invite", a.depotInvite}, {"join", a.depotJoin},
			{"close", a.depotClose}, {"renew", a.depotRenew}})...)
	none := c.RunE
	c.Long = `Several depots keep a book each, and shedbook exchange brings what one recorded to the
others. Without another word: lists the depots, when they were heard of last and how far
their entries are here, what waits to be sent or written, and what is held back and why.`
	c.RunE = func(cmd *cobra.Command, given []string) error {
		if len(given) > 0 {
			return none(cmd, given)
		}
		return a.view(cmd.Context(), func(b *store.Book) error { return a.showDepots(cmd.Context(), b, asJSON) })
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

func (a *app) showDepots(ctx context.Context, b *store.Book, asJSON bool) error {
	depots, err := b.Depots(ctx)
	if err != nil {
		return err
	}
	s, err := b.Settings(ctx)
	if err != nil {
		return err
	}
	h, err := b.Hub(ctx)
	if err != nil {
		return err
	}
	hub, heardHead := h != nil, ""
	if hub {
		heardHead = "Last heard"
	}
	type heldJSON struct {
		First   int64  `json:"first"`
		Entries int64  `json:"entries"`
		Why     string `json:"why"`
	}
	type depotJSON struct {
		Mark    string     `json:"mark"`
		Name    string     `json:"name"`
		Book    string     `json:"book"`
		This    bool       `json:"this_book"`
		Last    *time.Time `json:"last_entry"`
		Entries int64      `json:"entries"`
		Waiting int64      `json:"waiting"`
		Heard   *time.Time `json:"last_heard"`
		Missing int64      `json:"missing"`
		Ahead   int64      `json:"clock_ahead_s"`
		Held    []heldJSON `json:"held"`
	}
	out := []depotJSON{}
	t := &render.Table{Columns: []render.Column{{Key: "mark", Head: "Mark"}, {Key: "depot", Head: "Depot"},
		{Key: "last", Head: "Last entry"}, {Key: "heard", Head: heardHead},
		{Key: "entries", Head: "Here to"}, {Key: "state", Head: "State", Wrap: true}},
		Empty: "This book is on its own. To begin a company of several depots: 'depot start'. To join one: 'depot " +
			"join'."}
	var why []string
	for _, d := range depots {
		j := depotJSON{Mark: d.Mark, Name: d.Name, Book: d.Book, This: d.This, Entries: d.Entries, Waiting: d.Waiting,
			Held: []heldJSON{}}
		last, here, state := "", "nothing", ""
		if !d.Last.IsZero() {
			at := d.Last.In(s.Zone())
			j.Last, last = &at, unit.FormatTime(d.Last, s.Zone())
		}
		if d.Entries > 0 {
			here = "entry " + strconv.FormatInt(d.Entries, 10)
		}
		if d.This {
			state = "this book"
		}
		heard := ""
		if !d.Heard.IsZero() {
			at := d.Heard.In(s.Zone())
			j.Heard, heard = &at, ago(a.now.Sub(d.Heard))
			state = also(state, clockSays(d.Ahead))
		}
		j.Missing, j.Ahead = d.Missing, int64(d.Ahead/time.Second)
		switch {
		case d.Waiting > 0 && hub:
			state = also(state, say.Count(int(d.Waiting), "entry", "entries")+" to be sent")
		case d.Waiting > 0:
			state = also(state, say.Count(int(d.Waiting), "entry", "entries")+" not written out yet")
		}
		if d.Missing > 0 {
			state = also(state, say.Count(int(d.Missing), "entry", "entries")+" not here yet")
		}
		if len(d.Held) > 0 {
			state = also(state, say.Count(len(d.Held), "bundle")+" held back")
		}
		for _, h := range d.Held {
			j.Held = append(j.Held, heldJSON{h.First, h.Entries, h.Why})
			why = append(why, fmt.Sprintf("Held back, %s of %s from %d on: %s.",
				say.Count(int(h.Entries), "entry", "entries"), d.Mark, h.First, h.Why))
		}
		out = append(out, j)
		t.Add(render.Text(d.Mark), render.Text(d.Name), render.Text(last), render.Text(heard), render.Text(here),
			render.Text(state))
	}
	if h != nil && h.Refused != "" {
		why = append(why, say.Sentence(h.Refused))
	}
	return render.Print(a.out, out, a.options(s, asJSON, false), func() *render.Doc {
		d := &render.Doc{}
		d.Table(t)
		for _, line := range why {
			d.Say(line)
		}
		return d
	})
}

// also puts one remark behind another.
func also(said, more string) string {
	if said == "" || more == "" {
		return said + more
	}
	return said + ", " + more
}

// depotFlags are the options by which a depot is known.
func depotFlags(c *cobra.Command, mark, name *string) {
	c.Flags().StringVar(mark, "mark", "", "one to three capital letters that stand before the numbers of this depot's "+
		"records")
	c.Flags().StringVar(name, "name", "", "what the depot is called")
}

func (a *app) depotStart() *cobra.Command {
	var mark, name, addresses, out string
	c := &cobra.Command{
		Use:   "start --mark MARK --name NAME [--hub ADDRESS --out DIR]",
		Short: "make this book the first of several depots", Args: args(0, 0, "no words, only options"),
		Long: `Makes this book the first of several depots. All its records keep their numbers, and
get a name that every depot knows them by: record 311 of depot N is N311.

Then write a file with shedbook exchange --out, and let the others join with it:
shedbook depot join FILE.

Or give --hub with the address of a server that all depots can reach, or of three with
commas: this book is the office then, which lets the others in. In --out is written what
those servers need. In a book that is a depot already --mark and --name are left out;
where the hub moved, give the new address and the same directory.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if (addresses == "") != (out == "") {
				return usage("for instance --hub tls://hub.example:4222 --out hub", "--hub and --out go together")
			}
			if addresses != "" {
				if _, err := ticket.Servers(addresses); err != nil {
					return usage("for instance --hub tls://hub.example:4222", "%s", err)
				}
			}
			return a.recordIn(cmd.Context(), func(b *store.Book) error {
				if addresses != "" && mark == "" && name == "" {
					if all, err := b.Depots(cmd.Context()); err != nil || len(all) > 0 {
						return several(err, a.startHub(cmd.Context(), b, addresses, out))
					}
				}
				if err := b.Found(cmd.Context(), mark, name); err != nil {
					return err
				}
				a.say(0, "this book is depot %s, %s: its records are %s1, %s2 and so on from now on", mark,
					render.Safe(name), mark, mark)
				if addresses != "" {
					return a.startHub(cmd.Context(), b, addresses, out)
				}
				a.say(0, "To let another depot in: shedbook exchange --out FILE here, then shedbook depot join FILE "+
					"there.")
				return nil
			})
		},
	}
	depotFlags(c, &mark, &name)
	c.Flags().StringVar(&addresses, "hub", "", "where the hub's server is, or its three servers with commas")
	c.Flags().StringVar(&out, "out", "", "write what the servers need into this directory")
	return c
}

func (a *app) depotJoin() *cobra.Command {
	var mark, name string
	c := &cobra.Command{
		Use:   "join FILE [--mark MARK --name NAME]",
		Short: "let this book into a company of several depots",
		Args:  args(1, 1, "a ticket, or a file that shedbook exchange --out wrote"),
		Long: `Lets this book, empty or with records of its own, into the company of which FILE is,
and takes in what stands there. Its own records keep their numbers. FILE is a ticket of
the office (shedbook depot invite), which says the mark and the name, or a file of
bundles (shedbook exchange --out).

Join once. A machine that two depots have entered is two machines: enter it in one
depot, and let the others hear of it.`,
		RunE: func(cmd *cobra.Command, given []string) error {
			content, err := os.ReadFile(given[0])
			if err != nil {
				return err
			}
			if bytes.HasPrefix(content, []byte("{")) {
				if mark != "" || name != "" {
					return usage("", "a ticket says the mark and the name: leave out --mark and --name")
				}
				return a.joinByTicket(cmd.Context(), given[0], content)
			}
			bundles, err := readBundles(given[0])
			if err != nil {
				return err
			}
			return a.record(cmd.Context(), func(b *store.Book) error {
				took, err := b.Join(cmd.Context(), bundles, mark, name)
				if err != nil {
					return err
				}
				a.say(0, "this book is depot %s, %s", mark, render.Safe(name))
				return a.sayTook(cmd.Context(), b, took)
			})
		},
	}
	depotFlags(c, &mark, &name)
	return c
}

// readBundles reads a file of another depot's entries.
func readBundles(name string) ([]*store.Bundle, error) {
	content, err := os.ReadFile(name)
	if err != nil {
		return nil, err
	}
	bundles, err := store.ReadBundles(content)
	if err != nil {
		return nil, &store.Error{Trouble: store.BadBook, Says: fmt.Sprintf("nothing of %s was taken in: %s", name, err),
			Hint: "have it written again: shedbook exchange --out FILE"}
	}
	return bundles, nil
}

// recordWord judges a record's number, or the name by which all depots know it.
func recordWord(s string) error {
	if _, err := numberArg(s); err != nil && !store.IsName(s) {
		return err
	}
	return nil
}

// recordNumber is the number here of the record that somebody names. Where there are
// several depots a bare number is one that this depot gave: any other is typed by
// mistake, since people see names.
func (a *app) recordNumber(ctx context.Context, b *store.Book, s string) (int64, error) {
	number, notNumber := numberArg(s)
	if notNumber != nil {
		number, ok, err := b.NumberOf(ctx, s)
		if err == nil && !ok {
			err = notNumber
		}
		return number, err
	}
	if a.held != nil || strings.HasPrefix(s, "#") { // a page or a program, which has it from the book
		return number, nil
	}
	foreign, err := b.Foreign(ctx, number)
	if err == nil && foreign {
		err = usage("write the name that the lists show, such as "+nameOf(ctx, b, number),
			"%s is no record of this depot", s)
	}
	return number, err
}

// nameOf is what a record is called: its number or, where there are several depots,
// the name by which all of them know it.
func nameOf(ctx context.Context, b *store.Book, number int64) string {
	if names, err := b.Called(ctx, number); err == nil && names[number] != "" {
		return names[number]
	}
	return strconv.FormatInt(number, 10)
}

// withName adds a record's name to its JSON, where it has one.
func withName(object []byte, m *schema.Meta, names map[int64]string) []byte {
	if names[m.Number] == "" {
		return object
	}
	number := fmt.Sprintf(`"number":%d`, m.Number)
	return bytes.Replace(object, []byte(number), fmt.Appendf(nil, `%s,"name":%q`, number, names[m.Number]), 1)
}
