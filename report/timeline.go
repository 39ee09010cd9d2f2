package report

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"shedbook/report/exposure"
	"shedbook/report/say"
	"shedbook/schema"
)

// TimelineReport is what happened to one machine, newest first. Consecutive
// runs are one line.
type TimelineReport struct {
	AsOf    time.Time      `json:"as_of"`
	Machine string         `json:"machine"`
	Lines   []TimelineLine `json:"lines"`
	More    int            `json:"more"` // number of older lines
}

// TimelineLine is one record, or several runs.
type TimelineLine struct {
	At     time.Time `json:"at"` // for runs: when the last of them began
	Kind   string    `json:"kind"`
	Number int64     `json:"number,omitempty"` // of a single record
	Engine float64   `json:"engine_hours"`
	Says   string    `json:"says"`
	Note   string    `json:"note,omitempty"`
}

// Timeline returns what happened to a machine, in at most so many lines; 0
// means all. ok is false if there is no such machine.
func Timeline(s Source, machine string, most int) (r TimelineReport, ok bool) {
	for l := range s.Lives {
		if l.Log.Machine.Name != machine {
			continue
		}
		r = TimelineReport{AsOf: s.AsOf, Machine: machine, Lines: s.timeline(l)}
		if most > 0 && len(r.Lines) > most {
			r.More = len(r.Lines) - most
			r.Lines = r.Lines[:most]
		}
		return r, true
	}
	return r, false
}

func (src *Source) timeline(l *exposure.Life) []TimelineLine {
	lines := []TimelineLine{}
	for _, e := range src.entries(l, WithNames()) {
		lines = append(lines, TimelineLine{At: e.At, Kind: e.Kind, Number: e.Number, Engine: e.Engine, Says: e.Says,
			Note: e.Note})
	}
	t := teller{src, l, WithNames(), 0}
	for i, full := len(l.Log.Levels)-1, false; i >= 0; i-- {
		v := &l.Log.Levels[i]
		if atMark := v.BelowMark.V == 0; atMark && full {
			continue
		} else if atMark {
			full = true
		}
		says := slices.DeleteFunc(t.tell(schema.KindOf(v), v), func(s string) bool { return s == "" })
		lines = append(lines, TimelineLine{At: v.At.In(src.AsOf.Location()), Kind: "level", Number: v.Number,
			Engine: exposure.Tidy(l.Clock.At(v.At)), Says: strings.Join(says, ", "), Note: v.Note})
	}
	for i, next := 0, 0; i < len(l.Log.Runs); i = next {
		// Runs up to the next record of another kind.
		var until time.Time
		for _, e := range lines {
			if e.Kind != "run" && e.At.After(l.Log.Runs[i].At) && (until.IsZero() || e.At.Before(until)) {
				until = e.At
			}
		}
		hours, mud := 0.0, 0.0
		for next = i; next < len(l.Log.Runs) && (next == i || until.IsZero() ||
			l.Log.Runs[next].At.Before(until)); next++ {
			h, _ := l.Log.Runs[next].Duration()
			hours += h
			if l.Log.Runs[next].Terrain == "mud" {
				mud += h
			}
		}
		last := &l.Log.Runs[next-1]
		line := TimelineLine{At: last.At.In(src.AsOf.Location()), Kind: "run",
			Engine: exposure.Tidy(l.Clock.At(last.End())),
			Says:   "driven " + say.Figure(hours) + " h"}
		if n := next - i; n > 1 {
			line.Says = fmt.Sprintf("%d runs, %s h", n, say.Figure(hours))
		} else {
			line.Number, line.Note = last.Number, last.Note
			if last.Driver != "" {
				line.Says += " by " + last.Driver
			}
		}
		if mud > 0 {
			line.Says += fmt.Sprintf(", %s h in mud", say.Figure(mud))
		}
		lines = append(lines, line)
	}
	slices.SortStableFunc(lines, func(a, b TimelineLine) int { return b.At.Compare(a.At) })
	return lines
}
