package schema

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// The sheets of the exchange contract: columns, `*` = required. A sheet may
// gain columns; it never loses or renames one. Source: the project's exchange
// contract, section Sheets.
var contract = map[string]string{
	"machines": "machine* make model year serial coolant_l reservoir_ml cap_kpa thermostat_c meter_h acquired note",
	"drivers":  "driver* note",
	"runs":     "ref machine* driver start* hours meter_out_h meter_in_h terrain speed range load ambient_c note",
	"topups":   "ref machine* at* meter_h volume_ml* fluid into note",
	"refills":  "ref machine* at* meter_h volume_ml concentrate_pct reason note",
	"bleeds":   "ref machine* at* meter_h points nose_up heat_cycles note",
	"levels":   "ref machine* at* meter_h below_mark_ml* engine note",
	"cleanings": "ref machine* at* meter_h method* radiator_out sides blocked_front_pct blocked_back_pct " +
		"blocked_after_pct note",
	"overheats": "ref machine* at* meter_h driver terrain speed range load ambient_c sign minutes_in lost_ml fan note",
	"checks":    "ref machine* at* meter_h check* result value unit note",
	"services":  "ref machine* at* meter_h work* cause parts cost by note",
	"plans":     "machine model work* every_h every_mud_h every_days note",
}

// And its words.
var contractWords = map[string]string{
	"terrain": "mud water dust sand gravel rock grass forest snow road", "speed": "slow medium fast",
	"range": "low high",
	"load":  "light heavy towing", "fluid": "premix concentrate water", "into": "reservoir radiator",
	"points": "pump thermostat radiator",
	"engine": "cold hot", "method": "rinse hose air soak", "sides": "front back both",
	"sign": "lamp gauge steam limp shutdown",
	"fan":  "on off unknown", "result": "pass fail unsure", "yesno": "no yes",
	"cause": "blocked-core trapped-air external-leak head-gasket pressure-cap fan-circuit thermostat pump " +
		"collapsed-hose warning-circuit blocked-inside lean-mixture overfilled-oil dirty-oil-cooler low-compression " +
		"air-filter wrong-mix overload dragging low-coolant thermostat-open air-path fan-reversed low-oil",
	"check": "light-test bleed level pressure-hold combustion-gas compression leak-down cap-hold fan-runs fan-relay " +
		"thermostat-bath pump-flow hose-squeeze wiggle sensor-resistance flow-through intake-leak oil-level " +
		"oil-cooler valve-clearance air-filter mix-strength brake-drag fan-at-lamp warm-up needle-pulse " +
		"fan-after-stop neck-level wet-outside air-path fan-direction probe",
	"flag": "steady-loss blocked-core trapped-air warning-circuit fan-circuit thermostat above-fleet came-back " +
		"hard-driving terrain speed load range ambient",
}

func TestSheetsAreTheContracts(t *testing.T) {
	for sheet, columns := range contract {
		k := KindNamed(sheet)
		require.NotNil(t, k, sheet)
		for _, c := range strings.Fields(columns) {
			name, required := strings.CutSuffix(c, "*")
			f := k.Field(name)
			require.NotNil(t, f, "%s.%s", sheet, name)
			require.Equal(t, required, f.Required, "%s.%s", sheet, name)
		}
	}
	for v, words := range contractWords {
		require.Equal(t, strings.Fields(words), Words(v), v)
	}
}

func TestEveryFieldHasHelpAndAFlagOfItsOwn(t *testing.T) {
	for _, k := range Kinds {
		seen := map[string]string{}
		for i := range k.Fields {
			f := &k.Fields[i]
			require.NotEmpty(t, f.Help, "%s.%s", k.Name, f.Name)
			require.Empty(t, seen[f.Flag()], "%s: --%s is %s and %s", k.Name, f.Flag(), seen[f.Flag()], f.Name)
			seen[f.Flag()] = f.Name
		}
	}
}

// anyRecord draws a record of a kind whose fields hold anything they may.
func anyRecord(t *rapid.T, k *Kind, known *Known) Record {
	r := k.New()
	for i := range k.Fields {
		f := &k.Fields[i]
		if !f.Required && rapid.Bool().Draw(t, "blank") {
			continue
		}
		switch p := f.Pointer(r).(type) {
		case *string:
			switch f.Type {
			case MachineField:
				*p = rapid.SampledFrom(known.Machines).Draw(t, f.Name)
			case DriverField:
				*p = rapid.SampledFrom(known.Drivers).Draw(t, f.Name)
			case WordField:
				*p = rapid.SampledFrom(known.Words[f.Vocabulary]).Draw(t, f.Name)
			default:
				*p = "x" + strings.TrimSpace(strings.ReplaceAll(rapid.String().Draw(t, f.Name), "\x00", ""))
				if f.Name == k.Name { // a name is cleaned on its way in
					*p = CleanName(*p)
				}
			}
		case *Num:
			*p = N(rapid.Float64Range(f.Min, f.Max).Draw(t, f.Name))
		case *time.Time:
			*p = time.Unix(rapid.Int64Range(0, 4e9).Draw(t, f.Name), 0).UTC()
		case *[]string:
			for _, w := range known.Words[f.Vocabulary] {
				if rapid.Bool().Draw(t, w) {
					*p = append(*p, w)
				}
			}
		}
	}
	return r
}

// What a sheet's cells hold reads back as the same record, and so does its JSON.
func TestRecordsRoundTrip(t *testing.T) {
	zone := time.FixedZone("UTC+02:00", 2*3600)
	known := NewKnown([]string{"R4", "Heron"}, []string{"Ada Venn", "Bo"},
		[]Word{{Vocabulary: "terrain", Word: "stubble"}}, zone)
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.SampledFrom(Kinds).Draw(t, "kind")
		r := anyRecord(t, k, known)
		back := k.New()
		for i := range k.Fields {
			f := &k.Fields[i]
			if err := k.Set(back, f, f.Cell(r, zone), known, time.Time{}); err != nil {
				t.Fatalf("%s.%s: %v", k.Name, f.Name, err)
			}
		}
		for _, f := range k.Differ(r, back) {
			t.Fatalf("%s.%s: %q came back as %q", k.Name, f.Name, f.Cell(r, zone), f.Cell(back, zone))
		}
		fromJSON, err := k.Decode(k.JSON(r, zone), nil)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range k.Differ(r, fromJSON) {
			t.Fatalf("%s.%s: %q came back from JSON as %q", k.Name, f.Name, f.Cell(r, zone), f.Cell(fromJSON, zone))
		}
	})
}

func TestThorough(t *testing.T) {
	// The contract: both sides, with the radiator out or sides = both; anything else is a rinse.
	for _, c := range []struct {
		out, sides string
		want       bool
	}{{"yes", "both", true}, {"", "both", true}, {"no", "both", true}, {"yes", "", true}, {"yes", "front", false},
		{"no", "front", false}, {"", "", false}, {"", "back", false}} {
		got := (&Cleaning{RadiatorOut: c.out, Sides: c.sides}).Thorough()
		require.Equal(t, c.want, got, "radiator out %q, sides %q", c.out, c.sides)
	}
}

func TestDuration(t *testing.T) {
	h, ok := (&Run{Hours: N(2.5), MeterOut: N(10), MeterIn: N(13)}).Duration()
	require.True(t, ok)
	require.Equal(t, 2.5, h, "hours recorded come before the meter")
	h, ok = (&Run{MeterOut: N(10), MeterIn: N(13)}).Duration()
	require.True(t, ok)
	require.Equal(t, 3.0, h)
	_, ok = (&Run{MeterIn: N(13)}).Duration()
	require.False(t, ok)
}

func TestWrongFieldsSayWhatWouldBeRight(t *testing.T) {
	known := NewKnown([]string{"R4"}, []string{"Ines Varga"}, nil, time.UTC)
	k := KindNamed("run")
	for _, c := range []struct{ column, raw, says string }{
		{"driver", "Ines Verga", "did you mean Ines Varga?"},
		{"terrain", "dirt", "did you mean dust?"},
		{"hours", "-1.0", "can't be negative"},
		{"hours", "0.001", "is too small: at least 0.01 h"},
		{"hours", "2x", "write 1.5, 1.5 h, 1:30 or 90 min"},
		{"ambient_c", "400", "is too large: at most 60 °C"},
		{"start", "31/02/2025 9am", "February 2025 has 28 days"},
		{"machine", "r5", "is not known"},
	} {
		err := k.Set(k.New(), k.Field(c.column), c.raw, known, time.Time{})
		require.ErrorContains(t, err, c.says)
		require.Equal(t, c.column, AsProblem(err).Column)
	}
	r := &Run{}
	require.NoError(t, k.Set(r, k.Field("speed"), " FAST ", known, time.Time{}))
	require.Equal(t, "fast", r.Speed)
	require.NoError(t, k.Set(r, k.Field("hours"), "90 min", known, time.Time{}))
	require.Equal(t, 1.5, r.Hours.V)
	require.Equal(t, "90 min", r.Typed["hours"])
	err := k.Set(r, k.Field("note"), strings.Repeat("x", maxText+1), known, time.Time{})
	require.ErrorContains(t, err, fmt.Sprint(maxText))
	require.True(t, math.Abs(r.Hours.V) < 2)
}

func TestAsOf(t *testing.T) {
	day := func(d int) time.Time { return time.Date(2026, 3, d, 0, 0, 0, 0, time.UTC) }
	l := Log{Runs: []Run{{Base: Base{At: day(1)}}, {Base: Base{At: day(2)}}, {Base: Base{At: day(2)}},
		{Base: Base{At: day(3)}}}}
	require.Len(t, l.AsOf(day(2)).Runs, 3)
	require.Len(t, l.AsOf(day(1).Add(-1)).Runs, 0)
	require.Len(t, l.AsOf(time.Time{}).Runs, 4)
	require.Len(t, Fleet{Logs: []Log{l}}.AsOf(day(1)).Logs[0].Runs, 1)
}

// Names that look alike are kept as one: the spellings were driven on Unicode
// Standard Annex 15, figure 4 (composed and not) and of its category Cf.
func TestNamesAreCleanedOnEntry(t *testing.T) {
	const name = "Ren\u00e9 Venn"
	known := NewKnown([]string{"R4"}, []string{name}, nil, time.UTC)
	k := KindNamed("driver")
	for _, typed := range []string{name, "Rene\u0301 Venn", "Ren\u00e9\u00a0Venn", "Ren\u00e9  Venn",
		" Ren\u00e9\u2003Venn ", "Ren\u00e9\u200b Ve\u00adnn", "\ufeffRen\u00e9 Venn"} {
		r := &Driver{}
		require.NoError(t, k.Set(r, &k.Fields[0], typed, known, time.Time{}))
		require.Equal(t, name, r.Name, "%q", typed)
		found, err := known.Driver(strings.ToUpper(typed))
		require.NoError(t, err, "%q", typed)
		require.Equal(t, name, found)
	}
	require.Error(t, k.Set(&Driver{}, &k.Fields[0], "\u200b", known, time.Time{}))
	// A name that an older book has stays as it is.
	old := NewKnown(nil, []string{"Ada\u00a0Venn"}, nil, time.UTC)
	r := &Driver{}
	require.NoError(t, k.Set(r, &k.Fields[0], "Ada\u00a0Venn", old, time.Time{}))
	require.Equal(t, "Ada\u00a0Venn", r.Name)
}

func TestTwins(t *testing.T) {
	names := []string{"Ada Venn", "Bo Larkin", "José Núñez", "Driver A", "Tam Rusk"}
	for name, want := range map[string][]string{
		"Ada Ven": nil, "Ada Vennn": {"Ada Venn"}, "Venn, Ada": {"Ada Venn"}, "ada-venn": {"Ada Venn"},
		"Jose Nunez": {"José Núñez"}, "Bo Larkni": {"Bo Larkin"},
		"Driver B": nil, "Ada Venn": nil, "Cass Imrie": nil, "Bo Larkin2": nil, "Tom Rusk": nil,
		"Tam Rask": {"Tam Rusk"},
	} {
		require.Equal(t, want, Twins(name, names), name)
	}
}

// What the same hands call the same work, and what is another (common practice, no source).
func TestAlikeWorks(t *testing.T) {
	works := []string{"oil and filter", "Valve clearance", "coolant changed", "belt"}
	for work, want := range map[string][]string{
		"oil change": {"oil and filter"}, "oil & filters": {"oil and filter"},
		"valve clearances checked": {"Valve clearance"},
		"New coolant":              {"coolant changed"}, "drive belt": {"belt"},
		"oil pump seal": nil, "air filter": nil, "changed": nil, "OIL  and filter": nil, "": nil,
	} {
		require.Equal(t, want, AlikeWorks(work, works), work)
	}
}

// A list of words is kept as bits of one number: no vocabulary of such a field may grow, or have more words than bits
// that a book can hold.
func TestListsOfWordsFitTheirBits(t *testing.T) {
	for _, k := range Kinds {
		for i := range k.Fields {
			if f := &k.Fields[i]; f.Type == WordsField {
				require.NotContains(t, Words("vocabulary"), f.Vocabulary, f.Name)
				require.LessOrEqual(t, len(Words(f.Vocabulary)), 62, f.Name)
			}
		}
	}
	for _, v := range Vocabularies() {
		require.Less(t, len(Words(v)), vocabularySpan, v)
	}
}

// A machine and a driver are told apart by the whole name; the beginning of both is
// asked back.
func TestBearer(t *testing.T) {
	k := NewKnown([]string{"D35", "R4"}, []string{"D3", "Dora", "Tam"}, nil, time.UTC)
	k.Begun = true
	for word, want := range map[string][2]string{"d3": {"", "D3"}, "D35": {"D35", ""}, "r": {"R4", ""},
		"ta": {"", "Tam"}} {
		machine, driver, err := k.Bearer(word)
		require.NoError(t, err, word)
		require.Equal(t, want, [2]string{machine, driver}, word)
	}
	_, _, err := k.Bearer("d")
	require.ErrorContains(t, err, "could be D35, D3 or Dora")
	_, _, err = k.Bearer("tem")
	require.ErrorContains(t, err, `machine or driver "tem" is not known`)
	var unknown *UnknownError
	require.ErrorAs(t, err, &unknown)
}
