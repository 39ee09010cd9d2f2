package next

import (
	"encoding/json"
	"fmt"
	"sort"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	stand "shedbook/report/state"
	"shedbook/schema"
)

// The cases below are the reasoning of the trade, common practice, no source:
// which cause a log pattern speaks for, and which check comes first.

var monday = time.Date(2025, 3, 3, 9, 0, 0, 0, time.UTC)

// yard is a machine R4 with so many runs of 1.7 h, one a day, of every kind of
// driving in turn, and a thorough clean, a refill and a bleed long before.
func yard(runs int) *schema.Log {
	l := &schema.Log{Machine: schema.Machine{Name: "R4", CoolantL: schema.N(4), Meter: schema.N(100),
		Acquired: monday.AddDate(0, 0, -1)}}
	speeds, loads := []string{"slow", "medium", "fast"},
		[]string{"light", "light", "heavy", "light", "light", "light", "light"}
	grounds, air := []string{"gravel", "mud", "grass", "gravel", "road"}, []float64{8, 15, 22, 29}
	for i := range runs {
		l.Runs = append(l.Runs, schema.Run{Base: schema.Base{Machine: "R4", At: day(i)}, Hours: schema.N(1.7),
			Speed: speeds[i%3], Load: loads[i%7],
			Range: "high", Terrain: grounds[i%5], AmbientC: schema.N(air[i%4])})
		if i%12 == 11 {
			l.Levels = append(l.Levels, schema.Level{Head: head(i, 8), Engine: "cold"})
		}
		if i%20 == 0 {
			l.Cleanings = append(l.Cleanings, schema.Cleaning{Head: head(i, 9), Method: "air", RadiatorOut: "yes",
				Sides: "both"})
		}
	}
	return l
}

func day(i int) time.Time { return monday.AddDate(0, 0, i) }

func head(day_, hours int) schema.Head {
	return schema.Head{Base: schema.Base{Machine: "R4", At: day(day_).Add(time.Duration(hours) * time.Hour)}}
}

// heat is an overheat in the run of a day, so many minutes in, in the state of
// the run.
func overheat(l *schema.Log, i, minutes int, change func(*schema.Overheat)) {
	r := l.Runs[i]
	o := schema.Overheat{Head: schema.Head{Base: schema.Base{Machine: "R4",
		At: r.At.Add(time.Duration(minutes) * time.Minute)}},
		MinutesIn: schema.N(float64(minutes)), Sign: "lamp", Lost: schema.N(0)}
	if change != nil {
		change(&o)
	}
	l.Overheats = append(l.Overheats, o)
}

func fleetOf(l *schema.Log) schema.Fleet {
	return schema.Fleet{Logs: []schema.Log{*l}, Settings: schema.Settings{"time-zone": "UTC"}}
}

func rank(t *testing.T, f schema.Fleet) Result {
	t.Helper()
	r, err := Rank(f, "R4", time.Time{})
	require.NoError(t, err)
	return r
}

func (r Result) chance(cause string) float64 {
	for _, c := range r.Candidates {
		if c.Cause == cause {
			return c.Probability
		}
	}
	return -1
}

func (r Result) place(check string) int {
	for i, c := range r.Checks {
		if c.Check == check {
			return i
		}
	}
	return len(r.Checks)
}

func TestPatternsPointAtTheirCause(t *testing.T) {
	for _, c := range []struct {
		cause, check string // and the check that belongs to it, among the first five
		log          func(l *schema.Log)
	}{
		{"thermostat", "", func(l *schema.Log) {
			for i, at := range []int{31, 34, 38, 41, 47} {
				overheat(l, at, 6+i, nil)
			}
		}},
		{"fan-circuit", "fan-at-lamp", func(l *schema.Log) {
			for _, at := range []int{15, 27, 39, 51} { // slow and 29 degrees
				overheat(l, at, 45, nil)
			}
		}},
		{"trapped-air", "", func(l *schema.Log) {
			for _, at := range []int{22, 40} {
				l.Refills = append(l.Refills, schema.Refill{Head: head(at-1, 10), Volume: schema.N(4000),
					Reason: "change"})
				overheat(l, at, 20, nil)
				overheat(l, at+1, 50, nil)
			}
		}},
		{"blocked-core", "light-test", func(l *schema.Log) {
			l.Cleanings = nil
			for i := range l.Runs {
				if i%3 > 0 {
					l.Runs[i].Terrain = "mud"
				}
			}
			for _, at := range []int{43, 47, 53, 55, 59} {
				overheat(l, at, 60, nil)
			}
		}},
		{"warning-circuit", "", func(l *schema.Log) {
			for i, at := range []int{12, 19, 24, 30, 37, 44, 49, 56} {
				overheat(l, at, 3+12*i, nil)
			}
		}},
		{"external-leak", "", func(l *schema.Log) {
			overheat(l, 40, 60, func(o *schema.Overheat) { o.Sign, o.Lost = "steam", schema.N(100) })
			for i := 3; i < 60; i += 5 {
				l.TopUps = append(l.TopUps, schema.TopUp{Head: head(i, 7), Volume: schema.N(50), Fluid: "premix"})
			}
			l.Levels = nil
		}},
		{"collapsed-hose", "", func(l *schema.Log) {
			for _, at := range []int{14, 20, 26, 32, 38, 44, 50, 56} { // all fast
				overheat(l, at, 20+at, nil)
			}
		}},
	} {
		t.Run(c.cause, func(t *testing.T) {
			l := yard(60)
			c.log(l)
			r := rank(t, fleetOf(l))
			assert.Equal(t, c.cause, r.Candidates[0].Cause, "%+v", r.Candidates[:3])
			if c.check != "" {
				// Measured on 2026-11-30: the light test stands fifth, behind looks that take less
				// than its ten minutes; the fan third.
				assert.Less(t, r.place(c.check), 5, c.check)
			}
			assert.NotEmpty(t, r.Candidates[0].For, "nothing is said for it")
		})
	}
}

// Rules: loss logged, the leak before the cleaning; fast from cold, no cleaning
// before the thermostat; within the first cycles after a refill, the bleed
// before anything that costs money.
func TestOrderOfChecks(t *testing.T) {
	l := yard(60)
	overheat(l, 40, 60, nil)
	for i := 3; i < 60; i += 9 {
		l.TopUps = append(l.TopUps, schema.TopUp{Head: head(i, 7), Volume: schema.N(50), Fluid: "premix"})
	}
	l.Levels = nil
	r := rank(t, fleetOf(l))
	assert.Greater(t, r.chance("external-leak"), 4*r.chance("blocked-core")) // measured 4.5 on 2026-11-30

	l = yard(60)
	for i, at := range []int{50, 52} {
		overheat(l, at, 6+i, nil)
	}
	r = rank(t, fleetOf(l))
	assert.Greater(t, r.chance("thermostat"), r.chance("blocked-core"))

	l = yard(60)
	l.Refills = []schema.Refill{{Head: head(56, 10), Volume: schema.N(4000)}}
	overheat(l, 57, 30, nil)
	r = rank(t, fleetOf(l))
	assert.Greater(t, r.chance("trapped-air"), r.chance("blocked-core"))
	assert.NotContains(t, []string{"flow-through", "thermostat-bath"}, r.Checks[0].Check,
		"nothing that costs money first")
	overheat(l, 58, 60, nil)
	assert.Equal(t, "trapped-air", rank(t, fleetOf(l)).Candidates[0].Cause)
}

func TestReasonsHaveTheirFigures(t *testing.T) {
	l := yard(60)
	for i, at := range []int{31, 34, 38, 41, 47} {
		overheat(l, at, 6+i, nil)
	}
	r := rank(t, fleetOf(l))
	// 15 of the 102 min of every run: 14.7 %.
	assert.Contains(t, r.Candidates[0].For,
		"5 of 5 overheats within 15 min of the start, where 15 % of the driving was")
}

// Rule: a check done before the last overheat does not rule out after it.
func TestAPassBeforeTheLastOverheatCountsInPart(t *testing.T) {
	l := yard(60)
	l.Cleanings = nil
	for _, at := range []int{43, 47} {
		overheat(l, at, 60, nil)
	}
	pass := func(i int) schema.Fleet {
		c := *l
		c.Checks = []schema.Check{{Head: head(i, 12), Check: "light-test", Result: "pass"}}
		return fleetOf(&c)
	}
	none := rank(t, fleetOf(l)).chance("blocked-core")
	before, between, after := rank(t, pass(40)), rank(t, pass(45)), rank(t, pass(50))
	// Measured on 2026-11-30: 0.89, 0.56 and 0.16 of what it was without.
	assert.Greater(t, before.chance("blocked-core"), 0.85*none, "passed before both overheats: it says little")
	assert.Less(t, between.chance("blocked-core"), before.chance("blocked-core"))
	assert.Less(t, after.chance("blocked-core"), between.chance("blocked-core"))
	assert.Less(t, after.chance("blocked-core"), none/5)
	assert.Equal(t, len(after.Checks), after.place("light-test"), "done and not out of date: not asked again")
	assert.Contains(t, before.Checks[before.place("light-test")].Again, "2 of 2 overheats came after it")
}

func TestOutOfDateChecks(t *testing.T) {
	l := yard(60)
	overheat(l, 43, 60, nil)
	l.Checks = []schema.Check{{Head: head(45, 0), Check: "bleed", Result: "fail"}}
	air := rank(t, fleetOf(l)).chance("trapped-air")
	assert.Greater(t, air, 0.3)
	l.Refills = []schema.Refill{{Head: head(46, 0), Volume: schema.N(4000)}}
	l.Bleeds = []schema.Bleed{{Head: head(46, 1)}}
	assert.Less(t, rank(t, fleetOf(l)).chance("trapped-air"), air/2, "refilled since: the check before says nothing")
}

func TestServiceThatNamedACause(t *testing.T) {
	l := yard(60)
	for _, at := range []int{27, 39} {
		overheat(l, at, 45, nil) // slow and hot
	}
	fan := rank(t, fleetOf(l)).chance("fan-circuit")
	l.Services = []schema.Service{{Head: head(45, 0), Work: "fan motor", Cause: "fan-circuit"}}
	mended := rank(t, fleetOf(l))
	assert.Less(t, mended.chance("fan-circuit"), fan/2)
	assert.Contains(t, strings.Join(mended.Candidates[indexOf(mended, "fan-circuit")].Against, "; "),
		"the service on 17 Apr 2025 was for it")
	overheat(l, 51, 45, nil)
	overheat(l, 54, 45, nil)
	overheat(l, 57, 45, nil)
	assert.Greater(t, rank(t, fleetOf(l)).chance("fan-circuit"), mended.chance("fan-circuit"), "it came back")
}

func indexOf(r Result, cause string) int {
	for i, c := range r.Candidates {
		if c.Cause == cause {
			return i
		}
	}
	return -1
}

// The shares of the fleet: prior 0.05 weighing as 20 cases, and 6 of 6 found:
// (20*0.05+6)/(20+6) = 0.269, by hand.
func TestConfirmedCausesMoveThePriors(t *testing.T) {
	f := fleetOf(yard(0))
	f.Logs[0].Machine.Acquired = time.Time{}
	for i := range 6 {
		other := schema.Log{Machine: schema.Machine{Name: fmt.Sprintf("Q%d", i)}}
		if i < 3 {
			other.Services = []schema.Service{{Head: head(i, 0), Work: "sensor", Cause: "warning-circuit"}}
			// the same one
			other.Answers = []schema.Answer{{Machine: other.Machine.Name, At: day(i), Flag: "warning-circuit",
				Cause: "warning-circuit"}}
		} else {
			other.Answers = []schema.Answer{{Machine: other.Machine.Name, At: day(i), Flag: "warning-circuit",
				Cause: "warning-circuit"}}
		}
		f.Logs = append(f.Logs, other)
	}
	n, confirmed, err := theNetwork().owned(&f, "R4")
	require.NoError(t, err)
	k := n.cause("warning-circuit")
	assert.Equal(t, 6, confirmed[k])
	assert.InDelta(t, 7./26, n.causes[k].prior, 1e-12)
	assert.InDelta(t, 20*0.26/26, n.causes[n.cause("blocked-core")].prior, 1e-12)
	r := rank(t, f)
	assert.Contains(t, r.Candidates[indexOf(r, "warning-circuit")].For,
		"on this fleet's other machines it was 6 of the 6 causes found")
	// Its own past doesn't count as the others'.
	_, confirmed, err = theNetwork().owned(&f, "Q1")
	require.NoError(t, err)
	assert.Equal(t, 5, confirmed[k])
}

func TestOwnersFigures(t *testing.T) {
	l := yard(60)
	overheat(l, 43, 60, nil)
	f := fleetOf(l)
	was := rank(t, f)
	f.Settings["prior.pump"] = "0.6"
	f.Settings["minutes.light-test"] = "120"
	r := rank(t, f)
	assert.Greater(t, r.chance("pump"), 2*was.chance("pump"))
	c := r.Checks[r.place("light-test")]
	assert.Equal(t, 120.0, c.Minutes)
	assert.Greater(t, r.place("light-test"), was.place("light-test"), "a check that takes two hours comes later")
	f.Settings["prior.pumpe"] = "0.6"
	_, err := Rank(f, "R4", time.Time{})
	assert.ErrorContains(t, err, "did you mean pump?")
	delete(f.Settings, "prior.pumpe")
	f.Settings["prior.pump"] = "1.5"
	_, err = Rank(f, "R4", time.Time{})
	assert.ErrorContains(t, err, "should be a chance between 0 and 1, as 0.2")
}

func TestNothingRecorded(t *testing.T) {
	r := rank(t, fleetOf(&schema.Log{Machine: schema.Machine{Name: "R4"}}))
	assert.Equal(t, "blocked-core", r.Candidates[0].Cause, "the priors of the trade: dirt comes first")
	assert.Contains(t, r.Warnings[0], "nothing is recorded of this machine")
	assert.Equal(t, stand.Ready, r.State.State)
	assert.Len(t, r.Candidates, len(schema.Words("cause")))
	assert.Len(t, r.Checks, len(schema.Words("check")))
}

func TestNoTrouble(t *testing.T) {
	r := rank(t, fleetOf(yard(60)))
	assert.Empty(t, r.Candidates)
	assert.Empty(t, r.Checks)
	assert.Equal(t, "R4 has not overheated in 102 recorded engine hours and loses no coolant to speak of (0 mL in 82 "+
		"h beyond settling and boil-over)", r.Why)
	text, err := json.Marshal(r)
	require.NoError(t, err)
	assert.Contains(t, string(text), `"candidates":[],"checks":[]`)
}

// Rules come before probabilities: the state is the one of package state, and what
// it asks of the belief is the gasket, by the machine's own log.
func TestParked(t *testing.T) {
	l := yard(60)
	overheat(l, 43, 60, func(o *schema.Overheat) { o.Sign = "steam" })
	r := rank(t, fleetOf(l))
	assert.Equal(t, stand.Parked, r.State.State)
	assert.Contains(t, r.Reasons[0].Text, "it steamed on 15 Apr 2025")
	l.Overheats[0].Sign = "lamp"
	assert.Equal(t, stand.Ready, rank(t, fleetOf(l)).State.State, "it was cleaned thoroughly since")
	l.Checks = []schema.Check{{Head: head(45, 0), Check: "combustion-gas", Result: "fail"}}
	r = rank(t, fleetOf(l))
	assert.Equal(t, "gas-found", r.Reasons[0].Rule)
	assert.Contains(t, r.Reasons[0].Text, "17 Apr 2025")
}

func TestPoints(t *testing.T) {
	assert.True(t, Points("light-test", "blocked-core"))
	assert.False(t, Points("light-test", "fan-circuit"))
	assert.True(t, Points("combustion-gas", "head-gasket"))
	assert.False(t, Points("no-check", "head-gasket"))
}

func TestAsOf(t *testing.T) {
	l := yard(60)
	overheat(l, 43, 60, nil)
	r, err := Rank(fleetOf(l), "R4", day(40))
	require.NoError(t, err)
	assert.NotEmpty(t, r.Why, "it had not overheated then")
}

func TestJSONIsTheContracts(t *testing.T) {
	l := yard(60)
	overheat(l, 43, 60, nil)
	r, err := Rank(fleetOf(l), "R4", day(70))
	require.NoError(t, err)
	text, err := json.Marshal(r)
	require.NoError(t, err)
	var got struct {
		Machine    string
		AsOf       string `json:"as_of"`
		Candidates []map[string]any
		Checks     []map[string]any
	}
	require.NoError(t, json.Unmarshal(text, &got))
	assert.Equal(t, "2025-05-12T09:00:00Z", got.AsOf)
	for _, key := range []string{"cause", "probability", "for", "against"} {
		assert.Contains(t, got.Candidates[0], key)
	}
	for _, key := range []string{"check", "minutes", "expected_minutes_saved", "if_pass", "if_fail", "caution"} {
		assert.Contains(t, got.Checks[0], key)
	}
	assert.NotContains(t, string(text), `"for":null`)
	causes, checks := map[any]bool{}, map[any]bool{}
	for _, c := range got.Candidates {
		causes[c["cause"]] = true
	}
	for _, c := range got.Checks {
		checks[c["check"]] = true
		assert.NotEmpty(t, c["caution"], "%v has no caution", c["check"])
	}
	for _, w := range schema.Words("cause") {
		assert.True(t, causes[w], w)
	}
	for _, w := range schema.Words("check") {
		assert.True(t, checks[w], w)
	}
	// Worth is minutes saved per minute spent, and the checks stand in its order.
	worth := func(i int) float64 { return r.Checks[i].MinutesSaved / r.Checks[i].Minutes }
	for i := 1; i < len(r.Checks); i++ {
		assert.GreaterOrEqual(t, worth(i-1), worth(i)-0.02, "rounding aside")
	}
}

func TestBadNames(t *testing.T) {
	l := yard(60)
	_, err := Rank(fleetOf(l), "R", time.Time{})
	assert.ErrorContains(t, err, "is no machine; there are R4")
	l.Checks = []schema.Check{{Head: head(1, 0), Check: "light-tst", Result: "pass"}}
	_, err = Rank(fleetOf(l), "R4", time.Time{})
	assert.ErrorContains(t, err, "did you mean light-test")
	l.Checks = nil
	l.Services = []schema.Service{{Head: head(1, 0), Work: "x", Cause: "hed-gasket"}}
	_, err = Rank(fleetOf(l), "R4", time.Time{})
	assert.ErrorContains(t, err, "did you mean head-gasket")
	_, err = CautionOn("glycl")
	assert.ErrorContains(t, err, "did you mean glycol")
}

// Odd logs are ranked all the same, and every number is one.
func TestOddLogs(t *testing.T) {
	many := yard(60)
	for i := range 3000 {
		overheat(many, i%60, i%100, nil)
	}
	sort.SliceStable(many.Overheats, func(a, b int) bool { return many.Overheats[a].At.Before(many.Overheats[b].At) })
	bare := &schema.Log{Machine: schema.Machine{Name: "R4"}}
	bare.Overheats = []schema.Overheat{{Head: head(3, 0), Sign: "lamp"}, {Head: head(9, 0)}}
	short := yard(1)
	overheat(short, 0, 5, nil)
	outside := yard(60)
	outside.Machine.Acquired = day(200)
	overheat(outside, 5, 5, nil)
	topUps := yard(3)
	topUps.TopUps = []schema.TopUp{{Head: head(1, 0), Volume: schema.N(100000)},
		{Head: head(1, 0), Volume: schema.N(1)}}
	for name, l := range map[string]*schema.Log{"many": many, "bare": bare, "short": short, "outside": outside,
		"topups": topUps} {
		start := time.Now()
		r := rank(t, fleetOf(l))
		assert.Less(t, time.Since(start), 2*time.Second, name)
		sum := r.NoFault
		for _, c := range r.Candidates {
			assert.True(t, c.Probability >= 0 && c.Probability <= 1, "%s: %v", name, c)
			sum += c.Probability
		}
		if r.Why == "" {
			assert.True(t, sum > 0.98 && sum < 2.02, "%s: %v", name, sum)
		}
	}
	r := rank(t, fleetOf(bare))
	assert.Contains(t, strings.Join(r.Warnings, "; "), "no runs are recorded")
}

// A machine with a year's log; the promise is 0.2 s.
func BenchmarkRank(b *testing.B) {
	l := yard(350)
	for i := 3; i < 350; i += 12 {
		overheat(l, i, 50, nil)
	}
	f := fleetOf(l)
	for b.Loop() {
		if _, err := Rank(f, "R4", day(360)); err != nil {
			b.Fatal(err)
		}
	}
}
