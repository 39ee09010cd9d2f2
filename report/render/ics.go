package render

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	ical "github.com/emersion/go-ical"

	"shedbook/report"
)

// Calendar writes the work that has a date as an iCalendar (RFC 5545, 2009): an
// event for each piece of work, on the day in the book's zone on which it falls
// due, overdue work on the day of AsOf. It returns the number of events; if
// there are none nothing is written, since a calendar must have one (section
// 3.6).
//
// A piece of work is identified by its machine, its wording and its plan, so
// that a calendar that reads the file again moves an event instead of adding
// one; of two files the later AsOf counts, by SEQUENCE (section 3.8.7.4).
func Calendar(w io.Writer, r report.DueReport, o Options) (events int, err error) {
	cal := ical.NewCalendar()
	cal.Props.SetText(ical.PropProductID, "-//shedbook//work that is due//EN")
	cal.Props.SetText(ical.PropVersion, "2.0")
	for i := range r.Due {
		if d := &r.Due[i]; d.When != nil {
			cal.Children = append(cal.Children, duty(d, r.AsOf, o.zone()))
		}
	}
	if len(cal.Children) == 0 {
		return 0, nil
	}
	var b bytes.Buffer
	if err := ical.NewEncoder(&b).Encode(cal); err != nil {
		return 0, err
	}
	_, err = io.WriteString(w, fold(b.String()))
	return len(cal.Children), err
}

// beforeWork is part of every event: the short form of what 'cautions' tells in
// full.
const beforeWork = "Before work: let the engine cool until the cap is hand-warm; hot coolant is under pressure and " +
	"scalds. " +
	"The fan may start by itself, even with the key out. Put a lifted machine on stands, not on the jack. " +
	"Coolant poisons animals and children: catch it, and wipe up spills. Never blow compressed air at skin; wear " +
	"goggles. Run the engine outdoors only. " +
	"The maker's manual comes first; brakes, steering, fuel and the opened engine are for a licensed mechanic. More: " +
	"shedbook cautions"

func duty(d *report.Due, asOf time.Time, zone *time.Location) *ical.Component {
	e := ical.NewComponent(ical.CompEvent)
	key := sha256.Sum256([]byte(d.Machine + "\x00" + strings.ToLower(strings.Join(strings.Fields(d.Work), " ")) +
		"\x00" +
		strconv.FormatInt(d.Plan, 10)))
	e.Props.SetText(ical.PropUID, fmt.Sprintf("%x@shedbook", key[:16]))
	e.Props.SetDateTime(ical.PropDateTimeStamp, asOf.UTC())
	// Minutes since 2020 grow with every revision, and fit the 32 bits of an
	// INTEGER (section 3.3.8).
	e.Props.Set(&ical.Prop{Name: ical.PropSequence, Value: strconv.FormatInt(max(0, asOf.Unix()-1577836800)/60, 10)})
	start := ical.NewProp(ical.PropDateTimeStart)
	start.SetDate(d.When.In(zone))
	e.Props.Set(start)
	e.Props.SetText(ical.PropTransparency, "TRANSPARENT") // does not mark the day as busy
	summary := Safe(d.Machine + ": " + d.Work)
	if d.Overdue {
		summary += " (overdue)"
	}
	if d.Advice {
		summary += " (advice)"
	}
	e.Props.SetText(ical.PropSummary, summary)
	e.Props.SetText(ical.PropDescription, Safe(d.Says)+"\n\n"+beforeWork)
	if !d.Advice {
		e.Children = append(e.Children, alarm(summary))
	}
	return e
}

// alarm returns an alarm at seven in the morning of the day: an offset from a
// date begins at its midnight, in the calendar's own zone (section 3.8.6.3).
func alarm(summary string) *ical.Component {
	a := ical.NewComponent(ical.CompAlarm)
	a.Props.SetText(ical.PropAction, "DISPLAY")
	a.Props.SetText(ical.PropDescription, summary)
	a.Props.Set(&ical.Prop{Name: ical.PropTrigger, Value: "PT7H"})
	return a
}

// fold breaks lines of more than 75 octets, never within a character (section
// 3.1).
func fold(s string) string {
	const most = 75
	var b strings.Builder
	for line := range strings.SplitSeq(strings.TrimSuffix(s, "\r\n"), "\r\n") {
		for room := most; len(line) > room; room = most - 1 { // a folded line begins with a space
			at := room
			for at > 1 && !utf8.RuneStart(line[at]) {
				at--
			}
			b.WriteString(line[:at] + "\r\n ")
			line = line[at:]
		}
		b.WriteString(line + "\r\n")
	}
	return b.String()
}
