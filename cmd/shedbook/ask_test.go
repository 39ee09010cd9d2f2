package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// typed is an app at whose terminal somebody types these lines.
func typed(t *testing.T, book string, lines ...string) (*app, *bytes.Buffer) {
	t.Helper()
	var out bytes.Buffer
	return &app{in: strings.NewReader(strings.Join(lines, "\n") + "\n"), out: &out, errOut: &out,
		now:    time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC),
		getenv: func(string) string { return "" }, inTerminal: true, outTerminal: true, width: 80, bookFlag: book}, &out
}

// On a terminal `log overheat` says first what must not be done, then asks; a
// wrong answer is asked again, an empty one is not recorded.
func TestOverheatAsks(t *testing.T) {
	book := filepath.Join(t.TempDir(), "b.db")
	for _, args := range [][]string{{"init", "--time-zone", "UTC"}, {"machine", "add", "R4"},
		{"driver", "add", "Ada Venn"}} {
		a, out := typed(t, book)
		require.Equal(t, 0, run(context.Background(), a, append(args, "--book", book)), out.String())
	}
	a, out := typed(t, book, "soon", "11:00", "Bea", "ada", "fa", "mu", "steam", "y", "a while", "20", "0.3 l")
	require.Equal(t, 0, run(context.Background(), a, []string{"log", "overheat", "R4", "--book", book}), out.String())
	caution, question := strings.Index(out.String(), "Do not open the cap"), strings.Index(out.String(), "who drove?")
	require.Positive(t, caution)
	require.Less(t, caution, question)
	require.Contains(t, out.String(), `"Bea" is not known`)
	require.Contains(t, out.String(), `"soon" is not a time`)
	require.Contains(t, out.String(), `"a while" is not`)
	for _, column := range []string{"minutes_in", "driver \"", "at \""} { // an error speaks of what was asked
		require.NotContains(t, out.String(), column)
	}

	a, out = typed(t, book)
	require.Equal(t, 0, run(context.Background(), a, []string{"list", "overheats", "--json", "--book", book}),
		out.String())
	for _, want := range []string{`"driver": "Ada Venn"`, `"speed": "fast"`, `"sign": "steam"`, `"fan": "on"`,
		`"terrain": "mud"`, `"at": "2026-03-14T11:00:00Z"`, `"minutes_in": 20`, `"lost_ml": 300`} {
		require.Contains(t, out.String(), want)
	}

	// Enter at when is now, and n a fan that stood.
	a, out = typed(t, book, "", "", "", "", "", "n", "", "")
	require.Equal(t, 0, run(context.Background(), a, []string{"overheat", "R4", "--book", book}), out.String())
	a, out = typed(t, book)
	require.Equal(t, 0, run(context.Background(), a, []string{"list", "overheats", "--json", "--book", book}),
		out.String())
	require.Contains(t, out.String(), `"fan": "off"`)
	require.Contains(t, out.String(), `"at": "2026-03-14T12:00:00Z"`)

	// Left half-way: nothing is recorded.
	a, out = typed(t, book, "Ada Venn")
	require.Equal(t, exitWords, run(context.Background(), a,
		[]string{"log", "overheat", "R4", "--at", "11:00", "--book", book}), out.String())
}

// Who takes a machine that is on watch is asked, and who brings one back without both
// readings; nobody is asked what is known.
func TestOutAndBackAsk(t *testing.T) {
	book := filepath.Join(t.TempDir(), "b.db")
	do := func(want int, lines []string, args ...string) string {
		t.Helper()
		a, out := typed(t, book, lines...)
		require.Equal(t, want, run(context.Background(), a, append(args, "--book", book)), out.String())
		return out.String()
	}
	do(0, nil, "new", "--time-zone", "UTC")
	do(0, nil, "machine", "add", "R4", "--coolant", "4.2l")
	do(0, nil, "driver", "add", "Ada Venn")
	do(0, nil, "overheat", "R4", "lamp", "--at", "9:00")
	says := do(exitWords, []string{"n"}, "out", "R4", "ada", "97.1", "--at", "10:00")
	require.Contains(t, says, "R4 is on watch: it overheated")
	require.Contains(t, says, "Does Ada Venn accept that (y/n)?")
	require.Contains(t, says, "nothing was recorded")
	do(0, []string{"y"}, "out", "R4", "ada", "97.1", "--at", "10:00")
	require.Contains(t, do(0, nil, "list", "outings", "--json"), `"accepted": "yes"`)
	says = do(0, []string{"a while", "0", "1.5"}, "back", "R4", "no-lamp")
	require.Contains(t, says, "engine hours driven (Enter: not known)?")
	require.Contains(t, says, `"a while" is not`)
	require.Contains(t, says, `"0" is too small`)
	require.Contains(t, do(0, nil, "list", "runs", "--json"), `"hours": 1.5`)
	do(0, []string{"y"}, "out", "R4", "ada", "98.6")
	require.NotContains(t, do(0, nil, "back", "R4", "98.6"), "engine hours driven")
}

// A figure that looks like one in another unit is asked about.
func TestDoubtfulFigureIsAskedAbout(t *testing.T) {
	book := filepath.Join(t.TempDir(), "b.db")
	for _, args := range [][]string{{"init", "--time-zone", "UTC"}, {"machine", "add", "R4", "--cap", "108"}} {
		a, out := typed(t, book)
		require.Equal(t, 0, run(context.Background(), a, append(args, "--book", book)), out.String())
	}
	a, out := typed(t, book, "no")
	require.Equal(t, exitWords, run(context.Background(), a,
		[]string{"log", "check", "R4", "cap-hold", "--relief", "16", "--book", book}), out.String())
	require.Contains(t, out.String(), "was it 110 kPa (that)")
	a, out = typed(t, book, "that")
	require.Equal(t, 0, run(context.Background(), a, []string{"log", "check", "R4", "cap-hold", "--relief", "16",
		"--book", book}), out.String())
	require.Contains(t, out.String(), "pass")
}

// What a terminal showed, folded to its width, is held against the book too.
func TestPaperFromATerminal(t *testing.T) {
	dir := t.TempDir()
	book, paper := filepath.Join(dir, "b.db"), filepath.Join(dir, "paper.txt")
	for _, args := range [][]string{{"init", "--time-zone", "UTC"}, {"machine", "add", "R4"},
		{"log", "topup", "R4", "300", "--note",
			"with a long note that a narrow window folds into more lines than one"}} {
		a, out := typed(t, book)
		require.Equal(t, 0, run(context.Background(), a, append(args, "--book", book)), out.String())
	}
	a, out := typed(t, book)
	a.width = 63
	require.Equal(t, 0, run(context.Background(), a, []string{"history", "R4", "--book", book}), out.String())
	shown := out.String()
	colors := regexp.MustCompile("\x1b\\[[0-9;]*m")
	for text, want := range map[string]int{shown: 0, strings.Replace(shown, "300 mL", "200 mL", 1): exitFailed} {
		require.NoError(t, os.WriteFile(paper, []byte(colors.ReplaceAllString(text, "")), 0o600))
		a, out = typed(t, book)
		require.Equal(t, want, run(context.Background(), a, []string{"history", "--verify", paper, "--book", book}),
			out.String())
		require.Contains(t, out.String(), "The records match")
	}
}

// A service worded almost as a plan is the plan's, if whoever types says so.
func TestServiceIsOfferedThePlan(t *testing.T) {
	book := filepath.Join(t.TempDir(), "b.db")
	for _, args := range [][]string{{"init", "--time-zone", "UTC"}, {"machine", "add", "R4", "--model", "Fell 8"},
		{"plan", "add", "oil and filter", "--model", "fell 8", "--every", "100h"},
		{"plan", "add", "R4", "belt", "--every", "100h"}} {
		a, out := typed(t, book)
		require.Equal(t, 0, run(context.Background(), a, append(args, "--book", book)), out.String())
	}
	for answer, want := range map[string]string{"y": "oil and filter", "": "oil change"} {
		a, out := typed(t, book, answer)
		require.Equal(t, 0, run(context.Background(), a, []string{"service", "R4", "oil change", "--book", book}),
			out.String())
		require.Contains(t, out.String(), `Did you mean the plan "oil and filter"`)
		require.Contains(t, out.String(), "service, R4, 2026-03-14 12:00, "+want)
	}
	a, out := typed(t, book)
	require.Equal(t, 0, run(context.Background(), a, []string{"service", "R4", "Oil and  filter", "--book", book}),
		out.String())
	require.NotContains(t, out.String(), "Did you mean")
}
