package stat

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// design assigns coefficients to the levels of the factors. The factor with the
// most levels is absorbed: all its levels have a coefficient (there is no
// intercept), and since a row has only one of them, its block of the
// information is diagonal. Each other factor has a reference level without a
// coefficient.
type design struct {
	absorbed int
	na       int      // levels of the absorbed factor: coefficients 0 to na-1
	n        int      // coefficients
	col      [][]int  // [factor][level]: coefficient, -1 for a reference or a dead level
	dead     [][]bool // [factor][level]: without events, so its fitted rate is 0
	deadRow  []bool   // of a dead level, or without exposure
	others   [][]int  // [row]: coefficients except the absorbed factor's
	// mixedFrom to mixedTo are the coefficients of a random factor, all of its
	// levels; precision is one over their variance.
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
		most := 0 // the reference: most events, so that no ratio depends on a thin level
		for l := range events {
			if events[l] > events[most] {
				most = l
			}
		}
		mixed := f == g.random && f > 0
		// Without an intercept one other factor has all its levels: Factors[0], if
		// the absorbed one is random.
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

// eta returns the linear predictor of row i without its exposure.
func (x *design) eta(g *grouped, i int, coef []float64) float64 {
	s := coef[g.codes[x.absorbed][i]]
	for _, c := range x.others[i] {
		s += coef[c]
	}
	return s
}

// arrow is the information matrix sum(w x x') with its diagonal block (the
// absorbed factor) apart: [[D, B'], [B, C]]. Solving by the Schur complement C
// - B D^-1 B' costs what the small block costs, however many levels the
// absorbed factor has.
type arrow struct {
	na, p int
	d     []float64 // na
	b     []float64 // p rows of na
	c     []float64 // p x p, lower triangle filled
	kept  []int     // the columns of p that are independent
	schur mat.Cholesky
	// failed means that the matrix is singular: solutions are then NaN.
	failed bool
}

// newArrow allocates an arrow; kept nil keeps all columns.
func newArrow(x *design, kept []int) *arrow {
	p := x.n - x.na
	if kept == nil {
		for r := range p {
			kept = append(kept, r)
		}
	}
	return &arrow{na: x.na, p: p, d: make([]float64, x.na), b: make([]float64, p*x.na), c: make([]float64, p*p),
		kept: kept}
}

// fill sums w x x' over the rows that are not dead.
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

// logDet returns the logarithm of the determinant, without zero factors.
func (a *arrow) logDet() float64 {
	sum := 0.0
	for _, d := range a.d {
		if d > 0 {
			sum += math.Log(d)
		}
	}
	if len(a.kept) > 0 && !a.failed {
		sum += a.schur.LogDet()
	}
	return sum
}

// complement returns the Schur complement of the columns kept, at least one.
func (a *arrow) complement() *mat.SymDense {
	n := len(a.kept)
	scaled := mat.NewDense(n, a.na, nil) // B D^-1/2
	for k, r := range a.kept {
		row := scaled.RawRowView(k)
		for j, v := range a.b[r*a.na : (r+1)*a.na] {
			if v != 0 {
				row[j] = v / math.Sqrt(a.d[j])
			}
		}
	}
	s := mat.NewSymDense(n, nil)
	s.SymOuterK(-1, scaled)
	for k, r := range a.kept {
		for l, q := range a.kept[:k+1] {
			s.SetSym(k, l, s.At(k, l)+a.c[r*a.p+q])
		}
	}
	return s
}

// independent keeps the columns that are independent: of those left out nothing
// remains, relative to their own size.
func (a *arrow) independent() {
	if a.p == 0 {
		return
	}
	s := a.complement()
	for r := range a.p {
		for q := range r + 1 {
			if size := math.Sqrt(a.c[r*a.p+r] * a.c[q*a.p+q]); size > 0 {
				s.SetSym(r, q, s.At(r, q)/size)
			}
		}
	}
	var pivoted mat.PivotedCholesky
	pivoted.Factorize(s, 1e-9)
	a.kept = pivoted.ColumnPivots(nil)[:pivoted.Rank()]
	slices.Sort(a.kept)
}

// factorise prepares the arrow for solve. A remainder lost to rounding is made
// positive: its column is nearly undetermined.
func (a *arrow) factorise() {
	if len(a.kept) == 0 {
		return
	}
	s := a.complement()
	a.failed = false
	for ridge := 1e-14; !a.schur.Factorize(s); ridge *= 100 {
		if a.failed = ridge > 1; a.failed {
			return
		}
		for k, r := range a.kept {
			s.SetSym(k, k, s.At(k, k)+ridge*a.c[r*a.p+r])
		}
	}
}

// solve returns the solution of H u = v, 0 for dead coefficients and those not
// kept.
func (a *arrow) solve(v []float64) []float64 {
	u := make([]float64, a.na+a.p)
	for j := range a.na {
		if a.d[j] > 0 {
			u[j] = v[j] / a.d[j]
		}
	}
	if len(a.kept) == 0 {
		return u
	}
	y := mat.NewVecDense(len(a.kept), nil)
	for k, r := range a.kept {
		y.SetVec(k, v[a.na+r]-dot(a.b[r*a.na:(r+1)*a.na], u))
	}
	if a.failed {
		y.ScaleVec(math.NaN(), y)
	} else {
		_ = a.schur.SolveVecTo(y, y) // the error only says ill conditioned, as a nearly undetermined column is
	}
	for k, r := range a.kept {
		u[a.na+r] = y.AtVec(k)
		for j, b := range a.b[r*a.na : (r+1)*a.na] {
			if b != 0 {
				u[j] -= b * u[a.na+r] / a.d[j]
			}
		}
	}
	return u
}

// column returns H e_k for a coefficient outside the absorbed factor.
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
