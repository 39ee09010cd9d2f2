package render

import (
	"fmt"
	"io"

	"shedbook/report"
	"shedbook/schema/unit"
)

// Cleaning prints when every core was last cleaned and how often to clean it.
func Cleaning(w io.Writer, r report.CleaningReport, o Options) error {
	return Print(w, r, o, func() *Doc {
		d := &Doc{Title: "Radiator cleaning", Lead: []string{asOf(r.AsOf, o)}}
		if len(r.Machines) == 1 {
			d.Title = "Radiator cleaning of " + r.Machines[0].Machine
		}
		d.Table(cleaningTable(r))
		var why, warn grouped
		some := false
		for i := range r.Machines {
			m := &r.Machines[i]
			some = some || m.EveryH != nil || m.EveryMudH != nil
			why.add(m.Machine, deref(m.Why))
			warn.add(m.Machine, m.Warnings...)
		}
		if some {
			d.Say(fmt.Sprintf("If you clean that often, the chance of an overheat before the next thorough clean "+
				"stays under "+
				"%s. Thorough means both sides, or the radiator out; anything else is a rinse.",
				unit.Format(r.RiskPct, unit.Percent, o.system())))
		} else if len(r.Machines) > 0 {
			d.Say("Thorough means both sides, or the radiator out; anything else is a rinse.")
		}
		for _, l := range why.lines(": ") {
			d.Warn("no interval for " + l)
		}
		d.Warn(r.Warnings...)
		d.Warn(warn.lines(": ")...)
		if len(r.Machines) > 0 {
			d.Caution("Core cold, fan unplugged: it starts by itself. Wear goggles. Use compressed air at 2 bar (30 " +
				"psi) or " +
				"less, and no pressure jet on the fins. The maker's manual comes first.")
		}
		return d
	})
}

func cleaningTable(r report.CleaningReport) *Table {
	t := &Table{Columns: []Column{
		{Key: "machine", Head: "Machine"},
		{Key: "last_any", Head: "Last clean", Drop: 4},
		{Key: "last_thorough", Head: "Last thorough"},
		{Key: "hours_since_any", Head: "since any", Unit: unit.Hours, Drop: 3},
		{Key: "hours_since_thorough", Head: "since thorough", Unit: unit.Hours},
		{Key: "mud_hours_since_thorough", Head: "in mud", Unit: unit.Hours},
		{Key: "overheats_since_thorough", Head: "Overheats since"},
		{Key: "clean_every_h", Head: "Clean every", Unit: unit.Hours, Span: true, Drop: 2},
		{Key: "clean_every_mud_h", Head: "Clean every", Unit: unit.Hours, Per: " in mud", Span: true, Drop: 1},
		{Key: "why"},
	}, Empty: "No machine is in the book yet."}
	for i := range r.Machines {
		m := &r.Machines[i]
		thorough := Day(when(m.LastThorough))
		if m.LastThorough == nil {
			thorough = thorough.Said("never").Hint(Doubtful)
		}
		heat := Count(m.OverheatsSinceThorough)
		if m.OverheatsSinceThorough > 0 {
			heat = heat.Hint(Bold)
		}
		since := Number(m.MudHoursSinceThorough)
		if m.EveryMudH != nil && m.MudHoursSinceThorough >= m.EveryMudH.Value {
			since = since.Hint(Doubtful)
		}
		t.Add(Text(m.Machine), Day(when(m.LastAny)), thorough, Number(m.HoursSinceAny), Number(m.HoursSinceThorough),
			since,
			heat,
			Estimated((*Interval)(m.EveryH)), Estimated((*Interval)(m.EveryMudH)), Text(deref(m.Why)))
	}
	return t
}
