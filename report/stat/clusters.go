package stat

import (
	"fmt"
	"math"
)

const minClusters = 5 // fewer tell too little of how they differ

// clustered tests whether events come in clusters, and if so keeps the scores
// of the clusters.
func (f *RateFit) clustered() {
	var x2, expected, spread float64
	n := 0
	v := make([]float64, f.x.n)
	f.eachCluster(func(rows []member) {
		clear(v)
		off, mean := 0.0, 0.0
		for i := range rows {
			m := f.expected(&rows[i])
			off += rows[i].events - m
			mean += m
			f.spreadOver(v, int(rows[i].stratum), m)
		}
		if mean == 0 {
			return
		}
		free := 1 - dot(v, f.h.solve(v))/mean // the part of the cluster's variance left by the fit
		if free < 1e-6 {
			return // the cluster is itself a level: its residual is 0
		}
		n++
		x2 += off * off / mean
		expected += free
		spread += 1 / mean
	})
	if n < 2 || (x2-expected)/math.Sqrt(2*expected+spread) <= zFor(0.90) {
		return
	}
	phi := x2 / expected
	f.Warnings = append(f.Warnings, fmt.Sprintf("the %d machines differ by more than chance (%.2g times the spread): "+
		"only the intervals that allow for something are wider for it", n, phi))
	if n < minClusters || f.g.random > 0 {
		f.Phi, f.Scale = math.Max(f.Phi, phi), QuasiPoisson
		return
	}
	f.Scale, f.clusters = Clustered, n
	f.eachCluster(func(rows []member) {
		clear(v)
		for i := range rows {
			if !f.x.deadRow[rows[i].stratum] {
				f.spreadOver(v, int(rows[i].stratum), rows[i].events-f.expected(&rows[i]))
			}
		}
		f.scores.add(v)
	})
}

// eachCluster calls do with the rows of each cluster.
func (f *RateFit) eachCluster(do func([]member)) {
	rows := f.g.rows
	for len(rows) > 0 {
		n := 1
		for n < len(rows) && rows[n].cluster == rows[0].cluster {
			n++
		}
		do(rows[:n])
		rows = rows[n:]
	}
}

// expected returns the expected events of a row.
func (f *RateFit) expected(m *member) float64 {
	if m.exposure == 0 {
		return 0
	}
	return f.mu[m.stratum] * m.exposure / f.g.exposure[m.stratum]
}

// spreadOver adds w to the coefficients of a stratum.
func (f *RateFit) spreadOver(v []float64, stratum int, w float64) {
	v[f.g.codes[f.x.absorbed][stratum]] += w
	for _, k := range f.x.others[stratum] {
		v[k] += w
	}
}

// sparse holds vectors by their elements that are not 0.
type sparse struct {
	ends []int
	at   []int32
	v    []float64
}

func (s *sparse) add(v []float64) {
	for k, x := range v {
		if x != 0 {
			s.at, s.v = append(s.at, int32(k)), append(s.v, x)
		}
	}
	s.ends = append(s.ends, len(s.at))
}

// squares returns the sum of the squares of the vectors' products with u.
func (s *sparse) squares(u []float64) float64 {
	total, from := 0.0, 0
	for _, to := range s.ends {
		sum := 0.0
		for i := from; i < to; i++ {
			sum += s.v[i] * u[s.at[i]]
		}
		total += sum * sum
		from = to
	}
	return total
}
