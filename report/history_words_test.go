package report

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

// A kind that nobody has found words for is told by its fields, and its people are masked as elsewhere.
func TestARecordWithoutWordsIsToldByItsFields(t *testing.T) {
	at := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	base := schema.Base{Machine: "R4", At: at, Ref: "x"}
	f := schema.Fleet{Drivers: []schema.Driver{{Name: "Ada Venn"}},
		Logs: []schema.Log{{Machine: schema.Machine{Name: "R4"},
			Runs: []schema.Run{{Base: base, Driver: "Ada Venn", Hours: schema.N(2)}}}}}
	s := Of(f, at.AddDate(0, 0, 1))
	told := func(mask *Masker, r schema.Record) []string {
		tell := teller{src: &s, mask: mask}
		return tell.fields(schema.KindOf(r), r)
	}
	run := &schema.Run{Base: base, Driver: "Ada Venn", Hours: schema.N(2), AmbientC: schema.N(0), Terrain: "mud",
		Note: "Ada was late"}
	require.Equal(t, []string{"run", "Ada Venn", "hours 2.0 h", "", "", "terrain mud", "", "", "", "ambient 0 °C"},
		told(WithNames(), run))
	require.Equal(t, "Driver A", told(NewMasker(f.Drivers, &f.Logs[0]), run)[1])
	bleed := &schema.Bleed{Head: schema.Head{Base: base}, Points: []string{"pump", "radiator"}}
	require.Contains(t, told(WithNames(), bleed), "points pump, radiator")
}
