package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"slices"
	"time"

	"shedbook/report"
	"shedbook/report/render"
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
		earlier = append(earlier, report.Earlier{Number: v.Number, Record: v.Record, What: v.What, Replaced: v.Replaced, Why: v.Why})
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

// verifyPaper says whether a printed history matches the book: whether the
// digest at its foot is that of the records of one of the machines, or was that
// of those dated up to some time. Exit code 1 where it is not.
func (a *app) verifyPaper(ctx context.Context, b *store.Book, machines []string, path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, maxPaper))
	if err != nil {
		return err
	}
	digests := report.FindDigests(string(text))
	if len(digests) == 0 {
		return usage("a printed history has it at the foot; from a PDF or a scan, type it into a text file", "%s carries no digest of records", path)
	}
	for _, machine := range machines {
		if matches, err := a.matchesPaper(ctx, b, machine, digests); matches || err != nil {
			return err
		}
	}
	whose, ours := "any machine", ""
	if len(machines) == 1 {
		d, err := a.digestOf(ctx, b, machines[0], time.Time{})
		if err != nil {
			return err
		}
		whose, ours = render.Safe(machines[0]), "; this book's is "+d
	}
	fmt.Fprintf(a.errOut, "shedbook: the paper does not match the book: no digest on it is that of %s's records\ntry: records were added, corrected or voided since it was printed, or it is the paper of another machine or another book%s\n", whose, ours)
	return exitError(exitFailed)
}

// matchesPaper says whether one of the digests is the machine's, and of what.
func (a *app) matchesPaper(ctx context.Context, b *store.Book, machine string, digests []string) (bool, error) {
	log, earlier, people, err := sealed(ctx, b, machine)
	if err != nil {
		return false, err
	}
	s, err := b.Settings(ctx)
	if err != nil {
		return false, err
	}
	name := render.Safe(log.Machine.Name)
	for _, mask := range masks(people, &log) {
		seals := report.Seals(&log, earlier, mask)
		for i := len(seals) - 1; i >= 0; i-- {
			if !slices.Contains(digests, seals[i].Digest) {
				continue
			}
			a.say(0, "The paper matches the book: its digest %s is that of %s and %s.", seals[i].Digest, name, count(seals[i].Records, "record"))
			if later := len(seals) - 1 - i; later > 0 {
				a.say(0, "It was printed of the records dated to %s; %s in the book.", unit.FormatTime(seals[i].At, s.Zone()), laterRecords(later))
			}
			a.say(0, "The digest vouches for the records, not for the ink: shedbook history %s prints them again to compare.", schema.Quote(name))
			return true, nil
		}
	}
	return false, nil
}

func laterRecords(n int) string {
	if n == 1 {
		return "1 later record is"
	}
	return fmt.Sprintf("%d later records are", n)
}

// masks are those with which the paper may have been printed: with the people
// known today; in a book in which texts were masked by a former owner, none;
// with the people known at each earlier time.
func masks(people []schema.Driver, log *schema.Log) []*report.Masker {
	out := []*report.Masker{report.NewMasker(people, log), nil}
	var times []time.Time
	for _, p := range people {
		times = append(times, p.Entered)
	}
	slices.SortFunc(times, func(a, b time.Time) int { return b.Compare(a) })
	for _, t := range slices.Compact(times) {
		then := slices.DeleteFunc(slices.Clone(people), func(d schema.Driver) bool { return !d.Entered.Before(t) })
		out = append(out, report.NewMasker(then, log))
	}
	return out
}
