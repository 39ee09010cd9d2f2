package main

import (
	"context"
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"

	"shedbook/report/next"
)

// What the page says of a machine is what the command line says, to the last figure:
// the page knows the others by what it saw of them, the command line by what it reads.
func TestThePageRanksAsTheCommandLine(t *testing.T) {
	y, _ := demoShed(t)
	ctx := context.Background()
	same := func(machines ...string) {
		t.Helper()
		l, err := y.s.look(ctx)
		require.NoError(t, err)
		for _, m := range machines {
			fleet, others, err := l.fleetAround(m)
			require.NoError(t, err)
			page, err := next.RankAmong(fleet, others, m, l.at)
			require.NoError(t, err)
			fleet, others, err = l.among(m)
			require.NoError(t, err)
			line, err := next.RankAmong(fleet, others, m, l.at)
			require.NoError(t, err)
			is, err := json.Marshal(page)
			require.NoError(t, err)
			want, err := json.Marshal(line)
			require.NoError(t, err)
			require.Equal(t, string(want), string(is), m)
		}
	}
	same("W2", "B3")
	// and after records, which the page reads alone
	y.cli("run", "B3", "tam", "3", "mud", "fast", "--at", "2026-10-31 08:00")
	y.cli("overheat", "B3", "tam", "lamp", "fast", "--at", "2026-10-31 09:00")
	y.cli("service", "B4", "new cap", "pressure-cap", "--at", "2026-10-31 09:00")
	same("B3", "W1")
}
