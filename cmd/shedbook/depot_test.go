package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/store"
)

// Every depot prints the same history, whichever of them recorded what: the digests
// of all machines are equal in three books over which a season was split, row by row.
func TestEveryDepotPrintsTheSameHistory(t *testing.T) {
	dir := t.TempDir()
	sheets, err := filepath.Glob("../../testdata/season/*.csv")
	require.NoError(t, err)
	require.NotEmpty(t, sheets)
	marks := []string{"N", "S", "V"}
	book := func(mark string) string { return filepath.Join(dir, mark+".db") }
	stick := func(mark string) string { return filepath.Join(dir, mark+".stick") }
	exchange := func() {
		for range 2 {
			for _, from := range marks {
				shed(t, book(from), "exchange", "--out", stick(from))
				for _, to := range marks {
					if to != from {
						shed(t, book(to), "exchange", "--in", stick(from))
					}
				}
			}
		}
	}
	for i, mark := range marks {
		shed(t, book(mark), "new", "--time-zone", "UTC+2")
		if i == 0 {
			shed(t, book(mark), "depot", "start", "--mark", mark, "--name", mark)
			shed(t, book(mark), "import", "../../testdata/season/machines.csv", "../../testdata/season/drivers.csv")
			shed(t, book(mark), "exchange", "--out", stick(mark))
		} else {
			shed(t, book(mark), "depot", "join", stick("N"), "--mark", mark, "--name", mark)
		}
	}
	exchange()
	for i, mark := range marks {
		part := filepath.Join(dir, "part-"+mark)
		require.NoError(t, os.Mkdir(part, 0o700))
		for _, sheet := range sheets {
			text, err := os.ReadFile(sheet)
			require.NoError(t, err)
			name := filepath.Base(sheet)
			if name == "machines.csv" || name == "drivers.csv" {
				continue
			}
			lines := bytes.SplitAfter(text, []byte("\n"))
			some := bytes.Clone(lines[0])
			for row, line := range lines[1:] {
				if row%3 == i {
					some = append(some, line...)
				}
			}
			require.NoError(t, os.WriteFile(filepath.Join(part, name), some, 0o600))
		}
		shed(t, book(mark), "import", part, "--skip-bad", filepath.Join(dir, "bad-"+mark))
	}
	exchange()
	first := strings.Fields(shed(t, book("N"), "list", "runs", "--csv"))
	require.Greater(t, len(first), 500)
	shed(t, book("S"), "correct", "N30", "--note", "set right elsewhere", "--why", "misread")
	shed(t, book("V"), "void", "S100", "--why", "typed twice")
	exchange()

	ctx := context.Background()
	var want map[string]string
	for _, mark := range marks {
		b, err := store.View(ctx, book(mark))
		require.NoError(t, err)
		known, err := b.Known(ctx)
		require.NoError(t, err)
		got := map[string]string{}
		for _, machine := range known.Machines {
			got[machine], err = (&app{}).digestOf(ctx, b, machine, time.Time{})
			require.NoError(t, err)
		}
		require.NoError(t, b.Close())
		if want == nil {
			want = got
			require.Len(t, want, 12)
		}
		require.Equal(t, want, got, mark)
	}
}

// Records of one moment that differ in nothing but who drove stand in the same order in
// every history, whichever book had them first, and so do those that were voided.
func TestRecordsOfOneMomentInEveryHistory(t *testing.T) {
	dir := t.TempDir()
	n, s, stick := filepath.Join(dir, "N.db"), filepath.Join(dir, "S.db"), filepath.Join(dir, "stick")
	carry := func(from, to string) {
		shed(t, from, "exchange", "--out", stick)
		shed(t, to, "exchange", "--in", stick)
	}
	shed(t, n, "new", "--time-zone", "UTC")
	shed(t, s, "new", "--time-zone", "UTC")
	shed(t, n, "depot", "start", "--mark", "N", "--name", "North")
	shed(t, n, "machine", "add", "R4")
	for _, name := range []string{"Ada", "Ben"} {
		shed(t, n, "driver", "add", name)
	}
	shed(t, n, "log", "run", "R4", "--hours", "1", "--at", "2026-03-01 08:00", "--driver", "Ada") // number 4
	shed(t, n, "exchange", "--out", stick)
	shed(t, s, "depot", "join", stick, "--mark", "S", "--name", "South")
	for book, driver := range map[string]string{n: "Ada", s: "Ben"} {
		shed(t, book, "log", "run", "R4", "--hours", "2", "--at", "2026-03-02 08:00", "--driver", driver)
		shed(t, book, "log", "run", "R4", "--hours", "3", "--at", "2026-03-03 08:00", "--driver", driver)
		shed(t, book, "void", "6", "--why", "typed twice by "+driver)
	}
	carry(n, s)
	carry(s, n)
	var digests []string
	sold := filepath.Join(dir, "sold")
	for _, book := range []string{n, s} { // and what is handed over, which knows of no depots
		shed(t, book, "handover", "R4", "--out", sold+filepath.Base(book))
	}
	for _, book := range []string{n, s, sold + "N.db", sold + "S.db"} {
		b, err := store.View(context.Background(), book)
		require.NoError(t, err)
		digest, err := (&app{}).digestOf(context.Background(), b, "R4", time.Time{})
		require.NoError(t, err)
		require.NoError(t, b.Close())
		digests = append(digests, digest)
	}
	for _, digest := range digests[1:] {
		require.Equal(t, digests[0], digest)
	}
}

// Where two drivers have one name, the mark by which a book tells them apart is no part
// of it: in every depot a text is masked alike, and the word "no" is nobody.
func TestTextsAreMaskedAlikeInEveryDepot(t *testing.T) {
	dir := t.TempDir()
	n, s := filepath.Join(dir, "N.db"), filepath.Join(dir, "S.db")
	carry := func(from, to string) {
		shed(t, from, "exchange", "--out", filepath.Join(dir, "stick"))
		shed(t, to, "exchange", "--in", filepath.Join(dir, "stick"))
	}
	shed(t, n, "new", "--time-zone", "UTC")
	shed(t, s, "new", "--time-zone", "UTC")
	shed(t, n, "depot", "start", "--mark", "NO", "--name", "North")
	shed(t, n, "machine", "add", "R4")
	shed(t, n, "exchange", "--out", filepath.Join(dir, "stick"))
	shed(t, s, "depot", "join", filepath.Join(dir, "stick"), "--mark", "S", "--name", "South")
	for _, book := range []string{n, s} {
		shed(t, book, "driver", "add", "Ada Vennor")
	}
	carry(n, s)
	carry(s, n)
	shed(t, n, "log", "run", "R4", "--hours", "2", "--at", "2026-03-02 08:00", "--driver", "Ada Vennor of S",
		"--note", "no leak seen by Ada Vennor of S, nor by Vennor")
	carry(n, s)
	var digests []string
	for _, book := range []string{n, s} {
		shed(t, book, "handover", "R4", "--out", book+".sold")
		for _, path := range []string{book, book + ".sold"} {
			b, err := store.View(context.Background(), path)
			require.NoError(t, err)
			digest, err := (&app{}).digestOf(context.Background(), b, "R4", time.Time{})
			require.NoError(t, err)
			require.NoError(t, b.Close())
			digests = append(digests, digest)
		}
		require.Contains(t, shed(t, book+".sold", "list", "runs"), "no leak seen by a driver of S, nor by a driver")
	}
	for _, digest := range digests[1:] {
		require.Equal(t, digests[0], digest)
	}
}
