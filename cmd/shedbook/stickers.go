package main

import (
	"context"
	"fmt"
	"io"
	"net/url"
	"strings"

	"github.com/spf13/cobra"

	"shedbook/report/render"
	"shedbook/schema"
	"shedbook/schema/unit"
	"shedbook/store"
)

// servedAt is where the page is unless somebody says otherwise.
const servedAt = "http://127.0.0.1:7433"

func (a *app) stickersVerb() *cobra.Command {
	var html, paper, base string
	var cards bool
	c := &cobra.Command{
		Use: "stickers [MACHINE...] --html FILE", GroupID: "look",
		Short: "print a sticker for each machine, with a code that opens its page on a phone",
		Args:  args(0, -1, "machines, or none for all"),
		ValidArgsFunction: func(cmd *cobra.Command, _ []string, typed string) ([]cobra.Completion,
			cobra.ShellCompDirective) {
			return a.completeMachine(cmd, nil, typed)
		},
		Long: "Writes a page to print: label sheets with a sticker for each machine, or with --cards a\n" +
			"card for each to fill in by hand as it goes out and comes back. Point a phone at the\n" +
			"code, and it opens the machine's page.\n\n" +
			"The codes use the machines' numbers in this book. If you import the machines into\n" +
			"another book, print new ones.",
		RunE: func(cmd *cobra.Command, given []string) error {
			if html == "" {
				return usage("shedbook stickers --html stickers.html", "--html is missing: name the file to write")
			}
			at, err := pageBase(base)
			if err != nil {
				return err
			}
			return a.view(cmd.Context(), func(b *store.Book) error {
				known, err := a.known(cmd.Context(), b)
				if err != nil {
					return err
				}
				if paper == "" && known.Units == unit.US {
					paper = "letter"
				} else if paper == "" {
					paper = "a4"
				}
				p, ok := render.PaperNamed(strings.ToLower(paper))
				if !ok {
					return usage("", "--paper %q is not a4 or letter", paper)
				}
				machines, err := a.toStick(cmd.Context(), b, known, given)
				if err != nil {
					return err
				}
				var all []render.Sticker
				for _, m := range machines {
					all = append(all, render.Sticker{Name: m.Name, URL: fmt.Sprintf("%s/m/%d", at, m.Number)})
				}
				err = toFile(html, func(w io.Writer) error { return render.Stickers(w, all, p, cards, known.Units) })
				if err != nil {
					return err
				}
				a.wrote(html)
				if base == "" {
					fmt.Fprintln(a.errOut,
						"note: the codes lead to this computer itself, where no phone can reach it; "+
							"give the address that phones reach: --url https://shed.example:8443")
				}
				return nil
			})
		},
	}
	c.Flags().StringVar(&html, "html", "", "write the page to this file")
	c.Flags().StringVar(&paper, "paper", "", "a4 or letter (default: by the book's units)")
	c.Flags().StringVar(&base, "url", "", "address at which phones reach the book's page (default: "+servedAt+")")
	c.Flags().BoolVar(&cards, "cards", false, "cards to fill in by hand, four to a page")
	return c
}

// toStick are the machines named, or all that have not left the fleet.
func (a *app) toStick(ctx context.Context, b *store.Book, known *schema.Known, given []string) ([]*schema.Machine,
	error) {
	records, err := b.List(ctx, schema.KindNamed("machine"), store.Filter{})
	if err != nil {
		return nil, err
	}
	var all []*schema.Machine
	of := map[string]*schema.Machine{}
	for _, r := range records {
		m := r.(*schema.Machine)
		of[m.Name] = m
		if m.Retired.IsZero() || m.Retired.After(a.now) {
			all = append(all, m)
		}
	}
	if len(given) > 0 {
		all = nil
	}
	for _, word := range given {
		name, err := known.Machine(word)
		if err != nil {
			return nil, err
		}
		all = append(all, of[name])
	}
	if len(all) == 0 {
		return nil, usage("shedbook machine add NAME", "there is no machine to print a sticker for")
	}
	return all, nil
}

// pageBase reads the address of the book's page: http or https, without a slash at
// its end.
func pageBase(s string) (string, error) {
	if s == "" {
		return servedAt, nil
	}
	const like = "for instance --url https://shed.example:8443"
	u, err := url.Parse(s)
	switch {
	case err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "":
		return "", usage(like, "--url %q is not an address that begins with http:// or https://", s)
	case u.RawQuery != "" || u.Fragment != "" || u.User != nil:
		return "", usage(like, "--url %q should be the address alone, without ?, # or a password", s)
	case len(s) > render.MaxURL:
		return "", usage(like, "--url has %d characters; at most %d fit a sticker", len(s), render.MaxURL)
	}
	return strings.TrimRight(s, "/"), nil
}
