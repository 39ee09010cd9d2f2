package belief

import (
	"encoding/binary"
	"math"

	"shedbook/schema"
)

// Part is a machine's part in a fleet, to be kept: what AddPart takes in, and
// no log need be read for it. Nil where the fleet does not hold the machine.
func (f *Fleet) Part(machine string) []byte {
	s := f.machines[machine]
	if s == nil {
		return nil
	}
	var b []byte
	number := func(xs ...float64) {
		for _, x := range xs {
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(x))
		}
	}
	number(s.hours, float64(s.heats), s.mean)
	number(s.expect[:]...)
	number(s.shape[:]...)
	for i := range s.drivers {
		d := &s.drivers[i]
		number(d.heats, d.expect, d.hours)
		b = append(binary.LittleEndian.AppendUint32(b, uint32(len(d.name))), d.name...)
	}
	return b
}

// AddPart takes in a machine by its Part, in place of its log; ok is false
// where the bytes end too early.
func (f *Fleet) AddPart(machine string, b []byte) (ok bool) {
	ok = true
	number := func(xs ...*float64) {
		for _, x := range xs {
			if len(b) < 8 {
				ok = false
				return
			}
			*x = math.Float64frombits(binary.LittleEndian.Uint64(b))
			b = b[8:]
		}
	}
	s := &summary{}
	var heats float64
	number(&s.hours, &heats, &s.mean)
	s.heats = int(heats)
	for k := range s.expect {
		number(&s.expect[k])
	}
	for k := range s.shape {
		number(&s.shape[k])
	}
	for ok && len(b) > 0 {
		var t tally
		number(&t.heats, &t.expect, &t.hours)
		if !ok || len(b) < 4 {
			return false
		}
		n := int(binary.LittleEndian.Uint32(b))
		if b = b[4:]; n < 0 || n > len(b) {
			return false
		}
		name, known := f.names[string(b[:n])]
		if !known {
			name = string(b[:n])
			f.names[name] = name
		}
		s.drivers = append(s.drivers, driven{name, t})
		b = b[n:]
	}
	if ok {
		f.fitted = false
		f.machines[machine] = s
	}
	return ok
}

// With is the fleet with other priors, to be asked beside it: what the machines
// tell is shared, and no machine may be added to either.
func (f *Fleet) With(priors []float64) *Fleet {
	f.fit()
	g := *f
	g.Priors = priors
	return &g
}

// Heat is how often a sound machine overheats where it is driven so, over how
// often in the usual use, by the balance alone: nothing of the fleet is in it.
// A word that is not recorded is "".
func (f *Fleet) Heat(speed, load, gears, terrain string, ambient schema.Num) float64 {
	mean := 0.0
	for _, y := range (*f.table.at(coarse(speed, load, gears, terrain, ambient)))[len(f.table.causes)] {
		mean += y / Draws
	}
	return mean
}
