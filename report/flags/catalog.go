package flags

// matter is what a machine is watched for. Each has its own evidence, and its
// share of the promise.
type matter int

const (
	losing    matter = iota // coolant at a steady rate
	heating                 // overheats, under the name that the belief gives them (see name.go)
	returning               // overheats after the service that named a cause
	matters
)

// alpha is the promise: at most this share of sound machines ever carries a
// machine flag, and at most this share of fleets a false driver flag.
const alpha = 0.05

// shares of the promise: with these weights the Bayes factors add up to an
// e-value. Common practice, no source.
var shares = [matters]float64{losing: 0.30, heating: 0.64, returning: 0.06}

// plainNames are the flags under which the matters go where nothing is known of
// the cause.
var plainNames = [matters]string{losing: steadyLoss, heating: aboveFleet, returning: cameBack}

// The machine flags.
const (
	steadyLoss     = "steady-loss"
	blockedCore    = "blocked-core"
	trappedAir     = "trapped-air"
	warningCircuit = "warning-circuit"
	fanCircuit     = "fan-circuit"
	thermostat     = "thermostat"
	aboveFleet     = "above-fleet"
	cameBack       = "came-back"
)

// catalog says for every machine flag: the check that tells most for its
// minutes, and the caution that goes with it. Cautions: common practice; the
// maker's manual overrides them.
var catalog = map[string]struct{ nextCheck, caution string }{
	steadyLoss: {"pressure-hold",
		"never open the cap hot: engine off for at least 15 minutes and the cap hand-warm; keep glycol away from " +
			"animals and children; never pump above the cap's own pressure; leave the head gasket to a licensed " +
			"mechanic"},
	blockedCore: {"light-test",
		"fan unplugged or battery off first, it starts by itself; goggles; compressed air at 2 bar or less and never " +
			"towards anybody; no pressure jet on the fins"},
	trappedAir: {"bleed",
		"bleed cold, on level stands or chocked with the brake on; the fan starts by itself and coolant at the screw " +
			"scalds; the lamp may stay silent while the sensor hangs in air"},
	warningCircuit: {"wiggle",
		"take every warning for real until a second thermometer contradicts it; key out before unplugging anything"},
	fanCircuit: {"fan-runs",
		"the fan starts by itself, engine off or on: keep hands, hair and sleeves out; battery off before " +
			"unplugging; never a bigger fuse"},
	thermostat: {"thermostat-bath",
		"open the housing cold only; hot water in the bath: tongs; fit a new gasket and bleed afterwards; do not run " +
			"without a thermostat"},
	aboveFleet: {"light-test",
		"do not drive on to see whether it happens again; engine off and cold before anything is opened; fan " +
			"unplugged before hands go near the core"},
	cameBack: {"combustion-gas",
		"the repair did not find the cause: let a licensed mechanic look before more parts are bought; start the gas " +
			"test cold, cap off, outdoors, and stop before the coolant rises"},
}

// flagOf is the flag that a cause of overheating goes under; others go under
// above-fleet, with the cause beside it.
var flagOf = map[string]string{
	"blocked-core": blockedCore, "dirty-oil-cooler": blockedCore, "air-path": blockedCore, "trapped-air": trappedAir,
	"warning-circuit": warningCircuit, "fan-circuit": fanCircuit, "fan-reversed": fanCircuit, "thermostat": thermostat,
	"external-leak": steadyLoss, "head-gasket": steadyLoss, "low-coolant": steadyLoss,
}

const (
	hardDriving   = "hard-driving"
	driverCaution = "the log cannot see orders, cargo or the route: speak with the driver before you judge; when the " +
		"lamp comes on, the driver must ease off and not drive on ('cautions lamp' has the drill)"
	factorCaution = "a condition, not a fault: plan cleaning and pauses around it, and do not let it excuse a " +
		"machine that stands out under the same conditions"
)
