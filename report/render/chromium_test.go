package render

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"html"
	"io"
	"maps"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// browser runs Chromium once, with a new profile, and gives back what it
// printed. Names are not resolved, so that a request to outside fails loudly.
func browser(t *testing.T, args ...string) (stdout, stderr string) {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Skip("chromium is not installed")
	}
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	defer cancel()
	all := append([]string{"--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
		"--disable-background-networking",
		"--disable-component-update", "--disable-sync", "--disable-dev-shm-usage", "--hide-scrollbars",
		"--enable-logging=stderr",
		"--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1", "--user-data-dir=" + t.TempDir()}, args...)
	cmd := exec.CommandContext(ctx, path, all...)
	var out, errOut strings.Builder
	cmd.Stdout, cmd.Stderr = &out, &errOut
	require.NoError(t, cmd.Run(), errOut.String())
	return out.String(), errOut.String()
}

// looked is what the page looks like from inside a frame of one width.
type looked struct {
	Page     string
	Width    int      // of the frame
	Wide     int      // how wide the page is
	Cut      []string // tables that are wider than their place, so that one has to push them sideways
	Outside  []string // what it loaded
	Headings []int
	Scopes   int // table heads without a scope
	Pictures int // pictures without a title
	Lang     string
	Text     int // letters
	Scripts  int
}

// harness puts every page into frames of the widths of phones, tablets and desks.
const harness = `<!DOCTYPE html><meta charset="utf-8"><link rel="icon" href="data:,"><title>harness</title>
%s<pre id="out"></pre><script>
addEventListener("load", () => {
 const seen = [...document.querySelectorAll("iframe")].map(f => {
  const d = f.contentDocument, w = f.contentWindow
  return {Page: f.src.split("/").pop(), Width: f.clientWidth, Wide: d.documentElement.scrollWidth,
   Cut: [...d.querySelectorAll(".scroll")].filter(s => s.scrollWidth > s.clientWidth + 1).map(s => s.getAttribute("aria-label") + " " + s.scrollWidth),
   Outside: w.performance.getEntriesByType("resource").map(e => e.name).filter(n => !n.startsWith("data:")),
   Headings: [...d.querySelectorAll("h1,h2,h3,h4,h5,h6")].map(h => +h.tagName[1]),
   Scopes: d.querySelectorAll("th:not([scope])").length,
   Pictures: [...d.querySelectorAll("svg[role=img]")].filter(s => !(s.firstElementChild && s.firstElementChild.tagName == "title" && s.firstElementChild.textContent)).length
     + d.querySelectorAll("img:not([alt])").length,
   Lang: d.documentElement.lang, Text: d.body.innerText.length, Scripts: d.scripts.length}
 })
 document.getElementById("out").textContent = JSON.stringify(seen)
})
</script>`

var outPattern = regexp.MustCompile(`(?s)<pre id="out">(.*?)</pre>`)

var widths = []int{360, 390, 700, 900, 1200}

// look serves pages and looks at each in frames of all widths, all in one run of the browser.
func look(t *testing.T, pages map[string]string) (seen []looked, console []string, asked []string) {
	t.Helper()
	frames := ""
	for _, name := range slices.Sorted(maps.Keys(pages)) {
		for _, w := range widths {
			frames += fmt.Sprintf(`<iframe src="/page/%s" width="%d" height="900" style="border:0"></iframe>`, name, w)
		}
	}
	var mu sync.Mutex
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		name, ok := strings.CutPrefix(r.URL.Path, "/page/")
		page, known := pages[name]
		switch {
		case r.URL.Path == "/":
			fmt.Fprintf(w, harness, frames)
		case ok && known:
			fmt.Fprint(w, page)
		default:
			mu.Lock()
			asked = append(asked, r.URL.Path)
			mu.Unlock()
			http.NotFound(w, r)
		}
	}))
	defer server.Close()
	out, errOut := browser(t, "--virtual-time-budget=4000", "--dump-dom", server.URL+"/")
	m := outPattern.FindStringSubmatch(out)
	require.NotNil(t, m, "the harness did not run:\n%s\n%s", out, errOut)
	require.NoError(t, json.Unmarshal([]byte(html.UnescapeString(m[1])), &seen), m[1])
	require.Len(t, seen, len(widths)*len(pages))
	for _, line := range strings.Split(errOut, "\n") {
		if strings.Contains(line, "CONSOLE") {
			console = append(console, line)
		}
	}
	mu.Lock()
	defer mu.Unlock()
	return seen, console, asked
}

// The harness must notice what it is there to notice.
func TestHarnessSeesFaults(t *testing.T) {
	page := `<!DOCTYPE html><html><body><h1>x</h1><div style="width:2000px">wide</div><img src="http://outside.invalid/a.png"><img src="/other.png"><table><tr><th>x</th></tr></table>` +
		`<script>console.error("boo")</script></body></html>`
	seen, console, asked := look(t, map[string]string{"bad": page})
	for _, s := range seen {
		assert.Greater(t, s.Wide, s.Width)
	}
	assert.NotEmpty(t, console)
	assert.Contains(t, asked, "/other.png")
	assert.Equal(t, 1, seen[0].Scopes)
	assert.Equal(t, 2, seen[0].Pictures)
}

func TestPagesInChromium(t *testing.T) {
	pages := samplePages(t)
	seen, console, asked := look(t, pages)
	assert.Empty(t, console, "nothing on the console")
	assert.Empty(t, asked, "nothing else is asked for")
	for _, s := range seen {
		at := fmt.Sprintf("%s at %d px", s.Page, s.Width)
		assert.LessOrEqual(t, s.Wide, s.Width, "no sideways scrolling: %s", at)
		assert.Empty(t, s.Cut, "no table is cut: %s", at)
		assert.Empty(t, s.Outside, at)
		assert.Zero(t, s.Scopes, "every table head has a scope: %s", at)
		assert.Zero(t, s.Pictures, "every picture has its words: %s", at)
		assert.Zero(t, s.Scripts, at)
		assert.Equal(t, "en", s.Lang, at)
		assert.Greater(t, s.Text, 200, at)
		require.NotEmpty(t, s.Headings, at)
		assert.Equal(t, 1, s.Headings[0], at)
		for i := 1; i < len(s.Headings); i++ {
			assert.LessOrEqual(t, s.Headings[i], s.Headings[i-1]+1, "headings skip no level: %s", at)
			assert.NotEqual(t, 1, s.Headings[i], "one h1: %s", at)
		}
	}
}

func TestPagesPrint(t *testing.T) {
	pages := samplePages(t)
	dir := t.TempDir()
	if keep := os.Getenv("SHEDBOOK_PAGES"); keep != "" { // to look at them oneself
		dir = keep
		for name, page := range pages {
			require.NoError(t, os.WriteFile(filepath.Join(dir, name+".html"), []byte(page), 0o600))
		}
	}
	// The page names no paper, so that it prints on what is in the printer; here
	// each is told one. ISO 216: A4 is 210 x 297 mm, 595 x 842 points; ANSI Letter
	// is 8.5 x 11 in, 612 x 792 points.
	for _, c := range []struct{ name, paper, box string }{{"history", "A4",
		`/MediaBox \[0 0 59[45][.0-9]* 84[12][.0-9]*\]`}, {"fleet", "letter", `/MediaBox \[0 0 612 792\]`}} {
		file, pdf := filepath.Join(dir, c.name+".html"), filepath.Join(dir, c.name+".pdf")
		require.Contains(t, pages[c.name], "@page{margin")
		require.NoError(t, os.WriteFile(file, []byte(strings.Replace(pages[c.name], "@page{", "@page{size:"+c.paper+";",
			1)), 0o600))
		_, errOut := browser(t, "--no-pdf-header-footer", "--print-to-pdf="+pdf, "file://"+file)
		assert.NotContains(t, errOut, "CONSOLE")
		printedPDF, err := os.ReadFile(pdf)
		require.NoError(t, err)
		assert.Equal(t, "%PDF", string(printedPDF[:4]))
		assert.Contains(t, string(printedPDF[len(printedPDF)-16:]), "%%EOF")
		assert.Greater(t, len(printedPDF), 10000, "%s has something on it", c.name)
		assert.Regexp(t, c.box, string(printedPDF))
	}
}

// samplePages are the pages people keep: what they print is what is looked at.
func samplePages(t *testing.T) map[string]string {
	page := func(do func(io.Writer) error) string {
		var b bytes.Buffer
		require.NoError(t, do(&b))
		return b.String()
	}
	o := Options{Format: HTML}
	return map[string]string{
		"plots": page(func(w io.Writer) error { return plotsDoc().Print(w, o) }),
		"rates": page(func(w io.Writer) error { return Rates(w, sampleRates(), o) }),
		"next":  page(func(w io.Writer) error { return Next(w, sampleNext(), o) }),
		"flags": page(func(w io.Writer) error { return FlagsOf(w, sampleFlags(), "R4", o) }),
		"history": page(func(w io.Writer) error {
			return History(w, sampleHistory(), Papers{Digest: "9f2c41",
				Photos: []Photo{{12, "data:image/gif;base64,R0lGODlhAQABAIAAAAAAAP///ywAAAAAAQABAAACAUwAOw==",
					"core from behind"}}}, o)
		}),
		"fleet": page(func(w io.Writer) error {
			r, weeks := sampleFleet()
			return FleetPage(w, r, sampleFlags(), sampleDue(), weeks, o)
		}),
	}
}
