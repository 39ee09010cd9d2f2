package flags

import (
	"math"
	"sort"
	"time"

	"shedbook/report/exposure"
)

// Stretches between marks, and the rates of loss that they speak for.

// minHours is how far apart two looks must be to make a stretch: nearer ones
// say more about the eye and the rounding than about the coolant.
const minHours = 20

// Reading error of a look and of a filling to the mark, ml: common practice, no
// source.
const eyeSD = 8

type mark struct {
	at      time.Time
	kind    uint8 // in the order in which marks of one moment are taken
	volume  float64
	unknown bool
}

const (
	overheated = iota
	refilled
	looked
	toppedUp
)

// coolant cuts the log into stretches. A stretch that begins within the
// settling cycles of a refill is left out even where it ends after them, and so
// is one with an overheat whose loss nobody wrote down.
func (m *machine) coolant(life *exposure.Life, settlingCycles int) {
	log := life.Log
	var marks []mark
	var volumes, looks []float64
	for i := range log.Overheats {
		o := &log.Overheats[i]
		marks = append(marks, mark{at: o.At, kind: overheated, volume: o.Lost.V, unknown: !o.Lost.Known})
	}
	for i := range log.Refills {
		marks = append(marks, mark{at: log.Refills[i].At, kind: refilled})
	}
	for i := range log.Levels {
		l := &log.Levels[i]
		if l.Engine == "hot" {
			continue // hot coolant stands higher: no measure of what is missing
		}
		marks = append(marks, mark{at: l.At, kind: looked, volume: l.BelowMark.V})
		looks = append(looks, l.BelowMark.V)
	}
	for i := range log.TopUps {
		t := &log.TopUps[i]
		marks = append(marks, mark{at: t.At, kind: toppedUp, volume: t.Volume.V})
		volumes = append(volumes, t.Volume.V)
	}
	sort.SliceStable(marks, func(a, b int) bool {
		if !marks[a].at.Equal(marks[b].at) {
			return marks[a].at.Before(marks[b].at)
		}
		return marks[a].kind < marks[b].kind
	})
	poured, seen := rounding(step(volumes)), rounding(step(looks))

	anchored, settling, blind := false, false, false
	var from time.Time
	var engine, below, boiled, variance float64
	var opened time.Time
	// A top-up begins the next stretch at the mark, whatever was written down for
	// it; what it was rounded by belongs to the stretch that it ends.
	anchor := func(k *mark, left, sd float64) {
		anchored, blind, boiled, from, below = true, false, 0, k.at, left
		engine, variance = life.Clock.At(k.at), sd*sd
		settling = !opened.IsZero() && life.CyclesTo(k.at)-life.CyclesTo(opened) < settlingCycles
	}
	var pending *mark // a look too near the last mark to make a stretch of its own yet
	pendingBoiled := 0.0
	emit := func(k *mark, hours, boiled, sd float64) {
		if blind || hours <= 0 {
			return
		}
		spread := math.Sqrt(variance + sd*sd)
		if boiled > 0 {
			spread = math.Hypot(spread, 40) // what boiled over is guessed from the puddle
		}
		m.stretches = append(m.stretches, stretch{from: from.Unix(), at: k.at.Unix(), hours: float32(hours),
			loss: float32(k.volume - below - boiled), boiled: float32(boiled), sd: float32(spread)})
	}
	for i := range marks {
		k := &marks[i]
		switch k.kind {
		case overheated:
			boiled += k.volume
			blind = blind || k.unknown
		case refilled:
			if pending != nil {
				emit(pending, life.Clock.At(pending.at)-engine, pendingBoiled, seen)
				pending = nil
			}
			opened = k.at
			anchor(k, 0, eyeSD)
			settling = true
		default:
			sd, left := seen, k.volume
			if k.kind == toppedUp {
				sd, left = poured, 0
			}
			if anchored && !settling {
				hours := life.Clock.At(k.at) - engine
				if k.kind == looked && hours < minHours {
					if !blind {
						pending, pendingBoiled = k, boiled
					}
					continue
				}
				emit(k, hours, boiled, sd)
			} else if anchored && k.kind == toppedUp {
				m.log.settling += k.volume
			}
			pending = nil
			if k.kind == toppedUp {
				sd = eyeSD
			}
			anchor(k, left, sd)
		}
	}
}

// step is the coarsest of the usual steps that all volumes keep to.
func step(volumes []float64) float64 {
	for _, s := range []float64{100, 50, 25, 10} {
		n := 0
		for _, v := range volumes {
			if math.Abs(v-s*math.Round(v/s)) < 0.5 {
				n++
			}
		}
		if len(volumes) >= 3 && 10*n >= 9*len(volumes) {
			return s
		}
	}
	return 10
}

// rounding is the standard deviation of a volume rounded to a step.
func rounding(step float64) float64 { return math.Hypot(step/math.Sqrt(12), eyeSD) }

// soundRates are the rates, ml an engine hour, that a sound machine may lose:
// how often each is met is learned from the fleet, beginning from soundPrior
// (together worth 1.5 machines).
var (
	soundRates = [...]float64{0.03, 0.15, 0.3, 0.5, 0.75, 1.1, 1.6, 2.4, 4}
	soundPrior = [...]float64{0.4, 0.4, 0.35, 0.22, 0.1, 0.02, 0.006, 0.003, 0.001}
	// lossRates are what a leak adds to a sound machine's mean, each as likely.
	lossRates = [...]float64{0.8, 1.4, 2.5, 4.5, 8, 14, 24}
)

// burst is the chance, per stretch, of a loss that nobody wrote down (a spill,
// a top-up on a slope, a boil-over taken for nothing), anything up to maxBurst ml:
// one stretch alone shall never make a steady loss. Common practice, no source.
const burst, maxBurst = 0.08, 800.0

// density of a stretch under a rate.
func (s *stretch) density(rate float64) float64 {
	z := float64(s.loss) - rate*float64(s.hours)
	sd := float64(s.sd)
	gauss := func(sd float64) float64 { return math.Exp(-z*z/(2*sd*sd)) / (sd * math.Sqrt(2*math.Pi)) }
	jump := 0.0
	if z > -2*sd && z < maxBurst {
		jump = 1 / maxBurst
	}
	return (1-burst)*(0.8*gauss(sd)+0.2*gauss(2.5*sd)) + burst*jump + 1e-9
}

// coolantEvidence is the running evidence on one machine's coolant.
type coolantEvidence struct {
	sound [len(soundRates)]float64 // likelihoods of the sound rates, made to add up to 1
	loss  [len(lossRates)]onset
}

// hear takes in one stretch. fleet is the prior over the sound rates.
func (c *coolantEvidence) hear(s *stretch, fleet *[len(soundRates)]float64, mass *spending) {
	total, mean, p0 := 0.0, 0.0, 0.0
	for g, r := range soundRates {
		w := fleet[g] * c.sound[g]
		d := s.density(r)
		total += w
		p0 += w * d
		mean += fleet[g] * r
		c.sound[g] *= d
	}
	p0 /= total
	rescale(c.sound[:])
	share := mass.spend(float64(s.hours))
	for k := range c.loss {
		c.loss[k].hear(share, s.density(mean+lossRates[k])/p0, s.from)
	}
}

func rescale(x []float64) {
	top := 0.0
	for _, v := range x {
		top = max(top, v)
	}
	for i := range x {
		x[i] = max(x[i]/top, 1e-12)
	}
}
