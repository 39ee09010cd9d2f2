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

// The README's samples are run: each `$ shedbook` line of a console block, and
// what it prints must be what stands below it. Blocks marked demo run on the
// demo's book. UPDATE_README=1 writes anew what stands below.
func TestReadme(t *testing.T) {
	file, err := filepath.Abs("../../README.md")
	require.NoError(t, err)
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	dir := t.TempDir()
	t.Chdir(dir) // for the files that samples write
	yard := &app{now: time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC), width: 80,
		bookFlag: filepath.Join(dir, "shedbook.db")}
	demo := &app{now: demoEnd, width: 80, bookFlag: filepath.Join(dir, "demo.db"), outTerminal: true}
	for _, a := range []*app{yard, demo} {
		a.in = strings.NewReader("")
		a.getenv = func(key string) string { return map[string]string{"NO_COLOR": "1"}[key] }
	}
	demo.errOut = &bytes.Buffer{}
	require.NoError(t, fillDemo(context.Background(), demo.bookFlag, demo))
	blocks := 0
	got := regexp.MustCompile("(?ms)^```console( demo)?\n(.*?)^```$").ReplaceAllFunc(text, func(block []byte) []byte {
		blocks++
		lines := strings.SplitAfter(string(block), "\n")
		a := yard
		if strings.HasPrefix(lines[0], "```console demo") {
			a = demo
		}
		var out strings.Builder
		out.WriteString(lines[0])
		for _, line := range lines[1:] {
			command, ok := strings.CutPrefix(line, "$ shedbook ")
			if !ok {
				continue
			}
			out.WriteString(line)
			var printed bytes.Buffer
			step := *a
			step.out, step.errOut = &printed, &printed
			run(context.Background(), &step, append([]string{"--book", a.bookFlag},
				words(t, strings.TrimSpace(command))...))
			out.WriteString(strings.ReplaceAll(printed.String(), dir+string(filepath.Separator), ""))
		}
		out.WriteString("```")
		return []byte(out.String())
	})
	require.Greater(t, blocks, 4)
	if os.Getenv("UPDATE_README") != "" {
		require.NoError(t, os.WriteFile(file, got, 0o644))
	}
	require.Equal(t, string(got), string(text))
}

// words splits a command line at spaces outside single quotes.
func words(t *testing.T, line string) []string {
	t.Helper()
	var out []string
	for _, m := range regexp.MustCompile(`'[^']*'|\S+`).FindAllString(line, -1) {
		out = append(out, strings.Trim(m, "'"))
	}
	return out
}
