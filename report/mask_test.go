package report

import (
	"testing"

	"github.com/stretchr/testify/require"

	"shedbook/schema"
)

func TestFormerNamesAreMaskedByTheSameLetter(t *testing.T) {
	log, _ := sealedLog()
	m := NewMasker([]schema.Driver{{Name: "Ada Venn", Former: []string{"Ada Pell"}}, {Name: "Ben Orrin"}, {Name: "Cleo Marr", Former: []string{"Ben Orrin"}}}, log)
	require.Equal(t, "Driver A", m.Driver("Ada Venn"))
	require.Equal(t, "Driver A", m.Driver("Ada Pell"))
	require.Equal(t, "Driver B", m.Driver("Ben Orrin"), "who has the name today")
	require.Equal(t, "Driver A said so", m.Text("Ada Pell said so"))
	require.Equal(t, "Driver A said so", m.Text("Pell said so"))
}

// A machine that was handed over with letters is not masked again.
func TestLettersAreNotMaskedAgain(t *testing.T) {
	log := &schema.Log{Runs: []schema.Run{{Driver: "Driver A of R4"}, {Driver: "Driver B"}, {Driver: "Dora Pell"}}}
	m := NewMasker([]schema.Driver{{Name: "Driver A"}, {Name: "Driver A of R4"}, {Name: "Driver B"}, {Name: "Dora Pell"}}, log)
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
