package say

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// What stands here beside each value is how a person writes it: common practice, no source.
func TestCountsAndNouns(t *testing.T) {
	require.Equal(t, "1 run", Count(1, "run"))
	require.Equal(t, "0 runs", Count(0, "run"))
	require.Equal(t, "2 stretches", Count(2, "stretch"))
	require.Equal(t, "3 pieces of work", Count(3, "piece of work", "pieces of work"))
	require.Equal(t, "more hours", Noun(2.5, "more hour"))
}

func TestFigures(t *testing.T) {
	for v, is := range map[float64][4]string{ // figure, roughly, up to one decimal, to two figures
		0:         {"0", "0", "0", "0"},
		-0.0001:   {"-0.0001", "0", "0", "0"},
		0.0456:    {"0.046", "0", "0", "0.05"},
		1:         {"1", "1", "1", "1"},
		3.14159:   {"3.14", "3.1", "3.1", "3.1"},
		9.96:      {"9.96", "10", "10", "10"},
		41.26:     {"41.3", "41", "41.3", "41"},
		999.96:    {"1000", "1000", "1,000", "1,000"},
		-1234.5:   {"-1234", "-1234", "-1,234.5", "-1,200"},
		1234567.8: {"1234568", "1234568", "1,234,567.8", "1,200,000"},
	} {
		require.Equal(t, is, [4]string{Figure(v), Roughly(v), Decimals(v, 1), Decimals(Rounded(v, 2), 2)}, "%v", v)
	}
}

func TestListsAndSentences(t *testing.T) {
	require.Empty(t, List(nil, "and"))
	require.Equal(t, "a", List([]string{"a"}, "and"))
	require.Equal(t, "a and b", List([]string{"a", "b"}, "and"))
	require.Equal(t, "a, b or c", List([]string{"a", "b", "c"}, "or"))
	require.Equal(t, "a, b, c", Several([]string{"a", "b", "c"}, 3))
	require.Equal(t, "a and 2 more", Several([]string{"a", "b", "c"}, 2))
	require.Equal(t, "It held.", Sentence("it held"))
	require.Equal(t, "Did it hold?", Sentence("Did it hold?"))
	require.Empty(t, Sentence(""))
	var said []string
	Once(&said, "%d h", 3)
	Once(&said, "%d h", 3)
	require.Equal(t, []string{"3 h"}, said)
}

func TestTimesAreSaidInTheirZone(t *testing.T) {
	east := time.FixedZone("east", 3600)
	at := time.Date(2026, 3, 1, 23, 30, 0, 0, time.UTC)
	require.Equal(t, "2 Mar 2026", Day(at, east))
	require.Equal(t, "2 Mar 2026 00:30", Moment(at, east))
}
