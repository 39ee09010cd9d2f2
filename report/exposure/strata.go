package exposure

import (
	"slices"
	"sort"
)

// Stratum is the hours at risk and the overheats in them under one set of
// conditions.
type Stratum struct {
	Levels    Levels
	Hours     float64
	Overheats int
}

// Strata are hours and overheats grouped to the distinct conditions they were
// driven under, with what could not be grouped. Groups made elsewhere (a
// summary kept in a book) are added the same way as lives.
type Strata struct {
	at    map[Levels]int32 // index in the last of parts
	parts [][]Stratum      // in the order they were met, so that sums come out the same every time
	// UnplacedOverheats fell in no recorded run, OutsideOverheats and
	// OutsideHours before the machine was acquired or after it was retired.
	UnplacedOverheats, OutsideOverheats int
	OutsideHours                        float64
	// MeterHours are those that meters show beyond the recorded runs.
	MeterHours float64
}

// NewStrata is empty.
func NewStrata() *Strata { return &Strata{at: map[Levels]int32{}, parts: make([][]Stratum, 1)} }

// Add counts hours and overheats under one set of conditions.
func (s *Strata) Add(levels Levels, hours float64, overheats int) {
	part := &s.parts[len(s.parts)-1]
	i, ok := s.at[levels]
	if !ok {
		i = int32(len(*part))
		s.at[levels] = i
		*part = append(*part, Stratum{Levels: levels})
	}
	(*part)[i].Hours += hours
	(*part)[i].Overheats += overheats
}

// AddLife counts one machine's life. Its conditions are those of no other
// machine, so that they need be told apart among themselves only.
func (s *Strata) AddLife(l *Life) {
	clear(s.at)
	s.parts = append(s.parts, make([]Stratum, 0, len(l.Pieces)))
	for i := range l.Pieces {
		p := &l.Pieces[i]
		s.Add(p.Levels, p.Hours, 0)
	}
	for i := range l.Overheats {
		switch e := &l.Overheats[i]; {
		case e.Placed():
			s.Add(e.Levels, 0, 1)
		case e.How == Outside:
			s.OutsideOverheats++
		default:
			s.UnplacedOverheats++
		}
	}
	s.OutsideHours += l.OutsideHours
	s.MeterHours += l.Unrecorded()
}

// Len is the number of strata.
func (s *Strata) Len() int {
	n := 0
	for _, p := range s.parts {
		n += len(p)
	}
	return n
}

// Each goes through the strata in the order in which they were met.
func (s *Strata) Each(do func(*Stratum)) {
	for _, p := range s.parts {
		for i := range p {
			do(&p[i])
		}
	}
}

// All are the strata in the order of their levels' numbers.
func (s *Strata) All() []Stratum {
	all := slices.Concat(s.parts...)
	sort.Slice(all, func(a, b int) bool { return less(&all[a].Levels, &all[b].Levels) })
	return all
}

// By groups further, to the factors named alone; the others' levels become 0.
func (s *Strata) By(factors ...Factor) []Stratum {
	out := NewStrata()
	s.Each(func(g *Stratum) {
		var k Levels
		for _, f := range factors {
			k[f] = g.Levels[f]
		}
		out.Add(k, g.Hours, g.Overheats)
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
