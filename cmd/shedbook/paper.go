package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"regexp"
	"slices"
	"time"

	"shedbook/report"
	"shedbook/report/render"
	"shedbook/report/say"
	"shedbook/schema"
	"shedbook/schema/unit"
	"shedbook/store"
)

// maxPaper is the most that is read of a printed history: pages with
// photographs are large.
const maxPaper = 256 << 20

// sealed reads what a digest is made of: a machine's log, the earlier versions
// of its records, and the people whom its texts may name.
func sealed(ctx context.Context, b *store.Book, machine string) (schema.Log, []report.Earlier, []schema.Driver, error) {
	var log schema.Log
	for l, err := range b.Logs(ctx, machine) {
		if err != nil {
			return log, nil, nil, err
		}
		log = l
	}
	versions, err := b.Earlier(ctx, log.Machine.Name)
	if err != nil {
		return log, nil, nil, err
	}
	var earlier []report.Earlier
	for _, v := range versions {
		earlier = append(earlier, report.Earlier{Number: v.Number, Record: v.Record, What: v.What, Replaced: v.Replaced,
			Why: v.Why})
	}
	people, err := b.People(ctx)
	return log, earlier, people, err
}

// digestOf is the digest that a machine's history printed as of a time carries
// at its foot.
func (a *app) digestOf(ctx context.Context, b *store.Book, machine string, asOf time.Time) (string, error) {
	log, earlier, people, err := sealed(ctx, b, machine)
	if err != nil {
		return "", err
	}
	return report.Digest(&log, earlier, report.NewMasker(people, &log), asOf).Digest, nil
}

// verifyPaper says whether a printed history matches the book. The digest at its
// foot says whether the records are those of one of the machines, or were up to
// some time; then the paper is printed again, as it says of itself that it was,
// and held against that line by line. Exit code 1 where anything differs.
func (req *request) verifyPaper(ctx context.Context, machines []string, path string) error {
	a := req.a
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, maxPaper))
	if err != nil {
		return err
	}
	paper := readPaper(string(text), req.fleet.Settings.Zone())
	if paper.format == "csv" {
		return req.compareCSV(ctx, machines, paper)
	}
	digests := report.FindDigests(string(text))
	if len(digests) == 0 {
		return usage("a printed history has it at the foot; from a PDF or a scan, type it into a text file",
			"%s carries no digest of records", path)
	}
	for _, machine := range machines {
		m, err := req.matchPaper(ctx, machine, digests)
		if err != nil {
			return err
		}
		if m == nil {
			continue
		}
		a.say(0, "The records match: digest %s is that of %s and %s.", m.seal.Digest, render.Safe(machine),
			say.Count(m.seal.Records, "record"))
		if m.later > 0 {
			a.say(0, "It was printed of the records dated to %s; %s in the book.",
				unit.FormatTime(m.seal.At, req.fleet.Settings.Zone()), laterRecords(m.later))
		}
		if paper.format == "" {
			a.say(0, "Only the digest was looked up: this file is no history in text, HTML, JSON or CSV, so what is "+
				"printed on it was not compared. To compare it yourself: shedbook history %s",
				schema.Quote(render.Safe(machine)))
			return nil
		}
		return req.comparePaper(ctx, m, paper)
	}
	whose, ours := "any machine", ""
	if len(machines) == 1 {
		d, err := a.digestOf(ctx, req.book, machines[0], time.Time{})
		if err != nil {
			return err
		}
		whose, ours = render.Safe(machines[0]), "; this book's is "+d
	}
	fmt.Fprintf(a.errOut, "shedbook: the paper does not match the book: no digest on it is that of %s's "+
		"records\ntry: records were added, corrected or voided since it was printed, or it is the paper of another "+
		"machine or another book%s\n", whose, ours)
	return exitError(exitFailed)
}

// match is the state of a machine's records that a digest is of.
type match struct {
	machine string
	seal    report.Seal
	later   int             // records dated after it
	people  []schema.Driver // known when the paper was printed
}

// matchPaper finds of which state of a machine's records one of the digests is;
// nil where it is of none.
func (req *request) matchPaper(ctx context.Context, machine string, digests []string) (*match, error) {
	log, earlier, people, err := sealed(ctx, req.book, machine)
	if err != nil {
		return nil, err
	}
	for _, m := range masks(people, &log) {
		seals := report.Seals(&log, earlier, m.mask)
		for i := len(seals) - 1; i >= 0; i-- {
			if slices.Contains(digests, seals[i].Digest) {
				return &match{machine, seals[i], len(seals) - 1 - i, m.people}, nil
			}
		}
	}
	return nil, nil
}

// comparePaper prints the history of the records that match again, and says which
// lines of the paper differ.
func (req *request) comparePaper(ctx context.Context, m *match, paper printed) error {
	again, err := req.again(ctx, m, paper, paper.withNames)
	if err != nil {
		return err
	}
	return req.sayCompared(m.machine, again)
}

// compareCSV holds a paper without a digest, and without a word of when and how it
// was printed, against each machine's records: as of now, and as they were between
// its last row and the next.
func (req *request) compareCSV(ctx context.Context, machines []string, paper printed) error {
	var best *compared
	var whose string
	for _, machine := range machines {
		log, _, people, err := sealed(ctx, req.book, machine)
		if err != nil {
			return err
		}
		times := []time.Time{req.at}
		for r := range log.Records() {
			if k := schema.KindOf(r); k.TimeColumn() != "" {
				times = append(times, k.When(r))
			}
		}
		slices.SortFunc(times, func(a, b time.Time) int { return b.Compare(a) })
		times = slices.Compact(slices.DeleteFunc(times, func(t time.Time) bool { return t.Before(paper.asOf) }))
		const most = 100 // of a log that was not added to since, the first fits
		for _, t := range times[:min(most, len(times))] {
			for _, named := range []bool{false, true} {
				p := paper
				p.asOf = t
				again, err := req.again(ctx, &match{machine: machine, seal: report.Seal{At: t}, people: people}, p,
					named)
				if err != nil {
					return err
				}
				if best == nil || len(again.differ) < len(best.differ) {
					best, whose = again, machine
				}
			}
			if len(best.differ) == 0 {
				break
			}
		}
	}
	if best == nil {
		return usage("", "the book has no machine to compare it with")
	}
	req.a.say(0, "A CSV carries no digest: its rows were compared with the records of %s.", render.Safe(whose))
	return req.sayCompared(whose, best)
}

// again prints a history as the paper says that it was printed, and compares.
func (req *request) again(ctx context.Context, m *match, paper printed, withNames bool) (*compared, error) {
	at, asOf := req.at, req.asOf
	defer func() { req.at, req.asOf, req.cut = at, asOf, time.Time{} }()
	if req.at = paper.asOf; req.at.Before(m.seal.At) { // it was printed to the minute
		req.at = m.seal.At
	}
	req.at = req.at.In(req.fleet.Settings.Zone())
	req.asOf = req.at.Format(time.RFC3339)
	if m.later > 0 {
		req.cut = m.seal.At.Add(time.Nanosecond) // never zero: that is no cut
	}
	src := req.source(m.machine)
	req.cut = time.Time{}
	src.Fleet.Drivers, src.Fleet.Gone = m.people, nil
	o := req.options()
	o.Color = false
	switch paper.format {
	case "html":
		o.Format = render.HTML
	case "json":
		o.Format = render.JSON
	case "csv":
		o.Format = render.CSV
	case "terminal":
		o.Format = render.Terminal
	default:
		o.Format = render.Plain
	}
	p, err := req.history(ctx, m.machine, src, withNames, o.Format)
	if err != nil {
		return nil, err
	}
	if m.seal.Digest != "" {
		p.HistoryReport.Digest = m.seal.Digest
	}
	best, err := againstLines(p, paper, o)
	if err != nil || len(best.differ) == 0 || p.Retired == nil {
		return best, err
	}
	p.Retired = nil // its buyer's book does not say when it left this fleet
	kept, err := againstLines(p, paper, o)
	if err == nil && len(kept.differ) == 0 {
		kept.stayed = true
		best = kept
	}
	return best, err
}

// againstLines compares a paper with a history printed at each width that the
// paper may have, with its records' numbers and with any.
func againstLines(p *papers, paper printed, o render.Options) (*compared, error) {
	loose := *p
	loose.renumber()
	lines := func(p *papers, o render.Options) ([]string, error) {
		var b bytes.Buffer
		err := p.print(&b, o)
		return filled(b.String()), err
	}
	var best *compared
	for _, o.Width = range paper.widths {
		exact, err := lines(p, o)
		if err != nil {
			return nil, err
		}
		anyway, err := lines(&loose, o)
		if err != nil {
			return nil, err
		}
		c := compare(paper.lines, exact, anyway)
		if best == nil || len(c.differ) < len(best.differ) {
			best = c
		}
		if len(best.differ) == 0 {
			break
		}
	}
	return best, nil
}

// renumber puts anyNumber in the place of every record's number.
func (p *papers) renumber() {
	p.Entries, p.Doubts, p.Photos = slices.Clone(p.Entries), slices.Clone(p.Doubts), slices.Clone(p.Photos)
	set := func(n *int64) {
		if *n != 0 {
			*n = anyNumber
		}
	}
	for i := range p.Entries {
		set(&p.Entries[i].Number)
	}
	for i := range p.Doubts {
		d := &p.Doubts[i]
		d.Records = slices.Clone(d.Records)
		for j := range d.Records {
			r := &d.Records[j]
			d.Says = regexp.MustCompile(fmt.Sprintf(`\b%s %d\b`, r.Kind, r.Number)).ReplaceAllString(d.Says,
				fmt.Sprint(r.Kind, " ", anyNumber))
			set(&d.Records[j].Number)
		}
	}
	for i := range p.Photos {
		set(&p.Photos[i].Number)
	}
}

// sayCompared says how a paper compares; exit code 1 where lines differ.
func (req *request) sayCompared(machine string, c *compared) error {
	a := req.a
	if len(c.differ) == 0 {
		a.say(0, "The paper matches the book: every line is as the book prints it.")
		if c.renumbered > 0 {
			a.say(0, "But for the numbers of %s: each book numbers its own.", say.Count(c.renumbered, "record"))
		}
		if c.stayed {
			a.say(0, "But for the day it left this fleet: the paper does not say it.")
		}
		return nil
	}
	const most = 10
	fmt.Fprintf(a.errOut, "shedbook: the paper does not match the book: %s\n", differ(len(c.differ)))
	for i, d := range c.differ {
		if i == most {
			fmt.Fprintf(a.errOut, "  ... and %d more\n", len(c.differ)-most)
			break
		}
		switch paper, book := apart(d.paper, d.book); {
		case d.book == "":
			fmt.Fprintf(a.errOut, "  line %d: only on the paper: %s\n", d.line, render.Safe(paper))
		case d.paper == "":
			fmt.Fprintf(a.errOut, "  after line %d: not on the paper: %s\n", d.line, render.Safe(book))
		default:
			fmt.Fprintf(a.errOut, "  line %d: paper: %s\n    book: %s\n", d.line, render.Safe(paper), render.Safe(book))
		}
	}
	fmt.Fprintf(a.errOut, "try: shedbook history %s prints it as the book has it. Flags are weighed with the whole "+
		"fleet's log, and another version, time zone or units print other lines\n", schema.Quote(render.Safe(machine)))
	return exitError(exitFailed)
}

func differ(n int) string {
	if n == 1 {
		return "1 line differs"
	}
	return fmt.Sprintf("%d lines differ", n)
}

func laterRecords(n int) string {
	if n == 1 {
		return "1 later record is"
	}
	return fmt.Sprintf("%d later records are", n)
}

// masked is what hid the names on a paper, and the people it knew.
type masked struct {
	mask   *report.Masker
	people []schema.Driver
}

// masks are those with which the paper may have been printed: with the people
// known today; in a book in which texts were masked by a former owner, none;
// with the people known at each earlier time.
func masks(people []schema.Driver, log *schema.Log) []masked {
	out := []masked{{report.NewMasker(people, log), people}, {nil, people}}
	var times []time.Time
	for _, p := range people {
		times = append(times, p.Entered)
	}
	slices.SortFunc(times, func(a, b time.Time) int { return b.Compare(a) })
	for _, t := range slices.Compact(times) {
		then := slices.DeleteFunc(slices.Clone(people), func(d schema.Driver) bool { return !d.Entered.Before(t) })
		out = append(out, masked{report.NewMasker(then, log), then})
	}
	return out
}
