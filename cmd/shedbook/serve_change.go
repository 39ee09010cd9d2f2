package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"shedbook/report/cooling"
	"shedbook/report/next"
	"shedbook/report/render"
	"shedbook/schema"
	"shedbook/schema/unit"
	"shedbook/store"
)

// recordAt finds the record that a path names; it has said so where there is none.
func (s *server) recordAt(w http.ResponseWriter, r *http.Request, v visitor) *store.Found {
	n, _ := strconv.ParseInt(r.PathValue("number"), 10, 64)
	found, err := v.book.Show(r.Context(), n)
	if err != nil {
		s.fail(w, err)
		return nil
	}
	return found
}

// facts are the fields of a record as a person would say them.
func facts(k *schema.Kind, r schema.Record, s schema.Settings) []render.ShedFact {
	var out []render.ShedFact
	for i := range k.Fields {
		f := &k.Fields[i]
		if !f.Known(r) || besideValue(k, f) {
			continue
		}
		says := f.Cell(r, s.Zone())
		switch p := f.Pointer(r).(type) {
		case *schema.Num:
			says = unit.Format(p.V, f.Unit, s.Units())
		case *time.Time:
			says = unit.FormatTime(*p, s.Zone())
		}
		says = cmp.Or(measuredText(f, r, s), says)
		if typed := k.Meta(r).Typed[f.Name]; typed != "" {
			says += " (typed: " + typed + ")"
		}
		out = append(out, render.ShedFact{Name: strings.ReplaceAll(f.Flag(), "-", " "), Says: says})
	}
	return out
}

// showRecord shows a record with its earlier versions and what is attached to it.
func (s *server) showRecord(w http.ResponseWriter, r *http.Request, v visitor) {
	found := s.recordAt(w, r, v)
	if found == nil {
		return
	}
	n, _ := strconv.ParseInt(r.PathValue("number"), 10, 64)
	settings, err := v.book.Settings(r.Context())
	attached, attachedErr := v.book.Attachments(r.Context(), n)
	by, byErr := v.book.EnteredBy(r.Context(), n)
	if err := cmp.Or(err, attachedErr, byErr); err != nil {
		s.fail(w, err)
		return
	}
	k, zone := found.Kind, settings.Zone()
	whom := func(version int) string {
		if by[version] == "" {
			return ""
		}
		return " by " + by[version]
	}
	at := fmt.Sprintf("/r/%d", n)
	body := &render.ShedRecord{Head: fmt.Sprintf("%s %d", capital(k.Name), n)}
	if found.Current == nil {
		body.Lead = []string{"Voided" + whom(len(found.Past)) + "."}
	} else {
		body.Lead = []string{"Entered " + unit.FormatTime(k.Meta(found.Current).Entered, zone) + whom(0) + "."}
		body.Values = facts(k, found.Current, settings)
		body.Photo = at + "/photo"
		if v.keep {
			body.Links = []render.ShedLink{{Href: at + "/correct", Words: "Correct it"},
				{Href: at + "/void", Words: "Strike it out"}}
		}
	}
	for i := len(found.Past) - 1; i >= 0; i-- {
		x := found.Past[i]
		head := fmt.Sprintf("Until it was %s on %s%s", strings.Replace(x.What, "amended", "corrected", 1),
			unit.FormatTime(x.Replaced, zone), whom(i+1))
		if x.Why != "" {
			head += ": " + x.Why
		}
		body.Past = append(body.Past, render.ShedVersion{Head: head, Values: facts(k, x.Record, settings)})
	}
	for _, t := range attached {
		if !t.Detached.IsZero() {
			continue
		}
		link := render.ShedLink{Href: fmt.Sprintf("%s/photo/%d", at, t.Nth), Words: cmp.Or(t.What, t.Name)}
		if t.Format == "pdf" {
			body.Papers = append(body.Papers, link)
		} else {
			body.Photos = append(body.Photos, link)
		}
	}
	s.show(w, http.StatusOK, "record", v.page(body.Head, body))
}

// changeForm asks for what is to be changed of a record, and why.
func (s *server) changeForm(w http.ResponseWriter, r *http.Request, v visitor, status int, found *store.Found,
	sent url.Values, doubts []string, wrong []render.ShedWrong) {
	void := strings.HasSuffix(r.URL.Path, "/void")
	a, _ := s.at(v.book, s.now())
	known, err := a.known(r.Context(), v.book)
	if err != nil {
		s.fail(w, err)
		return
	}
	if found.Current == nil {
		s.message(w, http.StatusUnprocessableEntity, "Voided", "This record was voided.")
		return
	}
	k := found.Kind
	body := &render.ShedForm{Head: fmt.Sprintf("Correct %s %s", k.Name, r.PathValue("number")), Action: r.URL.Path,
		Ref: cmp.Or(sent.Get("ref"), newRef()), Doubts: doubts, Wrong: wrong, Submit: "Correct",
		Lead: []string{"The book keeps the earlier version."}}
	at := map[string]string{}
	for _, x := range wrong {
		at[x.Field] = x.Says
	}
	if void {
		body.Head, body.Submit = fmt.Sprintf("Strike out %s %s", k.Name, r.PathValue("number")), "Strike it out"
		body.Lead = append(body.Lead, "No report counts it from then on.")
	} else {
		list, _, err := drivers(r.Context(), v.book, known, "", "")
		if err != nil {
			s.fail(w, err)
			return
		}
		for i := range k.Fields {
			f := &k.Fields[i]
			if f.Name == "ref" {
				continue
			}
			value := prefilled(f, found.Current, known)
			if sent != nil {
				value = sentValue(f, sent, "")
			}
			field := formField(f, known, value, list)
			field.Wrong, field.Required = at[f.Name], false
			if f.Type == schema.TimeField {
				field.Help = ""
			}
			body.Fields = append(body.Fields, field)
		}
	}
	body.Fields = append(body.Fields, render.ShedField{Name: "reason-why", Input: "text", Label: "Why",
		Value: sent.Get("reason-why"), Required: true, Long: 500, Wrong: at["reason-why"]})
	s.show(w, status, "form", v.page(body.Head, body))
}

// prefilled is a field's value as its form shows it.
func prefilled(f *schema.Field, r schema.Record, known *schema.Known) string {
	switch p := f.Pointer(r).(type) {
	case *time.Time:
		if p.IsZero() {
			return ""
		}
		return p.In(known.Zone).Format("2006-01-02T15:04")
	case *schema.Num:
		if p.Known && known.Units == unit.US && usUnits[f.Unit][0] != "" {
			return unit.Format(p.V, f.Unit, known.Units)
		}
	}
	return f.Cell(r, known.Zone)
}

func (s *server) correctForm(w http.ResponseWriter, r *http.Request, v visitor) {
	if found := s.recordAt(w, r, v); found != nil {
		s.changeForm(w, r, v, http.StatusOK, found, nil, nil, nil)
	}
}

// change corrects a record or strikes it out.
func (s *server) change(w http.ResponseWriter, r *http.Request, v visitor) {
	f, ok := s.read(w, r)
	if !ok {
		return
	}
	found := s.recordAt(w, r, v)
	if found == nil {
		return
	}
	to := "/done/" + f.Ref
	changed := func() {
		f.values.Set("ref", newRef())
		s.changeForm(w, r, v, http.StatusConflict, found, f.values, nil, nil)
	}
	if s.again(w, r, v, f, to, changed) {
		return
	}
	a, said := s.at(v.book.By(v.phone.Number, f.Form, s.now), f.typed)
	known, err := a.known(r.Context(), v.book)
	if err != nil {
		s.fail(w, err)
		return
	}
	why := strings.TrimSpace(f.values.Get("reason-why"))
	words := []string{"void", "--why=" + why, "--", r.PathValue("number")}
	if strings.HasSuffix(r.URL.Path, "/correct") {
		words = []string{"correct", "--why=" + why}
		if f.sure {
			words = append(words, "--sure")
		}
		for i := range found.Kind.Fields {
			field := &found.Kind.Fields[i]
			if _, there := f.values[field.Name]; !there && field.Type != schema.WordsField || found.Current == nil {
				continue
			}
			value := sentValue(field, f.values, known.Units)
			if was := prefilled(field, found.Current, known); value != was &&
				value != withShown(was, field.Unit, known.Units) {
				words = append(words, "--"+flagName(found.Kind, field)+"="+value)
			}
		}
		words = append(words, "--", r.PathValue("number"))
	}
	err = a.do(context.WithoutCancel(r.Context()), words)
	var refused *usageError
	switch {
	case errors.Is(err, store.ErrSent):
		if !s.again(w, r, v, f, to, changed) {
			s.fail(w, err)
		}
	case errors.As(err, &refused) && refused.hint == sureHint:
		s.changeForm(w, r, v, http.StatusUnprocessableEntity, found, f.values, strings.Split(refused.says, "; "), nil)
	case err != nil && isTyped(err):
		wrong := wrongWith(found.Kind, err)
		if why == "" {
			wrong = []render.ShedWrong{{Field: "reason-why", Says: "Say why."}}
		}
		s.changeForm(w, r, v, http.StatusUnprocessableEntity, found, f.values, nil, wrong)
	case err != nil:
		s.fail(w, err)
	default:
		v.book.Answered(f.Ref, said.answer())
		http.Redirect(w, r, to, http.StatusSeeOther)
	}
}

// addPhoto attaches a photograph to a record, as `attach` does.
func (s *server) addPhoto(w http.ResponseWriter, r *http.Request, v visitor) {
	n, _ := strconv.ParseInt(r.PathValue("number"), 10, 64)
	until := time.Now().Add(photoTime)
	c := http.NewResponseController(w)
	_ = c.SetReadDeadline(until)
	_ = c.SetWriteDeadline(until.Add(writeTime))
	r.Body = http.MaxBytesReader(w, r.Body, store.MaxFile+64<<10)
	parts, err := r.MultipartReader()
	if err != nil {
		s.message(w, http.StatusBadRequest, "Not added", "What you sent is not a photograph.")
		return
	}
	var file store.File
	for {
		part, err := parts.NextPart()
		if errors.Is(err, io.EOF) {
			break
		}
		var text []byte
		if err == nil {
			text, err = io.ReadAll(part)
		}
		if large := new(http.MaxBytesError); errors.As(err, &large) {
			w.Header().Set("Connection", "close")
			s.message(w, http.StatusRequestEntityTooLarge, "Not added", fmt.Sprintf("The photograph is larger than "+
				"%d MiB, which is the limit: save it smaller, 2000 pixels wide is enough.", store.MaxFile>>20))
			return
		} else if err != nil {
			s.message(w, http.StatusBadRequest, "Not added", "Part of the photograph is missing: send it again.")
			return
		}
		switch part.FormName() {
		case "file":
			file.Name, file.Content = part.FileName(), text
		case "what":
			file.What = strings.TrimSpace(string(text))
		}
	}
	if _, _, err := v.book.By(v.phone.Number, store.Form{}, s.now).Attach(context.WithoutCancel(r.Context()), n,
		[]store.File{file}); err != nil {
		s.fail(w, err)
		return
	}
	http.Redirect(w, r, fmt.Sprintf("/r/%d", n), http.StatusSeeOther)
}

// photo is one of a record's photographs or papers.
func (s *server) photo(w http.ResponseWriter, r *http.Request, v visitor) {
	n, _ := strconv.ParseInt(r.PathValue("number"), 10, 64)
	all, err := v.book.Attachments(r.Context(), n)
	if err != nil {
		s.fail(w, err)
		return
	}
	for _, t := range all {
		if strconv.Itoa(t.Nth) != r.PathValue("nth") || !t.Detached.IsZero() {
			continue
		}
		content, err := v.book.Content(r.Context(), t)
		if err != nil {
			s.fail(w, err)
			return
		}
		h := w.Header()
		h.Set("Content-Type", map[string]string{"jpeg": "image/jpeg", "png": "image/png",
			"pdf": "application/pdf"}[t.Format])
		if t.Format == "pdf" { // it may hold anything: it is saved, not shown
			h.Set("Content-Disposition", fmt.Sprintf("attachment; filename=\"%d-%d.pdf\"", t.Record, t.Nth))
		}
		h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
		_, _ = w.Write(content)
		return
	}
	s.message(w, http.StatusNotFound, "Not here", "There is no such photograph.")
}

// walkStep is the check that comes next in the walk through a machine's checks; those
// skipped so far are left out.
func (s *server) walkStep(r *http.Request, m *schema.Machine, skipped []string) (next.Step, error) {
	l, err := s.look(r.Context())
	if err != nil {
		return next.Step{}, err
	}
	fleet, others, err := l.fleetAround(m.Name)
	if err != nil {
		return next.Step{}, err
	}
	session, err := next.StartAmong(fleet, others, m.Name, l.at)
	if err != nil {
		return next.Step{}, err
	}
	step := session.Next()
	for step.Check != nil && slices.Contains(skipped, step.Check.Check) {
		if _, _, err := session.Answer("skip", l.at); err != nil {
			return step, err
		}
		step = session.Next()
	}
	return step, nil
}

// walkPage shows the check that comes next.
func (s *server) walkPage(w http.ResponseWriter, r *http.Request, v visitor) {
	s.showWalk(w, r, v, http.StatusOK, r.URL.Query(), nil, nil)
}

func (s *server) showWalk(w http.ResponseWriter, r *http.Request, v visitor, status int, sent url.Values,
	doubts []string, wrong []render.ShedWrong) {
	m := s.machineOf(w, r, v)
	if m == nil {
		return
	}
	skipped := checksIn(sent.Get("skipped"))
	step, err := s.walkStep(r, m, skipped)
	if err != nil {
		s.fail(w, err)
		return
	}
	settings, err := v.book.Settings(r.Context())
	if err != nil {
		s.fail(w, err)
		return
	}
	body := &render.ShedWalk{Head: m.Name + ": the checks", Says: capital(step.Says), Action: machineAt(m) + "/walk",
		Ref: newRef(), Skipped: strings.Join(skipped, ","), Back: machineAt(m), Wrong: wrong, Doubts: doubts,
		Result: sent.Get("result")}
	if f, ok, err := v.book.FormSent(r.Context(), sent.Get("said")); err == nil && ok {
		for says := range strings.Lines(f.Answer) {
			body.Said = append(body.Said, capital(strings.TrimSpace(says)))
		}
	}
	if c := step.Check; c != nil {
		body.Check, body.Caution, body.How, body.Pass, body.Fail = c.Check, capital(c.Caution), capital(c.How),
			step.PassMeans, step.FailMeans
		if figures, err := cooling.Figures(c.Check); err == nil {
			at := map[string]string{}
			for _, x := range wrong {
				at[x.Field] = x.Says
			}
			values := sent
			if sent.Get("check") != c.Check {
				values = nil
			}
			body.Fields = figureFields(figures, settings.Units(), values, at)
		}
	}
	s.show(w, status, "walk", v.page(body.Head, body))
}

// checksIn are the checks that a list names.
func checksIn(list string) []string {
	var out []string
	for _, c := range strings.Split(list, ",") {
		if slices.Contains(schema.Words("check"), c) && !slices.Contains(out, c) {
			out = append(out, c)
		}
	}
	return out
}

// walkAnswer records what was found and goes on to the next check.
func (s *server) walkAnswer(w http.ResponseWriter, r *http.Request, v visitor) {
	f, ok := s.read(w, r)
	if !ok {
		return
	}
	m := s.machineOf(w, r, v)
	if m == nil {
		return
	}
	skipped := checksIn(f.values.Get("skipped"))
	result, sure := strings.CutPrefix(f.values.Get("result"), "sure:")
	f.values.Set("result", result)
	check := f.values.Get("check")
	onward := func() string {
		q := url.Values{"said": {f.Ref}}
		if result == "skip" || result == "unsure" { // asked for another time, not at once
			skipped = append(skipped, check)
		}
		q.Set("skipped", strings.Join(checksIn(strings.Join(skipped, ",")), ","))
		return machineAt(m) + "/walk?" + q.Encode()
	}
	if result == "skip" {
		http.Redirect(w, r, onward(), http.StatusSeeOther)
		return
	}
	if s.again(w, r, v, f, onward(), func() { http.Redirect(w, r, machineAt(m)+"/walk", http.StatusSeeOther) }) {
		return
	}
	settings, err := v.book.Settings(r.Context())
	if err != nil {
		s.fail(w, err)
		return
	}
	a, said := s.at(v.book.By(v.phone.Number, f.Form, s.now), f.typed)
	l, err := lineOf(a, "check")
	if err != nil {
		s.fail(w, err)
		return
	}
	f.values.Set("machine", m.Name)
	if result != "" { // a button that says the result says all
		for name := range f.values {
			if strings.HasPrefix(name, "figure-") {
				f.values.Del(name)
			}
		}
	}
	err = a.do(context.WithoutCancel(r.Context()), l.commandLine(f.values, settings.Units(), sure))
	var refused *usageError
	switch {
	case errors.Is(err, store.ErrSent):
		http.Redirect(w, r, onward(), http.StatusSeeOther)
	case errors.As(err, &refused) && refused.hint == sureHint:
		s.showWalk(w, r, v, http.StatusUnprocessableEntity, f.values, strings.Split(refused.says, "; "), nil)
	case err != nil && isTyped(err):
		s.showWalk(w, r, v, http.StatusUnprocessableEntity, f.values, nil, wrongWith(l.k, err))
	case err != nil:
		s.fail(w, err)
	default:
		v.book.Answered(f.Ref, said.answer())
		http.Redirect(w, r, onward(), http.StatusSeeOther)
	}
}
