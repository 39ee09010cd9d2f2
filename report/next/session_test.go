package next

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

func troubled() *schema.Log {
	l := yard(60)
	for _, at := range []int{43, 52} {
		overheat(l, at, 60, nil)
	}
	return l
}

func TestSessionEndsAtTheCause(t *testing.T) {
	s, err := Start(fleetOf(troubled()), "R4", day(60))
	require.NoError(t, err)
	now := day(61)
	seen := map[string]bool{}
	var kept []schema.Check
	for range 30 {
		step := s.Next()
		if step.Check == nil {
			assert.Equal(t, "blocked-core", step.Cause)
			assert.Contains(t, step.Says, "blocked-core stands out")
			break
		}
		assert.NotEmpty(t, step.Check.Caution)
		assert.NotEmpty(t, step.PassMeans)
		assert.False(t, seen[step.Check.Check], "%s proposed twice", step.Check.Check)
		seen[step.Check.Check] = true
		answer := "p"
		now = now.Add(time.Minute)
		if step.Check.Check == "light-test" { // measured, not typed
			c := schema.Check{Check: "light-test", Value: schema.N(80), Unit: "pct", Result: "fail"}
			c.Machine, c.At = "R4", now
			require.NoError(t, s.Add(c))
			kept = append(kept, c)
			continue
		}
		c, ok, err := s.Answer(answer, now)
		require.NoError(t, err)
		require.True(t, ok)
		require.NoError(t, c.Validate())
		kept = append(kept, c)
	}
	assert.Contains(t, seen, "light-test")
	// Left and resumed on the book as it is, it says the same.
	l := troubled()
	l.Checks = kept
	again, err := Start(fleetOf(l), "R4", now)
	require.NoError(t, err)
	assert.Equal(t, s.Next(), again.Next())
}

func TestSessionEndsWhenNothingMoreCanBeTold(t *testing.T) {
	s, err := Start(fleetOf(troubled()), "R4", time.Time{})
	require.NoError(t, err)
	steps := 0
	for ; s.Next().Check != nil; steps++ {
		require.LessOrEqual(t, steps, len(schema.Words("check")))
		_, _, err := s.Answer("unsure", day(61))
		require.NoError(t, err)
	}
	step := s.Next()
	assert.Empty(t, step.Cause)
	assert.Contains(t, step.Says, "no check left is worth its time")
	_, _, err = s.Answer("pass", day(61))
	assert.ErrorContains(t, err, "at its end")
}

func TestSessionAnswers(t *testing.T) {
	s, err := Start(fleetOf(troubled()), "R4", time.Time{})
	require.NoError(t, err)
	first := s.Next().Check.Check
	_, _, err = s.Answer("perhaps", day(61))
	assert.ErrorContains(t, err, "should be pass, fail, unsure, skip or stop")
	assert.Equal(t, first, s.Next().Check.Check, "a wrong answer changes nothing")
	_, ok, err := s.Answer("skip", day(61))
	require.NoError(t, err)
	assert.False(t, ok, "nothing to keep")
	assert.NotEqual(t, first, s.Next().Check.Check)
	second, ok, err := s.Answer("u", day(61))
	require.NoError(t, err)
	assert.True(t, ok)
	assert.Equal(t, "unsure", second.Result)
	assert.Equal(t, "R4", second.Machine)
	assert.Equal(t, day(61), second.At)

	sound, err := Start(fleetOf(yard(60)), "R4", time.Time{})
	require.NoError(t, err)
	assert.Contains(t, sound.Next().Says, "nothing to look for")
	_, err = Start(fleetOf(yard(60)), "R5", time.Time{})
	assert.ErrorContains(t, err, "no machine")
}
