package render

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strings"
	"sync"

	qrcode "github.com/skip2/go-qrcode"

	"shedbook/schema/unit"
)

//go:embed stickers.html
var stickersHTML string

var stickersTemplate = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("stickers").Parse(stickersHTML))
})

// Sticker is a machine's name and the address of its page.
type Sticker struct{ Name, URL string }

// Paper is the layout of stickers and cards on a sheet of paper. All lengths
// are in mm.
type Paper struct {
	Name          string
	Width, Height float64
	stickers      grid
	cards         grid
}

// grid is the arrangement of pieces on a sheet: so many across and down, the
// first Left and Top from the edge, then one every StepX and StepY.
type grid struct {
	Across, Down  int
	Width, Height float64
	Left, Top     float64
	StepX, StepY  float64
}

// papers are the sheets that labels are sold on, with grids that are common at
// stationers: 21 to an A4 sheet, 63.5 by 38.1 mm, and 30 to a Letter sheet, 2
// 5/8 by 1 inch. A6 is a quarter of A4 (ISO 216); the card of a Letter sheet is
// a quarter of it.
var papers = []Paper{
	{"a4", 210, 297, grid{3, 7, 63.5, 38.1, 7.25, 15.15, 66, 38.1}, grid{2, 2, 105, 148.5, 0, 0, 105, 148.5}},
	{"letter", 215.9, 279.4, grid{3, 10, 66.675, 25.4, 4.7625, 12.7, 69.85, 25.4},
		grid{2, 2, 107.95, 139.7, 0, 0, 107.95, 139.7}},
}

// PaperNamed returns the paper with a name; ok is false if there is none.
func PaperNamed(name string) (p Paper, ok bool) {
	i := slices.IndexFunc(papers, func(p Paper) bool { return p.Name == name })
	if i < 0 {
		return p, false
	}
	return papers[i], true
}

// MaxURL is the longest address on a sticker, in bytes: a longer one makes the
// code too fine for a phone to read on a dirty machine.
const MaxURL = 100

// piece is a sticker or a card in its place.
type piece struct {
	Sticker
	Left, Top, Size float64
	Code            template.HTML
}

type stickerSheet struct {
	Number int
	Pieces []piece
}

// Stickers writes a page to print: a sticker for each machine or, if cards is
// set, a card to fill in by hand when it goes out and comes back. Volumes on a
// card are in the given units.
func Stickers(w io.Writer, all []Sticker, p Paper, cards bool, units unit.System) error {
	g, title := p.stickers, "Stickers"
	says := fmt.Sprintf("Print on labels of %v by %v mm, %d to a sheet (%s), at 100 %%: in the printer's window "+
		"choose actual size, and no margins.", round1(g.Width), round1(g.Height), g.Across*g.Down, paperTitle(p))
	largest, code := 44.0, math.Min(g.Height-1.4, 30)
	room := g.Width - code - 5
	if cards {
		g, title = p.cards, "Cards for out and back"
		says = fmt.Sprintf("Print on %s at 100 %%: in the printer's window choose actual size. Cut each sheet into "+
			"four.",
			paperTitle(p))
		largest, room = 44, g.Width-46
	}
	_, fluid := shown(0, unit.Millilitres, units)
	page := struct {
		Title, Says   string
		Width, Height float64
		Piece         grid
		Code          float64
		Cards         bool
		Fluid         string
		Sheets        []stickerSheet
	}{title, says, p.Width, p.Height, g, code, cards, fluid, nil}
	for i, s := range all {
		n := i % (g.Across * g.Down)
		if n == 0 {
			page.Sheets = append(page.Sheets, stickerSheet{Number: len(page.Sheets) + 1})
		}
		svg, err := qrSVG(s.URL)
		if err != nil {
			return err
		}
		s.Name = Safe(s.Name)
		sheet := &page.Sheets[len(page.Sheets)-1]
		left, top := g.Left+float64(n%g.Across)*g.StepX, g.Top+float64(n/g.Across)*g.StepY
		sheet.Pieces = append(sheet.Pieces, piece{s, left, top, nameSize(s.Name, room, largest), svg})
	}
	return stickersTemplate().Execute(w, page)
}

func paperTitle(p Paper) string { return map[string]string{"a4": "A4", "letter": "Letter"}[p.Name] }

func round1(v float64) float64 { return math.Round(10*v) / 10 }

// nameSize returns the size in points at which the longest word of a name fits
// a width in mm, and the name into a few lines.
func nameSize(name string, width, largest float64) float64 {
	longest, all := 0.0, 0.0
	for _, word := range strings.Fields(name) {
		longest = max(longest, breadth(word))
		all += breadth(word + " ")
	}
	const point = 25.4 / 72 // mm
	size := min(largest, width/point/max(longest, 0.1))
	if all > longest+1 { // its words take several lines
		size = min(size, math.Sqrt(0.5*width*width/(point*point*all)))
	}
	return max(7, round1(size))
}

// breadth returns roughly how broad a word is in bold letters, in multiples of
// their size.
func breadth(word string) (sum float64) {
	for _, r := range word {
		switch {
		case strings.ContainsRune("iIjlt.,:;'!| -", r):
			sum += 0.45
		case strings.ContainsRune("WMmw@%", r):
			sum += 1.15
		default:
			sum += 0.8
		}
	}
	return sum
}

// qrSVG returns a text as a QR code (ISO/IEC 18004) with its quiet zone of 4
// modules, readable with a quarter of it covered by dirt (level Q).
func qrSVG(text string) (template.HTML, error) {
	code, err := qrcode.New(text, qrcode.High)
	if err != nil {
		return "", fmt.Errorf("%q can't be made a code: %w", text, err)
	}
	modules := code.Bitmap() // with the quiet zone
	var path strings.Builder
	for y, row := range modules {
		for x := 0; x < len(row); x++ {
			from := x
			for x < len(row) && row[x] {
				x++
			}
			if x > from {
				fmt.Fprintf(&path, "M%d %dh%dv1h-%dz", from, y, x-from, x-from)
			}
		}
	}
	n := len(modules)
	return template.HTML(fmt.Sprintf(`<svg class="code" viewBox="0 0 %d %d" role="img" shape-rendering="crispEdges">`+
		`<title>Code for %s</title><path fill="#fff" d="M0 0h%dv%dH0z"/><path d="%s"/></svg>`,
		n, n, template.HTMLEscapeString(text), n, n, path.String())), nil
}
