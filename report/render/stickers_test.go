package render

import (
	"bytes"
	"encoding/json"
	"fmt"
	"html"
	"image"
	"image/color"
	imagedraw "image/draw"
	"image/png"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/qrcode"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shedbook/schema/unit"
)

// machinesToStick are names of every length and address that a sticker must hold,
// more than one sheet of them.
func machinesToStick() []Sticker {
	var all []Sticker
	for i, name := range []string{"R4", "WW7", "Otter eight", "The big green one by the gate", "Mammutwumme",
		"Långnamnsmaskin Ö", "x<b>y</b>", "\x1b[31mred"} {
		all = append(all, Sticker{name, fmt.Sprintf("https://shed.example:8443/m/%d", i+1)})
	}
	long := "https://" + strings.Repeat("a", MaxURL-16) + ".example"
	for len(all) < 31 {
		all = append(all, Sticker{fmt.Sprintf("K%d", len(all)), fmt.Sprintf("%s/m/%d", long, 100+len(all))})
	}
	return all
}

func stickerPage(t *testing.T, paper string, cards bool) string {
	t.Helper()
	p, ok := PaperNamed(paper)
	require.True(t, ok)
	var b bytes.Buffer
	require.NoError(t, Stickers(&b, machinesToStick(), p, cards, unit.Metric))
	return b.String()
}

// Every code on a sheet as a browser draws it, at 192 dots an inch, is read by a
// decoder that has nothing to do with what drew it, a good part of it covered too.
func TestStickersAreRead(t *testing.T) {
	for _, paper := range papers {
		page := strings.Replace(stickerPage(t, paper.Name, false), "</style>",
			"header{display:none} .sheet{margin:0; outline:0}</style>", 1)
		dir := t.TempDir()
		require.NoError(t, os.WriteFile(filepath.Join(dir, "page.html"), []byte(page), 0o600))
		const scale = 2
		dots := scale * 96 / 25.4 // to the mm
		size := fmt.Sprintf("--window-size=%d,%d", int(paper.Width*96/25.4)+1, int(paper.Height*96/25.4)+1)
		browser(t, "--screenshot="+filepath.Join(dir, "page.png"), fmt.Sprintf("--force-device-scale-factor=%d", scale),
			size,
			"file://"+filepath.Join(dir, "page.html"))
		f, err := os.Open(filepath.Join(dir, "page.png"))
		require.NoError(t, err)
		sheet, err := png.Decode(f)
		f.Close()
		require.NoError(t, err)
		g := paper.stickers
		all := machinesToStick()
		for _, i := range []int{0, g.Across - 1, g.Across + 1, g.Across * (g.Down - 1), g.Across*g.Down - 1} {
			s := all[i]
			left, top := g.Left+float64(i%g.Across)*g.StepX, g.Top+float64(i/g.Across)*g.StepY
			piece := image.NewRGBA(image.Rect(0, 0, int(g.Width*dots), int(g.Height*dots)))
			imagedraw.Draw(piece, piece.Bounds(), sheet, image.Pt(int(left*dots), int(top*dots)), imagedraw.Src)
			require.Equal(t, s.URL, readCode(t, piece), "%s, %s", paper.Name, s.Name)
			// Mud over a tenth of the code, in its middle.
			code := min(g.Height-1.4, 30)
			x, y, r := int((1+code/2)*dots), int(g.Height/2*dots), int(0.12*code*dots)
			mud := image.NewUniform(color.RGBA{90, 70, 40, 255})
			imagedraw.Draw(piece, image.Rect(x-r, y-r, x+r, y+r), mud, image.Point{}, imagedraw.Src)
			require.Equal(t, s.URL, readCode(t, piece), "%s, %s, muddy", paper.Name, s.Name)
		}
	}
}

func readCode(t *testing.T, m image.Image) string {
	t.Helper()
	bits, err := gozxing.NewBinaryBitmapFromImage(m)
	require.NoError(t, err)
	hints := map[gozxing.DecodeHintType]any{gozxing.DecodeHintType_TRY_HARDER: true}
	got, err := qrcode.NewQRCodeReader().Decode(bits, hints)
	require.NoError(t, err)
	return got.GetText()
}

// ISO/IEC 18004 asks for a quiet zone of four modules on every side.
func TestQuietZone(t *testing.T) {
	svg, err := qrSVG("https://shed.example:8443/m/12")
	require.NoError(t, err)
	size := regexp.MustCompile(`viewBox="0 0 (\d+) `).FindStringSubmatch(string(svg))
	n, err := strconv.Atoi(size[1])
	require.NoError(t, err)
	require.Equal(t, 29+8, n, "30 characters at level Q take version 3, 29 modules a side (ISO/IEC 18004, table 7)")
	runs := regexp.MustCompile(`M(\d+) (\d+)h(\d+)v1`).FindAllStringSubmatch(string(svg), -1)
	require.NotEmpty(t, runs)
	var low, high [2]int
	low = [2]int{n, n}
	for _, r := range runs {
		x, _ := strconv.Atoi(r[1])
		y, _ := strconv.Atoi(r[2])
		w, _ := strconv.Atoi(r[3])
		low = [2]int{min(low[0], x), min(low[1], y)}
		high = [2]int{max(high[0], x+w), max(high[1], y+1)}
	}
	require.Equal(t, [2]int{4, 4}, low)
	require.Equal(t, [2]int{n - 4, n - 4}, high)
}

// Sheets come out of the printer as they are laid out: one page a sheet, of the
// paper's size (A4 by ISO 216; Letter 8.5 by 11 inches by ANSI/ASME Y14.1), but for
// the rounding to whole pixels.
func TestStickersFitThePaper(t *testing.T) {
	for _, c := range []struct {
		paper         string
		cards         bool
		pages         int
		width, height float64 // in points
	}{{"a4", true, 8, 595.28, 841.89}, {"letter", false, 2, 612, 792}} {
		dir := t.TempDir()
		file := filepath.Join(dir, "page.html")
		require.NoError(t, os.WriteFile(file, []byte(stickerPage(t, c.paper, c.cards)), 0o600))
		browser(t, "--no-pdf-header-footer", "--print-to-pdf="+filepath.Join(dir, "page.pdf"), "file://"+file)
		pdf, err := os.ReadFile(filepath.Join(dir, "page.pdf"))
		require.NoError(t, err)
		assert.Len(t, regexp.MustCompile(`/Type\s*/Page\b`).FindAll(pdf, -1), c.pages, "%+v", c)
		boxes := regexp.MustCompile(`/MediaBox\s*\[0 0 (\S+) ([^\]]+)\]`).FindAllSubmatch(pdf, -1)
		require.NotEmpty(t, boxes)
		for _, m := range boxes {
			for i, want := range []float64{c.width, c.height} {
				got, err := strconv.ParseFloat(string(m[i+1]), 64)
				require.NoError(t, err)
				assert.InDelta(t, want, got, 0.75, "%+v", c)
			}
		}
	}
}

// spills is run beside the pages: which pieces hold more than they have room for, or
// lie beyond their sheet.
const spills = `<!DOCTYPE html><meta charset="utf-8"><title>harness</title>%s<pre id="out"></pre><script>
addEventListener("load", () => {
 const out = []
 for (const f of document.querySelectorAll("iframe")) for (const p of f.contentDocument.querySelectorAll(".piece")) {
  const s = p.closest(".sheet").getBoundingClientRect(), r = p.getBoundingClientRect()
  const name = f.title + ": " + p.querySelector("h2").textContent
  if (p.scrollHeight > p.clientHeight + 1 || p.scrollWidth > p.clientWidth + 1) out.push(name + " holds too much")
  if (r.left < s.left - 1 || r.top < s.top - 1 || r.right > s.right + 1 || r.bottom > s.bottom + 1)
   out.push(name + " lies beyond its sheet")
  for (const t of p.querySelectorAll(".text, h2, td, th")) if (t.scrollWidth > t.clientWidth + 1)
   out.push(name + ", " + t.textContent.slice(0, 40) + " is too broad")
  if (f.contentDocument.scripts.length) out.push("a script")
 }
 document.getElementById("out").textContent = JSON.stringify(out)
})
</script>`

func TestStickersHoldWhatTheySay(t *testing.T) {
	frames, pages := "", map[string]string{}
	for _, p := range papers {
		for _, cards := range []bool{false, true} {
			path := fmt.Sprintf("/%s-%v", p.Name, cards)
			pages[path] = stickerPage(t, p.Name, cards)
			require.NotContains(t, pages[path], "<b>y", "a name is text")
			require.NotContains(t, pages[path], "\x1b")
			frames += fmt.Sprintf(`<iframe src="%s" title="%s" width="1000" height="900"></iframe>`, path, path)
		}
	}
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		if page, ok := pages[r.URL.Path]; ok {
			fmt.Fprint(w, page)
		} else {
			fmt.Fprintf(w, spills, frames)
		}
	}))
	defer server.Close()
	out, errOut := browser(t, "--virtual-time-budget=4000", "--dump-dom", server.URL+"/")
	m := outPattern.FindStringSubmatch(out)
	require.NotNil(t, m, "the harness did not run:\n%s\n%s", out, errOut)
	var spilt []string
	require.NoError(t, json.Unmarshal([]byte(html.UnescapeString(m[1])), &spilt), m[1])
	require.Empty(t, spilt)
}
