package main

import (
	"encoding/json"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
)

// mayImport is the plan of the house: who may import whom (see DEVELOPERS.md).
// The longest prefix of a package's path decides; a package may always import
// those in its own list of prefixes, and nothing else of ours.
var mayImport = map[string][]string{
	"cmd":              {"schema", "store", "report"},
	"store":            {"schema", "store"},
	"store/ticket":     {},
	"schema":           {"schema/unit", "schema/migration"},
	"schema/unit":      {},
	"schema/migration": {},
	"report":           {"schema", "report"},
	"report/stat":      {},
	"report/cooling":   {"report/say", "schema/unit"},
	"report/light":     {},
}

// onlyIn says which packages alone may use a library.
var onlyIn = map[string]string{
	"database/sql":                    "store",
	"modernc.org/sqlite":              "store",
	"github.com/spf13/cobra":          "cmd",
	"github.com/jedib0t/go-pretty":    "report/render",
	"html/template":                   "report/render",
	"github.com/emersion/go-ical":     "report/render",
	"net/http":                        "cmd",
	"github.com/nats-io/nats.go":      "store/hub",
	"github.com/nats-io/nkeys":        "store",
	"github.com/chromedp":             "(tests)",
	"github.com/xuri/excelize":        "(tests)",
	"github.com/stretchr/testify":     "(tests)",
	"pgregory.net/rapid":              "(tests)",
	"github.com/rogpeppe/go-internal": "(tests)",
	"github.com/arran4/golang-ical":   "(tests)",
}

// pure packages know no files, no clock and no network.
var pure = []string{"report", "schema"}

func TestWhoImportsWhom(t *testing.T) {
	out, err := exec.Command("go", "list", "-json=ImportPath,Imports,Dir,GoFiles", "shedbook/...").Output()
	require.NoError(t, err)
	d := json.NewDecoder(strings.NewReader(string(out)))
	seen := 0
	for {
		var p struct {
			ImportPath string
			Imports    []string
			Dir        string
			GoFiles    []string
		}
		if err := d.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else {
			require.NoError(t, err)
		}
		seen++
		from := strings.TrimPrefix(p.ImportPath, "shedbook/")
		rule := longest(from)
		require.NotEmpty(t, rule, "%s has no place in the house", from)
		for _, imp := range p.Imports {
			if to, ours := strings.CutPrefix(imp, "shedbook/"); ours {
				require.True(t, allowed(to, mayImport[rule]), "%s may not import %s", from, to)
				if to == "store/hub" { // its library would make every start slower
					require.Equal(t, "cmd/shedbook-exchange", from, "only shedbook-exchange links store/hub")
				}
				if strings.HasPrefix(from, "report") && from != "report/render" {
					require.NotEqual(t, "report/render", to, "%s: nothing of report may print", from)
					require.False(t, from != "report" && to == "report", "%s: report asks its rooms, and they never it",
						from)
				}
			}
			for lib, home := range onlyIn {
				if imp == lib || strings.HasPrefix(imp, lib+"/") {
					require.True(t, strings.HasPrefix(from, home), "%s may not use %s: only %s may", from, lib, home)
				}
			}
			for _, prefix := range pure {
				// schema/unit asks this machine for its own time zone, once, at the door.
				if strings.HasPrefix(from, prefix) && !(from == "schema/unit" && imp == "os") {
					require.NotContains(t, []string{"os", "net", "net/http", "os/exec"}, imp, "%s is pure", from)
				}
			}
		}
		for _, file := range p.GoFiles {
			text, err := os.ReadFile(filepath.Join(p.Dir, file))
			require.NoError(t, err)
			for i, line := range strings.Split(string(text), "\n") {
				if !strings.Contains(line, "`") && !strings.HasPrefix(line, "<") { // tags and templates are whole
					require.LessOrEqual(t, utf8.RuneCountInString(strings.ReplaceAll(line, "\t", "    ")), 120,
						"%s/%s:%d is too long", from, file, i+1)
				}
			}
			for _, prefix := range pure {
				if strings.HasPrefix(from, prefix) {
					require.NotRegexp(t, `\btime\.(Now|Since|Until)\(`, string(text), "%s/%s asks the clock", from,
						file)
				}
			}
		}
	}
	require.Greater(t, seen, 8)
}

func longest(pkg string) string {
	best := ""
	for p := range mayImport {
		if (pkg == p || strings.HasPrefix(pkg, p+"/")) && len(p) > len(best) {
			best = p
		}
	}
	return best
}

func allowed(to string, list []string) bool {
	for _, p := range list {
		if to == p || strings.HasPrefix(to, p+"/") {
			return true
		}
	}
	return false
}
