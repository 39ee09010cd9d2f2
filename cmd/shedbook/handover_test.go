package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// shed runs the program on a book and returns what it printed.
func shed(t *testing.T, book string, args ...string) string {
	t.Helper()
	var out, errOut bytes.Buffer
	a := &app{in: strings.NewReader(""), out: &out, errOut: &errOut, now: time.Date(2026, 3, 20, 12, 0, 0, 0, time.UTC),
		width:  80,
		getenv: func(string) string { return "" }}
	code := run(context.Background(), a, append([]string{"--book", book}, args...))
	require.Zero(t, code, "%v: %s", args, errOut.String())
	return out.String()
}

// What must not leave the yard with a machine: the other machines by their
// names, makes, serials and notes, and everybody by every name he ever had. Each
// is written into the book in several places, and amended, voided and detached
// ones with them.
var (
	others = []string{"Quarry-Two", "Moorhen", "SN-QT-4410", "gear whine on the slope", "fen-peat",
		"belt of the quarry quad", "hose-of-quarry.pdf", "quarry photograph"}
	people = []string{"Adaline Vennor", "ADALINE", "Vennor", "Adaline Prewitt", "Prewitt", "Benno Orrinsson",
		"Orrinsson", "Cleo Marrable", "Marrable", "Fayette Gond", "Gond", "likes the red one"}
)

func TestHandoverLeavesNothingOfOthersInTheBytes(t *testing.T) {
	dir := t.TempDir()
	book := filepath.Join(dir, "yard.db")
	do := func(args ...string) string { return shed(t, book, args...) }
	paper := func(name, says string) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, []byte("%PDF-1.4\n"+says), 0o600))
		return path
	}
	do("init", "--time-zone", "UTC+2")
	do("machine", "add", "R4", "--model", "Fell 8", "--serial", "F8-00417", "--note",
		"Benno Orrinsson fitted the winch")
	do("machine", "add", "Quarry-Two", "--make", "Moorhen", "--model", "Moor 4", "--serial", "SN-QT-4410", "--note",
		"gear whine on the slope")
	do("driver", "add", "Adaline Prewitt", "--note", "likes the red one")
	do("driver", "add", "Benno Orrinsson")
	do("driver", "add", "Cleo Marrable")
	do("driver", "add", "Fayette Gond")
	do("word", "add", "terrain", "fen-peat")
	for i := range 40 { // enough for many pages, the machines' records between each other
		at := fmt.Sprintf("2026-02-%02d %02d:00", 1+i/2, 8+i%2)
		do("log", "run", "R4", "--hours", "0.5", "--driver", "Adaline Prewitt", "--at", at, "--note",
			"ADALINE says the fan is loud")
		do("log", "run", "Quarry-Two", "--hours", "0.5", "--driver", "Cleo Marrable", "--terrain", "fen-peat", "--at",
			at, "--note", "gear whine on the slope")
	}
	// 87
	do("log", "service", "R4", "new pump seal", "--by", "Benno Orrinsson", "--parts", "Marrable's kit", "--at",
		"2026-03-01")
	do("log", "topup", "R4", "100", "--at", "2026-03-02", "--note", "Fayette Gond looked on")                  // 88
	do("log", "topup", "Quarry-Two", "100", "--at", "2026-03-03", "--note", "for the belt of the quarry quad") // 89
	do("log", "run", "R4", "--hours", "1", "--driver", "Benno Orrinsson", "--at", "2026-03-04 08:00")          // 90
	do("log", "run", "R4", "--hours", "1", "--driver", "Benno Orrinsson", "--at", "2026-03-05 08:00")          // 91
	do("plan", "add", "belt of the quarry quad", "--machine", "Quarry-Two", "--every", "50h")
	do("amend", "89", "--machine", "R4", "--note", "", "--why", "not its own, says Cleo Marrable")
	do("amend", "89", "--volume", "90", "--why", "Prewitt misread")
	do("amend", "88", "--volume", "120", "--why", "Adaline Prewitt misread")
	do("void", "90", "--why", "Vennor was out that day")
	do("driver", "rename", "Adaline Prewitt", "Adaline Vennor")
	do("void", "6", "--why", "left")
	do("attach", "87", paper("seal Orrinsson.pdf", "the bill"), paper("hose-of-quarry.pdf", "quarry photograph"),
		"--what", "for Cleo Marrable")
	do("detach", "87", "2", "--why", "of Quarry-Two")
	do("attach", "8", paper("q.pdf", "quarry photograph of another"))
	paperFile := filepath.Join(dir, "paper.txt")
	do("history", "R4", "--out", paperFile, "--as-of", "2026-03-18")
	do("machine", "sold", "R4", "--to", "Fayette Gond", "--at", "2026-03-19")

	whole, err := os.ReadFile(book)
	require.NoError(t, err)
	wal, _ := os.ReadFile(book + "-wal")
	for _, word := range append(append([]string{}, others...), people...) {
		// parts of the others
		if word != "Vennor" && word != "Prewitt" && word != "Gond" && word != "Marrable" && word != "Orrinsson" {
			require.True(t, bytes.Contains(append(whole, wal...), []byte(word)), "the yard's own book has %s", word)
		}
	}
	out := filepath.Join(dir, "R4.book")
	require.Contains(t, do("handover", "R4", "--out", out), "letters stand for 2 drivers")
	data, err := os.ReadFile(out)
	require.NoError(t, err)
	require.True(t, bytes.Contains(data, []byte("F8-00417")))
	require.True(t, bytes.Contains(data, []byte("Driver A says the fan is loud")))
	for _, word := range append(append([]string{}, others...), people...) {
		require.False(t, bytes.Contains(bytes.ToLower(data), []byte(strings.ToLower(word))), word)
	}
	left, err := filepath.Glob(filepath.Join(dir, "*R4.book*"))
	require.NoError(t, err)
	require.Equal(t, []string{out}, left)

	// With names: this machine's drivers, and nobody else.
	named := filepath.Join(dir, "named.book")
	require.Contains(t, do("handover", "R4", "--out", named, "--with-names"), "it names Adaline Vennor")
	data, err = os.ReadFile(named)
	require.NoError(t, err)
	require.True(t, bytes.Contains(data, []byte("Adaline Vennor")))
	for _, word := range append([]string{"Cleo Marrable", "Marrable", "Fayette Gond"}, others...) {
		require.False(t, bytes.Contains(bytes.ToLower(data), []byte(strings.ToLower(word))), word)
	}

	// The history reads the same from every one of these books, and one digest
	// vouches for it.
	paperText, err := os.ReadFile(paperFile)
	require.NoError(t, err)
	buyer := filepath.Join(dir, "buyer.db")
	shed(t, buyer, "init", "--time-zone", "UTC+2")
	shed(t, buyer, "import", out)
	for _, b := range []string{out, named, buyer} {
		require.Contains(t, shed(t, b, "history", "R4", "--verify", paperFile), "The paper matches the book", b)
		require.Equal(t, unnumbered(string(paperText)),
			unnumbered(shed(t, b, "history", "R4", "--as-of", "2026-03-18")), b)
	}
}

// unnumbered is a text without figures: a record's number is each book's own.
func unnumbered(s string) string {
	var out []string
	for _, line := range strings.Split(s, "\n") {
		if fields := strings.Fields(line); len(fields) > 3 && strings.HasPrefix(fields[0], "2026-") {
			fields[3] = "no."
			line = strings.Join(fields, " ")
		}
		out = append(out, line)
	}
	return strings.Join(out, "\n")
}

// A name that another machine had before says nothing of whose record it was.
func TestHandoverKnowsMachinesByTheirNumbers(t *testing.T) {
	dir := t.TempDir()
	book, out := filepath.Join(dir, "yard.db"), filepath.Join(dir, "R1.book")
	do := func(args ...string) string { return shed(t, book, args...) }
	do("machine", "add", "R1", "--serial", "OLD1")
	do("log", "run", "R1", "--hours", "1", "--at", "2026-03-01 08:00", "--note", "hit a rock")
	do("log", "run", "R1", "--hours", "1", "--at", "2026-03-02 08:00", "--note", "hit a tree")
	do("void", "2", "--why", "written down twice")
	do("amend", "1", "--machine", "R9", "--why", "renamed")
	do("machine", "add", "R1", "--serial", "NEW1") // 4
	// an earlier version of it was the old one's
	do("amend", "3", "--machine", "R1", "--note", "of the new one", "--why", "it was the new one")
	do("machine", "add", "R2") // 5
	do("log", "run", "R2", "--hours", "1", "--at", "2026-03-03 08:00", "--note", "hit a gate")
	do("void", "6", "--why", "never was")
	do("void", "5", "--why", "sold long ago")
	do("machine", "add", "R2") // 7
	require.Contains(t, do("handover", "R1", "--out", out), "R1 with 1 record, 1 earlier version")
	data, err := os.ReadFile(out)
	require.NoError(t, err)
	for _, word := range []string{"OLD1", "hit a rock", "hit a tree", "R9", "written down twice"} {
		require.False(t, bytes.Contains(data, []byte(word)), word)
	}
	require.Contains(t, do("handover", "R2", "--out", out+"2"), "R2 with 0 records, 0 earlier versions")
	data, err = os.ReadFile(out + "2")
	require.NoError(t, err)
	require.False(t, bytes.Contains(data, []byte("hit a gate")))
	require.Contains(t, do("handover", "R9", "--out", out+"9"), "R9 with 0 records, 2 earlier versions")
	require.Contains(t, do("verify"), "sound")
	require.Contains(t, shed(t, out, "verify"), "sound")
}
