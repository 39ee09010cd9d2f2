package belief

import (
	"math"
	"math/rand/v2"
	"sync"
	"sync/atomic"

	"shedbook/schema"
)

// table holds, for every state met so far, the hazard that each cause adds
// under each draw, and a sound machine's. It is filled as states are met, and
// serves every machine of every book that stands as high above the sea.
type table struct {
	altitude float64
	causes   []string
	draws    []draw
	sound    [Draws]float64   // by draw: what makes a sound machine's mean hazard 1 in the usual use
	floor    [][Draws]float64 // by cause: its mean hazard in the usual use
	mu       sync.Mutex
	rows     map[state]*row
	coarsely [conditionsOf]atomic.Pointer[coarseRow]
}

// coarseRow is what a Fleet learns by of a state of which the machine's past is not
// known: a sound machine's hazard by draw, the logs of it, and its mean.
type coarseRow struct {
	sound, logs [Draws]float64
	mean        float64
}

// coarse is the row of a state at a place: see conditionsAt.
func (t *table) coarse(i int) *coarseRow {
	if x := t.coarsely[i].Load(); x != nil {
		return x
	}
	x := &coarseRow{sound: (*t.at(coarseAt(i)))[len(t.causes)]}
	for k, y := range x.sound {
		x.logs[k] = math.Log(y)
		x.mean += y / Draws
	}
	t.coarsely[i].Store(x)
	return x
}

// row is by source and draw: overheats an engine hour that each cause adds,
// and last, relative to the fleet's rate, those of a sound machine.
type row [][Draws]float64

// The usual use, for fields that are not recorded and before a fleet has a log.
// Common practice, no source.
var usual = struct{ speed, load, gears, ground, ambient, onset []float64 }{
	[]float64{0.35, 0.4, 0.25}, []float64{0.75, 0.17, 0.08}, []float64{0.4, 0.6}, []float64{0.25, 0.35, 0.4},
	[]float64{0.1, 0.22, 0.33, 0.25, 0.1}, []float64{0.15, 0.25, 0.6},
}

var (
	tablesMu sync.Mutex
	tables   = map[int]*table{}
)

// tableFor the height of the place, m, to the nearest 100.
func tableFor(altitude float64) *table {
	at := int(math.Round(altitude / 100))
	tablesMu.Lock()
	defer tablesMu.Unlock()
	if t, ok := tables[at]; ok {
		return t
	}
	causes := schema.Words("cause")
	t := &table{altitude: float64(at) * 100, causes: causes, draws: theDraws(causes), rows: map[state]*row{}}
	t.floor = make([][Draws]float64, len(causes))
	for k := range t.sound {
		t.sound[k] = 1
	}
	const n = 40
	r := rand.New(rand.NewPCG(7, 7))
	pick := func(shares []float64) uint8 {
		u := r.Float64()
		for i, s := range shares {
			if u -= s; u < 0 {
				return uint8(i + 1)
			}
		}
		return 1
	}
	var floor [][Draws]float64 = make([][Draws]float64, len(causes)+1)
	for range n {
		s := state{speed: pick(usual.speed), load: pick(usual.load), gears: pick(usual.gears),
			ground:  pick(usual.ground),
			ambient: pick(usual.ambient),
			onset:   pick(usual.onset), dirt: uint8(r.IntN(5)), refill: uint8(max(0, r.IntN(8)-4)), work: uint8(max(0,
				r.IntN(10)-7))}
		x := t.reckon(s)
		for c := range *x {
			for k, h := range (*x)[c] {
				floor[c][k] += h / n
			}
		}
	}
	for k := range t.sound {
		t.sound[k] = 1 / floor[len(causes)][k]
	}
	copy(t.floor, floor)
	tables[at] = t
	return t
}

// unpatterned is the part of a cause's overheats that follow no pattern: the
// words recorded are rough, and so is the balance.
const unpatterned = 0.12

// at is a state's row.
func (t *table) at(s state) *row {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.look(s)
}

func (t *table) look(s state) *row {
	if x, ok := t.rows[s]; ok {
		return x
	}
	var x *row
	mean := func(field *uint8, shares []float64) {
		x = newRow(len(t.causes) + 1)
		for l, share := range shares {
			*field = uint8(l + 1)
			y := t.look(s)
			for c := range *x {
				for k := range (*x)[c] {
					(*x)[c][k] += share * (*y)[c][k]
				}
			}
		}
		*field = 0
	}
	switch {
	case s.ambient == 0:
		mean(&s.ambient, usual.ambient)
	case s.gears == 0:
		mean(&s.gears, usual.gears)
	case s.load == 0:
		mean(&s.load, usual.load)
	case s.ground == 0:
		mean(&s.ground, usual.ground)
	case s.speed == 0:
		mean(&s.speed, usual.speed)
	case s.onset == 0:
		mean(&s.onset, usual.onset)
	default:
		x = t.reckon(s)
		for c := range t.causes {
			for k := range (*x)[c] {
				(*x)[c][k] += unpatterned * (t.floor[c][k] - (*x)[c][k])
			}
		}
		for k := range t.draws {
			h := &(*x)[len(t.causes)][k]
			*h += 3 * unpatterned * (1 - *h)
		}
	}
	t.rows[s] = x
	return x
}

func newRow(n int) *row {
	x := make(row, n)
	return &x
}

// reckon works out the row of a state that is known in full.
func (t *table) reckon(s state) *row {
	x := newRow(len(t.causes) + 1)
	for k := range t.draws {
		d := &t.draws[k]
		b := d.balance(s)
		for c, name := range t.causes {
			(*x)[c][k] = d.rate * d.fault(c, name, s, &b, t.altitude)
		}
		(*x)[len(t.causes)][k] = t.sound[k] * b.sound * d.whenIn(s, b.margin)
	}
	return x
}
