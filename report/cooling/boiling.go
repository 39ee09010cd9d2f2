package cooling

import (
	"math"
)

// airPressure returns the standard air pressure in kPa absolute at an altitude
// in metres above the sea (geometric): ISO 2533:1975, equal to the U.S.
// Standard Atmosphere 1976 below 11 km. Weather changes it by 3 % (1 K of
// boiling point).
func airPressure(altitudeM float64) float64 {
	const earth = 6356766
	h := earth * altitudeM / (earth + altitudeM)
	return 101.325 * math.Pow(1-0.0065*h/288.15, 5.25588)
}

// Coefficients of IAPWS-IF97 (2007 release), region 4, table 34.
var n4 = [11]float64{0, 0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5,
	-0.32325550322333e7,
	0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3}

// saturationPressure returns that of water in MPa at t K: IAPWS-IF97 eq. 30,
// 273.15 to 647.096 K.
func saturationPressure(t float64) float64 {
	th := t + n4[9]/(t-n4[10])
	a := th*th + n4[1]*th + n4[2]
	b := n4[3]*th*th + n4[4]*th + n4[5]
	c := n4[6]*th*th + n4[7]*th + n4[8]
	return math.Pow(2*c/(-b+math.Sqrt(b*b-4*a*c)), 4)
}

// saturationTemperature returns that of water in K at p MPa: IAPWS-IF97 eq. 31,
// 611.213 Pa to 22.064 MPa.
func saturationTemperature(p float64) float64 {
	b := math.Pow(p, 0.25)
	e := b*b + n4[3]*b + n4[6]
	f := n4[1]*b*b + n4[4]*b + n4[7]
	g := n4[2]*b*b + n4[5]*b + n4[8]
	d := 2 * g / (-f - math.Sqrt(f*f-4*e*g))
	return (n4[10] + d - math.Sqrt((n4[10]+d)*(n4[10]+d)-4*(n4[9]+n4[10]*d))) / 2
}

// antoine gives log10(p/mmHg) = a - b/(t/°C + c).
type antoine struct{ a, b, c float64 }

const mmHg = 0.133322387415 // kPa

func (k antoine) temperature(kPa float64) float64 { return k.b/(k.a-math.Log10(kPa/mmHg)) - k.c }
func (k antoine) pressure(c float64) float64      { return mmHg * math.Pow(10, k.a-k.b/(c+k.c)) }

// ethyleneVapour is the vapour pressure of ethylene glycol and water by mass
// percent: an ethylene glycol producer's data sheet (2008), table of Antoine
// coefficients. Copied elsewhere with e raised to it instead of 10: wrong.
var ethyleneVapour = []struct {
	mass float64
	k    antoine
}{
	{50, antoine{7.901886, 1691.452, 229.778}}, {70, antoine{7.833380, 1712.369, 231.166}},
	{80, antoine{7.775839, 1736.188, 232.689}},
	{90, antoine{7.685032, 1792.464, 235.836}}, {95, antoine{7.856193, 2019.846, 251.898}},
	{97, antoine{8.123192, 2273.083, 267.910}},
	{98, antoine{8.384100, 2493.364, 279.584}}, {99, antoine{9.189807, 3103.597, 309.713}},
	{100, antoine{8.212109, 2161.907, 208.429}},
}

// propyleneVapour is the vapour pressure of neat propylene glycol (boils at 188
// °C), from memory.
var propyleneVapour = antoine{8.20820, 2085.90, 203.540}

const waterMolar = 18.0153 // g/mol

// raoult returns the temperature in °C at which x p_water(T) + (1-x) p_other(T)
// reaches kPa absolute, x being the mole fraction of water: Raoult's law
// (1887), water by IAPWS-IF97.
func raoult(x, kPa float64, other func(c float64) float64) float64 {
	return bisect(func(c float64) float64 {
		return x*1000*saturationPressure(c+kelvin) + (1-x)*other(c) - kPa
	}, 20, 300)
}

// boilsAt returns the boiling point of a coolant in °C under a pressure in kPa
// absolute, 30 to 450. Water: IAPWS-IF97 eq. 31. Ethylene glycol:
// ethyleneVapour, linear in mass percent between its curves. Propylene glycol:
// Raoult's law. Good to 1 K up to 60 %, to a few kelvin above.
func boilsAt(g Glycol, volPct, kPa float64) float64 {
	water := saturationTemperature(kPa/1000) - kelvin
	mass := g.mass(volPct)
	switch {
	case volPct == 0:
		return water
	case g == Propylene:
		w, p := (100-mass)/waterMolar, mass/fluids[g].molar
		return raoult(w/(w+p), kPa, propyleneVapour.pressure)
	}
	m0, t0 := 0.0, water
	for _, v := range ethyleneVapour {
		t := v.k.temperature(kPa)
		if mass <= v.mass {
			return between(mass, m0, t0, v.mass, t)
		}
		m0, t0 = v.mass, t
	}
	return t0
}

// boils returns the boiling point of a coolant in °C in a system whose cap
// holds capKPa gauge (0: nothing) at an altitude in metres.
func boils(g Glycol, volPct, capKPa, altitudeM float64) float64 {
	return boilsAt(g, volPct, airPressure(altitudeM)+capKPa)
}

// OpenBoils returns the boiling point of a coolant in °C in the open air; an
// error if the altitude is outside -500 to 6,000 m.
func OpenBoils(g Glycol, volPct, altitudeM float64) (float64, error) {
	f, err := SpecFigure("altitude_m")
	if err == nil {
		err = f.Check(altitudeM)
	}
	return boils(g, volPct, 0, altitudeM), err
}

// capHint returns what a pressure that no cap has may have been meant as.
func capHint(kPa float64) string {
	if psi := kPa / kPaPerPsi; kPa > 300 && psi <= 300 {
		return text("caps hold 30 to 200 kPa (4 to 29 psi); is it %v kPa rather than %v psi?", psi, psi)
	}
	return "caps hold 30 to 200 kPa (4 to 29 psi)"
}

// kPaPerPsi follows from lbf and inch (NIST SP 811, 2008, app. B.8).
const kPaPerPsi = 6.894757293168

// mixName returns a mixture in words: plain water, half and half, neat ethylene
// glycol, 40 % ethylene glycol. Half and half alone means ethylene glycol.
func mixName(g Glycol, volPct float64) string {
	name := string(g) + " glycol"
	switch {
	case volPct == 0:
		return "plain water"
	case volPct == 100:
		return "neat " + name
	case volPct == 50 && g == Ethylene:
		return "half and half"
	case volPct == 50:
		return "half and half of " + name
	}
	return text("%v %% %s", volPct, name)
}

func (e *exam) place(altitudeM float64) string {
	if altitudeM == 0 {
		return "sea level"
	}
	return e.text("%v m", altitudeM)
}

// boilingSentence returns when a coolant boils and what a dead cap would cost:
// 'half and half boils at 124.7 °C on a 90 kPa cap at 1,500 m, at 102.8 °C if
// the cap holds nothing'.
func (e *exam) boilingSentence(g Glycol, volPct, capKPa, altitudeM float64) string {
	said := e.text("%s boils at %.1f °C", mixName(g, volPct), boils(g, volPct, capKPa, altitudeM))
	if capKPa == 0 {
		return said + " with no pressure on it at " + e.place(altitudeM)
	}
	return said + e.text(" on a %.1v kPa cap at %s, at %.1f °C if the cap holds nothing",
		capKPa, e.place(altitudeM), boils(g, volPct, 0, altitudeM))
}
