package cooling

import (
	"strings"
)

// Limits of the light that does not come through a core, percent. Common
// practice, no source: more than a fifth is blocked, less than a tenth is
// clear. Light is the same both ways; front and back are two faces, and a front
// a third packed can hide a back four-fifths packed, since mud and seed pack
// between the layers.
const (
	darkFail = 20.0
	darkPass = 10.0
)

func judgeLight(e *exam) {
	e.v.Source = practice
	worst, said, clear := 0.0, []string(nil), false
	for _, look := range []struct{ name, says string }{
		{"dark_pct", "no light comes through %v %%"}, {"blocked_back_pct", "%v %% of the back face is packed"},
		{"blocked_front_pct", "%v %% of the front face is packed"}} {
		share, seen := e.find(look.name)
		if !seen {
			continue
		}
		said = append(said, e.text(look.says, share))
		worst = max(worst, share)
		clear = clear || look.name != "blocked_front_pct"
	}
	e.v.Value, e.v.Unit = worst, "%"
	says := strings.Join(said, ", ")
	switch {
	case worst > darkFail:
		e.failed("%s: more than %v %% is blocked, clean it from the fan's side", says, darkFail)
	case !clear:
		e.unsure("%s, which says little about what is behind it", says)
		e.warn("the front alone misleads: a front a third blocked can hide a back four-fifths blocked")
	case worst <= darkPass:
		e.pass("%s: clear", says)
	default:
		e.unsure("%s: neither clear nor blocked; clean it and compare with the next similar run", says)
	}
}

// Limits of how much colder a patch of the core is than its neighbours, K
// (common practice, no source).
const (
	patchFailK = 10.0
	patchPassK = 5.0
)

func judgeFlowThrough(e *exam) {
	patch := e.get("patch_k")
	e.v.Value, e.v.Unit, e.v.Source = patch, "K", practice
	said := e.text("the coldest patch is %v K colder than those beside it", patch)
	switch {
	case patch > patchFailK:
		e.failed("%s, more than %v K: tubes are blocked inside", said, patchFailK)
	case patch <= patchPassK:
		e.pass("%s: the core is even", said)
	default:
		e.unsure("%s: not clear; take it off the machine and flush it to find out", said)
	}
}

// judgeAirPath judges what covers a core, by the limits of a blocked one (see
// darkFail).
func judgeAirPath(e *exam) {
	e.v.Source = practice
	covered, seen := e.find("covered_pct")
	if seen {
		e.v.Value, e.v.Unit = covered, "%"
	}
	switch {
	case covered > darkFail:
		e.failed("%v %% of the core is covered: take away what is in front of it", covered)
	case e.yes("shroud_missing"):
		e.failed("a shroud or seal is missing: the fan draws air past the core")
	case covered > darkPass:
		e.unsure("%v %% of the core is covered: take it away and compare with the next similar run", covered)
	default:
		e.pass("nothing keeps the air from the core")
	}
}
