package main

import (
	"bytes"
	"context"
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

// The five records that are typed most often, as they had to be typed with an
// option for every value and as a line of words.
var oftenest = []struct{ long, line string }{
	{"log run R4 --driver 'Ada Venn' --hours 2.5 --terrain mud --speed fast", "run R4 a 2.5 mud fast"},
	{"log topup R4 300ml", "topup R4 300"},
	{"log clean R4 hose --sides both --radiator-out yes", "clean R4 ho both out"},
	{"log level R4 0", "level R4 ok"},
	{"log overheat R4 --driver 'Ada Venn' --speed fast --terrain mud --sign lamp --minutes-in 20",
		"overheat R4 a mud fast lamp 20"},
}

// recorded runs the words in a new book and gives the records of their kind.
func recorded(t *testing.T, line string) []map[string]any {
	book := filepath.Join(t.TempDir(), "yard.db")
	do := func(words ...string) string {
		var out, errOut bytes.Buffer
		a := &app{in: strings.NewReader(""), out: &out, errOut: &errOut, now: demoEnd, width: 80,
			getenv: func(string) string { return "" }}
		require.Zero(t, run(context.Background(), a, append([]string{"--book", book}, words...)), "%v: %s", words,
			errOut.String())
		return out.String()
	}
	do("machine", "add", "R4", "R10")
	do("driver", "add", "Ada Venn", "Bo Larkin", "Dov Hallam")
	words := split(line)
	do(words...)
	kind := words[0]
	if kind == "log" {
		kind = words[1]
	}
	var list []map[string]any
	require.NoError(t, json.Unmarshal([]byte(do("list", schema.KindNamed(kind).Sheet, "--json")), &list))
	for _, r := range list {
		delete(r, "typed")
	}
	return list
}

// split cuts a line into words as a shell does, with single quotes.
func split(line string) []string {
	var out []string
	for i, part := range strings.Split(line, "'") {
		if i%2 == 1 {
			out = append(out, part)
		} else {
			out = append(out, strings.Fields(part)...)
		}
	}
	return out
}

// A line of words records what the options record, with half the keys at most.
func TestHalfTheKeys(t *testing.T) {
	long, short := 0, 0
	for _, c := range oftenest {
		require.Equal(t, recorded(t, c.long), recorded(t, c.line), c.line)
		long += len("shedbook " + c.long + "\n")
		short += len("shedbook " + c.line + "\n")
		t.Logf("%3d keys, %3d with options: %s", len("shedbook "+c.line+"\n"), len("shedbook "+c.long+"\n"), c.line)
	}
	require.LessOrEqual(t, 2*short, long)
}
