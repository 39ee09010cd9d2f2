package belief

import (
	"cmp"
	"encoding/binary"
	"hash/fnv"
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
	fits    [levels]float64   // log likelihood of each level of the sound rate
	names   map[string]string // of drivers, one copy each
	draws   [Draws]float64    // and of each draw
	numbers map[string]int    // of drivers
	drivers []tally           // by number
	usual   tally
}

// summary is one machine's part in it.
type summary struct {
	hours   float64
	heats   int
	expect  [Draws]float64 // of a sound machine at the rate 1, by draw
	shape   [Draws]float64 // sum over its overheats of the log of the sound hazard there
	mean    float64        // of expect
	drivers []driven       // by name
	who     []int          // their numbers in the fleet
	sound   float64        // probability that no fault made its overheats
	own     float64        // how often it overheats, faults and all, over a sound one driven alike
	fits    [levels]float64
}

// driven is a driver's part in a machine's.
type driven struct {
	name string
	tally
}

// of is a driver's part.
func (s *summary) of(name string) tally {
	i, ok := slices.BinarySearchFunc(s.drivers, name, func(d driven,
		name string) int {
		return cmp.Compare(d.name, name)
	})
	if !ok {
		return tally{}
	}
	return s.drivers[i].tally
}

// tally is overheats, and what a sound machine is expected to have had at the
// rate 1, in so many hours.
type tally struct{ heats, expect, hours float64 }

// levels of the sound rate that are weighed, evenly on a logarithmic scale
// from 0.02 to 6 overheats in 100 h.
const levels = 15

// The prior of the sound rate, an hour: log-normal. A choice of this model.
const usualLevel, levelSpread = 0.003, 1.1

// rates are the levels, an hour; logRates their logarithms, and priorLogs those of how
// likely they are beforehand.
var rates, logRates, priorLogs = func() (rate, log, prior [levels]float64) {
	for i := range rate {
		rate[i] = 0.0002 * math.Exp(float64(i)/(levels-1)*math.Log(300))
		log[i] = math.Log(rate[i])
		d := (log[i] - math.Log(usualLevel)) / levelSpread
		prior[i] = -d * d / 2
	}
	return rate, log, prior
}()

// NewFleet starts a summary. Priors are by cause; see Fleet.Priors.
func NewFleet(settings schema.Settings, priors []float64) *Fleet {
	return &Fleet{table: tableFor(settings.Number("altitude-m", unit.Metres)), settings: settings,
		machines: map[string]*summary{}, names: map[string]string{}, Priors: priors}
}

func (f *Fleet) together(a, b int) float64 {
	if f.Together == nil {
		return apart
	}
	return f.Together(a, b)
}

// apart is how much rarer two causes at once are than independence would have it.
const apart = 0.3

// conditionsOf is how many conditions there are: levels of speed, load, gears, ground and
// air temperature, each not recorded too.
const conditionsOf = 4 * 4 * 3 * 4 * 6

// conditionsAt is the place of a state's conditions among them.
func (s state) conditionsAt() int {
	return (((int(s.speed)*4+int(s.load))*3+int(s.gears))*4+int(s.ground))*6 + int(s.ambient)
}

// coarseAt is the state, as coarse has it, of a place.
func coarseAt(i int) state {
	return state{speed: uint8(i / (6 * 4 * 3 * 4)), load: uint8(i / (6 * 4 * 3) % 4), gears: uint8(i / (6 * 4) % 3),
		ground: uint8(i / 6 % 4), ambient: uint8(i % 6), dirt: 2}
}

// filled are a log's overheats, with what their runs tell of them.
func filled(log *schema.Log) []schema.Overheat {
	heats := slices.Clone(log.Overheats)
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
	}
	return heats
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

// Add takes a machine's log in, once.
func (f *Fleet) Add(log *schema.Log) {
	f.fitted = false
	s := &summary{}
	var hours [conditionsOf]float64
	of := map[string]int{}
	for i := range log.Runs {
		r := &log.Runs[i]
		n, ok := of[r.Driver]
		if !ok {
			n = len(s.drivers)
			of[r.Driver], s.drivers = n, append(s.drivers, driven{name: r.Driver})
		}
		h, _ := r.Duration()
		at := coarse(r.Speed, r.Load, r.Range, r.Terrain, r.AmbientC).conditionsAt()
		s.drivers[n].expect += h * f.table.coarse(at).mean
		s.drivers[n].hours += h
		hours[at] += h
	}
	slices.SortFunc(s.drivers, func(a, b driven) int { return cmp.Compare(a.name, b.name) })
	for c, h := range hours {
		if h == 0 {
			continue
		}
		x := f.table.coarse(c)
		for k, y := range x.sound {
			s.expect[k] += h * y
		}
		s.mean += h * x.mean
		s.hours += h
	}
	heats := filled(log)
	for i := range heats {
		o := &heats[i]
		for k, y := range f.table.coarse(coarse(o.Speed, o.Load, o.Range, o.Terrain, o.AmbientC).conditionsAt()).logs {
			s.shape[k] += y
		}
		s.heats++
		j, ok := slices.BinarySearchFunc(s.drivers, o.Driver,
			func(d driven, name string) int { return cmp.Compare(d.name, name) })
		if !ok {
			s.drivers = slices.Insert(s.drivers, j, driven{name: o.Driver})
		}
		s.drivers[j].heats++
	}
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
	machines := make([]*summary, len(names))
	numbers := map[string]int{}
	counts := make([]gammas, len(names))
	for i, n := range names {
		s := f.machines[n]
		machines[i], counts[i] = s, gammasOf(s.heats)
		s.who = make([]int, len(s.drivers))
		for j := range s.drivers {
			d, ok := numbers[s.drivers[j].name]
			if !ok {
				d = len(numbers)
				numbers[s.drivers[j].name] = d
			}
			s.who[j] = d
		}
	}
	factor, drivers := make([]float64, len(numbers)), make([]tally, len(numbers))
	for d := range factor {
		factor[d] = 1
	}
	nobody, some := numbers[""]
	for range 12 {
		f.fits = [levels]float64{}
		expects := make([]float64, len(names))
		for i, s := range machines {
			for j := range s.drivers {
				expects[i] += s.drivers[j].expect * factor[s.who[j]]
			}
			s.weigh(expects[i], &counts[i])
			for l := range s.fits {
				f.fits[l] += s.fits[l]
			}
		}
		mean, _ := f.level(nil)
		rate := math.Exp(mean)
		clear(drivers)
		for i, s := range machines {
			s.judge(rate, expects[i])
			for j := range s.drivers {
				t := &drivers[s.who[j]]
				t.heats += s.trust() * s.drivers[j].heats
				t.expect += s.trust() * s.own * rate * s.drivers[j].expect
			}
		}
		for d, t := range drivers {
			if !some || d != nobody {
				factor[d] = (hardness + t.heats) / (hardness + t.expect)
			}
		}
	}
	f.numbers, f.drivers = numbers, drivers
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

// gammas is what gammaPoisson needs of a number of overheats under the shapes of a sound
// machine and one with a fault: it takes longer than the rest, and never changes.
type gammas struct{ own, fault float64 }

func gammasOf(heats int) gammas {
	return gammas{lgammas(float64(heats), ownShape), lgammas(float64(heats), faultShape)}
}

// faultShape is the shape of the gamma around what a machine with a fault brings.
const faultShape = 2

func (s *summary) weigh(expect float64, c *gammas) {
	for i := range s.fits {
		s.fits[i] = math.Log(s.under(rates[i], expect, c))
	}
}

// under is the chance of the machine's overheats at a sound rate.
func (s *summary) under(rate, expect float64, c *gammas) float64 {
	n := float64(s.heats)
	p := soundShare * gammaPoissonBy(c.own, n, rate*expect, ownShape)
	for _, more := range faultRates {
		p += (1 - soundShare) / float64(len(faultRates)) * gammaPoissonBy(c.fault, n, rate*expect+more*s.hours,
			faultShape)
	}
	return math.Max(p, 1e-300)
}

// soundShare is the share of machines whose overheats no fault made.
const soundShare = 0.7

// judge tells whether a fault made a machine's overheats.
func (s *summary) judge(rate, expect float64) {
	c := gammasOf(s.heats)
	s.sound = soundShare * gammaPoisson(float64(s.heats), rate*expect, ownShape) / s.under(rate, expect, &c)
	n := float64(s.heats)
	s.own = s.sound*(ownShape+n)/(ownShape+rate*expect) + (1-s.sound)*(anyShape+n)/(anyShape+rate*expect)
}

// brings is how many overheats the machine brings, by what it did in expect and its hours,
// for each that a sound one is expected to bring at the rate 1, and for each hour besides:
// it is a sound one, or one with a fault that adds to the rate.
func (s *summary) brings(rate, expect float64) (each, hour float64) {
	n := float64(s.heats)
	g := gammasOf(s.heats)
	sum := soundShare * gammaPoissonBy(g.own, n, rate*expect, ownShape)
	each = sum * (ownShape + n) / (ownShape + rate*expect) * rate
	for _, more := range faultRates {
		had := rate*expect + more*s.hours
		p := (1 - soundShare) / float64(len(faultRates)) * gammaPoissonBy(g.fault, n, had, faultShape)
		sum += p
		p *= (faultShape + n) / (faultShape + had)
		each, hour = each+p*rate, hour+p*more
	}
	sum = math.Max(sum, 1e-300)
	return each / sum, hour / sum
}

// trust is how far a machine tells drivers apart: one with a fault does so in
// part, as the fault may show with some of them sooner.
func (s *summary) trust() float64 { return s.sound + 0.2*(1-s.sound) }

// gammaPoisson is the chance of n where the mean is a gamma's around expect
// with a shape.
func gammaPoisson(n, expect, shape float64) float64 {
	return gammaPoissonBy(lgammas(n, shape), n, expect, shape)
}

// gammaPoissonBy is gammaPoisson where its lgammas are known.
func gammaPoissonBy(known, n, expect, shape float64) float64 {
	if expect <= 0 {
		if n == 0 {
			return 1
		}
		return 0
	}
	return math.Exp(known + shape*math.Log(shape/(shape+expect)) + n*math.Log(expect/(shape+expect)))
}

func lgammas(n, shape float64) float64 {
	a, _ := math.Lgamma(shape + n)
	b, _ := math.Lgamma(shape)
	c, _ := math.Lgamma(n + 1)
	return a - b - c
}

// level is the posterior of the sound rate's level without one machine's part: the mean
// and spread of its logarithm.
func (f *Fleet) level(without *summary) (mean, sd float64) {
	top := math.Inf(-1)
	var logs [levels]float64
	for i := range logs {
		logs[i] = f.fits[i] + priorLogs[i]
		if without != nil {
			logs[i] -= without.fits[i]
		}
		top = math.Max(top, logs[i])
	}
	sum, m1, m2 := 0.0, 0.0, 0.0
	for i, l := range logs {
		w, x := math.Exp(l-top), logRates[i]
		sum, m1, m2 = sum+w, m1+w*x, m2+w*x*x
	}
	m1 /= sum
	return m1, math.Sqrt(math.Max(0.01, m2/sum-m1*m1))
}

// What the fleet tells of a machine is told to a thousandth, and a driver's factor to two,
// which is finer than either can be known, so that one more run somewhere hardly ever
// changes it, and what was made of it can be kept: see Ground.
const (
	toldBits   = 10
	driverBits = 9
)

// rounded is a number to so many binary digits.
func rounded(x float64, bits int) float64 {
	of, exp := math.Frexp(x)
	return math.Ldexp(math.RoundToEven(math.Ldexp(of, bits)), exp-bits)
}

// levelOf is level, as it is told.
func (f *Fleet) levelOf(without *summary) (mean, sd float64) {
	mean, sd = f.level(without)
	return math.Log(rounded(math.Exp(mean), toldBits)), rounded(sd, toldBits)
}

func (f *Fleet) rate(without *summary) float64 {
	m, _ := f.level(without)
	return rounded(math.Exp(m), toldBits)
}

// driver is a driver's own factor by all machines but one, whose part in it is
// its own.
func (f *Fleet) driver(name string, without *summary, rate float64) float64 {
	n, ok := f.numbers[name]
	if name == "" || !ok {
		return 1
	}
	own := tally{}
	if without != nil {
		own = without.of(name)
	}
	return f.factor(n, without, &own, rate)
}

// factor is driver by his number, and with his part in the machine.
func (f *Fleet) factor(number int, without *summary, own *tally, rate float64) float64 {
	heats, expect := f.drivers[number].heats, f.drivers[number].expect
	if without != nil {
		heats -= without.trust() * own.heats
		expect -= without.trust() * without.own * rate * own.expect
	}
	return rounded((hardness+math.Max(0, heats))/(hardness+math.Max(0, expect)), driverBits)
}

// usually is how often a sound machine overheats in the other machines' use, over how
// often at the rate 1. Where the fleet is young, the usual use of the trade counts as
// 100 h.
func (f *Fleet) usually(without *summary) float64 {
	hours, expect := f.usual.hours, f.usual.expect
	if without != nil {
		hours -= without.hours
		expect -= without.mean
	}
	return rounded((100+expect)/(100+hours), toldBits)
}

// Ground is a digest of all that the fleet's other machines tell of one.
func (f *Fleet) Ground(machine string) uint64 {
	f.fit()
	own := f.machines[machine]
	h := fnv.New64a()
	var b []byte
	number := func(xs ...float64) {
		for _, x := range xs {
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(x))
		}
	}
	mean, sd := f.levelOf(own)
	rate := f.rate(own)
	number(mean, sd, rate, f.usually(own))
	weights := f.weights(own)
	number(weights[:]...)
	if own != nil {
		for i := range own.drivers {
			d := &own.drivers[i]
			number(f.factor(own.who[i], own, &d.tally, rate))
			b = append(append(b, d.name...), 0)
		}
	}
	h.Write(b)
	return h.Sum64()
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
		w[k] = rounded(math.Exp(held*(logs[k]-top)), toldBits)
		sum += w[k]
	}
	for k := range w {
		w[k] /= sum
	}
	return w
}
