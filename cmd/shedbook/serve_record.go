package main

import (
	"bufio"
	"cmp"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"shedbook/report/cooling"
	"shedbook/report/next"
	"shedbook/report/render"
	"shedbook/schema"
	"shedbook/schema/unit"
	"shedbook/store"
)

// A form is a command line: its kind's verb, the words of that verb, and an option
// a field. So whatever the command line asks, refuses, works out and says, the form
// does too, and a kind or a field that comes new has its form.

// spoken is a verb and the fields that are its words. Of a kind that is not here
// the verb is the kind's name, and its word the machine.
var spoken = map[string]struct{ verb, words []string }{
	"meter":   {[]string{"machine", "meter"}, []string{"machine"}},
	"machine": {[]string{"machine", "add"}, []string{"machine"}},
	"driver":  {[]string{"driver", "add"}, []string{"driver"}},
	"word":    {[]string{"word", "add"}, []string{"vocabulary", "word"}},
	"setting": {[]string{"set"}, []string{"setting", "value"}},
	"spec":    {[]string{"spec", "set"}, []string{"figure", "value"}},
	"plan":    {[]string{"plan", "add"}, []string{"work"}},
	"check":   {[]string{"check"}, []string{"machine", "check", "result"}},
	"answer":  {[]string{"answer"}, []string{"machine", "driver", "factor", "flag"}}, // whose flag it is: one of three
}

// recordable are the kinds that a phone may record: what happened to a machine, or,
// for who keeps the book, any.
func recordable(keep bool) []string {
	out := append(slices.Clone(logged), "check", schema.GoesOut.Name, schema.ComesBack.Name)
	if keep {
		for _, k := range schema.Kinds {
			if !slices.Contains(out, k.Name) && k.Name != "outing" { // which has two halves
				out = append(out, k.Name)
			}
		}
	}
	return out
}

// kindNamed finds a kind, or half of one, by its name.
func kindNamed(name string) *schema.Kind {
	for _, half := range []*schema.Kind{schema.GoesOut, schema.ComesBack} {
		if half.Name == name {
			return half
		}
	}
	return schema.KindNamed(name)
}

// line is how a kind is recorded: its verb, its words, and the verb itself.
type line struct {
	k           *schema.Kind
	verb, words []string
	cmd         *cobra.Command
}

func lineOf(a *app, kind string) (line, error) {
	l := line{k: kindNamed(kind), verb: []string{kind}, words: []string{"machine"}}
	if x, ok := spoken[kind]; ok {
		l.verb, l.words = x.verb, x.words
	}
	var err error
	l.cmd, _, err = a.root(l.verb).Find(l.verb)
	return l, err
}

// takes are the fields that the form has: the words, and those that have an option.
func (l *line) takes() []*schema.Field {
	var out []*schema.Field
	for i := range l.k.Fields {
		f := &l.k.Fields[i]
		if f.Name != "ref" && (slices.Contains(l.words, f.Name) || l.cmd.Flags().Lookup(flagName(l.k, f)) != nil || f.Name == "nothing_found") {
			out = append(out, f)
		}
	}
	return out
}

// figures are what a check measures; none of another kind.
func (l *line) figures(check string) []cooling.Figure {
	if l.k.Name != "check" || check == "" {
		return nil
	}
	out, _ := cooling.Figures(check)
	return out
}

// commandLine puts what was sent into words.
func (l *line) commandLine(sent url.Values, shown unit.System, sure bool) []string {
	options, words := []string{}, map[string]string{}
	for _, f := range l.takes() {
		value := sentValue(f, sent, shown)
		switch {
		case slices.Contains(l.words, f.Name):
			words[f.Name] = value
		case value == "":
		case f.Name == "nothing_found":
			options = append(options, fmt.Sprintf("--nothing-found=%t", value == "yes"))
		default:
			options = append(options, "--"+flagName(l.k, f)+"="+value)
		}
	}
	for _, f := range l.figures(words["check"]) {
		if value := withShown(strings.TrimSpace(sent.Get("figure-"+f.Name)), unit.Unit(f.Unit), shown); value != "" {
			options = append(options, "--"+figureFlag(f)+"="+value)
		}
	}
	if sure && l.cmd.Flags().Lookup("sure") != nil {
		options = append(options, "--sure")
	}
	out := append(append(slices.Clone(l.verb), options...), "--")
	for i, name := range l.words {
		optional := l.k.Name == "check" && name == "result" || l.k.Name == "answer" && i < 3
		if words[name] != "" || !optional {
			out = append(out, words[name])
		}
	}
	return out
}

// sentValue is a field as it was sent: several words with ; between, and a bare
// number in the unit that stood beside its field.
func sentValue(f *schema.Field, sent url.Values, shown unit.System) string {
	if f.Type == schema.WordsField {
		return strings.Join(slices.DeleteFunc(slices.Clone(sent[f.Name]), func(s string) bool { return s == "" }), ";")
	}
	value := strings.TrimSpace(cmp.Or(strings.TrimSpace(sent.Get(f.Name+"-other")), sent.Get(f.Name)))
	if f.Type == schema.NumField {
		return withShown(value, f.Unit, shown)
	}
	return value
}

// usUnits are what a bare number is taken in where the book is shown in US units.
var usUnits = map[unit.Unit][2]string{unit.Millilitres: {"floz", "fl oz"}, unit.Litres: {"qt", "qt"}, unit.Kilopascal: {"psi", "psi"}, unit.Celsius: {"F", "°F"}}

func withShown(value string, u unit.Unit, shown unit.System) string {
	if _, err := strconv.ParseFloat(value, 64); err == nil && shown == unit.US {
		return value + usUnits[u][0]
	}
	return value
}

// unitShown is the unit that stands beside a field.
func unitShown(u unit.Unit, shown unit.System) string {
	if says := usUnits[u][1]; says != "" && shown == unit.US {
		return says
	}
	if u == unit.Count {
		return ""
	}
	return unitName(u)
}

// manyOptions is from how many words on they are a list to choose from, not buttons.
const manyOptions = 12

// formField is a field of a form, made from its description.
func formField(f *schema.Field, known *schema.Known, value string, drivers []string) render.ShedField {
	out := render.ShedField{Name: f.Name, Input: "text", Label: capital(f.Help), Value: value, Required: f.Required, Long: 2000}
	choose := func(words []string) {
		out.Input = "radio"
		if len(words) > manyOptions {
			out.Input = "select"
		}
		if out.Input == "select" {
			out.Options = append(out.Options, render.ShedOption{Words: "choose"})
		}
		for _, w := range words {
			out.Options = append(out.Options, render.ShedOption{Value: w, Words: strings.ReplaceAll(w, "-", " "), On: w == value})
		}
		if out.Input == "radio" && !f.Required {
			out.Options = append(out.Options, render.ShedOption{Words: "not known", On: value == ""})
		}
	}
	switch f.Type {
	case schema.NumField:
		out.Input, out.Unit, out.Long = "number", unitShown(f.Unit, known.Units), 40
		if f.Max <= 1000 && known.Units != unit.US {
			out.Help = fmt.Sprintf("%s to %s", trimmed(f.Min), trimmed(f.Max))
		}
	case schema.TimeField:
		out.Input, out.Required = "time", false
		out.Label = strings.TrimSuffix(out.Label, "; default: now")
		if f.Required {
			out.Help = "Leave it empty for now."
		}
	case schema.WordField:
		words := known.Words[f.Vocabulary]
		if f.Vocabulary == "yesno" {
			words = []string{"yes", "no"}
			out.Label = strings.TrimSuffix(out.Label, " (yes or no)")
		}
		choose(words)
	case schema.WordsField:
		out.Input = "checks"
		for _, w := range known.Words[f.Vocabulary] {
			out.Options = append(out.Options, render.ShedOption{Value: w, Words: w, On: slices.Contains(strings.Split(value, ";"), w)})
		}
	case schema.MachineField:
		choose(known.Machines)
		if out.Input == "radio" {
			for i := range out.Options {
				out.Options[i].Words = cmp.Or(out.Options[i].Value, out.Options[i].Words) // as it is painted on
			}
		}
	case schema.DriverField:
		first := drivers[:min(shownDrivers, len(drivers))]
		rest := drivers[len(first):]
		choose(first)
		for i := range out.Options {
			out.Options[i].Words = cmp.Or(out.Options[i].Value, out.Options[i].Words)
		}
		for _, d := range rest {
			out.Rest = append(out.Rest, render.ShedOption{Value: d, Words: d, On: d == value})
		}
	case schema.TextField:
		if f.Name == "note" || f.Name == "found" || f.Name == "reason" || f.Name == "why" {
			out.Input = "area"
		}
		if f.Name == "vocabulary" {
			choose(schema.Words("vocabulary"))
		}
		if f.Name == "setting" {
			var keys []string
			for _, k := range schema.SettingKeys {
				keys = append(keys, k.Key)
			}
			out.Help = strings.Join(keys, ", ") + ", minutes.CHECK or prior.CAUSE"
		}
	}
	return out
}

// shownDrivers is how many drivers have a button.
const shownDrivers = 8

func trimmed(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// lessAsked says whether a field of what happened to a machine stands behind More:
// what is rarely said of a run or an overheat.
func lessAsked(k *schema.Kind, f *schema.Field) bool {
	switch {
	case !k.Dated || f.Required && f.Type != schema.TimeField || f.Plain:
		return false
	case f.Type == schema.NumField:
		return !slices.Contains(asked, f.Name) && f.Zero == ""
	case f.Type == schema.TextField, f.Type == schema.TimeField:
		return true
	}
	return f.Name == "range" || f.Name == "load" || f.Vocabulary == "engine"
}

// drivers are all drivers, the one last used first: on this phone, then on this
// machine.
func drivers(ctx context.Context, b *store.Book, known *schema.Known, machine, mine string) (list []string, last *schema.Run, err error) {
	add := func(name string) {
		if slices.Contains(known.Drivers, name) && !slices.Contains(list, name) {
			list = append(list, name)
		}
	}
	add(mine)
	if machine != "" {
		runs, err := b.List(ctx, schema.KindNamed("run"), store.Filter{Machine: machine, Last: 50})
		if err != nil {
			return nil, nil, err
		}
		for i := len(runs) - 1; i >= 0; i-- {
			r := runs[i].(*schema.Run)
			if last == nil {
				last = r
			}
			add(r.Driver)
		}
	}
	for _, d := range known.Drivers {
		add(d)
	}
	return list, last, nil
}

// lastDriver is the cookie with the driver last used on a phone.
const lastDriver = "driver"

// formPage is a form with what was typed into it so far, and what is wrong with it.
type formPage struct {
	kind    string
	sent    url.Values // nil for a new form
	machine string     // "" where it is to be chosen
	doubts  []string
	wrong   []render.ShedWrong
	lead    []string
}

func (s *server) form(w http.ResponseWriter, r *http.Request, v visitor) {
	p := formPage{kind: r.PathValue("kind")}
	if m := r.URL.Query().Get("m"); m != "" {
		_, byNumber, err := numbers(r.Context(), v.book)
		n, _ := strconv.ParseInt(m, 10, 64)
		switch {
		case err != nil:
			s.fail(w, err)
			return
		case byNumber[n] == nil:
			s.message(w, http.StatusNotFound, "Not here", "There is no such machine.")
			return
		}
		p.machine = byNumber[n].Name
	}
	if c := r.URL.Query().Get("check"); c != "" {
		p.sent = url.Values{"check": {c}, "machine": {p.machine}}
	}
	s.showForm(w, r, v, http.StatusOK, p)
}

func (s *server) showForm(w http.ResponseWriter, r *http.Request, v visitor, status int, p formPage) {
	if !slices.Contains(recordable(v.keep), p.kind) {
		s.message(w, http.StatusForbidden, "Not allowed", "This phone may not record that.")
		return
	}
	a, _ := s.at(v.book, s.now())
	known, err := a.known(r.Context(), v.book)
	if err != nil {
		s.fail(w, err)
		return
	}
	l, err := lineOf(a, p.kind)
	if err != nil {
		s.fail(w, err)
		return
	}
	mine := ""
	if c, err := r.Cookie(lastDriver); err == nil {
		mine, _ = url.QueryUnescape(c.Value)
	}
	drive, last, err := drivers(r.Context(), v.book, known, p.machine, mine)
	if err != nil {
		s.fail(w, err)
		return
	}
	body := &render.ShedForm{Head: capital(l.k.Name), Lead: append([]string{capital(l.k.Help) + "."}, p.lead...), Action: "/record/" + p.kind, Ref: newRef(), Doubts: p.doubts, Wrong: p.wrong, Submit: "Record", Later: l.k.Dated}
	if p.machine != "" {
		body.Head = p.machine + ": " + l.k.Name
		body.Hidden = append(body.Hidden, render.ShedValue{Name: "machine", Value: p.machine})
	}
	check := p.sent.Get("check")
	if p.kind == "check" && check == "" {
		s.checkLinks(w, v, p.machine, r.URL.Query().Get("m"))
		return
	}
	if p.kind == "overheat" {
		body.Cautions = []string{"Leave the cap shut until it is hand-warm. No cold water onto a hot engine. Steam, or coolant lost: park it. The fan may start by itself."}
	}
	if check != "" {
		body.Head = check + ": " + cmp.Or(p.machine, "a check")
		body.Hidden = append(body.Hidden, render.ShedValue{Name: "check", Value: check})
		if pass, fail, err := cooling.Meaning(check); err == nil {
			body.Lead = append(body.Lead, "Pass: "+pass, "Fail: "+fail)
		}
		body.Cautions = cautionsOf(check)
	}
	body.Ref = cmp.Or(p.sent.Get("ref"), body.Ref) // a form that is shown again keeps its own
	if age := p.sent.Get("age"); age != "" {
		body.Hidden = append(body.Hidden, render.ShedValue{Name: "age", Value: age})
	}
	wrong := map[string]string{}
	for _, x := range p.wrong {
		wrong[x.Field] = x.Says
	}
	for _, f := range l.takes() {
		if f.Name == "machine" && f.Type == schema.MachineField && p.machine != "" || f.Name == "check" && check != "" {
			continue
		}
		value := ""
		if p.sent != nil {
			value = sentValue(f, p.sent, "")
		} else if f.Type == schema.DriverField && len(drive) > 0 && (mine != "" || last != nil) {
			value = drive[0]
		} else if last != nil && (f.Name == "terrain" || f.Name == "speed") {
			value = schema.KindOf(last).Text(last, f.Name)
		}
		field := formField(f, known, value, drive)
		if p.kind == "check" && f.Name == "result" {
			field.Label = "The result"
		}
		field.Wrong = wrong[f.Name]
		if lessAsked(l.k, f) {
			body.More = append(body.More, field)
			body.MoreOpen = body.MoreOpen || field.Wrong != "" || p.sent != nil && value != ""
		} else {
			body.Fields = append(body.Fields, field)
		}
	}
	body.Fields = append(body.Fields, figureFields(l.figures(check), known.Units, p.sent, wrong)...)
	s.show(w, status, "form", v.page(body.Head, body))
}

// cautionsOf is what can hurt in a check, in a line.
func cautionsOf(check string) []string {
	list, err := next.CautionOn(check)
	if err != nil {
		return nil
	}
	var says []string
	for _, c := range list {
		says = append(says, c.Short)
	}
	if len(says) == 0 {
		return nil
	}
	return []string{strings.Join(sentences(says), " ")}
}

// figureFields are the fields of what a check measures.
func figureFields(figures []cooling.Figure, shown unit.System, sent url.Values, wrong map[string]string) []render.ShedField {
	var out []render.ShedField
	for _, f := range figures {
		name := "figure-" + f.Name
		field := render.ShedField{Name: name, Input: "number", Label: capital(f.Help), Value: sent.Get(name), Long: 100, Wrong: wrong[name], Unit: unitShown(unit.Unit(f.Unit), shown)}
		if f.Unit == "yesno" || f.Unit == "word" {
			field.Input, field.Unit = "radio", ""
			words := f.OneOf
			if f.Unit == "yesno" {
				words = []string{"yes", "no"}
			}
			for _, w := range words {
				field.Options = append(field.Options, render.ShedOption{Value: w, Words: w, On: w == field.Value})
			}
			field.Options = append(field.Options, render.ShedOption{Words: "not known", On: field.Value == ""})
		} else if f.Many {
			field.Help, field.Input = "Several, with / between.", "text"
		}
		out = append(out, field)
	}
	return out
}

// checkLinks asks which check.
func (s *server) checkLinks(w http.ResponseWriter, v visitor, machine, number string) {
	g := render.ShedLinkGroup{Head: "Which check?"}
	at := "/record/check?"
	if number != "" {
		at += "m=" + url.QueryEscape(number) + "&"
	}
	for _, c := range schema.Words("check") {
		g.Links = append(g.Links, render.ShedLink{Href: at + "check=" + c, Words: strings.ReplaceAll(c, "-", " ")})
	}
	s.show(w, http.StatusOK, "links", v.page("A check", &render.ShedLinks{Head: strings.TrimPrefix(machine+": a check", ": "), Groups: []render.ShedLinkGroup{g}}))
}

func newRef() string { return rand.Text() }

var refPattern = regexp.MustCompile(`^[A-Za-z0-9_-]{16,64}$`)

// sentForm is what was sent, and what it is known by.
type sentForm struct {
	store.Form
	values url.Values
	typed  time.Time // when it was, on the phone
	sure   bool
}

// oldest is how long ago a form may have been typed.
const oldest = 60 * 24 * time.Hour

// read reads a form that was sent; it has said so where it can't be.
func (s *server) read(w http.ResponseWriter, r *http.Request) (f sentForm, ok bool) {
	r.Body = http.MaxBytesReader(w, r.Body, maxForm)
	if err := r.ParseForm(); err != nil {
		s.message(w, http.StatusRequestEntityTooLarge, "Too long", "What you sent is too long, or not a form.")
		return f, false
	}
	f.values = r.PostForm
	f.Ref, f.sure = f.values.Get("ref"), f.values.Get("sure") == "yes"
	if !refPattern.MatchString(f.Ref) {
		s.message(w, http.StatusUnprocessableEntity, "Not recorded", "The form has no number of its own: open it again.")
		return f, false
	}
	f.typed = s.now()
	if age, err := strconv.ParseFloat(f.values.Get("age"), 64); err == nil && age > 0 { // kept on the phone so many seconds
		if age > oldest.Seconds() {
			s.message(w, http.StatusUnprocessableEntity, "Not recorded", "This was typed more than 60 days ago: enter it again, with its time.")
			return f, false
		}
		f.typed = f.typed.Add(-time.Duration(age) * time.Second)
	}
	sum := sha256.New()
	fmt.Fprintf(sum, "%q", r.URL.Path)
	for _, name := range slices.Sorted(maps.Keys(f.values)) {
		if name != "ref" && name != "age" && name != "sure" {
			fmt.Fprintf(sum, "%q%q", name, f.values[name])
		}
	}
	f.Content = sum.Sum(nil)
	return f, true
}

// again answers a form that was recorded already: as it was answered then. One that
// says something else now is shown once more, as a new one.
func (s *server) again(w http.ResponseWriter, r *http.Request, v visitor, f sentForm, to string, changed func()) (done bool) {
	was, sent, err := v.book.FormSent(r.Context(), f.Ref)
	switch {
	case err != nil:
		s.fail(w, err)
	case !sent:
		return false
	case !slices.Equal(was.Content, f.Content):
		changed()
	default:
		http.Redirect(w, r, to, http.StatusSeeOther)
	}
	return true
}

// record does what a form says.
func (s *server) record(w http.ResponseWriter, r *http.Request, v visitor) {
	kind := r.PathValue("kind")
	if !slices.Contains(recordable(v.keep), kind) {
		s.message(w, http.StatusForbidden, "Not allowed", "This phone may not record that.")
		return
	}
	f, ok := s.read(w, r)
	if !ok {
		return
	}
	p := formPage{kind: kind, sent: f.values, machine: f.values.Get("machine")}
	if kindNamed(kind).Field("machine") == nil || kind == "machine" {
		p.machine = ""
	}
	to := "/done/" + f.Ref
	changed := func() {
		p.sent = maps.Clone(f.values)
		p.sent.Set("ref", newRef())
		p.lead = []string{"This form was recorded already, with other values. If this is a new record, save it; if not, go back to the fleet."}
		s.showForm(w, r, v, http.StatusConflict, p)
	}
	if s.again(w, r, v, f, to, changed) {
		return
	}
	a, said := s.at(v.book.By(v.phone.Number, f.Form, s.now), f.typed)
	settings, err := v.book.Settings(r.Context())
	if err != nil {
		s.fail(w, err)
		return
	}
	l, err := lineOf(a, kind)
	if err != nil {
		s.fail(w, err)
		return
	}
	words := l.commandLine(f.values, settings.Units(), f.sure)
	err = a.do(context.WithoutCancel(r.Context()), words)
	var refused *usageError
	switch {
	case errors.Is(err, store.ErrSent): // twice at once
		if !s.again(w, r, v, f, to, changed) {
			s.fail(w, err)
		}
	case errors.As(err, &refused) && refused.hint == sureHint:
		p.doubts = strings.Split(refused.says, "; ")
		s.showForm(w, r, v, http.StatusUnprocessableEntity, p)
	case errors.As(err, &refused) && strings.HasSuffix(refused.hint, "add accept"):
		p.wrong = []render.ShedWrong{{Field: "accepted", Says: refused.says + " Whoever takes it must know that and accept it."}}
		s.showForm(w, r, v, http.StatusUnprocessableEntity, p)
	case err != nil && isTyped(err):
		p.wrong = wrongWith(l.k, err)
		s.showForm(w, r, v, http.StatusUnprocessableEntity, p)
	case err != nil:
		s.fail(w, err)
	default:
		if d := f.values.Get("driver"); d != "" {
			d = cmp.Or(f.values.Get("driver-other"), d)
			http.SetCookie(w, &http.Cookie{Name: lastDriver, Value: url.QueryEscape(d), Path: "/record", MaxAge: int(cookieLife.Seconds()), HttpOnly: true, Secure: s.secure, SameSite: http.SameSiteStrictMode})
		}
		if err := v.book.Answered(context.WithoutCancel(r.Context()), f.Ref, said.answer()); err != nil {
			fmt.Fprintf(s.a.errOut, "note: the answer to a form could not be kept: %s\n", render.Safe(err.Error()))
		}
		http.Redirect(w, r, to, http.StatusSeeOther)
	}
}

// isTyped reports whether something that was typed is wrong, not the book.
func isTyped(err error) bool {
	code, _, _ := judge(err)
	var all severalErrors
	return code == exitWords || code == exitNotFound || errors.As(err, &all)
}

// wrongWith puts what is wrong to the fields it is about.
func wrongWith(k *schema.Kind, err error) []render.ShedWrong {
	each := []error{err}
	var all severalErrors
	if errors.As(err, &all) {
		each = all
	}
	var out []render.ShedWrong
	for _, err := range each {
		_, says, _ := judge(err)
		x := render.ShedWrong{}
		if p := schema.AsProblem(err); p != nil {
			for i := range k.Fields {
				if f := &k.Fields[i]; strings.TrimPrefix(p.Column, "--") == flagName(k, f) || p.Column == f.Name {
					x.Field = f.Name
				}
			}
		}
		x.Says = capital(strings.TrimSuffix(optionDashes.ReplaceAllString(says, "$1"), ".")) + "."
		out = append(out, x)
	}
	return out
}

// optionDashes are an option's on the command line, where a page has a field.
var optionDashes = regexp.MustCompile(`--([a-z])`)

// answer is what was said of what was recorded, a sentence or more a line; what only
// helps at a command line is left out.
func (t *said) answer() string {
	var out []string
	for _, buffer := range []string{t.out.String(), t.errOut.String()} {
		lines := bufio.NewScanner(strings.NewReader(buffer))
		for lines.Scan() {
			if says := forPeople(lines.Text()); says != "" {
				out = append(out, says)
			}
		}
	}
	return strings.Join(out, "\n")
}

// forPeople is a line without the sentences that name a command.
func forPeople(line string) string {
	line = namesCommand.ReplaceAllString(line, "")
	var keep []string
	for _, says := range strings.SplitAfter(line, ". ") {
		if !strings.Contains(says, "shedbook ") {
			keep = append(keep, says)
		}
	}
	return strings.TrimSpace(strings.Join(keep, ""))
}

// namesCommand is a command at the end of a sentence.
var namesCommand = regexp.MustCompile(`: shedbook [^;.]*`)

// done says what a form was answered.
func (s *server) done(w http.ResponseWriter, r *http.Request, v visitor) {
	f, ok, err := v.book.FormSent(r.Context(), r.PathValue("ref"))
	switch {
	case err != nil:
		s.fail(w, err)
		return
	case !ok:
		// A setting, a word or a figure has no number, and is not kept.
		s.show(w, http.StatusOK, "done", v.page("Done", &render.ShedDone{Head: "Done", Says: []string{"It is done."}, Links: []render.ShedLink{{Href: "/", Words: "Fleet"}}}))
		return
	}
	body := &render.ShedDone{Head: "Recorded"}
	machine := ""
	if f.Record != 0 {
		found, err := v.book.Show(r.Context(), f.Record)
		if err != nil {
			s.fail(w, err)
			return
		}
		body.Photo = fmt.Sprintf("/r/%d/photo", f.Record)
		if f.Answer == "" { // the program ended before it could say more
			body.Says = []string{fmt.Sprintf("recorded as %d: %s", f.Record, found.Kind.Name)}
		}
		if found.Current == nil {
			body.Photo = ""
		} else if machine = machineNamed(found.Kind, found.Current); found.Kind.Name == "machine" {
			body.Photo = ""
		}
	}
	for says := range strings.Lines(f.Answer) {
		says = strings.TrimSpace(says)
		switch {
		case strings.HasPrefix(says, "note: "):
			body.Notes = append(body.Notes, capital(strings.TrimPrefix(says, "note: ")))
		case strings.Contains(says, " is parked, do not drive it") || strings.Contains(says, " stays parked: "):
			body.Parked = append(body.Parked, says)
		default:
			body.Says = append(body.Says, capital(says))
		}
	}
	if of, _, err := numbers(r.Context(), v.book); err == nil && of[machine] != nil {
		body.Links = append(body.Links, render.ShedLink{Href: machineAt(of[machine]), Words: machine})
	}
	if f.Record != 0 {
		body.Links = append(body.Links, render.ShedLink{Href: fmt.Sprintf("/r/%d", f.Record), Words: "Look at the record"})
	}
	body.Links = append(body.Links, render.ShedLink{Href: "/", Words: "Fleet"})
	s.show(w, http.StatusOK, "done", v.page("Recorded", body))
}
