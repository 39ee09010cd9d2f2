package stat

import (
	"cmp"
	"math"
	"slices"
)

// Holm returns p-values adjusted so that they bound the chance of one or more
// false rejections, under any dependence (Holm 1979, Scand. J. Statist. 6), in
// the order of ps.
func Holm(ps []float64) []float64 {
	order := make([]int, len(ps))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(ps[a], ps[b]) })
	out := make([]float64, len(ps))
	worst := 0.0
	for rank, i := range order {
		worst = math.Max(worst, math.Min(1, float64(len(ps)-rank)*ps[i]))
		out[i] = worst
	}
	return out
}
