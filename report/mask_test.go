package report

import (
	"testing"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

func TestFormerNamesAreMaskedByTheSameLetter(t *testing.T) {
	log, _ := sealedLog()
	m := NewMasker([]schema.Driver{{Name: "Ada Venn", Former: []string{"Ada Pell"}}, {Name: "Ben Orrin"},
		{Name: "Cleo Marr", Former: []string{"Ben Orrin"}}}, log)
	require.Equal(t, "Driver A", m.Driver("Ada Venn"))
	require.Equal(t, "Driver A", m.Driver("Ada Pell"))
	require.Equal(t, "Driver B", m.Driver("Ben Orrin"), "who has the name today")
	require.Equal(t, "Driver A said so", m.Text("Ada Pell said so"))
	require.Equal(t, "Driver A said so", m.Text("Pell said so"))
}

// A machine that was handed over with letters is not masked again.
func TestLettersAreNotMaskedAgain(t *testing.T) {
	log := &schema.Log{Runs: []schema.Run{{Driver: "Driver A of R4"}, {Driver: "Driver B"}, {Driver: "Dora Pell"}}}
	m := NewMasker([]schema.Driver{{Name: "Driver A"}, {Name: "Driver A of R4"}, {Name: "Driver B"},
		{Name: "Dora Pell"}}, log)
	require.Equal(t, "Driver A", m.Driver("Driver A of R4"))
	require.Equal(t, "Driver B", m.Driver("Driver B"))
	require.Equal(t, "Driver A and Driver C; the Driver was late", m.Text("Driver A and Dora; the Driver was late"))
}

func TestMaskOthersNamesTheMachinesOwnDrivers(t *testing.T) {
	log, _ := sealedLog()
	m := MaskOthers(append([]schema.Driver{{Name: "Ada Venn", Former: []string{"Ada Pell"}}}, crew[1:]...), log)
	require.Equal(t, "Ada Venn", m.Driver("Ada Venn"))
	require.Equal(t, "Ada Venn, once Ada Venn; Ada and Venn", m.Text("Ada Venn, once Ada Pell; Ada and Venn"))
	require.Equal(t, "Ada Venn told Driver C", m.Text("Ada Venn told Cleo Marr"))
}

func TestNamesAreMaskedByHowTheyMayStand(t *testing.T) {
	m := NewMasker([]schema.Driver{{Name: "Bo Larkin"}, {Name: "Mark Sand"}, {Name: "Ed"}, {Name: "D3"}, {Name: "王伟"},
		{Name: "Klaas van Dyk"}}, &schema.Log{})
	for _, c := range []struct {
		how      schema.Naming
		is, want string
	}{
		{schema.Sentence, "Bo, Bo's and BO: not Bodo, not bo, not BO44712",
			"Driver A, Driver A's and Driver A: not Bodo, not bo, not BO44712"},
		{schema.Sentence, "ed was late; Edna, ED7 and red were not", "Driver C was late; Edna, ED7 and red were not"},
		{schema.Sentence, "Mark filled it to the mark; there was sand in it",
			"Driver B filled it to the mark; there was sand in it"},
		{schema.Sentence, "Larkin2 rang; larkin did not", "Driver A2 rang; larkin did not"},
		{schema.Sentence, "the van of Dyk", "the van of Driver F"},
		{schema.Sentence, "withMark Sand, boLarkin", "Driver B, Driver A"},
		{schema.Sentence, "D3 and d3, not D31", "Driver D and Driver D, not D31"},
		{schema.Sentence, "和王伟说", "和Driver E说"},
		{schema.Label, "Larkin 8 of Mark", "Larkin 8 of Mark"}, // a maker's name, as far as anybody knows
		{schema.Label, "Larkin, Bo 8", "Driver A 8"},
		{schema.Code, "larkin_3/bo-7/mark", "Driver A_3/Driver A-7/Driver B"},
		{schema.Nobody, "Bo", "Bo"},
	} {
		require.Equal(t, c.want, m.In(c.how, c.is))
	}
	terrain := schema.KindNamed("run").Field("terrain")
	require.Equal(t, "sand", NewMasker([]schema.Driver{{Name: "Sand"}}, &schema.Log{}).Field(terrain, "sand"),
		"everybody's word")
}

// Every text of every kind is masked in one way or another.
func TestEveryTextMayNameSomebody(t *testing.T) {
	for _, k := range schema.Kinds {
		for i := range k.Fields {
			if f := &k.Fields[i]; f.Type == schema.TextField {
				require.NotEqual(t, schema.Nobody, f.Naming(), "%s %s", k.Name, f.Name)
			}
		}
	}
}

// With names, the machine's own drivers stand as they were written, and nobody
// else does.
func TestMaskOthersWhateverTheSpelling(t *testing.T) {
	log := &schema.Log{Runs: []schema.Run{{Driver: "Ada Venn"}}}
	m := MaskOthers([]schema.Driver{{Name: "Ada Venn"}, {Name: "Bo Larkin"}, {Name: "Ada Marr"}}, log)
	require.Equal(t, "VENN, Ada-Venn told Driver B and Driver B",
		m.Text("VENN, Ada-Venn told LARKIN,\u00a0Bo and bo\u200b larkin"))
	require.Equal(t, "a driver came", m.Text("Ada came"), "one of two")
}
