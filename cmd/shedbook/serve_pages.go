package main

import (
	"bytes"
	"context"
	"fmt"
	"mime"
	"net/http"
	"net/url"
	"path"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"shedbook/report"
	"shedbook/report/exposure"
	"shedbook/report/flags"
	"shedbook/report/next"
	"shedbook/report/render"
	"shedbook/report/say"
	"shedbook/report/state"
	"shedbook/schema"
	"shedbook/schema/unit"
	"shedbook/store"
)

// pages are the page's places. A machine is named by its record's number, whatever
// characters stand in its name.
func (s *server) pages() http.Handler {
	m := http.NewServeMux()
	m.HandleFunc("GET /{$}", s.known(false, s.fleet))
	m.HandleFunc("GET /m/{machine}", s.known(false, s.machine))
	m.HandleFunc("GET /m/{machine}/{report}", s.known(false, s.machineReport))
	m.HandleFunc("GET /m/{machine}/walk", s.known(false, s.walkPage))
	m.HandleFunc("POST /m/{machine}/walk", s.known(false, s.walkAnswer))
	m.HandleFunc("GET /record/{kind}", s.known(false, s.form))
	m.HandleFunc("POST /record/{kind}", s.known(false, s.record))
	m.HandleFunc("GET /done/{ref}", s.known(false, s.done))
	m.HandleFunc("GET /r/{number}", s.known(false, s.showRecord))
	m.HandleFunc("GET /r/{number}/correct", s.known(true, s.correctForm))
	m.HandleFunc("POST /r/{number}/correct", s.known(true, s.change))
	m.HandleFunc("POST /r/{number}/void", s.known(true, s.change))
	m.HandleFunc("GET /r/{number}/void", s.known(true, s.correctForm))
	m.HandleFunc("POST /r/{number}/photo", s.known(false, s.addPhoto))
	m.HandleFunc("GET /r/{number}/photo/{nth}", s.known(false, s.photo))
	for _, name := range []string{"flags", "due", "doubts", "rates", "coolant", "cleaning", "cautions"} {
		m.HandleFunc("GET /"+name, s.known(false, func(w http.ResponseWriter, r *http.Request,
			v visitor) {
			s.report(w, r, v, name)
		}))
	}
	m.HandleFunc("GET /more", s.known(false, s.more))
	m.HandleFunc("GET /pair", s.pairPage)
	m.HandleFunc("POST /pair", s.pair)
	for _, name := range []string{"shed.css", "shed.js", "worker.js"} {
		m.HandleFunc("GET /"+name, func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Type", mime.TypeByExtension(path.Ext(name)))
			w.Header().Set("Cache-Control", "no-cache")
			_, _ = w.Write(render.ShedFile(name))
		})
	}
	m.HandleFunc("GET /", func(w http.ResponseWriter, r *http.Request) {
		s.message(w, http.StatusNotFound, "Not here", "There is no such page.")
	})
	return m
}

// page is what every page of a visitor has.
func (v visitor) page(title string, body any) render.ShedPage {
	return render.ShedPage{Title: title, Nav: true, Phone: v.phone.Name, Body: body}
}

// numbers are the numbers of the machines' records by name, and their names.
func numbers(ctx context.Context, b *store.Book) (of map[string]*schema.Machine, byNumber map[int64]*schema.Machine,
	err error) {
	list, err := b.List(ctx, schema.KindNamed("machine"), store.Filter{})
	of, byNumber = map[string]*schema.Machine{}, map[int64]*schema.Machine{}
	for _, r := range list {
		m := r.(*schema.Machine)
		of[m.Name], byNumber[m.Number] = m, m
	}
	return of, byNumber, err
}

func machineAt(m *schema.Machine) string { return fmt.Sprintf("/m/%d", m.Number) }

// machineOf finds the machine that a path names; it has said so where there is none.
func (s *server) machineOf(w http.ResponseWriter, r *http.Request, v visitor) *schema.Machine {
	_, byNumber, err := numbers(r.Context(), v.book)
	n, _ := strconv.ParseInt(r.PathValue("machine"), 10, 64)
	switch {
	case err != nil:
		s.fail(w, err)
	case byNumber[n] == nil:
		s.message(w, http.StatusNotFound, "Not here", "There is no such machine.")
	default:
		return byNumber[n]
	}
	return nil
}

// dueSoon is how far ahead work is told beside a machine, in days.
const dueSoon = 14

// dueOf is what is due on a machine, or soon is, in a few words each.
func dueOf(d report.DueReport, machine string) []string {
	var out []string
	for _, w := range d.Due {
		switch {
		case w.Machine != machine || w.Advice:
		case w.Overdue:
			out = append(out, w.Work+": overdue")
		case w.When != nil && !w.When.After(d.AsOf.AddDate(0, 0, dueSoon)):
			out = append(out, w.Work+": "+w.When.Format("2 Jan"))
		}
	}
	return out
}

func (s *server) fleet(w http.ResponseWriter, r *http.Request, v visitor) {
	l, err := s.look(r.Context())
	if err != nil {
		s.fail(w, err)
		return
	}
	of, _, err := numbers(r.Context(), v.book)
	if err != nil {
		s.fail(w, err)
		return
	}
	f := report.FleetOf(l.at, l.overview.Rows, open(l.overview.Flags))
	due := map[string][]report.Due{}
	for _, d := range l.due.Due {
		due[d.Machine] = append(due[d.Machine], d)
	}
	body := &render.ShedFleet{Manual: state.Manual}
	states := map[string]int{}
	for i := range f.Machines {
		m := &f.Machines[i]
		is := of[m.Machine]
		if m.Retired != nil || is == nil {
			continue
		}
		states[m.State.State]++
		c := render.ShedCard{Href: machineAt(is), Name: m.Machine, Model: m.Model, State: m.State.State,
			Why: capital(m.Why()), Due: dueOf(report.DueReport{AsOf: l.at, Due: due[m.Machine]}, m.Machine)}
		if m.State.State != state.Ready {
			c.Lift = render.WithoutCommands(m.Lift())
		}
		for _, o := range m.Open {
			c.Open = append(c.Open, o.Matter)
		}
		if m.Out != nil {
			c.Out = "out with " + m.Out.Driver
		}
		if m.EngineHours != nil {
			c.Hours = unit.Format(*m.EngineHours, unit.Hours, l.fleet.Settings.Units())
		}
		body.Machines = append(body.Machines, c)
	}
	body.Parked = states[state.Parked] > 0
	body.Lead = fmt.Sprintf("%s. %d parked, %d on watch, %d ready.", unit.FormatTime(l.at, l.fleet.Settings.Zone()),
		states[state.Parked], states[state.Watch], states[state.Ready])
	if len(body.Machines) == 0 {
		body.Notes = append(body.Notes, "No machine is in the book yet.")
	}
	if n := f.Doubts(); n > 0 {
		body.Notes = append(body.Notes, say.Count(n, "open doubt")+": records that contradict each other.")
	}
	s.show(w, http.StatusOK, "fleet", v.page("Fleet", body))
}

// capital begins a sentence.
func capital(s string) string {
	first, size := utf8.DecodeRuneInString(s)
	if size == 0 {
		return ""
	}
	return string(unicode.ToUpper(first)) + s[size:]
}

// bigKinds have the five big buttons of a machine's page.
var bigKinds = []render.ShedLink{{Href: "run", Words: "Run"}, {Href: "overheat", Words: "Over\u00adheat"},
	{Href: "topup", Words: "Top-up"}, {Href: "clean", Words: "Clean"}, {Href: "level", Words: "Level"}}

func (s *server) machine(w http.ResponseWriter, r *http.Request, v visitor) {
	m := s.machineOf(w, r, v)
	if m == nil {
		return
	}
	l, err := s.look(r.Context())
	if err != nil {
		s.fail(w, err)
		return
	}
	fleet, others, err := l.fleetAround(m.Name)
	if err != nil {
		s.fail(w, err)
		return
	}
	rank, err := next.RankAmong(fleet, others, m.Name, l.at)
	if err != nil {
		s.fail(w, err)
		return
	}
	stand := open(l.overview.Flags)
	is := rank.With(m.Name, report.Standing(m.Name, stand))
	body := &render.ShedMachine{Name: m.Name, Model: m.Model, State: is.State,
		Says: render.WithoutCommands(is.Says(m.Name)), Do: capital(render.WithoutCommands(rank.Advice)),
		Due: dueOf(l.due, m.Name)}
	if body.Do == "" {
		body.Do = "Nothing."
	}
	if rank.Do.Check != nil {
		body.Walk = machineAt(m) + "/walk"
		for i := range rank.Checks {
			if c := &rank.Checks[i]; c.Check == *rank.Do.Check {
				body.Cautions = c.Cautions
			}
		}
	} else if rank.Do.Cause != nil {
		for i := range rank.Candidates {
			if c := &rank.Candidates[i]; c.Cause == *rank.Do.Cause {
				body.Cautions = c.Cautions
			}
		}
	}
	if len(body.Cautions) > 0 {
		body.Cautions = []string{strings.Join(sentences(body.Cautions), " ")}
	}
	source := l.source(m.Name)
	timeline, _ := report.Timeline(source, m.Name, timelineLines)
	life, _ := report.History(l.source(m.Name), m.Name, stand, true)
	if err := l.reading.get(); err != nil {
		s.fail(w, err)
		return
	}
	o := l.options()
	for _, x := range timeline.Lines {
		e := render.ShedEvent{When: x.At.Format("2 Jan 2006"), Says: capital(x.Says)}
		if x.Note != "" {
			e.Says += " (" + x.Note + ")"
		}
		if x.Number != 0 {
			e.Href = fmt.Sprintf("/r/%d", x.Number)
		}
		body.Events = append(body.Events, e)
	}
	if body.Report, err = render.ShedPlots(life, o); err != nil {
		s.fail(w, err)
		return
	}
	if m.Retired.IsZero() || m.Retired.After(l.at) {
		for _, k := range bigKinds {
			body.Big = append(body.Big, render.ShedLink{Href: fmt.Sprintf("/record/%s?m=%d", k.Href, m.Number),
				Words: k.Words})
		}
	}
	for i := range l.overview.Rows {
		if row := &l.overview.Rows[i]; row.Machine == m.Name && row.Out != nil {
			body.Out = fmt.Sprintf("Out with %s since %s", row.Out.Driver,
				unit.FormatTime(row.Out.Since, l.fleet.Settings.Zone()))
			body.Back = fmt.Sprintf("/record/%s?m=%d", schema.ComesBack.Name, m.Number)
		}
	}
	if len(body.Big) > 0 && !is.IsParked() {
		body.Goes = fmt.Sprintf("/record/%s?m=%d", schema.GoesOut.Name, m.Number)
	}
	for _, name := range recordable(v.keep) {
		k := kindNamed(name)
		if k.Field("machine") == nil || name == "machine" || name == schema.GoesOut.Name ||
			name == schema.ComesBack.Name || slices.ContainsFunc(bigKinds,
			func(b render.ShedLink) bool { return b.Href == name }) {
			continue
		}
		body.Kinds = append(body.Kinds, kindLink(k, fmt.Sprintf("?m=%d", m.Number)))
	}
	for _, x := range []struct{ name, words string }{{"flags", "Flags and their reasons"},
		{"next", "What to check next"}, {"held", repairsHeld}, {"timeline", "The whole timeline"}, {"doubts", "Doubts"},
		{"history", "History for its buyer"}} {
		body.Read = append(body.Read, render.ShedLink{Href: machineAt(m) + "/" + x.name, Words: x.words})
	}
	body.Read = append(body.Read, render.ShedLink{Href: fmt.Sprintf("/r/%d", m.Number),
		Words: "What the book knows about the machine"})
	s.show(w, http.StatusOK, "machine", v.page(m.Name, body))
}

func sentences(in []string) []string {
	var out []string
	for _, s := range in {
		out = append(out, strings.TrimRight(capital(s), ".")+".")
	}
	return out
}

const repairsHeld = "Whether repairs held"

// machineReport is a report about one machine.
func (s *server) machineReport(w http.ResponseWriter, r *http.Request, v visitor) {
	m := s.machineOf(w, r, v)
	if m == nil {
		return
	}
	name := r.PathValue("report")
	l, err := s.look(r.Context())
	if err != nil {
		s.fail(w, err)
		return
	}
	var print func(o render.Options, b *bytes.Buffer) error
	switch name {
	case "flags":
		print = func(o render.Options, b *bytes.Buffer) error {
			r := l.seen()
			l.addCurve(&r, m.Name)
			return render.FlagsOf(b, r, m.Name, o)
		}
	case "next":
		print = func(o render.Options, b *bytes.Buffer) error {
			fleet, others, err := l.fleetAround(m.Name)
			if err != nil {
				return err
			}
			rank, err := next.RankAmong(fleet, others, m.Name, l.at)
			if err != nil {
				return err
			}
			rank.State = rank.With(m.Name, report.Standing(m.Name, open(l.overview.Flags)))
			return render.NextInFull(b, rank, o)
		}
	case "timeline":
		print = func(o render.Options, b *bytes.Buffer) error {
			t, _ := report.Timeline(l.source(m.Name), m.Name, 0)
			return render.Timeline(b, t, o)
		}
	case "held":
		print = func(o render.Options, b *bytes.Buffer) error {
			return render.Held(b, report.Held(l.source(m.Name), m.Name), m.Name, o)
		}
	case "doubts":
		print = func(o render.Options, b *bytes.Buffer) error {
			return render.Doubts(b, report.Doubts(l.source(m.Name)), o)
		}
	case "history":
		print = func(o render.Options, b *bytes.Buffer) error {
			p, err := l.history(l.ctx, m.Name, l.source(m.Name), false, render.HTML)
			if err != nil {
				return err
			}
			return p.print(b, o)
		}
	default:
		s.message(w, http.StatusNotFound, "Not here", "There is no such page.")
		return
	}
	links := []render.ShedLink{{Href: machineAt(m), Words: m.Name}}
	if name == "next" {
		links = append(links, render.ShedLink{Href: machineAt(m) + "/held", Words: repairsHeld})
	}
	if name == "flags" {
		links = append(links, render.ShedLink{Href: machineAt(m) + "/next", Words: "What to check next"})
		if v.keep && slices.ContainsFunc(l.overview.Flags.Flags,
			func(f flags.Flag) bool { return f.Machine == m.Name }) {
			links = append(links, render.ShedLink{Href: fmt.Sprintf("/record/answer?m=%d", m.Number),
				Words: "Say what you found"})
		}
	}
	s.printed(w, v, l, m.Name, links, print)
}

func (s *server) printed(w http.ResponseWriter, v visitor, l *looked, title string, links []render.ShedLink,
	print func(o render.Options, b *bytes.Buffer) error) {
	printed, err := l.within(print)
	if err != nil {
		s.fail(w, err)
		return
	}
	s.show(w, http.StatusOK, "report", v.page(title, &render.ShedReported{Report: printed, Links: links}))
}

// report is a report about the fleet.
func (s *server) report(w http.ResponseWriter, r *http.Request, v visitor, name string) {
	if name == "rates" && r.URL.Query().Get("by") == "" {
		s.ratesPage(w, v)
		return
	}
	l, err := s.look(r.Context())
	if err != nil {
		s.fail(w, err)
		return
	}
	var links []render.ShedLink
	switch by, adjusted := r.URL.Query().Get("by"), r.URL.Query().Has("adjust"); {
	case name == "flags":
		of, _, err := numbers(r.Context(), v.book)
		if err != nil {
			s.fail(w, err)
			return
		}
		for _, f := range l.overview.Flags.Flags {
			if m := of[f.Machine]; m != nil {
				links = append(links, render.ShedLink{Href: machineAt(m) + "/flags", Words: m.Name + ": the reasons"})
			}
		}
		links = slices.Compact(links)
	case name == "rates" && !adjusted && by != "speed" && by != "terrain":
		links = []render.ShedLink{{Href: ratesBy(by) + allowing, Words: "The same, allowing for speed and ground"}}
	}
	s.printed(w, v, l, upperFirst(name), links, func(o render.Options, b *bytes.Buffer) error {
		switch name {
		case "flags":
			return render.Flags(b, l.seen(), o)
		case "due":
			d := l.due
			d.Machines = l.seen().Machines
			return render.Due(b, d, o)
		case "doubts":
			return render.Doubts(b, report.Doubts(l.source()), o)
		case "coolant":
			return render.Coolant(b, report.Coolant(l.source()), o)
		case "cleaning":
			return render.Cleaning(b, report.Cleaning(l.source()), o)
		case "cautions":
			return render.Cautions(b, next.Cautions(), o)
		}
		q := report.RateQuestion{}
		var err error
		if q.By, err = factor("by", r.URL.Query().Get("by")); err != nil {
			return err
		}
		for _, x := range r.URL.Query()["adjust"] {
			f, err := factor("adjust", x)
			if err != nil {
				return err
			}
			q.Adjust = append(q.Adjust, f)
		}
		if err := q.Validate(); err != nil {
			return usage("", "%s", err)
		}
		rates, _, err := l.rates(q).whole(l.source())
		if err != nil {
			return usage("", "%s", err)
		}
		rates.AsOf = l.at
		return render.Rates(b, rates, o)
	})
}

func ratesBy(factor string) string { return "/rates?by=" + url.QueryEscape(factor) }

const allowing = "&adjust=speed&adjust=terrain"

// ratesPage asks what is to be compared.
func (s *server) ratesPage(w http.ResponseWriter, v visitor) {
	body := &render.ShedLinks{Head: "Overheats per hour driven",
		Says: []string{"Compare them as counted, or allowing for the speed and the ground."}}
	counted, held := render.ShedLinkGroup{Head: "As counted"},
		render.ShedLinkGroup{Head: "Allowing for speed and ground"}
	for _, f := range exposure.FactorNames() {
		counted.Links = append(counted.Links, render.ShedLink{Href: ratesBy(f), Words: "By " + f})
		if f != "speed" && f != "terrain" {
			held.Links = append(held.Links, render.ShedLink{Href: ratesBy(f) + allowing, Words: "By " + f})
		}
	}
	body.Groups = []render.ShedLinkGroup{counted, held}
	s.show(w, http.StatusOK, "links", v.page("Rates", body))
}

// kindLink leads to the form of a kind.
func kindLink(k *schema.Kind, of string) render.ShedLink {
	return render.ShedLink{Href: "/record/" + k.Name + of,
		Words: strings.Replace(capital(k.Name), "Topup", "Top-up", 1), Help: k.Help}
}

// more leads to what has no place elsewhere.
func (s *server) more(w http.ResponseWriter, r *http.Request, v visitor) {
	body := &render.ShedLinks{Head: "More"}
	g := render.ShedLinkGroup{Head: "Record"}
	for _, name := range recordable(v.keep) {
		g.Links = append(g.Links, kindLink(kindNamed(name), ""))
	}
	body.Groups = []render.ShedLinkGroup{g, {Head: "Read",
		Links: []render.ShedLink{{Href: "/coolant", Words: "Coolant lost"},
			{Href: "/cleaning", Words: "Radiator cleaning"}, {Href: "/rates", Words: "Overheats per hour driven"},
			{Href: "/cautions", Words: "What can hurt you"}}}}
	s.show(w, http.StatusOK, "links", v.page("More", body))
}
