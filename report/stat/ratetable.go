package stat

import (
	"fmt"
	"slices"
)

// RateTable is events and exposure by row, with the level of every factor. Rows
// need not be grouped: rows of the same levels are added up first, which loses
// nothing. All lists have one length, and there is at least one factor.
type RateTable struct {
	Events   []int
	Exposure []float64
	// Factors[f][i] is the level of row i in factor f, from 0. Factors[0] is the
	// factor asked about; the others are held.
	Factors [][]int
	// Random > 0 is a factor whose levels are drawn from one distribution instead
	// of each having its own rate: see FitRates.
	Random int
	// Repeated is how many times more than Poisson counts the data vary because
	// events come several in a run, see the function Repeated; 0 means 1.
	Repeated float64
	// Cluster[i] identifies what rows of one origin (a machine) have in common;
	// nil if nothing. A cluster for every row gives White's (1980) errors.
	Cluster []int
}

// grouped is a RateTable with the rows of equal levels added up to strata.
type grouped struct {
	events   []float64
	exposure []float64
	codes    [][]int // [factor][stratum]
	levels   []int
	rows     []member // by cluster, if rows have one
	clusters int
	random   int // factor, 0 none
}

// member is a row's part of a stratum.
type member struct {
	cluster, stratum int32
	events, exposure float64
}

func group(t RateTable) (*grouped, string) {
	n := len(t.Events)
	for i, h := range t.Exposure {
		if why := checkRate(t.Events[i], h, Level95); why != "" && (h != 0 || t.Events[i] != 0) {
			return nil, fmt.Sprintf("row %d: %s", i, why)
		}
	}
	g := &grouped{levels: make([]int, len(t.Factors)), codes: make([][]int, len(t.Factors)), random: t.Random}
	stratum, bound := make([]int, n), 1
	for f, codes := range t.Factors {
		for _, c := range codes {
			g.levels[f] = max(g.levels[f], c+1)
		}
		bound = pack(stratum, bound, codes, g.levels[f])
	}
	strata := compress(stratum)
	g.events, g.exposure = make([]float64, strata), make([]float64, strata)
	for f := range g.codes {
		g.codes[f] = make([]int, strata)
	}
	for i, s := range stratum {
		g.events[s] += float64(t.Events[i])
		g.exposure[s] += t.Exposure[i]
		for f := range g.codes {
			g.codes[f][s] = t.Factors[f][i]
		}
	}
	if t.Cluster == nil {
		return g, ""
	}
	ids := slices.Clone(t.Cluster)
	g.clusters = compress(ids)
	next := make([]int, g.clusters+1) // where each cluster's rows go
	for _, c := range ids {
		next[c+1]++
	}
	for c := range g.clusters {
		next[c+1] += next[c]
	}
	g.rows = make([]member, n)
	for i, c := range ids {
		g.rows[next[c]] = member{int32(c), int32(stratum[i]), float64(t.Events[i]), t.Exposure[i]}
		next[c]++
	}
	return g, ""
}

// pack combines codes into ids < bound, and returns the new bound. Ids are
// renumbered before they could overflow.
func pack(ids []int, bound int, codes []int, levels int) int {
	levels = max(levels, 1)
	if bound > 1<<62/levels {
		bound = compress(ids)
	}
	for i, c := range codes {
		ids[i] = ids[i]*levels + c
	}
	return bound * levels
}

// compress renumbers ids 0, 1, ... in order of first appearance, and counts
// them.
func compress(ids []int) int {
	low, high := 0, 0
	for _, id := range ids {
		low, high = min(low, id), max(high, id)
	}
	if low == 0 && high <= 2*len(ids) { // few levels: no map is needed
		number, count := make([]int32, high+1), int32(0)
		for i, id := range ids {
			if number[id] == 0 {
				count++
				number[id] = count
			}
			ids[i] = int(number[id]) - 1
		}
		return int(count)
	}
	seen := make(map[int]int, min(len(ids), 1<<20))
	for i, id := range ids {
		n, ok := seen[id]
		if !ok {
			n = len(seen)
			seen[id] = n
		}
		ids[i] = n
	}
	return len(seen)
}
