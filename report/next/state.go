package next

import (
	"fmt"
	"time"

	"shedbook/report/belief"
	"shedbook/report/exposure"
	"shedbook/report/say"
	stand "shedbook/report/state"
	"shedbook/schema"
)

// Given is what a machine's state takes of the belief about it: how likely a head
// gasket is by its own log and the book's priors, which causes a failed check
// points to, and which remedies are not proven yet. Of a machine whose log shows
// none of the gasket's signs it is not asked: it takes longer than all the rest.
func Given(common schema.Fleet, l *exposure.Life) stand.Given {
	g := stand.Given{Points: Points}
	for _, r := range belief.Unproven(common.Settings, l, openHours) {
		g.Open = append(g.Open, stand.Remedy{At: r.At, Record: r.Record,
			Says: fmt.Sprintf("the %s on %s is not proven yet: %s",
				r.Name(), say.Day(r.At, common.Settings.Zone()), r.ToProve())})
	}
	if !gasketSigns(common.Settings, l) {
		return g
	}
	asked := map[int64]float64{}
	g.Gasket = func(at time.Time) float64 {
		p, ok := asked[at.Unix()]
		if !ok {
			p = gasket(common, l.Log, at)
			asked[at.Unix()] = p
		}
		return p
	}
	return g
}

// openHours is the engine hours for which a remedy that is not proven holds a
// machine on watch: what it could not show in as many, it won't by watching. Common
// practice, no source.
const openHours = 100

// gasket is the probability of a head gasket by a machine's own log; 0 where
// nothing is recorded of it.
func gasket(common schema.Fleet, log *schema.Log, at time.Time) float64 {
	common.Logs = []schema.Log{*log}
	s, err := known(common, nil, log.Machine.Name, at)
	if err != nil || s.e.blank {
		return 0
	}
	return s.b.marginals()[s.n.cause("head-gasket")]
}

// gasketSigns says whether a log shows any sign of a head gasket: coolant that
// boiled over, a check of it that failed, or coolant that goes, which neither
// settling nor boil-over explains: as much in signHours as parks when lost at once.
func gasketSigns(settings schema.Settings, l *exposure.Life) bool {
	for i := range l.Log.Overheats {
		if o := &l.Log.Overheats[i]; o.Lost.V > 0 || o.Sign == "steam" {
			return true
		}
	}
	for i := range l.Log.Checks {
		if c := &l.Log.Checks[i]; c.Result == "fail" && Points(c.Check, "head-gasket") {
			return true
		}
	}
	ml, hours := 0.0, 0.0
	stretches := l.Stretches(l.LevelPoints(), settings.SettlingCycles())
	for i := len(stretches) - 1; i >= 0; i-- {
		if s := &stretches[i]; !s.Settling {
			ml, hours = ml+s.Unexplained(), hours+s.Hours()
			if ml >= stand.LossLimit(&l.Log.Machine)*max(hours/signHours, 1) {
				return true
			}
		}
	}
	return false
}

// signHours is the engine hours over which coolant that goes is a sign: common
// practice, no source.
const signHours = 100

// Points says whether a check that fails points to a cause: more than a false
// alarm would.
func Points(check, cause string) bool {
	n := theNetwork()
	k, c := n.check(check), n.cause(cause)
	return k >= 0 && c >= 0 && n.checks[k].fails[c] >= pointsFrom
}

// pointsFrom is the chance to fail from which a check points to a cause: common
// practice, no source.
const pointsFrom = 0.2

// stateOf is a machine's state, but for the flags that stand.
func stateOf(fleet *schema.Fleet, log *schema.Log, asOf time.Time) stand.State {
	common := *fleet
	common.Logs = nil
	l := exposure.NewIndex(nil, nil, fleet.Settings).Life(log)
	return stand.Of(l, fleet.Settings, asOf, Given(common, l)).State
}
