package facts

import "math"

// span is a range of a figure, in its unit.
type span struct{ low, high float64 }

// chances are probabilities by cause.
type chances map[string]float64

// state is one row of the table below: something that is present or not, and
// that a figure tells.
type state struct {
	name string
	says string // the figure in words, with %s for it and its unit
	unit string // %, K, °C, mm, V, kPa/min
	// The figure if the state is not present, and if it is: how bad it then is is
	// unknown, so every figure of the span is equally probable. err is one
	// standard deviation of the measurement, in the unit.
	sound span
	there []span
	err   float64
	// floor: the figure is a share or an amount, and never below 0.
	floor bool
	// causes are the chance of the state for each cause, and otherwise its chance
	// without any of them.
	causes    map[string]float64
	otherwise float64
	source    string
}

// Where sound ends and a state begins follows the judges' limits
// (report/cooling); the spans, errors and chances are choices of this table:
// common practice, no source, unless the row says more. `otherwise` is small if
// the figure is the state itself (a core four fifths dark is blocked), and
// large if other things give the same figure.
const practice = "common practice, no source"

var table = []state{
	// A core: the front can look clear with a packed back behind it, so a clear
	// front tells little.
	{"core-dark", "%s of the core is dark", "%", span{0, 8}, []span{{12, 100}}, 6, true,
		chances{"blocked-core": 0.99, "dirty-oil-cooler": 0.005}, 0.0001, practice},
	{"back-packed", "%s of the core's back is packed", "%", span{0, 8}, []span{{12, 100}}, 7, true,
		chances{"blocked-core": 0.97, "dirty-oil-cooler": 0.005}, 0.0005, practice},
	{"front-packed", "%s of the core's front is packed", "%", span{0, 12}, []span{{15, 100}}, 7, true,
		chances{"blocked-core": 0.6, "dirty-oil-cooler": 0.2, "air-path": 0.1}, 0.01, practice},
	{"oil-cooler-dark", "%s of the oil cooler is dark", "%", span{0, 8}, []span{{12, 100}}, 6, true,
		chances{"dirty-oil-cooler": 0.99, "blocked-core": 0.25}, 0.002, practice},
	{"core-covered", "%s of the core is covered", "%", span{0, 5}, []span{{12, 100}}, 5, true,
		chances{"air-path": 0.97}, 0.0005, practice},
	// Coolant: a loss above 2 % of the system shows, 5 to 10 % missing is a low
	// level. What made it low are causes of their own (see "from" in causes.txt).
	{"bottle-low", "%s of the system is missing in the bottle", "%", span{-3, 2}, []span{{3, 60}}, 0.8, false,
		chances{"low-coolant": 0.95}, 0.02, practice},
	{"neck-low", "%s of the system is missing in the neck", "%", span{0, 1}, []span{{2, 60}}, 0.7, true,
		chances{"low-coolant": 0.99}, 0.001, practice},
	{"air-out", "%s of the system was air", "%", span{0, 1}, []span{{1.5, 20}}, 0.5, true,
		chances{"trapped-air": 0.95, "head-gasket": 0.3}, 0.01, practice},
	{"glycol-off", "%s glycol", "%", span{38, 60}, []span{{0, 34}, {58, 100}}, 1.5, true,
		chances{"wrong-mix": 0.97},
		0.005, "ASTM D3306 scope (40 to 60 %), two manuals (30, 60); refractometer good to 1 % (" + practice + ")"},
	{"pressure-falls", "%s beyond what cooling explains", "kPa/min", span{0, 0.5}, []span{{1, 40}}, 0.5, true,
		chances{"external-leak": 0.85, "head-gasket": 0.5},
		0.02, "no more than 13.8 kPa in 2 min (a road vehicle's manual, 2000); the spans " + practice},
	{"cap-weak", "the cap lets go at %s of its print", "%", span{86, 125}, []span{{0, 82}}, 4, true,
		chances{"pressure-cap": 0.9},
		0.01, "replaced below 72 to 77 % of the band's middle (three manuals); the spans " + practice},
	// Parts, in kelvins from their printed value.
	{"thermostat-late", "the thermostat opens %s late", "K", span{-4, 3}, []span{{4, 40}}, 1.5, false,
		chances{"thermostat": 0.95}, 0.002, "start within 2 K of the stamp (three manuals); the spans " + practice},
	{"hose-late", "the hose gets hot %s late", "K", span{-12, 8}, []span{{10, 60}}, 4, false,
		chances{"thermostat": 0.85, "pump": 0.3}, 0.02, practice},
	{"fan-late", "the fan starts %s late", "K", span{-6, 3}, []span{{5, 40}}, 1.5, false,
		chances{"fan-circuit": 0.3},
		0.003, "a switch of a manual: on 93 to 98, off 88 to 93 °C; the spans " + practice},
	{"fan-hot", "the fan starts or stops at %s", "°C", span{80, 105}, []span{{103, 135}}, 3, false,
		chances{"fan-circuit": 0.3}, 0.005, practice},
	{"fan-volts", "%s lost on the way to the fan", "V", span{0, 0.5}, []span{{0.8, 13}}, 0.2, true,
		chances{"fan-circuit": 0.5}, 0.01, practice},
	{"reads-off", "gauge and probe are %s apart", "K", span{0, 4}, []span{{6, 100}}, 2, true,
		chances{"warning-circuit": 0.7}, 0.01, practice},
	{"lamp-false", "the lamp is on at %s", "°C", span{98, 125}, []span{{-10, 94}}, 5, false,
		chances{"warning-circuit": 0.9, "low-coolant": 0.1},
		0.005, "lamps of three manuals: 102 to 110 °C; the spans " + practice},
	{"sensor-off", "the sensor is %s off", "K", span{0, 1.5}, []span{{2, 60}}, 0.8, true,
		chances{"warning-circuit": 0.6, "fan-circuit": 0.12}, 0.005, practice},
	{"flow-poor", "%s across the core at load", "K", span{3, 14}, []span{{17, 60}}, 2, false,
		chances{"pump": 0.8, "collapsed-hose": 0.3, "blocked-inside": 0.3, "thermostat": 0.25, "trapped-air": 0.2},
		0.01, "5 to 12 K typical, over 20 K low flow (computed for a made-up machine; " + practice + ")"},
	{"core-patchy", "a patch of the core is %s colder", "K", span{0, 6}, []span{{8, 50}}, 2, true,
		chances{"blocked-inside": 0.9}, 0.01, practice},
	{"hub-hot", "a hub is %s hotter than the others", "K", span{0, 18}, []span{{22, 250}}, 6, true,
		chances{"dragging": 0.9}, 0.01, practice},
	{"compression-low", "the lowest cylinder has %s", "%", span{79, 100}, []span{{10, 76}}, 3, true,
		chances{"low-compression": 0.85, "head-gasket": 0.4},
		0.01, "lowest at least 75 % of highest (a manual, 2012); within a tenth " + practice},
	{"leaks-down", "%s leaks down", "%", span{1, 12}, []span{{15, 100}}, 3, true,
		chances{"low-compression": 0.9, "head-gasket": 0.6}, 0.02, "three workshop and training pages"},
	{"oil-over", "the oil is %s over the mark", "mm", span{-3, 3}, []span{{4, 80}}, 1.5, false,
		chances{"overfilled-oil": 0.97, "head-gasket": 0.1}, 0.003, practice},
	{"oil-under", "the oil is %s under the mark", "mm", span{-3, 3}, []span{{4, 80}}, 1.5, false,
		chances{"low-oil": 0.97}, 0.003, practice},
	// Visual findings, each a state by itself: see seen.
	{"oil-milky", "the oil is milky", "", span{}, nil, 0, false,
		chances{"head-gasket": 0.3}, 0.002, practice},
	{"bubbles", "bubbles at the filler with air on the cylinder", "", span{}, nil, 0, false,
		chances{"head-gasket": 0.75}, 0.003, "a leak-down tester's instructions; the chances " + practice},
	{"gas", "exhaust gas in the coolant", "", span{}, nil, 0, false,
		chances{"head-gasket": 0.9}, 0.005, "testers' instructions; the chances " + practice},
	{"stays-cold", "the engine never gets warm", "", span{}, nil, 0, false,
		chances{"thermostat-open": 0.95}, 0.02, practice},
	{"fan-stood", "the fan stood still at %s", "°C", span{}, nil, 0, false,
		chances{"fan-circuit": 0.85, "low-coolant": 0.2, "trapped-air": 0.2}, 0.003, practice},
}

// slip is the chance that a figure was mistyped or misread, and may be
// anything: it bounds the evidence of one figure (a choice of this table).
const slip = 1.0 / 5000

// density returns the probability density, per unit, of a figure that is
// uniform over a span and read with the error err; what would fall below a
// floor of 0 is reflected above it.
func (s *state) density(v float64, over span) float64 {
	at := func(v float64) float64 {
		return (normal((v-over.low)/s.err) - normal((v-over.high)/s.err)) / (over.high - over.low)
	}
	if s.floor {
		return at(v) + at(-v)
	}
	return at(v)
}

func normal(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }

// factor returns P(figure | the state is present, how bad unknown) over
// P(figure | it is not).
func (s *state) factor(v float64) float64 {
	there, wide, low, high := 0.0, 0.0, s.sound.low, s.sound.high
	for _, t := range s.there {
		wide += t.high - t.low
		low, high = min(low, t.low), max(high, t.high)
	}
	for _, t := range s.there {
		there += s.density(v, t) * (t.high - t.low) / wide
	}
	any := slip / (high - low)
	return (there + any) / (s.density(v, s.sound) + any)
}
