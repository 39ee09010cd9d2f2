package render

import (
	"bytes"
	"embed"
	"html/template"
	"io"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"sync"

	"shedbook/report"
)

// The pages that `serve` shows to browsers. A page has no script or style of its
// own inside: both come as files from the same place, and the browser is told to
// run and load nothing else.

//go:embed shed
var shedFiles embed.FS

// shedPages are parsed when the first page is shown, not when the program starts.
var shedPages = sync.OnceValue(func() *template.Template {
	return template.Must(template.ParseFS(shedFiles, "shed/pages.html"))
})

// ShedFile is a file that the pages load, as shed.css or shed.js; nil where there
// is none of that name.
func ShedFile(name string) []byte {
	if name == "pages.html" {
		return nil
	}
	b, err := shedFiles.ReadFile("shed/" + name)
	if err != nil {
		return nil
	}
	if name == "shed.css" {
		return append([]byte(pageCSS), b...)
	}
	return b
}

// ShedPage is what every page has.
type ShedPage struct {
	Title string
	Nav   bool   // it has links to the other pages
	Phone string // whose it is; "" at the machine itself
	Body  any    // one of the Shed types
}

// Shed writes a page. name is that of its template: fleet, machine, form, done,
// record, walk, pair, links, report or message. Body is a pointer to its type; what
// stands in it is made harmless (see Safe) but for the values of fields and links.
func Shed(w io.Writer, name string, p ShedPage) error {
	p.Title, p.Phone = Safe(p.Title), Safe(p.Phone)
	harmlessText(reflect.ValueOf(p.Body))
	return shedPages().ExecuteTemplate(w, name, p)
}

// asTyped are the fields that go back as they came.
var asTyped = []string{"Value", "Href", "Action", "Ref", "To", "Skipped", "Goes", "Back", "Walk", "Photo"}

func harmlessText(v reflect.Value) {
	switch v.Kind() {
	case reflect.Pointer:
		harmlessText(v.Elem())
	case reflect.Slice:
		for i := range v.Len() {
			harmlessText(v.Index(i))
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if !slices.Contains(asTyped, v.Type().Field(i).Name) {
				harmlessText(v.Field(i))
			}
		}
	case reflect.String:
		if v.Type() == reflect.TypeFor[string]() && v.CanSet() {
			v.SetString(Safe(v.String()))
		}
	}
}

// WithoutCommands is a text without what only helps at a command line: commands behind
// a colon, options in brackets, and sentences that say nothing else.
func WithoutCommands(says string) string {
	says = optionBeside.ReplaceAllString(says, "")
	if !strings.Contains(says, "shedbook ") {
		return says
	}
	const here = "\x00"
	var keep []string
	for _, sentence := range strings.SplitAfter(commandBehind.ReplaceAllString(says, here), ". ") {
		lead, _, found := strings.Cut(sentence, here)
		if found && !strings.ContainsAny(lead, ":;,") || strings.Contains(sentence, "shedbook ") {
			continue
		}
		keep = append(keep, strings.ReplaceAll(sentence, here, ""))
	}
	return strings.TrimSpace(strings.Join(keep, ""))
}

var optionBeside = regexp.MustCompile(` \('--[a-z][^()]*\)`)

// commandBehind is a command behind a colon: words as a shell takes them, the last
// without the stop of its sentence.
var commandBehind = regexp.MustCompile(`: shedbook(?: (?:'[^']*'|\\'|[^\s;'])*(?:'[^']*'|\\'|[^\s;'.,]))+`)

// ShedReport is a report that was printed as HTML with Within, as a part of a page.
func ShedReport(printed []byte) any { return template.HTML(printed) }

// ShedReported is a report, and where it leads.
type ShedReported struct {
	Report any // see ShedReport
	Links  []ShedLink
}

// ShedPlots are a machine's plots, as a part of its page.
func ShedPlots(h report.HistoryReport, o Options) (any, error) {
	o.Format, o.Within = HTML, true
	d := &Doc{}
	historyCoolant(d, h, o)
	historyHeat(d, h, o)
	var b bytes.Buffer
	err := d.Print(&b, o)
	return ShedReport(b.Bytes()), err
}

// ShedLink leads to another page; Help is what stands behind it.
type ShedLink struct{ Href, Words, Help string }

// ShedMessage says something and leads on.
type ShedMessage struct {
	Head  string
	Says  []string
	Links []ShedLink
}

// ShedLinks is a page of links.
type ShedLinks struct {
	Head   string
	Says   []string
	Groups []ShedLinkGroup
}

// ShedLinkGroup is links under a heading.
type ShedLinkGroup struct {
	Head  string
	Links []ShedLink
}

// ShedFleet is a card a machine, on a desk a table.
type ShedFleet struct {
	Lead     string
	Parked   bool   // one is
	Manual   string // what comes first
	Machines []ShedCard
	Notes    []string
}

// ShedCard is one machine at a glance.
type ShedCard struct {
	Href, Name, Model, State, Why, Lift, Hours string
	Open, Due                                  []string
	Out                                        string // who has it, where it is out
}

// ShedMachine is a machine's page.
type ShedMachine struct {
	Name, Model, State, Says, Out, Do string
	Cautions, Due                     []string
	Walk, Goes, Back                  string // where its checks are gone through, and where it goes out or comes back
	Events                            []ShedEvent
	Report                            any // its plots: see ShedPlots
	Kinds, Read, Big                  []ShedLink
}

// ShedEvent is a line of a machine's timeline.
type ShedEvent struct{ When, Says, Href string }

// ShedForm is a form for a record of any kind.
type ShedForm struct {
	Head           string
	Lead, Cautions []string
	Action, Ref    string
	Hidden         []ShedValue
	Wrong          []ShedWrong
	Doubts         []string
	Fields, More   []ShedField
	MoreOpen       bool
	Submit         string
	Later          bool // it may be kept on the phone until there is a network
}

// ShedValue goes along with a form, unseen.
type ShedValue struct{ Name, Value string }

// ShedFact is one field of a record.
type ShedFact struct{ Name, Says string }

// ShedWrong is what is wrong, and in which field; "" for none.
type ShedWrong struct{ Field, Says string }

// ShedField is one field of a form. Input is text, number, time, area, select,
// radio or checks.
type ShedField struct {
	Name, Input, Label, Help, Unit, Value, Wrong string
	Required                                     bool
	Long                                         int
	Options, Rest                                []ShedOption
}

// ShedOption is a choice of a field.
type ShedOption struct {
	Value, Words string
	On           bool
}

// ShedDone says what was recorded.
type ShedDone struct {
	Head                string
	Says, Parked, Notes []string
	Photo               string // where a photograph goes
	Links               []ShedLink
}

// ShedRecord is one record with its earlier versions.
type ShedRecord struct {
	Head                  string
	Lead                  []string
	Values                []ShedFact
	Photos, Papers, Links []ShedLink
	Past                  []ShedVersion
	Photo                 string
}

// ShedVersion is what a record was.
type ShedVersion struct {
	Head   string
	Values []ShedFact
}

// ShedWalk is a step of the walk through a machine's checks. Check is "" at its end.
type ShedWalk struct {
	Head, Says, Check, Caution, How, Pass, Fail string
	Result                                      string // that is doubted
	Said                                        []string
	Action, Ref, Skipped, Back                  string
	Wrong                                       []ShedWrong
	Doubts                                      []string
	Fields                                      []ShedField
}

// ShedPair asks for a pairing code.
type ShedPair struct{ To, Wrong string }
