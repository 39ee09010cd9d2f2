package next

import (
	"maps"
	"slices"
	"time"

	"shedbook/report/belief"
	"shedbook/report/facts"
	"shedbook/schema"
)

// evidence is what was looked at and said of a machine.
type evidence struct {
	done   []done        // the last result of each check that has one
	facts  []facts.Fact  // what was measured and still stands, the last of each state
	lossOn func() string // the coolant report's words for the loss that goes on
	named  []named       // causes somebody confirmed that nobody mended yet
	blank  bool          // nothing is recorded that bears on it
}

// done is the last result of a check.
type done struct {
	check    int
	failed   bool
	unsure   bool
	measured bool // its figures count, see facts, and not the result
	at       time.Time
	base     schema.Base
	times    int // done so often lately
	// stale is why it counts in part or no more; empty where it counts.
	stale string
}

type named struct {
	cause int
}

// read finds what checks, figures and answers say of a machine, and the same in
// the belief's terms, in time order. Of a look done again with nothing between,
// the last counts: a second look with the same eye is not a second witness.
func (n *network) read(fleet *schema.Fleet, log *schema.Log) (*evidence, []belief.Fact) {
	e := &evidence{}
	spec := SpecOf(fleet, log)
	type told struct {
		base  *schema.Base
		check int // -1 of a state
		state string
		fact  belief.Fact
	}
	var all []told
	// last is the one before of the same look; dropped where nothing was done between.
	drop := func(check int, state string, changed func(a *schema.Base) bool) {
		for i := len(all) - 1; i >= 0; i-- {
			if t := &all[i]; t.check == check && t.state == state {
				if !changed(t.base) {
					all = append(all[:i], all[i+1:]...)
				}
				return
			}
		}
	}
	for i := range log.Checks {
		c := &log.Checks[i]
		k := n.check(c.Check)
		result := c.Result
		if result == "" {
			result = judge(c, spec)
		}
		if result == "" {
			continue
		}
		d := done{check: k, failed: result == "fail", unsure: result == "unsure", at: c.At, base: c.Base, times: 1,
			measured: len(facts.OfCheck(c, spec)) > 0}
		if at := slices.IndexFunc(e.done, func(x done) bool { return x.check == k }); at >= 0 {
			if d.unsure {
				continue // it takes nothing back
			}
			if e.done[at].at.After(c.At.AddDate(0, 0, -30)) {
				d.times += e.done[at].times
			}
			e.done = slices.Delete(e.done, at, at+1)
		}
		e.done = append(e.done, d)
		if d.unsure || d.measured {
			continue
		}
		f := belief.Fact{At: c.At, Number: c.Number, Ratio: n.ratios(k, d.failed)}
		if !d.failed {
			f.Ratio = n.before(log, &c.Base, f.Ratio)
		}
		drop(k, "", func(a *schema.Base) bool { return n.changed(log, k, a, &c.Base) })
		all = append(all, told{&c.Base, k, "", f})
	}
	last := map[string]facts.Fact{}
	for _, f := range facts.Of(log, spec) {
		if f.Kind == "refill" {
			continue // what was filled counts with the top-ups after it
		}
		base := &schema.Base{Meta: schema.Meta{Number: f.Record}, At: f.At}
		b := belief.Fact{At: f.At, Number: f.Record, Ratio: make([]float64, len(n.causes)),
			Mix: f.State == "glycol-off"}
		for k := range b.Ratio {
			b.Ratio[k] = f.Likelihood(n.causes[k].name) / f.Likelihood()
		}
		if f.Factor < 1 {
			b.Ratio = n.before(log, base, b.Ratio)
		}
		drop(-1, f.State, func(a *schema.Base) bool { return void(log, &f, a, base) })
		all = append(all, told{base, -1, f.State, b})
		last[f.State] = f
	}
	for _, name := range sortedKeys(last) {
		f := last[name]
		if !void(log, &f, &schema.Base{Meta: schema.Meta{Number: f.Record}, At: f.At}, nil) {
			e.facts = append(e.facts, f)
		}
	}
	slices.SortStableFunc(all, func(a, b told) int { return a.fact.At.Compare(b.fact.At) })
	var out []belief.Fact
	for _, t := range all {
		out = append(out, t.fact)
	}
	for i := range log.Answers {
		a := &log.Answers[i]
		if k := n.cause(a.Cause); k >= 0 && !a.Service.Known && !slices.ContainsFunc(log.Services,
			func(v schema.Service) bool {
				return v.Cause == a.Cause && v.At.After(a.At.AddDate(0, 0, -7))
			}) {
			e.named = append(e.named, named{k})
		}
	}
	return e, out
}

// before holds back what a look found well by the overheats that came before
// it: what began after it cannot have been seen, and nobody knows how soon
// causes come.
func (n *network) before(log *schema.Log, look *schema.Base, ratio []float64) []float64 {
	before, after := 0.5, 0.0
	for i := range log.Overheats {
		if later(&log.Overheats[i].Base, look.At, look.Number) {
			after++
		} else {
			before++
		}
	}
	out := slices.Clone(ratio)
	for k := range out {
		out[k] = 1 + before/(before+after)*(out[k]-1)
	}
	return out
}

// ratios are how probable a result is with each cause by itself, over its
// probability with none.
func (n *network) ratios(check int, failed bool) []float64 {
	out := make([]float64, len(n.causes))
	none := n.failing(check, pair{-1, -1})
	for c := range out {
		with := n.failing(check, pair{-1, c})
		if failed {
			out[c] = with / none
		} else {
			out[c] = (1 - with) / (1 - none)
		}
	}
	return out
}

// later says whether a record counts after another one: dated after it, or at the
// same time and entered later. One not yet in the book, number 0, is the newest.
func later(b *schema.Base, at time.Time, number int64) bool {
	if !b.At.Equal(at) {
		return b.At.After(at)
	}
	return number != 0 && (b.Number == 0 || b.Number > number)
}

// changed says whether something was recorded after one look, and before
// another where there is one, that may have changed what a check shows.
func (n *network) changed(log *schema.Log, check int, from, to *schema.Base) bool {
	k := &n.checks[check]
	return doneBetween(log, from, to, func(kind string) bool {
		return slices.Contains(k.void, map[string]string{"cleaning": "clean"}[kind]) || slices.Contains(k.void, kind)
	}, func(cause string) bool { return n.cause(cause) >= 0 && k.fails[n.cause(cause)] >= 0.3 })
}

// void is changed of what was measured.
func void(log *schema.Log, f *facts.Fact, from, to *schema.Base) bool {
	return doneBetween(log, from, to, f.VoidBy, func(cause string) bool { return f.Causes()[cause] >= 0.3 })
}

func doneBetween(log *schema.Log, from, to *schema.Base, voids, mends func(string) bool) bool {
	within := func(b *schema.Base) bool {
		return later(b, from.At, from.Number) && (to == nil || !later(b, to.At, to.Number))
	}
	return voids("refill") && slices.ContainsFunc(log.Refills, func(r schema.Refill) bool { return within(&r.Base) }) ||
		voids("topup") && slices.ContainsFunc(log.TopUps, func(r schema.TopUp) bool { return within(&r.Base) }) ||
		voids("cleaning") && slices.ContainsFunc(log.Cleanings, func(r schema.Cleaning) bool {
			return r.Thorough() &&
				within(&r.Base)
		}) ||
		slices.ContainsFunc(log.Services, func(r schema.Service) bool {
			return r.Cause != "" && mends(r.Cause) &&
				within(&r.Base)
		})
}

func sortedKeys[V any](m map[string]V) []string {
	return slices.Sorted(maps.Keys(m))
}
