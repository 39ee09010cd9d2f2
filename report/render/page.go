package render

import (
	"bytes"
	_ "embed"
	"fmt"
	"html"
	"html/template"
	"strings"
	"sync"
	"time"
)

//go:embed page.css
var pageCSS string

// pageTemplate is parsed when the first page is written, not when the program
// starts. Its content security policy lets the page load nothing and run
// nothing, in case markup in a note should ever get through unescaped.
var pageTemplate = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("page").Parse(`<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="referrer" content="no-referrer">
{{if .AsOf}}<meta name="as-of" content="{{.AsOf}}">
{{end}}<title>{{.Title}}</title>
<link rel="icon" href="data:,">
<style>
{{.CSS}}{{.Sheet}}</style>
</head>
<body>
<a class="skip" href="#content">Skip to the content</a>
{{.Shapes}}<header>
<h1>{{.Title}}</h1>
{{range .Lead}}<p>{{.}}</p>
{{end}}</header>
<main id="content">
{{.Body}}</main>
{{if .Foot}}<footer>
{{range .Foot}}<p>{{.}}</p>
{{end}}</footer>
{{end}}</body>
</html>
`))
})

// contentTemplate is a page without its frame.
var contentTemplate = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("within").Parse(`{{.Shapes}}{{if .Title}}<h1>{{.Title}}</h1>
{{end}}{{range .Lead}}<p class="lead">{{.}}</p>
{{end}}{{.Body}}{{range .Foot}}<p class="lead">{{.}}</p>
{{end}}`))
})

// writePage writes the document as one self-contained file.
func writePage(b *bytes.Buffer, d *Doc, o Options) error {
	var body bytes.Buffer
	for _, block := range d.blocks {
		block.html(&body, o)
	}
	title := Safe(d.Title)
	if title == "" && !o.Within {
		title = "Report"
	}
	shown := func(lines []string) []string {
		out := make([]string, len(lines))
		for i, l := range lines {
			out[i] = Safe(l)
		}
		return out
	}
	if o.Within {
		return contentTemplate().Execute(b, struct {
			Title        string
			Shapes, Body template.HTML
			Lead, Foot   []string
		}{title, shapes, template.HTML(body.String()), shown(d.Lead), shown(d.Foot)})
	}
	asOf := ""
	if !d.AsOf.IsZero() {
		asOf = d.AsOf.Format(time.RFC3339)
	}
	return pageTemplate().Execute(b, struct {
		Title, AsOf  string
		CSS, Sheet   template.CSS
		Shapes, Body template.HTML
		Lead, Foot   []string
	}{title, asOf, template.CSS(pageCSS), marginBoxes(title), shapes, template.HTML(body.String()), shown(d.Lead),
		shown(d.Foot)})
}

// marginBoxes puts the page's title and its number on every printed sheet (CSS
// Paged Media Module Level 3, margin boxes).
func marginBoxes(title string) template.CSS {
	var s strings.Builder
	for _, r := range title { // escaped, so that nothing can end the string
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == ' ' {
			s.WriteRune(r)
		} else {
			fmt.Fprintf(&s, "\\%06x ", r) // the space after an escape is part of it
		}
	}
	return template.CSS(`@page{@bottom-left{content:"` + s.String() +
		`"}@bottom-right{content:"Page " counter(page) " of " counter(pages)}}` + "\n")
}

func (h heading) html(b *bytes.Buffer, _ Options) {
	tag := "h2"
	if h.level == 3 {
		tag = "h3"
	}
	b.WriteString("<" + tag + ">" + html.EscapeString(Safe(h.title)) + "</" + tag + ">\n")
}

// says is a text as a page has it: without commands, where it has links.
func (o Options) says(text string) string {
	if o.Within {
		text = WithoutCommands(text)
	}
	return html.EscapeString(Safe(text))
}

func (p para) html(b *bytes.Buffer, o Options) {
	body := o.says(p.body)
	if body == "" {
		return
	}
	switch p.class {
	case "note":
		b.WriteString(`<p class="note">` + body + "</p>\n")
	case "caution", "parked":
		b.WriteString(`<p class="` + map[string]string{"caution": "caution", "parked": "caution parked"}[p.class] +
			`"><b>Caution:</b> ` + body + "</p>\n")
	default:
		b.WriteString("<p>" + body + "</p>\n")
	}
}

func (l list) html(b *bytes.Buffer, o Options) {
	items := ""
	for _, item := range l {
		if says := o.says(item); says != "" {
			items += "<li>" + says + "</li>\n"
		}
	}
	if items != "" {
		b.WriteString("<ul>\n" + items + "</ul>\n")
	}
}

// photo is a photograph embedded in the page.
type photo struct {
	dataURL, words string
}

func (p photo) text(b *bytes.Buffer, o Options) {
	b.WriteString(hanging("Photograph: ", Safe(p.words), o) + "\n")
}

func (p photo) html(b *bytes.Buffer, _ Options) {
	if !strings.HasPrefix(p.dataURL, "data:image/") {
		return
	}
	b.WriteString(`<figure><img src="` + html.EscapeString(p.dataURL) + `" alt="` + html.EscapeString(Safe(p.words)) +
		`"><figcaption>` + html.EscapeString(Safe(p.words)) + "</figcaption></figure>\n")
}
