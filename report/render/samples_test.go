package render

import (
	"math"
	"time"

	"shedbook/report"
	"shedbook/report/coolant"
	"shedbook/report/exposure"
	"shedbook/report/flags"
	"shedbook/report/next"
	"shedbook/report/stat"
	"shedbook/report/state"
	"shedbook/schema"
)

// The samples are made by hand, so that a change of the arithmetic does not
// change how a page looks. Their figures are invented.

func ptr[T any](v T) *T { return &v }

func est(v, low, high float64) *stat.Estimate {
	return &stat.Estimate{Value: v, Low: low, High: high, Level: 0.95}
}

func date(month, day int) time.Time {
	return time.Date(2026, time.Month(month), day, 8, 0, 0, 0, time.UTC)
}

func parkedSample() state.State {
	return state.State{State: state.Parked, Reasons: []state.Reason{{Rule: "gasket-likely", At: date(3, 12),
		Record:   ptr(int64(311)),
		Text:     "its own log, without the rest of the fleet, puts a bad head gasket at 23 %",
		LiftedBy: "get two clean gas tests on the hot engine (0 of 2), or record a service for head-gasket"}}}
}

func notReady() []state.Machine {
	return []state.Machine{{Machine: "R4", State: parkedSample()}, {Machine: "R5", State: watchSample()}}
}

func parkedSpells() []state.Spell {
	return []state.Spell{
		{Rule: "steam", At: date(2, 3), Record: ptr(int64(205)), Text: "it steamed on 3 Feb 2026",
			Until:  ptr(date(2, 9)),
			Lifted: "a thorough clean on 5 Feb 2026, filled to the mark, and full cold on two mornings"},
		{Rule: "shutdown", At: date(2, 20), Record: ptr(int64(240)), Text: "it shut itself down on 20 Feb 2026",
			Until: ptr(date(2, 21)), Lifted: "released by the yard: onto the trailer"},
		{Rule: "gasket-likely", At: date(3, 12), Record: ptr(int64(311)),
			Text: "its own log, without the rest of the fleet, puts a bad head gasket at 23 %"},
	}
}

func watchSample() state.State {
	return state.State{State: state.Watch, Reasons: []state.Reason{{Rule: "overheat", At: date(3, 12),
		Record:   ptr(int64(311)),
		Text:     "it overheated on 12 Mar 2026, and nothing was checked or fixed since",
		LiftedBy: "do a check, or fix it: shedbook next R5"}}}
}

func readySample() state.State { return state.State{State: state.Ready, Reasons: []state.Reason{}} }

func sampleCoolant() report.CoolantReport {
	var stretches []exposure.Stretch
	lost := []float64{450, 0, 300, 200, 250, 150, 300, 250, 250}
	for i, ml := range lost {
		s := exposure.Stretch{From: date(3, 2+9*i), To: date(3, 11+9*i), FromH: 1200 + 20*float64(i),
			ToH: 1220 + 20*float64(i), Lost: ml, Closed: "topup"}
		s.Settling = i == 0
		if i == 2 {
			s.BoilOver, s.Overheats = 300, 1
		}
		stretches = append(stretches, s)
	}
	return report.CoolantReport{AsOf: noon.AddDate(0, 3, 0), Machines: []coolant.Machine{
		{Machine: "R4", From: ptr(date(3, 2)), To: ptr(date(5, 22)), Hours: 182.4, ToppedUpMl: 2150, SettlingMl: 450,
			BoilOverMl: 300, UnexplainedMl: 1400, Intervals: 9,
			Rate: est(8.6, 6.1, 11.2), RatePct: est(20.5, 14.5, 26.7), Steady: ptr(true), Stretches: stretches,
			Change: &coolant.Change{At: ptr(date(3, 20)), Low: ptr(date(3, 12)), High: ptr(date(4, 1)),
				Hours: *est(1241, 1222, 1266), Before: 0.4, After: 9.9},
			Warnings: []string{"1 overheat says nothing of coolant lost: what boiled over then counts as unexplained"}},
		{Machine: "R5", Hours: 61, ToppedUpMl: 50, Intervals: 1, UnexplainedMl: 50, From: ptr(date(4, 1)),
			To: ptr(date(5, 1)), Rate: est(0.8, math.Inf(-1), 3.1),
			SteadyWhy: ptr("under 4 stretches")},
		{Machine: "R6", Why: ptr("no mark is recorded")}, {Machine: "R7", Why: ptr("no mark is recorded")},
	}}
}

func sampleCleaning() report.CleaningReport {
	return report.CleaningReport{AsOf: noon, RiskPct: 10, Machines: []report.CleaningMachine{
		{Machine: "R4", LastAny: ptr(date(3, 10)), LastThorough: ptr(date(1, 20)), HoursSinceAny: 11.2,
			HoursSinceThorough: 96, MudHoursSinceThorough: 31.5, OverheatsSinceThorough: 3,
			EveryH: est(60, 41, 88), EveryMudH: est(21, 13.5, 33)},
		{Machine: "R5", LastAny: ptr(date(2, 1)), HoursSinceAny: 40, HoursSinceThorough: 212.6,
			MudHoursSinceThorough: 3, Why: ptr("fewer than 3 overheats after a thorough clean in the whole fleet")},
	}}
}

func sampleRates() report.RatesReport {
	return report.RatesReport{AsOf: noon, By: "driver", AdjustedFor: []string{"speed", "terrain"}, Against: "rest",
		UnplacedOverheats: 2, UnrecordedHours: 12.5, UnrecordedLevelHours: 10, UnrecordedMeterHours: 2.5,
		Levels: []report.RateLevel{
			{Level: "D1", Overheats: 1, Hours: 212.4, Per100h: est(0.47, 0.01, 2.6), CrudeRatio: est(0.31, 0.01, 1.9),
				AdjustedRatio: est(0.8, 0.1, 3.4), P: ptr(0.8), PHolm: ptr(1.0), CrudeP: ptr(0.3)},
			{Level: "D2", Hours: 88, Per100h: est(0, math.Inf(-1), 4.2), CrudeRatio: est(0, math.Inf(-1), 3.3),
				P: ptr(0.6), PHolm: ptr(1.0), CrudeP: ptr(0.6),
				Why: ptr("no overheat: only an upper limit as counted")},
			{Level: "D3", Overheats: 6, Hours: 141, Per100h: est(4.3, 1.6, 9.3), CrudeRatio: est(4.1, 1.3, 14),
				AdjustedRatio: est(1.1, 0.4, 2.9), P: ptr(0.85), PHolm: ptr(1.0), CrudeP: ptr(0.012)},
		},
		Method: "Poisson regression with log hours as offset", Words: []string{"D3: 4.1 times the others as counted, " +
			"1.1 (0.4 to 2.9) allowing for speed and terrain: it is the driving conditions"}}
}

func sampleDue() report.DueReport {
	return report.DueReport{AsOf: noon, Machines: notReady(), Due: []report.Due{
		{Machine: "R4", Work: "thorough clean", Overdue: true, By: "mud hours", Every: 21, Since: 31.5, Left: -10.5,
			Last: ptr(date(1, 20)), When: &noon},
		{Machine: "R5", Work: "coolant changed", Plan: 3, By: "days", Every: 730, Since: 700, Left: 30,
			Last: ptr(date(1, 1)), When: ptr(date(4, 13)), Low: ptr(date(4, 13)), High: ptr(date(4, 13))},
		{Machine: "R6", Work: "oil and filter", Plan: 4, By: "hours", Every: 100, Since: 20, Left: 80,
			Why: ptr("not driven in the last 13 weeks")},
		{Machine: "R7", Work: "thorough clean", Advice: true, By: "mud hours", Every: 21, Since: 31.5, Left: -10.5,
			Last: ptr(date(1, 20)), When: &noon},
	}, Warnings: []string{"thorough clean: by mud hours the log does not show overheats getting likelier with the " +
		"hours since a clean"}}
}

func sampleDoubts() report.DoubtsReport {
	return report.DoubtsReport{AsOf: noon, Doubts: []report.Doubt{
		{Machine: "R4", At: date(2, 3), Doubt: report.Overlap,
			Records: []report.Ref{{Kind: "run", Number: 12}, {Kind: "run", Number: 14}},
			Says:    "run 14 (2026-02-03 08:00, 3 h) begins before run 12 (2026-02-03 07:00, 2 h) is over"},
		{Machine: "R5", At: date(2, 9), Doubt: report.NoRun, Records: []report.Ref{{Kind: "overheat", Number: 40}},
			Says: "overheat 40 (2026-02-09 08:00) lies outside any recorded run"},
	}}
}

func sampleFlags() flags.Result {
	var curve []flags.Point
	for i, v := range []float64{0, -0.3, -0.5, -0.2, 0.4, 1.1, 1.9, 2.4} {
		curve = append(curve, flags.Point{At: date(1, 1+10*i), Hours: 25 * float64(i), Log10BayesFactor: v})
	}
	return flags.Result{AsOf: noon, Machines: notReady(), Flags: []flags.Flag{
		{Scope: "machine", Machine: "R4", Flag: "steady-loss", Since: date(1, 28), Raised: date(3, 8),
			Evidence: flags.Evidence{Log10BayesFactor: 2.4, Highest: 2.4, Needed: 1.8},
			Reasons: []string{"1400 ml went in 182 h that neither settling nor boil-over explains, 8.6 ml/h",
				"it goes at the same rate in every stretch"}, NextCheck: ptr("pressure-hold"),
			Caution: "never open the cap hot: engine off 15 minutes at least and the cap cool to the hand",
			Would:   []string{"another 20 h without a top-up would halve this"}, Curve: curve},
		{Scope: "fleet", Factor: "terrain", Level: "mud", Flag: "terrain", Since: date(1, 1), Raised: date(2, 20),
			Evidence: flags.Evidence{Log10BayesFactor: 7.2, Highest: 7.2, Needed: 1.3},
			Reasons:  []string{"6 overheats in 41 h of mud against 3 in 500 h elsewhere"},
			Caution:  "a condition, not a fault"},
	}, Resting: []flags.Flag{{Scope: "machine", Machine: "R4", Flag: "blocked-core", Since: date(1, 3),
		Raised: date(1, 20), Answered: &flags.Answered{At: date(2, 2), Found: "core full of seed",
			Cause: "blocked-core", Service: ptr(int64(214))}}}}
}

func sampleNext() next.Result {
	return next.Result{Machine: "R4", AsOf: noon, Do: next.Do{Act: "check", Check: ptr("pressure-hold"),
		Minutes: ptr(20.0), Why: "20 min, expected to save 35"}, State: parkedSample(), Candidates: []next.Candidate{
		{Cause: "head-gasket", Probability: 0.41, For: []string{"coolant goes at 8.6 ml/h with nothing seen outside"},
			Against: []string{"no overheat within minutes of a cold start"}, Minutes: 480},
		{Cause: "external-leak", Probability: 0.38, For: []string{"coolant goes steadily"}, Minutes: 60},
	}, Checks: []next.Check{
		{Check: "pressure-hold", Minutes: 20, MinutesSaved: 35, FailChance: 0.6, IfPass: "head-gasket rises to 0.61",
			IfFail: "external-leak rises to 0.55", When: "cold",
			Cautions: []string{"cold engine only; no more than the cap's own pressure"},
			Caution:  "cold engine only; no more than the cap's own pressure",
			How:      "pump the system up cold to the cap's pressure and watch the needle for 10 minutes",
			Needs:    "cooling system tester"},
		{Check: "combustion-gas", Minutes: 15, MinutesSaved: 22, FailChance: 0.35, IfPass: "head-gasket falls to 0.2",
			IfFail: "head-gasket rises to 0.9", When: "warming", Running: true,
			Cautions: []string{"outdoors: exhaust kills"}, Caution: "outdoors: exhaust kills",
			How: "draw air over the filler neck through the test fluid"},
	}}
}

func sampleHistory() report.HistoryReport {
	c := sampleCoolant().Machines[0]
	h := report.HistoryReport{AsOf: noon.AddDate(0, 3, 0), Machine: "R4", State: parkedSample(), Parked: parkedSpells(),
		Make: "Fernhill", Model: "Trail 600", Year: schema.N(2019), Serial: "TR600-0042", CoolantL: schema.N(4.2),
		Acquired: ptr(date(1, 5)),
		From:     ptr(date(1, 7)), To: ptr(date(6, 12)), EngineHours: ptr(1402.6), ByMeter: true, Runs: 71,
		RecordedHours: 190.2, MudHours: 44.5, UnrecordedHours: 12.4, Overheats: 4,
		Coolant: c, Cleaning: sampleCleaning().Machines[0], Masked: true,
		Open: []report.Matter{{Machine: "R4", Matter: "steady-loss",
			Says: "coolant goes at a steady rate per engine hour"}},
		Unknown: []string{"its life before 2026-01-05 is not recorded here",
			"the meter shows 12.4 h on the meter are in no recorded run: driver and ground are not known"},
		Gaps: []report.Gap{{From: date(2, 1), To: date(3, 2), Days: 29,
			Says: "2026-02-01 to 2026-03-02: 29 days without a record"}},
		Doubts: []report.Doubt{{Machine: "R4", At: date(2, 3), Says: "run 14 begins before run 12 is over"}},
		Months: []report.Month{{Month: "2026-01", Hours: 31}, {Month: "2026-03", Hours: 52.5, Overheats: 1},
			{Month: "2026-04", Hours: 60}, {Month: "2026-05", Hours: 41}, {Month: "2026-06", Hours: 5.7}},
	}
	lost, odd := 0.0, 0.0
	h.CoolantPlot = []report.CoolantPoint{{At: date(3, 1), Engine: 1200, Kind: "refill"}}
	for _, s := range c.Stretches {
		lost, odd = lost+s.Lost, odd+s.Unexplained()
		h.CoolantPlot = append(h.CoolantPlot, report.CoolantPoint{At: s.To, Engine: s.ToH, Kind: s.Closed, Lost: lost,
			Unexplained: odd})
	}
	for i, k := range []string{"thorough clean", "overheat", "rinse", "overheat", "refill", "rinse", "overheat",
		"overheat", "rinse"} {
		h.TimeLine = append(h.TimeLine, report.TimePoint{At: date(1, 10+14*i), Engine: 1190 + 20*float64(i), Kind: k})
	}
	h.Entries = []report.Entry{
		{At: date(1, 5), Kind: "machine", Engine: 1180, Says: "came into the fleet, meter at 1180.0 h"},
		{At: date(1, 10), Kind: "clean", Number: 12, Engine: 1190,
			Says: "radiator cleaned thoroughly, by soak, both sides, radiator out"},
		{At: date(1, 24), Kind: "overheat", Number: 31, Engine: 1210,
			Says: "overheated, shown by lamp, Driver A, mud, slow, 18 min after the start",
			Note: "=cmd|'/c calc'!A1 <b>steep</b> \x1b[31mhill"},
		{At: date(3, 1), Kind: "refill", Number: 55, Engine: 1200, Says: "system filled with 4200 mL, 50 % concentrate",
			Note: "hose replaced", Amended: 2},
	}
	return h
}

func sampleFleet() (report.FleetReport, []report.Weeks) {
	r := report.FleetReport{AsOf: noon, Order: "worst first: parked, on watch, ready; then open matters, then " +
		"overheats in the last 100 h, then coolant lost, then mud hours since the last thorough clean",
		Machines: []report.FleetRow{
			{Machine: "R4", State: parkedSample(), Model: "Trail 600", EngineHours: ptr(1402.6), ByMeter: true,
				LastRun: ptr(date(3, 13)), LastThorough: ptr(date(1, 20)), HoursSinceThorough: 96,
				MudHoursSinceThorough: 31.5,
				CoolantRate:           est(8.6, 6.1, 11.2), UnexplainedMl: 1400, OverheatsLast100h: 3,
				Open: []report.Matter{{Machine: "R4", Matter: "steady-loss"}, {Machine: "R4", Matter: "blocked-core"}}},
			{Machine: "R5", State: watchSample(), Model: "Trail 600", EngineHours: ptr(811.0), ByMeter: true,
				LastRun: ptr(date(3, 12)), HoursSinceThorough: 212.6, MudHoursSinceThorough: 3,
				CoolantRate: est(0.8, math.Inf(-1), 3.1), Open: []report.Matter{}},
			{Machine: "R6", State: readySample(), EngineHours: ptr(40.2), LastRun: ptr(date(2, 2)),
				HoursSinceThorough: 40.2, CoolantWhy: ptr("no mark is recorded"), Open: []report.Matter{}},
			{Machine: "R7", State: readySample(), Open: []report.Matter{}, CoolantWhy: ptr("no mark is recorded"),
				Retired: ptr(date(2, 1))},
		}}
	var weeks []report.Weeks
	for k, m := range r.Machines {
		w := report.Weeks{Machine: m.Machine, From: noon.AddDate(0, 0, -7*26)}
		for i := range 26 {
			w.Hours = append(w.Hours, math.Max(0, 8+5*math.Sin(float64(i+k))-4*float64(k)))
			w.AddedMl = append(w.AddedMl, map[bool]float64{true: 150}[k == 0 && i%3 == 0])
			w.Overheats = append(w.Overheats, map[bool]int{true: 1}[k == 0 && i > 18 && i%2 == 0])
		}
		weeks = append(weeks, w)
	}
	return r, weeks
}

func sampleRecurrence() report.RecurrenceReport {
	return report.RecurrenceReport{AsOf: noon, Of: "valve seat", Machines: 3, Events: 5,
		Curve: []report.RecurrencePoint{
			{Hours: 61, AtRisk: 3, MCF: 0.333, Low: 0, High: 0.87},
			{Hours: 76, AtRisk: 3, MCF: 0.667, Low: 0, High: 1.4}, {Hours: 84, AtRisk: 3, MCF: 1, Low: 0.1, High: 1.9},
			{Hours: 350, AtRisk: 2, MCF: 2, Low: 0.8, High: 3.2}},
		Trend: []report.MachineTrend{{Machine: "R4", Events: 4, Hours: 400, Says: "worse", Laplace: ptr(2.1),
			P: ptr(0.036), Shape: est(2.2, 1.1, 4)}, {Machine: "R5", Events: 1, Hours: 420, Says: "cannot say",
			Why: ptr("one event only")}, {Machine: "R6", Hours: 90, Says: "cannot say", Why: ptr("no event")}},
		Words: []string{"valve seat 5 times on 3 machines; by 350 h a machine has had 2 (0.8 to 3.2) on average",
			"more and more often: R4"}}
}
