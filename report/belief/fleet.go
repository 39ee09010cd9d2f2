package belief

import (
	"cmp"
	"maps"
	"math"
	"slices"
	"time"

	"shedbook/report/exposure"
	"shedbook/schema"
	"shedbook/schema/unit"
)

// Fleet is what all machines of a book tell about each other: how often sound
// ones overheat, which driver makes them do so oftener, and which constants of
// the balance fit. It is small whatever the logs, learned in one pass, and two
// of them made of different machines add up (Merge).
type Fleet struct {
	table    *table
	settings schema.Settings
	machines map[string]*summary
	// Priors are the chances of each cause among machines brought in for
	// overheating, in the order of the causes' vocabulary.
	Priors []float64
	// Together is how much likelier than by chance two causes are there at once;
	// nil: apart is what they mostly are.
	Together func(a, b int) float64

	fitted  bool
	fits    [levels]float64 // log likelihood of each level of the sound rate
	draws   [Draws]float64  // and of each draw
	drivers map[string]*tally
	usual   tally
}

// summary is one machine's part in it.
type summary struct {
	hours   float64
	heats   int
	expect  [Draws]float64 // of a sound machine at the rate 1, by draw
	shape   [Draws]float64 // sum over its overheats of the log of the sound hazard there
	mean    float64        // of expect
	drivers map[string]tally
	names   []string // of them, in order
	sound   float64  // probability that no fault made its overheats
	own     float64  // how often it overheats, faults and all, over a sound one driven alike
	fits    [levels]float64
}

// tally is overheats, and what a sound machine is expected to have had at the
// rate 1, in so many hours.
type tally struct{ heats, expect, hours float64 }

// levels of the sound rate that are weighed, evenly on a logarithmic scale
// from 0.02 to 6 overheats in 100 h.
const levels = 15

func level(i int) float64 { return 0.0002 * math.Exp(float64(i)/(levels-1)*math.Log(300)) }

// The prior of the sound rate, an hour: log-normal. A choice of this model.
const usualLevel, levelSpread = 0.003, 1.1

// NewFleet starts a summary. Priors are by cause; see Fleet.Priors.
func NewFleet(settings schema.Settings, priors []float64) *Fleet {
	return &Fleet{table: tableFor(settings.Number("altitude-m", unit.Metres)), settings: settings,
		machines: map[string]*summary{}, Priors: priors}
}

func (f *Fleet) together(a, b int) float64 {
	if f.Together == nil {
		return apart
	}
	return f.Together(a, b)
}

// apart is how much rarer two causes at once are than independence would have it.
const apart = 0.3

// use is what Beside keeps of a run: the number of its driver and its state.
type use struct {
	driver int
	state  state
}

// Words of the levels of a state, one for each.
var (
	speedWords, loadWords, gearWords = []string{"", "slow", "medium", "fast"}, []string{"", "light", "heavy", "towing"},
		[]string{"", "low", "high"}
	groundWords = []string{"", "mud", "grass", "gravel"}
)

// Beside is what a Fleet reads of a machine's log: as many runs as there are
// drivers and conditions, and its overheats, with what their runs tell of
// them. Beside it gives itself again.
func Beside(log *schema.Log) (runs []schema.Run, heats []schema.Overheat) {
	if len(log.Runs) == 0 {
		return nil, log.Overheats
	}
	last := log.Runs[len(log.Runs)-1].At
	heats = slices.Clone(log.Overheats)
	at := 0
	for i := range heats {
		o := &heats[i]
		for at < len(log.Runs) && log.Runs[at].At.Before(o.At) {
			at++
		}
		if at > 0 {
			if r := &log.Runs[at-1]; o.At.Before(r.End().Add(pause)) {
				fill(o, r)
			}
		}
		if o.At.After(last) {
			last = o.At
		}
	}
	hours := map[use]float64{}
	numbers := map[string]int{}
	for i := range log.Runs {
		r := &log.Runs[i]
		n, ok := numbers[r.Driver]
		if !ok {
			n = len(numbers)
			numbers[r.Driver] = n
		}
		h, _ := r.Duration()
		hours[use{n, coarse(r.Speed, r.Load, r.Range, r.Terrain, r.AmbientC)}] += h
	}
	names := make([]string, len(numbers))
	for d, n := range numbers {
		names[n] = d
	}
	uses := slices.Collect(maps.Keys(hours))
	slices.SortFunc(uses, func(a, b use) int {
		x, y := a.state, b.state
		return cmp.Or(cmp.Compare(names[a.driver], names[b.driver]), cmp.Compare(x.speed, y.speed), cmp.Compare(x.load, y.load),
			cmp.Compare(x.gears, y.gears), cmp.Compare(x.ground, y.ground), cmp.Compare(x.ambient, y.ambient))
	})
	for _, u := range uses {
		x := u.state
		r := schema.Run{Base: schema.Base{Machine: log.Machine.Name, At: last}, Driver: names[u.driver],
			Hours: schema.N(hours[u]), Speed: speedWords[x.speed], Load: loadWords[x.load], Range: gearWords[x.gears],
			Terrain: groundWords[x.ground]}
		if x.ambient > 0 {
			r.AmbientC = schema.N(ambientMiddle[x.ambient-1])
		}
		runs = append(runs, r)
	}
	return runs, heats
}

// pause is by how much a run may last longer than its engine hours.
const pause = 4 * time.Hour

// fill gives an overheat what its run tells of it.
func fill(o *schema.Overheat, r *schema.Run) {
	for _, f := range []struct {
		to   *string
		from string
	}{{&o.Driver, r.Driver}, {&o.Speed, r.Speed}, {&o.Load, r.Load}, {&o.Range, r.Range}, {&o.Terrain, r.Terrain}} {
		if *f.to == "" {
			*f.to = f.from
		}
	}
	if !o.AmbientC.Known {
		o.AmbientC = r.AmbientC
	}
}

// Add takes a machine's log in, once. It reads no more than Beside keeps.
func (f *Fleet) Add(log *schema.Log) {
	f.fitted = false
	runs, heats := Beside(log)
	s := &summary{drivers: map[string]tally{}}
	c := len(f.table.causes)
	for i := range runs {
		r := &runs[i]
		h, _ := r.Duration()
		x := (*f.table.at(coarse(r.Speed, r.Load, r.Range, r.Terrain, r.AmbientC)))[c]
		d := s.drivers[r.Driver]
		mean := 0.0
		for k, y := range x {
			s.expect[k] += h * y
			mean += y / Draws
		}
		d.expect += h * mean
		d.hours += h
		s.mean += h * mean
		s.hours += h
		s.drivers[r.Driver] = d
	}
	for i := range heats {
		o := &heats[i]
		x := (*f.table.at(coarse(o.Speed, o.Load, o.Range, o.Terrain, o.AmbientC)))[c]
		for k, y := range x {
			s.shape[k] += math.Log(y)
		}
		s.heats++
		d := s.drivers[o.Driver]
		d.heats++
		s.drivers[o.Driver] = d
	}
	s.names = sortedKeys(s.drivers)
	f.machines[log.Machine.Name] = s
}

// Merge takes in what another summary knows.
func (f *Fleet) Merge(g *Fleet) {
	f.fitted = false
	for name, s := range g.machines {
		f.machines[name] = s
	}
}

// coarse is a state of which the machine's past is not known.
func coarse(speed, load, gears, terrain string, ambient schema.Num) state {
	s := state{dirt: 2}
	s.conditions(speed, load, gears, terrain, ambient)
	return s
}

func (s *state) conditions(speed, load, gears, terrain string, ambient schema.Num) {
	switch speed {
	case "slow":
		s.speed = 1
	case "medium":
		s.speed = 2
	case "fast":
		s.speed = 3
	}
	switch load {
	case "light":
		s.load = 1
	case "heavy":
		s.load = 2
	case "towing":
		s.load = 3
	}
	switch gears {
	case "low":
		s.gears = 1
	case "high":
		s.gears = 2
	}
	switch terrain {
	case "":
	case "mud", "water":
		s.ground = 1
	case "dust", "grass", "forest":
		s.ground = 2
	default:
		s.ground = 3
	}
	if ambient.Known {
		s.ambient = uint8(exposure.Band(ambient.V) + 1)
	}
}

// hardness is how many overheats a driver's own factor is known beforehand by:
// a gamma prior around 1.
const hardness = 1.0

// fit learns from the summaries: the sound rate, each machine's chance to be
// sound and each driver's factor, by turns (expectation and maximization).
// Drivers are compared on the same machine, whatever it is like, so that a
// fault does not blame who drives, nor a hard driver the machine.
func (f *Fleet) fit() {
	if f.fitted {
		return
	}
	f.fitted = true
	names := sortedKeys(f.machines)
	factor := map[string]float64{"": 1}
	for range 12 {
		f.fits = [levels]float64{}
		expects := make([]float64, len(names))
		for i, n := range names {
			s := f.machines[n]
			for _, d := range s.names {
				x, ok := factor[d]
				if !ok {
					x = 1
				}
				expects[i] += s.drivers[d].expect * x
			}
			s.weigh(expects[i])
			for l := range s.fits {
				f.fits[l] += s.fits[l]
			}
		}
		rate := f.rate(nil)
		f.drivers = map[string]*tally{}
		for i, n := range names {
			s := f.machines[n]
			s.judge(rate, expects[i])
			for _, d := range s.names {
				t := f.drivers[d]
				if t == nil {
					t = &tally{}
					f.drivers[d] = t
				}
				t.heats += s.trust() * s.drivers[d].heats
				t.expect += s.trust() * s.own * rate * s.drivers[d].expect
			}
		}
		for d, t := range f.drivers {
			if d != "" {
				factor[d] = (hardness + t.heats) / (hardness + t.expect)
			}
		}
	}
	f.draws, f.usual = [Draws]float64{}, tally{}
	for _, n := range names {
		s := f.machines[n]
		f.usual.hours += s.hours
		f.usual.expect += s.mean
		f.usual.heats += float64(s.heats)
		for k := range f.draws {
			f.draws[k] += s.tells(k)
		}
	}
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// tells is what a sound machine's overheats say of a draw's pattern.
func (s *summary) tells(k int) float64 {
	if s.heats == 0 || s.expect[k] <= 0 {
		return 0
	}
	return s.sound * (s.shape[k] - float64(s.heats)*math.Log(s.expect[k]))
}

// ownShape is the shape of the gamma of which machines' own factors are taken.
const ownShape = 5

// anyShape is that of machines with a fault.
const anyShape = 0.7

// faultRates, an hour, are what a fault may add, so that one bad machine raises
// nobody's rate.
var faultRates = []float64{0.005, 0.015, 0.045, 0.135}

func (s *summary) weigh(expect float64) {
	for i := range s.fits {
		s.fits[i] = math.Log(s.under(level(i), expect))
	}
}

// under is the chance of the machine's overheats at a sound rate.
func (s *summary) under(rate, expect float64) float64 {
	p := soundShare * gammaPoisson(float64(s.heats), rate*expect, ownShape)
	for _, more := range faultRates {
		p += (1 - soundShare) / float64(len(faultRates)) * gammaPoisson(float64(s.heats), rate*expect+more*s.hours, 2)
	}
	return math.Max(p, 1e-300)
}

// soundShare is the share of machines whose overheats no fault made.
const soundShare = 0.7

// judge tells whether a fault made a machine's overheats.
func (s *summary) judge(rate, expect float64) {
	s.sound = soundShare * gammaPoisson(float64(s.heats), rate*expect, ownShape) / s.under(rate, expect)
	n := float64(s.heats)
	s.own = s.sound*(ownShape+n)/(ownShape+rate*expect) + (1-s.sound)*(anyShape+n)/(anyShape+rate*expect)
}

// brings is how many overheats the machine would bring in hours in which a sound one
// is expected to bring so many at the rate 1, by what it did in expect and its hours:
// as a sound one, or one with a fault that adds to the rate.
func (s *summary) brings(rate, expect, in, hours float64) float64 {
	n := float64(s.heats)
	p := soundShare * gammaPoisson(n, rate*expect, ownShape)
	sum, mean := p, p*(ownShape+n)/(ownShape+rate*expect)*rate*in
	for _, more := range faultRates {
		had := rate*expect + more*s.hours
		p = (1 - soundShare) / float64(len(faultRates)) * gammaPoisson(n, had, 2)
		sum, mean = sum+p, mean+p*(2+n)/(2+had)*(rate*in+more*hours)
	}
	return mean / math.Max(sum, 1e-300)
}

// trust is how far a machine tells drivers apart: one with a fault does so in
// part, as the fault may show with some of them sooner.
func (s *summary) trust() float64 { return s.sound + 0.2*(1-s.sound) }

// gammaPoisson is the chance of n where the mean is a gamma's around expect
// with a shape.
func gammaPoisson(n, expect, shape float64) float64 {
	if expect <= 0 {
		if n == 0 {
			return 1
		}
		return 0
	}
	a, _ := math.Lgamma(shape + n)
	b, _ := math.Lgamma(shape)
	c, _ := math.Lgamma(n + 1)
	return math.Exp(a - b - c + shape*math.Log(shape/(shape+expect)) + n*math.Log(expect/(shape+expect)))
}

// posterior of the sound rate's level without one machine's part: the mean and
// spread of its logarithm.
func (f *Fleet) levelOf(without *summary) (mean, sd float64) {
	top := math.Inf(-1)
	var logs [levels]float64
	for i := range logs {
		d := math.Log(level(i)/usualLevel) / levelSpread
		logs[i] = f.fits[i] - d*d/2
		if without != nil {
			logs[i] -= without.fits[i]
		}
		top = math.Max(top, logs[i])
	}
	sum, m1, m2 := 0.0, 0.0, 0.0
	for i, l := range logs {
		w, x := math.Exp(l-top), math.Log(level(i))
		sum, m1, m2 = sum+w, m1+w*x, m2+w*x*x
	}
	m1 /= sum
	return m1, math.Sqrt(math.Max(0.01, m2/sum-m1*m1))
}

func (f *Fleet) rate(without *summary) float64 {
	m, _ := f.levelOf(without)
	return math.Exp(m)
}

// driver is a driver's own factor by all machines but one, whose part in it is
// its own.
func (f *Fleet) driver(name string, without *summary, rate float64) float64 {
	t := f.drivers[name]
	if name == "" || t == nil {
		return 1
	}
	heats, expect := t.heats, t.expect
	if without != nil {
		heats -= without.trust() * without.drivers[name].heats
		expect -= without.trust() * without.own * rate * without.drivers[name].expect
	}
	return (hardness + math.Max(0, heats)) / (hardness + math.Max(0, expect))
}

// weights of the draws by all machines but one, held back so that a fleet of
// any size leaves several standing: what is learned is where sound machines
// overheat, in a model that is not theirs.
func (f *Fleet) weights(without *summary) (w [Draws]float64) {
	heats := f.usual.heats
	logs := f.draws
	if without != nil {
		heats -= float64(without.heats)
		for k := range logs {
			logs[k] -= without.tells(k)
		}
	}
	held := coarsePattern / (coarsePattern + math.Max(0, heats))
	top := math.Inf(-1)
	for k := range logs {
		top = math.Max(top, logs[k])
	}
	sum := 0.0
	for k := range logs {
		w[k] = math.Exp(held * (logs[k] - top))
		sum += w[k]
	}
	for k := range w {
		w[k] /= sum
	}
	return w
}
