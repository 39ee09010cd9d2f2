package stat

import "math"

// design says which coefficient each level of each factor has. The factor with
// the most levels is absorbed: all its levels have a coefficient (there is no
// intercept), and since a row has one level of it, its block of the information
// is diagonal. The others have a reference level without a coefficient.
type design struct {
	absorbed int
	na       int      // levels of the absorbed factor: coefficients 0 to na-1
	n        int      // coefficients
	col      [][]int  // [factor][level]: coefficient, -1 for a reference or a dead level
	dead     [][]bool // [factor][level]: no event there: fitted rate 0
	deadRow  []bool   // of a dead level, or without exposure
	others   [][]int  // [row]: coefficients but for the absorbed factor's
	// mixedFrom to mixedTo are the coefficients of a random factor, all of its
	// levels, and precision is one over their variance.
	mixedFrom, mixedTo int
	precision          float64
}

func newDesign(g *grouped) *design {
	x := &design{deadRow: make([]bool, len(g.events)), others: make([][]int, len(g.events)), precision: 1}
	for f, n := range g.levels {
		if n > g.levels[x.absorbed] {
			x.absorbed = f
		}
	}
	x.na = g.levels[x.absorbed]
	x.n = x.na
	x.col, x.dead = make([][]int, len(g.levels)), make([][]bool, len(g.levels))
	for f, n := range g.levels {
		x.col[f], x.dead[f] = make([]int, n), make([]bool, n)
		events := make([]float64, n)
		for i, l := range g.codes[f] {
			events[l] += g.events[i]
		}
		most := 0 // the reference: most events, so that nothing hangs on a thin level
		for l := range events {
			if events[l] > events[most] {
				most = l
			}
		}
		mixed := f == g.random && f > 0
		// without an intercept one other factor has all its levels: Factors[0], if
		// the absorbed one is random
		whole := mixed || f == 0 && x.absorbed == g.random
		if mixed {
			x.mixedFrom, x.mixedTo = x.n, x.n+n
			if f == x.absorbed {
				x.mixedFrom, x.mixedTo = 0, n
			}
		}
		for l := range n {
			x.dead[f][l] = events[l] == 0 && !mixed
			switch {
			case f == x.absorbed:
				x.col[f][l] = l
			case l == most && !whole || x.dead[f][l]:
				x.col[f][l] = -1
			default:
				x.col[f][l] = x.n
				x.n++
			}
		}
		for i, l := range g.codes[f] {
			if x.dead[f][l] || g.exposure[i] == 0 {
				x.deadRow[i] = true
			}
		}
	}
	flat := make([]int, 0, len(x.others)*(len(g.codes)-1))
	for i := range x.others {
		from := len(flat)
		for f := range g.codes {
			if c := x.col[f][g.codes[f][i]]; f != x.absorbed && c >= 0 {
				flat = append(flat, c)
			}
		}
		x.others[i] = flat[from:]
	}
	return x
}

// eta is the linear predictor of row i without its exposure.
func (x *design) eta(g *grouped, i int, coef []float64) float64 {
	s := coef[g.codes[x.absorbed][i]]
	for _, c := range x.others[i] {
		s += coef[c]
	}
	return s
}

// arrow is the information matrix sum(w x x') with its diagonal block (the
// absorbed factor) apart: [[D, B'], [B, C]]. Solving by the Schur complement
// C - B D^-1 B' costs what the small block costs, however many levels the
// absorbed factor has.
type arrow struct {
	na, p   int
	d       []float64 // na
	b       []float64 // p rows of na
	c       []float64 // p x p, lower triangle filled
	chol    []float64 // p x p lower
	dropped []bool    // p: columns that depend on those before
}

func newArrow(x *design, dropped []bool) *arrow {
	p := x.n - x.na
	if dropped == nil {
		dropped = make([]bool, p)
	}
	return &arrow{na: x.na, p: p, d: make([]float64, x.na), b: make([]float64, p*x.na), c: make([]float64, p*p),
		chol: make([]float64, p*p), dropped: dropped}
}

// fill sums w x x' over the living rows.
func (a *arrow) fill(g *grouped, x *design, w []float64) {
	clear(a.d)
	clear(a.b)
	clear(a.c)
	levels := g.codes[x.absorbed]
	for i, wi := range w {
		if x.deadRow[i] {
			continue
		}
		j := levels[i]
		a.d[j] += wi
		for k, c := range x.others[i] {
			c -= a.na
			a.b[c*a.na+j] += wi
			for _, c2 := range x.others[i][:k+1] {
				c2 -= a.na
				a.c[max(c, c2)*a.p+min(c, c2)] += wi
			}
		}
	}
	for k := x.mixedFrom; k < x.mixedTo; k++ {
		if k < a.na {
			a.d[k] += x.precision
		} else {
			a.c[(k-a.na)*(a.p+1)] += x.precision
		}
	}
}

// logDet is the logarithm of the determinant, of what is not 0.
func (a *arrow) logDet() float64 {
	sum := 0.0
	for _, d := range a.d {
		if d > 0 {
			sum += math.Log(d)
		}
	}
	for r := range a.p {
		if !a.dropped[r] {
			sum += 2 * math.Log(a.chol[r*(a.p+1)])
		}
	}
	return sum
}

// factorise makes the Cholesky factor of the Schur complement. With find set, a
// column whose remainder is nothing beside its own size is marked as dropped.
func (a *arrow) factorise(find bool) {
	copy(a.chol, a.c)
	scaled := make([]float64, a.na)
	for r := range a.p {
		br := a.b[r*a.na : (r+1)*a.na]
		for j, v := range br {
			scaled[j] = 0
			if v != 0 {
				scaled[j] = v / a.d[j]
			}
		}
		for s := 0; s <= r; s++ {
			sum := 0.0
			for j, v := range a.b[s*a.na : (s+1)*a.na] {
				sum += v * scaled[j]
			}
			a.chol[r*a.p+s] -= sum
		}
	}
	for r := range a.p {
		row := a.chol[r*a.p : (r+1)*a.p]
		if a.dropped[r] {
			clear(row)
			continue
		}
		for s := 0; s <= r; s++ {
			if s < r && a.dropped[s] {
				row[s] = 0
				continue
			}
			sum := row[s]
			for k, v := range a.chol[s*a.p : s*a.p+s] {
				sum -= v * row[k]
			}
			if s < r {
				row[s] = sum / a.chol[s*a.p+s]
				continue
			}
			if find && sum <= 1e-9*a.c[r*a.p+r] {
				a.dropped[r] = true
				clear(row)
				break
			}
			// a remainder lost to rounding stays positive: its column is all but undetermined
			row[r] = math.Sqrt(math.Max(sum, 1e-14*a.c[r*a.p+r]))
		}
	}
}

// solve gives the solution of H u = v, 0 for dropped and dead coefficients.
func (a *arrow) solve(v []float64) []float64 {
	u := make([]float64, a.na+a.p)
	for j := range a.na {
		if a.d[j] > 0 {
			u[j] = v[j] / a.d[j]
		}
	}
	y := u[a.na:]
	for r := range a.p {
		if a.dropped[r] {
			continue
		}
		sum := v[a.na+r]
		for j, b := range a.b[r*a.na : (r+1)*a.na] {
			sum -= b * u[j]
		}
		for s, l := range a.chol[r*a.p : r*a.p+r] {
			sum -= l * y[s]
		}
		y[r] = sum / a.chol[r*a.p+r]
	}
	for r := a.p - 1; r >= 0; r-- {
		if a.dropped[r] {
			y[r] = 0
			continue
		}
		sum := y[r]
		for s := r + 1; s < a.p; s++ {
			sum -= a.chol[s*a.p+r] * y[s]
		}
		y[r] = sum / a.chol[r*a.p+r]
	}
	for r := range a.p {
		if y[r] == 0 {
			continue
		}
		for j, b := range a.b[r*a.na : (r+1)*a.na] {
			if b != 0 {
				u[j] -= b * y[r] / a.d[j]
			}
		}
	}
	return u
}

// column is H e_k for a coefficient outside the absorbed factor.
func (a *arrow) column(k int) []float64 {
	out := make([]float64, a.na+a.p)
	r := k - a.na
	copy(out, a.b[r*a.na:(r+1)*a.na])
	for s := range a.p {
		out[a.na+s] = a.c[max(r, s)*a.p+min(r, s)]
	}
	return out
}

// leverage returns the function x' H^-1 x of a row.
func (a *arrow) leverage(g *grouped, x *design) func(i int) float64 {
	inverse := make([][]float64, a.p) // rows of the lower blocks of H^-1
	unit := make([]float64, a.na+a.p)
	top := make([]float64, a.na)
	for r := range a.p {
		unit[a.na+r] = 1
		inverse[r] = a.solve(unit)
		unit[a.na+r] = 0
	}
	for j := range a.na {
		if a.d[j] == 0 {
			continue
		}
		top[j] = 1 / a.d[j]
		for r := range a.p {
			top[j] -= a.b[r*a.na+j] * inverse[r][j] / a.d[j]
		}
	}
	return func(i int) float64 {
		j := g.codes[x.absorbed][i]
		sum := top[j]
		for _, c := range x.others[i] {
			row := inverse[c-a.na]
			sum += 2 * row[j]
			for _, c2 := range x.others[i] {
				sum += row[c2]
			}
		}
		return sum
	}
}
