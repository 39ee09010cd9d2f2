package cooling

import (
	"errors"
	"fmt"
	"math"
	"strings"
)

// Glycol is the kind of glycol in a coolant.
type Glycol string

// The two glycols that coolants are made of.
const (
	Ethylene  Glycol = "ethylene"
	Propylene Glycol = "propylene"
)

// ParseGlycol reads the word; an empty one is an error, since the two kinds
// differ in freezing point, density and toxicity.
func ParseGlycol(word string) (Glycol, error) {
	switch g := Glycol(strings.ToLower(strings.TrimSpace(word))); g {
	case Ethylene, Propylene:
		return g, nil
	}
	return "", fmt.Errorf("glycol: %q should be ethylene or propylene", word)
}

// errBeyondTable is returned where no published table reaches.
var errBeyondTable = errors.New("beyond the published table")

// fluid holds the tables of one glycol.
type fluid struct {
	name          string
	molar         float64 // g/mol
	freezing      []freezeRow
	density, heat [][]float64
	// upper is the branch on which stronger mixtures freeze warmer again, by mass
	// percent; nil if there is none.
	upper []freezeRow
}

// The upper branch of ethylene glycol: a diesel engine maker's operating
// manual, table of glycol concentration, density and freezing point (80 % -45
// °C, 85 % -30 °C, 100 % -13 °C; its densities show that it is by mass).
// Laboratories differ by several kelvin here: good enough for a warning, not
// for protecting an engine.
var ethyleneUpper = []freezeRow{{0, 80, -45}, {0, 85, -30}, {0, 100, -13}}

var fluids = map[Glycol]*fluid{
	Ethylene:  {"ethylene glycol", 62.068, ethyleneFreezing, ethyleneDensity, ethyleneHeat, ethyleneUpper},
	Propylene: {"propylene glycol", 76.095, propyleneFreezing, propyleneDensity, propyleneHeat, nil},
}

func (f *fluid) last() freezeRow { return f.freezing[len(f.freezing)-1] }

// The columns of a freezing table.
func byVol(r freezeRow) float64  { return r.vol }
func byMass(r freezeRow) float64 { return r.mass }
func byC(r freezeRow) float64    { return r.c }

// along interpolates column to of rows linearly at x of column from; ok is
// false beyond the ends.
func along(rows []freezeRow, x float64, from, to func(freezeRow) float64) (y float64, ok bool) {
	for i := 1; i < len(rows); i++ {
		a, b := from(rows[i-1]), from(rows[i])
		if x >= min(a, b) && x <= max(a, b) {
			return between(x, a, to(rows[i-1]), b, to(rows[i])), true
		}
	}
	return 0, false
}

// mass converts percent by volume to percent by mass: ASHRAE Handbook
// Fundamentals (2001) ch. 21, linear between its rows and from its last (58 to
// 60 %) to neat glycol.
func (g Glycol) mass(vol float64) float64 {
	f := fluids[g]
	if mass, ok := along(f.freezing, vol, byVol, byMass); ok {
		return mass
	}
	return between(vol, f.last().vol, f.last().mass, 100, 100)
}

// vol returns the inverse of mass.
func (g Glycol) vol(mass float64) float64 {
	f := fluids[g]
	if vol, ok := along(f.freezing, mass, byMass, byVol); ok {
		return vol
	}
	return between(mass, f.last().mass, f.last().vol, 100, 100)
}

// freezes returns the temperature in °C at which the first ice forms, from the
// concentration in percent by volume: ASHRAE Handbook Fundamentals (2001) ch.
// 21, linear between its rows. Other published tables (CRC Handbook, 102nd ed.;
// Melinder 2010) are up to 3 K lower for ethylene glycol at 58 %; ASHRAE's is
// warmer and so safer.
//
// The table ends at 57.8 % of ethylene and 60 % of propylene glycol; ok is
// false above. Close to neat ethylene glycol an approximate value is known
// again (see ethyleneUpper).
func (g Glycol) freezes(volPct float64) (c float64, ok bool) {
	if c, ok = along(fluids[g].freezing, volPct, byVol, byC); ok {
		return c, true
	}
	return along(fluids[g].upper, g.mass(volPct), byMass, byC)
}

// strength is a concentration found by a measurement.
type strength struct {
	volPct   float64 // percent by volume
	atLeast  bool    // the reading is beyond the table: volPct or stronger
	warnings []sentence
}

// sentence is a format and its figures, to be printed in the user's units.
type sentence struct {
	form string
	args []any
}

func (s *strength) warn(form string, args ...any) {
	s.warnings = append(s.warnings, sentence{form, args})
}

// fromFreezing returns the concentration of a coolant that freezes at c °C, 0
// or less, as a glycol refractometer or a freezing test gives it: the inverse
// of freezes. With ethylene glycol there are two answers, and a warning says
// so: neat glycol freezes at -13 °C, as 26 % does.
func (g Glycol) fromFreezing(c float64) (s strength) {
	f := fluids[g]
	vol, ok := along(f.freezing, c, byC, byVol)
	if !ok {
		s = strength{volPct: f.last().vol, atLeast: true}
		s.warn("the table ends at %.1v °C: this is %.1v %% or stronger, which cools worse and protects no better",
			f.last().c, f.last().vol)
		return s
	}
	s.volPct = vol
	if f.upper == nil {
		return s
	}
	top := f.upper[len(f.upper)-1]
	other, ok := along(f.upper, c, byC, byMass)
	switch {
	case c > top.c+0.5:
		return s
	case c > top.c:
		other = top.mass
	case !ok: // between the end of the table and the first row above it
		other = f.upper[0].mass
	}
	s.warn("about %v %% freezes there too: if it was filled with pure concentrate, dilute a sample with as much water "+
		"and read again",
		g.vol(other))
	return s
}

// waterDensity returns kg/m3 at 1 atm, 0 to 150 °C: Kell, J. Chem. Eng. Data 20
// (1975) 97, eq. 16.
func waterDensity(c float64) float64 {
	above := 999.83952 + c*(16.945176+c*(-7.9870401e-3+c*(-46.170461e-6+c*(105.56302e-9-c*280.54253e-12))))
	return above / (1 + 16.879850e-3*c)
}

// waterHeat in J/(kg K) at 0.1 MPa, every 5 K from 0 °C: IAPWS-95, from memory.
var waterHeat = []float64{4219.4, 4205.1, 4195.2, 4188.5, 4184.1, 4181.3, 4179.8, 4179.2, 4179.4, 4180.2, 4181.5,
	4183.2, 4185.1, 4187.5, 4190.2, 4193.3, 4196.9, 4200.8, 4205.3, 4210.2, 4215.7}

// at interpolates a table linearly at a concentration and a temperature; water
// is its column at 0 %.
func (f *fluid) at(table [][]float64, water func(float64) float64, vol, c float64) (float64, error) {
	end := concentrations[len(concentrations)-1]
	if vol > end {
		return 0, wrong("concentration: %.1v %% %s: the table ends at %v %%: %w", vol, f.name, end, errBeyondTable)
	}
	top := gridFirst + gridStep*float64(len(table)-1)
	if err := within("temperature", c, gridFirst, top, "°C", "that is where the table of "+f.name+" ends"); err != nil {
		return 0, err
	}
	at := func(row, col int) float64 {
		if col >= 0 {
			return table[row][col]
		}
		if t := gridFirst + gridStep*float64(row); t >= 0 {
			return water(t)
		}
		return -1
	}
	row := min(int((c-gridFirst)/gridStep), len(table)-2)
	col := min(int(vol/10)-1, len(concentrations)-2)
	x, y := vol/10-float64(col+1), (c-gridFirst)/gridStep-float64(row)
	var sum float64
	for _, p := range []struct {
		row, col int
		weight   float64
	}{{row, col, (1 - x) * (1 - y)}, {row, col + 1, x * (1 - y)}, {row + 1, col, (1 - x) * y},
		{row + 1, col + 1, x * y}} {
		if p.weight == 0 {
			continue
		}
		v := at(p.row, p.col)
		if v < 0 {
			return 0, wrong("temperature: %.1v %% %s is frozen or about to freeze at %.1v °C: %w", vol, f.name, c,
				errBeyondTable)
		}
		sum += p.weight * v
	}
	return sum, nil
}

// density returns that of a coolant in kg/m3: ASHRAE Handbook Fundamentals
// (2001) ch. 21, inhibited glycols, 10 to 60 % by volume, up to 100 °C; water
// by Kell (1975). Pure glycol is 0.5 % lighter (CRC Handbook, 102nd ed.).
func (g Glycol) density(volPct, c float64) (float64, error) {
	return fluids[g].at(fluids[g].density, waterDensity, volPct, c)
}

// heat returns the heat capacity of a coolant in J/(kg K): ASHRAE Handbook
// Fundamentals (2001) ch. 21, 10 to 60 % by volume, up to 100 °C; water by
// IAPWS-95.
func (g Glycol) heat(volPct, c float64) (float64, error) {
	return fluids[g].at(fluids[g].heat, func(t float64) float64 { return waterHeat[int(t/gridStep)] }, volPct, c)
}

// carries returns the heat that a litre of coolant carries per kelvin relative
// to a litre of water at the same temperature: density times heat capacity.
func (g Glycol) carries(volPct, c float64) (float64, error) {
	rho, err := g.density(volPct, c)
	if err != nil {
		return 0, err
	}
	cp, err := g.heat(volPct, c)
	if err != nil {
		return 0, err
	}
	water, err := g.heat(0, c)
	return rho * cp / (waterDensity(c) * water), err
}

// fromGravity returns the concentration of a coolant whose specific gravity
// (relative to water at 15.6 °C, as hydrometers are marked) was read at c °C, 0
// to 100: the inverse of density, for an inhibited coolant. Additives are
// heavy: a pure mixture (CRC Handbook, 102nd ed.; Lange's Handbook table 5.13)
// comes out up to 5 % by volume too weak with ethylene and 10 % with propylene
// glycol. A refractometer is good to 1 % (common practice, no source).
func (g Glycol) fromGravity(gravity, c float64) (s strength, err error) {
	want := gravity * waterDensity(15.6)
	density := func(vol float64) float64 {
		// 0 to 60 % and 0 to 100 °C are inside the table, so there is no error,
		// except in strong cold corners, which are not asked for here.
		d, _ := g.density(vol, c)
		return d
	}
	end := concentrations[len(concentrations)-1]
	if light := density(0); want < light*0.997 {
		return s, wrong("specific gravity: %.3v at %.1v °C is lighter than water, which reads %.3v there: check the "+
			"hydrometer in water, and that the sample's temperature is right",
			gravity, c, light/waterDensity(15.6))
	}
	s.warn("additives weigh too: a specific gravity of %s is good to %s %%; a refractometer is more exact",
		fluids[g].name, map[Glycol]string{Ethylene: "5", Propylene: "10"}[g])
	if want >= density(end) {
		s.volPct, s.atLeast = end, true
		s.warn("the table ends at %v %%: this is that or stronger", end)
	} else {
		s.volPct = math.Max(0, bisect(func(v float64) float64 { return density(v) - want }, 0, end))
	}
	// Neat propylene glycol has 1036 kg/m3 at 20 °C, as 40 % does: density rises
	// up to about 75 % and falls again.
	if g == Propylene && s.volPct >= 38 {
		s.warn("a much stronger mixture of propylene glycol weighs the same: use a refractometer")
	}
	return s, nil
}

// fluidPct is the strength of the fluids that are filled in, percent of glycol
// by volume. Concentrate counts as neat: with its additives and water it is
// about 95 %, so half and half of it protects to about -36 °C.
var fluidPct = map[string]float64{"water": 0, "premix": 50, "concentrate": 100}

// FluidPct returns the strength of a fluid by its word, in percent by volume:
// water 0, premix 50, concentrate 100.
func FluidPct(word string) (float64, error) {
	p, ok := fluidPct[word]
	if !ok {
		return 0, fmt.Errorf("fluid: %q should be premix, concentrate or water", word)
	}
	return p, nil
}

// Fill is one top-up: so many litres at so many percent, replacing as much lost
// mixture.
type Fill struct {
	Litres, VolPct float64
}

// AfterTopUps returns the concentration of a system of so many litres, at first
// volPct percent, after top-ups that each replaced an equal loss of mixture: c
// -> c + (p - c) x / V. A loss by steam is mostly water and leaves the mixture
// stronger than this.
func AfterTopUps(systemL, volPct float64, fills ...Fill) (float64, error) {
	if err := within("coolant_l", systemL, 0.1, 200, "L", "the coolant in the whole system"); err != nil {
		return 0, err
	}
	for i, f := range fills {
		if err := within(fmt.Sprintf("top-up %d", i+1), f.Litres, 0, systemL, "L",
			"no more than the system holds"); err != nil {
			return 0, err
		}
		volPct += (f.VolPct - volPct) * f.Litres / systemL
	}
	return volPct, nil
}
