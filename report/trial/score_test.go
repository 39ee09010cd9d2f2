package trial

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"shedbook/report/flags"
	"shedbook/report/next"
)

// flagsOf are the right names of a flag on a machine with a cause.
func flagsOf(cause string) []string {
	switch cause {
	case "overload", "nothing":
		return nil
	case "external-leak", "head-gasket", "low-coolant":
		return []string{"steady-loss"}
	case "dirty-oil-cooler", "air-path":
		return []string{"blocked-core"}
	case "fan-reversed":
		return []string{"fan-circuit"}
	case "blocked-core", "trapped-air", "warning-circuit", "fan-circuit", "thermostat":
		return []string{cause}
	case "pressure-cap":
		return []string{"above-fleet", "steady-loss"}
	}
	return []string{"above-fleet"}
}

// score is what came out of one world.
type score struct {
	world                   string
	knows                   *oracle
	knew, knewFlag, namedOf int // the oracle at the mechanic and in the fleets

	logs, coreFirst, sureOther, sureCore int     // a
	worstOther                           float64 // highest probability of another cause

	hard, blamed, saidDriving, flagged int // b

	treated                       int // c
	first, three                  int
	minutes                       map[string]float64
	median                        map[string][]float64
	vain, repeats, shrugs, missed map[string]int

	byLog, after bins // d

	planted, raised, named            map[string]int // e
	byCause                           map[string][3]int
	sound, soundFlagged               map[string]int
	wrong                             map[string]map[string]int // by cause: the wrong flags
	treatedBy                         map[string][3]int         // by cause: machines, first by the log, given up
	hardDrivers, hardFound, otherFlag int
	fastMud, fastFlagged              int

	both, same int // f

	mended, quiet, calm, inVain, again, againFirst int // g
}

func newScore(w *world) *score {
	return &score{world: w.name, knows: learn(w), minutes: map[string]float64{}, median: map[string][]float64{},
		vain: map[string]int{}, repeats: map[string]int{},
		shrugs: map[string]int{}, missed: map[string]int{}, planted: map[string]int{}, raised: map[string]int{},
		named:   map[string]int{},
		byCause: map[string][3]int{}, sound: map[string]int{}, soundFlagged: map[string]int{},
		wrong: map[string]map[string]int{}, treatedBy: map[string][3]int{}}
}

// keeper makes the keeper's own case: a core packed from behind and only ever
// rinsed in front; he drives gently and has no trouble, the others flat out
// and through mud get the lamp.
func keeper(w *world, seed uint64) (*yard, *rig, bool) {
	y := newYard(w, seed, 2+int(seed%3), 3, 300)
	y.rinse = true
	y.rigs[0].back = 0.5
	y.hands[0] = &hand{"keeper", 1, 0, 0.03}
	y.hands[1] = &hand{"lad A", 1, 0.8, 0.7}
	y.hands[2] = &hand{"lad B", 1.5, 0.85, 0.6}
	m := y.rigs[0]
	m.fall("blocked-core", began.AddDate(0, 0, 20), 0.75+0.2*y.rnd.Float64())
	enough := 5 + y.rnd.IntN(5)
	for y.day < 365 && len(m.log.Overheats) < enough {
		y.oneDay()
	}
	y.now = began.AddDate(0, 0, y.day)
	for i := range m.log.Overheats {
		if m.log.Overheats[i].Driver == "keeper" {
			return nil, nil, false
		}
	}
	return y, m, len(m.log.Overheats) >= enough
}

func (s *score) keepers(w *world, n int) {
	for seed := uint64(1); s.logs < n && seed < uint64(40*n+40); seed++ {
		y, m, ok := keeper(w, seedAt+100+seed)
		if !ok {
			continue
		}
		s.logs++
		say := y.ask(m)
		s.byLog.judge(y, m, say)
		if top, _ := say.top(); top == "blocked-core" {
			s.coreFirst++
		}
		for _, c := range say.r.Candidates {
			if c.Cause != "blocked-core" {
				s.worstOther = max(s.worstOther, c.Probability)
			}
		}
		if top, p := say.top(); top != "blocked-core" && p >= 0.8 {
			s.sureOther++
		}
		y.spend(5)
		c := y.look(m, "level")
		c.Check, c.Result = "light-test", "fail"
		m.back = 0.8
		y.measure(m, &c, true)
		c.Value.V = 80
		m.log.Checks = append(m.log.Checks, c)
		say = y.ask(m)
		s.after.judge(y, m, say)
		if say.chance("blocked-core") >= 0.8 {
			s.sureCore++
		}
	}
}

// driving makes sound machines that are driven hard.
func (s *score) driving(w *world, n int) {
	for seed := uint64(1); s.hard < n && seed < uint64(10*n+20); seed++ {
		y := newYard(w, seedAt+500+seed, 4, 4, 300)
		y.hands[0] = &hand{"A", 5, 0.9, 0.75}
		y.hands[1] = &hand{"B", 2, 0.8, 0.8}
		y.hands[2] = &hand{"C", 1, 0.05, 0.1}
		m := y.rigs[seed%4]
		for y.day < 100 || y.day < 500 && len(m.log.Overheats) < 5 {
			y.oneDay()
		}
		if len(m.log.Overheats) < 5 {
			continue
		}
		y.now = began.AddDate(0, 0, y.day)
		s.hard++
		say := y.ask(m)
		s.byLog.judge(y, m, say)
		for _, c := range say.r.Candidates {
			if c.Cause != "overload" && c.Probability >= 0.5 {
				s.blamed++
				break
			}
		}
		if top, _ := say.top(); say.act == "advise" || top == "overload" {
			s.saidDriving++
		}
		for _, f := range flags.Find(y.fleet(), y.now).Flags {
			if f.Scope == "machine" {
				s.flagged++
				break
			}
		}
	}
}

// causes is the world's causes in turn, the commoner ones oftener.
func causes(w *world, n int) []string {
	names := slices.Sorted(maps.Keys(w.plants))
	got := map[string]float64{}
	total := 0.0
	for _, v := range w.plants {
		total += v
	}
	var out []string
	for k := range n { // whoever lags most behind his share is next
		best := ""
		for _, c := range names {
			due := w.plants[c]/total*float64(k+1) - got[c]
			if best == "" || due > w.plants[best]/total*float64(k+1)-got[best]+1e-9 {
				best = c
			}
		}
		got[best]++
		out = append(out, best)
	}
	return out
}

func (s *score) mechanic(w *world, n int) {
	for k, cause := range causes(w, n) {
		for try := range uint64(5) {
			seed := seedAt + uint64(10000+50*k+int(try))
			if _, _, ok := patient(w, seed, cause); !ok {
				continue
			}
			s.treated++
			by := s.treatedBy[cause]
			by[0]++
			for _, policy := range policies {
				y, m, _ := patient(w, seed, cause)
				if policy == "next" {
					if s.knows.first(&m.log, m.ills[0].from) == cause {
						s.knew++
					}
					say := y.ask(m)
					s.byLog.judge(y, m, say)
					for i, c := range say.r.Candidates {
						if c.Cause == cause {
							if i == 0 {
								s.first++
								by[1]++
							}
							if i < 3 {
								s.three++
							}
						}
					}
				}
				answers := 0
				x := treat(y, m, policy, func(say said) {
					// a machine that nobody cures shall not be all that counts
					if answers++; policy == "next" && answers <= 8 {
						s.after.judge(y, m, say)
					}
				})
				s.minutes[policy] += x.minutes
				s.median[policy] = append(s.median[policy], x.minutes)
				s.vain[policy] += x.vain
				s.repeats[policy] += x.repeat
				s.shrugs[policy] += x.shrugs
				if x.gaveUp || !x.found {
					s.missed[policy]++
					if policy == "next" {
						by[2]++
					}
				}
			}
			s.treatedBy[cause] = by
			s.remedies(w, seed, cause)
			break
		}
	}
}

// remedies tries what is said of one that worked, and of one in vain.
func (s *score) remedies(w *world, seed uint64, cause string) {
	y, m, _ := patient(w, seed, cause)
	y.finds(m, cause)
	y.spend(60)
	y.mend(m, cause)
	y.spend(10 * 60)
	y.lift(m)
	y.goOn(m, 100, 68)
	s.mended++
	heats := 0
	for i := range m.log.Overheats {
		if m.log.Overheats[i].At.After(y.now.AddDate(0, 0, -70)) {
			heats++
		}
	}
	if heats == 0 {
		s.quiet++
		if y.ask(m).act == "nothing" {
			s.calm++
		}
	}
	y, m, _ = patient(w, seed, cause)
	say := y.ask(m)
	wrong := ""
	for _, c := range say.r.Candidates {
		if c.Cause != cause && c.Cause != "overload" && c.Cause != "low-coolant" {
			wrong = c.Cause
			break
		}
	}
	if wrong == "" {
		return
	}
	y.spend(60)
	y.mend(m, wrong)
	before := len(m.log.Overheats)
	y.goOn(m, 3, 120)
	if len(m.log.Overheats) < before+2 {
		return
	}
	s.inVain++
	say = y.ask(m)
	if say.act == "mend" && say.cause == wrong {
		s.again++
	}
	if top, _ := say.top(); top == wrong {
		s.againFirst++
	}
}

// fleetSize is a kind of fleet for the flags.
type fleetSize struct {
	name              string
	machines, drivers int
	hours             float64
	faults            int
}

var fleetSizes = []fleetSize{{"busy", 40, 10, 590, 5}, {"medium", 20, 6, 400, 3}, {"small", 12, 5, 240, 2}}

func (s *score) fleets(w *world, n int) {
	all := causes(w, 400)
	at := 0
	for _, size := range fleetSizes {
		for seed := range uint64(n) {
			y := newYard(w, seedAt+3000+seed, size.machines, size.drivers, size.hours)
			for i := range size.faults {
				cause := "blocked-core"
				if i > 0 {
					cause = all[at%len(all)]
					at++
				}
				y.rigs[i*3].fall(cause, began.AddDate(0, 0, 20+y.rnd.IntN(140)), 0.6+0.4*y.rnd.Float64())
			}
			y.days(365)
			s.judge(y, size.name)
		}
	}
	// nobody is ill: a hard driver, and one who only drives fast and in mud
	size := fleetSizes[0]
	for seed := range uint64(n) {
		y := newYard(w, seedAt+4000+seed, size.machines, size.drivers, size.hours)
		for _, h := range y.hands {
			h.fast, h.mud = min(h.fast, 0.35), min(h.mud, 0.3)
		}
		hard, quick := y.hands[2], y.hands[5]
		hard.hard *= 7 / max(hard.hard, 0.01)
		quick.hard, quick.fast, quick.mud = 1, 0.9, 0.85
		y.days(365)
		s.hardDrivers++
		s.fastMud++
		for _, f := range flags.Find(y.fleet(), y.now).Flags {
			switch {
			case f.Scope == "driver" && f.Driver == hard.name:
				s.hardFound++
			case f.Scope == "driver" && f.Driver == quick.name:
				s.fastFlagged++
			case f.Scope == "driver":
				s.otherFlag++
			}
		}
		s.judge(y, "busy")
	}
}

// judge looks at a fleet's flags after its year. A fault counts as planted once
// its log has shown five overheats since it began, or 800 mL lost.
func (s *score) judge(y *yard, size string) {
	f := y.fleet()
	got, likeliest := map[string][]string{}, map[string]string{}
	for _, flag := range flags.Find(f, y.now).Flags {
		if flag.Scope == "machine" {
			got[flag.Machine] = append(got[flag.Machine], flag.Flag)
			if len(flag.Causes) > 0 && flag.Flag == "above-fleet" {
				likeliest[flag.Machine] = flag.Causes[0].Cause
			}
		}
	}
	for _, m := range y.rigs {
		name := m.log.Machine.Name
		if len(m.ills) == 0 {
			s.sound[size]++
			if len(got[name]) > 0 {
				s.soundFlagged[size]++
			}
			continue
		}
		i := m.ills[0]
		heats := 0
		for k := range m.log.Overheats {
			if !m.log.Overheats[k].At.Before(i.from) {
				heats++
			}
		}
		if heats < 5 && m.lost < 800 {
			continue
		}
		c := s.byCause[i.cause]
		c[0]++
		s.planted[size]++
		s.namedOf++
		known := flagsOf(s.knows.first(&m.log, i.from))
		if slices.ContainsFunc(flagsOf(i.cause), func(flag string) bool { return slices.Contains(known, flag) }) {
			s.knewFlag++
		}
		if len(got[name]) > 0 {
			c[1]++
			s.raised[size]++
			right := slices.ContainsFunc(got[name], func(flag string) bool {
				return slices.Contains(flagsOf(i.cause),
					flag)
			})
			if right {
				c[2]++
				s.named[size]++
			} else {
				if s.wrong[i.cause] == nil {
					s.wrong[i.cause] = map[string]int{}
				}
				s.wrong[i.cause][got[name][0]]++
			}
			r, err := next.Rank(f, name, y.now)
			if err != nil {
				panic(err)
			}
			top, _ := does(r).top()
			s.both++
			if slices.Contains(flagsOf(top), got[name][0]) || likeliest[name] == top { // told with the flag
				s.same++
			}
		}
		s.byCause[i.cause] = c
	}
}

func part(a, n int) string {
	if n == 0 {
		return "-"
	}
	return fmt.Sprintf("%d of %d", a, n)
}

// table prints the scores of all worlds, one column each.
func table(all []*score) string {
	var b strings.Builder
	line := func(label string, cell func(s *score) string) {
		fmt.Fprintf(&b, "%-58s", label)
		for _, s := range all {
			fmt.Fprintf(&b, " %13s", cell(s))
		}
		b.WriteByte('\n')
	}
	line("", func(s *score) string { return s.world })
	line("a  keeper's own case: core first", func(s *score) string { return part(s.coreFirst, s.logs) })
	line("   sure (0.8) of another cause", func(s *score) string { return part(s.sureOther, s.logs) })
	line("   highest probability of another", func(s *score) string { return fmt.Sprintf("%.2f", s.worstOther) })
	line("   sure of the core with 80 % dark recorded", func(s *score) string { return part(s.sureCore, s.logs) })
	line("b  only the driving: a fault put at 0.5 or more", func(s *score) string { return part(s.blamed, s.hard) })
	line("   said to be the driving", func(s *score) string { return part(s.saidDriving, s.hard) })
	line("   machine flagged", func(s *score) string { return part(s.flagged, s.hard) })
	line("c  cause first by the log alone", func(s *score) string { return part(s.first, s.treated) })
	line("   by one who knows the world", func(s *score) string { return part(s.knew, s.treated) })
	line("   among the first three", func(s *score) string { return part(s.three, s.treated) })
	for _, p := range policies {
		line("   minutes to the cause, mean: "+p, func(s *score) string {
			return fmt.Sprintf("%.0f",
				s.minutes[p]/float64(s.treated))
		})
		line("   median: "+p, func(s *score) string { return fmt.Sprintf("%.0f", median(s.median[p])) })
		line("   mends in vain a machine: "+p, func(s *score) string {
			return fmt.Sprintf("%.2f",
				float64(s.vain[p])/float64(s.treated))
		})
	}
	line("   next against easiest first", func(s *score) string {
		return fmt.Sprintf("%.2f",
			s.minutes["next"]/s.minutes["easiest first"])
	})
	line("   next: the same mend again, a machine", func(s *score) string {
		return fmt.Sprintf("%.2f",
			float64(s.repeats["next"])/float64(s.treated))
	})
	line("   next: told it is the driving or nothing, a machine", func(s *score) string {
		return fmt.Sprintf("%.2f",
			float64(s.shrugs["next"])/float64(s.treated))
	})
	line("   next: not found in 25 steps", func(s *score) string { return part(s.missed["next"], s.treated) })
	share := func(b *bins) string {
		right, n := b.from(8)
		if n == 0 {
			return "-"
		}
		return fmt.Sprintf("%.2f of %d", float64(right)/float64(n), n)
	}
	line("d  said at 0.8 or surer, right: by the log", func(s *score) string { return share(&s.byLog) })
	line("   after checks and mends", func(s *score) string { return share(&s.after) })
	for k := range 10 {
		cell := func(b *bins) string {
			if b[k].n == 0 {
				return "-"
			}
			return fmt.Sprintf("%.2f of %d", float64(b[k].right)/float64(b[k].n), b[k].n)
		}
		line(fmt.Sprintf("   said 0.%d to %.1f, right: by the log", k, float64(k+1)/10),
			func(s *score) string { return cell(&s.byLog) })
		line("      after checks and mends", func(s *score) string { return cell(&s.after) })
	}
	for _, size := range fleetSizes {
		line("e  "+size.name+": planted faults raised", func(s *score) string {
			return part(s.raised[size.name],
				s.planted[size.name])
		})
		line("   by the right name", func(s *score) string { return part(s.named[size.name], s.planted[size.name]) })
		line("   sound machines ever flagged", func(s *score) string {
			return part(s.soundFlagged[size.name],
				s.sound[size.name])
		})
	}
	line("   all sizes: the right name by one who knows the world", func(s *score) string {
		return part(s.knewFlag,
			s.namedOf)
	})
	names := map[string]bool{}
	for _, s := range all {
		for c := range s.byCause {
			names[c] = true
		}
	}
	for _, c := range slices.Sorted(maps.Keys(names)) {
		line("   "+c+": raised, named, planted", func(s *score) string {
			x := s.byCause[c]
			return fmt.Sprintf("%d, %d, %d", x[1], x[2], x[0])
		})
	}
	line("   hard driver (7 times) found", func(s *score) string { return part(s.hardFound, s.hardDrivers) })
	line("   only fast and in mud: flagged", func(s *score) string { return part(s.fastFlagged, s.fastMud) })
	line("   other drivers flagged", func(s *score) string { return fmt.Sprint(s.otherFlag) })
	line("f  flags and next name the same first", func(s *score) string { return part(s.same, s.both) })
	line("g  worked, then quiet: nothing to do", func(s *score) string { return part(s.calm, s.quiet) })
	line("   mended in vain: advised again", func(s *score) string { return part(s.again, s.inVain) })
	line("   mended in vain: first again", func(s *score) string { return part(s.againFirst, s.inVain) })
	return b.String()
}

// details tells cause by cause what went wrong.
func details(all []*score) string {
	var b strings.Builder
	for _, s := range all {
		fmt.Fprintf(&b, "%s: at the mechanic, machines, first by the log, given up:", s.world)
		for _, c := range slices.Sorted(maps.Keys(s.treatedBy)) {
			x := s.treatedBy[c]
			fmt.Fprintf(&b, " %s %d %d %d;", c, x[0], x[1], x[2])
		}
		b.WriteString("\n  flags under a wrong name:")
		for _, c := range slices.Sorted(maps.Keys(s.wrong)) {
			for _, f := range slices.Sorted(maps.Keys(s.wrong[c])) {
				fmt.Fprintf(&b, " %s as %s %d;", c, f, s.wrong[c][f])
			}
		}
		b.WriteByte('\n')
	}
	return b.String()
}

// edge is a small world out of the ordinary.
type edge struct {
	name string
	make func(w *world, seed uint64) (*yard, *rig, string)
}

// until lets a yard work until its machine has overheated so often.
func until(y *yard, m *rig, heats, days int) {
	for y.day < days && len(m.log.Overheats) < heats {
		y.oneDay()
	}
	y.now = began.AddDate(0, 0, y.day)
}

var edges = []edge{
	{"one machine alone, core", func(w *world, seed uint64) (*yard, *rig, string) {
		y := newYard(w, seed, 1, 2, 400)
		y.rigs[0].fall("blocked-core", began.AddDate(0, 0, 40), 0.9)
		until(y, y.rigs[0], 6, 365)
		return y, y.rigs[0], "blocked-core"
	}},
	{"all machines dirty", func(w *world, seed uint64) (*yard, *rig, string) {
		y := newYard(w, seed, 6, 4, 300)
		for _, m := range y.rigs {
			m.fall("blocked-core", began.AddDate(0, 0, 20), 0.8)
		}
		until(y, y.rigs[2], 6, 365)
		return y, y.rigs[2], "blocked-core"
	}},
	{"fleet of one model, fan", func(w *world, seed uint64) (*yard, *rig, string) {
		y := newYard(w, seed, 8, 4, 300)
		for _, m := range y.rigs {
			m.log.Machine.Model = "K1"
		}
		y.rigs[3].fall("fan-circuit", began.AddDate(0, 0, 30), 0.8)
		until(y, y.rigs[3], 6, 365)
		return y, y.rigs[3], "fan-circuit"
	}},
	{"winter only, thermostat", func(w *world, seed uint64) (*yard, *rig, string) {
		y := newYard(w, seed, 6, 4, 300)
		y.winter = true
		y.rigs[1].fall("thermostat", began.AddDate(0, 0, 30), 0.9)
		until(y, y.rigs[1], 6, 365)
		return y, y.rigs[1], "thermostat"
	}},
	{"no speed or terrain, core", func(w *world, seed uint64) (*yard, *rig, string) {
		y := newYard(w, seed, 6, 4, 300)
		y.blank = true
		y.rigs[4].fall("blocked-core", began.AddDate(0, 0, 30), 0.9)
		until(y, y.rigs[4], 7, 365)
		return y, y.rigs[4], "blocked-core"
	}},
	{"two at once, core and fan (either first)", func(w *world, seed uint64) (*yard, *rig, string) {
		y := newYard(w, seed, 6, 4, 300)
		y.rigs[0].fall("blocked-core", began.AddDate(0, 0, 30), 0.8)
		y.rigs[0].fall("fan-circuit", began.AddDate(0, 0, 40), 0.8)
		until(y, y.rigs[0], 9, 365)
		return y, y.rigs[0], "blocked-core fan-circuit"
	}},
	{"comes back: core cleaned, packed again", func(w *world, seed uint64) (*yard, *rig, string) {
		y := newYard(w, seed, 6, 4, 300)
		m := y.rigs[0]
		m.fall("blocked-core", began.AddDate(0, 0, 30), 0.8)
		until(y, m, 5, 200)
		y.mend(m, "blocked-core")
		y.day += 1
		quiet := y.day + 60
		for y.day < quiet {
			y.oneDay()
		}
		m.fall("blocked-core", y.now, 0.8)
		until(y, m, len(m.log.Overheats)+5, 600)
		return y, m, "blocked-core"
	}},
	{"ten years, then a leak", func(w *world, seed uint64) (*yard, *rig, string) {
		y := newYard(w, seed, 3, 3, 200)
		m := y.rigs[0]
		y.days(3500)
		m.fall("external-leak", y.now, 0.8)
		y.days(150)
		return y, m, "external-leak"
	}},
	{"no fault, no trouble (nothing to do)", func(w *world, seed uint64) (*yard, *rig, string) {
		y := newYard(w, seed, 4, 3, 200)
		for _, h := range y.hands {
			h.fast, h.mud = 0, 0.05
		}
		for y.day < 365 {
			y.oneDay()
		}
		y.now = began.AddDate(0, 0, y.day)
		return y, y.rigs[0], "nothing"
	}},
	{"remedy on the day of the look (no mend asked)", func(w *world, seed uint64) (*yard, *rig, string) {
		y := newYard(w, seed, 6, 4, 300)
		m := y.rigs[5]
		m.fall("blocked-core", began.AddDate(0, 0, 30), 0.8)
		until(y, m, 6, 365)
		y.spend(60)
		y.mend(m, "blocked-core")
		return y, m, "no mend"
	}},
	{"no records at all (said in a sentence)", func(w *world, seed uint64) (*yard, *rig, string) {
		y := newYard(w, seed, 3, 2, 300)
		return y, y.rigs[0], "a sentence"
	}},
}

// edgeTable prints, for every edge and world, how often the true cause stood
// first, and what else was said.
func edgeTable(ws []*world, n int) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%-46s", "edges: right; what is said of the first log")
	for _, w := range ws {
		fmt.Fprintf(&b, "  %-34s", w.name)
	}
	b.WriteByte('\n')
	for _, e := range edges {
		fmt.Fprintf(&b, "%-46s", e.name)
		for _, w := range ws {
			right, what := 0, ""
			for seed := range uint64(n) {
				y, m, truth := e.make(w, 7000+seed)
				say := y.ask(m)
				top, p := say.top()
				ok := false
				switch truth {
				case "nothing":
					ok = say.act == "nothing"
				case "no mend": // neither the same again, nor something else
					ok = say.act != "mend"
				case "a sentence":
					ok = say.r.Why != "" || len(say.r.Warnings) > 0
				default:
					ok = slices.Contains(strings.Fields(truth), top)
				}
				if ok {
					right++
				}
				if math.IsNaN(p) {
					panic("a probability that is no number")
				}
				if seed == 0 {
					what = fmt.Sprintf("%s %.2f, %s", top, p, say.act)
					for _, f := range flags.Find(y.fleet(), y.now).Flags {
						if f.Machine == m.log.Machine.Name {
							what += ", flag"
						}
					}
				}
			}
			fmt.Fprintf(&b, "  %-34s", fmt.Sprintf("%d/%d %s", right, n, what))
		}
		b.WriteByte('\n')
	}
	return b.String()
}
