// Package schema says what a record is. Each kind of record is described once,
// by the tags of its struct below: its columns, units, words and limits. The
// log verbs' flags, the sheets, their templates, the JSON, the completion and
// the validation all read that one description (see Kind and Field).
//
// A field's tag reads `rec:"name,type[,option...]"`:
//
//	type     text | machine | driver | time | num | words (a list joined by ';') | word
//	unit=    the canonical unit of a number (see package unit); the value inside is always in it
//	of=      the vocabulary of a word
//	min= max=  limits of a number, both allowed
//	required   a blank is refused
//	plain      on a record's line a bare number, or the first word, is this field
//	record     the number is that of another record
//	zero= yes= no=  a word that means 0, yes or no on a record's line
//
// and `help:"..."` says in a few words what belongs there.
package schema

import (
	"fmt"
	"time"
)

// Num is a number that may be not recorded. A blank is never zero.
type Num struct {
	V     float64
	Known bool
}

// N returns a recorded number.
func N(v float64) Num { return Num{V: v, Known: true} }

// Meta is what the book stores beside every record.
type Meta struct {
	Number   int64             // the book's number for it; 0 before it is recorded
	Order    int64             // among records of one moment; 0 where Number tells
	Entered  time.Time         // when it came into the book
	Versions int               // how many earlier versions the book keeps
	Typed    map[string]string // by column: the value as typed, if it was not a plain number in the column's unit
}

// Base holds the first fields of every dated record.
type Base struct {
	Meta
	Ref     string    `rec:"ref,text" help:"your own reference for the row"`
	Machine string    `rec:"machine,machine,required" help:"the machine's name"`
	At      time.Time `rec:"at,time,required" help:"date and time; default: now"`
}

func (b *Base) base() *Base { return b }

// BaseOf returns the Base of a dated record; nil for other kinds.
func BaseOf(r Record) *Base {
	if d, ok := r.(interface{ base() *Base }); ok {
		return d.base()
	}
	return nil
}

// Head is a Base with a meter reading.
type Head struct {
	Base
	Meter Num `rec:"meter_h,num,unit=h,min=0,max=1000000" help:"hour meter reading"`
}

func (h *Head) head() *Head { return h }

// HeadOf returns the Head of a record with one meter reading; nil if it has
// none, or several.
func HeadOf(r Record) *Head {
	if d, ok := r.(interface{ head() *Head }); ok {
		return d.head()
	}
	return nil
}

// Machine is one machine of the fleet. Meter is its reading on Acquired.
type Machine struct {
	Meta
	Name       string    `rec:"machine,text,required" help:"short name, as painted on it"`
	Make       string    `rec:"make,text" help:"maker"`
	Model      string    `rec:"model,text" help:"model"`
	Year       Num       `rec:"year,num,min=1950,max=2100" help:"year of make"`
	Serial     string    `rec:"serial,text" help:"serial number"`
	CoolantL   Num       `rec:"coolant_l,num,unit=l,min=0.1,max=200" help:"coolant in the whole system"`
	Reservoir  Num       `rec:"reservoir_ml,num,unit=ml,min=0,max=20000" help:"volume between the reservoir's marks"`
	CapKPa     Num       `rec:"cap_kpa,num,unit=kpa,min=0,max=300" help:"pressure printed on the cap"`
	Thermostat Num       `rec:"thermostat_c,num,unit=c,min=40,max=120" help:"temperature stamped on the thermostat"`
	Meter      Num       `rec:"meter_h,num,unit=h,min=0,max=1000000" help:"hour meter on the day you got it"`
	Acquired   time.Time `rec:"acquired,time" help:"when you got it"`
	Note       string    `rec:"note,text" help:"anything else"`
	Retired    time.Time `rec:"retired,time" help:"when it left the fleet, sold or scrapped"`
	SoldTo     string    `rec:"sold_to,text" help:"who bought it"`
}

// Driver is a person who drives.
type Driver struct {
	Meta
	Name string `rec:"driver,text,required" help:"the driver's name"`
	Note string `rec:"note,text" help:"anything else"`

	Former []string // earlier names, if they were read too
	Given  string   // the name that Name stands for here, since another has it
}

// Word is a word that the book's owner added to a vocabulary.
type Word struct {
	Meta
	Vocabulary string `rec:"vocabulary,word,of=vocabulary,required" help:"the field that gets the word"`
	Word       string `rec:"word,text,required" help:"the new word"`
}

// Setting is one of the book's own settings (see SettingKeys).
type Setting struct {
	Meta
	Key   string `rec:"setting,text,required" help:"which setting"`
	Value string `rec:"value,text,required" help:"its value"`
}

// Spec is one figure from the maker's manual, for a machine or a whole model.
type Spec struct {
	Meta
	Machine string `rec:"machine,machine" help:"the machine it is for"`
	Model   string `rec:"model,text" help:"or the model"`
	Figure  string `rec:"figure,text,required" help:"which figure"`
	Value   string `rec:"value,text,required" help:"its value, with its unit"`
	Note    string `rec:"note,text" help:"page in the manual, or a remark"`
}

// MeterChange is an hour meter that was replaced or reset; engine hours go on
// counting.
type MeterChange struct {
	Base
	Was  Num    `rec:"was_h,num,unit=h,min=0,max=1000000,required" help:"last reading of the old meter"`
	Now  Num    `rec:"now_h,num,unit=h,min=0,max=1000000,required" help:"first reading of the new one"`
	Note string `rec:"note,text" help:"anything else"`
}

// Run is one drive of a machine. At is its start. Its engine hours are in
// Hours, or between the two meter readings, or both (see Duration).
type Run struct {
	Base     `rec:"at=start"`
	Driver   string `rec:"driver,driver" help:"who drove"`
	Hours    Num    `rec:"hours,num,unit=h,min=0.01,max=1000,plain" help:"engine hours driven"`
	MeterOut Num    `rec:"meter_out_h,num,unit=h,min=0,max=1000000" help:"hour meter before the run"`
	MeterIn  Num    `rec:"meter_in_h,num,unit=h,min=0,max=1000000" help:"hour meter after the run"`
	Terrain  string `rec:"terrain,word,of=terrain" help:"ground it was driven on"`
	Speed    string `rec:"speed,word,of=speed" help:"how fast it was driven"`
	Range    string `rec:"range,word,of=range" help:"gear range"`
	Load     string `rec:"load,word,of=load" help:"what it carried or pulled"`
	AmbientC Num    `rec:"ambient_c,num,unit=c,min=-60,max=60" help:"air temperature"`
	Note     string `rec:"note,text" help:"anything else"`
}

// TopUp is coolant added up to the mark.
type TopUp struct {
	Head
	Volume Num    `rec:"volume_ml,num,unit=ml,min=1,max=100000,required,plain" help:"how much went in"`
	Fluid  string `rec:"fluid,word,of=fluid" help:"what went in"`
	Into   string `rec:"into,word,of=into" help:"where you put it"`
	Note   string `rec:"note,text" help:"anything else"`
}

// Refill is the system emptied, or opened, and filled again.
type Refill struct {
	Head
	Volume      Num    `rec:"volume_ml,num,unit=ml,min=1,max=200000,plain" help:"how much went in"`
	Concentrate Num    `rec:"concentrate_pct,num,unit=pct,min=0,max=100" help:"share of glycol concentrate, by volume"`
	Reason      string `rec:"reason,text" help:"why you opened it"`
	Note        string `rec:"note,text" help:"anything else"`
}

// Bleed is air let out of the system.
type Bleed struct {
	Head
	Points     []string `rec:"points,words,of=points" help:"where you bled it"`
	NoseUp     string   `rec:"nose_up,word,of=yesno,yes=nose-up" help:"front end raised (yes or no)"`
	HeatCycles Num      `rec:"heat_cycles,num,min=0,max=100,plain" help:"times warmed up and cooled down"`
	Note       string   `rec:"note,text" help:"anything else"`
}

// Level is the coolant level read with nothing added; 0 is at the mark, below
// zero above it.
type Level struct {
	Head
	BelowMark Num    `rec:"below_mark_ml,num,unit=ml,min=-20000,max=100000,required,plain,zero=ok" help:"how far below the mark; 0 is at the mark"`
	Engine    string `rec:"engine,word,of=engine" help:"engine cold or hot when you looked"`
	Note      string `rec:"note,text" help:"anything else"`
	SeenIn    string `rec:"seen_in,word,of=into" help:"where you looked"`
}

// Cleaning is a cleaning of the radiator core. See Thorough.
type Cleaning struct {
	Head
	Method       string `rec:"method,word,of=method,required" help:"how you cleaned it"`
	RadiatorOut  string `rec:"radiator_out,word,of=yesno,yes=out" help:"radiator taken out (yes or no)"`
	Sides        string `rec:"sides,word,of=sides" help:"the side you cleaned from"`
	BlockedFront Num    `rec:"blocked_front_pct,num,unit=pct,min=0,max=100" help:"how much was blocked, from the front"`
	BlockedBack  Num    `rec:"blocked_back_pct,num,unit=pct,min=0,max=100" help:"how much was blocked, from behind"`
	BlockedAfter Num    `rec:"blocked_after_pct,num,unit=pct,min=0,max=100" help:"how much is still blocked"`
	Note         string `rec:"note,text" help:"anything else"`
}

// Overheat is an engine that ran too hot: lamp, gauge, steam, limp mode or
// shutdown.
type Overheat struct {
	Head
	Driver    string `rec:"driver,driver" help:"who drove"`
	Terrain   string `rec:"terrain,word,of=terrain" help:"ground it was driven on"`
	Speed     string `rec:"speed,word,of=speed" help:"how fast it was driven"`
	Range     string `rec:"range,word,of=range" help:"gear range"`
	Load      string `rec:"load,word,of=load" help:"what it carried or pulled"`
	AmbientC  Num    `rec:"ambient_c,num,unit=c,min=-60,max=60" help:"air temperature"`
	Sign      string `rec:"sign,word,of=sign" help:"how it showed"`
	MinutesIn Num    `rec:"minutes_in,num,unit=min,min=0,max=100000,plain" help:"how long after the start"`
	Lost      Num    `rec:"lost_ml,num,unit=ml,min=0,max=100000" help:"how much coolant boiled over"`
	Fan       string `rec:"fan,word,of=fan" help:"whether the fan was running"`
	Note      string `rec:"note,text" help:"anything else"`
}

// Check is one thing checked to find a cause. Figures holds what was measured
// besides Value, as "name=value;name=value".
type Check struct {
	Head
	Check   string `rec:"check,word,of=check,required" help:"which check"`
	Result  string `rec:"result,word,of=result" help:"the result"`
	Value   Num    `rec:"value,num,min=-1000000000,max=1000000000" help:"what you measured"`
	Unit    string `rec:"unit,text" help:"its unit"`
	Note    string `rec:"note,text" help:"anything else"`
	Figures string `rec:"figures,text" help:"what else you measured, as name=value;name=value"`
}

// Service is work done on the machine.
type Service struct {
	Head
	Work  string `rec:"work,text,required,plain" help:"what was done"`
	Cause string `rec:"cause,word,of=cause" help:"the cause it fixed"`
	Parts string `rec:"parts,text" help:"parts used"`
	Cost  Num    `rec:"cost,num,min=-100000000,max=100000000" help:"the price"`
	By    string `rec:"by,text" help:"who did it"`
	Note  string `rec:"note,text" help:"anything else"`
}

// Plan is work that comes up at intervals, for a machine or a whole model.
type Plan struct {
	Meta
	Machine   string `rec:"machine,machine" help:"the machine it is for"`
	Model     string `rec:"model,text" help:"or the model"`
	Work      string `rec:"work,text,required" help:"the work, as you name it in services"`
	EveryH    Num    `rec:"every_h,num,unit=h,min=0.1,max=1000000" help:"how often, in engine hours"`
	EveryMudH Num    `rec:"every_mud_h,num,unit=h,min=0.1,max=1000000" help:"how often, in hours in mud"`
	EveryDays Num    `rec:"every_days,num,unit=days,min=1,max=36500" help:"how often, in days"`
	Note      string `rec:"note,text" help:"anything else"`
}

// Release lets a parked machine out: who takes responsibility, and why. It
// stays in the machine's history.
type Release struct {
	Base
	By   string `rec:"by,text,required" help:"who lets it go"`
	Why  string `rec:"why,text,required" help:"why it may go"`
	Note string `rec:"note,text" help:"anything else"`
}

// Outing is a machine handed to somebody until it comes back. At is when it
// went out; the fields from Back on are empty while it is out. GoesOut and
// ComesBack are its two halves; it makes records of its own (see OutRecords).
type Outing struct {
	Base       `rec:"at=out"`
	Driver     string    `rec:"driver,driver,required" help:"who takes it"`
	MeterOut   Num       `rec:"meter_out_h,num,unit=h,min=0,max=1000000,plain" help:"hour meter when it goes out"`
	LevelOut   Num       `rec:"level_out_ml,num,unit=ml,min=-20000,max=100000,zero=ok" help:"coolant below the mark when it goes out; 0 is at the mark"`
	EngineOut  string    `rec:"engine_out,word,of=engine" help:"engine cold or hot when you looked"`
	Accepted   string    `rec:"accepted,word,of=yesno,yes=accept" help:"whoever takes it knows its state and accepts it (yes or no)"`
	Back       time.Time `rec:"back,time" help:"when it came back"`
	MeterBack  Num       `rec:"meter_back_h,num,unit=h,min=0,max=1000000,plain" help:"hour meter when it comes back"`
	Hours      Num       `rec:"hours,num,unit=h,min=0.01,max=1000" help:"engine hours driven, if there is no meter"`
	LevelBack  Num       `rec:"level_back_ml,num,unit=ml,min=-20000,max=100000,zero=ok" help:"coolant below the mark when it comes back; 0 is at the mark"`
	EngineBack string    `rec:"engine_back,word,of=engine" help:"engine cold or hot when you looked; default: hot"`
	Lamp       string    `rec:"lamp,word,of=yesno,yes=lamp,no=no-lamp" help:"the temperature lamp came on (yes or no)"`
	Mud        string    `rec:"mud,word,of=yesno,yes=mud,no=no-mud" help:"it was driven in mud (yes or no)"`
	Note       string    `rec:"note,text" help:"anything else"`
}

// Answer is what was found when a flag was checked. Exactly one of Machine,
// Driver and Factor is set: whose flag it was.
type Answer struct {
	Meta
	Ref      string    `rec:"ref,text" help:"your own reference for the row"`
	Machine  string    `rec:"machine,machine" help:"the machine with the flag"`
	Driver   string    `rec:"driver,driver" help:"or the driver"`
	Factor   string    `rec:"factor,text" help:"or a factor of the fleet, such as terrain=mud"`
	At       time.Time `rec:"at,time,required" help:"date and time; default: now"`
	Flag     string    `rec:"flag,word,of=flag,required" help:"which flag"`
	Found    string    `rec:"found,text" help:"what you found"`
	Cause    string    `rec:"cause,word,of=cause" help:"the cause"`
	Service  Num       `rec:"service,num,min=1,max=1000000000,record" help:"record number of the service that fixed it"`
	NoneSeen string    `rec:"nothing_found,word,of=yesno" help:"you looked and found nothing (yes or no)"`
	Note     string    `rec:"note,text" help:"anything else"`
}

// Duration returns the run's engine hours: as recorded, or else between its
// meter readings. ok is false if neither is known (Validate refuses such a
// run).
func (r *Run) Duration() (hours float64, ok bool) {
	switch {
	case r.Hours.Known:
		return r.Hours.V, true
	case r.MeterIn.Known && r.MeterOut.Known:
		return r.MeterIn.V - r.MeterOut.V, true
	}
	return 0, false
}

// End returns when the run is over, if it was driven without a pause.
func (r *Run) End() time.Time {
	h, _ := r.Duration()
	return r.At.Add(time.Duration(h * float64(time.Hour)))
}

// Thorough reports whether both sides were cleaned or, if no side is recorded,
// the radiator was out. Anything else is a rinse.
func (c *Cleaning) Thorough() bool {
	return c.Sides == "both" || c.RadiatorOut == "yes" && c.Sides == ""
}

// Validate checks what no single field can. It knows no book: whether a machine
// or a driver exists is for the book to check.
func (m *Machine) Validate() error {
	if m.SoldTo != "" && m.Retired.IsZero() {
		return Wrong("sold_to", m.SoldTo, "needs the day of the sale, in retired")
	}
	if !m.Retired.IsZero() && !m.Acquired.IsZero() && m.Retired.Before(m.Acquired) {
		return Wrong("retired", m.Retired.Format(time.DateOnly), "is before it was acquired, "+
			""+m.Acquired.Format(time.DateOnly))
	}
	return nil
}

func (d *Driver) Validate() error { return nil }

func (w *Word) Validate() error {
	if w.Vocabulary != "terrain" {
		return Wrong("vocabulary", w.Vocabulary, "only terrain accepts new words; reports calculate with the others")
	}
	return nil
}

func (c *MeterChange) Validate() error { return nil }

// Validate requires hours or both meter readings, and readings that don't run
// backwards. Hours that disagree with the meter are a doubt (see
// report.Doubts), not an error.
func (r *Run) Validate() error {
	if r.MeterIn.Known && r.MeterOut.Known && r.MeterIn.V < r.MeterOut.V-1e-9 {
		return Wrong("meter_in_h", fmt.Sprint(r.MeterIn.V),
			fmt.Sprintf("is below meter_out_h %v, but a meter does not run "+
				"backwards: swap them, or record the new meter first", r.MeterOut.V))
	}
	if _, ok := r.Duration(); !ok {
		return Wrong("hours", "", "is missing: give hours, or both meter_out_h and meter_in_h")
	}
	return nil
}

// withinLimits checks the hours between a run's meter readings against the
// limit of hours. Zero is allowed: a meter in tenths shows none for a short
// run.
func (r *Run) withinLimits() error {
	most := KindOf(r).Field("hours").Max
	if h, _ := r.Duration(); h > most {
		return Wrong("meter_in_h", fmt.Sprint(r.MeterIn.V),
			fmt.Sprintf("is %v h above meter_out_h %v, and one run has at "+
				"most %v h: swap them, or split the run", h, r.MeterOut.V, most))
	}
	return nil
}

func (t *TopUp) Validate() error    { return nil }
func (r *Refill) Validate() error   { return nil }
func (b *Bleed) Validate() error    { return nil }
func (l *Level) Validate() error    { return nil }
func (c *Cleaning) Validate() error { return nil }
func (o *Overheat) Validate() error { return nil }

// Validate requires a result, a value or other figures.
func (c *Check) Validate() error {
	if c.Result == "" && !c.Value.Known && c.Figures == "" {
		return Wrong("result", "", "is missing: give pass, fail or unsure, or what you measured")
	}
	return nil
}

func (s *Service) Validate() error { return nil }
func (r *Release) Validate() error { return nil }

// Validate requires an outing to come back after it went out, its other fields
// to be empty until then, and its meter not to run backwards.
func (o *Outing) Validate() error {
	for _, f := range ComesBack.Fields {
		if f.Name != "machine" && f.Name != "note" && o.Back.IsZero() && f.Known(o) {
			return Wrong("back", "", "is missing: give the time it came back, or leave "+f.Name+" out")
		}
	}
	if !o.Back.IsZero() && o.Back.Before(o.At) {
		return Wrong("back", o.Back.Format(time.RFC3339), "is before it went out, "+o.At.Format(time.RFC3339))
	}
	if h, ok := o.Driven(); ok && o.MeterBack.Known {
		if most := KindNamed("run").Field("hours").Max; h > most {
			return Wrong("meter_back_h", fmt.Sprint(o.MeterBack.V),
				fmt.Sprintf("is more than %v h above the meter when it went out, %v", most, o.MeterOut.V))
		}
		if h < -1e-9 {
			return Wrong("meter_back_h", fmt.Sprint(o.MeterBack.V),
				fmt.Sprintf("is below the meter when it went out, %v, but a meter does not run backwards",
					o.MeterOut.V))
		}
	}
	return nil
}

// machineOrModel refuses none and both of a machine and a model.
func machineOrModel(machine, model string) error {
	if machine == "" && model == "" {
		return Wrong("machine", "", "is missing: give a machine or a model")
	}
	return Wrong("model", model, "is one too many: give a machine or a model")
}

func (p *Plan) Validate() error {
	if (p.Machine == "") == (p.Model == "") {
		return machineOrModel(p.Machine, p.Model)
	}
	if !p.EveryH.Known && !p.EveryMudH.Known && !p.EveryDays.Known {
		return Wrong("every_h", "", "is missing: give every_h, every_mud_h or every_days")
	}
	return nil
}

func (s *Spec) Validate() error {
	if (s.Machine == "") == (s.Model == "") {
		return machineOrModel(s.Machine, s.Model)
	}
	return nil
}

func (a *Answer) Validate() error {
	n := 0
	for _, s := range []string{a.Machine, a.Driver, a.Factor} {
		if s != "" {
			n++
		}
	}
	if n != 1 {
		return Wrong("machine", a.Machine, "give a machine, a driver or a factor")
	}
	if a.NoneSeen != "yes" && a.Found == "" && a.Cause == "" {
		return Wrong("found", "", "is missing: say what you found, or nothing_found yes")
	}
	if a.NoneSeen == "yes" && (a.Found != "" || a.Cause != "") {
		return Wrong("nothing_found", "yes", "contradicts found or cause: leave one out")
	}
	return nil
}
