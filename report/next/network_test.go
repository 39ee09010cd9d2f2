package next

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shedbook/report/cooling"
	"shedbook/schema"
)

func TestTheNetworkIsWhole(t *testing.T) {
	n := theNetwork()
	assert.Len(t, n.causes, len(schema.Words("cause")))
	assert.Len(t, n.checks, len(schema.Words("check")))
	assert.ElementsMatch(t, schema.Words("check"), cooling.Checks(), "a check that is ranked can be judged")
	sum, overload := 0.0, n.cause("overload")
	for k := range n.causes {
		sum += n.causes[k].prior
		sought := 0.0
		for c := range n.checks {
			sought = max(sought, n.checks[c].fails[k])
		}
		if k != overload {
			assert.GreaterOrEqual(t, sought, 0.5, "no check finds %s", n.causes[k].name)
		}
	}
	assert.InDelta(t, 1.05, sum, 0.2, "a machine has one cause, seldom two")
	for k := range n.checks {
		for c, p := range n.checks[k].fails {
			assert.True(t, p == 0 || p > n.checks[k].falsely && p < 1, "%s on %s", n.checks[k].name, n.causes[c].name)
		}
	}
}

// Every figure says where it comes from, and the file can't be broken in
// silence.
func TestTheFileIsRefused(t *testing.T) {
	for name, c := range map[string]struct{ old, new, says string }{
		"no mark":          {"  prior: 0.26 | practice;", "  prior: 0.26 #", "a figure without a mark"},
		"no such cause":    {"cause pump\n", "cause pomp\n", "did you mean pump"},
		"no such check":    {"check wiggle\n", "check wigle\n", "did you mean wiggle"},
		"no such cause on": {"  fails: pump 0.7,", "  fails: pomp 0.7,", "did you mean pump"},
		"no such topic":    {"  caution: hot-cap, fan, exhaust", "  caution: hot-cup, fan, exhaust", "names a topic"},
		"no prior":         {"  prior: 0.26 | practice; one trade article quotes", "# ", "prior"},
		"not a number":     {"  fleet: 20", "  fleet: half 20", "invalid syntax"},
	} {
		t.Run(name, func(t *testing.T) {
			require.Contains(t, causesText, c.old)
			_, err := parseNetwork(strings.Replace(causesText, c.old, c.new, 1))
			assert.ErrorContains(t, err, c.says)
		})
	}
	_, err := parseNetwork(causesText)
	assert.NoError(t, err)
}

func TestCautions(t *testing.T) {
	all := Cautions()
	require.NotEmpty(t, all)
	text := ""
	for _, c := range all {
		assert.NotEmpty(t, c.Short, c.Topic)
		assert.Greater(t, len(c.Text), len(c.Short), c.Topic)
		text += c.Text
	}
	// What must be said, by the list.
	for _, must := range []string{"scalds", "parked and not driven", "Glycol", "dog", "starts by itself", "stands hold",
		"2 bar", "Carbon monoxide",
		"maker's manual", "licensed mechanic", "before any start",
		"nor over a hot one", "dry grass and chaff", "nose to the wind", "within two minutes", "goggles on, cloth",
		"over the open neck"} {
		assert.True(t, strings.Contains(strings.ToLower(text), strings.ToLower(must)), must)
	}
	one, err := CautionOn("fan")
	require.NoError(t, err)
	require.Len(t, one, 1)
	bleed, err := CautionOn("bleed")
	require.NoError(t, err)
	assert.Greater(t, len(bleed), 2, "a check has the cautions of its steps")
	for k := range theNetwork().checks {
		list, err := CautionOn(theNetwork().checks[k].name)
		require.NoError(t, err)
		assert.NotEmpty(t, list)
	}
}
