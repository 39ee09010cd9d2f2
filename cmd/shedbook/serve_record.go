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

	"shedbook/report/cooling"
	"shedbook/report/next"
	"shedbook/report/render"
	"shedbook/report/state"
	"shedbook/schema"
	"shedbook/store"
)

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
	body := &render.ShedForm{Head: capital(l.k.Name), Lead: append([]string{capital(l.k.Help) + "."}, p.lead...),
		Action: "/record/" + p.kind, Ref: newRef(), Doubts: p.doubts, Wrong: p.wrong, Submit: "Record",
		Later: l.k.Dated}
	if p.machine != "" {
		body.Head = p.machine + ": " + l.k.Name
		body.Hidden = append(body.Hidden, render.ShedValue{Name: "machine", Value: p.machine})
	}
	ready := true
	if p.kind == schema.GoesOut.Name && p.machine != "" { // whoever takes it is to know
		told, err := a.states(r.Context(), v.book, p.machine)
		if err != nil {
			s.fail(w, err)
			return
		}
		if is := told[p.machine]; is.State.State != state.Ready {
			ready, body.Cautions = false, []string{render.WithoutCommands(is.Says(p.machine))}
		}
	}
	check := p.sent.Get("check")
	if p.kind == "check" && check == "" {
		s.checkLinks(w, v, p.machine, r.URL.Query().Get("m"))
		return
	}
	if p.kind == "overheat" {
		body.Cautions = []string{"Leave the cap shut until it is hand-warm. No cold water onto a hot engine. Steam, " +
			"or coolant lost: park it. The fan may start by itself."}
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
		if lessAsked(l.k, f) || f.Name == "accepted" && p.machine != "" && ready {
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
	s.show(w, http.StatusOK, "links", v.page("A check",
		&render.ShedLinks{Head: strings.TrimPrefix(machine+": a check", ": "), Groups: []render.ShedLinkGroup{g}}))
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
		s.message(w, http.StatusUnprocessableEntity, "Not recorded",
			"The form has no number of its own: open it again.")
		return f, false
	}
	f.typed = s.now()
	// kept on the phone so many seconds
	if age, err := strconv.ParseFloat(f.values.Get("age"), 64); err == nil && age > 0 {
		if age > oldest.Seconds() {
			s.message(w, http.StatusUnprocessableEntity, "Not recorded",
				"This was typed more than 60 days ago: enter it again, with its time.")
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
func (s *server) again(w http.ResponseWriter, r *http.Request, v visitor, f sentForm, to string,
	changed func()) (done bool) {
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
		p.lead = []string{"This form was recorded already, with other values. If this is a new record, save it; if " +
			"not, go back to the fleet."}
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
		p.wrong = []render.ShedWrong{{Field: "accepted", Says: refused.says +
			" Whoever takes it must know that and accept it."}}
		s.showForm(w, r, v, http.StatusUnprocessableEntity, p)
	case err != nil && isTyped(err):
		p.wrong = wrongWith(l.k, err)
		s.showForm(w, r, v, http.StatusUnprocessableEntity, p)
	case err != nil:
		s.fail(w, err)
	default:
		if d := f.values.Get("driver"); d != "" {
			d = cmp.Or(f.values.Get("driver-other"), d)
			http.SetCookie(w, &http.Cookie{Name: lastDriver, Value: url.QueryEscape(d), Path: "/record",
				MaxAge: int(cookieLife.Seconds()), HttpOnly: true, Secure: s.secure, SameSite: http.SameSiteStrictMode})
		}
		v.book.Answered(f.Ref, said.answer())
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
			if says := render.WithoutCommands(lines.Text()); says != "" {
				out = append(out, says)
			}
		}
	}
	return strings.Join(out, "\n")
}

// done says what a form was answered.
func (s *server) done(w http.ResponseWriter, r *http.Request, v visitor) {
	f, ok, err := v.book.FormSent(r.Context(), r.PathValue("ref"))
	switch {
	case err != nil:
		s.fail(w, err)
		return
	case !ok:
		// A setting, a word or a figure has no number, and is not kept.
		s.show(w, http.StatusOK, "done", v.page("Done",
			&render.ShedDone{Head: "Done", Says: []string{"It is done."},
				Links: []render.ShedLink{{Href: "/", Words: "Fleet"}}}))
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
		body.Links = append(body.Links, render.ShedLink{Href: fmt.Sprintf("/r/%d", f.Record),
			Words: "Look at the record"})
	}
	body.Links = append(body.Links, render.ShedLink{Href: "/", Words: "Fleet"})
	s.show(w, http.StatusOK, "done", v.page("Recorded", body))
}
