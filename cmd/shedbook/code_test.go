package main

import (
	"os"
	"regexp"
	"strconv"
	"strings"

	"github.com/rogpeppe/go-internal/testscript"
)

// code runs the rest of its line and asserts the exit code.
func code(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: code N command...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		exit, ok := err.(interface{ ExitCode() int })
		if !ok {
			ts.Fatalf("%v", err)
		}
		got = exit.ExitCode()
	}
	if got != want {
		ts.Fatalf("exit code %d, want %d: %v\n%s", got, want, args[1:], ts.ReadFile("stderr"))
	}
}

// swap writes a file anew with every match of a pattern replaced; \n stands for a
// line's end. What does not match is a mistake in the script.
func swap(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 4 {
		ts.Fatalf("usage: swap PATTERN WITH FROM TO")
	}
	pattern, text := regexp.MustCompile(args[0]), ts.ReadFile(args[2])
	if !pattern.MatchString(text) {
		ts.Fatalf("%s does not match %s", args[2], args[0])
	}
	text = pattern.ReplaceAllString(text, strings.ReplaceAll(args[1], `\n`, "\n"))
	ts.Check(os.WriteFile(ts.MkAbs(args[3]), []byte(text), 0o600))
}
