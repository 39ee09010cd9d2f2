package main

import (
	"bytes"
	"context"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
)

// On a terminal of 80 columns no line of any verb runs over the edge, where a
// terminal would break it inside a word.
func TestNothingRunsOverTheEdgeOfATerminal(t *testing.T) {
	book := filepath.Join(t.TempDir(), "yard.db")
	require.NoError(t, fillDemo(context.Background(), book, system()))
	for _, c := range []struct{ words, answers string }{
		{"set", ""}, {"word list", ""}, {"word add terrain stubble", ""}, {"fleet", ""}, {"flags", ""},
		{"flags B1", ""}, {"next B3", ""}, {"next B3 --walk", "pass\nwhat\n"},
		{"rates --by driver --adjust speed,terrain", ""}, {"coolant", ""}, {"coolant B1", ""}, {"cleaning", ""},
		{"recurrence", ""}, {"due", ""}, {"doubts", ""}, {"history B1", ""}, {"cautions", ""},
		{"log topup B1 300ml --at 2026-10-30", ""}, {"log check B1 pressure-hold pass", ""},
		{"log check B1 light-test 60%", ""}, {"log check B1 thermostat-bath fail", ""},
		{"log overheat B1 --sign steam --lost 400ml --terrain mud --speed fast --load heavy --at 2026-10-30", ""},
		{"list machine", ""}, {"show 300", ""}, {"verify", ""},
		{"log check B1 presure-hold pass", ""}, {"rates --by drivr", ""}, {"list runs --last -3", ""},
		{"history B1 --out B1.pdf", ""},
	} {
		var out, errOut bytes.Buffer
		a := &app{in: strings.NewReader(c.answers), out: &out, errOut: &errOut, now: demoEnd, width: 80,
			outTerminal: true, errTerminal: true,
			getenv: func(name string) string { return map[string]string{"NO_COLOR": "1"}[name] }}
		code := run(context.Background(), a, append([]string{"--book", book}, strings.Fields(c.words)...))
		said := out.String()
		if code == 2 {
			said, _, _ = strings.Cut(errOut.String(), "try: ") // which holds what is to be typed, in one line
		}
		require.Less(t, code, 3, "%s: %s", c.words, errOut.String())
		require.NotEmpty(t, said, c.words)
		// after a question whoever answers ends the line
		for _, line := range strings.Split(strings.ReplaceAll(said, "? ", "?\n"), "\n") {
			require.LessOrEqual(t, utf8.RuneCountInString(line), 80, "%s: %s", c.words, line)
		}
	}
}

// What next says of a machine fits a page of a terminal: 40 lines of 80 columns,
// also where it steamed, lost coolant and a gasket is suspected.
func TestNextFitsAPage(t *testing.T) {
	book := filepath.Join(t.TempDir(), "yard.db")
	require.NoError(t, fillDemo(context.Background(), book, system()))
	say := func(words ...string) string {
		var out, errOut bytes.Buffer
		a := &app{in: strings.NewReader(""), out: &out, errOut: &errOut, now: demoEnd, width: 80, outTerminal: true,
			getenv: func(name string) string { return map[string]string{"NO_COLOR": "1"}[name] }}
		require.Zero(t, run(context.Background(), a, append([]string{"--book", book}, words...)), errOut.String())
		return out.String()
	}
	say("log", "overheat", "B3", "--sign", "steam", "--lost", "600ml", "--terrain", "mud", "--speed", "fast", "--at",
		"2026-10-30")
	say("log", "check", "B2", "oil-level", "--finding", "milky", "--at", "2026-10-30")
	for _, m := range strings.Fields("B1 B2 B3 B4 B5 B6 B7 B8 W1 W2 W3") {
		text := say("next", m)
		require.LessOrEqual(t, strings.Count(text, "\n"), 40, "%s\n%s", m, text)
	}
}
