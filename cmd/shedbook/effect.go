package main

import (
	"fmt"

	"shedbook/report/exposure"
	"shedbook/report/say"
	"shedbook/schema"
	"shedbook/schema/unit"
)

// effect says in a line what a record changed for its machine; "" where there
// is nothing to say.
func effect(log *schema.Log, r schema.Record, s schema.Settings) string {
	life := exposure.NewIndex(nil, nil, s).Life(log)
	name := log.Machine.Name
	var deep schema.Cleaning
	for _, c := range log.Cleanings {
		if c.Thorough() {
			deep = c
		}
	}
	since := "since the last thorough clean"
	if deep.At.IsZero() {
		since = "and no thorough clean on record"
	}
	switch r := r.(type) {
	case *schema.Run:
		hours, mud := life.Hours-life.HoursTo(deep.At), life.Mud-life.MudTo(deep.At)
		if r.Terrain == "mud" {
			return fmt.Sprintf("%s: %.1f mud hours %s", name, mud, since)
		}
		return fmt.Sprintf("%s: %.1f hours %s", name, hours, since)
	case *schema.Cleaning:
		if !r.Thorough() {
			return fmt.Sprintf("%s: a rinse; %.1f mud hours %s", name, life.Mud-life.MudTo(deep.At), since)
		}
		return fmt.Sprintf("%s: a thorough clean; its hours count from here", name)
	case *schema.TopUp:
		total, n := 0.0, 0
		from := life.HoursTo(r.At) - 100
		for _, t := range log.TopUps {
			if life.HoursTo(t.At) >= from && !t.At.After(r.At) {
				total, n = total+t.Volume.V, n+1
			}
		}
		return fmt.Sprintf("%s: %s in %s over its last 100 recorded hours", name,
			unit.Format(total, unit.Millilitres, s.Units()), say.Count(n, "top-up"))
	case *schema.Refill:
		return fmt.Sprintf("%s: the level settles for the next %d heat cycles; bleed it, and look at the level after "+
			"each", name, s.SettlingCycles())
	case *schema.Overheat:
		n := 0
		for _, o := range log.Overheats {
			if o.At.After(deep.At) {
				n++
			}
		}
		return fmt.Sprintf("%s: %s %s. Leave the cap shut until it is hand-warm, no cold water onto the engine; "+
			"steam or coolant lost: park it. The driver's drill: shedbook cautions lamp. Next: shedbook next %s", name,
			say.Count(n, "overheat"), since, schema.Quote(name))
	}
	return ""
}

// machineOf is the machine that a record is of; "" for kinds without.
func machineOf(k *schema.Kind, r schema.Record) string {
	if k.Name == "machine" {
		return ""
	}
	return k.Text(r, "machine")
}
