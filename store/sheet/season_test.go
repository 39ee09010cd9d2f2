package sheet

import (
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shedbook/schema"
	"shedbook/schema/unit"
)

const season = "../../testdata/season"

// readAll reads a sheet to its end: records, and the problems of the bad rows by row.
func readAll(t testing.TB, path string, kind *schema.Kind, known *schema.Known) (good []schema.Record, bad [][]*Error) {
	t.Helper()
	f, err := os.Open(path)
	require.NoError(t, err)
	defer f.Close()
	r, err := NewReader(f, filepath.Base(path), kind)
	require.NoError(t, err)
	for {
		row, err := r.Next()
		if err == io.EOF {
			return good, bad
		}
		require.NoError(t, err)
		rec, wrong := r.Record(row, known)
		if wrong != nil {
			bad = append(bad, wrong)
			continue
		}
		good = append(good, rec)
	}
}

// knownOf reads the machines and drivers of a directory of sheets.
func knownOf(t testing.TB, dir, zone string) *schema.Known {
	loc, err := unit.ParseZone(zone)
	require.NoError(t, err)
	known := schema.NewKnown(nil, nil, nil, loc)
	machines, bad := readAll(t, filepath.Join(dir, "machines.csv"), schema.KindNamed("machines"), known)
	require.Empty(t, bad)
	for _, m := range machines {
		known.AddMachine(m.(*schema.Machine).Name)
	}
	drivers, bad := readAll(t, filepath.Join(dir, "drivers.csv"), schema.KindNamed("drivers"), known)
	require.Empty(t, bad)
	for _, d := range drivers {
		known.AddDriver(d.(*schema.Driver).Name)
	}
	return known
}

// A yard's season with its mess. expected.json was made along with the sheets, from what was put into them.
func TestSeason(t *testing.T) {
	var expected struct {
		Bad map[string][]struct {
			Line   int
			Column string
		} `json:"bad_rows"`
		Repeated map[string]int `json:"repeated_rows"`
		Good     map[string]int `json:"good_rows"`
	}
	text, err := os.ReadFile(filepath.Join(season, "expected.json"))
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(text, &expected))
	require.Len(t, expected.Good, 9)

	known := knownOf(t, season, "UTC+2")
	for sheet, count := range expected.Good {
		good, bad := readAll(t, filepath.Join(season, sheet+".csv"), schema.KindNamed(sheet), known)
		// Repeated rows are the book's to see; each stands once more in the sheet.
		assert.Len(t, good, count+expected.Repeated[sheet], sheet)
		if assert.Len(t, bad, len(expected.Bad[sheet]), sheet) {
			for i, want := range expected.Bad[sheet] {
				require.Len(t, bad[i], 1, "%s: one thing is wrong with each bad row", sheet)
				assert.Equal(t, want.Line, bad[i][0].Line, sheet)
				assert.Equal(t, want.Column, bad[i][0].Column, bad[i][0])
			}
		}
	}
}

// What the season's bad rows are told, and what would be right.
func TestSeasonMessages(t *testing.T) {
	known := knownOf(t, season, "UTC+2")
	_, runs := readAll(t, filepath.Join(season, "runs.csv"), schema.KindNamed("runs"), known)
	_, topups := readAll(t, filepath.Join(season, "topups.csv"), schema.KindNamed("topups"), known)
	_, cleanings := readAll(t, filepath.Join(season, "cleanings.csv"), schema.KindNamed("cleanings"), known)
	var got []string
	for _, bad := range [][][]*Error{runs, topups, cleanings} {
		for _, row := range bad {
			got = append(got, row[0].Error())
		}
	}
	for _, want := range []string{
		`runs.csv:340: start: "31/02/2025 9am" is not a day, as February 2025 has 28 days: write year-month-day, such as 2025-02-28 09:00`,
		`runs.csv:720: hours: "-1.0" can't be negative`,
		`runs.csv:968: driver: "Lucie Prada" is not known (did you mean Lucia Prado?)`,
		`runs.csv:1036: meter_in_h: "552.1" is below meter_out_h 552.4, but a meter does not run backwards: swap them, or record the new meter first`,
		`runs.csv:1060: terrain: "dirt" is not one of mud, water, dust, sand, gravel, rock, grass, forest, snow, road (did you mean dust?)`,
		`runs.csv:1101: driver: "Ines Verga" is not known (did you mean Ines Varga?)`,
		`topups.csv:8: volume_ml: "a cup" is not a volume: write 250, 250 ml, 0.25 l or 8 fl oz`,
		`cleanings.csv:291: blocked_back_pct: "140" is too large: at most 100 %`,
	} {
		assert.Contains(t, got, want)
	}
	require.Len(t, got, 23)
}
