// Package stat turns numbers into estimates with intervals and warnings. It
// knows nothing of machines.
//
// Conventions, the same in every file:
//
//   - A function of one quantity returns a Result; a function of several
//     returns a struct whose fields are Results.
//   - Nothing to estimate from is an absence with its reason (Result.Est nil,
//     Result.Why set), never 0 and never NaN. Bad input (a negative count, an
//     infinite exposure) is an absence too, and says which value is bad.
//   - Estimate.Value is always finite. A limit that does not exist is -Inf or
//     +Inf in Low or High, and null in JSON.
//   - Intervals and two-sided p-values are central (equal tails), so that an
//     interval and its p never contradict each other; mid-P only where the
//     name says so.
//   - level is the coverage asked for, 0.95 for a 95 % interval.
//   - No argument is changed; results come in the order of the arguments.
package stat

import (
	"encoding/json"
	"fmt"
	"math"
)

// Level95 is the coverage in every report unless another is asked for.
const Level95 = 0.95

// Estimate is a point estimate with a central interval that covers the truth
// with probability Level. Its unit is that of the function that returned it.
type Estimate struct {
	Value float64 // always finite
	Low   float64 // -Inf where there is no lower limit
	High  float64 // +Inf where there is no upper limit
	Level float64 // coverage of Low to High, 0 to 1
}

// MarshalJSON returns {"value","low","high","level"}, null for what is not
// finite.
func (e Estimate) MarshalJSON() ([]byte, error) {
	return json.Marshal(struct {
		Value *float64 `json:"value"`
		Low   *float64 `json:"low"`
		High  *float64 `json:"high"`
		Level *float64 `json:"level"`
	}{finite(e.Value), finite(e.Low), finite(e.High), finite(e.Level)})
}

// UnmarshalJSON is the inverse of MarshalJSON: a null limit is infinite.
func (e *Estimate) UnmarshalJSON(b []byte) error {
	var from struct{ Value, Low, High, Level *float64 }
	if err := json.Unmarshal(b, &from); err != nil {
		return err
	}
	or := func(x *float64, absent float64) float64 {
		if x == nil {
			return absent
		}
		return *x
	}
	*e = Estimate{or(from.Value, math.NaN()), or(from.Low, math.Inf(-1)), or(from.High, math.Inf(1)),
		or(from.Level, math.NaN())}
	return nil
}

func finite(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}

// Scaled returns e in another unit: value and limits times k, k > 0.
func (e Estimate) Scaled(k float64) Estimate {
	e.Value, e.Low, e.High = e.Value*k, e.Low*k, e.High*k
	return e
}

// Result is an estimate, or the reason why there is none. Warnings may come
// with either.
type Result struct {
	Est      *Estimate // nil if nothing can be estimated
	Why      string    // why Est is nil; otherwise empty
	Warnings []string  // what a reader must know besides the number
}

func absent(format string, args ...any) Result {
	return Result{Why: fmt.Sprintf(format, args...)}
}

// estimated returns numbers as a Result, but an absence if they are not finite:
// a numerical failure must not become a NaN in a table.
func estimated(value, low, high, level float64, warnings ...string) Result {
	if math.IsNaN(value) || math.IsInf(value, 0) || math.IsNaN(low) || math.IsNaN(high) {
		return Result{Why: "the method gave no finite number for these data", Warnings: warnings}
	}
	return Result{Est: &Estimate{value, low, high, level}, Warnings: warnings}
}
