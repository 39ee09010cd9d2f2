package cooling

// Limits returns the limits of the judges by name, printed, for the texts that
// tell people how to do a check: so each limit is defined once, at its judge.
func Limits() map[string]string {
	out := map[string]string{}
	for name, limit := range limits {
		out[name] = text("%.1v", limit)
	}
	// The published 2 psi is 13.8 kPa, as people read it off a gauge.
	out["loss-kpa"] = text("%v", lossFailKPa)
	return out
}

var limits = map[string]float64{
	"dark-pass": darkPass, "dark-fail": darkFail, // percent of a core
	"air-fail": airFail, "missing-pass": missingPass, "missing-fail": missingFail, // percent of the system
	"loss-min": lossMinutes, "most-k": mostK, "hold-min": watchGood, // minutes
	"gas-rpm": gasRPM, "squeeze-rpm": squeezeRPM,
	"compression-fail": 100 * compressionFail,                                  // percent of the highest
	"leak-good":        leakGood, "leak-fair": leakFair, "leak-fail": leakFail, // percent
	"cap-pass": 100 * capPass, "cap-fail": 100 * capFail, // percent of print
	"cap-seconds": 60 * holdMin,
	"fan-late":    fanFailK, "fan-high": fanHighC, // K, °C
	"drop-volts": dropPassV, "plug-volts": plugFailV,
	"open-tol": openTolK, "open-fail": openFailK, "full-open": fullOpenK, "jump-fail": jumpFailK, // K from the stamp
	"lift-mm":  liftMinMM,
	"core-low": coreLowK, "core-good": coreGoodK, "core-high": coreHighK, // K across the core
	"patch-fail": patchFailK, "apart-pass": apartPassK, "apart-fail": apartFailK, "hub-fail": hubFailK, // K
	"lamp-low": lampLowC,
	"oil-mm":   oilMM,
	"mix-low":  mixLow, "mix-good": mixGood, "mix-high": mixHigh, // percent by volume
	"tol-cold": tolColdPct, "tol-hot": tolHotPct, "thermometer": thermometerK, // percent, percent, K
}
