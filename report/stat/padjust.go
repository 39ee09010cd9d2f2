package stat

import (
	"math"
	"slices"
)

// Holm adjusts p-values so that the chance of one or more false rejections is
// held, under any dependence (Holm 1979, Scand. J. Statist. 6). The order is
// that of ps; adjusted values never fall as p rises.
func Holm(ps []float64) []float64 {
	n, order := len(ps), byValue(ps)
	out := make([]float64, n)
	worst := 0.0
	for rank, i := range order {
		worst = math.Max(worst, math.Min(1, float64(n-rank)*ps[i]))
		out[i] = worst
	}
	return out
}

// BenjaminiHochberg adjusts p-values so that the expected share of false ones
// among the rejections is held (Benjamini & Hochberg 1995, JRSS B 57).
func BenjaminiHochberg(ps []float64) []float64 {
	n, order := len(ps), byValue(ps)
	out := make([]float64, n)
	best := 1.0
	for rank := n - 1; rank >= 0; rank-- {
		i := order[rank]
		best = math.Min(best, float64(n)/float64(rank+1)*ps[i])
		out[i] = best
	}
	return out
}

func byValue(ps []float64) []int {
	order := make([]int, len(ps))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case ps[a] < ps[b]:
			return -1
		case ps[a] > ps[b]:
			return 1
		}
		return 0
	})
	return order
}
