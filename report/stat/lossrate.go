package stat

import (
	"fmt"
	"math"
	"slices"
	"sort"
)

// Look is one look at a level that is topped up to its mark now and then.
type Look struct {
	Hours   float64 // exposure since the look before; ignored for the first
	BelowML float64 // read below the mark before anything was added; for a top-up without a reading, what was added
	AddedML float64 // 0 if nothing was added
	ApartML float64 // lost since the look before and explained otherwise, as somebody guessed it
	// The whole stretch since the look before is explained otherwise (settling,
	// emptied): a new chain begins.
	Apart bool
	Year  float64 // years from any beginning: cold coolant is lower in winter
}

// lossSteps are the resolutions at which levels are read and volumes poured, in
// mL.
type lossSteps struct{ level, topUp float64 }

// LossRate returns the loss in mL per hour to expect from now on, from looks at
// rounded times and volumes, so that a loss in bursts has a wider interval than
// an even one of the same size.
//
// The level below the mark falls by rate x hours, with a random part if the
// loss is uneven (a Wiener process). A reading is the level, misread and
// rounded to its step; a volume poured in is subtracted from the level, and a
// top-up is itself a reading, since it aims at the mark. Errors between the
// ends of a chain therefore cancel: what was added is known, and only the
// levels at its ends are not. A boil-over is somebody's guess and has an error.
// Cold coolant shrinks, so the level swings over the year by a few tens of mL.
//
// Under each model that the readings allow (misreading, unevenness, steps, how
// the keeper pours, whether there is a swing) the likelihood of a rate is
// normal and results from one pass of a Kalman filter; the models are averaged,
// weighted by how well each explains the readings (Heitjan & Rubin 1991, Ann.
// Statist. 19, for readings rounded to unknown steps). Value is the posterior
// median, the limits the equal-tail quantiles with a flat prior over rates
// above 0; the lower limit is 0 if the readings are compatible with no loss.
// The coverage of the interval is in testdata/bench/coolant.txt.
func LossRate(looks []Look, level float64) Result {
	if why := checkLooks(looks, level); why != "" {
		return Result{Why: why}
	}
	chains := chainsOf(looks)
	hours, stretches := 0.0, 0
	for k, c := range chains {
		c = between(c)
		chains[k] = c
		hours += c[len(c)-1].hours
		for i := 1; i < len(c); i++ {
			if c[i].hours > c[i-1].hours {
				stretches++
			}
		}
	}
	if stretches == 0 {
		return absent("needs two level readings with running hours between")
	}
	return lossPosterior(chains, hours/float64(stretches), possibleSteps(looks), level)
}

func checkLooks(looks []Look, level float64) string {
	if !validLevel(level) {
		return fmt.Sprintf("level %g: must lie between 0 and 1", level)
	}
	for i, l := range looks {
		for _, x := range []float64{l.Hours, l.BelowML, l.AddedML, l.ApartML, l.Year} {
			if !usable(x) {
				return fmt.Sprintf("look %d: %g is no finite number", i+1, x)
			}
		}
		if i > 0 && l.Hours < 0 {
			return fmt.Sprintf("look %d: %g hours: must be 0 or more", i+1, l.Hours)
		}
		if l.AddedML < 0 {
			return fmt.Sprintf("look %d: %g mL added: must be 0 or more", i+1, l.AddedML)
		}
	}
	return ""
}

// possibleSteps returns the steps that the readings allow, the likelier first.
// If the step were 25, n readings would all be multiples of 50 only with the
// chance 1/2^n: after four that is settled.
func possibleSteps(looks []Look) []lossSteps {
	fit := func(topUp bool) []float64 {
		n, multiples := 0, map[float64]int{}
		for _, l := range looks {
			x := l.BelowML
			if topUp {
				x = l.AddedML
			}
			if (l.AddedML > 0) != topUp || x == 0 {
				continue
			}
			n++
			for _, s := range []float64{5, 10, 20, 25, 50, 100} {
				if math.Abs(x-s*math.Round(x/s)) < 0.01*s {
					multiples[s]++
				}
			}
		}
		switch {
		case multiples[100] == n && n >= 6:
			return []float64{100}
		case multiples[50] == n && n < 4 && !topUp: // a jug is rarely finer, and then little is lost
			return []float64{25, 50}
		}
		for _, s := range []float64{50, 25, 20, 10, 5} {
			if multiples[s] == n {
				return []float64{s}
			}
		}
		return []float64{1}
	}
	var out []lossSteps
	for _, l := range fit(false) {
		for _, t := range fit(true) {
			out = append(out, lossSteps{l, t})
		}
	}
	return out
}

// maxReadings limits the work; longer chains are thinned evenly over time,
// which loses a little information and nothing of the sums.
const maxReadings = 80

func chainsOf(looks []Look) [][]reading {
	var chains [][]reading
	var chain []reading
	hours, added, guess := 0.0, 0.0, 0.0
	finish := func() {
		if len(chain) > 1 && chain[len(chain)-1].hours > 0 {
			chains = append(chains, chain)
		}
		chain, hours, added, guess = nil, 0, 0, 0
	}
	for i, l := range looks {
		if l.Apart || i == 0 {
			finish()
		} else {
			hours += l.Hours
			added -= l.ApartML
			guess = boiled(l.ApartML)
		}
		m := reading{hours: hours, sum: l.BelowML + added, below: l.BelowML, topUp: l.AddedML > 0,
			atMark: l.BelowML == 0,
			boiled: guess, year: l.Year}
		if m.topUp {
			m.sum, m.poured = added+l.AddedML, l.AddedML
		}
		chain = append(chain, m)
		added += l.AddedML
	}
	finish()
	total := 0
	for _, c := range chains {
		total += len(c)
	}
	for i, c := range chains {
		chains[i] = thin(c, max(4, maxReadings*len(c)/total))
	}
	return chains
}

// between leaves out looks that read 0 between two top-ups: the level was not
// yet half a step down, which the volumes poured tell better. Otherwise normal
// errors would explain the fall found at the top-ups as errors of the jug.
func between(c []reading) []reading {
	last := -1
	for i, m := range c {
		if m.topUp {
			last = i
		}
	}
	out := c[:0:0]
	guess, topUps, begun := 0.0, 0, false
	for i, m := range c {
		m.boiled, m.topUps = m.boiled+guess, m.topUps+topUps
		guess, topUps = 0, 0
		if begun && i < last && m.atMark && !m.topUp {
			guess, topUps = m.boiled, m.topUps
			continue
		}
		begun = begun || m.topUp
		out = append(out, m)
	}
	return out
}

// thin keeps n readings of c, the first and the last among them.
func thin(c []reading, n int) []reading {
	if len(c) <= n {
		return c
	}
	out := c[:0:0]
	topUps, guess := 0, 0.0
	end := c[len(c)-1].hours
	for i, m := range c {
		if i == 0 || i == len(c)-1 || m.hours >= end*float64(len(out))/float64(n-1) && len(out) < n-1 {
			m.topUps, m.boiled = topUps, m.boiled+guess
			out = append(out, m)
			topUps, guess = 0, 0
			continue
		}
		guess += m.boiled
		if m.topUp {
			topUps++
		}
	}
	return out
}

// The prior of the models. The weights are the author's, tried on simulated
// logs.
var (
	// misreads are the errors of a look by eye, mL.
	misreads = []struct{ ml, weight float64 }{{0.7, 0.25}, {4, 0.3}, {9, 0.3}, {18, 0.15}}
	// swings are the sd, mL, of the cosine and of the sine of the level over the
	// year: 5 L of mixture shrinks by some 60 mL from summer to winter, much of it
	// in hoses that give (estimate, no source).
	swings = []struct{ ml, weight float64 }{{0, 0.75}, {12, 0.25}}
	habits = []struct {
		habit
		weight float64
	}{{pours, 0.35}, {fills, 0.25}, {prompt, 0.2}, {adds, 0.2}}
)

// evenWeight is the prior of an even loss; otherwise the loss comes in bursts,
// and the logarithm of their size in mL is normal about burstML.
const evenWeight, burstML, burstSD = 0.3, 22, 1.2

// spreadsAt returns the variances of the loss, mL^2/h, that are tried at a
// rate: bursts of b mL at r mL/h have b r. A loss that differs from run to run
// by a coefficient of variation c has the variance of bursts of c^2 r times the
// hours of a run.
func spreadsAt(rate float64) []float64 {
	out := []float64{0}
	for b := 0.6; b < 800; b *= spreadRatio {
		out = append(out, b*rate)
	}
	return out
}

// spreadRatio is the ratio of consecutive spreads.
const spreadRatio = 2.5

// spreadLog returns the log prior of a spread at a rate.
func spreadLog(spread, rate float64) float64 {
	if spread == 0 {
		return evenLog
	}
	z := (math.Log(spread/math.Max(math.Abs(rate), 1e-6)) - burstLog) / burstSD
	return unevenLog - z*z/2
}

var evenLog, unevenLog, burstLog = math.Log(evenWeight),
	math.Log((1 - evenWeight) * math.Log(spreadRatio) / burstSD / math.Sqrt(2*math.Pi)), math.Log(burstML)

// lossPiece is the likelihood of the rate under one model: normal, except for
// what the rate itself says about the spread.
type lossPiece struct {
	mean, sd, spread float64
	says, told, log  float64 // the log likelihood over all rates, the share of it that counts, and the log weight
	habit            habit
	dens             [lossPoints]float64
}

// largeBurst is larger than most bursts, mL.
const largeBurst = 40

// told returns the share of the evidence against a model that counts. Under
// normal errors quiet stretches are as much evidence against bursts as noisy
// ones against none; but if few bursts are expected in a stretch, most
// stretches are quiet. With bursts of b mL at r mL/h the variance of n
// stretches of h hours tells as much as that of 2 n / (2 + k) normal ones, k
// being their excess kurtosis, b/(r h), diluted by the readings' errors.
func (m *lossModel) told(rate, hours float64) float64 {
	bursts := m.spread * hours
	share := bursts / (bursts + 2*(m.steps.level*m.steps.level/12+m.misread*m.misread))
	rate = math.Max(rate, m.spread/largeBurst) // rather a higher rate than observed than larger bursts
	kurtosis := m.spread / (rate * rate * hours) * share * share
	return 2 / (2 + kurtosis)
}

// lossPoints is the number of points from mean - 4 sd to mean + 4 sd.
const lossPoints = 17

// habitTold is the share of the evidence for the keeper's habit that counts:
// normal errors overrate readings that repeat, as they do after a top-up
// whatever the habit.
const habitTold = 0.3

// unlikely is how far, in log likelihood below the best, a model can be
// ignored.
const unlikely = 7

func lossPosterior(chains [][]reading, stretchHours float64, steps []lossSteps, level float64) Result {
	topUps, left := 0, 0 // left: looks that left undone what a prompt keeper would fill up
	for _, c := range chains {
		for i, m := range c {
			switch {
			case m.topUp:
				topUps++
			case m.below > 0.49*steps[0].topUp && (i == len(c)-1 || !c[i+1].topUp || c[i+1].hours > m.hours):
				left++
			}
		}
	}
	var models []*lossModel
	for _, st := range steps {
		for _, m := range misreads {
			for _, h := range habits {
				if h.habit == pours || topUps > 0 && (h.habit != prompt || left <= topUps) {
					models = append(models, &lossModel{steps: st, misread: m.ml, habit: h.habit,
						log: math.Log(m.weight)})
				}
			}
		}
	}
	pieces := make([]lossPiece, 0, 2*len(models)*len(swings))
	swing := func(of func(float64) float64) func(float64, *reading) float64 {
		return func(_ float64, m *reading) float64 { return of(2 * math.Pi * m.year) }
	}
	filter := newLossFilter(chains, swing(math.Cos), swing(math.Sin))
	turning := filter.turning(models[0])
	spreads := spreadsAt(turning)
	best := math.Inf(-1)
	tops := make([]float64, len(models))
	try := func(k int, spread float64) {
		m := models[k]
		m.spread = spread
		filter.run(m)
		sums := filter.sums()
		for _, s := range swings {
			if p, ok := sums.rate(s.ml); ok {
				best, tops[k] = math.Max(best, p.says), math.Max(tops[k], p.says)
				p.spread, p.habit = spread, m.habit
				p.told = m.told(turning, stretchHours)
				p.log = m.log + math.Log(s.weight)
				pieces = append(pieces, p)
			}
		}
	}
	for k := range models {
		tops[k] = math.Inf(-1)
		for i := 0; i < len(spreads); i += 3 {
			try(k, spreads[i])
		}
	}
	for k := range models {
		if tops[k] < best-unlikely {
			continue
		}
		for i := range spreads {
			if i%3 != 0 {
				try(k, spreads[i])
			}
		}
	}
	if !usable(best) {
		return absent("the readings contradict each other")
	}
	var mass [adds + 1]float64
	for h := range mass {
		mass[h] = math.Inf(-1)
	}
	pieces = slices.DeleteFunc(pieces, func(p lossPiece) bool { return p.told*(best-p.says) > unlikely })
	for i := range pieces {
		p := &pieces[i]
		p.log -= p.told*(best-p.says) + math.Log(p.sd)
		mass[p.habit] = logSum(mass[p.habit], p.weigh())
	}
	top := slices.Max(mass[:])
	var logs [adds + 1]float64
	for _, h := range habits { // pieces use only the habits that were tried
		logs[h.habit] = math.Log(h.weight) - mass[h.habit] - habitTold*(top-mass[h.habit])
	}
	for i := range pieces {
		pieces[i].log += logs[pieces[i].habit]
	}
	return mixture(pieces, level)
}

// lossSums are sums of products of the innovations: of the readings, the hours
// and the two columns of the yearly swing.
type lossSums struct {
	product [4][4]float64
	logDet  float64
}

func (f *lossFilter) sums() *lossSums {
	s := &lossSums{logDet: f.logDet}
	columns := [4][]float64{f.innovation, f.explained[0], f.explained[1], f.explained[2]}
	for i := range columns {
		for j := range i + 1 {
			s.product[i][j] = dot(columns[i], columns[j])
		}
	}
	return s
}

// rate returns the likelihood of the rate, with the yearly swing integrated
// out.
func (s *lossSums) rate(swing float64) (lossPiece, bool) {
	p := &s.product
	yy, yh, hh := p[0][0], p[1][0], p[1][1]
	log := -s.logDet / 2
	if swing > 0 {
		// two columns with a normal prior: eliminated by Cholesky
		tau := 1 / (swing * swing)
		a, b, c := p[2][2]+tau, p[3][2], p[3][3]+tau
		l11 := math.Sqrt(a)
		l21 := b / l11
		l22 := math.Sqrt(c - l21*l21)
		y1, h1 := p[2][0]/l11, p[2][1]/l11
		y2, h2 := (p[3][0]-l21*y1)/l22, (p[3][1]-l21*h1)/l22
		yy, yh, hh = yy-y1*y1-y2*y2, yh-y1*h1-y2*h2, hh-h1*h1-h2*h2
		log -= math.Log(l11*l22) - math.Log(tau)
	}
	if !(hh > 0) {
		return lossPiece{}, false
	}
	out := lossPiece{mean: yh / hh, sd: 1 / math.Sqrt(hh)}
	out.says = log - (yy-yh*yh/hh)/2 + math.Log(out.sd)
	return out, usable(out.mean + out.says)
}

func (p *lossPiece) rate(i int) float64 { return p.mean + p.sd*4*(2*float64(i)/(lossPoints-1)-1) }

// weigh fills in the density, and returns the log of its integral.
func (p *lossPiece) weigh() float64 {
	sum := 0.0
	for i := range p.dens {
		z := 4 * (2*float64(i)/(lossPoints-1) - 1)
		p.dens[i] = math.Exp(spreadLog(p.spread, p.rate(i)) - z*z/2)
		sum += p.dens[i]
	}
	return p.log + math.Log(sum*p.sd*8/(lossPoints-1))
}

// mixture returns the distribution of the rate: the sum of the pieces, linear
// between their points.
func mixture(pieces []lossPiece, level float64) Result {
	type bend struct{ at, jump, slope float64 }
	bends := make([]bend, 0, lossPoints*len(pieces))
	for i := range pieces {
		p := &pieces[i]
		scale := math.Exp(p.log)
		if scale*p.sd < 1e-4 {
			continue
		}
		h := p.rate(1) - p.rate(0)
		if !(h > 0) {
			continue
		}
		was := 0.0
		for k := range p.dens {
			slope := 0.0
			if k+1 < lossPoints {
				slope = scale * (p.dens[k+1] - p.dens[k]) / h
			}
			jump := 0.0
			if k == 0 {
				jump = scale * p.dens[0]
			} else if k == lossPoints-1 {
				jump = -scale * p.dens[k]
			}
			bends = append(bends, bend{p.rate(k), jump, slope - was})
			was = slope
		}
	}
	slices.SortFunc(bends, func(a, b bend) int { // no NaN is among them
		switch {
		case a.at < b.at:
			return -1
		case a.at > b.at:
			return 1
		}
		return 0
	})
	dens, slope := 0.0, 0.0
	cum, density, slopes := make([]float64, len(bends)), make([]float64, len(bends)), make([]float64, len(bends))
	for i, b := range bends {
		if i > 0 {
			d := b.at - bends[i-1].at
			cum[i] = cum[i-1] + d*math.Max(dens+slope*d/2, 0)
			dens += slope * d
		}
		dens, slope = dens+b.jump, slope+b.slope
		density[i], slopes[i] = dens, slope
	}
	if len(bends) == 0 || !(cum[len(cum)-1] > 0) {
		return absent("the readings contradict each other")
	}
	total := cum[len(cum)-1]
	below := func(x float64) float64 {
		i := sort.Search(len(bends), func(i int) bool { return bends[i].at > x }) - 1
		if i < 0 {
			return 0
		}
		d := x - bends[i].at
		if i == len(bends)-1 {
			d = 0
		}
		return math.Min(1, (cum[i]+d*math.Max(density[i]+slopes[i]*d/2, 0))/total)
	}
	lo, hi := bends[0].at, bends[len(bends)-1].at
	negative := below(0)
	if negative > 0.999 {
		return estimated(0, 0, math.Max(0, root(func(x float64) float64 { return below(x) - 0.9995 }, lo, hi)), level,
			"the level rose: somebody poured in more than was missing, or a reading is wrong")
	}
	quantile := func(q float64) float64 { // of the rates above 0
		q = negative + q*(1-negative)
		return root(func(x float64) float64 { return below(x) - q }, math.Min(lo, 0), hi)
	}
	tail := (1 - level) / 2
	value, low, high := quantile(0.5), 0.0, quantile(1-tail)
	if negative < tail { // otherwise the readings are compatible with no loss
		low = quantile(tail)
	}
	return estimated(math.Max(0, value), math.Max(0, low), high, level)
}
