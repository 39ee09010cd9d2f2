package render

import (
	"fmt"
	"io"
	"strings"

	"shedbook/report"
)

// Doubts prints the contradictions in the log.
func Doubts(w io.Writer, r report.DoubtsReport, o Options) error {
	return Print(w, r, o, func() *Doc {
		d := &Doc{Title: "Records that contradict each other", Lead: []string{asOf(r.AsOf, o)}}
		t := &Table{Columns: []Column{
			{Key: "machine", Head: "Machine"},
			{Key: "at", Head: "When"},
			{Key: "doubt", Head: "Doubt", Drop: 2},
			{Key: "says", Head: "What does not fit", Wrap: true},
			{Key: "records", Head: "Records", Drop: 3},
		}, Empty: "No records contradict each other."}
		for _, x := range r.Doubts {
			t.Add(Text(x.Machine), Moment(x.At), Text(x.Doubt), Text(x.Says), Text(refs(x.Records)))
		}
		d.Table(t)
		d.Warn(r.Warnings...)
		if len(r.Doubts) > 0 {
			d.Say("Correct a record with 'correct NUMBER', or strike it out with 'void NUMBER'. The book keeps the " +
				"earlier version.")
		}
		return d
	})
}

// refs returns records by name: "run 12, overheat 40".
func refs(rs []report.Ref) string {
	var out []string
	for _, r := range rs {
		s := r.Kind
		if r.Number != 0 {
			s = fmt.Sprintf("%s %d", r.Kind, r.Number)
		}
		out = append(out, s)
	}
	return strings.Join(out, ", ")
}
