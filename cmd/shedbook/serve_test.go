package main

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"mime/multipart"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
	"shedbook/store"
)

var yardNow = time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC)

// shedPage is a book of a few machines and its page.
type shedPage struct {
	t    *testing.T
	path string
	s    *server
	web  *httptest.Server
	now  time.Time
}

// openShed opens a page on a new book: machines R4 and R5, drivers Ada Venn and Bo
// Larkin.
func openShed(t *testing.T) *shedPage {
	t.Helper()
	y := &shedPage{t: t, path: filepath.Join(t.TempDir(), "shedbook.db"), now: yardNow}
	for _, line := range [][]string{{"new", "--time-zone", "UTC"},
		{"machine", "add", "R4", "--coolant", "4.2l", "--meter", "97.1"}, {"machine", "add", "R5"},
		{"driver", "add", "Ada Venn"}, {"driver", "add", "Bo Larkin"}} {
		y.cli(line...)
	}
	y.open()
	return y
}

func (y *shedPage) open() {
	y.t.Helper()
	a := y.app()
	b, err := store.Open(context.Background(), y.path, func() time.Time { return y.now })
	require.NoError(y.t, err)
	y.s = newServer(a, b, &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 7433}, false)
	y.web = httptest.NewUnstartedServer(nil)
	y.web.Config = y.s.http()
	y.web.Start()
	y.t.Cleanup(func() {
		y.web.Close()
		y.s.book.Close()
	})
}

func (y *shedPage) app() *app {
	return &app{in: strings.NewReader(""), out: io.Discard, errOut: io.Discard, now: y.now, width: 80, bookFlag: y.path,
		getenv: func(key string) string { return map[string]string{"SHEDBOOK_NOW": y.now.Format(time.RFC3339)}[key] }}
}

// cli does a command line on the book beside the page, and returns what it printed.
func (y *shedPage) cli(words ...string) string {
	y.t.Helper()
	var out bytes.Buffer
	a := y.app()
	a.out, a.errOut = &out, &out
	require.Zero(y.t, run(context.Background(), a, append([]string{"--book", y.path}, words...)), out.String())
	return out.String()
}

// answer is what came back: the text of the page, without its marks.
type answer struct {
	status int
	to     string // where it leads
	html   string
	header http.Header
}

var marks = regexp.MustCompile(`<[^>]*>`)

func (a answer) text() string {
	return strings.Join(strings.Fields(strings.NewReplacer("&#39;", "'", "&#34;", `"`, "&lt;", "<", "&gt;", ">",
		"&amp;", "&").Replace(marks.ReplaceAllString(a.html, " "))), " ")
}

// ask asks for a page, as a browser with a cookie does; "" for none.
func (y *shedPage) ask(method, path, cookie string, form url.Values, header ...string) answer {
	y.t.Helper()
	req, err := http.NewRequest(method, y.web.URL+path, strings.NewReader(form.Encode()))
	require.NoError(y.t, err)
	if form != nil {
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	if cookie != "" {
		req.AddCookie(&http.Cookie{Name: cookieName, Value: cookie})
	}
	for i := 0; i < len(header); i += 2 {
		if header[i] == "Host" {
			req.Host = header[i+1]
		}
		req.Header.Set(header[i], header[i+1])
	}
	return y.send(req)
}

func (y *shedPage) send(req *http.Request) answer {
	y.t.Helper()
	c := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := c.Do(req)
	require.NoError(y.t, err)
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	require.NoError(y.t, err)
	return answer{resp.StatusCode, resp.Header.Get("Location"), string(body), resp.Header}
}

var refs atomic.Int64

// form is what a form sends, with a ref of its own.
func form(pairs ...string) url.Values {
	v := url.Values{"ref": {fmt.Sprintf("ref-of-a-test-%06d", refs.Add(1))}}
	for i := 0; i < len(pairs); i += 2 {
		v.Add(pairs[i], pairs[i+1])
	}
	return v
}

// phone adds a phone and pairs it: its cookie.
func (y *shedPage) phone(name, may string) string {
	y.t.Helper()
	out := y.cli("phone", "add", name, "--may", may)
	code := regexp.MustCompile(`is ([2-9A-Z]{4}-[2-9A-Z]{4})`).FindStringSubmatch(out)
	require.NotNil(y.t, code, out)
	got := y.ask("POST", "/pair", "", url.Values{"code": {strings.ToLower(code[1])}, "to": {"/due"}})
	require.Equal(y.t, http.StatusSeeOther, got.status, got.text())
	require.Equal(y.t, "/due", got.to)
	set := got.header.Get("Set-Cookie")
	require.Contains(y.t, set, "HttpOnly")
	require.Contains(y.t, set, "SameSite=Strict")
	return regexp.MustCompile(`shedbook=([^;]*)`).FindStringSubmatch(set)[1]
}

// recorded sends a form and follows to what is said of it.
func (y *shedPage) recorded(path, cookie string, f url.Values) string {
	y.t.Helper()
	got := y.ask("POST", path, cookie, f)
	require.Equal(y.t, http.StatusSeeOther, got.status, got.text())
	return y.ask("GET", got.to, cookie, nil).text()
}

// A form records what the command line would, and says the same: the slip that is
// asked back, the line of what changed, the state.
func TestAFormIsACommandLine(t *testing.T) {
	y := openShed(t)
	says := y.recorded("/record/run", "", form("machine", "R4", "driver", "Ada Venn", "hours", "2.5", "terrain", "mud",
		"speed", "fast"))
	require.Contains(t, says, "Recorded as 5: run, R4, 2026-03-14 09:30, Ada Venn, 2.5 h, mud, fast")
	require.Contains(t, says, "R4: 2.5 mud hours and no thorough clean on record")
	require.Contains(t, y.cli("list", "runs", "--csv"), "2026-03-14T09:30:00Z")

	// units, and several words
	require.Contains(t, y.recorded("/record/topup", "",
		form("machine", "R4", "volume_ml", "0.3l", "into", "reservoir")), "300 mL")
	require.Contains(t, y.recorded("/record/bleed", "",
		form("machine", "R4", "points", "pump", "points", "radiator", "nose_up", "yes")), "points pump;radiator")

	// what is wrong is said at its field, and nothing is recorded
	got := y.ask("POST", "/record/run", "", form("machine", "R4", "driver", "Ada Vemm", "hours", "a while"))
	require.Equal(t, http.StatusUnprocessableEntity, got.status)
	require.Contains(t, got.text(), `Driver "Ada Vemm" is not known (did you mean Ada Venn?)`)
	require.Contains(t, got.text(), `Hours "a while" is not a length of time`)
	require.Contains(t, got.html, `value="a while"`)
	require.Contains(t, got.html, `aria-invalid="true"`)

	// what is unlikely is asked back, and recorded once it is said to be right
	f := form("machine", "R4", "hours", "250", "driver", "Bo Larkin")
	got = y.ask("POST", "/record/run", "", f)
	require.Equal(t, http.StatusUnprocessableEntity, got.status)
	require.Contains(t, got.text(), "this run lasts 250 h")
	require.Contains(t, got.html, f.Get("ref"), "it is the same form")
	f.Set("sure", "yes")
	require.Contains(t, y.recorded("/record/run", "", f), "250.0 h")

	// a machine that steamed is parked, in the words of the command line
	says = y.recorded("/record/overheat", "", form("machine", "R4", "sign", "steam", "lost_ml", "600"))
	require.Contains(t, says, "R4 is parked, do not drive it")
	require.NotContains(t, says, "shedbook ", "a phone has no command line")
	fleet := y.ask("GET", "/", "", nil).text()
	require.Contains(t, fleet, "1 parked, 0 on watch, 1 ready")
	require.Contains(t, fleet, "Before it goes out: find and fix the loss")
}

// Every kind has a form, made from its description, and the form records it.
func TestEveryKindHasItsForm(t *testing.T) {
	y := openShed(t)
	sent := map[string][]string{
		"run": {"machine", "R4", "hours", "1"}, "topup": {"machine", "R4", "volume_ml", "200"},
		"refill": {"machine", "R4", "volume_ml", "4200"},
		"bleed":  {"machine", "R4", "heat_cycles", "2"}, "level": {"machine", "R4", "below_mark_ml", "0"},
		"clean":    {"machine", "R4", "method", "hose", "sides", "both"},
		"overheat": {"machine", "R4", "sign", "lamp"}, "check": {"machine", "R4", "check", "light-test",
			"figure-dark_pct", "60"},
		"service": {"machine", "R4", "work", "new pump seal", "cause", "external-leak"},
		"meter":   {"machine", "R4", "was_h", "100", "now_h", "0"},
		"driver":  {"driver", "Cass Imrie"}, "machine": {"machine", "R6", "model", "Otter 8"},
		"word":    {"vocabulary", "terrain", "word", "stubble"},
		"setting": {"setting", "altitude-m", "value", "300"},
		"spec":    {"figure", "glycol", "value", "ethylene", "machine", "R4"},
		"plan":    {"work", "oil", "every_h", "50", "machine", "R4"},
		"answer":  {"machine", "R4", "flag", "steady-loss", "nothing_found", "yes"},
		"release": {"machine", "R5", "by", "Ada Venn", "why", "onto the trailer"},
	}
	y.cli("overheat", "R5", "steam")
	for _, k := range schema.Kinds {
		if k.Name == "outing" { // which has two halves: see below
			continue
		}
		if sent[k.Name] == nil {
			t.Errorf("%s has no line here", k.Name)
			continue
		}
		page := y.ask("GET", "/record/"+k.Name+map[string]string{"check": "?check=light-test"}[k.Name], "", nil)
		require.Equal(t, http.StatusOK, page.status, k.Name)
		for name := range form(sent[k.Name]...) {
			require.Contains(t, page.html, `name="`+name+`"`, "%s has a field %s", k.Name, name)
		}
		f := form(sent[k.Name]...)
		says := y.recorded("/record/"+k.Name, "", f)
		if k.Name != "setting" && k.Name != "word" { // which have no number
			require.Contains(t, says, "Recorded as", k.Name)
		}
	}
	require.Contains(t, y.cli("word", "list"), "stubble")
	require.Contains(t, y.cli("set", "altitude-m"), "300")
}

// A machine goes out and comes back by forms, and stands as out meanwhile.
func TestOutAndBack(t *testing.T) {
	y := openShed(t)
	cookie := y.phone("Zed's", "record")
	says := y.recorded("/record/out", cookie, form("machine", "R4", "driver", "Ada Venn", "meter_out_h", "97.5",
		"level_out_ml", "0", "age", "7200"))
	require.Contains(t, says, "R4 is out with Ada Venn.")
	require.Contains(t, y.ask("GET", "/", cookie, nil).text(), "out with Ada Venn")
	page := y.ask("GET", "/m/1", cookie, nil)
	require.Contains(t, page.text(), "Out with Ada Venn since 2026-03-14 10:00. It is back")
	require.NotContains(t, page.html, "/record/out?")
	back := form("machine", "R4", "meter_back_h", "99", "level_back_ml", "100", "lamp", "yes", "mud", "yes")
	says = y.recorded("/record/back", cookie, back)
	for _, part := range []string{"R4 is back from Ada Venn", "run, R4", "level, R4", "overheat, R4"} {
		require.Contains(t, says, part)
	}
	require.Equal(t, says, y.recorded("/record/back", cookie, back), "once")
	require.Equal(t, 2, strings.Count(y.cli("list", "runs", "--csv"), "\n"))
	require.Contains(t, y.cli("list", "runs", "--by", "--csv"), "Zed's")
	require.NotContains(t, y.ask("GET", "/", cookie, nil).text(), "out with")
	// one on watch goes out only with who accepts it
	before, _, _ := strings.Cut(y.ask("GET", "/record/out?m=2", cookie, nil).html, "<summary>More")
	require.NotContains(t, before, "accepted", "there is nothing to accept")
	y.cli("overheat", "R5", "lamp", "--at", "2026-03-14 8:00")
	y.cli("overheat", "R5", "lamp", "--at", "2026-03-14 9:00")
	asked, _, _ := strings.Cut(y.ask("GET", "/record/out?m=2", cookie, nil).html, "<summary>More")
	require.Contains(t, asked, "R5 is on watch: it overheated 2 times")
	require.Contains(t, asked, "accepted")
	out := form("machine", "R5", "driver", "Ada Venn", "meter_out_h", "10")
	got := y.ask("POST", "/record/out", cookie, out)
	require.Equal(t, http.StatusUnprocessableEntity, got.status)
	require.Contains(t, got.text(), "Whoever takes it must know that and accept it")
	out.Set("accepted", "yes")
	require.Contains(t, y.recorded("/record/out", cookie, out), "R5 is out")
	sound(t, y.path)
}

// A form that comes twice is recorded once and answered as the first was; one that
// says something else under the same ref is asked about.
func TestAFormIsRecordedOnce(t *testing.T) {
	y := openShed(t)
	cookie := y.phone("Bo's", "record")
	f := form("machine", "R4", "driver", "Ada Venn", "hours", "2")
	first := y.recorded("/record/run", cookie, f)
	var wait sync.WaitGroup
	for range 8 {
		wait.Go(func() {
			got := y.ask("POST", "/record/run", cookie, f)
			if got.status != http.StatusSeeOther || got.to != "/done/"+f.Get("ref") {
				t.Errorf("%d %s", got.status, got.text())
			}
		})
	}
	wait.Wait()
	require.Equal(t, first, y.recorded("/record/run", cookie, f))
	at := form("machine", "R5", "hours", "1")
	for range 8 { // all at once, none before
		wait.Go(func() { y.ask("POST", "/record/run", cookie, at) })
	}
	wait.Wait()
	require.Equal(t, 3, strings.Count(y.cli("list", "runs", "--csv"), "\n"), "a head and two runs")

	f.Set("hours", "3")
	got := y.ask("POST", "/record/run", cookie, f)
	require.Equal(t, http.StatusConflict, got.status)
	require.Contains(t, got.text(), "recorded already, with other values")
	require.NotContains(t, got.html, f.Get("ref"))
	sound(t, y.path)
}

// What was typed an hour ago without a network counts from then.
func TestAFormHasItsOwnTime(t *testing.T) {
	y := openShed(t)
	require.Contains(t, y.recorded("/record/run", "", form("machine", "R4", "hours", "1", "age", "3600")),
		"2026-03-14 10:00")
	require.Contains(t, y.recorded("/record/topup", "", form("machine", "R4", "volume_ml", "100", "age", "5400")),
		"2026-03-14 10:30")
	got := y.ask("POST", "/record/topup", "", form("machine", "R4", "volume_ml", "100", "age", "9000000"))
	require.Equal(t, http.StatusUnprocessableEntity, got.status)
}

// Who entered, corrected and voided what stays with the record, and goes to no
// buyer.
func TestWhoEnteredWhat(t *testing.T) {
	y := openShed(t)
	hand, desk := y.phone("Yard hand Zed", "record"), y.phone("Desk of Quill", "keep")
	y.recorded("/record/topup", hand, form("machine", "R4", "volume_ml", "200"))
	y.cli("topup", "R4", "150")
	show := y.cli("show", "5")
	require.Contains(t, show, "by Yard hand Zed")
	require.NotContains(t, y.cli("show", "6"), " by ")
	require.Contains(t, y.cli("show", "5", "--json"), `"entered_by": "Yard hand Zed"`)
	list := y.cli("list", "topups", "--by", "--csv")
	require.Contains(t, list, "entered_by")
	require.Contains(t, list, "Yard hand Zed")
	require.NotContains(t, y.cli("list", "topups", "--csv"), "Zed")

	// only who keeps the book corrects and voids
	fix := form("volume_ml", "250", "reason-why", "misread")
	require.Equal(t, http.StatusForbidden, y.ask("POST", "/r/5/correct", hand, fix).status)
	require.Equal(t, http.StatusForbidden, y.ask("GET", "/r/5/void", hand, nil).status)
	require.Equal(t, http.StatusForbidden, y.ask("POST", "/record/release", hand,
		form("machine", "R4", "by", "Zed", "why", "so")).status)
	require.Equal(t, http.StatusForbidden, y.ask("GET", "/record/driver", hand, nil).status)
	require.Contains(t, y.recorded("/r/5/correct", desk, fix), "Corrected 5: topup, R4, 2026-03-14 12:00, 250 mL")
	require.Contains(t, y.cli("show", "5"), "by Desk of Quill: misread")
	// what looks like a slip is asked about, as in a new form
	unlikely := form("volume_ml", "15000", "reason-why", "misread again")
	doubted := y.ask("POST", "/r/5/correct", desk, unlikely)
	require.Equal(t, http.StatusUnprocessableEntity, doubted.status)
	require.Contains(t, doubted.text(), "put 15000 mL into a system of")
	require.Contains(t, doubted.html, `<button name="sure" value="yes">`)
	require.Contains(t, y.cli("show", "5"), "250")
	require.NotContains(t, y.cli("show", "5"), "15000")
	unlikely.Set("sure", "yes")
	require.Contains(t, y.recorded("/r/5/correct", desk, unlikely), "15000 mL")
	got := y.ask("POST", "/r/6/void", desk, form("reason-why", ""))
	require.Equal(t, http.StatusUnprocessableEntity, got.status)
	require.Contains(t, got.text(), "Say why.")
	y.recorded("/r/6/void", desk, form("reason-why", "typed twice"))
	require.Contains(t, y.cli("show", "6"), "voided by Desk of Quill")
	page := y.ask("GET", "/r/5", desk, nil).text()
	require.Contains(t, page, "by Yard hand Zed")
	require.Contains(t, page, "by Desk of Quill")

	// nothing of it goes to a buyer
	to := filepath.Join(t.TempDir(), "R4.book")
	require.NotContains(t, y.cli("handover", "R4", "--out", to), "Zed")
	data, err := os.ReadFile(to)
	require.NoError(t, err)
	for _, name := range []string{"Zed", "Quill"} {
		require.NotContains(t, string(data), name)
		require.NotContains(t, y.cli("history", "R4"), name)
		_, page, _ := strings.Cut(y.ask("GET", "/m/1/history", desk, nil).html, "<main")
		page, _, _ = strings.Cut(page, "</main>") // below it stands whose phone it is
		require.Contains(t, page, "History of R4")
		require.NotContains(t, page, name)
	}
	sound(t, y.path)
	sound(t, to)
}

// Only this very computer comes in without a code, and only until a phone was added.
func TestWhoMayComeIn(t *testing.T) {
	y := openShed(t)
	in := func(cookie string, header ...string) bool {
		return y.ask("GET", "/", cookie, nil, header...).status == http.StatusOK
	}
	require.True(t, in(""))
	require.True(t, in("", "Host", "localhost:7433"))
	require.False(t, in("", "Host", "shed.example"), "a name from outside that leads here")
	require.False(t, in("", "Host", "127.0.0.1.shed.example"))
	require.False(t, in("", "X-Forwarded-For", "10.0.0.9"), "a proxy hands on what came from elsewhere")
	require.False(t, in("", "Forwarded", "for=10.0.0.9"))
	require.True(t, in("x"), "any cookie is as good as none")
	y.s.loopback = false // as at any other address
	require.False(t, in(""))
	y.s.loopback = true

	one, other := y.phone("one", "record"), y.phone("other", "keep")
	require.False(t, in(""))
	require.True(t, in(one))
	require.True(t, in(one, "Host", "shed.example"))
	require.True(t, in(other))
	for _, forged := range []string{one[1:], one + "x", strings.ToUpper(one), strings.Repeat("A", 43), "%00",
		"' OR 1=1 --"} {
		require.False(t, in(forged), forged)
	}
	got := y.ask("GET", "/due?x=1", "", nil)
	require.Equal(t, "/pair?to=%2Fdue%3Fx%3D1", got.to)
	require.Equal(t, http.StatusUnauthorized, y.ask("POST", "/record/run", "",
		form("machine", "R4", "hours", "1")).status)

	// at once
	y.cli("phone", "remove", "one")
	require.False(t, in(one))
	require.True(t, in(other))
	list := y.cli("phone", "list")
	require.Contains(t, list, "removed 2026-03-14 12:00")
	require.NotContains(t, list, other)
	// neither code nor cookie stands in the book
	for _, file := range []string{y.path, y.path + "-wal"} {
		data, err := os.ReadFile(file)
		if err == nil {
			require.NotContains(t, string(data), other)
		}
	}
	require.Equal(t, "/", here("//evil.example"))
	require.Equal(t, "/", here("https://evil.example"))
	require.Equal(t, "/", here("/\\evil.example"))
	require.Equal(t, "/m/1?x=y", here("/m/1?x=y"))
}

// A code serves once, for ten minutes, and not after ten wrong guesses.
func TestCodes(t *testing.T) {
	y := openShed(t)
	code := func() string {
		out := y.cli("phone", "add", "n"+strconv.FormatInt(refs.Add(1), 10))
		return regexp.MustCompile(`[2-9A-Z]{4}-[2-9A-Z]{4}`).FindString(out)
	}
	try := func(c string) int { return y.ask("POST", "/pair", "", url.Values{"code": {c}}).status }
	c := code()
	require.Equal(t, http.StatusSeeOther, try(c))
	require.Equal(t, http.StatusForbidden, try(c), "once")

	late := code()
	b, err := store.Open(context.Background(), y.path, func() time.Time { return yardNow.Add(10 * time.Minute) })
	require.NoError(t, err)
	_, _, err = b.Pair(context.Background(), late)
	require.Error(t, err, "ten minutes")
	require.NoError(t, b.Close())

	guessed, pages := code(), y.s.handler()
	for i := range 10_000 {
		r := httptest.NewRequest("POST", "/pair", strings.NewReader("code="+fmt.Sprintf("%08d", 22222222+i)))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w := httptest.NewRecorder()
		pages.ServeHTTP(w, r)
		require.Equal(t, http.StatusForbidden, w.Code)
	}
	require.Equal(t, http.StatusForbidden, try(guessed), "after so many guesses the right one serves no more")
	require.Equal(t, http.StatusSeeOther, try(code()), "but a new one does")
}

// Another page's form is refused, whoever's browser sends it.
func TestCrossOrigin(t *testing.T) {
	y := openShed(t)
	cookie := y.phone("one", "keep")
	for _, header := range [][]string{{"Origin", "http://evil.example"}, {"Sec-Fetch-Site", "cross-site"},
		{"Sec-Fetch-Site", "same-site"}, {"Origin", "null"}} {
		for _, path := range []string{"/record/run", "/r/1/void", "/pair", "/m/1/walk"} {
			require.Equal(t, http.StatusForbidden, y.ask("POST", path, cookie, form("machine", "R4", "hours", "1"),
				header...).status)
		}
	}
	require.NotContains(t, y.cli("list", "runs", "--csv"), "R4")
	got := y.ask("GET", "/", cookie, nil)
	require.Equal(t, "no-store", got.header.Get("Cache-Control"))
	require.Contains(t, got.header.Get("Content-Security-Policy"),
		"default-src 'none'; script-src 'self'; style-src 'self'")
	require.NotContains(t, got.header.Get("Content-Security-Policy"), "unsafe")
	require.Equal(t, "nosniff", got.header.Get("X-Content-Type-Options"))
}

// Whatever stands in a field is shown, not obeyed.
func TestMarkupAndTerminalCodes(t *testing.T) {
	y := openShed(t)
	const nasty = `"><script>alert(1)</script><img src=x onerror=alert(2)> ' {{.}} &amp; ` +
		"\x1b[31mred\x07 \u202eover"
	for _, k := range schema.Kinds {
		f := form("machine", "R4")
		for i := range k.Fields {
			if k.Fields[i].Name != "machine" || k.Name == "machine" {
				f.Set(k.Fields[i].Name, nasty)
			}
		}
		f.Set("sure", nasty)
		got := y.ask("POST", "/record/"+k.Name, "", f)
		require.Less(t, got.status, 500, k.Name)
		harmless(t, got.html)
	}
	y.recorded("/record/machine", "", form("machine", "../../etc", "model", nasty, "note", nasty))
	y.recorded("/record/driver", "", form("driver", "<b>Bold</b> & Sons"))
	says := y.recorded("/record/service", "", form("machine", "../../etc", "work", nasty, "by", nasty, "note", nasty))
	require.Contains(t, says, "<script>alert(1)</script>", "as text")
	y.recorded("/record/run", "", form("machine", "../../etc", "driver", "<b>Bold</b> & Sons", "hours", "1", "note",
		nasty))
	fleet := y.ask("GET", "/", "", nil)
	require.Contains(t, fleet.text(), "../../etc")
	number := regexp.MustCompile(`href="(/m/\d+)">../../etc<`).FindStringSubmatch(fleet.html)
	require.NotNil(t, number, "a machine is found by its number, whatever it is called")
	for _, path := range []string{"/", number[1], number[1] + "/history", number[1] + "/timeline", number[1] + "/next",
		number[1] + "/flags", number[1] + "/doubts",
		number[1] + "/walk", "/record/run?m=" + number[1][3:], "/record/overheat?m=" + number[1][3:], "/r/" +
			number[1][3:], "/doubts", "/due", "/flags", "/coolant",
		"/cleaning", "/rates?by=driver", "/rates?by=model&adjust=speed"} {
		got := y.ask("GET", path, "", nil)
		require.Equal(t, http.StatusOK, got.status, path)
		harmless(t, got.html)
	}
	for _, path := range []string{"/m/../../etc/passwd", "/m/999", "/m/x", "/r/999", "/r/-1", "/record/nothing",
		"/rates?by=" + url.QueryEscape(nasty), "/shed/pages.html", "/pages.html", "/m/1/nothing",
		"/done/" + url.PathEscape(nasty), "/r/1/photo/9"} {
		got := y.ask("GET", path, "", nil)
		require.Less(t, got.status, 500, path)
		harmless(t, got.html)
	}
}

func harmless(t *testing.T, html string) {
	t.Helper()
	require.NotContains(t, html, "<script>")
	require.NotContains(t, html, "<img src=x")
	require.NotContains(t, html, "<b>Bold")
	require.NotContains(t, html, "goroutine ")
	// what was typed comes back as it was
	shown := regexp.MustCompile(`(?s)<(input|textarea)[^>]*>[^<]*|value="[^"]*"`).ReplaceAllString(html, "")
	require.NotContains(t, shown, "\x1b")
	require.NotContains(t, shown, "\u202e")
}

// A photograph is kept without what it tells of place and people; one that is too
// large is refused, and cut off.
func TestPhotographs(t *testing.T) {
	y := openShed(t)
	cookie := y.phone("one", "record")
	y.recorded("/record/clean", cookie, form("machine", "R4", "method", "hose"))
	send := func(name string, content io.Reader) answer {
		r, w := io.Pipe()
		m := multipart.NewWriter(w)
		go func() {
			part, err := m.CreateFormFile("file", name)
			if err == nil {
				_, err = io.Copy(part, content)
			}
			if err == nil {
				_ = m.WriteField("what", "core from behind")
				err = m.Close()
			}
			w.CloseWithError(err)
		}()
		req, err := http.NewRequest("POST", y.web.URL+"/r/5/photo", r)
		require.NoError(t, err)
		req.Header.Set("Content-Type", m.FormDataContentType())
		req.AddCookie(&http.Cookie{Name: cookieName, Value: cookie})
		c := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
		resp, err := c.Do(req)
		if err != nil {
			return answer{} // cut off while it was sent
		}
		defer resp.Body.Close()
		body, _ := io.ReadAll(resp.Body)
		return answer{resp.StatusCode, resp.Header.Get("Location"), string(body), resp.Header}
	}
	told, err := os.ReadFile("../../testdata/photo/told.jpg") // whose README says what stands in it
	require.NoError(t, err)
	got := send("../../front.jpg", bytes.NewReader(told))
	require.Equal(t, "/r/5", got.to, got.text())
	page := y.ask("GET", "/r/5", cookie, nil)
	require.Contains(t, page.html, `src="/r/5/photo/1"`)
	kept := y.ask("GET", "/r/5/photo/1", cookie, nil)
	require.Equal(t, "image/jpeg", kept.header.Get("Content-Type"))
	require.NotContains(t, kept.html, "NOBODY")
	require.Less(t, len(kept.html), len(told))
	require.Equal(t, http.StatusSeeOther, y.ask("GET", "/r/5/photo/1", "", nil).status, "not for who may not come in")

	before, err := os.Stat(y.path)
	require.NoError(t, err)
	got = send("huge.jpg", io.MultiReader(bytes.NewReader(told), io.LimitReader(zeros{}, 100<<20)))
	require.Contains(t, []int{0, http.StatusRequestEntityTooLarge}, got.status)
	require.Equal(t, http.StatusUnprocessableEntity, send("x.jpg", strings.NewReader("<html>")).status)
	after, err := os.Stat(y.path)
	require.NoError(t, err)
	require.Less(t, after.Size()-before.Size(), int64(1<<20))
	require.Equal(t, 1, strings.Count(y.cli("show", "5"), "attachment"))
}

// A thousand who send a byte a second stop nobody else, and are cut off.
func TestSlowClients(t *testing.T) {
	y := openShed(t)
	addr := y.web.Listener.Addr().String()
	var slow []net.Conn
	defer func() {
		for _, c := range slow {
			c.Close()
		}
	}()
	stop := make(chan struct{})
	defer close(stop)
	for range maxOpen + 50 {
		c, err := net.Dial("tcp", addr)
		require.NoError(t, err)
		slow = append(slow, c)
		_, _ = c.Write([]byte("GET / HT"))
	}
	go func() {
		for {
			select {
			case <-stop:
				return
			case <-time.After(time.Second):
				for _, c := range slow {
					_, _ = c.Write([]byte("x"))
				}
			}
		}
	}()
	for range 3 {
		require.Equal(t, http.StatusOK, y.ask("GET", "/", "", nil).status)
		require.Contains(t, y.recorded("/record/topup", "",
			form("machine", "R4", "volume_ml", "100", "note", strconv.FormatInt(refs.Add(1), 10))), "Recorded")
	}
	y.s.open.mu.Lock()
	n := len(y.s.open.all)
	y.s.open.mu.Unlock()
	require.LessOrEqual(t, n, maxOpen)
	_ = slow[0].SetReadDeadline(time.Now().Add(2 * headTime))
	_, err := bufio.NewReader(slow[0]).ReadByte()
	require.Error(t, err, "the first was cut off")
	require.NotErrorIs(t, err, os.ErrDeadlineExceeded)
}

// The walk shows a check with its caution before anything is answered, records the
// answer and goes on to the next.
func TestWalkPages(t *testing.T) {
	y := openShed(t)
	for i := range 4 {
		y.cli("run", "R4", "4", "fast", "--at", fmt.Sprintf("2026-03-1%d 08:00", i))
		y.cli("overheat", "R4", "lamp", "fast", "30min", "--at", fmt.Sprintf("2026-03-1%d 08:30", i))
	}
	page := y.ask("GET", "/m/1/walk", "", nil)
	require.Equal(t, http.StatusOK, page.status)
	require.Less(t, strings.Index(page.html, "Caution:"), strings.Index(page.html, "<form"),
		"what can hurt comes first")
	check := regexp.MustCompile(`name="check" value="([a-z-]+)"`).FindStringSubmatch(page.html)[1]
	got := y.ask("POST", "/m/1/walk", "", form("check", check, "result", "pass"))
	require.Equal(t, http.StatusSeeOther, got.status, got.text())
	page = y.ask("GET", got.to, "", nil)
	require.Contains(t, page.text(), "Recorded as")
	next := regexp.MustCompile(`name="check" value="([a-z-]+)"`).FindStringSubmatch(page.html)[1]
	require.NotEqual(t, check, next)
	got = y.ask("POST", "/m/1/walk", "", form("check", next, "result", "skip"))
	page = y.ask("GET", got.to, "", nil)
	third := regexp.MustCompile(`name="check" value="([a-z-]+)"`).FindStringSubmatch(page.html)[1]
	require.NotContains(t, []string{check, next}, third)
	require.Equal(t, 2, strings.Count(y.cli("list", "checks", "--csv"), "\n"),
		"a head and one check: what is skipped is not recorded")
	got = y.ask("POST", "/m/1/walk", "", form("check", "light-test", "figure-dark_pct", "a lot", "result", ""))
	require.Equal(t, http.StatusUnprocessableEntity, got.status)
	got = y.ask("POST", "/m/1/walk", "", form("check", "light-test", "figure-dark_pct", "60", "result", ""))
	require.Contains(t, y.ask("GET", got.to, "", nil).text(), "Fail:")
}

// A page has links and buttons: it names no command, whatever it shows.
func TestPagesNameNoCommand(t *testing.T) {
	y, _ := demoShed(t)
	pages := append(everyPage(y), "/rates?by=driver", "/rates?by=machine", "/rates?by=terrain")
	for _, m := range regexp.MustCompile(`href="(/m/\d+)"`).FindAllStringSubmatch(y.ask("GET", "/", "", nil).html, -1) {
		pages = append(pages, m[1])
		for _, report := range []string{"flags", "next", "held", "timeline", "doubts", "history"} {
			pages = append(pages, m[1]+"/"+report)
		}
	}
	command := regexp.MustCompile(`.{0,60}(shedbook [a-z]|--[a-z]|'[a-z]+ [A-Z]{3,}).{0,40}`)
	for _, path := range pages {
		if path == "/pair" { // which tells the keeper of the book how a code is made
			continue
		}
		for _, found := range command.FindAllString(y.ask("GET", path, "", nil).text(), -1) {
			t.Errorf("%s: %s", path, found)
		}
	}
}

// The page shows what was recorded beside it at the command line, and the other way
// round.
func TestBesideTheCommandLine(t *testing.T) {
	y := openShed(t)
	require.Contains(t, y.ask("GET", "/", "", nil).text(), "0 parked")
	y.cli("overheat", "R5", "steam")
	require.Contains(t, y.ask("GET", "/", "", nil).text(), "1 parked")
	y.cli("release", "R5", "--by", "Ada", "--why", "trailer")
	require.Contains(t, y.ask("GET", "/", "", nil).text(), "0 parked")
	y.cli("machine", "add", "R7")
	require.Contains(t, y.ask("GET", "/", "", nil).text(), "R7")
	y.cli("void", "5", "--why", "not so")
	require.Contains(t, y.ask("GET", "/m/2", "", nil).text(), "R5 is ready")
	// what a phone records is not the owner's to undo
	y.cli("topup", "R4", "150")
	y.recorded("/record/run", "", form("machine", "R4", "hours", "1"))
	require.Contains(t, y.cli("undo"), "150 mL")
	// a backup put in its place
	copy := filepath.Join(t.TempDir(), "copy.db")
	y.cli("backup", copy)
	y.recorded("/record/run", "", form("machine", "R4", "hours", "3", "driver", "Bo Larkin", "sure", "yes"))
	y.cli("restore", copy)
	require.NotContains(t, y.ask("GET", "/m/1", "", nil).text(), "Bo Larkin, ")
	require.Contains(t, y.recorded("/record/run", "", form("machine", "R4", "hours", "2", "sure", "yes")), "2.0 h")
}

// The fleet's page of a large book (SHEDBOOK_LARGE names one, made of demo --large)
// after one record. It is measured, not judged: see DEVELOPERS.md.
func TestFleetOfALargeBook(t *testing.T) {
	large := os.Getenv("SHEDBOOK_LARGE")
	if large == "" {
		t.Skip("SHEDBOOK_LARGE names no book")
	}
	data, err := os.ReadFile(large)
	require.NoError(t, err)
	// where its sheets end
	y := &shedPage{t: t, path: filepath.Join(t.TempDir(), "shedbook.db"),
		now: time.Date(2026, 1, 1, 12, 0, 0, 0, time.UTC)}
	require.NoError(t, os.WriteFile(y.path, data, 0o600))
	y.open()
	clock := func(what string, do func() answer) {
		began, before := time.Now(), processor(t)
		got := do()
		t.Logf("%-30s %8.3f s, %8.3f s of processor time, %d", what, time.Since(began).Seconds(), processor(t)-before,
			got.status)
	}
	fleet := func() answer { return y.ask("GET", "/", "", nil) }
	_, err = y.s.look(context.Background()) // as before anybody asks
	require.NoError(t, err)
	for working := true; working; time.Sleep(100 * time.Millisecond) {
		y.s.seen.mu.Lock()
		working = y.s.seen.busy
		y.s.seen.mu.Unlock()
	}
	clock("the first fleet page", fleet)
	for i := range 6 {
		clock("the next, nothing written", fleet)
		clock("a record", func() answer {
			return y.ask("POST", "/record/topup", "", form("machine", "M0500", "volume_ml", strconv.Itoa(100+i), "age",
				strconv.Itoa(3600*(8-i))))
		})
		clock("the fleet page after it", fleet)
	}
}

// processor is how many seconds of processor time this program has taken.
func processor(t *testing.T) float64 {
	t.Helper()
	var u syscall.Rusage
	require.NoError(t, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return float64(u.Utime.Sec+u.Stime.Sec) + float64(u.Utime.Usec+u.Stime.Usec)/1e6
}

// Many phones record beside the command line: nothing is lost, nothing is there
// twice, each says what it recorded. SHEDBOOK_PHONES is how many phones send 100
// records each, as fast as they can and one a second, and it is measured how long
// they wait.
func TestManyPhones(t *testing.T) {
	many, err := strconv.Atoi(os.Getenv("SHEDBOOK_PHONES"))
	if err != nil {
		manyPhones(t, 6, 8, 0)
		return
	}
	t.Run("as fast as they can", func(t *testing.T) { manyPhones(t, many, 100, 0) })
	t.Run("one a second", func(t *testing.T) { manyPhones(t, many, 100, time.Second) })
}

func manyPhones(t *testing.T, phones, each int, pause time.Duration) {
	y := openShed(t)
	cookies := make([]string, phones)
	for i := range cookies {
		y.cli("machine", "add", fmt.Sprintf("P%d", i))
		cookies[i] = y.phone(fmt.Sprintf("phone %d", i), "record")
	}
	var mu sync.Mutex
	var waited []time.Duration
	var wrong []string
	var wait sync.WaitGroup
	for i, cookie := range cookies {
		wait.Go(func() {
			time.Sleep(pause * time.Duration(i) / time.Duration(phones))
			for n := range each {
				// As days go on a sound machine: mostly runs.
				kind, says := "run",
					[]string{"start", yardNow.Add(time.Duration(n-each) * time.Hour).Format("2006-01-02T15:04"),
						"driver", "Ada Venn", "hours", "0.9", "terrain", "mud"}
				switch n % 10 {
				case 7:
					kind, says = "topup", []string{"volume_ml", "20"}
				case 8:
					kind, says = "level", []string{"below_mark_ml", "0"}
				case 9:
					kind, says = "overheat", []string{"sign", "lamp"}
				}
				f := form(append(says, "machine", fmt.Sprintf("P%d", i), "note", fmt.Sprintf("%d.%d", i, n), "sure",
					"yes")...)
				began := time.Now()
				got := y.ask("POST", "/record/"+kind, cookie, f)
				took := time.Since(began)
				if n%7 == 3 { // the answer got lost: it is sent again
					got = y.ask("POST", "/record/"+kind, cookie, f)
				}
				mu.Lock()
				waited = append(waited, took)
				if got.status != http.StatusSeeOther {
					wrong = append(wrong, got.text())
				}
				mu.Unlock()
				time.Sleep(max(0, pause-time.Since(began)))
			}
		})
	}
	_, err := y.s.look(context.Background()) // as when it starts
	require.NoError(t, err)
	began, before := time.Now(), processor(t)
	lines := 0
	stop := make(chan struct{})
	var beside sync.WaitGroup
	beside.Go(func() { // the command line, by the program itself
		for {
			select {
			case <-stop:
				return
			default:
			}
			out, err := program(y.path, "topup", "R4", strconv.Itoa(100+lines), "--sure", "--at",
				yardNow.Add(-time.Duration(lines)*time.Minute).Format(time.RFC3339)).CombinedOutput()
			if lines++; err != nil {
				mu.Lock()
				wrong = append(wrong, string(out))
				mu.Unlock()
			}
			time.Sleep(pause)
		}
	})
	wait.Wait()
	took, work := time.Since(began), processor(t)-before
	close(stop)
	beside.Wait()
	require.Empty(t, wrong)
	b, err := store.View(context.Background(), y.path)
	require.NoError(t, err)
	defer b.Close()
	who, err := b.Enterers(context.Background())
	require.NoError(t, err)
	seen, ofLine := map[string]bool{}, 0
	for log, err := range b.Logs(context.Background()) {
		require.NoError(t, err)
		if log.Machine.Name == "R4" {
			ofLine = len(log.TopUps)
			continue
		}
		for r := range log.Records() {
			k := schema.KindOf(r)
			note := k.Text(r, "note")
			require.False(t, seen[note], "twice: %s", note)
			seen[note] = true
			require.Equal(t, "phone "+strings.TrimPrefix(log.Machine.Name, "P"), who[k.Meta(r).Number])
		}
	}
	require.Len(t, seen, phones*each)
	require.Equal(t, lines, ofLine)
	slices.Sort(waited)
	t.Logf("%d records of %d phones beside %d of the command line in %v: half within %v, 99 %% within %v, all within "+
		"%v; %.1f ms of processor time each, phones included",
		len(waited), phones, lines, took, waited[len(waited)/2], waited[len(waited)*99/100], waited[len(waited)-1],
		1000*work/float64(len(waited)))
	sound(t, y.path)
}

// What was acknowledged is there when the page is stopped while phones send.
func TestStoppedWhilePhonesSend(t *testing.T) {
	y := openShed(t)
	y.web.Close()
	require.NoError(t, y.s.book.Close())
	cmd := program(y.path, "serve", "--listen", "127.0.0.1:0")
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	lines := bufio.NewScanner(out)
	require.True(t, lines.Scan())
	at := regexp.MustCompile(`http://[^/]+`).FindString(lines.Text())
	require.NotEmpty(t, at, lines.Text())
	var wait sync.WaitGroup
	var mu sync.Mutex
	told := map[string]bool{}
	for i := range 4 {
		wait.Go(func() {
			c := &http.Client{CheckRedirect: func(*http.Request,
				[]*http.Request) error {
				return http.ErrUseLastResponse
			}}
			for n := range 1000 {
				note := fmt.Sprintf("%d.%d", i, n)
				resp, err := c.PostForm(at+"/record/topup",
					form("machine", "R4", "volume_ml", "100", "note", note, "sure", "yes"))
				if err != nil {
					return
				}
				resp.Body.Close()
				mu.Lock()
				told[note] = resp.StatusCode == http.StatusSeeOther
				enough := len(told) == 12
				mu.Unlock()
				if enough {
					_ = cmd.Process.Signal(syscall.SIGTERM)
				}
			}
		})
	}
	wait.Wait()
	require.NoError(t, cmd.Wait(), "it ends by itself, with code 0")
	list := y.cli("list", "topups", "--csv")
	for note, kept := range told {
		require.True(t, kept, note)
		require.Equal(t, 1, strings.Count(list, ","+note+"\n"), note)
	}
	require.GreaterOrEqual(t, len(told), 12)
	sound(t, y.path)
}
