package unit

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestNatural(t *testing.T) {
	names := []string{"R10", "r2", "R1", "R02", "W1", "", "R1b", "Q", "R10-2", "R10-11"}
	slices.SortFunc(names, Natural)
	require.Equal(t, []string{"", "Q", "R1", "R1b", "R02", "r2", "R10", "R10-2", "R10-11", "W1"}, names)
}

// It is an order: what it says one way it says the other way round, and it joins.
func TestNaturalIsAnOrder(t *testing.T) {
	name := rapid.StringMatching(`[RrWw]?[0-9]{0,3}[a-b]?[0-9]{0,2}`)
	rapid.Check(t, func(t *rapid.T) {
		a, b, c := name.Draw(t, "a"), name.Draw(t, "b"), name.Draw(t, "c")
		require.Equal(t, Natural(a, b), -Natural(b, a))
		require.Equal(t, a == b, Natural(a, b) == 0)
		if Natural(a, b) <= 0 && Natural(b, c) <= 0 {
			require.LessOrEqual(t, Natural(a, c), 0)
		}
	})
}
