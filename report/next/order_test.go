package next

import (
	"encoding/json"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shedbook/report/cooling"
	"shedbook/schema"
)

func checked(l *schema.Log, name, result, figures string, at time.Time) {
	c := schema.Check{Check: name, Result: result, Figures: figures}
	c.Machine, c.At = l.Machine.Name, at
	l.Checks = append(l.Checks, c)
}

func named1(r Result, check string) *Check {
	for i := range r.Checks {
		if r.Checks[i].Check == check {
			return &r.Checks[i]
		}
	}
	return nil
}

// Nothing with the engine running over milky oil; what tells that it may run
// stays on the list until it has; and then the gas test is there, twice.
func TestNoEngineOverASuspectedGasket(t *testing.T) {
	n := theNetwork()
	l := troubled()
	checked(l, "oil-level", "fail", "finding=milky", day(61))
	r := rank(t, fleetOf(l))
	for i := range r.Checks {
		assert.False(t, n.checks[n.check(r.Checks[i].Check)].running, r.Checks[i].Check)
	}
	require.Equal(t, "check", r.Do.Act)
	assert.Equal(t, "leak-down", *r.Do.Check)
	assert.Contains(t, r.Do.Why, "do nothing with the engine running")
	require.NotNil(t, named1(r, "oil-level"), "it lifts the state, so it stays")
	assert.Contains(t, named1(r, "oil-level").Again, "look again once that is fixed")

	// Not told: it stays on the list, and says why.
	checked(l, "leak-down", "unsure", "", day(62))
	assert.Contains(t, named1(rank(t, fleetOf(l)), "leak-down").Again, "could not be told")

	checked(l, "leak-down", "pass", "leak_pct=6;bubbles=0", day(63))
	assert.Nil(t, named1(rank(t, fleetOf(l)), "combustion-gas"), "the oil is still milky")
	checked(l, "oil-level", "fail", "finding=low", day(64))
	checked(l, "needle-pulse", "fail", "", day(64)) // the gasket is suspected still
	r = rank(t, fleetOf(l))
	gas := named1(r, "combustion-gas")
	require.NotNil(t, gas, "low oil that is clear is no coolant in it")
	assert.Empty(t, gas.Again)
	checked(l, "combustion-gas", "pass", "", day(65))
	gas = named1(rank(t, fleetOf(l)), "combustion-gas")
	require.NotNil(t, gas)
	assert.Contains(t, gas.Again, "two do")
	checked(l, "combustion-gas", "pass", "", day(66))
	assert.Nil(t, named1(rank(t, fleetOf(l)), "combustion-gas"))
}

// A hot engine costs a check that is made cold the minutes until it is.
func TestCoolDown(t *testing.T) {
	l := troubled()
	hot := l.Overheats[len(l.Overheats)-1].At
	for _, c := range []struct {
		after time.Duration
		want  float64
	}{{5 * time.Minute, theNetwork().coolDown - 5}, {48 * time.Hour, 0}} {
		r, err := Rank(fleetOf(l), "R4", hot.Add(c.after))
		require.NoError(t, err)
		for i := range r.Checks {
			want := c.want
			if r.Checks[i].When != "cold" {
				want = 0
			}
			if i == 0 || c.want == 0 { // runs after it may lie between
				assert.LessOrEqual(t, r.Checks[i].CoolDown, theNetwork().coolDown)
			}
			if c.want == 0 {
				assert.InDelta(t, want, r.Checks[i].CoolDown, 1e-9, r.Checks[i].Check)
			} else if r.Checks[i].When == "cold" {
				assert.GreaterOrEqual(t, r.Checks[i].CoolDown, c.want)
			}
		}
	}
}

// What is done cold comes before what is done warm, where it is nearly as good.
func TestColdFirst(t *testing.T) {
	s, err := known(fleetOf(troubled()), nil, "R4", day(61))
	require.NoError(t, err)
	got := s.choose(nil)
	for _, l := range s.looks(nil) {
		if l.finds >= nearly*got.finds {
			assert.LessOrEqual(t, s.n.checks[got.check].when, s.n.checks[l.check].when, s.n.checks[l.check].name)
		}
	}
}

func TestToolsAtHand(t *testing.T) {
	f := fleetOf(troubled())
	f.Settings = schema.Settings{"tools": "meter; feelers"}
	r, err := Rank(f, "R4", day(61))
	require.NoError(t, err)
	last := false
	for i := range r.Checks {
		missing := len(r.Checks[i].Missing) > 0
		assert.True(t, missing || !last, "%s after one that lacks a tool", r.Checks[i].Check)
		last = missing
	}
	assert.True(t, last)
	assert.Equal(t, []string{"lamp"}, named1(r, "light-test").Missing)
	require.NotNil(t, r.Do.Check)
	assert.Empty(t, named1(r, *r.Do.Check).Missing)
}

func TestDoInJSON(t *testing.T) {
	text, err := json.Marshal(rank(t, fleetOf(troubled())))
	require.NoError(t, err)
	assert.Regexp(t, `"do":\{"act":"check","check":"[a-z-]+","cause":null,"minutes":\d+,"why":".+"\}`, string(text))
	text, err = json.Marshal(rank(t, fleetOf(yard(60))))
	require.NoError(t, err)
	assert.Regexp(t, `"do":\{"act":"nothing","check":null,"cause":null,"minutes":null,"why":".+"\}`, string(text))
}

// One time, and the order of entry decides: a service entered after the check
// makes it out of date, one entered before it does not.
func TestOneTimeInTheOrderOfEntry(t *testing.T) {
	for _, serviceFirst := range []bool{true, false} {
		l := troubled()
		checked(l, "light-test", "fail", "dark_pct=80", day(61))
		l.Services = append(l.Services, schema.Service{Work: "radiator out", Cause: "blocked-core"})
		c, s := &l.Checks[len(l.Checks)-1], &l.Services[len(l.Services)-1]
		s.Machine, s.At = "R4", c.At
		c.Number, s.Number = 11, 12
		if serviceFirst {
			c.Number, s.Number = 12, 11
		}
		r := rank(t, fleetOf(l))
		i := slices.IndexFunc(r.Candidates, func(c Candidate) bool { return c.Cause == "blocked-core" })
		assert.Equal(t, serviceFirst, r.Candidates[i].Probability > 0.9, "%v", r.Candidates[i])
	}
}

// Every limit stands once: the text of a check takes it from its judge.
func TestTextAndJudgeGiveOneLimit(t *testing.T) {
	used := map[string]bool{}
	placeholder := regexp.MustCompile(`\{([a-z-]+)\}`)
	figure := regexp.MustCompile(`\d+ ?(%|K\b|°C|kPa|V\b|mm\b|rpm)`)
	in := ""
	for _, line := range strings.Split(causesText, "\n") {
		if strings.HasPrefix(line, "check ") {
			in = line
		}
		text, ok := strings.CutPrefix(line, "  how: ")
		if !ok {
			continue
		}
		for _, m := range placeholder.FindAllStringSubmatch(text, -1) {
			used[m[1]] = true
		}
		text, _, _ = strings.Cut(placeholder.ReplaceAllString(text, ""), " | ")
		for _, m := range figure.FindAllString(text, -1) {
			assert.Contains(t, []string{"20 °C", "80 °C"}, m, "%s: a limit of its own: %s", in, text)
		}
	}
	for name := range cooling.Limits() {
		assert.True(t, used[name], "no check's text gives %s", name)
	}
	_, err := withLimits("over {dark-fial} %")
	assert.ErrorContains(t, err, "did you mean dark-fail")
}

// The core that was measured dark is blocked in any belief, and the figure counts
// instead of the word beside it.
func TestMeasuredCore(t *testing.T) {
	for _, prior := range []string{"0.03", "0.26"} {
		l := troubled()
		checked(l, "light-test", "pass", "dark_pct=80", day(61))
		f := fleetOf(l)
		f.Settings = schema.Settings{"prior.blocked-core": prior}
		r, err := Rank(f, "R4", day(62))
		require.NoError(t, err)
		assert.Equal(t, "blocked-core", r.Candidates[0].Cause)
		assert.Greater(t, r.Candidates[0].Probability, 0.95)
	}
}

// Too little coolant is a state with its reasons: what brings it rises with it.
func TestLowCoolantHasReasons(t *testing.T) {
	l := troubled()
	l.Machine.CoolantL = schema.N(4)
	before := rank(t, fleetOf(l))
	checked(l, "neck-level", "fail", "below_neck_ml=600", day(61))
	after := rank(t, fleetOf(l))
	of := func(r Result, cause string) float64 {
		return r.Candidates[slices.IndexFunc(r.Candidates,
			func(c Candidate) bool { return c.Cause == cause })].Probability
	}
	assert.Greater(t, of(after, "low-coolant"), 0.95)
	assert.Greater(t, of(after, "external-leak"), of(before, "external-leak"))
}
