package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The page is looked at in Chromium, at a phone's and a desk's width.

// What goes wrong between a phone and the page.
const (
	connected = iota
	gone      // there is no network
	deaf      // what is sent arrives, and its answer does not
)

// demoBook is the demo's book, made once.
var demoBook = sync.OnceValues(func() ([]byte, error) {
	dir, err := os.MkdirTemp("", "shedbook-demo")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "demo.db")
	a := (&shedPage{path: path, now: demoEnd}).app()
	if err := fillDemo(context.Background(), path, a); err != nil {
		return nil, err
	}
	return os.ReadFile(path)
})

// demoShed is the demo's book and its page, which can be out of reach.
func demoShed(t *testing.T) (y *shedPage, reach *atomic.Int32) {
	t.Helper()
	y = &shedPage{t: t, path: filepath.Join(t.TempDir(), "shedbook.db"), now: demoEnd}
	book, err := demoBook()
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(y.path, book, 0o600))
	y.open()
	reach = new(atomic.Int32)
	pages := y.web.Config.Handler
	y.web.Config.Handler = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch reach.Load() {
		case deaf:
			pages.ServeHTTP(httptest.NewRecorder(), r)
			fallthrough
		case gone:
			c, _, err := w.(http.Hijacker).Hijack()
			if err == nil {
				c.Close()
			}
		default:
			pages.ServeHTTP(w, r)
		}
	})
	return y, reach
}

// aBrowser is one window of Chromium.
type aBrowser struct {
	t       *testing.T
	ctx     context.Context
	mu      sync.Mutex
	console []string // what it complained of
	asked   []string // addresses that it asked for
}

func openBrowser(t *testing.T) *aBrowser {
	t.Helper()
	if testing.Short() {
		t.Skip("a browser takes too long for this")
	}
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Skip("chromium is not installed")
	}
	// Names are not resolved, so that a request to outside fails loudly.
	all, cancel := chromedp.NewExecAllocator(context.Background(),
		append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox,
			chromedp.DisableGPU,
			chromedp.Flag("host-resolver-rules", "MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"),
			chromedp.WSURLReadTimeout(time.Minute))...)
	t.Cleanup(cancel)
	ctx, cancel := chromedp.NewContext(all)
	t.Cleanup(cancel)
	ctx, cancel = context.WithTimeout(ctx, 5*time.Minute)
	t.Cleanup(cancel)
	b := &aBrowser{t: t, ctx: ctx}
	b.do()
	tell(b, network.Enable, network.EnableParams{})
	tell(b, log.Enable, cdp.Empty{})
	watch(b, network.RequestWillBeSent, func(e *network.EventRequestWillBeSent) {
		b.asked = append(b.asked,
			e.Request.URL)
	})
	watch(b, log.EntryAdded, func(e *log.EventEntryAdded) {
		b.console = append(b.console, e.Entry.Text+" "+
			e.Entry.URL)
	})
	watch(b, runtime.ExceptionThrown, func(e *runtime.EventExceptionThrown) {
		b.console = append(b.console,
			e.ExceptionDetails.Text)
	})
	return b
}

func (b *aBrowser) do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	require.NoError(b.t, chromedp.Do(b.ctx, steps...))
}

func tell[P, R any](b *aBrowser, cmd cdp.Command[P, R], params P) {
	b.t.Helper()
	_, err := chromedp.Call(b.ctx, cmd, params)
	require.NoError(b.t, err)
}

// watch notes events of a sort until the window is closed.
func watch[E any](b *aBrowser, of cdp.Event[E], note func(*E)) {
	events := chromedp.Events(b.ctx, of)
	go func() {
		for e, err := range events {
			if err != nil {
				return
			}
			b.mu.Lock()
			note(&e)
			b.mu.Unlock()
		}
	}()
}

// phone makes the window a phone's, and desk a desk's.
func (b *aBrowser) phone() {
	b.do(chromedp.EmulateViewport(390, 844, chromedp.EmulateScale(2), chromedp.EmulateMobile, chromedp.EmulateTouch))
}

func (b *aBrowser) desk() {
	b.do(chromedp.EmulateViewport(1200, 900))
}

func (b *aBrowser) dark(on bool) {
	scheme := map[bool]string{true: "dark", false: "light"}[on]
	tell(b, emulation.SetEmulatedMedia,
		emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme",
			Value: scheme}}})
}

// eval is what an expression is in the page.
func eval[T any](b *aBrowser, js string) T {
	b.t.Helper()
	out, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](js, chromedp.EvalAwaitPromise))
	require.NoError(b.t, err)
	return out
}

func (b *aBrowser) text() string {
	return eval[string](b, `document.body.innerText.replace(/\s+/g, " ")`)
}

// waits waits until an expression is true.
func (b *aBrowser) waits(js string) {
	b.t.Helper()
	for until := time.Now().Add(30 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		// which fails while a page goes
		is, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool](js, chromedp.EvalAwaitPromise))
		if err == nil && is {
			return
		}
		if time.Now().After(until) {
			require.Fail(b.t, "it does not come", "%s: %v\n%s", js, err, b.text())
		}
	}
}

// touch touches the middle of what a selector picks, which is scrolled to, and must be
// large enough for a thumb: 24 px is what WCAG 2.2 asks for (success criterion 2.5.8),
// 44 what its level AAA does (2.5.5).
func (b *aBrowser) touch(selector string) {
	b.t.Helper()
	at := eval[[]float64](b,
		fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.scrollIntoView({block: "center", behavior: "instant"});
		const r = (e.matches("input[type=radio]") ? e.parentElement : e).getBoundingClientRect(); return [r.x + r.width/2, r.y + r.height/2, r.width, r.height] })()`, selector))
	assert.GreaterOrEqual(b.t, min(at[2], at[3]), 24.0, selector)
	tell(b, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: input.DispatchTouchEventTypeTouchStart,
		TouchPoints: []*input.TouchPoint{{X: at[0], Y: at[1]}}})
	tell(b, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: input.DispatchTouchEventTypeTouchEnd,
		TouchPoints: []*input.TouchPoint{}})
}

func (b *aBrowser) goTo(url string) { b.t.Helper(); b.do(chromedp.Navigate(url)) }

// machineW2 is the number of a machine of the demo that has a flag and is parked.
func machineW2(y *shedPage) string {
	return regexp.MustCompile(`href="/m/(\d+)">W2<`).FindStringSubmatch(y.ask("GET", "/", "", nil).html)[1]
}

// everyPage are the page's places in the demo's book.
func everyPage(y *shedPage) []string {
	m := machineW2(y)
	out := []string{"/", "/m/" + m, "/flags", "/due", "/doubts", "/rates",
		"/rates?by=driver&adjust=speed&adjust=terrain", "/coolant", "/cleaning", "/cautions", "/more", "/pair",
		"/record/check?m=" + m, "/record/check?m=" + m + "&check=sensor-resistance", "/r/" + m, "/r/30",
		"/r/30/correct", "/r/30/void", "/nothing"}
	for _, report := range []string{"walk", "flags", "next", "held", "timeline", "doubts", "history"} {
		out = append(out, "/m/"+m+"/"+report)
	}
	for _, kind := range recordable(true) {
		if kind != "check" {
			out = append(out, "/record/"+kind)
		}
	}
	return append(out, "/record/run?m="+m, "/record/overheat?m="+m)
}

// modules is where npm put axe-core and html-validate; .ci/run does.
func modules(t *testing.T, file string) string {
	t.Helper()
	dir := os.Getenv("SHEDBOOK_NODE_MODULES")
	if dir == "" {
		t.Skip("SHEDBOOK_NODE_MODULES is not set: npm install axe-core html-validate, and name the directory " +
			"node_modules (see .ci/run)")
	}
	return filepath.Join(dir, file)
}

// Every page: no serious finding of axe-core, nothing on the console, nothing from
// elsewhere, no sideways scrolling. One page of each sort is looked at on a desk and
// by night as well, by the rules that go by looks.
func TestPagesWithAxe(t *testing.T) {
	var fails []string
	axe, err := os.ReadFile(modules(t, "axe-core/axe.min.js"))
	require.NoError(t, err)
	y, _ := demoShed(t)
	pages := y.web.Config.Handler
	y.web.Config.Handler = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path != "/axe.js" {
			pages.ServeHTTP(w, r)
			return
		}
		w.Header().Set("Content-Type", "text/javascript") // which the browser keeps
		w.Header().Set("Cache-Control", "max-age=3600")
		_, _ = w.Write(axe)
	})
	b := openBrowser(t)
	const looks = `, runOnly: {type: "rule", values: ["color-contrast", "link-in-text-block", "target-size", "scrollable-region-focusable"]}`
	judge := func(page, rules string) {
		var found []struct {
			ID, Impact, Help string
			Nodes            []struct{ HTML, FailureSummary string }
		}
		require.NoError(t, json.Unmarshal([]byte(eval[string](b, `axe.run(document, {resultTypes: ["violations"]`+rules+
			`}).then(r => JSON.stringify(r.violations))`)), &found))
		for _, f := range found {
			if f.Impact == "serious" || f.Impact == "critical" {
				fails = append(fails, fmt.Sprintf("%s: %s: %s: %.300s %.300s", page, f.ID, f.Help, f.Nodes[0].HTML,
					f.Nodes[0].FailureSummary))
			}
		}
	}
	as := func(view, page, rules string) {
		wide := eval[[]int](b, `[document.documentElement.scrollWidth, innerWidth]`)
		assert.LessOrEqual(t, wide[0], wide[1], "no sideways scrolling: %s, %s", page, view)
		judge(page+", "+view, rules)
		if dir := os.Getenv("SHEDBOOK_PAGES"); dir != "" { // to look at them oneself
			shot, err := chromedp.Run(b.ctx, chromedp.FullScreenshot(100))
			require.NoError(t, err)
			name := regexp.MustCompile(`[^a-z0-9]+`).ReplaceAllString(view+page, "-") + ".png"
			require.NoError(t, os.WriteFile(filepath.Join(dir, name), shot, 0o600))
		}
	}
	look := func(page string, everywhere bool) {
		if page == "stickers" { // a file
			eval[int](b, string(axe)+";0")
		} else {
			eval[bool](b,
				`new Promise(r => { const s = document.createElement("script"); s.src = "/axe.js"; s.onload = () => r(true); document.head.append(s) })`)
		}
		as("phone", page, "")
		if !everywhere {
			return
		}
		b.dark(true)
		as("phone by night", page, looks)
		b.desk()
		as("desk by night", page, looks)
		b.dark(false)
		as("desk", page, "")
		b.phone()
	}
	b.phone()
	of := "/m/" + machineW2(y)
	sorts := []string{"/", of, "/flags", "/due", "/rates", "/rates?by=driver&adjust=speed&adjust=terrain", "/cautions",
		"/more", "/pair", "/nothing", "/r/30", of + "/walk", of + "/next",
		of + "/history", "/record/run", "/record/out", "/record/back", "/record/check?m=" + machineW2(y)}
	for _, path := range everyPage(y) {
		b.goTo(y.web.URL + path)
		look(path, slices.Contains(sorts, path))
	}
	// What a form answers has no address of its own.
	for value, shows := range map[string]string{"a while": ".wrong", "250": ".doubts", "1": ".done"} {
		b.goTo(y.web.URL + "/record/run?m=" + machineW2(y))
		b.do(chromedp.SetValue(`#f-hours`, value), chromedp.Click(`.save button`))
		b.waits(fmt.Sprintf("!!document.querySelector(%q)", shows))
		look("a run of "+value, true)
	}
	labels := filepath.Join(t.TempDir(), "stickers.html")
	y.cli("stickers", "--html", labels, "--url", "https://shed.example:7433")
	b.goTo("file://" + labels)
	look("stickers", true)
	require.Empty(t, fails)
	eval[int](b, `document.body.insertAdjacentHTML("beforeend", "<input>"), 0`) // which has no label
	judge("bad", "")
	require.NotEmpty(t, fails, "it must notice what it is there to notice")
	fails = nil
	eval[int](b, `document.body.insertAdjacentHTML("beforeend", "<p style='color:#bbb;background:#fff'>pale</p>"), 0`)
	judge("pale", looks)
	require.NotEmpty(t, fails, "and what is hardly to be read")
	b.goTo(y.web.URL + "/")
	paper := eval[string](b, `getComputedStyle(document.body).backgroundColor`)
	b.dark(true)
	require.NotEqual(t, paper, eval[string](b, `getComputedStyle(document.body).backgroundColor`))
	for _, url := range b.asked {
		assert.True(t, strings.HasPrefix(url, y.web.URL+"/") || strings.HasPrefix(url, "data:") || url == "file://"+
			labels, url)
	}
	for _, says := range b.console {
		// what is not there, and what was not taken
		assert.True(t, strings.Contains(says, "/nothing") || strings.Contains(says, "422"), says)
	}
}

// Every page is valid HTML.
func TestPagesAreValid(t *testing.T) {
	validator := modules(t, "html-validate/bin/html-validate.mjs")
	y, _ := demoShed(t)
	dir := t.TempDir()
	for i, path := range everyPage(y) {
		html := y.ask("GET", path, "", nil).html
		name := fmt.Sprintf("%02d%s.html", i, regexp.MustCompile(`[^a-z0-9]+`).ReplaceAllString(path, "-"))
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(html), 0o600))
	}
	// What a person reads is for axe; here it is only whether it is HTML. Roles stand
	// on tables that are laid out as cards, and a page may have tables of any length.
	config := `{"root": true, "extends": ["html-validate:standard"], "rules": {"no-redundant-role": "off", "long-title": "off", "prefer-native-element": "off", "no-inline-style": "error",
		"no-trailing-whitespace": "off", "void-style": "off", "svg-focusable": "off", "no-implicit-button-type": "off", "require-sri": "off"}}`
	require.NoError(t, os.WriteFile(filepath.Join(dir, ".htmlvalidate.json"), []byte(config), 0o600))
	cmd := exec.Command("node", validator, "--formatter", "text", dir)
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "%.4000s", out)
}

// A run and an overheat take at most six touches on a phone, typing apart.
func TestTouches(t *testing.T) {
	b := openBrowser(t)
	b.phone()
	for name, c := range map[string]struct {
		touches []string
		typed   string
		says    string
	}{
		"a run as the last": {[]string{`tbody tr:nth-child(11) a`, `nav.big a[href*="/run"]`, `#f-hours`,
			`.save button`}, "2.5", "2.5 h"},
		"a run by another, elsewhere": {[]string{`tbody tr:nth-child(10) a`, `nav.big a[href*="/run"]`,
			`#f-driver label:nth-child(3) input`, `#f-terrain label:nth-child(4) input`, `#f-hours`, `.save button`},
			"1.5", "1.5 h, sand"},
		"an overheat": {[]string{`tbody tr:nth-child(11) a`, `nav.big a[href*="/overheat"]`,
			`#f-speed label:nth-child(3) input`, `#f-sign label:nth-child(1) input`, `.save button`}, "", "lamp"},
	} {
		require.LessOrEqual(t, len(c.touches), 6, name)
		y, _ := demoShed(t) // a new one, as what was recorded before may move a row
		b.goTo(y.web.URL + "/")
		for _, selector := range c.touches {
			b.waits(fmt.Sprintf("document.readyState == 'complete' && !!document.querySelector(%q)", selector))
			b.touch(selector)
			if selector == "#f-hours" {
				b.waits(`document.activeElement.id == "f-hours"`)
				b.do(chromedp.KeyEvent(c.typed))
			}
		}
		b.waits(fmt.Sprintf(`location.pathname.startsWith("/done/") && document.querySelector(".done").innerText.includes(%q)`, c.says))
	}
	// Out and back take four touches each: together two more than a run may.
	y, _ := demoShed(t)
	row := `tbody tr:nth-child(11) a`
	for _, half := range []struct{ link, field, typed, says string }{
		{`a[href*="/record/out"]`, "f-meter_out_h", "339", "is out with"},
		{`a[href*="/record/back"]`, "f-meter_back_h", "339.2", "is back from"},
	} {
		b.goTo(y.web.URL + "/")
		for _, selector := range []string{row, half.link, "#" + half.field, `.save button`} {
			b.waits(fmt.Sprintf("document.readyState == 'complete' && !!document.querySelector(%q)", selector))
			b.touch(selector)
			if selector == "#"+half.field {
				b.waits(fmt.Sprintf("document.activeElement.id == %q", half.field))
				b.do(chromedp.KeyEvent(half.typed))
			}
		}
		b.waits(fmt.Sprintf(`location.pathname.startsWith("/done/") && document.querySelector(".done").innerText.includes(%q)`,
			half.says))
	}
	// What a hand holds is what a thumb reaches: the buttons stand at the bottom of the
	// screen, wherever the page is scrolled to.
	b.goTo(y.web.URL + "/")
	b.touch(`tbody tr:nth-child(1) a`)
	b.waits(`!!document.querySelector("nav.big")`)
	for _, top := range []string{"0", "300"} {
		eval[int](b, "scrollTo({top: "+top+", behavior: 'instant'}), 0")
		low := eval[float64](b, `document.querySelector("nav.big").getBoundingClientRect().top / innerHeight`)
		require.Greater(t, low, 0.85)
		require.LessOrEqual(t, low, 1.0)
	}
}

// With script switched off everything is recorded all the same.
func TestWithoutScript(t *testing.T) {
	y, _ := demoShed(t)
	b := openBrowser(t)
	b.phone()
	tell(b, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
	b.goTo(y.web.URL + "/")
	b.do(chromedp.Click(`tbody tr:nth-child(11) a`), chromedp.WaitVisible(`nav.big`),
		chromedp.Click(`nav.big a[href*="/run"]`), chromedp.WaitVisible(`#f-hours`),
		chromedp.SendKeys(`#f-hours`, "250"), chromedp.Click(`.save button`), chromedp.WaitVisible(`.doubts`),
		chromedp.Click(`.doubts button`), chromedp.WaitVisible(`.done`))
	says, err := chromedp.Run(b.ctx, chromedp.Text(`.done`))
	require.NoError(t, err)
	require.Contains(t, says, "250.0 h")
	// and a photograph
	b.do(chromedp.SetUploadFiles(`#f-file`, []string{absolute(t, "../../testdata/photo/told.jpg")}),
		chromedp.Click(`form.photo button`), chromedp.WaitVisible(`figure img`))
}

func absolute(t *testing.T, path string) string {
	t.Helper()
	out, err := filepath.Abs(path)
	require.NoError(t, err)
	return out
}

// By the keyboard alone, a run is recorded, and where one stands is always seen.
func TestByKeyboard(t *testing.T) {
	y, _ := demoShed(t)
	b := openBrowser(t)
	b.desk()
	b.goTo(y.web.URL + "/")
	until := func(js string) {
		for range 80 {
			b.do(chromedp.KeyEvent(kb.Tab))
			seen := eval[bool](b,
				`(() => { const e = document.activeElement, s = getComputedStyle(e.matches(".choices input") ? e.nextElementSibling : e);
				return s.outlineStyle != "none" && parseFloat(s.outlineWidth) >= 2 || e.className == "skip" })()`)
			require.True(t, seen, "where one stands: %s", eval[string](b, `document.activeElement.outerHTML`))
			if eval[bool](b, js) {
				return
			}
		}
		t.Fatalf("the keyboard does not come to %s", js)
	}
	until(`document.activeElement.textContent == "W3"`)
	b.do(chromedp.KeyEvent(kb.Enter))
	b.waits(`location.pathname.startsWith("/m/") && document.readyState == "complete"`)
	until(`document.activeElement.textContent == "Run"`)
	b.do(chromedp.KeyEvent(kb.Enter))
	b.waits(`!!document.querySelector("#f-hours") && document.readyState == "complete"`)
	until(`document.activeElement.name == "driver"`)
	b.do(chromedp.KeyEvent(kb.ArrowDown))
	driver := eval[string](b, `document.activeElement.value`)
	until(`document.activeElement.id == "f-hours"`)
	b.do(chromedp.KeyEvent("1.25" + kb.Enter))
	b.waits(fmt.Sprintf(`location.pathname.startsWith("/done/") && document.querySelector(".done").innerText.includes(%q)`, driver+", 1.2 h"))
}

// What is typed without a network waits on the phone and goes in once, with its own
// time, when the network is back; so does what arrived and was not answered.
func TestWithoutANetwork(t *testing.T) {
	y, reach := demoShed(t)
	number := regexp.MustCompile(`href="/m/(\d+)">B1<`).FindStringSubmatch(y.ask("GET", "/", "", nil).html)[1]
	count := func() int { return strings.Count(y.cli("list", "topups", "--machine", "B1", "--csv"), "\n") }
	before := count()
	b := openBrowser(t)
	b.phone()
	b.goTo(y.web.URL + "/record/topup?m=" + number)
	record := func(ml string) {
		b.do(chromedp.WaitVisible(`#f-volume_ml`), chromedp.SetValue(`#f-volume_ml`, ml),
			chromedp.Click(`.save button`))
	}
	reach.Store(gone)
	record("111")
	b.waits(`document.body.innerText.includes("1 record waits on this phone")`)
	record("222")
	b.waits(`document.body.innerText.includes("2 records wait on this phone")`)
	reach.Store(deaf)
	record("333")
	b.waits(`document.body.innerText.includes("3 records wait on this phone")`)
	require.Equal(t, before+1, count(), "the third arrived")
	reach.Store(connected)
	eval[bool](b, `dispatchEvent(new Event("online"))`)
	b.waits(`document.body.innerText.includes("3 records went in")`)
	require.Equal(t, before+3, count(), "each once")
	b.goTo(y.web.URL + "/")
	require.NotContains(t, b.text(), "wait on this phone")

	// One that is unlikely is not taken by itself: it is looked at, and then recorded.
	b.goTo(y.web.URL + "/record/topup?m=" + number)
	reach.Store(gone)
	record("30000")
	b.waits(`document.body.innerText.includes("1 record waits on this phone")`)
	reach.Store(connected)
	eval[bool](b, `dispatchEvent(new Event("online"))`)
	b.waits(`document.body.innerText.includes("1 record was not taken")`)
	b.do(chromedp.Click(`#waiting button`), chromedp.WaitVisible(`.doubts`))
	require.Contains(t, b.text(), "This looks unlikely")
	require.Equal(t, before+3, count())
	b.do(chromedp.Click(`.doubts button`))
	b.waits(`location.pathname.startsWith("/done/") && !!document.querySelector(".done")`)
	require.Equal(t, before+4, count())
	require.NotContains(t, b.text(), "was not taken")
}

// Where the page is encrypted, or at this computer, the fleet and the forms open
// without a network, and what is typed goes in when it is back.
func TestColdStart(t *testing.T) {
	y, reach := demoShed(t)
	b := openBrowser(t)
	b.phone()
	b.goTo(y.web.URL + "/")
	require.True(t, eval[bool](b, `navigator.serviceWorker.ready.then(() => true)`))
	b.goTo(y.web.URL + "/")
	b.waits(`(async () => !!(await caches.match("/record/topup")))()`)
	reach.Store(gone)
	b.goTo(y.web.URL + "/")
	require.Contains(t, b.text(), "3 parked")
	b.goTo(y.web.URL + "/record/topup?m=999")
	b.do(chromedp.WaitVisible(`#f-volume_ml`), chromedp.Click(`#f-machine input[value=B1]`),
		chromedp.SetValue(`#f-volume_ml`, "123"), chromedp.Click(`.save button`))
	b.waits(`document.body.innerText.includes("1 record waits on this phone")`)
	b.goTo(y.web.URL + "/")
	b.waits(`document.body.innerText.includes("1 record waits on this phone")`)
	reach.Store(connected)
	b.goTo(y.web.URL + "/")
	b.waits(`document.body.innerText.includes("1 record went in")`)
	require.Equal(t, 1, strings.Count(y.cli("list", "topups", "--machine", "B1", "--csv"), ",123,"))
}
