package trial

import (
	"cmp"
	"encoding/json"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"shedbook/report/next"
	"shedbook/schema"
)

// said is what the program advises to do: check, mend, advise (it is the
// driving) or nothing.
type said struct {
	act, check, cause string
	r                 next.Result
}

// does reads the first thing to do: the field "do" where there is one, else
// the sentence.
func does(r next.Result) said {
	var x struct {
		Do *struct{ Act, Check, Cause string }
	}
	if b, err := json.Marshal(r); err == nil && json.Unmarshal(b, &x) == nil && x.Do != nil {
		return said{x.Do.Act, x.Do.Check, x.Do.Cause, r}
	}
	s := said{act: "nothing", r: r}
	if len(r.Candidates) == 0 {
		return s
	}
	name, _, _ := strings.Cut(r.Advice, ":")
	if slices.Contains(schema.Words("check"), name) {
		return said{act: "check", check: name, r: r}
	}
	s.act, s.cause = "mend", r.Candidates[0].Cause
	if _, at, ok := strings.Cut(r.Advice, "go at "); ok {
		s.cause, _, _ = strings.Cut(at, " ")
	}
	if s.cause == "overload" {
		s.act = "advise"
	}
	return s
}

// top is the most probable cause; nothing where none is ranked.
func (s said) top() (string, float64) {
	if len(s.r.Candidates) == 0 {
		return "nothing", 0
	}
	return s.r.Candidates[0].Cause, s.r.Candidates[0].Probability
}

func (s said) chance(cause string) float64 {
	for _, c := range s.r.Candidates {
		if c.Cause == cause {
			return c.Probability
		}
	}
	return 0
}

func (y *yard) ask(m *rig) said {
	r, err := next.Rank(y.fleet(), m.log.Machine.Name, y.now)
	if err != nil {
		panic(err)
	}
	return does(r)
}

// spend lets minutes pass in the shed.
func (y *yard) spend(minutes float64) {
	y.now = y.now.Add(time.Duration(minutes * float64(time.Minute)))
	for !began.AddDate(0, 0, y.day).Add(7 * time.Hour).After(y.now) {
		y.day++
	}
}

// goOn lets the yard work until the machine has shown more overheats, or has
// been topped up twice, or days have passed.
func (y *yard) goOn(m *rig, more, days int) {
	heats, tops := len(m.log.Overheats), len(m.log.TopUps)
	for range days {
		y.oneDay()
		if len(m.log.Overheats) >= heats+more || more < 2 && len(m.log.TopUps) >= tops+2 {
			break
		}
	}
	y.now = began.AddDate(0, 0, y.day)
}

// finds makes the checks that show a cause until one fails.
func (y *yard) finds(m *rig, cause string) {
	for _, name := range slices.Sorted(maps.Keys(points)) {
		if slices.Contains(points[name], cause) {
			c := y.look(m, name)
			m.log.Checks = append(m.log.Checks, c)
			if y.spend(5); c.Result == "fail" {
				return
			}
		}
	}
}

// lift does after a mend what a parked machine's words ask for: fills it to the mark, and
// looks at the level cold on two mornings.
func (y *yard) lift(m *rig) {
	if v := math.Round(m.lack/50) * 50; v > 0 {
		m.log.TopUps = append(m.log.TopUps, schema.TopUp{Head: y.head(m, y.now), Volume: schema.N(v), Fluid: "premix",
			Into: "radiator"})
	}
	m.lack = 0
	for range 2 {
		at := began.AddDate(0, 0, y.day).Add(6 * time.Hour)
		m.log.Levels = append(m.log.Levels, schema.Level{Head: y.head(m, at),
			BelowMark: schema.N(math.Round(m.lack/10) * 10),
			Engine:    "cold", SeenIn: "radiator"})
		y.oneDay()
	}
	y.now = began.AddDate(0, 0, y.day)
}

// patient is a machine whose fault has shown: so many overheats, or much
// coolant gone. ok is false where it did not within a year.
func patient(w *world, seed uint64, cause string) (y *yard, m *rig, ok bool) {
	y = newYard(w, seed, 6, 4, 320)
	m = y.rigs[seed%6]
	from := began.AddDate(0, 0, 40+y.rnd.IntN(60))
	m.fall(cause, from, 0.5+0.5*y.rnd.Float64())
	m.rinsed = true // else it might be clean, for once, when looked at
	enough := 3 + y.rnd.IntN(6)
	for y.day < 400 {
		y.oneDay()
		heats, gone := 0, 0.0
		for i := range m.log.Overheats {
			if !m.log.Overheats[i].At.Before(from) {
				heats++
			}
		}
		for i := range m.log.TopUps {
			if !m.log.TopUps[i].At.Before(from) {
				gone += m.log.TopUps[i].Volume.V
			}
		}
		if heats >= enough || (cause == "external-leak" || cause == "head-gasket" || cause == "pressure-cap") &&
			heats >= 1 &&
			gone >= 1200 {
			y.now = began.AddDate(0, 0, y.day)
			return y, m, true
		}
	}
	return nil, nil, false
}

// way is how one policy came to the cause.
type way struct {
	minutes      float64 // of checks, and of causes gone at in vain
	vain, repeat int     // mends in vain, and those of the same thing again
	shrugs       int     // told to do nothing, or to drive otherwise, though there is a fault
	found        bool
	gaveUp       bool // not found in so many steps; then every cause in turn
}

const mostSteps = 25

// policies are those compared. The same machine of the same seed serves all.
var policies = []string{"next", "easiest first", "most probable"}

// treat follows a policy until the cause is gone at. heard hears every answer
// of the program but the first.
func treat(y *yard, m *rig, policy string, heard func(said)) way {
	w := way{}
	now := y.ask(m)
	mends, checks := map[string]float64{}, map[string]float64{}
	learn := func(s said) {
		for _, c := range s.r.Candidates {
			mends[c.Cause] = c.Minutes
		}
		for _, c := range s.r.Checks {
			if _, ok := checks[c.Check]; !ok {
				checks[c.Check] = c.Minutes
			}
		}
	}
	learn(now)
	tried := map[string]int{}
	done := map[string]bool{}
	price := func(of map[string]float64, name string) float64 {
		if v, ok := of[name]; ok {
			return v
		}
		return 20
	}
	goAt := func(cause string) bool {
		y.spend(price(mends, cause))
		if y.mend(m, cause) {
			w.found = true
			return true
		}
		w.minutes += price(mends, cause)
		w.vain++
		if tried[cause]++; tried[cause] > 1 {
			w.repeat++
		}
		y.goOn(m, 1, 30)
		return false
	}
	check := func(name string) schema.Check {
		w.minutes += price(checks, name)
		y.spend(price(checks, name))
		c := y.look(m, name)
		m.log.Checks = append(m.log.Checks, c)
		done[name] = true
		return c
	}
	again := func() {
		now = y.ask(m)
		learn(now)
		heard(now)
	}
	// what is left when all else has failed: every cause, the quickest first
	rest := func() {
		for _, cause := range slices.SortedFunc(maps.Keys(mends), func(a, b string) int {
			return cmp.Or(cmp.Compare(mends[a], mends[b]), cmp.Compare(a, b))
		}) {
			if cause != "overload" && tried[cause] == 0 && goAt(cause) {
				return
			}
		}
	}
	switch policy {
	case "next":
		for range mostSteps {
			switch now.act {
			case "check":
				check(now.check)
			case "mend":
				if goAt(now.cause) {
					return w
				}
			default:
				w.shrugs++
				w.minutes += price(mends, "overload")
				y.goOn(m, 1, 30)
			}
			again()
		}
		w.gaveUp = true
		rest()
	case "easiest first":
		order := slices.SortedFunc(maps.Keys(checks), func(a, b string) int {
			return cmp.Or(cmp.Compare(checks[a], checks[b]), cmp.Compare(a, b))
		})
		for _, name := range order {
			if check(name).Result != "fail" {
				continue
			}
			for _, cause := range points[name] {
				if tried[cause] == 0 && goAt(cause) {
					return w
				}
			}
		}
		rest()
	case "most probable":
		for range mostSteps {
			best := -1
			for i, c := range now.r.Candidates {
				if tried[c.Cause] == 0 {
					best = i
					break
				}
			}
			if best < 0 {
				rest()
				return w
			}
			if goAt(now.r.Candidates[best].Cause) {
				return w
			}
			again()
		}
	}
	return w
}

// bins count how often what was said was so, by tenths.
type bins [10]struct {
	n, right int
	said     float64
}

func (b *bins) add(p float64, so bool) {
	k := min(9, int(p*10+1e-9))
	b[k].n++
	b[k].said += p
	if so {
		b[k].right++
	}
}

// from is how many were said at a tenth or surer, and how many of them were right.
func (b *bins) from(tenth int) (right, n int) {
	for k := tenth; k < 10; k++ {
		right += b[k].right
		n += b[k].n
	}
	return right, n
}

// judge counts every candidate of an answer against the truth.
func (b *bins) judge(y *yard, m *rig, s said) {
	for _, c := range s.r.Candidates {
		so := y.has(m, c.Cause) > 0
		if c.Cause == "overload" {
			so = !y.ill(m)
		}
		if c.Cause == "low-coolant" { // a state, not a fault
			so = m.lack > 50*m.litres
		}
		b.add(c.Probability, so)
	}
}

func median(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	slices.Sort(x)
	return x[len(x)/2]
}
