package exposure

import (
	"encoding/binary"
	"iter"
	"math"
	"sort"
)

// Stratum is the hours at risk, and the overheats in them, under one set of
// conditions.
type Stratum struct {
	Levels    Levels
	Hours     float64
	Overheats int
	// Repeats and Squares are sums over the runs of n(n-1) and of h*h, n being a
	// run's overheats and h its hours.
	Repeats int
	Squares float64
}

// Strata are hours and overheats grouped by conditions, with what could not be
// grouped.
type Strata struct {
	at    map[Levels]int32 // index in the last of parts
	parts []part           // in order of appearance, so that sums are reproducible
	ungrouped
}

// part is the strata of one machine.
type part struct {
	machine, model string
	strata         []Stratum
	ungrouped
}

// ungrouped is what could not be grouped.
type ungrouped struct {
	// UnplacedOverheats fell into no recorded run, OutsideOverheats and
	// OutsideHours before the machine was acquired or after it was retired.
	UnplacedOverheats, OutsideOverheats int
	OutsideHours                        float64
	// MeterHours are those on the meters beyond the recorded runs.
	MeterHours float64
}

// NewStrata returns empty strata.
func NewStrata() *Strata { return &Strata{at: map[Levels]int32{}, parts: make([]part, 1)} }

// Add adds hours and overheats under one set of conditions.
func (s *Strata) Add(levels Levels, hours float64, overheats int) {
	g := s.stratum(levels)
	g.Hours += hours
	g.Overheats += overheats
}

// stratum returns that of some conditions; the pointer is valid until the next
// call.
func (s *Strata) stratum(levels Levels) *Stratum {
	p := &s.parts[len(s.parts)-1]
	i, ok := s.at[levels]
	if !ok {
		i = int32(len(p.strata))
		s.at[levels] = i
		p.strata = append(p.strata, Stratum{Levels: levels})
	}
	return &p.strata[i]
}

// AddLife adds one machine's life. No other machine has its conditions, so they
// are only compared among themselves.
func (s *Strata) AddLife(l *Life) {
	clear(s.at)
	s.parts = append(s.parts, part{machine: l.Log.Machine.Name, model: l.Log.Machine.Model,
		strata: make([]Stratum, 0, len(l.Pieces))})
	of := &s.parts[len(s.parts)-1].ungrouped
	for i := 0; i < len(l.Pieces); {
		first, hours := &l.Pieces[i], 0.0
		for ; i < len(l.Pieces) && l.Pieces[i].Run == first.Run; i++ {
			hours += l.Pieces[i].Hours
		}
		g := s.stratum(first.Levels) // the same for all pieces of a run
		g.Hours += hours
		g.Squares += hours * hours
	}
	in := map[int]int{} // number of overheats by run
	for i := range l.Overheats {
		switch e := &l.Overheats[i]; {
		case e.Placed():
			s.Add(e.Levels, 0, 1)
			s.stratum(l.Pieces[e.Piece].Levels).Repeats += 2 * in[e.Run] // n(n-1), added up one by one
			in[e.Run]++
		case e.How == Outside:
			of.OutsideOverheats++
		default:
			of.UnplacedOverheats++
		}
	}
	of.OutsideHours, of.MeterHours = l.OutsideHours, l.Unrecorded()
	s.ungrouped.add(of)
}

func (u *ungrouped) add(v *ungrouped) {
	u.UnplacedOverheats += v.UnplacedOverheats
	u.OutsideOverheats += v.OutsideOverheats
	u.OutsideHours += v.OutsideHours
	u.MeterHours += v.MeterHours
}

// Len returns the number of strata.
func (s *Strata) Len() int {
	n := 0
	for i := range s.parts {
		n += len(s.parts[i].strata)
	}
	return n
}

// Each calls do for the strata in order of appearance.
func (s *Strata) Each(do func(*Stratum)) {
	for k := range s.parts {
		p := s.parts[k].strata
		for i := range p {
			do(&p[i])
		}
	}
}

// All returns the strata in the order of their levels' numbers.
func (s *Strata) All() []Stratum {
	all := make([]Stratum, 0, s.Len())
	s.Each(func(g *Stratum) { all = append(all, *g) })
	sort.Slice(all, func(a, b int) bool { return less(&all[a].Levels, &all[b].Levels) })
	return all
}

// By returns the strata grouped by the factors named only; the levels of the
// others become 0.
func (s *Strata) By(factors ...Factor) []Stratum {
	out := NewStrata()
	s.Each(func(g *Stratum) {
		var k Levels
		for _, f := range factors {
			k[f] = g.Levels[f]
		}
		to := out.stratum(k)
		to.Hours += g.Hours
		to.Overheats += g.Overheats
		to.Repeats += g.Repeats
		to.Squares += g.Squares
	})
	return out.All()
}

func less(a, b *Levels) bool {
	for f := range a {
		if a[f] != b[f] {
			return a[f] < b[f]
		}
	}
	return false
}

// Keep encodes the strata of lives, machine by machine, for Resume.
func (s *Strata) Keep() []byte {
	b := make([]byte, 0, 64*len(s.parts)+strataBytes*s.Len())
	le := binary.LittleEndian
	number := func(f float64) { b = le.AppendUint64(b, math.Float64bits(f)) }
	for i := range s.parts[1:] {
		p := &s.parts[i+1]
		for _, name := range []string{p.machine, p.model} {
			b = append(le.AppendUint32(b, uint32(len(name))), name...)
		}
		b = le.AppendUint32(le.AppendUint32(b, uint32(p.UnplacedOverheats)), uint32(p.OutsideOverheats))
		number(p.OutsideHours)
		number(p.MeterHours)
		b = le.AppendUint32(b, uint32(len(p.strata)))
		for k := range p.strata {
			g := &p.strata[k]
			for _, l := range g.Levels {
				b = le.AppendUint16(b, l)
			}
			number(g.Hours)
			b = le.AppendUint32(b, uint32(g.Overheats))
			b = le.AppendUint32(b, uint32(g.Repeats))
			number(g.Squares)
		}
	}
	return b
}

// strataBytes is the size of a stratum encoded by Keep.
const strataBytes = 2*int(Factors) + 8 + 4 + 4 + 8

// Resume returns the strata of the machines, the fleet's in order: of lives, in
// the same order, those written to since, and the others from what Keep wrote
// with the same words, drivers and settings. ok is false if a machine is in
// neither.
func (x *Index) Resume(kept []byte, machines []string, lives iter.Seq[*Life]) (s *Strata, ok bool) {
	was := map[string]part{}
	for len(kept) > 0 {
		p, rest := readPart(kept)
		if rest == nil {
			return nil, false
		}
		was[p.machine], kept = p, rest
	}
	for _, name := range machines { // before a life gets its number out of order
		x.id(Machine, name)
	}
	s = NewStrata()
	add := func(until string) bool {
		for ; len(machines) > 0 && machines[0] != until; machines = machines[1:] {
			p, found := was[machines[0]]
			if !found {
				return false
			}
			machine, model := x.id(Machine, p.machine), x.id(Model, p.model)
			for i := range p.strata {
				p.strata[i].Levels[Machine], p.strata[i].Levels[Model] = machine, model
			}
			s.parts = append(s.parts, p)
			s.ungrouped.add(&p.ungrouped)
		}
		return true
	}
	for l := range lives {
		if !add(l.Log.Machine.Name) || len(machines) == 0 {
			return nil, false
		}
		s.AddLife(l)
		machines = machines[1:]
	}
	return s, add("")
}

// readPart decodes a machine's strata, and returns the rest; nil if the bytes
// are not what Keep wrote.
func readPart(b []byte) (p part, rest []byte) {
	le, whole := binary.LittleEndian, true
	next := func(n int) []byte {
		if whole = whole && n <= len(b); !whole {
			return make([]byte, min(n, 64))
		}
		out := b[:n]
		b = b[n:]
		return out
	}
	count := func() int { return int(le.Uint32(next(4))) }
	number := func() float64 { return math.Float64frombits(le.Uint64(next(8))) }
	p.machine = string(next(count()))
	p.model = string(next(count()))
	p.UnplacedOverheats, p.OutsideOverheats = count(), count()
	p.OutsideHours, p.MeterHours = number(), number()
	n := count()
	all := next(n * strataBytes)
	if !whole {
		return p, nil
	}
	p.strata = make([]Stratum, n)
	for i := range p.strata {
		g := all[i*strataBytes:]
		for f := range p.strata[i].Levels {
			p.strata[i].Levels[f] = le.Uint16(g[2*f:])
		}
		p.strata[i].Hours = math.Float64frombits(le.Uint64(g[2*int(Factors):]))
		p.strata[i].Overheats = int(le.Uint32(g[2*int(Factors)+8:]))
		p.strata[i].Repeats = int(le.Uint32(g[2*int(Factors)+12:]))
		p.strata[i].Squares = math.Float64frombits(le.Uint64(g[2*int(Factors)+16:]))
	}
	return p, b
}
