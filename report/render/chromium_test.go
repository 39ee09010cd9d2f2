package render

import (
	"context"
	"encoding/json"
	"fmt"
	"html"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
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
	all := append([]string{"--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
		"--disable-component-update", "--disable-sync", "--disable-dev-shm-usage", "--hide-scrollbars", "--enable-logging=stderr",
		"--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1", "--user-data-dir=" + t.TempDir()}, args...)
	cmd := exec.CommandContext(ctx, path, all...)
	var out, errOut strings.Builder
	cmd.Stdout, cmd.Stderr = &out, &errOut
	require.NoError(t, cmd.Run(), errOut.String())
	return out.String(), errOut.String()
}

// looked is what the page looks like from inside a frame of one width.
type looked struct {
	Width    int      // of the frame
	Wide     int      // how wide the page is
	Outside  []string // what it loaded
	Headings []int
	Scopes   int // table heads without a scope
	Pictures int // pictures without a title
	Lang     string
	Text     int // letters
	Scripts  int
}

const harness = `<!DOCTYPE html><meta charset="utf-8"><link rel="icon" href="data:,"><title>harness</title>
<iframe src="/page" width="390" height="800" style="border:0"></iframe><iframe src="/page" width="1200" height="900" style="border:0"></iframe>
<pre id="out"></pre><script>
addEventListener("load", () => {
 const seen = [...document.querySelectorAll("iframe")].map(f => {
  const d = f.contentDocument, w = f.contentWindow
  return {Width: f.clientWidth, Wide: d.documentElement.scrollWidth,
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

// look serves a page and looks at it in frames of a phone's and a desk's width.
func look(t *testing.T, page string) (seen []looked, console []string, asked []string) {
	t.Helper()
	var mu sync.Mutex
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		mu.Lock()
		asked = append(asked, r.URL.Path)
		mu.Unlock()
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		switch r.URL.Path {
		case "/":
			fmt.Fprint(w, harness)
		case "/page":
			fmt.Fprint(w, page)
		default:
			http.NotFound(w, r)
		}
	}))
	defer server.Close()
	out, errOut := browser(t, "--virtual-time-budget=4000", "--dump-dom", server.URL+"/")
	m := outPattern.FindStringSubmatch(out)
	require.NotNil(t, m, "the harness did not run:\n%s\n%s", out, errOut)
	require.NoError(t, json.Unmarshal([]byte(html.UnescapeString(m[1])), &seen), m[1])
	for _, line := range strings.Split(errOut, "\n") {
		if strings.Contains(line, "CONSOLE") {
			console = append(console, line)
		}
	}
	return seen, console, asked
}

// The harness must notice what it is there to notice.
func TestHarnessSeesFaults(t *testing.T) {
	page := `<!DOCTYPE html><html><body><h1>x</h1><div style="width:2000px">wide</div><img src="http://outside.invalid/a.png"><img src="/other.png"><table><tr><th>x</th></tr></table>` +
		`<script>console.error("boo")</script></body></html>`
	seen, console, asked := look(t, page)
	require.Len(t, seen, 2)
	assert.Greater(t, seen[0].Wide, seen[0].Width)
	assert.Greater(t, seen[1].Wide, seen[1].Width)
	assert.NotEmpty(t, console)
	assert.Contains(t, asked, "/other.png")
	assert.Equal(t, 1, seen[0].Scopes)
	assert.Equal(t, 2, seen[0].Pictures)
}

func TestPagesInChromium(t *testing.T) {
	for name, d := range samplePages() {
		t.Run(name, func(t *testing.T) {
			page := printed(t, d, Options{Format: HTML})
			seen, console, asked := look(t, page)
			assert.Empty(t, console, "nothing on the console")
			for _, path := range asked {
				assert.Contains(t, []string{"/", "/page"}, path, "nothing else is asked for")
			}
			require.Len(t, seen, 2)
			for _, s := range seen {
				assert.LessOrEqual(t, s.Wide, s.Width, "no sideways scrolling at %d px", s.Width)
				assert.Empty(t, s.Outside)
				assert.Zero(t, s.Scopes, "every table head has a scope")
				assert.Zero(t, s.Pictures, "every picture has its words")
				assert.Zero(t, s.Scripts)
				assert.Equal(t, "en", s.Lang)
				assert.Greater(t, s.Text, 200)
				require.NotEmpty(t, s.Headings)
				assert.Equal(t, 1, s.Headings[0])
				for i := 1; i < len(s.Headings); i++ {
					assert.LessOrEqual(t, s.Headings[i], s.Headings[i-1]+1, "headings skip no level")
					assert.NotEqual(t, 1, s.Headings[i], "one h1")
				}
			}
			dir := t.TempDir()
			file := filepath.Join(dir, "page.html")
			require.NoError(t, os.WriteFile(file, []byte(page), 0o600))
			pdf := filepath.Join(dir, "page.pdf")
			_, errOut := browser(t, "--no-pdf-header-footer", "--print-to-pdf="+pdf, "file://"+file)
			assert.NotContains(t, errOut, "CONSOLE")
			printedPDF, err := os.ReadFile(pdf)
			require.NoError(t, err)
			assert.Equal(t, "%PDF", string(printedPDF[:4]))
			assert.Greater(t, len(printedPDF), 5000)
			if keep := os.Getenv("SHEDBOOK_PAGES"); keep != "" { // to look at them oneself
				require.NoError(t, os.WriteFile(filepath.Join(keep, name+".html"), []byte(page), 0o600))
				require.NoError(t, os.WriteFile(filepath.Join(keep, name+".pdf"), printedPDF, 0o600))
			}
		})
	}
}

func samplePages() map[string]*Doc {
	return map[string]*Doc{"plots": plotsDoc()}
}
