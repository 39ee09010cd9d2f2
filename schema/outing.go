package schema

import "time"

// begun returns the outing as it was known while it was out.
func (o Outing) begun() Outing {
	o.Back, o.MeterBack, o.Hours, o.LevelBack = time.Time{}, Num{}, Num{}, Num{}
	o.EngineBack, o.Lamp, o.Mud = "", "", ""
	return o
}

// Driven returns the engine hours of the outing: between its meter readings, or
// else as given. ok is false if neither is known; the time it was out is not
// engine time.
func (o *Outing) Driven() (hours float64, ok bool) {
	if o.MeterOut.Known && o.MeterBack.Known {
		return o.MeterBack.V - o.MeterOut.V, true
	}
	return o.Hours.V, o.Hours.Known
}

// Called returns the outing's ref, or one made from its machine and time: the
// refs of the records it makes begin with it.
func (o *Outing) Called() string {
	if o.Ref != "" {
		return o.Ref
	}
	return "out-" + o.Machine + "-" + o.At.UTC().Format("20060102T150405Z")
}

// OutRecords returns the records that an outing makes when it goes out: a
// level, if one was read.
func (o *Outing) OutRecords() []Record {
	if !o.LevelOut.Known {
		return nil
	}
	l := &Level{BelowMark: o.LevelOut, Engine: o.EngineOut}
	l.Base = o.makes("level-out", o.At)
	typed(&l.Meta, "below_mark_ml", &o.Meta, "level_out_ml")
	return []Record{l}
}

// BackRecords returns the records that an outing makes when it comes back: the
// run if its engine hours are known, the overheat if the lamp came on, a level
// if one was read. The overheat is dated at the end of the run, since its time
// is not asked for. The engine counts as hot unless recorded otherwise: a level
// that may have been read hot must not count as a cold one.
func (o *Outing) BackRecords() []Record {
	var out []Record
	terrain := ""
	if o.Mud == "yes" {
		terrain = "mud"
	}
	end := o.Back
	if _, ok := o.Driven(); ok {
		r := &Run{Driver: o.Driver, Terrain: terrain}
		r.Base = o.makes("run", o.At)
		if o.MeterOut.Known && o.MeterBack.Known {
			r.MeterOut, r.MeterIn = o.MeterOut, o.MeterBack
			typed(&r.Meta, "meter_out_h", &o.Meta, "meter_out_h")
			typed(&r.Meta, "meter_in_h", &o.Meta, "meter_back_h")
		} else {
			r.Hours = o.Hours
			typed(&r.Meta, "hours", &o.Meta, "hours")
		}
		if r.End().Before(end) {
			end = r.End()
		}
		out = append(out, r)
	}
	if o.Lamp == "yes" {
		h := &Overheat{Driver: o.Driver, Terrain: terrain, Sign: "lamp",
			Note: "reported when it came back; the time is not known"}
		h.Base = o.makes("overheat", end.Truncate(time.Second))
		out = append(out, h)
	}
	if o.LevelBack.Known {
		l := &Level{BelowMark: o.LevelBack, Engine: o.EngineBack}
		l.Base = o.makes("level-back", o.Back)
		if l.Engine == "" {
			l.Engine = "hot"
		}
		typed(&l.Meta, "below_mark_ml", &o.Meta, "level_back_ml")
		out = append(out, l)
	}
	return out
}

// Makes returns the kinds and refs of all records that the outing may have
// made.
func (o *Outing) Makes() []struct{ Kind, Ref string } {
	var out []struct{ Kind, Ref string }
	for _, x := range [][2]string{{"release", "release"}, {"level", "level-out"}, {"run", "run"},
		{"overheat", "overheat"},
		{"level", "level-back"}} {
		out = append(out, struct{ Kind, Ref string }{x[0], o.Called() + "-" + x[1]})
	}
	return out
}

// Release returns the release by which the outing sends a parked machine out.
func (o *Outing) Release(by, why string) *Release {
	return &Release{Base: o.makes("release", o.At), By: by, Why: why}
}

func (o *Outing) makes(what string, at time.Time) Base {
	return Base{Ref: o.Called() + "-" + what, Machine: o.Machine, At: at}
}

// typed copies how a value was typed from one record to another.
func typed(to *Meta, column string, from *Meta, of string) {
	if raw, ok := from.Typed[of]; ok {
		if to.Typed == nil {
			to.Typed = map[string]string{}
		}
		to.Typed[column] = raw
	}
}
