package stat

import "math"

// lossModel is one model, among those that the readings allow, of how a level
// falls, is read and is topped up. All errors are taken as normal.
type lossModel struct {
	steps   lossSteps
	misread float64 // sd of a reading by eye, mL
	spread  float64 // variance that an hour adds to the loss, mL^2/h: 0 for an even loss
	habit   habit
	log     float64 // log prior
}

// habit is how a keeper tops up.
type habit int

const (
	pours  habit = iota // whole steps, exactly, until the level is near the mark
	fills               // to the mark by eye; the recorded volume is rounded
	prompt              // as fills, but as soon as half a step is missing: less was added than the recorded step
	adds                // about the recorded volume, ending somewhere near the mark
)

// jug returns the variance of the volume added about the recorded one.
func (m *lossModel) jug() float64 {
	if m.habit == pours {
		return 0
	}
	return m.steps.topUp * m.steps.topUp / 12
}

// filled returns the variance of the level about the mark after a top-up.
func (m *lossModel) filled() float64 {
	round := m.steps.topUp * m.steps.topUp / 12
	switch m.habit {
	case pours:
		return round + m.misread*m.misread
	case fills, prompt:
		return m.misread * m.misread
	}
	return round + 4*m.misread*m.misread
}

// boiled returns the variance of a recorded boil-over: somebody's guess at a
// puddle. Common practice, no source.
func boiled(ml float64) float64 {
	if ml == 0 {
		return 0
	}
	return 25*25 + 0.2*0.2*ml*ml
}

// reading is a look in a chain. Within a chain only known volumes were added
// and removed: its readings are cumulative from its beginning.
type reading struct {
	hours  float64 // since the chain began
	sum    float64 // level read, plus all added before, less what is explained; for a top-up all that was added
	below  float64 // as read, mL
	topUp  bool
	poured float64 // as recorded, mL
	atMark bool    // read 0
	topUps int     // top-ups dropped by thinning since the reading before
	boiled float64 // variance of what boiled over since the reading before, mL^2
	year   float64
}

// lossFilter carries the level and the rounding error through the readings
// (Kalman 1960, J. Basic Eng. 82), for the readings and for every column that
// may explain them. Variances depend on neither, so the likelihood of any
// combination of columns, such as a rate of loss, follows from the innovations
// by least squares (Rosenberg 1973, Ann. Econ. Soc. Meas. 2).
//
// Rounding is not independent noise: while less than a step is lost, readings
// repeat the same rounding error. Its correlation falls like a sawtooth's,
// exp(-6 u) for u steps lost.
type lossFilter struct {
	readings  []reading // of all chains
	start     []bool    // of a chain
	columns   [][]float64
	pace      []float64 // of the loss between a reading and the one before, relative to the mean; nil: even
	ml, hours float64

	step       float64   // the step for which keep was computed
	keep       []float64 // correlation of the rounding error with that of the reading before
	gains      []gain
	read       []float64
	innovation []float64   // of the readings, in their sd
	explained  [][]float64 // of each column
	logDet     float64     // of the covariance
}

// gain is the effect of a reading on the level and the rounding error.
type gain struct {
	sees         float64 // the share of the rounding error in the reading
	keep         float64
	level, round float64
	w            float64 // one over the predicted sd of the reading
	start        bool
}

// newLossFilter prepares the chains; the first column is their hours.
func newLossFilter(chains [][]reading, columns ...func(at float64, m *reading) float64) *lossFilter {
	f := &lossFilter{columns: make([][]float64, 1+len(columns))}
	n := 0
	for _, c := range chains {
		n += len(c)
	}
	f.readings, f.start, f.gains = make([]reading, 0, n), make([]bool, 0, n), make([]gain, n)
	f.keep, f.read, f.innovation = make([]float64, n), make([]float64, n), make([]float64, n)
	f.explained = make([][]float64, len(f.columns))
	for k := range f.columns {
		f.columns[k], f.explained[k] = make([]float64, n), make([]float64, n)
	}
	for _, c := range chains {
		for i := range c {
			at := len(f.readings)
			f.readings, f.start = append(f.readings, c[i]), append(f.start, i == 0)
			f.columns[0][at] = c[i].hours
			for k, column := range columns {
				f.columns[1+k][at] = column(f.hours+c[i].hours, &c[i])
			}
		}
		last := &c[len(c)-1]
		f.ml, f.hours = f.ml+last.sum-c[0].sum, f.hours+last.hours
	}
	return f
}

// turning returns the rate, mL/h, at which the rounding error changes: by what
// was lost, and half a step that may be unseen. If readings never change, the
// loss alone would keep the rounding error constant too, and they would prove
// that nothing was lost.
func (f *lossFilter) turning(m *lossModel) float64 {
	return (math.Max(f.ml, 0) + m.steps.level/2) / f.hours
}

func (f *lossFilter) paceAt(i int) float64 {
	if f.pace == nil {
		return 1
	}
	return f.pace[i]
}

// run filters the readings and the columns under m.
func (f *lossFilter) run(m *lossModel) {
	step, misread := m.steps.level, m.misread*m.misread
	if f.step != step {
		f.step = step
		rate := f.turning(m)
		for i := range f.readings {
			if !f.start[i] {
				f.keep[i] = math.Exp(-6 * rate * f.paceAt(i) * (f.readings[i].hours - f.readings[i-1].hours) / step)
			}
		}
	}
	rounding := step * step / 12
	jug, filled := m.jug(), m.filled()
	loose := math.Exp(-2 * math.Pi * math.Pi * jug / (step * step))
	// A reading of 0 hides how far above the mark the last top-up ended.
	above := step / 2
	if m.habit == pours {
		above = math.Max(above, m.steps.topUp/2)
	}
	widened := (above + step/2) / step
	centre := (above - step/2) / 2
	product, zeros := 1.0, 0
	f.logDet = 0
	var p11, p12, p22, less float64
	for i := range f.readings {
		g, to := &f.readings[i], &f.gains[i]
		if f.start[i] {
			less = 0
		}
		put := jug
		if m.habit == prompt && g.topUp && g.poured < 1.01*m.steps.topUp && !f.start[i] {
			less += 0.3 * m.steps.topUp
			put /= 6 // from half a step to nine tenths of one was added
		}
		h, r := 1.0, misread // effect of the rounding error on the reading, and the reading's own variance
		f.read[i] = g.sum - less
		switch {
		case g.topUp:
			h, r = 0, filled
		case g.atMark:
			h, f.read[i] = widened, f.read[i]-centre
			zeros++
		}
		to.sees, to.start = h, f.start[i]
		if f.start[i] {
			p11, p12, p22 = h*h*rounding+r, -h*rounding, rounding
			continue
		}
		p11 += m.spread*f.paceAt(i)*(g.hours-f.readings[i-1].hours) + g.boiled + jug*float64(g.topUps)
		keep := f.keep[i]
		if g.topUp && put > 0 {
			p11 += put
			keep *= loose // a volume poured ends anywhere between two steps
		}
		p12 *= keep
		p22 = keep*keep*p22 + (1-keep*keep)*rounding
		s := p11 + 2*h*p12 + h*h*p22 + r
		to.keep, to.level, to.round, to.w = keep, (p11+h*p12)/s, (p12+h*p22)/s, 1/math.Sqrt(s)
		product *= s
		if product > 1e200 || product < 1e-200 {
			f.logDet += math.Log(product)
			product = 1
		}
		p11, p12, p22 = p11-to.level*s*to.level, p12-to.level*s*to.round, p22-to.round*s*to.round
	}
	// What counts is the probability of a reading: its density times the width it
	// stands for.
	f.logDet += math.Log(product) - 2*float64(zeros)*math.Log(widened)
	f.innovate(f.innovation, f.read)
	for k, c := range f.columns {
		f.innovate(f.explained[k], c)
	}
}

// innovate computes what each reading adds to those before it, in its sd; 0 at
// the beginning of a chain, where nothing was known.
func (f *lossFilter) innovate(out, column []float64) {
	level, round := 0.0, 0.0
	for i := range f.gains {
		g := &f.gains[i]
		if g.start {
			level, round, out[i] = column[i], 0, 0
			continue
		}
		round *= g.keep
		e := column[i] - level - g.sees*round
		level += g.level * e
		round += g.round * e
		out[i] = e * g.w
	}
}
