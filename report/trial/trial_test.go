package trial

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestTrial prints the scores of every world: with TRIAL=n, n machines a world
// are brought to a mechanic, and the rest in proportion. TRIAL_KEPT=1 takes the
// worlds kept back. TRIAL_PARTS names the parts to
// do, all of them unless told: a, b, c (with d and g), e (with f), x for the edges.
func TestTrial(t *testing.T) {
	n := trials()
	if n == 0 {
		t.Skip("TRIAL=n says how many machines")
	}
	parts := os.Getenv("TRIAL_PARTS")
	if parts == "" {
		parts = "abcex"
	}
	var all []*score
	for _, w := range worlds() {
		s := newScore(w)
		took := time.Now()
		step := func(part string, do func()) {
			if strings.Contains(parts, part) {
				do()
				t.Logf("%s %s: %v", w.name, part, time.Since(took).Round(time.Millisecond))
			}
		}
		step("a", func() { s.keepers(w, max(2, n/4)) })
		step("b", func() { s.driving(w, max(2, n/6)) })
		step("c", func() { s.mechanic(w, n) })
		step("e", func() { s.fleets(w, max(1, n/8)) })
		all = append(all, s)
	}
	fmt.Println(table(all))
	fmt.Println(details(all))
	if strings.Contains(parts, "x") {
		fmt.Println(edgeTable(worlds(), max(1, n/12)))
	}
}

// Whatever the world, what is said can be read: chances are chances, the first
// candidate is the likeliest, and a machine plainly ill is not passed over.
func TestSaysSomething(t *testing.T) {
	for _, w := range worlds() {
		y, m, ok := patient(w, 5, "thermostat")
		require.True(t, ok, w.name)
		say := y.ask(m)
		assert.Contains(t, []string{"check", "mend", "advise"}, say.act, w.name)
		last := 1.0
		for _, c := range say.r.Candidates {
			assert.True(t, c.Probability >= 0 && c.Probability <= last, "%s: %s %v", w.name, c.Cause, c.Probability)
			last = c.Probability
		}
		assert.NotEmpty(t, say.r.Candidates, w.name)
	}
}

// Whoever does what is said of a parked machine with a bad head gasket comes to the
// gasket: looks while it is suspected have an end.
func TestAGasketIsGoneAt(t *testing.T) {
	for _, seed := range []uint64{20001, 20002} {
		y, m, ok := patient(minutes(), seed, "head-gasket")
		require.True(t, ok)
		w := treat(y, m, "next", func(said) {})
		assert.True(t, w.found && !w.gaveUp, "machine %d", seed)
	}
}
