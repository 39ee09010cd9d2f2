package flags

// pattern is one machine flag: its share of the promise, and what to do.
type pattern int

// The machine patterns. All but steadyLoss explain overheats.
const (
	steadyLoss pattern = iota
	blockedCore
	trappedAir
	warningCircuit
	fanCircuit
	thermostat
	aboveFleet
	cameBack
	patterns
)

// alpha is the promise: at most this share of sound machines ever carries a
// machine flag, and at most this share of fleets a false driver flag.
const alpha = 0.05

// catalog says for every pattern: its weight (prior probability among the
// faults; the weights add up to 1, so that the weighted sum of the Bayes
// factors is itself an e-value), the check that tells most for its minutes, and
// the caution that goes with it. Weights: common practice, no source; between
// even shares and those that package next gives the causes, so that mud on the
// core is likelier than a wire, and above-fleet has what no pattern is kept for.
// Cautions: common practice; the maker's manual overrides them.
var catalog = [patterns]struct {
	name      string
	weight    float64
	nextCheck string
	caution   string
}{
	steadyLoss: {"steady-loss", 0.30, "pressure-hold",
		"never open the cap hot: engine off 15 minutes at least and the cap cool to the hand; keep glycol from animals and children; leave the test pressure at the cap's own, and the head gasket to a licensed mechanic"},
	blockedCore: {"blocked-core", 0.15, "light-test",
		"fan unplugged or battery off first, it starts by itself; goggles; compressed air at 2 bar or less and never towards anybody; no pressure jet on the fins"},
	trappedAir: {"trapped-air", 0.09, "bleed",
		"bleed cold, on level stands or chocked with the brake on; the fan starts by itself and coolant at the screw scalds; the lamp may stay silent while the sensor hangs in air"},
	warningCircuit: {"warning-circuit", 0.08, "wiggle",
		"take every warning for real until a second thermometer contradicts it; key out before unplugging anything"},
	fanCircuit: {"fan-circuit", 0.11, "fan-runs",
		"the fan starts by itself, engine off or on: keep hands, hair and sleeves out; battery off before unplugging; never a bigger fuse"},
	thermostat: {"thermostat", 0.08, "thermostat-bath",
		"open the housing cold only; hot water in the bath: tongs; fit a new gasket and bleed afterwards; do not run without a thermostat"},
	aboveFleet: {"above-fleet", 0.13, "light-test",
		"do not drive on to see whether it happens again; engine off and cold before anything is opened; fan unplugged before hands go near the core"},
	cameBack: {"came-back", 0.06, "combustion-gas",
		"the repair did not find the cause: let a licensed mechanic look before more parts are bought; start the gas test cold, cap off, outdoors, and stop before the coolant rises"},
}

const (
	hardDriving   = "hard-driving"
	driverCaution = "the log cannot see orders, cargo or the route: speak with the driver before judging, and let the engine be eased off, not nursed on, when the lamp comes ('cautions lamp' has the drill)"
	factorCaution = "a condition, not a fault: plan cleaning and pauses around it, and do not let it excuse a machine that stands out under the same conditions"
)
