package main

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"shedbook/report/render"
	"shedbook/schema"
)

// ownWords replace what cobra says of its own verbs and options.
var ownWords = map[string]string{
	"help":      "explain a verb",
	"--help":    "show this help",
	"--version": "show the program's version",
}

// sayUsage says how a verb is written. Cobra's own text calls options flags, which
// are something else here, and says the type of each.
func (a *app) sayUsage(c *cobra.Command) error {
	w := c.OutOrStderr()
	fmt.Fprintln(w, "Usage:")
	if c.Runnable() && !c.HasAvailableSubCommands() {
		fmt.Fprintf(w, "  %s\n", strings.Replace(c.UseLine(), "[flags]", "[OPTIONS]", 1))
	}
	if c.HasAvailableSubCommands() {
		fmt.Fprintf(w, "  %s VERB\n", c.CommandPath())
	}
	if c.HasExample() {
		fmt.Fprintf(w, "\nExamples:\n%s\n", c.Example)
	}
	for _, g := range append(c.Groups(), &cobra.Group{Title: "Verbs:"}) {
		var rows [][2]string
		for _, v := range c.Commands() {
			if v.IsAvailableCommand() && v.GroupID == g.ID {
				rows = append(rows, [2]string{v.Name(), cmp.Or(ownWords[v.Name()], v.Short)})
			}
		}
		a.sayRows(w, g.Title, rows)
	}
	a.sayRows(w, "Options:", options(c.LocalFlags()))
	a.sayRows(w, "Options of every verb:", options(c.InheritedFlags()))
	if c.HasAvailableSubCommands() {
		fmt.Fprintf(w, "\nMore about a verb: %s VERB --help\n", c.CommandPath())
	}
	return nil
}

// folded folds a text to the line's width: lines that are not indented run on.
func (a *app) folded(text string) string {
	var out []string
	runs := false
	for line := range strings.SplitSeq(text, "\n") {
		indented := line == "" || line[0] == ' '
		if runs && !indented {
			out[len(out)-1] += " " + line
		} else {
			out = append(out, line)
		}
		runs = !indented
	}
	for i, line := range out {
		out[i] = render.Fold(line, a.lineWidth(), len(line)-len(strings.TrimLeft(line, " ")))
	}
	return strings.Join(out, "\n")
}

// wrongOption says what is wrong with an option: cobra's own text calls it a flag.
func wrongOption(c *cobra.Command, err error) error {
	hint := c.CommandPath() + " --help lists the options"
	var unknown *pflag.NotExistError
	var bare *pflag.ValueRequiredError
	var bad *pflag.InvalidValueError
	switch {
	case errors.As(err, &unknown) && unknown.GetSpecifiedShortnames() != "":
		return usage("write -- before a word that begins with a dash, or use its option", "there is no option -%s",
			unknown.GetSpecifiedName())
	case errors.As(err, &unknown):
		var names []string
		c.Flags().VisitAll(func(f *pflag.Flag) { names = append(names, f.Name) })
		name := unknown.GetSpecifiedName()
		return usage(hint, "there is no option --%s%s", name, schema.DidYouMean(name, names))
	case errors.As(err, &bare):
		return usage(hint, "--%s needs a value: %s", bare.GetSpecifiedName(), bare.GetFlag().Usage)
	case errors.As(err, &bad):
		return usage(hint, "--%s %q %s", bad.GetFlag().Name, bad.GetValue(), bad.Unwrap())
	}
	return usage(hint, "%s", err)
}

// options are each option with its value, and what it means.
func options(flags *pflag.FlagSet) (rows [][2]string) {
	flags.VisitAll(func(f *pflag.Flag) {
		if f.Hidden {
			return
		}
		name := "    --" + f.Name
		if f.Shorthand != "" {
			name = "-" + f.Shorthand + ", --" + f.Name
		}
		switch f.Value.Type() {
		case "bool":
		case "int", "float64":
			name += " NUMBER"
		default:
			name += " VALUE"
		}
		rows = append(rows, [2]string{name, cmp.Or(ownWords["--"+f.Name], f.Usage)})
	})
	return rows
}

// sayRows prints names and what they mean under a title, folded; nothing where
// there are none.
func (a *app) sayRows(w io.Writer, title string, rows [][2]string) {
	if len(rows) == 0 {
		return
	}
	widest := 0
	for _, r := range rows {
		widest = max(widest, len(r[0]))
	}
	fmt.Fprintf(w, "\n%s\n", title)
	for _, r := range rows {
		label := fmt.Sprintf("  %-*s  ", widest, r[0])
		fmt.Fprintln(w, render.Fold(label+r[1], a.lineWidth(), len(label)))
	}
}
